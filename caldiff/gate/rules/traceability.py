"""The file is what an entry says, of a kind that may go out, and descends from a baseline that is at hand."""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.errors import CaldiffError
from caldiff.gate.case import Case
from caldiff.gate.rules.answering import answer, counted
from caldiff.gate.verdict import Refusal, RuleOutcome

__all__ = ["RULE", "traceability"]

RULE = "traceability"


def traceability(case: Case) -> RuleOutcome:
    """Always asked."""
    wanted = case.policy.traceability
    refusals = list(_kind(case))
    try:
        refusals += _descent(case)
        steps = counted(len(case.lineage) - 1, "step")
        read = f"entry {case.entry.sequence} of unit {case.entry.unit}, by {case.how}; {steps} to its baseline"
    except CaldiffError as error:
        refusals.append(
            Refusal(
                rule=RULE,
                text="the way to the baseline is broken",
                found=str(error),
                wanted="a chain that leads to a baseline whose file is in the vault",
            )
        )
        read = f"entry {case.entry.sequence} of unit {case.entry.unit}, by {case.how}"
    return answer(RULE, f"{read}; wanted {', '.join(wanted.kinds)} by {wanted.by}", refusals)


def _kind(case: Case) -> Iterator[Refusal]:
    wanted = case.policy.traceability
    if case.entry.kind not in wanted.kinds:
        yield Refusal(
            rule=RULE,
            text="the file was traced to an entry of another kind",
            found=f"a {case.entry.kind}",
            wanted=" or ".join(f"a {kind}" for kind in wanted.kinds),
        )
    if wanted.by == "file" and case.how != "file":
        yield Refusal(
            rule=RULE,
            text="the file holds what was recorded, but is not the file that was",
            found="the same content in another file",
            wanted="the very bytes that were recorded",
        )
    facts = case.entry.image
    if facts is None or facts.content != case.calibration.image.content:
        yield Refusal(
            rule=RULE,
            text="the image is not the one that the entry was recorded with",
            found=f"content {case.calibration.image.content.short}",
            wanted="no image" if facts is None else f"content {facts.content.short}",
        )


def _descent(case: Case) -> Iterator[Refusal]:
    """Raises CaldiffError."""
    baseline = case.baseline.entry
    if baseline.kind != "baseline":
        yield Refusal(
            rule=RULE,
            text="the file descends from no baseline",
            found=f"a {baseline.kind} at the end of the way",
            wanted="a baseline read",
        )
        return
    claimed = getattr(case.entry.body, "baseline", baseline.hash)
    if claimed != baseline.hash:
        yield Refusal(
            rule=RULE,
            text="the entry names another baseline than the one that it descends from",
            found=f"entry {claimed.short}",
            wanted=f"entry {baseline.hash.short}",
            sequence=case.entry.sequence,
        )
    if baseline.file is None or not case.bench.source.holds(baseline.file):
        yield Refusal(
            rule=RULE,
            text="the baseline is not at hand",
            found="its file is not in the vault",
            wanted=f"the file sha256:{baseline.file.hex}" if baseline.file else "a baseline with a file",
            sequence=baseline.sequence,
        )
    else:
        case.bench.source.calibration(case.baseline)  # whole, with its digest, or an error
