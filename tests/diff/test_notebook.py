from __future__ import annotations

import numpy as np
import pytest

from caldiff.diff.model import Comparison, Fates, Series, Statistics, TableDiff
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration


def _side(label: str) -> Calibration:
    return Calibration(label=label, image=Image.of(b"x"), definition=None)


def _table(name: str) -> TableDiff:
    changed = np.array([True, False, True])
    figures = Statistics(
        cells=3, changed=2, raised=1, lowered=1, least=-0.5, greatest=2.0, mean=0.75, least_percent=None,
        greatest_percent=None,
    )  # fmt: skip
    return TableDiff(name=name, state="changed", before=None, after=None, changed=changed, statistics=figures)


def _comparison(*tables: TableDiff, label: str = "b.bin") -> Comparison:
    return Comparison(
        before=_side("a.bin"),
        after=_side(label),
        identical=not tables,
        across=False,
        fates=Fates(cell=2 * len(tables), unexplained=1) if tables else Fates(),
        tables=tables,
    )


def test_reprs_say_how_much_in_one_line() -> None:
    one = _comparison(_table("dwell"))
    assert repr(one) == "<Comparison of 'a.bin' and 'b.bin': 1 tables, 0 axes, 3 bytes, 1 unexplained>"
    assert repr(_comparison()) == "<Comparison of 'a.bin' and 'b.bin': identical>"
    assert repr(one.tables[0]) == "<TableDiff dwell: changed, 2 of 3 cells>"
    series = Series(sides=(_side("a"), _side("b"), _side("c")), against_first=(), against_previous=(), origins={})
    assert repr(series) == "<Series of 'a', 'b', 'c': 0 tables changed on the way>"


def test_a_notebook_shows_the_tables() -> None:
    html = _comparison(_table("dwell"))._repr_html_()
    assert '<th scope="row">dwell</th><td>changed</td><td>2</td><td>-0.5</td><td>+2</td>' in html
    assert "3 bytes differ, 1 of them unexplained" in html
    assert "the same" in _comparison()._repr_html_()


@pytest.mark.parametrize("hostile", ["<script>alert(1)</script>", "a&b", '"><img src=x onerror=y>'])
def test_no_name_becomes_markup(hostile: str) -> None:
    html = _comparison(_table(hostile), label=hostile)._repr_html_()
    assert hostile not in html


def test_what_is_left_out_is_said() -> None:
    html = _comparison(*[_table(f"t{n}") for n in range(103)])._repr_html_()
    assert "3 tables more are not shown" in html
