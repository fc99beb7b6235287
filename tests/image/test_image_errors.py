"""Every refusal: the right line, the right reason, what was expected and what stood there."""

from __future__ import annotations

import pytest
from image_records import ihex, lines, srec

from caldiff.errors import ImageError
from caldiff.image.reading import read_image

H = ihex(0, 0, b"\x01\x02")
HE = ihex(1, 0)
S = srec(1, 0, b"\x01\x02")
SE = srec(9, 0)

BROKEN = {
    # To each name: content, line, column, reason, expected, got.
    # Record sums by hand: 02+00+00+00+01+02 = 05, so FB; 05+00+00+01+02 = 08, so F7.
    "ihex checksum": (lines(H, b":020000000102FA", HE), 2, None, "the record checksum is wrong", "FB", "FA"),
    "srec checksum": (lines(S, b"S10500000102F0", SE), 2, None, "the record checksum is wrong", "F7", "F0"),
    "ihex foreign character": (lines(H, b":0200000001G2FB", HE), 2, 12, "no hexadecimal digit", None, "'G'"),
    "ihex blank within": (lines(H, b":02 0000000102FB", HE), 2, 4, "no hexadecimal digit", None, "' '"),
    "ihex blank after": (lines(H, H + b" ", HE), 2, 16, "no hexadecimal digit", None, "' '"),
    "ihex blank at the end": (lines(H, HE + b" "), 2, 12, "no hexadecimal digit", None, "' '"),
    "ihex byte beyond ASCII": (lines(H, b":02\xff0000000102FB", HE), 2, 4, "no hexadecimal digit", None, "byte FF"),
    "srec foreign character": (lines(S, b"S10500000x02F7", SE), 2, 10, "no hexadecimal digit", None, "'x'"),
    "ihex odd": (lines(H, b":020000000102F", HE), 2, None, "odd number of digits", "an even number of digits", "13"),
    "ihex short": (lines(H, b":0000", HE), 2, None, "cut short", "10 at least", "4"),
    "srec odd": (lines(S, b"S10500000102F", SE), 2, None, "odd number of digits", "an even number of digits", "11"),
    "ihex length": (lines(H, b":030010000102EA", HE), 2, None, "another length than it says", "3 data bytes", "2"),
    "srec length": (lines(S, b"S10600100102E6", SE), 2, None, "another length than it says", "6 bytes", "5"),
    "srec no room": (lines(S, b"S10201FC", SE), 2, None, "wrong length", "2 address bytes", "2 bytes"),
    "ihex no record": (lines(H, b"hello", HE), 2, None, "no Intel HEX record", '":" first', '"hello"'),
    "ihex foreign first line": (lines(b"by mail", H, H, H, HE), 1, None, "no Intel HEX record", '":" first', "by mail"),
    "ihex byte order mark": (lines(b"\xef\xbb\xbf" + H, H, H, HE), 1, None, "no Intel HEX record", None, "..."),
    "ihex raw first line": (lines(b"\x00\xff\x00", H, H, H, HE), 1, None, "no Intel HEX record", None, '"..."'),
    "srec foreign first line": (lines(b"by mail", S, S, S, SE), 1, None, "no S-record", '"S"', "by mail"),
    "ihex end missing": (lines(H, H), 2, None, "the end record is missing", ":00000001FF", None),
    "srec end missing": (lines(S, S), 2, None, "the end record is missing", "S7, S8 or S9", None),
    "srec count before the last data": (lines(S, srec(5, 1), S), 3, None, "the end record is missing", None, None),
    "titxt end missing": (b"@0000\n01\n", 2, None, "the end mark is missing", '"q"', None),
    "ihex data after the end": (lines(H, HE, H), 3, None, "data after the end record", None, ":02"),
    "ihex second end": (lines(H, HE, HE), 3, None, "data after the end record", None, ":00"),
    "srec data after the end": (lines(S, SE, b"", S), 4, None, "data after the end record", None, "S105"),
    "srec second end": (lines(S, SE, SE), 3, None, "data after the end record", None, "S903"),
    "titxt data after the end": (b"@0000\n01\nq\n02\n", 4, None, "data after the end mark", None, '"02"'),
    "ihex after the DOS end of file": (lines(H, HE) + b"\x1a" + H, 3, None, "data after the end record", None, '".:02'),
    "ihex type": (lines(H, ihex(6, 0), HE), 2, None, "the record type is unknown", "00 to 05", "06"),
    "srec type": (lines(S, b"S4030000FC", SE), 2, None, "S4 is reserved", None, None),
    "ihex end with data": (lines(H, ihex(1, 0, b"x")), 2, None, "wrong length", "0 data bytes", "1"),
    "ihex base of 3 bytes": (lines(ihex(4, 0, b"abc"), H, HE), 1, None, "wrong length", "2 data bytes", "3"),
    "ihex start of 2 bytes": (lines(ihex(5, 0, b"ab"), H, HE), 1, None, "wrong length", "4 data bytes", "2"),
    "ihex two starts": (
        lines(H, ihex(5, 0, b"\0\0\0\1"), ihex(5, 0, b"\0\0\0\2"), HE), 3, None, "second start", "00000001", "00000002",
    ),
    "srec end with data": (lines(S, srec(9, 0, b"x")), 2, None, "wrong length", "no data", "1 data bytes"),
    "srec count wrong": (lines(S, srec(5, 2), SE), 2, None, "the count record (S5) does not match", "1 data", "2"),
    "srec wide count wrong": (lines(S, srec(6, 65537), SE), 2, None, "the count record (S6)", "1 data", "65537"),
    "ihex overlap": (
        lines(H, ihex(0, 1, b"\x03"), HE), 2, None, "overlaps an earlier one with other content", "02 as before", "03",
    ),
    "srec overlap": (lines(S, srec(2, 1, b"\x03"), SE), 2, None, "overlaps an earlier one", "02 as before", "03"),
    "titxt overlap": (b"@0000\n01 02\n@0001\n03\nq\n", 4, None, "overlaps an earlier one", "02 as before", "03"),
    "ihex 20-bit wrap": (
        lines(ihex(2, 0, b"\x10\0"), ihex(0, 0xFFFF, b"ab"), HE), 2, None, "wrap around", "1 data", "2",
    ),
    "ihex 16-bit wrap": (lines(H, ihex(0, 0xFFFF, b"ab"), HE), 2, None, "wrap around", "1 data bytes", "2"),
    "ihex 32-bit wrap": (
        lines(ihex(4, 0, b"\xff\xff"), ihex(0, 0xFFFF, b"ab"), HE), 2, None, "end of the 32-bit", None, None,
    ),
    "srec 16-bit wrap": (lines(srec(1, 0xFFFF, b"ab"), SE), 1, None, "end of the 16-bit address range", None, None),
    "srec 24-bit wrap": (lines(S, srec(2, 0xFFFFFF, b"ab"), SE), 2, None, "end of the 24-bit", None, None),
    "srec 32-bit wrap": (
        lines(srec(3, 0xFFFFFFFF, b"ab"), SE), 1, None, "end of the 32-bit address range", None, None,
    ),
    "srec 32-bit wrap after a 16-bit one": (
        lines(srec(1, 0xFFFF, b"ab"), srec(3, 0xFFFFFFFF, b"ab"), SE), 2, None, "end of the 32-bit", None, None,
    ),
    "titxt 32-bit wrap": (b"@FFFFFFFF\n01 02\nq\n", 2, None, "end of the 32-bit address range", None, None),
    "titxt address": (b"@123456789\n01\nq\n", 1, None, "beyond 32 bits", None, "@123456789"),
    "titxt foreign": (b"@0000\n01 G2\nq\n", 2, 4, "no hexadecimal digit", None, "'G'"),
    "titxt spacing": (b"@0000\n01  02\nq\n", 2, None, "one space between", None, "01  02"),
    "titxt odd": (b"@0000\n01 2\nq\n", 2, None, "two digits each", None, "01 2"),
    "ihex without data": (lines(HE), None, None, "holds records, but no data", None, None),
    "srec without data": (lines(srec(0, 0), SE), None, None, "holds records, but no data", None, None),
    "titxt without data": (b"@0000\nq\n", None, None, "holds addresses, but no data", None, None),
}  # fmt: skip


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_file_is_refused_with_its_place(case: str) -> None:
    content, line, column, reason, expected, got = BROKEN[case]
    with pytest.raises(ImageError) as caught:
        read_image(content, name="customer.hex")
    error = caught.value
    assert (error.file, error.line, error.column) == ("customer.hex", line, column)
    assert reason in error.reason
    for wanted, said in ((expected, error.expected), (got, error.got)):
        assert wanted is None or wanted in (said or "")


def test_an_error_deep_in_a_long_file_has_its_line() -> None:
    records = [ihex(0, n * 16, bytes(16)) for n in range(4000)]
    records[3210] = records[3210][:-1] + b"7"
    with pytest.raises(ImageError, match="checksum") as caught:
        read_image(lines(*records, HE, end=b"\r\n"))
    assert caught.value.line == 3211


def test_a_broken_end_of_a_long_file_does_not_make_it_a_raw_binary() -> None:
    text = lines(*(ihex(0, n * 16, bytes(16)) for n in range(4000)), HE)
    with pytest.raises(ImageError, match="no Intel HEX record") as caught:
        read_image(bytes(50_000) + b"\n" + text)
    assert caught.value.line == 1


def test_an_error_does_not_repeat_hostile_characters() -> None:
    with pytest.raises(ImageError) as caught:
        read_image(lines(H, b"\x1b[31mred", H, H, HE))
    assert "\x1b" not in str(caught.value)
