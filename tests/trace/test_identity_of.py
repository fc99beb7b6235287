"""A verification number held against the checksum that the definition names."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import pytest

from caldiff.crc import catalogue
from caldiff.definition.checksums import Checksum, Coverage, Hash, Method, Opaque, Span, StoredField
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration
from caldiff.trace.identity import checksum_states, identity_of

Make = Callable[..., Calibration]
DATA = b"123456789"
CRC = bytes.fromhex("CBF43926")
"""the published check value of CRC-32/ISO-HDLC: of DATA"""
SHA1 = bytes.fromhex("f7c3bc1d808e04732adf679965ccc34ca7ae3441")
"""of DATA, by sha1sum of GNU coreutils"""


def declared(method: Method | None = None, *, stop: int = 9, size: int = 4) -> Checksum:
    """A checksum over DATA, stored at 128."""
    return Checksum(
        name="calibration",
        method=method or catalogue()["CRC-32/ISO-HDLC"],
        coverage=Coverage(spans=(Span(start=0, stop=stop),)),
        fields=(StoredField(at=128, size=size, byte_order="big"),),
    )


def held(cvn: bytes, stored: bytes = CRC) -> bytes:
    return (DATA + cvn).ljust(128, b"\xff") + stored


def kinds(calibration: Calibration) -> list[str]:
    (value,) = identity_of(calibration)
    return [r.kind for r in value.remarks]


@pytest.mark.parametrize(
    ("cvn", "facts"),
    [
        (CRC, {"kind": "number", "size": 4}),
        (CRC[::-1], {"kind": "number", "size": 4, "byte_order": "little"}),
        (b"CBF43926", {"kind": "text", "size": 8}),
        (b"cbf43926\0\0", {"kind": "text", "size": 10}),
        (b"\0\0\0\0" + CRC, {"kind": "number", "size": 8}),
    ],
)
def test_one_that_equals_its_checksum(calibration: Make, cvn: bytes, facts: dict[str, object]) -> None:
    right = calibration(DATA, declared(), held=held(cvn), checksum="calibration", **facts)
    assert kinds(right) == []
    wrong = calibration(DATA, declared(), held=b"0" + held(cvn)[1:], checksum="calibration", **facts)
    assert kinds(wrong) == ["cvn-differs"]


def test_it_is_held_against_what_is_reckoned_not_what_is_stored(calibration: Make) -> None:
    facts = {"kind": "number", "size": 4, "checksum": "calibration"}
    stale = calibration(DATA, declared(), held=held(CRC, stored=bytes(4)), **facts)
    assert kinds(stale) == []
    assert [(s.name, s.status) for s in checksum_states(stale)] == [("calibration", "stale")]


def test_of_a_digest_the_leading_bytes(calibration: Make) -> None:
    facts = {"kind": "number", "size": 4, "checksum": "calibration"}
    method = Hash(name="sha-1")
    assert kinds(calibration(DATA, declared(method), held=held(SHA1[:4]), **facts)) == []
    assert kinds(calibration(DATA, declared(method), held=held(SHA1[-4:]), **facts)) == ["cvn-differs"]
    text = {"kind": "text", "size": 10, "checksum": "calibration"}
    assert kinds(calibration(DATA, declared(method), held=held(b"F7C3BC1D\0\0"), **text)) == []
    assert kinds(calibration(DATA, declared(method), held=held(b"AE3441\0\0\0\0"), **text)) == ["cvn-differs"]


@pytest.mark.parametrize(
    ("checksum", "cvn", "facts", "found"),
    [
        (declared(), b"CBF4392G", {"kind": "text", "size": 8}, ["cvn-digits"]),
        (declared(), b"+BF43926", {"kind": "text", "size": 8}, ["cvn-digits"]),
        (declared(), b"CBF4\xb23926", {"kind": "text", "size": 9}, ["cvn-digits"]),
        (declared(), b"\xff" * 8, {"kind": "text", "size": 8}, []),
        (declared(), CRC[:2], {"kind": "number", "size": 2}, ["cvn-differs"]),
        (declared(Opaque(what="signed")), CRC, {"kind": "number", "size": 4}, ["cvn-not-checked"]),
        (declared(stop=200), CRC, {"kind": "number", "size": 4}, ["cvn-not-checked"]),
    ],
)
def test_what_cannot_be_compared(
    calibration: Make, checksum: Checksum, cvn: bytes, facts: dict[str, object], found: list[str]
) -> None:
    made = calibration(DATA, checksum, held=held(cvn), checksum="calibration", **facts)
    assert kinds(made) == found
    assert [r.fault for r in identity_of(made)[0].remarks] == [kind != "cvn-not-checked" for kind in found]


def test_a_number_without_a_rule_is_only_read(calibration: Make) -> None:
    made = calibration(DATA, declared(), held=held(bytes(4)), kind="number", size=4)
    assert [(v.text, v.remarks) for v in identity_of(made)] == [("00000000", ())]


def test_bytes_that_are_not_there(calibration: Make) -> None:
    made = calibration(DATA, declared(), held=b"1234", kind="number", size=4, checksum="calibration")
    assert [(v.text, v.remarks) for v in identity_of(made)] == [(None, ())]


def test_a_file_without_a_definition_has_no_identity() -> None:
    stranger = Calibration(label="x", image=Image.of(DATA), definition=None)
    assert (identity_of(stranger), checksum_states(stranger)) == ((), ())


def test_loading_it_costs_no_array_library() -> None:
    code = "import caldiff.trace.identity, sys; raise SystemExit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
