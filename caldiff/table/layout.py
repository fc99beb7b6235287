"""Where the cells of a table actually are in an image: stored counts read, records followed."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.model import Axis, Cells, ElementType, Record, StoredAxis, StoredCount, TableSpec
from caldiff.errors import CaldiffError, TableError
from caldiff.image.model import Image

__all__ = ["Place", "TablePlace", "addresses", "dtype_of", "fields_of", "gaps_of", "place_axis", "place_table", "words"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Place:
    """Where the breakpoints of a stored axis are: ``cells`` are those in use.

    Attributes:
        count: as read, before it was held to the room; None where none is stored. count_at: its address.
    """

    cells: Cells
    count: int | None = None
    count_at: int | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class TablePlace:
    """Where the values are, and the axes in array order (None for a fixed axis)."""

    cells: Cells
    axes: tuple[Place | None, ...] = ()


def addresses(at: int, shape: tuple[int, ...], strides: tuple[int, ...]) -> npt.NDArray[np.int64]:
    """The address of every cell: int64 of the given shape."""
    found = np.full((), at, dtype=np.int64)
    for n, stride in zip(shape, strides, strict=True):
        found = found[..., np.newaxis] + np.arange(n, dtype=np.int64) * stride
    return found


def dtype_of(element: ElementType, byte_order: str) -> np.dtype[Any]:
    """The numpy type of a stored number."""
    return np.dtype(f"{'>' if byte_order == 'big' else '<'}{element.kind}{element.size}")


def fields_of(mask: int) -> tuple[int, int]:
    """The lowest bit of a mask and the bits from there to the highest one, as ``(shift, width)``."""
    shift = (mask & -mask).bit_length() - 1
    return shift, mask.bit_length() - shift


def gaps_of(mask: int | None) -> int:
    """The bits of a raw value that fall between the bits of its mask, and so cannot be stored; 0 mostly."""
    if mask is None:
        return 0
    shift, width = fields_of(mask)
    return ~(mask >> shift) & ((1 << width) - 1)


def words(image: Image, cells: Cells, what: str) -> npt.NDArray[Any]:
    """The stored words of the cells, unmasked, in the image's byte order, read-only; a view wherever one can be.

    Masked cells come as unsigned words. ``what`` names the table or axis in an error.

    Raises:
        TableError: a byte of a cell is not in the image.
    """
    dtype = dtype_of(cells.type, cells.byte_order)
    if cells.mask is not None:
        dtype = np.dtype(dtype.str.replace("i", "u"))
    low, stop = cells.hull
    segment = image.segment_at(low)
    if segment is not None and stop <= segment.stop:
        return np.ndarray(
            cells.shape, dtype, buffer=segment.data, offset=cells.at - segment.start, strides=cells.strides
        )
    # Interleaved cells may all be there although something between them is not.
    size = cells.type.size
    places = addresses(cells.at, cells.shape, cells.strides)
    data = b"".join(_read(image, int(a), size, what) for a in places.flat)
    return np.frombuffer(data, dtype).reshape(cells.shape)


def _read(image: Image, at: int, size: int, what: str) -> bytes:
    """Bytes that belong to ``what``."""
    try:
        return image.read(at, size)
    except CaldiffError as error:
        raise TableError(
            f"{what} is not held whole: the image has no byte here",
            file=error.file,
            address=error.address,
            hint="the image may be a part of what was read, or of another software version",
        ) from None


# ---------------------------------------------------------------------------------------------- counts and records


def place_axis(image: Image, axis: StoredAxis, what: str) -> Place:
    """Where the breakpoints of an axis outside a record are. Raises TableError when the count is not in the image."""
    if axis.count is None:
        return Place(cells=axis.cells)
    count = _count(image, axis.count, axis.count.at, what)
    return Place(cells=_cut(axis.cells, count), count=count, count_at=axis.count.at)


def _count(image: Image, count: StoredCount, at: int, what: str) -> int:
    """A stored count as it stands; the sign is read, so that a negative one is seen to be wrong."""
    data = _read(image, at, count.type.size, f"the stored count of {what}")
    return int.from_bytes(data, count.byte_order, signed=count.type.kind == "i")


def _cut(cells: Cells, count: int) -> Cells:
    """The cells of an axis that a stored count leaves in use, held to the room."""
    used = min(max(count, 0), cells.shape[0])
    return cells if used == cells.shape[0] else attrs.evolve(cells, shape=(used,))


def place_table(image: Image, spec: TableSpec) -> TablePlace:
    """Where a table's parts are in this image.

    Raises:
        TableError: a stored count is not in the image, or a record's parts stand in an order that nothing can follow.
    """
    if spec.record is not None:
        return _Record(image=image, spec=spec, record=spec.record).follow()
    axes = tuple(_outside(image, spec, axis) for axis in spec.axes)
    if all(axis is None or axis.count is None for axis in axes):
        return TablePlace(cells=spec.cells, axes=axes)
    shape = _used(spec.cells.shape, [a.cells.shape[0] if a else None for a in axes])
    cells = spec.cells if shape == spec.cells.shape else attrs.evolve(spec.cells, shape=shape)
    return TablePlace(cells=cells, axes=axes)


def _outside(image: Image, spec: TableSpec, axis: Axis) -> Place | None:
    """Where an axis is that stands at an address of its own; None for a fixed one."""
    if not isinstance(axis, StoredAxis):
        return None
    return place_axis(image, axis, f"axis '{axis.name}'" if axis.shared else f"table '{spec.name}'")


def _used(shape: tuple[int, ...], counts: Sequence[int | None]) -> tuple[int, ...]:
    """The shape of a table with every dimension cut to the breakpoints in use."""
    if not counts:
        return shape
    return tuple(n if used is None else min(n, used) for n, used in zip(shape, counts, strict=True))


@attrs.define(kw_only=True, eq=False, repr=False)
class _Record:
    """Follows the parts of a record, each after the one before, by the counts that the image holds."""

    image: Image
    spec: TableSpec
    record: Record
    counts: dict[str, tuple[int, int]] = attrs.field(factory=dict, init=False)
    """by letter of the axis: what was read, and where"""
    found: dict[str, Place] = attrs.field(factory=dict, init=False)

    def follow(self) -> TablePlace:
        """All parts, from the first to the last."""
        values, cursor = self.spec.cells, self.record.at
        for part in self.record.parts:
            cursor += (self.record.at - cursor) % self.record.align
            if part == "values":
                values, cursor = _moved(self._values(), cursor)
            elif part.endswith(".count"):
                cursor = self._read_count(part[0], cursor)
            else:
                place = self._in_use(part)
                cells, cursor = _moved(place.cells, cursor)
                self.found[part] = attrs.evolve(place, cells=cells)
        axes = tuple(self._place(letter, axis) for letter, axis in self._lettered())
        return TablePlace(cells=values, axes=axes)

    def _lettered(self) -> list[tuple[str, Axis]]:
        """The axes in array order with their letters."""
        axes = self.spec.axes
        return list(zip("zyx"[3 - len(axes) :], axes, strict=True))

    def _axis(self, letter: str) -> StoredAxis:
        axis = dict(self._lettered()).get(letter)
        if not isinstance(axis, StoredAxis):
            raise TableError(f"table '{self.spec.name}': its record names '{letter}', which is no stored axis")
        return axis

    def _read_count(self, letter: str, cursor: int) -> int:
        """Keep the count at the cursor; the address after it."""
        count = self._axis(letter).count
        if count is None:
            raise TableError(f"table '{self.spec.name}': its record has a count for axis {letter}, which stores none")
        self.counts[letter] = _count(self.image, count, cursor, f"table '{self.spec.name}'"), cursor
        return cursor + count.type.size

    def _in_use(self, letter: str) -> Place:
        """The breakpoints in use of an axis of the record, not yet moved to where they are."""
        axis = self._axis(letter)
        if letter in self.counts:
            count, at = self.counts[letter]
            return Place(cells=_cut(axis.cells, count), count=count, count_at=at)
        if f"{letter}.count" in self.record.parts:
            raise TableError(f"table '{self.spec.name}': its record reads the count of axis {letter} too late")
        return place_axis(self.image, axis, f"table '{self.spec.name}'")

    def _place(self, letter: str, axis: Axis) -> Place | None:
        return self.found.get(letter) or _outside(self.image, self.spec, axis)

    def _values(self) -> Cells:
        """The values with rows as long as the counts say: packed dimensions stay packed, written pitches stay."""
        places = [
            self._in_use(letter) if letter in self.record.parts else _outside(self.image, self.spec, axis)
            for letter, axis in self._lettered()
        ]
        cells = self.spec.cells
        shape = _used(cells.shape, [p.cells.shape[0] if p else None for p in places])
        strides = list(cells.strides)
        fastest = sorted(range(len(shape)), key=lambda d: (abs(cells.strides[d]), -d))
        for inner, outer in pairwise(fastest):
            if abs(cells.strides[outer]) == abs(cells.strides[inner]) * cells.shape[inner]:
                pitch = abs(strides[inner]) * shape[inner]
                strides[outer] = pitch if cells.strides[outer] > 0 else -pitch
        return attrs.evolve(cells, shape=shape, strides=tuple(strides))


def _moved(cells: Cells, to: int) -> tuple[Cells, int]:
    """The cells with their lowest byte at ``to``, and the address after their last byte."""
    if 0 in cells.shape:
        return attrs.evolve(cells, at=to), to
    low, stop = cells.hull
    return attrs.evolve(cells, at=cells.at + to - low), to + stop - low
