"""Two images that do not say the same of themselves: another vehicle, another controller, another software."""

from __future__ import annotations

from typing import Any

import pytest

from caldiff.definition.definition import Definition
from caldiff.definition.model import Frame, IdentityField
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration

VIN, OTHER_VIN = b"00WREN4V5N0000017", b"00WREN4V0N0000023"


def field(name: str, at: int, size: int = 4, **facts: Any) -> IdentityField:
    return IdentityField(**{"name": name, "at": at, "size": size, "kind": "text", "byte_order": "big", **facts})


FIELDS = (
    field("vehicle", 0, 17, means="vin"),
    field("hardware", 20, means="hardware-number"),
    field("software", 24, means="software-version"),
    field("calibration", 28, means="calibration-id"),
    field("cvn", 32, means="cvn", kind="number"),
    field("made", 36),
)
BYTES = VIN.ljust(20) + b"HW01" + b"SW01" + b"CAL1" + b"\0\0\0\1" + b"2023"


def side(data: bytes, *fields: IdentityField, name: str = "d") -> Calibration:
    definition = Definition.of(name=name, frame=Frame(start=0, size=64, byte_order="big"), identity=fields or FIELDS)
    return Calibration(label=name, image=Image.of(data), definition=definition)


def found(comparison: Comparison) -> list[tuple[str, str]]:
    return [(diff.field.name, diff.kind) for diff in comparison.identity]


@pytest.mark.parametrize(
    ("at", "new", "what"),
    [
        (0, OTHER_VIN, ("vehicle", "vehicle")),
        (20, b"HW02", ("hardware", "controller")),
        (24, b"SW02", ("software", "software")),
        (28, b"CAL2", ("calibration", "software")),
        (32, b"\0\0\0\2", ("cvn", "software")),
        (36, b"2024", ("made", "other")),
        (20, b"HW  ", ("hardware", "controller")),
    ],
)
def test_what_another_value_says(at: int, new: bytes, what: tuple[str, str]) -> None:
    after = BYTES[:at] + new + BYTES[at + len(new) :]
    assert found(compare(side(BYTES), side(after))) == [what]
    assert found(compare(side(after), side(BYTES))) == [what]


def test_the_same_value_in_other_bytes_says_nothing() -> None:
    one, other = BYTES[:36] + b"AB  ", BYTES[:36] + b"AB\0\0"
    assert found(compare(side(one), side(other))) == [("made", "bytes")]


def test_an_image_that_does_not_hold_the_field_leaves_it_unknown() -> None:
    comparison = compare(side(BYTES), side(BYTES[:20]))
    assert found(comparison) == [(f.name, "unknown") for f in FIELDS[1:]]


def test_an_erased_vin_is_another_than_one_that_is_there() -> None:
    assert found(compare(side(BYTES), side(b"\xff" * 17 + BYTES[17:]))) == [("vehicle", "vehicle")]


def test_fields_of_one_meaning_are_found_under_another_name() -> None:
    other = [field("car", 40, 17, means="vin"), field("made", 36)]
    moved = BYTES.ljust(40) + OTHER_VIN
    comparison = compare(side(BYTES, FIELDS[0], FIELDS[5]), side(moved, *other, name="e"))
    assert found(comparison) == [("car", "vehicle")]
    assert (comparison.identity[0].before, comparison.identity[0].after) == (VIN.decode(), OTHER_VIN.decode())
    same = compare(side(BYTES, FIELDS[0], FIELDS[5]), side(BYTES.ljust(40) + VIN, *other, name="e"))
    assert found(same) == []


def test_two_of_one_meaning_are_not_guessed_at() -> None:
    two = [field("first", 24, means="software-version"), field("second", 28, means="software-version")]
    comparison = compare(side(BYTES, FIELDS[2]), side(BYTES, *two, name="e"))
    assert sorted(found(comparison)) == [("first", "unknown"), ("second", "unknown"), ("software", "unknown")]


@pytest.mark.parametrize("first", [True, False])
def test_a_field_is_personal_if_either_definition_says_so(first: bool) -> None:
    """One definition knows that it is a VIN, the other only that it is text."""
    plain, known = field("vehicle", 0, 17), field("vehicle", 0, 17, means="vin")
    ours, theirs = (known, plain) if first else (plain, known)
    comparison = compare(side(VIN, ours), side(OTHER_VIN, theirs, name="e"))
    (diff,) = comparison.identity
    assert (diff.field.personal, diff.kind) == (True, "vehicle")


def test_the_library_says_it_first_too() -> None:
    after = OTHER_VIN.ljust(20) + b"HW02" + b"SW02" + BYTES[28:36] + b"2024"
    comparison = compare(side(BYTES), side(after, name="e"))
    assert comparison.otherness == ("vehicle", "controller", "software", "other")
    words = "another vehicle, another controller, another software, 0 tables"
    assert f": {words}" in repr(comparison)
    assert f": {words}" in comparison._repr_html_()
    assert "another" not in repr(compare(side(BYTES), side(BYTES[:36] + b"2024")))


def test_a_difference_does_not_show_what_it_holds() -> None:
    comparison = compare(side(VIN), side(OTHER_VIN))
    assert VIN.decode() not in repr(comparison.identity)
    assert OTHER_VIN.decode() not in repr(comparison.identity) + repr(comparison)
