"""Back into the image: physical or raw values to bytes, touching no bit that is not the table's own.

Physical values are held to type, mask and limits, and a cell that keeps its physical value keeps its bits, so that
what was odd before (out of limits, not a number) does not stand in the way of a change elsewhere. Raw values are
written as they are, for whoever replays what was seen in another image: only type and mask bind them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition import scaling as rules
from caldiff.definition.definition import Definition
from caldiff.definition.model import Cells, FixedAxis, Limits, Scaling, StoredAxis, TableSpec
from caldiff.definition.number import Physical, exact, shown_number
from caldiff.errors import EncodeError, UsageError
from caldiff.image.model import Image
from caldiff.table.decode import decode, decode_axis, find
from caldiff.table.layout import fields_of, gaps_of
from caldiff.table.model import AxisValues, Raw, Table
from caldiff.table.scale import as_double, beyond, to_raw
from caldiff.table.text import with_unit

__all__ = ["encode", "write_axis", "write_table"]

Index = tuple[int, ...]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Grid:
    """What a run of cells means and how to name one of them."""

    what: str
    cells: Cells
    scaling: Scaling
    limits: Limits | None
    axes: tuple[AxisValues, ...] = ()
    addresses: npt.NDArray[np.int64] | None = None

    def named(self, index: Index, error: EncodeError) -> EncodeError:
        """The error with the table, the cell and its operating point in front."""
        cell = f" cell {list(index)}" if index else ""
        points = [
            f"{_quantity(axis)} {with_unit(axis.shown(i), axis.unit)}"
            for axis, i in zip(self.axes, index, strict=False)
        ]
        point = f" at {', '.join(reversed(points))}" if points else ""
        return EncodeError(
            f"{self.what}{cell}{point}: {error.reason}",
            address=None if self.addresses is None else int(self.addresses[index]),
            expected=error.expected,
            got=error.got,
            hint=error.hint,
        )

    def encoded(self, physical: npt.ArrayLike, where: npt.NDArray[np.bool_], raw: Raw) -> None:
        """Put the encoded values into ``raw`` where ``where`` says; both have the shape of ``physical``."""
        indices = np.argwhere(where)
        if not len(indices):
            return
        given = np.asarray(physical)[where]

        def named(place: Index, error: EncodeError) -> EncodeError:
            return self.named(tuple(indices[place[0]].tolist()), error)

        found = to_raw(self.scaling, given, self.cells.type, mask=self.cells.mask, named=named)
        self._check_limits(given, found, named)
        raw[where] = found

    def _check_limits(self, given: npt.NDArray[Any], found: Raw, named: Any) -> None:
        """Both what was asked for and what would be stored keep the limits."""
        if self.limits is None:
            return
        low, high = as_double(self.limits.low), as_double(self.limits.high)
        asked = np.array([_number(v) for v in given.tolist()])
        unit = self.scaling.unit
        expected = with_unit(f"{shown_number(self.limits.low)} to {shown_number(self.limits.high)}", unit)
        outside = (asked < low) | (asked > high)
        if outside.any():
            place = int(np.flatnonzero(outside)[0])
            got = with_unit(str(given[place]), unit)
            raise named((place,), EncodeError("the value is beyond the limits", expected=expected, got=got))
        stored = beyond(self.scaling, self.limits, found, self.cells.type)
        if stored is not None:
            place = int(np.flatnonzero(stored)[0])
            held = rules.shown(self.scaling, found[place].item())
            got = f"{with_unit(str(given[place]), unit)}, stored as {with_unit(held, unit)}"
            reason = "the nearest value that can be stored is beyond the limits"
            raise named((place,), EncodeError(reason, expected=expected, got=got))


def _quantity(axis: AxisValues) -> str:
    return axis.spec.quantity or axis.name.rpartition(".")[2]


def _number(value: Any) -> float:
    """A given value as a double for comparison with limits; names, which have none, as NaN."""
    try:
        return as_double(exact(value))
    except EncodeError:
        return float("nan")


def _grid(spec: TableSpec) -> _Grid:
    return _Grid(what=f"table '{spec.name}'", cells=spec.cells, scaling=spec.scaling, limits=spec.effective_limits)


def encode(spec: TableSpec, physical: npt.ArrayLike) -> Raw:
    """The raw values that mean these physical ones: the nearest raw value each, in the machine's byte order.

    Args:
        spec: the table; not of kind text.
        physical: any shape; floats, integers, fractions or decimals.

    Raises:
        EncodeError: a value that the type or mask cannot hold, or that is beyond the limits; the cell is named.
    """
    given = np.asarray(physical)
    raw = np.zeros(given.shape, dtype=f"{spec.cells.type.kind}{spec.cells.type.size}")
    _grid(spec).encoded(given, np.ones(given.shape, dtype=np.bool_), raw)
    return raw


# ------------------------------------------------------------------------------------------------------------ writing


def write_table(  # noqa: PLR0913 - one keyword a way of giving values
    image: Image,
    definition: Definition,
    table: str | TableSpec,
    *,
    physical: npt.ArrayLike | str | None = None,
    raw: npt.ArrayLike | None = None,
    cells: Mapping[Index, Physical] | None = None,
) -> Image:
    """A new image with other values in one table. Exactly one of the three says which.

    Args:
        image: the bytes.
        definition: what reads them.
        table: its name or an alias, or the specification itself.
        physical: all values, in the shape of the decoded table; for a text table the text, which is padded as before.
        raw: all raw values as they are: type and mask bind them, limits do not.
        cells: physical values by index, ``()`` for a single value; names where the scaling has names.

    Raises:
        EncodeError: a value that cannot be stored, or is beyond the limits; table, cell and operating point are named.
        TableError: there is no such table, or a byte of it is not in the image.
        UsageError: not exactly one kind of value, or another shape.
    """
    now = decode(image, definition, find(definition, table))
    grid = attrs.evolve(_grid(now.spec), axes=now.axes, addresses=now.addresses)
    if sum(given is not None for given in (physical, raw, cells)) != 1:
        raise UsageError(f"{grid.what}: give one of physical, raw and cells")
    wanted = now.raw.astype(now.raw.dtype.newbyteorder("="))
    if cells is not None:
        _set_cells(grid, wanted, cells)
    elif raw is not None:
        wanted = _as_given(grid, np.asarray(raw), wanted)
    elif now.spec.kind == "text":
        wanted = _text(now, physical)
    else:
        _set_physical(grid, wanted, physical, now.physical)
    after = _written(image, grid, now.addresses, now.raw, wanted)
    _check_written(grid, wanted, decode(after, definition, now.spec).raw)
    return after


def write_axis(
    image: Image,
    definition: Definition,
    axis: str | StoredAxis | FixedAxis,
    *,
    physical: npt.ArrayLike | None = None,
    raw: npt.ArrayLike | None = None,
) -> Image:
    """A new image with other breakpoints in one stored axis; exactly one of the two says which.

    Args:
        image: the bytes.
        definition: what reads them.
        axis: a shared axis or its name, or the name of a table's own (``table.x``).
        physical: all breakpoints in use; they must rise strictly, in raw or in physical values. Where a count is
            stored, any number up to the room: the count is written too, and the tables on the axis change their shape
            (and in a record that follows the count, their place: write their values afterwards).
        raw: all raw breakpoints as they are: type and mask bind them, nothing else does.

    Raises:
        EncodeError: a breakpoint that cannot be stored, is beyond the limits or does not rise.
        TableError: a byte of the axis is not in the image.
        UsageError: a fixed axis, an unknown name, not exactly one kind of value, or another count.
    """
    now = _found_axis(image, definition, axis)
    if isinstance(now.spec, FixedAxis) or now.raw is None or now.addresses is None:
        raise UsageError(f"axis '{now.name}' is fixed by the definition, so no image stores it")
    if (physical is None) == (raw is None):
        raise UsageError(f"axis '{now.name}': give one of physical and raw")
    grid = _axis_grid(now.spec, now.addresses)
    count = np.asarray(raw if physical is None else physical).size
    if now.spec.count is not None and count != len(now) and count <= now.spec.cells.shape[0]:
        return write_axis(_counted(image, now, count), definition, axis, physical=physical, raw=raw)
    wanted = now.raw.astype(now.raw.dtype.newbyteorder("="))
    if raw is not None:
        wanted = _as_given(grid, np.asarray(raw), wanted)
    else:
        _set_physical(grid, wanted, physical, now.physical)
    after = _written(image, grid, now.addresses, now.raw, wanted)
    found = _found_axis(after, definition, axis)
    _check_written(grid, wanted, found.raw)
    if physical is not None and after is not image:
        _check_rising(found)
    return after


def _axis_grid(spec: StoredAxis, where: npt.NDArray[np.int64]) -> _Grid:
    limits = spec.scaling.limits
    return _Grid(what=f"axis '{spec.name}'", cells=spec.cells, scaling=spec.scaling, limits=limits, addresses=where)


def _check_rising(axis: AxisValues) -> None:
    for problem in axis.problems:
        if problem.kind == "axis-not-rising":
            raise EncodeError(f"axis '{axis.name}': {problem.text}", address=problem.address)


def _counted(image: Image, axis: AxisValues, count: int) -> Image:
    """The image with another stored count; what stands in the breakpoints is not looked at."""
    if not isinstance(axis.spec, StoredAxis) or axis.spec.count is None or axis.count_at is None:
        raise UsageError(f"axis '{axis.name}' has no stored count")
    kind = axis.spec.count.type
    if count > kind.highest:
        raise EncodeError(f"axis '{axis.name}': its count cannot be stored", expected=kind.name, got=str(count))
    return image.patched({axis.count_at: count.to_bytes(kind.size, axis.spec.count.byte_order)})


def _found_axis(image: Image, definition: Definition, axis: str | StoredAxis | FixedAxis) -> AxisValues:
    """The axis decoded; a table's own through its table, which knows where it is."""
    if not isinstance(axis, str) and axis.shared:
        return decode_axis(image, axis)
    name = axis if isinstance(axis, str) else axis.name
    if name in definition.axes:
        return decode_axis(image, definition.axes[name])
    spec = definition.tables.get(name.rpartition(".")[0])
    found = [a for a in decode(image, definition, spec).axes if a.name == name] if spec else []
    if not found:
        raise UsageError(f"definition {definition.name} has no axis '{name}'")
    return found[0]


