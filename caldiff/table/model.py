"""``Table``: one table of one image, decoded. Arrays are read-only, in array order (slowest index first)."""

from __future__ import annotations

from functools import cached_property
from typing import Any, Literal

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.model import Axis, TableSpec

__all__ = ["AxisValues", "Floats", "Problem", "Raw", "Table"]

Raw = npt.NDArray[Any]
"""integers or floats as stored, in the machine's byte order or the image's, masked and shifted where a mask is set"""
Floats = npt.NDArray[np.float64]


@attrs.frozen(kw_only=True)
class Problem:
    """Something about a table that should not be so, found while decoding; the values are given all the same."""

    kind: Literal["axis-not-rising", "count-beyond-room", "not-a-number", "beyond-limits", "not-text"]
    text: str
    address: int | None = None


@attrs.frozen(kw_only=True, eq=False)
class AxisValues:
    """The breakpoints of one axis as the image holds them.

    Attributes:
        raw: shape ``(n,)``; None for a fixed axis.
        physical: shape ``(n,)``.
        addresses: of every breakpoint, shape ``(n,)``, int64; None for a fixed axis.
        count: the stored count as read, before it was held to the room; None where none is stored.
    """

    spec: Axis
    raw: Raw | None
    physical: Floats
    addresses: npt.NDArray[np.int64] | None
    count: int | None = None
    problems: tuple[Problem, ...] = ()


@attrs.frozen(kw_only=True, eq=False)
class Table:
    """A decoded table.

    Attributes:
        raw: shape by kind: ``()`` value and flags, ``(x,)`` curve, ``(y, x)`` map, ``(z, y, x)`` cuboid, any for a
            block, ``(n,)`` bytes for text. Zero-copy where the layout allows.
        axes: one per dimension (none for value, block, text, flags).
        at, strides: where the cells actually are (differs from the spec where a stored count moves them).
    """

    spec: TableSpec
    raw: Raw
    axes: tuple[AxisValues, ...] = ()
    at: int
    strides: tuple[int, ...] = ()
    problems: tuple[Problem, ...] = ()

    @property
    def name(self) -> str:
        """The table's name in its definition."""
        return self.spec.name

    @cached_property
    def physical(self) -> Floats:
        """Physical values, the shape of ``raw``: the nearest double to the exact value. Raw numbers for text."""
        raise NotImplementedError  # written with the table room

    @cached_property
    def addresses(self) -> npt.NDArray[np.int64]:
        """The address of every cell, the shape of ``raw``."""
        raise NotImplementedError  # written with the table room

    @property
    def text(self) -> str | None:
        """The text of a text table, without padding; None for other kinds."""
        raise NotImplementedError  # written with the table room

    def shown(self, index: tuple[int, ...]) -> str:
        """One cell as people read it: decimals of the scaling, or the name of the value, or the flags that are set."""
        raise NotImplementedError  # written with the table room
