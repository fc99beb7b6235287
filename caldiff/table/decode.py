"""``Image`` + ``Definition`` -> ``Table``. What looks wrong in the values is reported beside them, never raised."""

from __future__ import annotations

from collections.abc import Iterator, MutableMapping
from typing import Literal

import numpy as np
import numpy.typing as npt

from caldiff.definition.definition import Definition
from caldiff.definition.model import Axis, Cells, FixedAxis, Limits, Linear, Scaling, StoredAxis, TableSpec
from caldiff.definition.number import shown_number
from caldiff.errors import TableError
from caldiff.image.model import Image
from caldiff.table.layout import Place, addresses, fields_of, place_axis, place_table, words
from caldiff.table.model import AxisValues, Floats, Problem, Raw, Table
from caldiff.table.scale import beyond, to_physical
from caldiff.table.text import strange, trimmed, with_unit

__all__ = ["decode", "decode_axis", "find"]


def decode(
    image: Image, definition: Definition, table: str | TableSpec, *, axes: MutableMapping[str, AxisValues] | None = None
) -> Table:
    """One table as the image holds it.

    Args:
        image: the bytes.
        definition: what reads them.
        table: its name or an alias, or the specification itself.
        axes: shared axes already decoded from this image, by name; filled as they are met, so that many tables on
            one axis decode it once.

    Raises:
        TableError: there is no such table, or a byte of it is not in the image.
    """
    spec = find(definition, table)
    where = place_table(image, spec)
    cells = where.cells
    raw = _unmasked(words(image, cells, f"table '{spec.name}'"), cells)
    simple = spec.kind == "text" or (isinstance(spec.scaling.conversion, Linear) and cells.type.kind != "f")
    physical = None if simple else to_physical(spec.scaling, raw, cells.type)
    return Table(
        spec=spec,
        raw=raw,
        axes=tuple(_axis(image, axis, place, axes) for axis, place in zip(spec.axes, where.axes, strict=True)),
        at=cells.at,
        strides=cells.strides,
        problems=tuple(_problems(spec, raw, cells, physical, definition.frame.erased)),
        erased=definition.frame.erased,
        physical=physical,
    )


def find(definition: Definition, table: str | TableSpec) -> TableSpec:
    """The table of that name or alias. Raises TableError with the nearest names where there is none."""
    if isinstance(table, TableSpec):
        return table
    spec = definition.find_table(table)
    if spec is None:
        from difflib import get_close_matches  # noqa: PLC0415 - only a mistake needs it

        near = get_close_matches(table, definition.tables, n=3)
        raise TableError(
            f"definition {definition.name} has no table '{table}'",
            hint=f"did you mean {' or '.join(near)}?" if near else None,
        )
    return spec


def decode_axis(image: Image, axis: Axis) -> AxisValues:
    """An axis as the image holds it (a fixed one as the definition has it).

    Raises:
        TableError: a byte of it is not in the image.
    """
    place = place_axis(image, axis, f"axis '{axis.name}'") if isinstance(axis, StoredAxis) else None
    return _axis(image, axis, place, None)


def _axis(image: Image, axis: Axis, place: Place | None, known: MutableMapping[str, AxisValues] | None) -> AxisValues:
    """The axis at its place, from ``known`` where it is a shared one that was met before."""
    if known is None or not axis.shared:
        return _fixed(axis) if isinstance(axis, FixedAxis) else _stored(image, axis, place)
    if axis.name not in known:
        known[axis.name] = _axis(image, axis, place, None)
    return known[axis.name]


def _fixed(axis: FixedAxis) -> AxisValues:
    physical = np.array([float(p) for p in axis.points], dtype=np.float64)
    physical.setflags(write=False)
    return AxisValues(spec=axis, raw=None, physical=physical, addresses=None)