def _shaped(grid: _Grid, given: npt.NDArray[Any], shape: Index) -> None:
    if given.shape != shape:
        raise UsageError(f"{grid.what}: the values have another shape", expected=str(shape), got=str(given.shape))


def _set_cells(grid: _Grid, wanted: Raw, cells: Mapping[Index, Physical]) -> None:
    """Encode single cells into ``wanted``."""
    for index, value in cells.items():
        if len(index) != wanted.ndim or not all(0 <= i < n for i, n in zip(index, wanted.shape, strict=True)):
            raise UsageError(f"{grid.what} has no cell {list(index)}", expected=f"within shape {wanted.shape}")
        where = np.zeros(wanted.shape, dtype=np.bool_)
        where[index] = True
        given = np.empty(wanted.shape, dtype=object)
        given[index] = value.item() if isinstance(value, np.generic) else value
        grid.encoded(given, where, wanted)


def _set_physical(grid: _Grid, wanted: Raw, physical: npt.ArrayLike | None, now: npt.NDArray[np.float64]) -> None:
    """Encode the cells whose physical value is another one into ``wanted``."""
    given = np.asarray(physical)
    _shaped(grid, given, wanted.shape)
    other = np.ones(wanted.shape, dtype=np.bool_)
    if given.dtype.kind == "f":
        other = np.asarray((given != now) & ~(np.isnan(given) & np.isnan(now)))
    grid.encoded(given, other, wanted)


