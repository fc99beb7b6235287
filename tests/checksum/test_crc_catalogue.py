"""CRCs. Source: the public catalogue of parametrised CRC algorithms, as the registry package crccheck carries it.

crccheck is independent of the library that reckons here: its own parameters, its own check values, its own loop.
"""

from __future__ import annotations

import crccheck.crc
import pytest
from checksum_schemes import crcs
from hypothesis import given
from hypothesis import strategies as st

from caldiff.checksum.methods import reckon
from caldiff.crc import Crc, catalogue, crc_by_name, crc_name
from caldiff.definition.checksum_faults import faults
from caldiff.definition.checksums import Checksum, Coverage, Span, StoredField

CHECK = b"123456789"
PUBLISHED = [c for c in crccheck.crc.ALLCRCCLASSES if c._width <= 64]


def bit_by_bit(crc: Crc, data: bytes) -> int:
    """The textbook's shift register, one bit at a time."""
    register = crc.start
    for byte in data:
        bits = f"{byte:08b}"
        for bit in bits[::-1] if crc.reflect_in else bits:
            top = register >> (crc.width - 1) ^ int(bit)
            register = register << 1 & ((1 << crc.width) - 1) ^ (crc.polynomial if top else 0)
    if crc.reflect_out:
        register = int(f"{register:0{crc.width}b}"[::-1], 2)
    return register ^ crc.final_xor


@pytest.mark.parametrize("published", PUBLISHED, ids=lambda c: c.__name__)
def test_parameters_and_check_value_are_the_published_ones(published: type[crccheck.crc.CrcBase]) -> None:
    for name in published._names:
        crc = crc_by_name({"CRC-12-X": "X-CRC-12"}.get(name, name))  # the catalogue's own spelling of that alias
        assert crc is not None, name
        assert crc == Crc(
            width=published._width,
            polynomial=published._poly,
            start=published._initvalue,
            reflect_in=published._reflect_input,
            reflect_out=published._reflect_output,
            final_xor=published._xor_output,
        )
        assert reckon(crc, CHECK) == published._check_result


def test_the_whole_catalogue_is_there() -> None:
    names = {crc_name(crc) for published in PUBLISHED for crc in [crc_by_name(published._names[0])] if crc}
    assert names == set(catalogue())
    assert len(names) > 100


def test_every_crc_of_the_catalogue_may_stand_in_a_definition() -> None:
    field = StoredField(at=64, size=8, byte_order="big")
    for crc in catalogue().values():
        coverage = Coverage(spans=(Span(start=0, stop=64),))
        assert faults(Checksum(name="c", method=crc, coverage=coverage, fields=(field,))) == []


@pytest.mark.parametrize("name", ["crc-32/iso-hdlc", "CRC-32-ISO-HDLC", "CRC32-ISO-HDLC", "CRC-32", "PKZIP"])
def test_names_are_found_however_they_are_spelled(name: str) -> None:
    crc = crc_by_name(name)
    assert crc is not None
    assert crc_name(crc) == "CRC-32/ISO-HDLC"


def test_no_name_no_crc() -> None:
    assert crc_by_name("CRC-32/NOBODY") is None
    assert crc_name(Crc(width=9, polynomial=3, start=0, reflect_in=False, reflect_out=True, final_xor=1)) is None


@given(crcs(), st.binary(max_size=200))
def test_any_parameters_agree_with_the_shift_register(crc: Crc, data: bytes) -> None:
    assert reckon(crc, data) == bit_by_bit(crc, data)


@given(crcs().filter(lambda crc: crc.width >= 8), st.binary(min_size=1, max_size=2000))
def test_any_parameters_agree_with_crccheck(crc: Crc, data: bytes) -> None:
    """crccheck has no widths below 8 without a class of their own."""
    other = crccheck.crc.Crc(
        crc.width,
        crc.polynomial,
        initvalue=crc.start,
        reflect_input=crc.reflect_in,
        reflect_output=crc.reflect_out,
        xor_output=crc.final_xor,
    )
    assert reckon(crc, data) == other.process(data).final()


@given(crcs(), st.binary(min_size=1, max_size=64), st.data())
def test_any_flipped_bit_is_found(crc: Crc, data: bytes, drawn: st.DataObject) -> None:
    bit = drawn.draw(st.integers(0, 8 * len(data) - 1))
    flipped = bytearray(data)
    flipped[bit // 8] ^= 1 << bit % 8
    assert reckon(crc, flipped) != reckon(crc, data)
