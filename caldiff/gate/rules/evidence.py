"""What the image before this one did was looked at before this one was made."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from caldiff.errors import CaldiffError
from caldiff.gate.case import Case
from caldiff.gate.policy import Evidence
from caldiff.gate.rules.answering import answer, counted, not_asked
from caldiff.gate.rules.visited import visited
from caldiff.gate.verdict import Refusal, RuleOutcome
from caldiff.ledger import entry as ledger
from caldiff.ledger.chain import Recorded

__all__ = ["RULE", "evidence"]

RULE = "evidence"


def evidence(case: Case) -> RuleOutcome:
    """Of each sort so many, taken on the parent, after it and before this entry, none too old; visited where asked."""
    wanted = case.policy.evidence
    if not wanted:
        return not_asked(RULE)
    parent = case.parent
    if parent is None:
        return answer(RULE, "a baseline: nothing was before it")
    first = parent.entry.kind == "baseline" and not _revised_before(case)
    asked = [one for one in wanted if one.first or not first]
    if not asked:
        return answer(RULE, "the first revision of the unit: nothing is asked of its baseline")
    found = [(one, _counting(case, parent, one)) for one in asked]
    visits = [
        visited(case, RULE, parent, one.visited, pieces)
        for one, pieces in found
        if one.visited is not None and len(pieces) >= one.least
    ]
    read = ", ".join(counted(len(pieces), f"piece of {one.sort}", f"pieces of {one.sort}") for one, pieces in found)
    where = f"on the {parent.entry.kind}, entry {parent.entry.sequence}"
    refusals = [*_refusals(case, parent, found), *(refusal for one in visits for refusal in one.refusals)]
    return answer(RULE, "; ".join([f"{read} {where}", *(one.read for one in visits)]), refusals)


def _revised_before(case: Case) -> bool:
    """Whether the unit was revised before: then a baseline as parent is no first step."""
    return any(one.entry.sequence < case.entry.sequence for one in case.chain.revisions)


def _refusals(case: Case, parent: Recorded, found: list[tuple[Evidence, tuple[Recorded, ...]]]) -> Iterator[Refusal]:
    for one, pieces in found:
        if len(pieces) >= one.least:
            continue
        age = "" if one.days is None else f", within {counted(one.days, 'day')} before {case.entry.draft.time}"
        yield Refusal(
            rule=RULE,
            text=f"evidence is missing: {one.sort}",
            found=f"{len(pieces)} on entry {parent.entry.sequence}" + (f" that count{age}" if age else ""),
            wanted=f"{one.least} or more, taken on it before entry {case.entry.sequence}{age}",
            unit=parent.entry.unit,
            sequence=parent.entry.sequence,
        )


def _counting(case: Case, parent: Recorded, wanted: Evidence) -> tuple[Recorded, ...]:
    """The entries that count: of the sort, on the parent, at hand, signed as asked, and of the right age."""
    return tuple(
        one
        for one in case.chain.recorded
        if one.entry.sequence < case.entry.sequence
        and _is_sort(case, one, parent, wanted.sort)
        and _in_time(one, parent, case.entry, wanted.days)
        and case.counts(one)
    )


def _is_sort(case: Case, one: Recorded, parent: Recorded, sort: str) -> bool:
    body = one.entry.body
    if isinstance(body, ledger.Readback):
        return sort == "readback" and body.of == parent.entry.hash and case.confirms(one, parent)
    if not isinstance(body, ledger.Evidence) or body.sort != sort or not _is_on(case, body, parent):
        return False
    files = one.entry.draft.subjects
    return bool(files) and all(case.bench.source.holds(file.file) for file in files)


def _is_on(case: Case, body: ledger.Evidence, parent: Recorded) -> bool:
    """Whether it was taken on the parent: named so, or by a delivery or readback of it."""
    if body.of == parent.entry.hash:
        return True
    try:
        about = case.chain.by_hash(body.of)
    except CaldiffError:
        return False
    match about.entry.body:
        case ledger.Delivery(of=of):
            return of == parent.entry.hash
        case ledger.Readback(of=of):
            return of == parent.entry.hash and case.confirms(about, parent)
        case _:
            return False


def _in_time(one: Recorded, parent: Recorded, entry: ledger.Entry, days: int | None) -> bool:
    """By the times that the entries give; a time that is none is never right."""
    try:
        before, at, after = (_time(e.draft.time) for e in (parent.entry, one.entry, entry))
    except ValueError:
        return False
    return before <= at <= after and (days is None or after - at <= timedelta(days=days))


def _time(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
