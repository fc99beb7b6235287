"""Checksums as text and as JSON: how each is reckoned, what is stored, whether it holds. Free of numpy."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import attrs

from caldiff.checksum.fragment import fragment
from caldiff.crc import Crc, crc_name
from caldiff.definition.checksum_faults import method_bits
from caldiff.definition.checksums import Adler32, Checksum, Fletcher, Hash, Method, Opaque, StoredField, Sum, Xor
from caldiff.definition.model import Region
from caldiff.render.document import Json, document, image_part
from caldiff.render.files import size_words
from caldiff.render.head import file_lines, labelled
from caldiff.render.look import Look, plural, wrapped
from caldiff.render.view import View
from caldiff.table.calibration import Calibration

if TYPE_CHECKING:  # they bring numpy, which a file of the same bytes is answered without
    from caldiff.checksum.find import Candidate, Found
    from caldiff.checksum.state import State
    from caldiff.diff.model import ChecksumDiff

__all__ = [
    "Checked",
    "checksum_document",
    "checksum_part",
    "checksum_text",
    "diff_lines",
    "diff_part",
    "method_words",
    "search_document",
    "search_text",
]

_DIGITS = 16
"""of a value in text; a digest is cut there"""
_INDENT = 18
_DIGESTS = {"md5": "MD5", "sha-1": "SHA-1", "sha-256": "SHA-256"}
_KINDS = {
    "whole": "over a region, near its edge or that of another",
    "prefix": "over the beginning of a region, stored right behind it",
    "anywhere": "over the beginning of a region, stored elsewhere",
}
_TELLING = 0.1
_COMPLEMENTS = {"none": "", "ones": ", one's complement", "twos": ", two's complement"}


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Checked:
    """The checksums of one file.

    Attributes:
        corrected: the file that was written with all of them right, or None.
        fixed: names of those whose fields differ in it.
    """

    calibration: Calibration
    states: tuple[State, ...]
    corrected: str | None = None
    fixed: tuple[str, ...] = ()


# ------------------------------------------------------------------------------------------------------------- words


def method_words(method: Method) -> str:
    """How a checksum is reckoned, in words."""
    match method:
        case Crc():
            polynomial = _hex(method.polynomial, method.width)
            return crc_name(method) or f"CRC of {method.width} bits, polynomial {polynomial}"
        case Sum():
            return f"sum of {_words(method)} into {method.bits} bits{_COMPLEMENTS[method.complement]}"
        case Xor():
            return f"exclusive or of {_words(method)}"
        case Fletcher():
            return f"Fletcher-{method.bits}"
        case Adler32() | Hash():
            return "Adler-32" if isinstance(method, Adler32) else _DIGESTS[method.name]
        case Opaque():
            return method.what


def _words(method: Sum | Xor) -> str:
    bits = 8 * method.word.size
    return "bytes" if bits == 8 else f"{method.byte_order}-endian {bits}-bit words"  # noqa: PLR2004 - of a byte


def _hex(value: int, bits: int) -> str:
    digits = f"{value:0{max(-(-bits // 4), 1)}X}"
    return f"0x{digits[:_DIGITS]}..." if len(digits) > _DIGITS else f"0x{digits}"


def _value(value: int, field: StoredField) -> str:
    return _hex(value, 8 * field.size)


def _reckoned(state: State) -> str:
    """What was reckoned, as the first field would show it."""
    method = state.checksum.method
    return "nothing" if state.reckoned is None else _hex(state.reckoned, method_bits(method) or 0)


def _stored(state: State) -> str:
    pairs = zip(state.stored, state.checksum.fields, strict=True)
    texts = [f"{_value(v, f)} at 0x{f.at:08X}{' (inverted)' if f.inverted else ''}" for v, f in pairs]
    return ", ".join(texts)


def _outcome(state: State) -> str:
    """What speaks for the state."""
    constant = state.checksum.constant
    if state.status == "unreadable":
        return state.reason + ("" if state.address is None else f" (0x{state.address:08X})")
    if constant is not None:
        wanted = _hex(constant, method_bits(state.checksum.method) or 0)
        word = f"compensation word {_stored(state)}"
        return f"{word}, all together {_reckoned(state)}" + ("" if state.status == "valid" else f", not {wanted}")
    if state.status == "stale":
        return f"stored {_stored(state)}, reckoned {_reckoned(state)}"
    return f"stored {_stored(state)}"


# ------------------------------------------------------------------------------------------------------ the command


def checksum_text(found: Sequence[Checked], look: Look, view: View) -> str:
    """Every file, then each of its checksums."""
    out: list[str] = []
    for one in found:
        out += [*file_lines(one.calibration, look, view), ""]
        for state in one.states:
            out += _state_lines(state, look)
        out += ["", *wrapped(_count(one.states), look.width)]
        if one.corrected is not None:
            out += wrapped(look.text(_written(one)), look.width)
        out.append("")
    return "\n".join(out[:-1]) + "\n"


def _state_lines(state: State, look: Look) -> list[str]:
    checksum = state.checksum
    by = "; it is" if isinstance(checksum.method, Opaque) else ""
    covered = f"{by} over {size_words(sum(span.size for span in state.spans))}" if state.spans else ""
    title = f" ({checksum.title})" if checksum.title else ""
    lead = f"{' ' if state.status == 'valid' else '!'} {state.status}"
    first = wrapped(
        look.text(f"{checksum.name}{title}: {method_words(checksum.method)}{covered}"),
        look.width,
        indent=_INDENT,
        lead=lead,
    )
    if state.status != "valid":
        first[0] = look.paint(lead, "alert") + first[0][len(lead) :]
    return first + wrapped(look.text(_outcome(state)), look.width, indent=_INDENT)


def _count(states: Sequence[State]) -> str:
    counts = {s: sum(state.status == s for state in states) for s in ("valid", "stale", "not verifiable", "unreadable")}
    parts = [f"{count} {status}" for status, count in counts.items() if count]
    return f"{plural(len(states), 'checksum')}: {', '.join(parts)}"


def _written(one: Checked) -> str:
    if not one.fixed:
        return f"written to {one.corrected}, nothing had to be corrected"
    return f"written to {one.corrected}, corrected: {', '.join(one.fixed)}"


def checksum_document(found: Iterable[Checked]) -> Json:
    """Every file that could be read."""
    return document(
        "checksum",
        {
            "files": [
                {
                    **image_part(one.calibration.label, one.calibration.image),
                    "definition": one.calibration.definition.name if one.calibration.definition else None,
                    "checksums": [{"name": s.name, **_about(s.checksum), **checksum_part(s)} for s in one.states],
                    "corrected": None
                    if one.corrected is None
                    else {"file": one.corrected, "checksums": list(one.fixed)},
                }
                for one in found
            ]
        },
    )


def _about(checksum: Checksum) -> Json:
    return {"title": checksum.title, "method": method_words(checksum.method)}


def checksum_part(state: State) -> Json:
    """The state of one checksum; values are hexadecimal digits."""
    fields = state.checksum.fields
    bits = method_bits(state.checksum.method) or 0
    constant = state.checksum.constant
    return {
        "status": state.status,
        "stored": [
            {"at": f.at, "size": f.size, "inverted": f.inverted, "value": f"{v:0{2 * f.size}x}"}
            for v, f in zip(state.stored, fields, strict=False)
        ],
        "reckoned": None if state.reckoned is None else f"{state.reckoned:0{-(-bits // 4)}x}",
        "constant": None if constant is None else f"{constant:0{-(-bits // 4)}x}",
        "covered": [{"start": span.start, "stop": span.stop} for span in state.spans],
        "reason": state.reason or None,
        "address": state.address,
    }


# --------------------------------------------------------------------------------------------------------- comparison


def diff_lines(diffs: Sequence[ChecksumDiff], look: Look, names: tuple[str, str] = ("A", "B")) -> list[str]:
    """What a comparison says of checksums: those that followed their content in one line, the others one by one."""
    fine = [d.name for d in diffs if _fine(d)]
    out: list[str] = []
    if fine:
        out += labelled("checksums", look.text(f"changed with their content, valid: {', '.join(fine)}"), look)
    for diff in diffs:
        if not _fine(diff):
            alert = diff.after is None or diff.after.status != "valid"
            out += labelled("checksum", look.text(f"{diff.name}: {'; '.join(_told(diff, names))}"), look, alert=alert)
    return out


def _fine(diff: ChecksumDiff) -> bool:
    return {state.status if state else None for state in (diff.before, diff.after)} == {"valid"}


def _told(diff: ChecksumDiff, names: tuple[str, str]) -> Iterator[str]:
    """Everything about one checksum that is not as it should be."""
    was, now = diff.before, diff.after
    if diff.forgotten:
        yield "its content changed, it did not" if diff.content else "it changed, its content did not"
    elif now is not None and now.status == "not verifiable" and diff.content:
        yield "it changed with its content"
    if now is not None and now.status == "not verifiable":
        yield f"not verifiable here ({method_words(now.checksum.method)})"
        return
    if was is None or now is None:
        yield f"only in {names[was is None]}"
    if was and now and was.status == now.status == "stale":
        yield f"stale in {names[0]} and {names[1]}, in {names[1]} {_outcome(now)}"
        return
    for state, name in ((was, names[0]), (now, names[1])):
        if state is not None:
            yield f"{state.status} in {name}" + ("" if state.status == "valid" else f", {_outcome(state)}")


def diff_part(diff: ChecksumDiff) -> Json:
    """One checksum of a comparison."""
    known = diff.after or diff.before
    return {
        "name": diff.name,
        **(_about(known.checksum) if known else {}),
        "content_changed": diff.content,
        "stored_changed": diff.stored,
        "forgotten": diff.forgotten,
        "before": None if diff.before is None else checksum_part(diff.before),
        "after": None if diff.after is None else checksum_part(diff.after),
    }


# ------------------------------------------------------------------------------------------------------------- search


def search_text(found: Found, regions: Iterable[Region]) -> str:
    """Candidates as a section of a definition, what speaks for each in comments."""
    lines = [f"# {line}" for line in _search_head(found)]
    if not found.candidates:
        return "\n".join(lines) + "\n"
    return "\n".join(lines) + "\n" + fragment([(c.checksum, _candidate(c)) for c in found.candidates], regions)


def _search_head(found: Found) -> Iterator[str]:
    count, sure = len(found.candidates), sum(c.sure for c in found.candidates)
    tried = f"among {found.tried:.1e} agreements tried"
    yield f"{plural(count, 'candidate')}, {sure} sure, {tried}" if sure else f"nothing sure was found {tried}"
    if not found.finished:
        yield "the search was stopped before its end"
    yield from found.notes
    if count:
        yield "An agreement is no proof: hold a candidate against an image whose checksums you trust."


def _candidate(candidate: Candidate) -> str:
    chance = candidate.chance
    odds = f"{chance:.1g}" if chance >= _TELLING else f"{chance:.0e}"
    parts = [
        f"{method_words(candidate.checksum.method)}, {_KINDS[candidate.kind]}",
        f"holds in {plural(candidate.images, 'image')} that differ" if candidate.images > 1 else "holds in one image",
        f"{odds} such by chance ({candidate.said:.0f} bits said, {candidate.tried:.1e} tried)",
    ]
    if not candidate.sure:
        parts.append("weak: chance alone may have brought it")
    if candidate.others:
        parts.append(f"{plural(candidate.others, 'other length')} would do as well")
    if candidate.checksum.constant is not None:
        parts.append("which word makes up for the rest is a guess")
    return "\n".join(parts)


def search_document(found: Found, images: Sequence[Calibration]) -> Json:
    """The candidates, the surest first."""
    return document(
        "checksum-search",
        {
            "files": [image_part(one.label, one.image) for one in images],
            "finished": found.finished,
            "tried": found.tried,
            "notes": list(found.notes),
            "candidates": [
                {
                    "region": c.region.name or None,
                    "kind": c.kind,
                    "method": method_words(c.checksum.method),
                    "images": c.images,
                    "said": c.said,
                    "tried": c.tried,
                    "chance": c.chance,
                    "others": c.others,
                    "yaml": fragment([(c.checksum, "")], ()),
                }
                for c in found.candidates
            ],
        },
    )
