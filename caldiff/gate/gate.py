"""``judge``: may these files go out? Every reason not to is in the answer; what cannot be told is a reason."""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING, cast, get_args

import attrs

from caldiff.canonical import Digest
from caldiff.definition.catalogue import Catalogue
from caldiff.definition.definition import Definition
from caldiff.errors import CaldiffError, FileError, LimitError
from caldiff.gate.case import Bench, Case
from caldiff.gate.policy import Policy
from caldiff.gate.register import Kept, Register, VaultSource
from caldiff.gate.rules.every import RULES, Rule
from caldiff.gate.verdict import FileVerdict, Refusal, RuleOutcome, Verdict
from caldiff.image.limits import Limits
from caldiff.image.model import Format, Image
from caldiff.image.reading import read_image
from caldiff.ledger.chain import Head
from caldiff.ledger.entry import ImageFacts
from caldiff.ledger.trust import Trust
from caldiff.table.calibration import Calibration
from caldiff.table.opening import calibration

if TYPE_CHECKING:
    from caldiff.vault.vault import Vault

__all__ = ["judge"]

Given = str | PathLike[str] | Calibration
_IMAGE = "image"


def judge(  # noqa: PLR0913 - one keyword a thing that the answer rests on
    paths_or_calibrations: Iterable[Given],
    *,
    vault: Vault,
    policy: Policy,
    trust: Trust | None = None,
    catalogue: Catalogue,
    pinned: Sequence[Head] = (),
    checkpoint: bytes | None = None,
    limits: Limits | None = None,
) -> Verdict:
    """Judge every file by itself: traced in the vault, read by the definition recorded there, asked all rules.

    Args:
        paths_or_calibrations: files (no folders), or images at hand; of a calibration its image counts, and the
            definition is the recorded one all the same.
        vault: where it is looked.
        policy: what must hold.
        trust: whose signatures count; without it none does.
        catalogue: definitions that are known to be right.
        pinned: heads that were kept outside the vault; one that the vault lacks refuses everything.
        checkpoint: likewise, of all units.
        limits: on the size and span of an image.

    Raises:
        VaultError: the vault cannot be read at all.
        SignatureError: a trusted key cannot be read, or two are the same.
        Nothing else: whatever is wrong with a file or with a unit is in the verdict.
    """
    if trust is not None:
        trust.by_keyid()
    limits = limits or Limits()
    source = VaultSource(
        vault=vault,
        policy=policy,
        trust=trust,
        pinned=tuple(pinned),
        checkpoint=checkpoint,
        limits=limits,
    )
    known = (d.digest for _, d in catalogue.definitions() if isinstance(d, Definition))
    bench = Bench(source=source, policy=policy, trust=trust, known=frozenset(known))
    register = Register.of(vault)
    files = tuple(_file(given, bench, register, limits) for given in paths_or_calibrations)
    return Verdict(
        policy=policy.name,
        policy_digest=policy.digest,
        vault=str(vault.folder),
        files=files,
        notes=(*policy.cautions, *register.notes),
    )


# ------------------------------------------------------------------------------------------------------- one file


@attrs.frozen(kw_only=True, eq=False)
class _File:
    """A file as it was given: its bytes, or the image that it was read as already."""

    path: str
    data: bytes | Image = attrs.field(repr=False)
    digest: Digest | None


def _file(given: Given, bench: Bench, register: Register, limits: Limits) -> FileVerdict:
    path = given.label if isinstance(given, Calibration) else fspath(given)
    digest = None
    try:
        file = _opened(given, path, limits)
        digest = file.digest
        found = register.traced(file.data, digest, name=path, limits=limits)
    except CaldiffError as error:
        refusal = Refusal(
            rule=_IMAGE, text="the file cannot be judged", found=str(error), wanted="an image that can be read"
        )
        return FileVerdict(path=path, file=digest, rules=(_refused(_IMAGE, refusal),))
    if not found:
        return FileVerdict(path=path, file=digest, rules=(_stranger(register),))
    return _best(_verdicts(file, found, bench, limits))


def _opened(given: Given, path: str, limits: Limits) -> _File:
    """Raises CaldiffError."""
    if isinstance(given, Calibration):
        source = given.image.source
        return _File(path=path, data=given.image, digest=None if source is None else source.file)
    data = _bytes(Path(path), limits)
    return _File(path=path, data=data, digest=Digest.of(data))


