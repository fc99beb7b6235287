"""What became of fault codes between two snapshots, and what that proves. All made up by hand."""

from __future__ import annotations

from typing import Any

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.evidence.faults import Expected, FaultsDiff, compare_faults
from caldiff.evidence.readiness import Readiness
from caldiff.evidence.snapshot import Snapshot
from caldiff.evidence.uds import Record

READY = Readiness(ignition="spark", states=(("misfire", "complete"), ("catalyst", "complete")))
LOST = Readiness(ignition="spark", states=(("misfire", "complete"), ("catalyst", "incomplete")))


def snapshot(**facts: Any) -> Snapshot:
    """With all lists read, nothing in them, and every monitor finished, unless said otherwise."""
    known: dict[str, Any] = {
        "label": "made",
        "file": Digest.of(b"made"),
        "stored": (),
        "pending": (),
        "permanent": (),
        "readiness": READY,
        "lamp": False,
        "distance": 500,
        "warm_ups": 20,
    }
    return Snapshot(**(known | facts))


def fates(diff: FaultsDiff) -> dict[str, str]:
    return {one.code: one.fate for one in diff.codes}


def test_fates() -> None:
    before = snapshot(stored=("P0171", "P0300"), pending=("P0420",), permanent=("P0300",))
    after = snapshot(stored=("P0133",), pending=("P0171",), permanent=("P0300",), distance=600, warm_ups=21)
    diff = compare_faults(before, after)
    assert fates(diff) == {"P0133": "new", "P0171": "changed", "P0300": "changed", "P0420": "gone"}
    by_code = {one.code: one for one in diff.codes}
    assert (by_code["P0300"].before, by_code["P0300"].after) == (("stored", "permanent"), ("permanent",))
    assert (diff.doubts, diff.cleared, diff.unmoved) == ((), "", False)


def test_the_same_twice() -> None:
    one = snapshot(stored=("P0171",), lamp=True)
    diff = compare_faults(one, one)
    assert fates(diff) == {"P0171": "stayed"}
    assert diff.unmoved


def test_what_was_not_read_is_not_gone() -> None:
    before = snapshot(permanent=("P0420",))
    diff = compare_faults(before, snapshot(permanent=None))
    assert fates(diff) == {"P0420": "unknown"}
    assert diff.doubts == ("the second snapshot did not read what the first one did: permanent",)
    back = compare_faults(snapshot(permanent=None), before)
    assert fates(back) == {"P0420": "unknown"}  # nobody knows that it is new


def test_stored_codes_alone_are_half_of_it() -> None:
    one = snapshot(pending=None)
    assert compare_faults(one, one).doubts == ("the second snapshot has no list of pending codes",)
    assert compare_faults(one, attrs.evolve(one, records=())).doubts == ()


def test_a_clearing_makes_an_empty_list_worthless() -> None:
    before = snapshot(stored=("P0420",), distance=1204, warm_ups=37)
    diff = compare_faults(before, snapshot(readiness=LOST, distance=212, warm_ups=9))
    assert fates(diff) == {"P0420": "gone"}
    assert diff.cleared == (
        "the memory was cleared between the two: 212 km ago, and the first snapshot says 1,204; 9 warm-ups ago, and "
        "the first snapshot says 37"
    )
    assert diff.doubts == ("not finished since the memory was cleared: catalyst",)
    assert {m.name: m.fate for m in diff.monitors} == {"misfire": "complete", "catalyst": "lost"}
    # with all monitors finished since, the absence says something; but it did move
    finished = compare_faults(before, snapshot(distance=212, warm_ups=9))
    assert (bool(finished.cleared), finished.doubts, finished.unmoved) == (True, (), False)


