"""Vehicle identification numbers against 49 CFR 565.15."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.table.remark import Remark
from caldiff.table.vin import check_digit, remarks

USED = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
VINS = st.text(USED, min_size=17, max_size=17)
NOBODY = "00WREN4V5N0000017"


def kinds(vin: str, *, checked: bool | None = None) -> list[str]:
    return [r.kind for r in remarks(vin, checked=checked)]


def test_the_worked_example_of_the_rule() -> None:
    """49 CFR 565.15 (c), the number from memory, the products by hand: its check digit is the remainder, 4."""
    values = [1, 7, 4, 1, 8, 5, 9, 8, 0, 5, 7, 1, 1, 8, 3, 4, 1]
    products = [8, 49, 24, 5, 32, 15, 18, 80, 0, 45, 56, 7, 6, 40, 12, 12, 2]
    weights = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2]
    assert [v * w for v, w in zip(values, weights, strict=True)] == products
    assert (sum(products), sum(products) % 11) == (411, 4)
    assert check_digit("1G4AH59H_5G118341") == "4"
    assert kinds("1G4AH59H45G118341") == []
    assert kinds("1G4AH59H85G118341") == ["vin-check-digit"]


@pytest.mark.parametrize(
    ("vin", "digit"),
    [
        ("1" * 17, "1"),  # the weights but for the ninth add up to 89, and 89 mod 11 is 1 (common practice, no source)
        ("0" * 17, "0"),
        ("000000000" + "5" + "0" * 7, "1"),  # by hand: 5 x 9 = 45, mod 11 is 1
        ("000000000" + "6" + "0" * 7, "X"),  # by hand: 6 x 9 = 54, mod 11 is 10
        ("0" * 16 + "Z", "7"),  # by hand: Z is 9, 9 x 2 = 18, mod 11 is 7
        ("S" + "0" * 16, "5"),  # by hand: S is 2, 2 x 8 = 16, mod 11 is 5
        (NOBODY, "5"),
    ],
)
def test_check_digits_by_hand(vin: str, digit: str) -> None:
    assert check_digit(vin) == digit


@pytest.mark.parametrize(
    ("letters", "value"),
    # The table of 49 CFR 565.15 (c), from memory.
    [("AJ", 1), ("BKS", 2), ("CLT", 3), ("DMU", 4), ("ENV", 5), ("FW", 6), ("GPX", 7), ("HY", 8), ("RZ", 9)],
)
def test_letters_count_as_the_rule_has_it(letters: str, value: int) -> None:
    for letter in letters:
        assert check_digit("0" * 15 + letter + "0") == check_digit("0" * 15 + str(value) + "0")
        assert check_digit("0" * 15 + letter + "0") == "0123456789X"[value * 3 % 11]


@pytest.mark.parametrize(
    "vin",
    # Chosen at random, the check digit found by vininfo 1.11.0; 20,000 more agreed with it, and 5,000 of Faker's.
    [
        "00F8PX405GECXXS9E",
        "009R04A251HXRUSV8",
        "00P628YD8UKTZRNTE",
        "00M1HAL68HJ74XX5N",
        "004T91JU6722RMHZF",
        "002K04620TJG92MLP",
        "008RRWR65HUFKUGKM",
        "000TL1R86MWNNHY13",
        "001PGWKL4PBLPGKR6",
        "0018KZEH1LBU66LME",
        "00VA5MDV5E72CLBHM",
        "005N8TJH3NTJTT2T9",
    ],
)
def test_against_another_library(vin: str) -> None:
    assert check_digit(vin) == vin[8]


@given(VINS)
def test_the_digit_that_belongs_there_is_right_and_no_other(vin: str) -> None:
    digit = check_digit(vin)
    assert kinds(vin[:8] + digit + vin[9:], checked=True) == []
    for other in set(USED) - {digit}:
        assert kinds(vin[:8] + other + vin[9:], checked=True) == ["vin-check-digit"]


@given(VINS, st.integers(0, 16), st.sampled_from("0123456789"))
def test_one_wrong_digit_is_found(vin: str, place: int, digit: str) -> None:
    """Two digits in one place differ by 1 to 9, and 11 divides no product of that with a weight."""
    right = vin[:8] + check_digit(vin) + vin[9:]
    wrong = right[:place] + digit + right[place + 1 :]
    if right[place].isdigit() and wrong != right:
        assert kinds(wrong, checked=True) == ["vin-check-digit"]


@pytest.mark.parametrize("start", ["1F", "2A", "3Z", "4U", "58", "7F", "7Z", "70", "79"])
def test_north_america_is_checked_unless_told_otherwise(start: str) -> None:
    """ISO 3780, from memory."""
    vin = start + "0" * 15
    right = vin[:8] + check_digit(vin) + vin[9:]
    wrong = vin[:8] + ("0" if right[8] != "0" else "1") + vin[9:]
    assert (kinds(right), kinds(wrong)) == ([], ["vin-check-digit"])
    assert kinds(wrong, checked=False) == []


@pytest.mark.parametrize("start", ["00", "60", "7A", "7E", "8A", "9Z", "AA", "HZ", "JA", "RZ", "SA", "ZZ"])
def test_elsewhere_it_is_noted_that_nothing_was_checked(start: str) -> None:
    (remark,) = remarks(start + "0" * 15, checked=None)
    assert (remark.kind, remark.fault) == ("vin-not-checked", False)


@pytest.mark.parametrize(
    ("vin", "found"),
    [
        ("", ["vin-empty"]),
        ("1", ["vin-length"]),
        ("1" * 18, ["vin-length"]),
        ("1" * 8 + "I" + "1" * 8, ["vin-characters"]),
        ("1" * 15 + "OQ", ["vin-characters"]),
        ("1" * 16 + "a", ["vin-characters"]),
        ("1" * 15 + "-", ["vin-length", "vin-characters"]),
        ("\x1b[31m" + "1" * 12, ["vin-characters"]),
        ("1" * 16 + "\u0661", ["vin-characters"]),  # a digit, but not an ASCII one
        ("1" * 16 + "\xb2", ["vin-characters"]),
    ],
)
def test_what_is_no_vin(vin: str, found: list[str]) -> None:
    assert kinds(vin) == found
    assert kinds(vin, checked=True) == found


def test_places_are_counted_from_one() -> None:
    (remark,) = remarks("1I1111111111111QO", checked=None)
    assert "places 2, 16, 17" in remark.text


def test_no_check_digit_of_what_is_no_vin() -> None:
    for text in ("", "1" * 16, "1" * 16 + "O"):
        with pytest.raises(ValueError, match="17 characters"):
            check_digit(text)


@given(st.text(max_size=40), st.sampled_from([None, True, False]))
def test_anything_has_remarks_that_give_nothing_away(text: str, checked: bool | None) -> None:
    found: Iterable[Remark] = list(remarks(text, checked=checked))
    assert len(text) == 17 or found
    assert all(r.text.isprintable() for r in found)
    if len(text) > 6:
        assert not any(text in r.text for r in found)
