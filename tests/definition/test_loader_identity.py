"""What an identity field may mean, and what goes with it."""

from __future__ import annotations

from typing import Any

import pytest

from caldiff.definition.definition import Definition
from caldiff.definition.loader import normal_from_text
from caldiff.definition.model import Frame, IdentityField
from caldiff.definition.normal import identity_from_normal, normal_identity
from caldiff.errors import DefinitionError

HEAD = """definition: 1
name: d
image: {start: 0, size: 256, byte_order: big}
regions: [{name: all, at: 0, size: 128, role: calibration}]
checksums: [{name: sum, over: [all], crc: CRC-32/ISO-HDLC, stored: {at: 128, type: u32}}]
"""


def loaded(*fields: str) -> dict[str, Any]:
    text = HEAD + "identity:\n" + "".join(f"  f{n}: {{{field}}}\n" for n, field in enumerate(fields))
    found: dict[str, Any] = normal_from_text(text).normal["identity"]
    return found


def test_meanings_in_normal_form() -> None:
    found = loaded(
        "at: 0, text: 17, means: vin",
        "at: 0, text: 20, means: vin, check_digit: false, personal: true",
        "at: 0, number: u32, means: cvn, checksum: sum",
        "at: 0, text: 8, means: cvn",
        "at: 0, bcd: 2, means: hardware-number",
    )
    vin = {"at": 0, "kind": "text", "byte_order": "big", "means": "vin", "personal": True}
    assert found["f0"] == {**vin, "size": 17}
    assert found["f1"] == {**vin, "size": 20, "check_digit": False}
    assert found["f2"]["checksum"] == "sum"
    assert found["f3"]["means"] == "cvn"
    assert found["f4"]["means"] == "hardware-number"


@pytest.mark.parametrize("check_digit", [None, True, False])
def test_the_normal_form_keeps_every_word(check_digit: bool | None) -> None:
    field = IdentityField(
        name="vin",
        at=0,
        size=17,
        kind="text",
        byte_order="big",
        personal=True,
        means="vin",
        checksum="sum",
        check_digit=check_digit,
    )
    assert identity_from_normal("vin", normal_identity(field)) == field
    definition = Definition.of(name="d", frame=Frame(start=0, size=64, byte_order="big"), identity=[field])
    assert definition.identity["vin"] == field


def test_what_a_field_means_belongs_to_the_digest() -> None:
    def digest(**facts: Any) -> str:
        field = IdentityField(name="f", at=0, size=17, kind="text", byte_order="big", personal=True, **facts)
        frame = Frame(start=0, size=64, byte_order="big")
        return str(Definition.of(name="d", frame=frame, identity=[field]).digest)

    every: list[dict[str, Any]] = [
        {},
        {"means": "vin"},
        {"means": "vin", "check_digit": True},
        {"means": "vin", "check_digit": False},
    ]
    assert len({digest(**facts) for facts in every}) == len(every)


@pytest.mark.parametrize(
    ("field", "message"),
    [
        ("at: 0, text: 16, means: vin", "a VIN is text of 17 characters or more (got text: 16)"),
        ("at: 0, bcd: 17, means: vin", "a VIN is text of 17 characters or more (got bcd: 17)"),
        ("at: 0, text: 17, means: vin, personal: false", "a VIN always identifies somebody"),
        ("at: 0, text: 17, check_digit: true", "check_digit says something of a field that means vin (got no means)"),
        ("at: 0, text: 17, means: vin, checksum: sum", "checksum says something of a field that means cvn (got vin)"),
        ("at: 0, bcd: 4, means: cvn", "a cvn holds hexadecimal digits (expected number or text, got bcd)"),
        ("at: 0, number: u32, means: cvn, checksum: some", "there is no checksum some"),
        ("at: 0, text: 8, means: VIN", "this word is not known here"),
    ],
)
def test_what_does_not_go_together(field: str, message: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        loaded(field)
    assert len(caught.value.problems) == 1
    assert message in str(caught.value)
    assert caught.value.line == 7
