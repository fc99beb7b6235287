"""Identity fields out of bytes written by hand."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.definition import Definition
from caldiff.definition.model import Frame, IdentityField
from caldiff.image.model import Image
from caldiff.table.identity import identify, shortened


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
    assert by_name == {"vin": ("SECRET", "**CRET", True), "calibration_id": ("id", "id", False)}
    assert [v.field.name for v in values] == list(definition.identity)


@given(st.text())
def test_shortening_keeps_the_length_and_no_more_than_four(text: str) -> None:
    short = shortened(text)
    assert len(short) == len(text)
    hidden = text[:-4] if len(text) > 4 else text
    assert short[: len(hidden)] == "*" * len(hidden)
    assert short[len(hidden) :] == text[len(hidden) :]


@given(st.binary(min_size=1, max_size=12), st.sampled_from(["text", "number", "bcd"]))
def test_any_bytes_read_as_one_printable_line(data: bytes, kind: str) -> None:
    text = read(data, kind)
    assert text is not None
    assert all(c.isprintable() or c == "\xa0" for c in text)
