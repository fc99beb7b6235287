"""Every declared checksum holds, and what cannot be reckoned was not touched, or may be as it is."""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.checksum.state import State
from caldiff.gate.case import Case
from caldiff.gate.extents import Span, first_inside, less
from caldiff.gate.policy import Checksums
from caldiff.gate.rules.answering import answer, counted, not_asked
from caldiff.gate.verdict import Refusal, RuleOutcome
from caldiff.trace.identity import checksum_states

__all__ = ["RULE", "checksums"]

RULE = "checksums"


def checksums(case: Case) -> RuleOutcome:
    """None may be stale or unreadable; enough must be valid; bytes of checksum regions that no checksum is stay."""
    wanted = case.policy.checksums
    if wanted is None:
        return not_asked(RULE)
    states = checksum_states(case.calibration)
    words = [f"{state.name} {state.status}" for state in states]
    return answer(RULE, ", ".join(words) or "no checksum is declared", _refusals(case, wanted, states))


def _refusals(case: Case, wanted: Checksums, states: tuple[State, ...]) -> Iterator[Refusal]:
    valid = 0
    for state in states:
        if state.status == "valid":
            valid += 1
        elif state.status == "not verifiable":
            yield from _opaque(case, wanted, state)
        else:
            yield Refusal(
                rule=RULE,
                text=f"checksum {state.name} is {state.status}",
                found=state.reason or _held(state),
                wanted="stored values that are right: caldiff checksum FILE --correct --output OUT writes them",
                address=state.address if state.address is not None else state.checksum.fields[0].at,
            )
    if valid < wanted.least:
        yield Refusal(
            rule=RULE,
            text="too few checksums can be told to be right",
            found=counted(valid, "valid checksum"),
            wanted=f"{wanted.least} or more, declared in the definition",
        )
    yield from _beside(case)


def _held(state: State) -> str:
    stored = ", ".join(f"0x{value:X}" for value in state.stored)
    return f"stored {stored}" + ("" if state.reckoned is None else f", reckoned 0x{state.reckoned:X}")


def _opaque(case: Case, wanted: Checksums, state: State) -> Iterator[Refusal]:
    if wanted.opaque == "accepted":
        return
    if wanted.opaque == "unchanged":
        # A comparison lists every checksum whose content or stored value differs, or that cannot be told.
        touched = any(diff.name == state.name for diff in case.against_baseline.checksums)
        before = case.against_baseline.before.definition
        if not touched and before is not None and state.name in before.checksums:
            return
        found = "it, or what it covers, differs from the baseline"
    else:
        found = "not verifiable"
    yield Refusal(
        rule=RULE,
        text=f"checksum {state.name} cannot be verified",
        found=found,
        wanted="the bytes of the baseline" if wanted.opaque == "unchanged" else "checksums that can be reckoned",
        address=state.checksum.fields[0].at,
    )


def _beside(case: Case) -> Iterator[Refusal]:
    """Bytes that count as checksum because of their region alone: nothing says that they are right."""
    definition = case.definition
    if definition is None:
        return
    fields: list[Span] = [(f.at, f.stop) for c in definition.checksums.values() for f in c.fields]
    for region in definition.regions:
        if region.role != "checksum":
            continue
        at = first_inside(case.against_baseline.extents, less([(region.start, region.stop)], fields))
        if at is not None:
            yield Refusal(
                rule=RULE,
                text=f"region {region.name} differs from the baseline where no declared checksum is stored",
                found=f"another byte at 0x{at:08X}",
                wanted="the bytes of the baseline, or a checksum declared there",
                address=at,
            )
