"""Which bits of which bytes are cells: what a changed byte is put down to."""

from __future__ import annotations

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.model import Cells, StoredAxis
from caldiff.table.layout import addresses
from caldiff.table.model import AxisValues, Table

__all__ = ["byte_masks", "cover"]

Masks = npt.NDArray[np.uint8]


def cover(thing: Table | AxisValues, start: int, stop: int) -> Masks:
    """The bits that belong to cells, per byte of ``[start, stop)``: uint8, 0xFF for a whole byte.

    A table covers its values, its own axes and their stored counts; a shared axis is asked by itself. Only what is in
    use counts: the room beyond a stored count is no cell.
    """
    masks = np.zeros(max(stop - start, 0), dtype=np.uint8)
    if isinstance(thing, AxisValues):
        _cover_axis(masks, thing, start)
    else:
        cells = attrs.evolve(thing.spec.cells, at=thing.at, shape=thing.raw.shape, strides=thing.strides)
        _cover_cells(masks, start, cells)
        for axis in thing.axes:
            if not axis.spec.shared:
                _cover_axis(masks, axis, start)
    return masks


def byte_masks(cells: Cells) -> tuple[int, ...]:
    """The mask of every byte of a cell, in order of address."""
    whole = (1 << 8 * cells.type.size) - 1 if cells.mask is None else cells.mask
    return tuple(whole.to_bytes(cells.type.size, cells.byte_order))


def _cover_axis(masks: Masks, axis: AxisValues, start: int) -> None:
    """The breakpoints in use and the count."""
    spec = axis.spec
    if not isinstance(spec, StoredAxis) or axis.addresses is None:
        return
    if axis.count_at is not None and spec.count is not None:
        _fill(masks, axis.count_at - start, axis.count_at - start + spec.count.type.size)
    if len(axis.addresses):
        _cover_cells(masks, start, attrs.evolve(spec.cells, at=int(axis.addresses[0]), shape=axis.addresses.shape))


def _cover_cells(masks: Masks, start: int, cells: Cells) -> None:
    """Set the bits of all cells: in one stroke where they are packed and unmasked, else byte by byte of a cell."""
    if 0 in cells.shape:
        return
    low, stop = cells.hull
    if stop <= start or low >= start + len(masks):
        return
    if cells.mask is None and _packed(cells):
        _fill(masks, low - start, stop - start)
        return
    first = addresses(cells.at - start, cells.shape, cells.strides).ravel()
    for offset, mask in enumerate(byte_masks(cells)):
        if mask:
            places = first + offset
            masks[places[(places >= 0) & (places < len(masks))]] |= mask


def _fill(masks: Masks, low: int, stop: int) -> None:
    masks[max(low, 0) : max(stop, 0)] = 0xFF


def _packed(cells: Cells) -> bool:
    """Whether the cells fill their hull without a gap, in whatever order they stand."""
    pitch = cells.type.size
    for stride, n in sorted((abs(s), n) for s, n in zip(cells.strides, cells.shape, strict=True) if n > 1):
        if stride != pitch:
            return False
        pitch *= n
    return True
