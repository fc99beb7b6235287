"""Identity fields out of bytes written by hand."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.definition import Definition
from caldiff.definition.model import Frame, IdentityField
from caldiff.image.model import Image
from caldiff.table.identity import FieldValue, identify
from caldiff.table.personal import Key


def read(data: bytes, kind: Any, **facts: Any) -> str | None:
    """One field at address 0 over all the data."""
    facts = {"size": len(data), "byte_order": "big", **facts}
    field = IdentityField(name="f", at=0, kind=kind, **facts)
    definition = Definition.of(name="d", frame=Frame(start=0, size=64, byte_order="big"), identity=[field])
    (value,) = identify(Image.of(data), definition)
    assert value.field == field
    return value.text


def test_text() -> None:
    assert read(b"WREN-0042\x00\x00\xff ", "text") == "WREN-0042"
    assert read(b"A\x1b[31m\n", "text") == r"A\x1b[31m\x0a"
    assert read(b"\xff" * 8, "text") == ""


@pytest.mark.parametrize(("order", "number"), [("big", "66051"), ("little", "50462976")])
def test_a_number(order: str, number: str) -> None:
    """By hand: 00 01 02 03 is 0x010203 = 66051, and 0x03020100 = 50462976 the other way round."""
    assert read(bytes([0, 1, 2, 3]), "number", byte_order=order) == number


def test_bcd() -> None:
    assert read(b"\x20\x26\x01\x31", "bcd") == "20260131"
    assert read(b"\x31\x01\x26\x20", "bcd", byte_order="little") == "20260131"
    assert read(b"\x20\x2a", "bcd") == "not BCD: 20 2A"
    assert read(b"\xff\xff", "bcd") == "not BCD: FF FF"


def test_bytes_that_are_not_there() -> None:
    assert read(b"AB", "text", size=3) is None


def test_fields_in_order_and_personal_ones_shortened() -> None:
    fields = [
        IdentityField(name="vin", at=0, size=6, kind="text", byte_order="big", personal=True),
        IdentityField(name="calibration_id", at=6, size=2, kind="text", byte_order="big"),
    ]
    definition = Definition.of(name="d", frame=Frame(start=0, size=64, byte_order="big"), identity=fields)
    values = identify(Image.of(b"SECRETid"), definition)
    by_name = {v.field.name: (v.text, v.shown, v.personal) for v in values}
    assert by_name == {"vin": ("SECRET", "*****T", True), "calibration_id": ("id", "id", False)}
    assert [v.field.name for v in values] == list(definition.identity)


def value_of(data: bytes, **facts: Any) -> FieldValue:
    """One text field at address 0 over all the data."""
    field = IdentityField(name="f", at=0, **{"kind": "text", "size": len(data), "byte_order": "big", **facts})
    definition = Definition.of(name="d", frame=Frame(start=0, size=64, byte_order="big"), identity=[field])
    return identify(Image.of(data), definition)[0]


def test_a_vin_is_personal_whatever_the_definition_says() -> None:
    value = value_of(b"00WREN4V5N0000017", means="vin", personal=False)
    assert (value.personal, value.field.personal, value.shown) == (True, True, "*************0017")


@pytest.mark.parametrize(
    ("data", "check_digit", "kinds"),
    [
        (b"00WREN4V5N0000017", True, []),
        (b"00WREN4V5N0000017", False, []),
        (b"00WREN4V5N0000017", None, ["vin-not-checked"]),
        (b"00WREN4V6N0000017", True, ["vin-check-digit"]),
        (b"00WREN4V5N0000017\x00\xff ", True, []),
        (b"00WREN4V5N000001\x00", True, ["vin-length"]),
        (b"00WREN4V5N00000\x1b7", True, ["vin-characters"]),
        (b"\xff" * 17, True, ["vin-empty"]),
        (bytes(17), True, ["vin-empty"]),
        (b" 0WREN4V5N0000017", True, ["vin-characters"]),
    ],
)
def test_a_vin_is_checked(data: bytes, check_digit: bool | None, kinds: list[str]) -> None:
    value = value_of(data, means="vin", check_digit=check_digit)
    assert [r.kind for r in value.remarks] == kinds
    assert [r.kind for r in value.faults] == [k for k in kinds if k not in {"vin-not-checked", "vin-empty"}]


def test_a_verification_number_reads_in_hexadecimal() -> None:
    assert value_of(bytes([0x0A, 0, 0, 0x1F]), kind="number", means="cvn").text == "0A00001F"
    assert value_of(bytes([0x1F, 0, 0, 0x0A]), kind="number", means="cvn", byte_order="little").text == "0A00001F"
    assert value_of(b"0a1F", means="cvn").text == "0a1F"


def test_digits_above_nine_are_a_fault_unless_the_field_is_erased() -> None:
    assert [r.kind for r in value_of(b"\x20\x2a", kind="bcd").faults] == ["not-bcd"]
    assert value_of(b"\xff\xff", kind="bcd").faults == ()


def test_only_what_is_personal_has_a_digest_and_only_under_a_key() -> None:
    key = Key(bytes(32))
    vin = value_of(b"00WREN4V5N0000017", means="vin")
    assert vin.digest(None) is None
    assert vin.digest(key) == key.digest("vin", "00WREN4V5N0000017")
    assert value_of(b"W4", means="calibration-id").digest(key) is None
    assert value_of(b"owner", personal=True).digest(key) == key.digest("field f", "owner")
    assert value_of(b"\xff" * 17, means="vin").digest(key) is None


def test_a_value_shows_itself_shortened() -> None:
    assert repr(value_of(b"00WREN4V5N0000017", means="vin")) == "<FieldValue f: '*************0017'>"


@given(st.binary(min_size=1, max_size=12), st.sampled_from(["text", "number", "bcd"]))
def test_any_bytes_read_as_one_printable_line(data: bytes, kind: str) -> None:
    text = read(data, kind)
    assert text is not None
    assert all(c.isprintable() or c == "\xa0" for c in text)


@given(
    st.binary(min_size=17, max_size=24) | st.text("0123456789ABCDEFGHJKLMNPRSTUVWXYZ", min_size=17, max_size=17),
    st.sampled_from(["vin", "cvn", "software-version", "free"]),
    st.sampled_from([None, True, False]),
)
def test_any_bytes_of_any_meaning_have_remarks_that_give_nothing_away(
    data: bytes | str, means: str, check_digit: bool | None
) -> None:
    held = data.encode() if isinstance(data, str) else data
    value = value_of(held, means=means, check_digit=check_digit)
    assert value.text is not None
    hidden = value.text[:-4]
    for remark in value.remarks:
        assert remark.text.isprintable()
        assert not any(hidden[n : n + 5] in remark.text for n in range(max(len(hidden) - 4, 0)))
    assert means == "vin" or not value.remarks
