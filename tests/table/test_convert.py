"""Tables in pandas and xarray, and in a notebook."""

from __future__ import annotations

import builtins
from fractions import Fraction
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest

from caldiff.definition.definition import Definition
from caldiff.definition.model import TYPES, Axis, Cells, FixedAxis, Frame, Linear, Names, Scaling, StoredAxis, TableSpec
from caldiff.errors import UsageError
from caldiff.image.model import Image
from caldiff.table.decode import decode
from caldiff.table.model import Table

TENTH = Scaling(unit="ms", conversion=Linear(factor=Fraction(1, 10)))


def axis(letter: str, n: int, quantity: str = "", unit: str = "") -> FixedAxis:
    return FixedAxis(name=f"t.{letter}", points=tuple(Fraction(i * 10) for i in range(n)), quantity=quantity, unit=unit)


def table(kind: Any, shape: tuple[int, ...], axes: tuple[Axis, ...] = (), *, title: str = "", **facts: Any) -> Table:
    """A table of the bytes 0, 1, 2, …"""
    strides = tuple(int(np.prod(shape[d + 1 :])) for d in range(len(shape)))
    cells = Cells(at=0, type=TYPES["u8"], byte_order="big", shape=shape, strides=strides)
    spec = TableSpec(name="t", kind=kind, cells=cells, axes=axes, title=title, **{"scaling": TENTH, **facts})
    definition = Definition.of(name="d", frame=Frame(start=0, size=4096, byte_order="big"), tables=[spec])
    return decode(Image.of(bytes(range(256)) * 4), definition, "t")


def test_a_value_a_curve_and_a_map_in_pandas() -> None:
    assert table("value", ()).to_pandas().tolist() == [0.0]
    curve = table("curve", (3,), (axis("x", 3, "engine_speed", "rpm"),)).to_pandas()
    assert curve.to_dict() == {0.0: 0.0, 10.0: 0.1, 20.0: 0.2}
    assert (curve.name, curve.index.name) == ("t", "engine_speed")
    frame = table("map", (2, 3), (axis("y", 2), axis("x", 3, "engine_speed"))).to_pandas()
    assert frame.loc[10.0, 20.0] == 0.5
    assert (frame.index.name, frame.columns.name, frame.shape) == ("y", "engine_speed", (2, 3))


def test_a_cuboid_in_pandas_has_rows_by_layer_and_row() -> None:
    frame = table("cuboid", (2, 2, 3), (axis("z", 2), axis("y", 2), axis("x", 3))).to_pandas()
    assert frame.index.names == ["z", "y"]
    assert frame.loc[(10.0, 0.0), 20.0] == 0.8


def test_blocks_and_text_in_pandas() -> None:
    assert table("block", (2, 3)).to_pandas().loc[1, 2] == 0.5
    assert table("block", (4,)).to_pandas().tolist() == pytest.approx([0, 0.1, 0.2, 0.3], abs=1e-15)
    text = table("text", (4,), scaling=Scaling())
    assert text.to_pandas().tolist() == [r"\x00\x01\x02\x03"]


def test_xarray_keeps_axes_and_units() -> None:
    array = table("map", (2, 3), (axis("y", 2, "load", "%"), axis("x", 3, "load")), title="Dwell").to_xarray()
    assert array.dims == ("y", "x")  # the same quantity twice names neither
    assert array.attrs == {"units": "ms", "long_name": "Dwell"}
    assert array.coords["y"].attrs == {"units": "%"}
    assert float(array.sel(y=10.0, x=20.0)) == 0.5
    assert float(array.interp(y=5.0, x=5.0)) == pytest.approx(0.2)  # the mean of 0, 0.1, 0.3, 0.4
    assert table("value", ()).to_xarray().item() == 0.0
    assert table("block", (2, 3)).to_xarray().shape == (2, 3)
    assert table("text", (4,), scaling=Scaling()).to_xarray().item() == r"\x00\x01\x02\x03"


@pytest.mark.parametrize("library", ["pandas", "xarray"])
def test_a_missing_library_is_named_with_its_extra(library: str, monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def refusing(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == library:
            raise ImportError(name)
        return real(name, *args, **kwargs)

    value = table("value", ())
    monkeypatch.setattr(builtins, "__import__", refusing)
    with pytest.raises(UsageError, match=f"needs {library}") as caught:
        getattr(value, f"to_{library}")()
    assert caught.value.hint is not None
    assert f"caldiff[{library}]" in caught.value.hint


class Reader(HTMLParser):
    """Collects the tags and the cells of a table."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.tags: set[str] = set()
        self.cell = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert not attrs
        self.tags.add(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in {"td", "th"}:
            self.rows[-1].append("")
            self.cell = True

    def handle_endtag(self, tag: str) -> None:
        self.cell = self.cell and tag not in {"td", "th"}

    def handle_data(self, data: str) -> None:
        if self.cell:
            self.rows[-1][-1] += data


def shown(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    return reader


def test_a_notebook_shows_axes_and_values() -> None:
    html = table("map", (2, 3), (axis("y", 2, "load", "%"), axis("x", 3, "engine_speed", "rpm")))._repr_html_()
    assert shown(html).rows == [
        ["load [%] / engine_speed [rpm]", "0", "10", "20"],
        ["0", "0", "0.1", "0.2"],
        ["10", "0.3", "0.4", "0.5"],
    ]
    assert shown(table("value", ())._repr_html_()).rows == [["0"]]


def test_what_a_definition_says_is_no_markup() -> None:
    evil = "<script>alert(1)</script>&"
    scaling = Scaling(unit=evil, conversion=Linear())
    html = table("curve", (2,), (axis("x", 2, evil, evil),), title=evil, scaling=scaling)._repr_html_()
    assert shown(html).tags == {"table", "caption", "tr", "th", "td"}
    assert evil in html.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")


def test_names_are_no_markup_either() -> None:
    evil = Scaling(conversion=Names(names={0: "<b>off</b>"}))
    cells = Cells(at=0, type=TYPES["u8"], byte_order="big", shape=(1,), strides=(1,))
    rows = StoredAxis(name="t.y", cells=cells, scaling=evil)
    html = table("map", (1, 1), (rows, axis("x", 1)), scaling=evil)._repr_html_()
    assert shown(html).tags == {"table", "caption", "tr", "th", "td"}
    assert html.count("&lt;b&gt;off") == 2


def test_a_large_table_is_cut_and_says_so() -> None:
    html = table("map", (30, 30), (axis("y", 30), axis("x", 30)))._repr_html_()
    assert "shown: 24 of 30 rows, 24 of 30 columns" in html
    assert len(shown(html).rows) == 25
