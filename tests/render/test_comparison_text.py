"""A comparison as text. The golden texts were read by eye before they were kept.

``python -m pytest tests/render --rewrite`` writes them anew: read the difference before keeping it.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import attrs
import pytest

from caldiff.definition.definition import Definition
from caldiff.diff.model import ChecksumDiff, Comparison, Extent, Fates, FieldDiff, TableDiff
from caldiff.render.comparison import comparison_text
from caldiff.render.look import Look, width_of
from caldiff.render.view import SHOWS, View
from caldiff.table.calibration import Calibration

SEQUENCE = re.compile(r"\x1b\[[0-9;]*m")


@pytest.mark.parametrize("width", [80, 160])
def test_every_kind_of_table(comparison: Comparison, golden: Callable[[str, str], None], width: int) -> None:
    golden(f"kinds-{width}", comparison_text(comparison, Look(width=width), View()))


@pytest.mark.parametrize("width", [80, 160])
def test_a_moved_axis(moved: Comparison, golden: Callable[[str, str], None], width: int) -> None:
    golden(f"moved-{width}", comparison_text(moved, Look(width=width), View()))


@pytest.mark.parametrize("show", [s for s in SHOWS if s != "change"])
def test_ways_of_showing(comparison: Comparison, golden: Callable[[str, str], None], show: str) -> None:
    view = View(show=show, globs=("ignition_*", "warmup"))  # type: ignore[arg-type]
    golden(f"show-{show}", comparison_text(comparison, Look(), view))


def test_one_line_a_table(comparison: Comparison, golden: Callable[[str, str], None]) -> None:
    golden("stat", comparison_text(comparison, Look(), View(stat=True)))


def test_everything(comparison: Comparison, golden: Callable[[str, str], None]) -> None:
    golden("all", comparison_text(comparison, Look(), View(whole=True, personal=True)))


def test_ascii_and_narrow(comparison: Comparison, golden: Callable[[str, str], None]) -> None:
    text = comparison_text(comparison, Look(width=40, unicode=False), View())
    assert text.isascii()
    golden("ascii-40", text)


@pytest.mark.parametrize("width", [40, 61, 80, 133])
@pytest.mark.parametrize("show", SHOWS)
def test_no_line_is_too_long(comparison: Comparison, moved: Comparison, width: int, show: str) -> None:
    for one in (comparison, moved):
        text = comparison_text(one, Look(width=width), View(show=show, whole=True))  # type: ignore[arg-type]
        assert [line for line in text.splitlines() if width_of(line) > width] == []


def test_colour_says_nothing_that_the_text_does_not(comparison: Comparison, moved: Comparison) -> None:
    for one in (comparison, moved):
        plain = comparison_text(one, Look(), View())
        painted = comparison_text(one, Look(colours=256), View())
        assert painted != plain
        assert SEQUENCE.sub("", painted) == plain
        assert "\x1b" not in plain


def test_raised_and_lowered_have_their_own_colours(comparison: Comparison) -> None:
    painted = comparison_text(comparison, Look(colours=256), View())
    assert "\x1b[1;38;5;208m+1.5\x1b[0m" in painted
    assert "\x1b[1;38;5;75m-1.0\x1b[0m" in painted


def test_identity_and_code_come_before_the_tables(comparison: Comparison) -> None:
    text = comparison_text(comparison, Look(), View())
    places = [text.index(f"\n{word}") for word in ("! identity", "! code", "  tables", "─── Tables", "─── Unexplained")]
    assert places == sorted(places)


def test_what_identifies_somebody_is_shortened(comparison: Comparison, definition: Definition) -> None:
    vin = FieldDiff(field=definition.identity["vin"], before="ZZZTEST0000012345", after="ZZZTEST0000099999")
    one = attrs.evolve(comparison, identity=(vin,))
    assert "ZZZTEST" not in comparison_text(one, Look(), View())
    assert '"*************2345" → "*************9999"' in comparison_text(one, Look(), View())
    assert "ZZZTEST0000099999" in comparison_text(one, Look(), View(personal=True))


def test_names_from_files_cannot_act_on_the_terminal(comparison: Comparison) -> None:
    evil = "\x1b]0;pwned\x07\u202e\r\nA  other.bin"
    hostile = TableDiff(name=evil, state="unreadable", before=None, after=None, reason=evil)
    side = Calibration(label=evil, image=comparison.before.image, definition=comparison.before.definition)
    lost = ChecksumDiff(name=evil, before=None, after=None, content=None, stored=None)
    one = attrs.evolve(comparison, before=side, tables=(hostile,), notes=(evil,), checksums=(lost,))
    for view in (View(), View(stat=True)):
        text = comparison_text(one, Look(), view)
        assert not set(text) & {"\x1b", "\x07", "\u202e", "\r"}
        assert "\nA  other.bin" not in text


def test_filters_say_what_they_leave_out(comparison: Comparison) -> None:
    text = comparison_text(comparison, Look(), View(tags=("emissions",)))
    assert "\nwarmup  " in text
    assert "\nidle_speed" not in text
    assert "5 more changed tables do not match --table and --tag." in text
    assert "No changed table matches" in comparison_text(comparison, Look(), View(globs=("nothing*",)))


def test_many_runs_are_cut_and_counted(comparison: Comparison) -> None:
    runs = tuple(Extent(start=0x8100 + 16 * n, stop=0x8101 + 16 * n) for n in range(30))
    one = attrs.evolve(comparison, unexplained=runs, fates=Fates(unexplained=30))
    text = comparison_text(one, Look(), View())
    assert text.count("in no declared region") == 16
    assert "14 more bytes not shown; --all shows them" in text
    assert comparison_text(one, Look(), View(whole=True)).count("in no declared region") == 30


def test_runs_close_together_are_one_place(comparison: Comparison) -> None:
    runs = (Extent(start=0x8100, stop=0x8102), Extent(start=0x8104, stop=0x8105))
    one = attrs.evolve(comparison, unexplained=runs, fates=Fates(unexplained=3))
    text = comparison_text(one, Look(), View())
    assert "0x00008100  3 of 5 bytes in no declared region" in text


def test_bytes_of_one_side_only(comparison: Comparison) -> None:
    runs = (Extent(start=0x8100, stop=0x8104, presence="after"),)
    one = attrs.evolve(comparison, unexplained=runs, fates=Fates(unexplained=4))
    text = comparison_text(one, Look(), View())
    section = text[text.index("Unexplained bytes") :]
    assert "4 bytes in no declared region, only in B" in section
    assert "before" not in section


def test_no_definition_says_what_to_do(comparison: Comparison) -> None:
    bare = [attrs.evolve(side, definition=None) for side in (comparison.before, comparison.after)]
    one = attrs.evolve(comparison, before=bare[0], after=bare[1], tables=(), identity=())
    text = comparison_text(one, Look(), View())
    assert "no definition fits" in text
    assert "'caldiff definition list' names those known" in " ".join(text.split())
