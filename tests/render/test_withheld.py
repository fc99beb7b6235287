"""What identifies somebody stays out of everything that is shown, unless it is asked for."""

from __future__ import annotations

import json
from typing import Any

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.definition import Definition
from caldiff.definition.model import Frame, IdentityField
from caldiff.diff.compare import compare
from caldiff.diff.series import compare_series
from caldiff.image.model import Image
from caldiff.render.comparison import comparison_text
from caldiff.render.comparison_document import comparison_document, series_document
from caldiff.render.document import printed, side
from caldiff.render.extents import hexadecimal
from caldiff.render.head import file_lines
from caldiff.render.look import Look
from caldiff.render.series import series_text
from caldiff.render.view import View
from caldiff.table.calibration import Calibration
from caldiff.table.personal import Key

ONE, OTHER = b"00WREN4V5N0000017", b"00WREN4V0N0000023"
AT = 32


def calibration(vin: bytes, around: int, *, known: bool = True, name: str = "d") -> Calibration:
    """A VIN, and one byte on each side of it that no definition explains."""
    data = bytearray(128)
    data[AT : AT + 17] = vin
    data[AT - 1] = data[AT + 17] = around
    field = IdentityField(name="vin", at=AT, size=17, kind="text", byte_order="big", means="vin", check_digit=True)
    owner = IdentityField(name="owner", at=64, size=8, kind="text", byte_order="big", personal=True)
    definition = Definition.of(
        name=name, frame=Frame(start=0, size=128, byte_order="big"), identity=[field, owner] if known else []
    )
    return Calibration(label="file", image=Image.of(bytes(data)), definition=definition)


def stranger(vin: bytes, around: int) -> Calibration:
    return Calibration(label="stranger", image=calibration(vin, around).image, definition=None)


def everything(before: Calibration, after: Calibration, view: View) -> str:
    """All that is said of two images, in every way of saying it."""
    comparison = compare(before, after)
    series = compare_series([before, after, before])
    return "\n".join(
        [
            comparison_text(comparison, Look(width=200), view),
            printed(comparison_document(comparison, view)),
            series_text(series, Look(width=200), view),
            printed(series_document(series, view)),
            *file_lines(before, Look(width=200), view),
            *file_lines(after, Look(width=200), view),
            json.dumps([side(before, view), side(after, view)]),
            repr(comparison),
            repr(comparison.identity),
            comparison._repr_html_(),
        ]
    )


def leaks(text: str, vin: bytes) -> list[str]:
    """The hidden part of a VIN as text or as bytes; five characters of it are enough."""
    low = text.lower()
    pieces = [vin[n : n + 5] for n in range(9)]
    forms = [f for p in pieces for f in (p.decode().lower(), p.hex(), p.hex(" "))]
    return [f for f in forms if f in low]


PAIRS: dict[str, tuple[Calibration, Calibration]] = {
    "another VIN": (calibration(ONE, 1), calibration(OTHER, 1)),
    "unexplained bytes around the same VIN": (calibration(ONE, 1), calibration(ONE, 2)),
    "both": (calibration(ONE, 1), calibration(OTHER, 2)),
    "one side a stranger": (calibration(ONE, 1), stranger(OTHER, 2)),
    "the other side a stranger": (stranger(ONE, 1), calibration(OTHER, 2)),
    "a definition that does not know the field": (calibration(ONE, 1), calibration(OTHER, 2, known=False, name="e")),
    "a VIN with a fault": (calibration(ONE[:3] + b"O" + ONE[4:], 1), calibration(OTHER[:16] + b"\x1b", 2)),
}


@pytest.mark.parametrize("pair", PAIRS.values(), ids=list(PAIRS))
@pytest.mark.parametrize("whole", [False, True])
def test_nothing_shows_a_vin(pair: tuple[Calibration, Calibration], whole: bool) -> None:
    said = everything(*pair, View(whole=whole))
    assert [leak for vin in (ONE, OTHER) for leak in leaks(said, vin)] == []


@pytest.mark.parametrize("pair", PAIRS.values(), ids=list(PAIRS))
def test_everything_is_shown_to_whom_asks(pair: tuple[Calibration, Calibration]) -> None:
    """And so the test above can fail."""
    assert leaks(everything(*pair, View(personal=True, whole=True)), ONE)


def test_a_stranger_on_both_sides_is_shown_as_it_is() -> None:
    """Nobody knows where its VIN stands; the page on identity says so."""
    assert leaks(everything(stranger(ONE, 1), stranger(OTHER, 1), View(whole=True)), ONE)


