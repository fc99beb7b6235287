"""Text primitives: what is foreign is harmless, what is laid out fits."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.render.look import Look, clip, harmless, pad, plural, width_of, wrapped

SEQUENCE = re.compile(r"\x1b\[[0-9;]*m")


@pytest.mark.parametrize(
    ("foreign", "shown"),
    [
        ("idle_speed", "idle_speed"),
        ("\x1b[2J", r"\x1b[2J"),
        ("a\r\nb\tc", r"a\r\nb\tc"),
        ("\x9b31m", r"\x9b31m"),  # CSI in one byte
        ("\u202eabc", r"\u202eabc"),  # text that runs backwards
        ("\u200b", r"\u200b"),  # invisible
        ("\udcff", r"\udcff"),  # an undecodable byte of a file name
        ("°C", "°C"),
    ],
)
def test_foreign_text_is_escaped(foreign: str, shown: str) -> None:
    assert harmless(foreign) == shown


def test_an_ascii_terminal_gets_ascii() -> None:
    assert Look(unicode=False).text("°C → 日") == r"\xb0C \u2192 \u65e5"
    assert Look(unicode=False).glyph("→") == "->"


@given(st.text())
def test_nothing_that_a_terminal_acts_on_gets_through(text: str) -> None:
    assert harmless(text).isprintable()
    assert harmless(text, ascii_only=True).isascii()


@given(st.text(), st.integers(min_value=12, max_value=100), st.integers(min_value=0, max_value=2))
def test_wrapped_lines_fit_and_lose_nothing(text: str, width: int, indent: int) -> None:
    safe = harmless(text)
    lines = wrapped(safe, width, indent=indent)
    assert all(width_of(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == safe.replace(" ", "")


@given(st.text(), st.integers(min_value=2, max_value=40))
def test_clipped_text_fits_and_says_that_it_is_cut(text: str, width: int) -> None:
    safe = harmless(text)
    cut = clip(safe, width)
    assert width_of(cut) <= width
    assert cut == safe or cut.endswith("~")


def test_wide_characters_count_double() -> None:
    assert width_of("日本") == 4
    assert pad("日本", 6) == "日本  "
    assert pad("日本", 6, right=True) == "  日本"
    assert width_of("e\u0301") == 1


def test_a_lead_stands_before_the_first_line_only() -> None:
    assert wrapped("aaaa bbbb cccc", 16, indent=6, lead="ab") == ["ab    aaaa bbbb", "      cccc"]


def test_colour_only_where_there_is_some() -> None:
    assert Look().paint("+1", "raised") == "+1"
    assert Look(colours=256).paint("+1", "raised") == "\x1b[38;5;208m+1\x1b[0m"
    assert Look(colours=16).paint("+1", "raised") == "\x1b[33m+1\x1b[0m"
    assert Look(colours=256).paint("  ", "raised") == "  "


def test_a_width_below_40_is_40() -> None:
    assert Look(width=3).width == 40


def test_counts_are_said_with_their_noun() -> None:
    assert plural(1, "byte") == "1 byte"
    assert plural(2048, "byte") == "2,048 bytes"
    assert plural(2, "axis", "axes") == "2 axes"
