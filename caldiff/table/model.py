"""``Table``: one table of one image, decoded. Arrays are read-only, in array order (slowest index first)."""

from __future__ import annotations

from functools import cached_property
from typing import Any, Literal

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.model import Axis, FixedAxis, StoredAxis, TableSpec
from caldiff.definition.number import shown_number
from caldiff.definition.scaling import shown
from caldiff.table.layout import addresses
from caldiff.table.scale import Floats, Raw, to_physical
from caldiff.table.text import legible, trimmed
from caldiff.value import Value

__all__ = ["AxisValues", "Floats", "Problem", "Raw", "Table"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Problem(Value):
    """Something about a table that should not be so, found while decoding; the values are given all the same."""

    kind: Literal["axis-not-rising", "count-beyond-room", "not-a-number", "beyond-limits", "not-text"]
    text: str
    address: int | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class AxisValues:
    """The breakpoints of one axis as the image holds them.

    Attributes:
        raw: shape ``(n,)``; None for a fixed axis.
        physical: shape ``(n,)``.
        addresses: of every breakpoint, shape ``(n,)``, int64; None for a fixed axis.
        count: the stored count as read, before it was held to the room; None where none is stored.
        count_at: the address of the stored count, or None.
    """

    spec: Axis
    raw: Raw | None
    physical: Floats
    addresses: npt.NDArray[np.int64] | None
    count: int | None = None
    problems: tuple[Problem, ...] = ()
    count_at: int | None = None

    @property
    def name(self) -> str:
        """The axis's name in its definition."""
        return self.spec.name

    @property
    def unit(self) -> str:
        """The unit of ``physical``, or ''."""
        return self.spec.scaling.unit if isinstance(self.spec, StoredAxis) else self.spec.unit

    def __repr__(self) -> str:
        unit = f" in {self.unit}" if self.unit not in {"", "1"} else ""
        problems = f", {len(self.problems)} problems" if self.problems else ""
        return f"<AxisValues {self.name}: {len(self)} breakpoints{unit}{problems}>"

    def __len__(self) -> int:
        return len(self.physical)

    def shown(self, index: int) -> str:
        """One breakpoint as people read it, without its unit."""
        if isinstance(self.spec, FixedAxis):
            return shown_number(self.spec.points[index], self.spec.decimals)
        return shown(self.spec.scaling, np.asarray(self.raw)[index].item())


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Table:
    """A decoded table.

    Attributes:
        raw: shape by kind: ``()`` value and flags, ``(x,)`` curve, ``(y, x)`` map, ``(z, y, x)`` cuboid, any for a
            block, ``(n,)`` bytes for text. Zero-copy where the layout allows.
        axes: one per dimension (none for value, block, text, flags).
        at, strides: where the cells actually are (differs from the spec where a stored count moves them).
        erased: the byte that erased memory reads as, which pads text.
    """

    spec: TableSpec
    raw: Raw
    axes: tuple[AxisValues, ...] = ()
    at: int
    strides: tuple[int, ...] = ()
    problems: tuple[Problem, ...] = ()
    erased: int = 0xFF
    known: Floats | None = attrs.field(default=None, alias="physical")
    """physical values, where decoding had to reckon them already"""

    @property
    def name(self) -> str:
        """The table's name in its definition."""
        return self.spec.name

    @property
    def unit(self) -> str:
        """The unit of ``physical``, or ''."""
        return self.spec.scaling.unit

    @property
    def shape(self) -> tuple[int, ...]:
        """Cells per dimension, as they are in this image."""
        return self.raw.shape

    @cached_property
    def physical(self) -> Floats:
        """Physical values, the shape of ``raw``: the nearest double to the exact value. Raw numbers for text."""
        if self.known is not None:
            return self.known
        return to_physical(self.spec.scaling, self.raw, self.spec.cells.type)

    @cached_property
    def addresses(self) -> npt.NDArray[np.int64]:
        """The address of every cell, the shape of ``raw``."""
        found = addresses(self.at, self.raw.shape, self.strides)
        found.setflags(write=False)
        return found

    @property
    def text(self) -> str | None:
        r"""The text of a text table, without padding; None for other kinds. What does not print stands as ``\xNN``."""
        if self.spec.kind != "text":
            return None
        return legible(trimmed(self.raw.tobytes(), self.erased), self.spec.encoding)

    def shown(self, index: tuple[int, ...]) -> str:
        """One cell as people read it: decimals of the scaling, or the name of the value, or the flags that are set."""
        value = self.raw[index].item()
        if self.spec.kind == "text":
            return legible(bytes([value]), self.spec.encoding)
        return shown(self.spec.scaling, value)

    def __repr__(self) -> str:
        size = " x ".join(map(str, self.raw.shape))
        what = f"{self.spec.kind} {size}" if size else self.spec.kind
        unit = f" in {self.unit}" if self.unit not in {"", "1"} else ""
        problems = f", {len(self.problems)} problems" if self.problems else ""
        return f"<Table {self.name}: {what}{unit} at 0x{self.at:08X}{problems}>"

    def _repr_html_(self) -> str:
        from caldiff.table.convert import to_html  # noqa: PLC0415 - only notebooks ask

        return to_html(self)

    def to_pandas(self) -> Any:
        """Physical values with their axes: a Series (value, curve), else a DataFrame; a cuboid has rows by (z, y).

        Raises:
            UsageError: pandas is not installed.
        """
        from caldiff.table.convert import to_pandas  # noqa: PLC0415 - brings pandas

        return to_pandas(self)

    def to_xarray(self) -> Any:
        """Physical values as a DataArray, with the axes as coordinates and units as attributes.

        Raises:
            UsageError: xarray is not installed.
        """
        from caldiff.table.convert import to_xarray  # noqa: PLC0415 - brings xarray

        return to_xarray(self)
