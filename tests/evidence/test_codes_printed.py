"""Trouble codes as they are printed. Worked examples are from memory of SAE J2012 and ISO 15031-6, unless said."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.errors import EvidenceError
from caldiff.evidence.codes import CODE, code_bytes, printed_code


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ("0143", "P0143"),  # from memory: the example of SAE J1979 for service 03
        ("0196", "P0196"),  # from memory, as above
        ("0234", "P0234"),  # from memory, as above
        ("02CD", "P02CD"),  # from memory, as above
        ("0420", "P0420"),
        ("4123", "C0123"),  # by hand: 01 00 ...
        ("9234", "B1234"),  # by hand: 10 01 ...
        ("C100", "U0100"),  # by hand: 11 00 ...
        ("FFFF", "U3FFF"),
        ("042011", "P0420-11"),
        ("C10087", "U0100-87"),
    ],
)
def test_examples(data: str, text: str) -> None:
    assert printed_code(bytes.fromhex(data)) == text
    assert code_bytes(text) == bytes.fromhex(data)


@given(st.binary(min_size=2, max_size=3))
def test_there_and_back(data: bytes) -> None:
    assert CODE.fullmatch(printed_code(data))
    assert code_bytes(printed_code(data)) == data


def test_every_code_of_two_bytes_is_another() -> None:
    assert len({printed_code(n.to_bytes(2, "big")) for n in range(1 << 16)}) == 1 << 16


@pytest.mark.parametrize(
    "text", ["", "P042", "P4420", "p0420", "P0420-1", "P0420-111", "X0420", "P0420 ", "P042\u0660"]
)
def test_what_is_no_code(text: str) -> None:
    with pytest.raises(EvidenceError):
        code_bytes(text)


@pytest.mark.parametrize("size", [0, 1, 4])
def test_no_other_size(size: int) -> None:
    with pytest.raises(EvidenceError):
        printed_code(bytes(size))
