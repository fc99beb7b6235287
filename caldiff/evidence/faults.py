"""Two snapshots of one fault memory compared: codes, readiness, and whether what is gone is proof of anything.

An empty memory says nothing by itself: it is also what a scan tool leaves behind. So every reason for which the second
snapshot proves less than it seems to is given as a sentence, and no reason is passed over for want of data.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Literal

import attrs

from caldiff.evidence.readiness import MONITORS
from caldiff.evidence.readiness import State as MonitorState
from caldiff.evidence.snapshot import KINDS, Snapshot
from caldiff.evidence.uds import Record
from caldiff.value import Shown, Value

__all__ = ["CodeDiff", "Expected", "Fate", "FaultsDiff", "Held", "MonitorDiff", "compare_faults"]

Fate = Literal["new", "stayed", "changed", "gone", "unknown"]
"""``unknown``: it stands in one snapshot, and the other did not read the list that it stands in"""
MonitorFate = Literal["lost", "incomplete", "finished", "complete", "unsupported", "unknown"]
"""``lost``: was complete, has not finished again. ``unknown``: the second snapshot does not tell of it"""
HeldState = Literal["same", "differs", "not reported", "not in the image"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class CodeDiff(Value):
    """What became of a code.

    Attributes:
        before, after: the lists that it stands in, of ``stored``, ``pending``, ``permanent``, ``record``.
        status: its status bytes, before and after; None where there is none.
        untested: by its status after, its test has not finished since the memory was cleared.
    """

    code: str
    fate: Fate
    before: tuple[str, ...]
    after: tuple[str, ...]
    status: tuple[int | None, int | None] = (None, None)
    untested: bool = False


@attrs.frozen(kw_only=True, eq=False, repr=False)
class MonitorDiff(Value):
    """What became of a monitor; None where a snapshot does not tell of it."""

    name: str
    before: MonitorState | None
    after: MonitorState | None

    @property
    def fate(self) -> MonitorFate:
        """In a word."""
        match self.before, self.after:
            case _, None:
                return "unknown"
            case _, "unsupported":
                return "unsupported"
            case "complete", "incomplete":
                return "lost"
            case _, "incomplete":
                return "incomplete"
            case "incomplete", "complete":
                return "finished"
            case _:
                return "complete"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Expected(Value):
    """What an image says that the vehicle should report; empty or None where it says nothing."""

    label: str
    calibration_ids: tuple[str, ...] = ()
    cvns: tuple[str, ...] = ()
    vin: str | None = attrs.field(default=None, repr=False)
    notes: tuple[str, ...] = ()
    """what is wrong with the image itself, in words"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Held(Value):
    """Something that the vehicle reports, held against the image that should be in it."""

    what: Literal["calibration id", "CVN", "VIN"]
    reported: tuple[str, ...] = attrs.field(repr=False)
    expected: tuple[str, ...] = attrs.field(repr=False)
    state: HeldState


@attrs.frozen(kw_only=True, eq=False, repr=False)
class FaultsDiff(Shown):
    """All that is to be said of two snapshots.

    Attributes:
        codes: by code. monitors: in their order.
        cleared: in words, that the memory was cleared between the two; empty where nothing says so.
        doubts: why what is gone, or an empty list, proves less than it seems to, in words.
        held: against the image that should be in the vehicle, where one is given.
        notes: what else does not go together, in words.
    """

    before: Snapshot
    after: Snapshot
    codes: tuple[CodeDiff, ...]
    monitors: tuple[MonitorDiff, ...]
    cleared: str
    doubts: tuple[str, ...]
    held: tuple[Held, ...] = ()
    notes: tuple[str, ...] = ()

    def those(self, fate: Fate) -> tuple[CodeDiff, ...]:
        """The codes of a fate."""
        return tuple(diff for diff in self.codes if diff.fate == fate)

    @property
    def unmoved(self) -> bool:
        """The same codes, lamp and readiness, nothing in doubt, and nothing that contradicts the image."""
        states = {one.state for one in self.held}
        confirmed = not states or ("same" in states and states <= {"same", "not in the image"})
        calm = all(diff.fate == "stayed" for diff in self.codes)
        ready = all(diff.before == diff.after for diff in self.monitors)
        sure = not self.doubts and not self.cleared and not self.notes
        return calm and ready and sure and confirmed and self.before.lamp == self.after.lamp

    def __repr__(self) -> str:
        told = ", ".join(f"{len(self.those(fate))} {fate}" for fate in ("new", "stayed", "changed", "gone", "unknown"))
        return f"<FaultsDiff of {self.before.label!r} and {self.after.label!r}: {told}, {len(self.doubts)} doubts>"


