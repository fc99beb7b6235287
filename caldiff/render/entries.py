"""What an entry of a unit's chain says, in words: the same for a history and for what was just recorded.

Free of numpy, and of the rooms that read images: a history is a short process.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Literal

from caldiff.canonical import Digest
from caldiff.ledger.entry import (
    Approval,
    Baseline,
    Body,
    Changes,
    Delivery,
    Entry,
    Evidence,
    ImageFacts,
    Note,
    Readback,
    Repeat,
    Return,
    Revision,
)
from caldiff.render.cautions import CAUTION_TAGS
from caldiff.render.files import FORMATS, size_words
from caldiff.render.look import plural

__all__ = [
    "Alert",
    "Label",
    "Numbers",
    "alerts",
    "baseline_of",
    "changes_words",
    "checksum_words",
    "deed",
    "image_words",
    "named",
]

Label = Literal["identity", "code", "caution", "checksum", "unexplained", "readback", "repeat"]
Alert = tuple[Label, str]
"""What asks for attention, by what it is about."""

Numbers = Mapping[Digest, int]
"""The number of every entry of the chain, by its hash."""

_UNIT = {"vin": "another vehicle", "hardware-number": "another controller"}
_MEANS = {
    **_UNIT,
    "software-version": "another software",
    "calibration-id": "another software",
    "": "another identity",
}
"""what it means that an identity field differs, by what the field means"""
_REFUSED = ": the default policy will refuse this (--authority {}='who')"
_NAMES = 8
"""names that are listed"""


def named(digest: Digest, numbers: Numbers) -> str:
    """An entry as people speak of it."""
    return f"entry {numbers[digest]}" if digest in numbers else f"an unknown entry {digest.short}"


def listed(names: tuple[str, ...]) -> str:
    """The first of some names, and how many more there are."""
    more = f" and {len(names) - _NAMES} more" if len(names) > _NAMES else ""
    return ", ".join(names[:_NAMES]) + more


def baseline_of(entry: Entry, entries: Mapping[Digest, Entry]) -> Entry | None:
    """The baseline that an entry is held against: the one that it descends from; of a baseline, the one before it."""
    if entry.kind == "baseline":
        earlier = [one for one in entries.values() if one.kind == "baseline" and one.sequence < entry.sequence]
        return max(earlier, key=lambda one: one.sequence, default=None)
    at = entry
    for _ in range(len(entries)):
        way = getattr(at.body, "baseline", None) or getattr(at.body, "of", None)
        if way is None or way not in entries:
            return None
        at = entries[way]
        if at.kind == "baseline":
            return at
    return None


# ---------------------------------------------------------------------------------------------------------- in a line


def deed(entry: Entry, numbers: Numbers) -> str:
    """What was recorded, in a sentence without a full stop: files, what they belong to, what changed."""
    files = listed(tuple(subject.name for subject in entry.draft.subjects))
    return _DEEDS[type(entry.body)](entry.body, files, numbers)


def _baseline(body: Baseline, files: str, _: Numbers) -> str:
    return f"{files}, {image_words(body.image)}"


def _repeat(body: Repeat, files: str, numbers: Numbers) -> str:
    said = f"{files}, again of {named(body.baseline, numbers)}: "
    if body.confirms:
        extra = f" but {plural(body.changes.volatile, 'volatile byte')}" if body.changes.bytes else ""
        return f"{said}the same{extra}, which confirms it"
    return f"{said}not the same, {changes_words(body.changes)}"


def _revision(body: Revision, files: str, numbers: Numbers) -> str:
    parent = f"made on {named(body.parent, numbers)}: {changes_words(body.against_parent)}"
    if body.parent == body.baseline:
        return f"{files}, {parent}"
    base = f"against {named(body.baseline, numbers)}: {changes_words(body.against_baseline)}"
    return f"{files}, {parent}; {base}"


def _delivery(body: Delivery, files: str, numbers: Numbers) -> str:
    return f"{named(body.of, numbers)} to {body.to}, as {files}"


def _readback(body: Readback, files: str, numbers: Numbers) -> str:
    found = {
        "equal": "equal, every byte",
        "volatile": f"equal but {plural(body.changes.bytes, 'volatile byte')}",
        "other": f"not equal, {changes_words(body.changes)}",
    }[body.finding]
    return f"{files}, should be {named(body.of, numbers)}: {found}"


def _evidence(body: Evidence, files: str, numbers: Numbers) -> str:
    facts = "".join(f"; {key}: {text}" for key, text in body.facts)
    return f"{body.sort} of {named(body.of, numbers)}: {files}{facts}"


def _approval(body: Approval, _: str, numbers: Numbers) -> str:
    return f"of {named(body.of, numbers)}, as {body.role}"


def _note(body: Note, files: str, numbers: Numbers) -> str:
    parts = [f"about {named(body.of, numbers)}"] if body.of else ["about the unit"]
    return ", with ".join(parts + ([files] if files else []))


def _return(body: Return, files: str, numbers: Numbers) -> str:
    return f"to the stock of {named(body.baseline, numbers)}, {files}"


_DEEDS: dict[type[Body], Callable[[Any, str, Numbers], str]] = {
    Baseline: _baseline,
    Repeat: _repeat,
    Revision: _revision,
    Delivery: _delivery,
    Readback: _readback,
    Evidence: _evidence,
    Approval: _approval,
    Note: _note,
    Return: _return,
}


def image_words(image: ImageFacts) -> str:
    """Format, size and definition."""
    packed = f" in {image.container}" if image.container else ""
    read = f"read by {image.definition.name}" if image.definition else "no definition fits"
    return f"{FORMATS[image.format]}{packed}, {size_words(image.size)}, {read}"


def changes_words(changes: Changes) -> str:
    """What changed, as counts: tables and cells, axes, bytes by fate."""
    if not changes.bytes:
        return "nothing changed"
    parts = []
    if changes.tables:
        parts.append(f"{plural(len(changes.tables), 'table')} ({plural(changes.cells, 'cell')})")
    if changes.axes:
        parts.append(f"{plural(len(changes.axes), 'axis', 'axes')} moved")
    fates = ("cell", "checksum", "identity", "volatile", "unexplained")
    told = ", ".join(f"{getattr(changes, fate):,} {fate}" for fate in fates if getattr(changes, fate))
    parts.append(f"{plural(changes.bytes, 'byte')} ({told})")
    return ", ".join(parts)


def checksum_words(image: ImageFacts) -> str:
    """How many checksums are in which state; empty where the definition declares none."""
    if not image.checksums:
        return ""
    states = [fact.status for fact in image.checksums]
    kinds = sorted(set(states), key=lambda status: status != "valid")
    return "checksums: " + ", ".join(f"{states.count(kind)} {kind}" for kind in kinds)


# ------------------------------------------------------------------------------------------------------ for attention


def alerts(entry: Entry, baseline: Entry | None) -> Iterator[Alert]:
    """What asks for attention in an entry; ``baseline`` is the one that it descends from, where that is known."""
    image, body = entry.image, entry.body
    changes = _changes(body)
    if image is not None and baseline is not None and baseline.image is not None:
        other_software = isinstance(body, Baseline)  # is what makes a second one
        yield from _identity(image, baseline.image, changes, _UNIT if other_software else _MEANS)
    if isinstance(body, Repeat) and not body.confirms:
        yield "repeat", "this is not what the baseline read holds, so one of the two is not what it should be"
    if isinstance(body, Readback) and body.finding == "other":
        yield "readback", "the unit holds something else than it should"
    if changes is not None and not isinstance(body, Readback | Repeat):
        allowed = {name for name, _ in body.authorities} if isinstance(body, Revision) else set()
        yield from _program(changes, allowed)
        yield from _cautions(changes, allowed)
    if image is not None:
        yield from _checksums(image)
    if changes is not None and changes.unexplained:
        yield "unexplained", f"{plural(changes.unexplained, 'changed byte')} that nothing in the definition explains"


def _changes(body: Body) -> Changes | None:
    return body.against_parent if isinstance(body, Revision) else getattr(body, "changes", None)


def _identity(
    image: ImageFacts, base: ImageFacts, changes: Changes | None, means: Mapping[str, str]
) -> Iterator[Alert]:
    """Fields that read differently. A personal one is kept shortened, so that another may look the same."""
    before = {fact.name: fact for fact in base.identity}
    known = [(fact, before[fact.name]) for fact in image.identity if fact.name in before]
    differ = [new for new, old in known if (new.text, new.match) != (old.text, old.match) and _comparable(new, old)]
    for fact in differ:
        if what := means.get(fact.means, means.get("")):
            yield "identity", f"{what}: {fact.name.replace('_', ' ')} differs from the baseline"
    if changes is not None and changes.identity and not differ:
        yield "identity", f"{plural(changes.identity, 'byte')} of identity fields changed"


def _comparable(new: Any, old: Any) -> bool:
    """Digests are compared only where both have one: a key may have come later."""
    return new.text != old.text or (new.match is not None and old.match is not None)


def _program(changes: Changes, allowed: set[str]) -> Iterator[Alert]:
    if changes.code:
        refused = "" if allowed & set(changes.regions) else f", and no authority is named{_REFUSED.format('REGION')}"
        yield "code", f"{plural(changes.code, 'byte')} of the program itself changed{refused}"


def _cautions(changes: Changes, allowed: set[str]) -> Iterator[Alert]:
    missing = [tag for tag in CAUTION_TAGS if tag in changes.tags and tag not in allowed]
    if missing:
        tagged = f"changed tables are tagged {', '.join(missing)}, and no authority is named"
        yield "caution", tagged + _REFUSED.format("TAG")


def _checksums(image: ImageFacts) -> Iterator[Alert]:
    for status, words in (("stale", "does not hold"), ("unreadable", "cannot be read")):
        names = tuple(fact.name for fact in image.checksums if fact.status == status)
        if names:
            yield "checksum", f"{listed(names)} {words if len(names) == 1 else words.replace('does', 'do')}"
