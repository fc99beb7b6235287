"""ISO 14229 service 19 subfunction 02 and its status byte. Bits are from memory of ISO 14229-1."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.evidence.uds import FLAGS, Record, flags_of, read_records, status_of


def test_a_worked_example() -> None:
    """From memory of ISO 14229-1: mask FF, 0A9B17 with status 24, 080511 with status 2F; the last two made up."""
    found = read_records(bytes.fromhex("FF 0A9B17 24 080511 2F 042000 50 C10087 09"))
    assert found is not None
    known, records = found
    assert known == 0xFF
    assert [(r.code, r.status) for r in records] == [
        *(("P0A9B-17", 0x24), ("P0805-11", 0x2F)),
        *(("P0420-00", 0x50), ("U0100-87", 0x09)),
    ]
    assert records[0].flags == ("pending", "failed_since_clearing")
    assert [r.fault for r in records] == [True, True, False, True]
    assert [r.untested for r in records] == [False, False, True, False]


@pytest.mark.parametrize(
    ("bit", "name"),
    [
        (0, "failed"),
        (1, "failed_this_cycle"),
        (2, "pending"),
        (3, "confirmed"),
        (4, "untested_since_clearing"),
        (5, "failed_since_clearing"),
        (6, "untested_this_cycle"),
        (7, "lamp"),
    ],
)
def test_each_bit(bit: int, name: str) -> None:
    assert flags_of(1 << bit) == (name,)
    assert Record(code="P0420-00", status=1 << bit).fault == (bit not in {4, 6})


@given(st.sets(st.sampled_from(FLAGS)))
def test_flags_there_and_back(flags: set[str]) -> None:
    assert set(flags_of(status_of(flags))) == flags


@given(st.binary(max_size=40))
def test_cut_records_are_none(data: bytes) -> None:
    found = read_records(data)
    assert (found is None) == (len(data) % 4 != 1)
    assert found is None or len(found[1]) == len(data) // 4