def compare_faults(before: Snapshot, after: Snapshot, *, expected: Expected | None = None) -> FaultsDiff:
    """What became of each code and monitor, and what that proves.

    Args:
        before: the first snapshot.
        after: the second one.
        expected: what the image says that was in the vehicle for the second one.
    """
    codes = tuple(_codes(before, after))
    monitors = tuple(_monitors(before, after))
    return FaultsDiff(
        before=before,
        after=after,
        codes=codes,
        monitors=monitors,
        cleared=_cleared(before, after),
        doubts=tuple(_doubts(before, after, monitors)),
        held=() if expected is None else tuple(_held(after, expected)),
        notes=(*_notes(before, after), *(expected.notes if expected else ())),
    )


# --------------------------------------------------------------------------------------------------------------- codes


def _codes(before: Snapshot, after: Snapshot) -> Iterator[CodeDiff]:
    old, new = _standing(before), _standing(after)
    was, now = _statuses(before), _statuses(after)
    for code in sorted({*old, *new}):
        lists = old.get(code, ()), new.get(code, ())
        record = now.get(code)
        yield CodeDiff(
            code=code,
            fate=_fate(*lists, before, after, code),
            before=lists[0],
            after=lists[1],
            status=(was[code].status if code in was else None, record.status if record else None),
            untested=record is not None and record.untested,
        )


def _standing(snapshot: Snapshot) -> dict[str, tuple[str, ...]]:
    """The lists that each code stands in."""
    found: dict[str, list[str]] = {}
    for kind in KINDS:
        for code in snapshot.of(kind) or ():
            found.setdefault(code, []).append(kind)
    for record in snapshot.records or ():
        if record.fault:
            found.setdefault(record.code, []).append("record")
    return {code: tuple(kinds) for code, kinds in found.items()}


def _statuses(snapshot: Snapshot) -> dict[str, Record]:
    return {record.code: record for record in snapshot.records or ()}


def _fate(old: Sequence[str], new: Sequence[str], before: Snapshot, after: Snapshot, code: str) -> Fate:
    if old and not new:
        return "gone" if _read(after, old) else "unknown"
    if new and not old:
        return "new" if _read(before, new) else "unknown"
    both = {*_lists(before)} & {*_lists(after)}
    same = {*old} & both == {*new} & both
    known = before.known & after.known
    first, second = _statuses(before).get(code), _statuses(after).get(code)
    alike = first is None or second is None or (first.status ^ second.status) & known == 0
    return "stayed" if same and alike else "changed"


def _lists(snapshot: Snapshot) -> tuple[str, ...]:
    """What was read."""
    kinds = [kind for kind in KINDS if snapshot.of(kind) is not None]
    return (*kinds, *(["record"] if snapshot.records is not None else []))


def _read(snapshot: Snapshot, kinds: Iterable[str]) -> bool:
    return set(kinds) <= set(_lists(snapshot))


# ----------------------------------------------------------------------------------------------------------- readiness


def _monitors(before: Snapshot, after: Snapshot) -> Iterator[MonitorDiff]:
    told = [snapshot.readiness for snapshot in (before, after) if snapshot.readiness is not None]
    names = dict.fromkeys(name for readiness in told for name in MONITORS[readiness.ignition])
    for name in names:
        was, now = (s.readiness.of(name) if s.readiness else None for s in (before, after))
        if {was, now} - {None, "unsupported"}:
            yield MonitorDiff(name=name, before=was, after=now)