def _bytes(path: Path, limits: Limits) -> bytes:
    """The whole file. Raises FileError, LimitError."""
    try:
        about = path.stat()
        if not stat.S_ISREG(about.st_mode):
            raise FileError("this is no file", file=path, hint="name files, not folders or pipes")
        with path.open("rb") as stream:
            data = stream.read(limits.text + 1)
    except (OSError, ValueError) as error:
        raise FileError(f"the file cannot be read: {getattr(error, 'strerror', None) or error}", file=path) from None
    if len(data) > limits.text:
        raise LimitError("the file is larger than the limit", file=path, expected=f"at most {limits.text} bytes")
    return data


def _stranger(register: Register) -> RuleOutcome:
    where = f"{register.count} entries of {len(register.units)} units"
    refusal = Refusal(
        rule="traceability",
        text="the file is a stranger: no entry was recorded with it",
        found=f"nothing like it among {where}",
        wanted="a revision that is recorded in the vault: caldiff trace tells what it is nearest to",
    )
    return _refused("traceability", refusal, read=where)


def _verdicts(file: _File, found: Sequence[Kept], bench: Bench, limits: Limits) -> list[Callable[[], FileVerdict]]:
    """The answers, when asked for, for every entry that the file may be."""

    def verdict(kept: Kept) -> FileVerdict:
        rules = tuple(_asked(file, kept, bench, limits))
        return FileVerdict(path=file.path, file=file.digest, unit=kept.unit, sequence=kept.sequence, rules=rules)

    wanted = [kept for kept in found if kept.kind in bench.policy.traceability.kinds]
    return [partial(verdict, kept) for kept in wanted or found[:1]]


def _best(verdicts: Sequence[Callable[[], FileVerdict]]) -> FileVerdict:
    """The first that is accepted, else the one with the fewest reasons."""
    answers = []
    for ask in verdicts:
        answers.append(ask())
        if answers[-1].accepted:
            return answers[-1]
    return min(answers, key=lambda verdict: len(verdict.refusals))


def _asked(file: _File, kept: Kept, bench: Bench, limits: Limits) -> Iterator[RuleOutcome]:
    try:
        case = _case(file, kept, bench, limits)
    except CaldiffError as error:
        refusal = Refusal(
            rule=_IMAGE,
            text="the image cannot be read as it was recorded",
            found=str(error),
            wanted="the file as it was recorded, and a vault that holds",
            unit=kept.unit,
            sequence=kept.sequence,
        )
        yield _refused(_IMAGE, refusal)
        return
    yield RuleOutcome(rule=_IMAGE, outcome="held", read=_described(case.calibration))
    for name, rule in RULES.items():
        yield _answer(name, rule, case)


def _answer(name: str, rule: Rule, case: Case) -> RuleOutcome:
    """What the rule says; what it cannot tell is refused."""
    try:
        return rule(case)
    except CaldiffError as error:
        refusal = Refusal(
            rule=name,
            text="it cannot be told whether this holds",
            found=str(error),
            wanted="everything that this rule reads, whole",
            address=error.address,
        )
        return _refused(name, refusal)


def _case(file: _File, kept: Kept, bench: Bench, limits: Limits) -> Case:
    """The file, read by what its entry was recorded with. Raises CaldiffError."""
    recorded = bench.source.chain(kept.unit).by_hash(kept.hash)
    facts = recorded.entry.image
    if facts is None:
        raise CaldiffError("the entry has no image")
    image = _image(file, kept, facts, limits)
    definition = bench.source.definition(recorded)
    if definition is None:
        read = Calibration(label=file.path, image=image, definition=None)
    else:
        read = calibration(image, label=file.path, among=definition)
    return Case(bench=bench, calibration=read, recorded=recorded, how=kept.how)


def _image(file: _File, kept: Kept, facts: ImageFacts, limits: Limits) -> Image:
    """The image: of the recorded file as what it was recorded as, of another by what it is. Raises ImageError."""
    if isinstance(file.data, Image):
        return file.data
    if facts.format not in get_args(Format):
        raise CaldiffError("the entry names a format that there is none of", got=f"{facts.format!r:.40}")
    format_ = cast("Format", facts.format) if kept.how == "file" else None
    return read_image(file.data, name=file.path, start=facts.start, format=format_, limits=limits)


def _described(read: Calibration) -> str:
    source = read.image.source
    by = "no definition" if read.definition is None else f"definition {read.definition.name}"
    return f"{read.image.size} bytes" + ("" if source is None else f", {source.format}") + f", read by {by}"


def _refused(rule: str, refusal: Refusal, *, read: str = "") -> RuleOutcome:
    return RuleOutcome(rule=rule, outcome="refused", read=read, refusals=(refusal,))
