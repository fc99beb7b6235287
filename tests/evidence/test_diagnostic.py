"""Raw responses -> snapshots. Layouts are from memory of SAE J1979 and ISO 14229-1; numbers are made up."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from caldiff.errors import CaldiffError, EvidenceError
from caldiff.evidence.snapshot import Snapshot
from caldiff.evidence.snapshot_file import read_snapshot

VIN = "00WREN4V5N0000017"


def read(*lines: str) -> Snapshot:
    return read_snapshot("\n".join(lines).encode(), label="made.txt")


def hexed(text: str) -> str:
    return text.encode().hex()


WHOLE = (
    "# a whole memory",
    "41 01 81 07 65 04",
    "41 31 04 B4",
    "41 30 25",
    "43 01 01 71",
    "47 01 04 20",
    "4A 00",
    f"4902 01 {hexed(VIN)}",
    f"49 04 01 {hexed('W4-BIFUEL-0210-C')}",
    "49 06 02 00004711 89ABCDEF",
    "59 02 FF 042000 50 017100 2F",
)


def test_a_whole_memory() -> None:
    found = read(*WHOLE)
    assert (found.vin, found.calibration_ids, found.cvns) == (VIN, ("W4-BIFUEL-0210-C",), ("00004711", "89ABCDEF"))
    assert (found.lamp, found.count, found.distance, found.warm_ups) == (True, 1, 1204, 37)
    assert (found.stored, found.pending, found.permanent) == (("P0171",), ("P0420",), ())
    assert [(r.code, r.status) for r in found.records or ()] == [("P0420-00", 0x50), ("P0171-00", 0x2F)]
    assert found.readiness is not None
    assert found.readiness.of("evaporative") == "incomplete"
    assert found.faults == {"P0171", "P0420", "P0171-00"}
    assert (found.notes, found.oddities) == ((), ())


def test_before_can_there_is_no_count() -> None:
    """Three codes a message, filled up with 0000; the VIN in five messages of four bytes, filled up in front."""
    body = b"\0\0\0" + VIN.encode()
    vin = [f"49 02 {n + 1:02X} {body[4 * n : 4 * n + 4].hex()}" for n in range(5)]
    found = read("43 0171 0420 0300", "43 0301 0000 0000", "47 0000 0000 0000", *reversed(vin))
    assert (found.stored, found.pending, found.permanent) == (("P0171", "P0420", "P0300", "P0301"), (), None)
    assert found.vin == VIN


def test_none_read_is_not_none_stored() -> None:
    assert read("43 00").stored == ()
    assert read("43 00").pending is None
    refused = read("7F 0A 11", "7F 0A 78", "43 00")
    assert refused.permanent is None
    assert refused.notes == ("the vehicle refused to tell: permanent codes (service 0A, reason 11)",)


def test_several_parameters_in_one_response() -> None:
    found = read("41 01 00 07 00 00 30 05 31 00 64")
    assert (found.warm_ups, found.distance, found.lamp) == (5, 100, False)
    found = read("41 30 05 0C 1A F8 31 00 64")
    assert (found.warm_ups, found.distance) == (5, None)
    assert found.notes == ("service 01 PID 0C and what stands behind it is not read",)


def test_one_response_as_it_is() -> None:
    assert read_snapshot(bytes.fromhex("43020171C100")).stored == ("P0171", "U0100")
    with pytest.raises(EvidenceError):
        read_snapshot(b"43 00", form="binary")  # these are digits


@pytest.mark.parametrize(
    ("lines", "reason", "line"),
    [
        (["43 02 01 71"], "the count is not that of the codes", 1),
        (["43"], "the response is cut off, or has bytes too many", 1),
        (["43 00", "41 01 81 07 65"], "the response is cut off, or has bytes too many", 2),
        (["59 02 FF 04 20 00"], "the response is cut off, or has bytes too many", 1),
        (["59 03 FF"], "only subfunction 02 of service 19 is read", 1),
        (["7F 03"], "the response is cut off, or has bytes too many", 1),
        (["62 F1 90 00"], "this is no response that a snapshot is made of", 1),
        (["07 E8 03 43 00"], "this is no response that a snapshot is made of", 1),
        (["43 00", "zz"], "this is no response", 2),
        (["43 0"], "this is no response", 1),
        (["41 30 05", "", "41 30 06"], "the warm-ups since clearing is given twice, and differs", 3),
        (["59 02 FF 042000 50", "59 02 FF 042000 51"], "P0420-00 is given twice, with different status", 2),
        (["49 02 01 3030"], "the response is not as long as it says", 1),
        (["49 06 00"], "the response is not as long as it says", 1),
        (["49 06 01 00004711", "49 06 03 00000001"], "a message of an identity is missing", None),
        ([f"49 02 01 {hexed(VIN)}", f"49 02 01 {hexed(VIN[::-1])}"], "the responses are of several vehicles", None),
    ],
)
def test_what_is_wrong(lines: list[str], reason: str, line: int | None) -> None:
    with pytest.raises(EvidenceError) as caught:
        read(*lines)
    assert caught.value.reason.startswith(reason)
    assert (caught.value.file, caught.value.line) == ("made.txt", line)


def test_codes_twice_are_one() -> None:
    assert read("43 01 01 71", "43 01 01 71").stored == ("P0171",)


@given(st.binary(max_size=200))
@example(b"\x43")
def test_any_bytes_as_one_response(data: bytes) -> None:
    try:
        found = read_snapshot(data, form="binary")
    except CaldiffError:
        return
    assert isinstance(found, Snapshot)


@given(st.lists(st.binary(max_size=40), max_size=20))
def test_any_responses(responses: list[bytes]) -> None:
    try:
        read(*(data.hex(" ") for data in responses))
    except CaldiffError:
        return


@given(st.data())
def test_mutated_memories(data: st.DataObject) -> None:
    text = bytearray("\n".join(WHOLE).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at : at + data.draw(st.integers(0, 2))] = data.draw(st.binary(max_size=2))
    try:
        read_snapshot(bytes(text))
    except CaldiffError:
        return


@given(st.lists(st.binary(min_size=2, max_size=2).filter(any), max_size=60, unique=True))
def test_both_forms_of_a_list_say_the_same(codes: list[bytes]) -> None:
    counted = bytes([0x43, len(codes), *b"".join(codes)])
    filled = [*codes, *[b"\0\0"] * (-len(codes) % 3 or (3 if not codes else 0))]
    messages = [(b"\x43" + b"".join(filled[n : n + 3])).hex() for n in range(0, len(filled), 3)]
    assert read(counted.hex()).stored == read(*messages).stored
