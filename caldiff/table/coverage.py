"""Which bits of which bytes are cells: what a changed byte is put down to."""

from __future__ import annotations

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
        cells = thing.spec.cells
        _cover_cells(masks, start, cells, thing.at, thing.raw.shape, thing.strides)
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
        _cover_cells(masks, start, spec.cells, int(axis.addresses[0]), axis.addresses.shape, spec.cells.strides)


def _cover_cells(
    masks: Masks, start: int, cells: Cells, at: int, shape: tuple[int, ...], strides: tuple[int, ...]
) -> None:
    """Set the bits of all cells: in one stroke where they are packed and unmasked, else byte by byte of a cell."""
    if 0 in shape:
        return
    low, stop, packed = _span(at, shape, strides, cells.type.size)
    if stop <= start or low >= start + len(masks):
        return
    if packed and cells.mask is None:
        _fill(masks, low - start, stop - start)
        return
    first = addresses(at - start, shape, strides).ravel()
    for offset, mask in enumerate(byte_masks(cells)):
        if mask:
            places = first + offset
            masks[places[(places >= 0) & (places < len(masks))]] |= mask


def _fill(masks: Masks, low: int, stop: int) -> None:
    masks[max(low, 0) : max(stop, 0)] = 0xFF


def _span(at: int, shape: tuple[int, ...], strides: tuple[int, ...], size: int) -> tuple[int, int, bool]:
    """``(start, stop)`` of the cells, and whether they fill it without a gap, in whatever order they stand."""
    reach = [(n - 1) * stride for n, stride in zip(shape, strides, strict=True)]
    low = at + sum(r for r in reach if r < 0)
    pitch = size
    for stride, n in sorted((abs(s), n) for s, n in zip(strides, shape, strict=True) if n > 1):
        if stride != pitch:
            return low, at + sum(r for r in reach if r > 0) + size, False
        pitch *= n
    return low, low + pitch, True
