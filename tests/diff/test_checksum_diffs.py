"""What a comparison says of checksums, on images made by hand.

CRC-16/ARC starts at 0 and has no final xor, so that zero bytes give 0; of b"\\1" it is 0xC0C1, of b"\\2" 0xC181 (the
entries 1 and 2 of its table, from memory, as crccheck confirms below).
"""

from __future__ import annotations

from typing import Any

import crccheck.crc
import pytest

from caldiff.definition.checksums import Checksum, Coverage, Opaque, Span, StoredField
from caldiff.diff.compare import compare
from caldiff.diff.model import ChecksumDiff

ONE, TWO = b"\xc0\xc1", b"\xc1\x81"


def test_the_numbers_above() -> None:
    assert crccheck.crc.CrcArc.calc(b"\0\0\0\1") == int.from_bytes(ONE, "big")
    assert crccheck.crc.CrcArc.calc(b"\0\0\0\2") == int.from_bytes(TWO, "big")


def compared(make: Any, before: dict[str, bytes], after: dict[str, bytes], *checksums: Checksum) -> list[ChecksumDiff]:
    definition = make.definition(checksums=checksums or [make.checksum("sum", 20, (0, 4))])
    sides = make.sides([make.image(**before), make.image(**{"a60": b"\1"} | after)], definition)
    return list(compare(*sides).checksums)


Facts = tuple[bool | None, bool | None, str, str, bool]


def facts(diff: ChecksumDiff) -> Facts:
    assert diff.before is not None
    assert diff.after is not None
    return diff.content, diff.stored, diff.before.status, diff.after.status, diff.forgotten


GOOD = {"a3": b"\1", "a20": ONE}
CASES: list[tuple[dict[str, bytes], dict[str, bytes], Facts | None]] = [
    (GOOD, GOOD, None),
    (GOOD, {"a3": b"\2", "a20": TWO}, (True, True, "valid", "valid", False)),
    (GOOD, {"a3": b"\2", "a20": ONE}, (True, False, "valid", "stale", True)),
    (GOOD, {"a3": b"\1", "a20": TWO}, (False, True, "valid", "stale", True)),
    (GOOD, {"a3": b"\2", "a20": b"\0\1"}, (True, True, "valid", "stale", False)),
    ({"a3": b"\2", "a20": ONE}, {"a3": b"\2", "a20": TWO}, (False, True, "stale", "valid", False)),
    ({"a3": b"\2", "a20": ONE}, {"a3": b"\2", "a20": ONE}, (False, False, "stale", "stale", False)),
]


@pytest.mark.parametrize(("before", "after", "expected"), CASES)
def test_states_and_what_changed(
    make: Any, before: dict[str, bytes], after: dict[str, bytes], expected: Facts | None
) -> None:
    found = compared(make, before, after)
    assert [facts(d) for d in found] == ([] if expected is None else [expected])


def opaque(*spans: tuple[int, int]) -> Checksum:
    return Checksum(
        name="seal",
        method=Opaque(what="a seal"),
        coverage=Coverage(spans=tuple(Span(start=a, stop=b) for a, b in spans)),
        fields=(StoredField(at=20, size=2, byte_order="big"),),
    )


def test_an_opaque_value_is_told_only_when_something_changed(make: Any) -> None:
    assert compared(make, {}, {}, opaque((0, 4))) == []
    (under,) = compared(make, {}, {"a3": b"\1"}, opaque((0, 4)))
    assert facts(under) == (True, False, "not verifiable", "not verifiable", True)
    (both,) = compared(make, {}, {"a3": b"\1", "a20": b"\1"}, opaque((0, 4)))
    assert facts(both) == (True, True, "not verifiable", "not verifiable", False)


def test_its_own_bytes_are_no_content(make: Any) -> None:
    """The field lies inside and counts as stored: it changed, what else is covered did not."""
    coverage = Coverage(spans=(Span(start=16, stop=24),), own=0)
    field = StoredField(at=20, size=2, byte_order="big")
    inside = Checksum(name="sum", method=make.checksum("x", 0, (0, 1)).method, coverage=coverage, fields=(field,))
    (found,) = compared(make, {}, {"a20": b"\1\1"}, inside)
    assert (found.content, found.stored) == (False, True)


def test_a_nested_value_is_content_of_the_outer_one(make: Any) -> None:
    inner, outer = make.checksum("inner", 20, (0, 4)), make.checksum("outer", 30, (20, 22))
    found = {d.name: facts(d) for d in compared(make, {}, {"a3": b"\1", "a20": ONE}, inner, outer)}
    assert found == {
        "inner": (True, True, "valid", "valid", False),
        "outer": (True, False, "valid", "stale", True),
    }


def test_what_cannot_be_read_is_told(make: Any) -> None:
    (found,) = compared(make, {}, {}, make.checksum("far", 20, (0, 10_000)))
    assert facts(found) == (None, None, "unreadable", "unreadable", False)
    assert found.after is not None
    assert found.after.reason == "the image has no byte here"


def test_a_checksum_of_one_definition_only(make: Any) -> None:
    old = make.definition(name="old", checksums=[make.checksum("gone", 20, (0, 4))])
    new = make.definition(name="new", checksums=[make.checksum("added", 24, (0, 4))])
    found = compare(*make.sides([make.image(), make.image(a60=b"\1")], [old, new])).checksums
    assert [(d.name, d.before and d.before.status, d.after and d.after.status) for d in found] == [
        ("added", None, "valid"),
        ("gone", "valid", None),
    ]


@pytest.mark.parametrize(("moved", "changed"), [(b"\0\0\0\1", False), (b"\0\0\0\2", True)])
@pytest.mark.parametrize("parts", [((40, 44),), ((40, 42), (42, 44)), ((40, 41), (41, 44))])
def test_content_that_moved_is_the_same_content(
    make: Any, parts: tuple[tuple[int, int], ...], moved: bytes, changed: bool
) -> None:
    """In one piece before, somewhere else and in other pieces after."""
    old = make.definition(name="old", checksums=[make.checksum("sum", 20, (0, 4))])
    new = make.definition(name="new", checksums=[make.checksum("sum", 20, *parts)])
    after = make.image(a40=moved, a20=TWO if changed else ONE, a60=b"\1")
    found = compare(*make.sides([make.image(**GOOD), after], [old, new])).checksums
    assert [facts(d) for d in found] == ([(True, True, "valid", "valid", False)] if changed else [])