def _cleared(before: Snapshot, after: Snapshot) -> str:
    """That the memory was cleared between the two. The counters start again at a clearing, and only there."""
    pairs = [
        (before.distance, after.distance, "km"),
        (before.warm_ups, after.warm_ups, "warm-ups"),
    ]
    found = [
        f"{now:,} {unit} ago, and the first snapshot says {was:,}"
        for was, now, unit in pairs
        if was is not None and now is not None and now < was
    ]
    return f"the memory was cleared between the two: {'; '.join(found)}" if found else ""


# ---------------------------------------------------------------------------------------------------------------- proof


def _doubts(before: Snapshot, after: Snapshot, monitors: Sequence[MonitorDiff]) -> Iterator[str]:
    """Why the second snapshot proves less than it seems to."""
    if before.vin is not None and after.vin is not None and before.vin != after.vin:
        yield "the snapshots are of two vehicles: their VIN differs"
    if before.taken is not None and after.taken is not None and after.taken < before.taken:
        yield "the second snapshot was taken before the first"
    if not _lists(after):
        yield "the second snapshot has no list of codes at all"
    elif missing := [kind for kind in _lists(before) if kind not in _lists(after)]:
        yield f"the second snapshot did not read what the first one did: {_words(missing)}"
    elif after.records is None and (lacking := [kind for kind in KINDS[:2] if after.of(kind) is None]):
        yield f"the second snapshot has no list of {_words(lacking)} codes"
    if 0 in {after.distance, after.warm_ups}:
        yield "the memory was cleared just before the second snapshot"
    yield from _unready(after, monitors)
    untested = sorted({r.code for r in after.records or () if r.untested})
    if untested:
        yield f"by their status, the tests of {_words(untested)} have not finished since the memory was cleared"


def _unready(after: Snapshot, monitors: Sequence[MonitorDiff]) -> Iterator[str]:
    if after.readiness is None or not after.readiness.states:
        yield "the second snapshot does not say which monitors have finished since the memory was cleared"
        return
    unfinished = after.readiness.those("incomplete")
    if unfinished:
        yield f"not finished since the memory was cleared: {_words(unfinished)}"
    silent = [diff.name for diff in monitors if diff.fate == "unknown"]
    if silent:
        yield f"the second snapshot does not tell of {_words(silent)}"
    gone = [diff.name for diff in monitors if diff.after == "unsupported" and diff.before not in {"unsupported", None}]
    if gone:
        yield f"the vehicle had these monitors and says that it has them no more: {_words(gone)}"


def _words(names: Iterable[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in names)


# ------------------------------------------------------------------------------------------------------------- identity


def _held(after: Snapshot, expected: Expected) -> Iterator[Held]:
    yield _one("calibration id", after.calibration_ids, expected.calibration_ids)
    yield _one("CVN", after.cvns, expected.cvns)
    yield _one("VIN", () if after.vin is None else (after.vin,), () if expected.vin is None else (expected.vin,))


def _one(what: Literal["calibration id", "CVN", "VIN"], reported: tuple[str, ...], expected: tuple[str, ...]) -> Held:
    """Every value of the image must be reported; a vehicle has other controllers too, which report theirs."""
    state: HeldState = "same"
    if not expected:
        state = "not in the image"
    elif not reported:
        state = "not reported"
    elif not {_plain(what, text) for text in expected} <= {_plain(what, text) for text in reported}:
        state = "differs"
    return Held(what=what, reported=reported, expected=expected, state=state)


def _plain(what: str, text: str) -> str:
    """What is compared: numbers without leading zeros."""
    text = text.strip()
    return (text.upper().lstrip("0") or "0") if what == "CVN" else text


def _notes(before: Snapshot, after: Snapshot) -> Iterator[str]:
    for which, snapshot in (("first", before), ("second", after)):
        yield from (f"{which} snapshot: {text}" for text in (*snapshot.oddities, *snapshot.notes))
    for what, was, now in (
        ("calibration id", before.calibration_ids, after.calibration_ids),
        ("CVN", before.cvns, after.cvns),
    ):
        if was and now and [_plain(what, t) for t in was] != [_plain(what, t) for t in now]:
            yield f"another {what} than in the first snapshot: {', '.join(now)}, before {', '.join(was)}"
    kinds = {s.readiness.ignition for s in (before, after) if s.readiness is not None}
    if len(kinds) > 1:
        yield "one snapshot has the monitors of spark ignition, the other those of compression ignition"