def _text(now: Table, physical: npt.ArrayLike | str | None) -> Raw:
    """A text in the table's room, padded as it is now, with NUL where it is full."""
    what, room = f"table '{now.name}'", now.raw.size
    if not isinstance(physical, str):
        raise UsageError(f"{what} holds text: give text, or raw bytes")
    try:
        data = physical.encode(now.spec.encoding)
    except UnicodeEncodeError as error:
        raise EncodeError(
            f"{what} cannot hold this text", expected=f"{now.spec.encoding} characters", got=repr(physical[error.start])
        ) from None
    if len(data) > room:
        raise EncodeError(
            f"{what} has no room for this text", expected=f"at most {room} characters", got=str(len(data))
        )
    last = now.raw.tobytes()[-1:]
    padding = last if last in (b"\x00", b" ", bytes([now.erased])) else b"\x00"
    return np.frombuffer(data.ljust(room, padding), dtype=np.uint8)


def _as_given(grid: _Grid, given: npt.NDArray[Any], like: Raw) -> Raw:
    """Raw values as the table's type holds them, bit for bit where the type is the same already."""
    _shaped(grid, given, like.shape)
    if grid.cells.type.kind == "f":
        with np.errstate(all="ignore"):
            held = given.astype(like.dtype)
        same = (held == given) | (np.isnan(held) & np.isnan(given.astype(np.float64)))
        _refuse(grid, given, ~np.asarray(same))
        return held
    low, high = rules.raw_range(grid.cells.type, grid.cells.mask)
    if given.dtype.kind not in "iu" and not all(type(v) is int for v in given.flat):
        raise UsageError(f"{grid.what}: raw values are integers here", got=str(given.dtype))
    _refuse(grid, given, np.asarray((given < low) | (given > high)))
    held = given.astype(like.dtype)
    if gaps := gaps_of(grid.cells.mask):
        _refuse(grid, given, np.asarray(held.view(f"u{held.itemsize}") & gaps) != 0)
    return held


