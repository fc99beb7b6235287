"""The image says of itself what the unit's baseline says: it is made for this very unit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fnmatch import fnmatchcase

from caldiff.definition.definition import Definition
from caldiff.gate.case import Case
from caldiff.gate.extents import Span, first_inside, less
from caldiff.gate.policy import Identity
from caldiff.gate.rules.answering import answer, not_asked
from caldiff.gate.verdict import Refusal, RuleOutcome
from caldiff.table.identity import FieldValue
from caldiff.trace.identity import identity_of

__all__ = ["RULE", "identity"]

RULE = "identity"


def identity(case: Case) -> RuleOutcome:
    """Read from both images, not from what was recorded of them."""
    wanted = case.policy.identity
    if wanted is None:
        return not_asked(RULE)
    ours = [value for value in identity_of(case.calibration) if _asked(value, wanted)]
    before = case.against_baseline.before
    theirs = [value for value in identity_of(before) if _asked(value, wanted)]
    read = ", ".join(f"{value.field.name} {value.shown or 'not there'}" for value in ours) or "no such field"
    refusals = [*_lacking(ours, wanted), *_differing(case, ours, theirs), *_beside(case, ours)]
    return answer(RULE, f"{read}; against {case.baseline.entry.kind} {case.baseline.entry.sequence}", refusals)


def _asked(value: FieldValue, wanted: Identity) -> bool:
    by_name = any(fnmatchcase(value.field.name, pattern) for pattern in wanted.fields)
    return by_name or value.field.means in wanted.means


def _lacking(ours: Sequence[FieldValue], wanted: Identity) -> Iterator[Refusal]:
    """Meanings that no field has, or that say nothing."""
    for means in wanted.means:
        fields = [value for value in ours if value.field.means == means]
        if not fields:
            yield Refusal(
                rule=RULE,
                text=f"no identity field means {means}",
                found="none in the definition",
                wanted=f"a field that means {means}",
            )
        for value in fields:
            if not value.text:
                yield Refusal(
                    rule=RULE,
                    text=f"identity field {value.field.name} says nothing",
                    found="erased" if value.text == "" else "not in the image",
                    wanted="what the baseline says",
                    address=value.field.at,
                )


def _differing(case: Case, ours: Sequence[FieldValue], theirs: Sequence[FieldValue]) -> Iterator[Refusal]:
    """Fields that read differently, or that only one of the images has."""
    bytes_differ = {diff.field.name for diff in case.against_baseline.identity}
    before = {value.field.name: value for value in theirs}
    for value in ours:
        name = value.field.name
        other = before.pop(name, None)
        same = other is not None and None not in {value.text, other.text} and value.text == other.text
        if same and name not in bytes_differ:
            continue
        yield Refusal(
            rule=RULE,
            text=f"identity field {name} is not the baseline's"
            if not same
            else f"identity field {name} has other bytes",
            found=value.shown if value.shown is not None else "not in the image",
            wanted=f"{other.shown}" if other is not None and other.shown is not None else "a field of the baseline",
            address=value.field.at,
        )
    for name, other in before.items():
        yield Refusal(
            rule=RULE,
            text=f"identity field {name} is not in this image's definition",
            found="none",
            wanted=other.shown or "a field as in the baseline",
            address=other.field.at,
        )


def _beside(case: Case, ours: Sequence[FieldValue]) -> Iterator[Refusal]:
    """Bytes that count as identity because of their region alone: they stay, but for fields that are not asked for."""
    definition = case.definition
    if definition is None:
        return
    free = _free(definition, {value.field.name for value in ours})
    for region in definition.regions:
        if region.role != "identity":
            continue
        at = first_inside(case.against_baseline.extents, less([(region.start, region.stop)], free))
        if at is not None and not _in_field(definition, at):
            yield Refusal(
                rule=RULE,
                text=f"region {region.name} differs from the baseline",
                found=f"another byte at 0x{at:08X}",
                wanted="the bytes of the baseline",
                address=at,
            )


def _free(definition: Definition, asked: set[str]) -> list[Span]:
    """Bytes of an identity region that may differ: fields that are not asked for, and stored checksums."""
    fields = [(f.at, f.stop) for f in definition.identity.values() if f.name not in asked]
    return fields + [(f.at, f.stop) for c in definition.checksums.values() for f in c.fields]


def _in_field(definition: Definition, at: int) -> bool:
    """Whether a field is told of already."""
    return any(field.at <= at < field.stop for field in definition.identity.values())