def _stored(image: Image, axis: StoredAxis, place: Place | None) -> AxisValues:
    place = place or Place(cells=axis.cells)
    cells = place.cells
    raw = _unmasked(words(image, cells, f"axis '{axis.name}'"), cells)
    physical = to_physical(axis.scaling, raw, cells.type)
    where = addresses(cells.at, cells.shape, cells.strides)
    where.setflags(write=False)
    problems = [
        *_count_problem(axis, place),
        *_number_problems(axis.scaling, axis.scaling.limits, raw, cells, physical),
    ]
    if not (_rises(raw) or _rises(physical)):
        step = int(np.flatnonzero(~(physical[1:] > physical[:-1]))[0]) + 1
        text = f"the axis does not rise strictly: breakpoint {step} is not above breakpoint {step - 1}"
        problems.append(Problem(kind="axis-not-rising", text=text, address=int(where[step])))
    return AxisValues(
        spec=axis,
        raw=raw,
        physical=physical,
        addresses=where,
        count=place.count,
        count_at=place.count_at,
        problems=tuple(problems),
    )


def _unmasked(stored: Raw, cells: Cells) -> Raw:
    """Raw values out of stored words: the masked bits, shifted down, the highest one the sign of an ``i`` type."""
    if cells.mask is None:
        return stored
    shift, width = fields_of(cells.mask)
    value: Raw = stored.astype(stored.dtype.newbyteorder("=")).reshape(-1)  # never a scalar, whose wrapping warns
    value = (value & cells.mask) >> shift
    if cells.type.kind == "i":
        sign = 1 << (width - 1)
        value = ((value ^ sign) - sign).view(f"i{cells.type.size}")
    value = value.reshape(stored.shape)
    value.setflags(write=False)
    return value


# ---------------------------------------------------------------------------------------------------------- problems


def _rises(values: Raw) -> bool:
    return bool((values[1:] > values[:-1]).all())


def _count_problem(axis: StoredAxis, place: Place) -> Iterator[Problem]:
    room = axis.cells.shape[0]
    if place.count is not None and not 0 <= place.count <= room:
        text = f"the stored count of the axis is {place.count}, with room for {room}"
        yield Problem(kind="count-beyond-room", text=text, address=place.count_at)


def _problems(spec: TableSpec, raw: Raw, cells: Cells, physical: Floats | None, erased: int) -> Iterator[Problem]:
    if spec.kind != "text":
        yield from _number_problems(spec.scaling, spec.effective_limits, raw, cells, physical)
        return
    data = trimmed(raw.tobytes(), erased)
    at = strange(data, spec.encoding)
    if at is not None:
        text = f"byte 0x{data[at]:02X} is no printable {spec.encoding} character"
        yield Problem(kind="not-text", text=text, address=_address(cells, (at,)))


def _number_problems(
    scaling: Scaling, limits: Limits | None, raw: Raw, cells: Cells, physical: Floats | None
) -> Iterator[Problem]:
    """Cells that have no physical value, then cells beyond the limits; ``physical`` may lack where all are numbers."""
    if physical is not None:
        yield from _some(~np.isfinite(physical), "not-a-number", "no number", cells)
    outside = beyond(scaling, limits, raw, cells.type, physical)
    if outside is not None and limits is not None:
        bounds = with_unit(f"{shown_number(limits.low)} to {shown_number(limits.high)}", scaling.unit)
        yield from _some(outside, "beyond-limits", f"beyond the limits of {bounds}", cells)


def _some(
    where: npt.NDArray[np.bool_], kind: Literal["not-a-number", "beyond-limits"], what: str, cells: Cells
) -> Iterator[Problem]:
    """One problem for all cells that share it, at the address of the first."""
    where = np.asarray(where)
    if not where.any():
        return
    count = int(np.count_nonzero(where))
    first = tuple(int(i) for i in np.argwhere(where)[0])
    text = f"1 cell is {what}" if count == 1 else f"{count} cells are {what}"
    yield Problem(
        kind=kind, text=f"{text}, the first at index {list(first)}" if first else text, address=_address(cells, first)
    )


def _address(cells: Cells, index: tuple[int, ...]) -> int:
    return cells.at + sum(i * stride for i, stride in zip(index, cells.strides, strict=True))