def _refuse(grid: _Grid, given: npt.NDArray[Any], where: npt.NDArray[np.bool_]) -> None:
    if where.any():
        index = tuple(np.argwhere(where)[0].tolist())
        error = EncodeError(
            "the stored type cannot hold this raw value", expected=_held(grid.cells), got=str(given[index])
        )
        raise grid.named(index, error)


def _held(cells: Cells) -> str:
    return cells.type.name if cells.mask is None else f"{cells.type.name} under mask 0x{cells.mask:X}"


# -------------------------------------------------------------------------------------------------------------- bytes


def _written(image: Image, grid: _Grid, where: npt.NDArray[np.int64], before: Raw, after: Raw) -> Image:
    """The image with every cell whose bits differ written anew, the bits of others in the same word kept."""
    cells, size = grid.cells, grid.cells.type.size
    now = before.astype(before.dtype.newbyteorder("=")).reshape(-1).view(f"u{size}")
    then = after.reshape(-1).view(f"u{size}")
    other = np.flatnonzero(now != then)
    if not other.size:
        return image
    places = where.reshape(-1)[other].tolist()
    words = then[other]
    if cells.mask is not None:
        words = _merged(image, cells, cells.mask, places, words)
    stored = words.astype(_word_type(cells)).tobytes()
    return image.patched({at: stored[i * size : (i + 1) * size] for i, at in enumerate(places)})


def _check_written(grid: _Grid, wanted: Raw, found: Raw | None) -> None:
    """What was written is what is read: it is not where cells lie over one another or over their own count."""
    if found is None or found.astype(wanted.dtype).tobytes() != wanted.tobytes():
        raise EncodeError(f"{grid.what}: its cells lie over one another and cannot all hold these values")


def _word_type(cells: Cells) -> np.dtype[Any]:
    """The stored words of the cells as plain unsigned integers."""
    return np.dtype(f"{'>' if cells.byte_order == 'big' else '<'}u{cells.type.size}")


def _merged(image: Image, cells: Cells, mask: int, places: list[int], words: Raw) -> Raw:
    """Masked raw values inside the words that stand there."""
    there = b"".join(image.read(at, cells.type.size) for at in places)
    standing = np.frombuffer(there, _word_type(cells)).astype(words.dtype)
    own = np.array(mask, dtype=words.dtype)
    return np.asarray((standing & ~own) | (words << fields_of(mask)[0] & own))