@pytest.mark.parametrize(
    ("after", "doubt"),
    [
        ({"distance": 0}, "the memory was cleared just before the second snapshot"),
        ({"warm_ups": 0}, "the memory was cleared just before the second snapshot"),
        (
            {"readiness": None},
            "the second snapshot does not say which monitors have finished since the memory was cleared",
        ),
        (
            {"readiness": Readiness(ignition="spark", states=(("misfire", "complete"),))},
            "the second snapshot does not tell of catalyst",
        ),
        (
            {"readiness": Readiness(ignition="spark", states=(("misfire", "complete"), ("catalyst", "unsupported")))},
            "the vehicle had these monitors and says that it has them no more: catalyst",
        ),
        ({"vin": "OTHER"}, "the snapshots are of two vehicles: their VIN differs"),
        ({"taken": "2026-03-01T00:00:00Z"}, "the second snapshot was taken before the first"),
        (
            {"records": (Record(code="P0420-00", status=0x50),)},
            "by their status, the tests of P0420-00 have not finished since the memory was cleared",
        ),
        ({"stored": None, "pending": None, "permanent": None}, "the second snapshot has no list of codes at all"),
    ],
)
def test_doubts(after: dict[str, Any], doubt: str) -> None:
    before = snapshot(vin="ONE", taken="2026-03-02T00:00:00Z")
    assert compare_faults(before, attrs.evolve(before, taken="2026-03-03T00:00:00Z")).doubts == ()
    diff = compare_faults(before, attrs.evolve(before, **after))
    assert doubt in diff.doubts
    assert not diff.unmoved


def test_records_by_their_status() -> None:
    def records(**status: int) -> tuple[Record, ...]:
        return tuple(Record(code=f"{code}-00", status=byte) for code, byte in status.items())

    before = snapshot(records=records(P0420=0x2F, P0171=0x08, P0300=0x08))
    after = snapshot(records=records(P0420=0x28, P0171=0x50, P0300=0x48, P0133=0x50))
    diff = compare_faults(before, after)
    assert fates(diff) == {"P0171-00": "gone", "P0300-00": "changed", "P0420-00": "changed"}
    gone = diff.those("gone")[0]
    assert (gone.status, gone.untested) == ((0x08, 0x50), True)
    # bits that the controller does not know say nothing
    known = compare_faults(attrs.evolve(before, known=0x0F), after)
    assert fates(known)["P0300-00"] == "stayed"


@pytest.mark.parametrize(
    ("reported", "given", "state"),
    [
        (("4711ABCD",), ("4711abcd",), "same"),
        (("00004711",), ("4711",), "same"),
        (("1111", "4711"), ("4711",), "same"),  # another controller reports its own
        (("4712",), ("4711",), "differs"),
        ((), ("4711",), "not reported"),
        (("4711",), (), "not in the image"),
    ],
)
def test_the_image_that_should_be_in_it(reported: tuple[str, ...], given: tuple[str, ...], state: str) -> None:
    one = snapshot(cvns=reported, calibration_ids=("W4",), vin="V")
    diff = compare_faults(one, one, expected=Expected(label="rev", calibration_ids=("W4",), cvns=given, vin="V"))
    assert {held.what: held.state for held in diff.held} == {"calibration id": "same", "CVN": state, "VIN": "same"}
    assert diff.unmoved == (state in {"same", "not in the image"})
    assert not compare_faults(one, one, expected=Expected(label="rev")).unmoved  # it confirms nothing


def test_another_calibration_is_said() -> None:
    diff = compare_faults(snapshot(cvns=("1A",)), snapshot(cvns=("1B",)))
    assert diff.notes == ("another CVN than in the first snapshot: 1B, before 1A",)


CODES = st.lists(st.sampled_from(["P0171", "P0420", "P0300", "U0100"]), unique=True).map(tuple)
LISTS = st.one_of(st.none(), CODES)
SNAPSHOTS = st.builds(
    lambda stored, pending, permanent, ready: snapshot(
        stored=stored, pending=pending, permanent=permanent, readiness=ready
    ),
    LISTS,
    LISTS,
    LISTS,
    st.sampled_from([None, READY, LOST]),
)


@given(SNAPSHOTS, SNAPSHOTS)
def test_every_code_has_a_fate_and_no_absence_is_invented(before: Snapshot, after: Snapshot) -> None:
    diff = compare_faults(before, after)
    assert {one.code for one in diff.codes} == before.faults | after.faults
    for one in diff.codes:
        back = {c.code: c.fate for c in compare_faults(after, before).codes}[one.code]
        swap = {"new": "gone", "gone": "new"}
        assert back == swap.get(one.fate, one.fate)
        if one.fate == "gone":
            assert one.code not in after.faults
            assert all(after.of(kind) is not None for kind in one.before)  # type: ignore[arg-type]
    if after.readiness is not READY:
        assert diff.doubts


@given(SNAPSHOTS)
def test_nothing_moves_between_a_snapshot_and_itself(one: Snapshot) -> None:
    diff = compare_faults(one, one)
    assert {c.fate for c in diff.codes} <= {"stayed"}
    assert diff.cleared == ""
