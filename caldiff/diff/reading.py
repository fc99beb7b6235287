"""One image of a comparison, read by its definition: what is asked for is decoded once, trouble becomes words."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Generic, TypeVar

import attrs
import numpy as np

from caldiff.definition.definition import Definition
from caldiff.definition.model import Axis, Cells, StoredAxis, TableSpec
from caldiff.diff.fates import Claims
from caldiff.errors import CaldiffError
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration
from caldiff.table.coverage import cover
from caldiff.table.decode import decode, decode_axis
from caldiff.table.layout import addresses
from caldiff.table.model import AxisValues, Table

__all__ = ["Reader", "Reading", "claim"]

T = TypeVar("T", Table, AxisValues)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Reading(Generic[T]):
    """What became of reading one thing: it was found, or it is absent (no byte of it is held), or there is trouble."""

    found: T | None = None
    trouble: str = ""

    @property
    def absent(self) -> bool:
        """The image holds no byte of it."""
        return self.found is None and not self.trouble


@attrs.define(kw_only=True, eq=False, repr=False)
class Reader:
    """Decodes tables and axes of one image, shared axes once."""

    side: Calibration
    definition: Definition
    _axes: dict[str, AxisValues] = attrs.field(factory=dict, init=False)

    def table(self, spec: TableSpec) -> Reading[Table]:
        """A table of this image."""
        try:
            return Reading(found=decode(self.side.image, self.definition, spec, axes=self._axes))
        except CaldiffError as error:
            return Reading() if _absent(self.side.image, spec.cells) else Reading(trouble=self._words(error))

    def axis(self, spec: Axis) -> Reading[AxisValues]:
        """A shared axis of this image."""
        if spec.name not in self._axes:
            try:
                self._axes[spec.name] = decode_axis(self.side.image, spec)
            except CaldiffError as error:
                missing = isinstance(spec, StoredAxis) and _absent(self.side.image, spec.cells)
                return Reading() if missing else Reading(trouble=self._words(error))
        return Reading(found=self._axes[spec.name])

    def take_over(self, other: Reader, axes: Iterable[Axis]) -> None:
        """Know what another reader knows of some shared axes, whose bytes are the same in both images."""
        for axis in axes:
            if axis.name in other._axes:
                self._axes[axis.name] = other._axes[axis.name]

    def _words(self, error: CaldiffError) -> str:
        place = "" if error.address is None else f" at 0x{error.address:08X}"
        return f"{self.side.label}: {error.reason}{place}"


def _absent(image: Image, cells: Cells) -> bool:
    """Whether not one byte of the cells is held."""
    start, stop = cells.hull
    if not any(s.start < stop and start < s.stop for s in image.segments):
        return True
    firsts = addresses(cells.at, cells.shape, cells.strides).ravel()
    held = np.zeros(firsts.shape, np.bool_)
    for segment in image.segments:
        held |= (firsts < segment.stop) & (firsts + cells.type.size > segment.start)
    return not held.any()


def claim(claims: Claims, thing: Table | AxisValues) -> None:
    """Claim the bits of a table with its own axes, or of an axis with its count."""
    if isinstance(thing, Table):
        if thing.raw.size:
            span = _span(thing)
            claims.add(span[0], cover(thing, *span))
        for axis in thing.axes:
            if not axis.spec.shared:
                claim(claims, axis)
        return
    spec = thing.spec
    if not isinstance(spec, StoredAxis) or thing.addresses is None:
        return
    if thing.addresses.size:
        low, high = int(thing.addresses.min()), int(thing.addresses.max()) + spec.cells.type.size
        claims.add(low, cover(thing, low, high))
    if spec.count is not None and thing.count_at is not None:
        claims.add(thing.count_at, np.full(spec.count.type.size, 0xFF, np.uint8))


def _span(table: Table) -> tuple[int, int]:
    """The addresses of a table's values, where they actually are."""
    cells = table.spec.cells
    if (table.at, table.raw.shape, table.strides) == (cells.at, cells.shape, cells.strides):
        return cells.hull
    return attrs.evolve(cells, at=table.at, shape=table.raw.shape, strides=table.strides).hull