def test_bytes_of_a_field_are_stars_among_unexplained_ones() -> None:
    comparison = compare(calibration(ONE, 1), stranger(OTHER, 2))
    assert f"01 {'** ' * 17}01" in comparison_text(comparison, Look(width=200), View(whole=True))
    pairs = {
        run["start"] + n: run["before"][2 * n : 2 * n + 2]
        for run in comparison_document(comparison, View(whole=True))["unexplained"]["listed"]
        for n in range(run["stop"] - run["start"])
    }
    inside = [at for at in pairs if AT <= at < AT + 17]
    assert inside
    assert {pairs[at] for at in inside} == {"**"}
    assert {pair for at, pair in pairs.items() if at not in inside} == {"01"}


def test_a_short_field_between_two_runs_shown_as_one_place_is_stars() -> None:
    """Runs that lie close together are shown with what lies between them, though that did not change."""
    before, after = (
        attrs.evolve(c, image=c.image.patched({63: bytes([n]), 64: b"KRETHLIN", 72: bytes([n])}))
        for n, c in enumerate([calibration(ONE, 1), calibration(ONE, 1)], 1)
    )
    text = comparison_text(compare(before, after), Look(width=200), View())
    assert f"before  01 {'** ' * 8}01" in text
    assert b"KRETHLIN".hex(" ").upper() in comparison_text(compare(before, after), Look(width=200), View(personal=True))


@given(
    st.binary(min_size=1, max_size=40),
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 20)), max_size=4),
    st.sampled_from(["", " "]),
)
def test_stars_stand_for_the_withheld_bytes_and_no_other(
    data: bytes, spans: list[tuple[int, int]], separator: str
) -> None:
    image = Image.of(data, start=10)
    withheld = [(at, at + size) for at, size in spans]
    hidden = {address for low, high in withheld for address in range(low, high)}
    expected = separator.join("**" if 10 + n in hidden else f"{byte:02x}" for n, byte in enumerate(data))
    assert hexadecimal(image, 10, 10 + len(data), withheld, separator) == expected


def test_another_vehicle_is_said_before_anything_else() -> None:
    before, after = calibration(ONE, 1), calibration(OTHER, 1)
    assert comparison_text(compare(before, after), Look(), View()).startswith(
        "! another vehicle: vin differs\n\nA  file"
    )
    document = comparison_document(compare(before, after), View())
    assert list(document)[:4] == ["caldiff", "version", "identity_differs", "identity"]
    assert document["identity_differs"] == ["vehicle"]
    series = compare_series([before, before, after])
    assert series_text(series, Look(), View()).startswith("! B → C: another vehicle: vin differs\n\nA  file")
    assert list(series_document(series, View()))[2] == "identity_differs"
    assert series_document(series, View())["identity_differs"] == ["vehicle"]


def test_digests_match_without_showing() -> None:
    key = Key(bytes(32))
    document: dict[str, Any] = comparison_document(compare(calibration(ONE, 1), calibration(OTHER, 1)), View(key=key))
    sides = [next(f for f in s["identity"] if f["name"] == "vin") for s in document["sides"]]
    digests = [key.digest("vin", ONE.decode()), key.digest("vin", OTHER.decode())]
    assert [f["digest"] for f in sides] == digests
    assert document["identity"][0]["digests"] == digests
    assert leaks(json.dumps(document), ONE) == []


def test_what_is_only_worth_knowing_is_told_of_a_file_but_not_in_a_comparison() -> None:
    field = IdentityField(name="vin", at=AT, size=17, kind="text", byte_order="big", means="vin")
    definition = Definition.of(name="d", frame=Frame(start=0, size=128, byte_order="big"), identity=[field])
    one, other = (attrs.evolve(calibration(vin, 1), definition=definition) for vin in (ONE, OTHER))
    note = "note: vin begins as one from outside North America"
    assert any(note in line for line in file_lines(one, Look(width=200), View()))
    assert "not checked" not in comparison_text(compare(one, other), Look(width=200), View())


def test_a_fault_is_told_wherever_the_identity_is() -> None:
    bad = calibration(ONE[:8] + b"6" + ONE[9:], 1)
    words = "! vin has a check digit"
    assert any(words in line for line in file_lines(bad, Look(width=200), View()))
    assert words in comparison_text(compare(bad, calibration(ONE, 1)), Look(width=200), View())
    assert side(bad, View())["identity"][0]["remarks"][0]["kind"] == "vin-check-digit"
