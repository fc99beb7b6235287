"""What a comparison says, as frozen values. Arrays are read-only; addresses and counts are Python integers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Literal, get_args, overload

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.model import IdentityField, Role
from caldiff.table.calibration import Calibration
from caldiff.table.model import AxisValues, Floats, Table
from caldiff.value import Shown, Value

if TYPE_CHECKING:  # a comparison without checksums need not load them
    from caldiff.checksum.state import State

__all__ = [
    "AxisDiff",
    "ChecksumDiff",
    "Comparison",
    "Extent",
    "Extents",
    "Fates",
    "FieldDiff",
    "Otherness",
    "Series",
    "Statistics",
    "Surface",
    "TableDiff",
]

Presence = Literal["both", "before", "after"]
TableState = Literal["changed", "axis", "added", "removed", "resized", "redefined", "unreadable"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Extent(Value):
    """A run of differing addresses, ``[start, stop)``; every byte of it differs, all in one region and presence.

    ``presence`` is ``both`` where the two images hold the bytes, else the only one that does.
    """

    start: int
    stop: int
    region: str = ""
    role: Role | None = None
    presence: Presence = "both"

    @property
    def size(self) -> int:
        """Bytes."""
        return self.stop - self.start


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Extents(Sequence[Extent]):
    """Extents in order of address, kept as arrays: two images that differ everywhere have millions of them.

    Attributes:
        starts, stops: addresses, shape ``(n,)``.
        kinds: index into ``places`` of every extent, shape ``(n,)``.
        places: region, role and presence, once each.
    """

    starts: npt.NDArray[np.int64]
    stops: npt.NDArray[np.int64]
    kinds: npt.NDArray[np.int32]
    places: tuple[tuple[str, Role | None, Presence], ...]

    @property
    def bytes(self) -> int:
        """Bytes in all extents together."""
        return int((self.stops - self.starts).sum())

    def __len__(self) -> int:
        return self.starts.size

    @overload
    def __getitem__(self, index: int) -> Extent: ...
    @overload
    def __getitem__(self, index: slice) -> Extents: ...
    def __getitem__(self, index: int | slice) -> Extent | Extents:
        if isinstance(index, slice):
            return Extents(
                starts=self.starts[index], stops=self.stops[index], kinds=self.kinds[index], places=self.places
            )
        region, role, presence = self.places[self.kinds[index]]
        start, stop = int(self.starts[index]), int(self.stops[index])
        return Extent(start=start, stop=stop, region=region, role=role, presence=presence)

    def __iter__(self) -> Iterator[Extent]:
        return (self[n] for n in range(len(self)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence):
            return NotImplemented
        return len(self) == len(other) and all(ours == theirs for ours, theirs in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]  # compared by content, like a list

    def __repr__(self) -> str:
        return f"<Extents: {len(self)}, {self.bytes} bytes>"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Fates(Value):
    """How many differing bytes met which fate; the sum is the number of differing bytes."""

    cell: int = 0
    checksum: int = 0
    identity: int = 0
    volatile: int = 0
    unexplained: int = 0

    @property
    def total(self) -> int:
        """All differing bytes."""
        return self.cell + self.checksum + self.identity + self.volatile + self.unexplained


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Statistics(Value):
    """Numbers over the changed cells of one table, in physical units.

    ``percent`` figures are relative to the size of the value before, so that their sign is that of the change, and
    leave out cells that were 0; None where none is left. Differences that are not finite are left out of all figures.
    """

    cells: int
    changed: int
    raised: int
    lowered: int
    least: float
    """the lowest difference, after minus before"""
    greatest: float
    mean: float
    least_percent: float | None
    greatest_percent: float | None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Surface(Shown):
    """Both surfaces at the same operating points: over the union of the breakpoints of each axis.

    Attributes:
        points: the union of breakpoints, one array per dimension, in array order.
        before, after: interpolated values, shape ``tuple(len(p) for p in points)``.
        tolerance: half a raw step of the table's scaling, before plus after: less than that is rounding. Where a step
            is not the same everywhere (a scaling that is not linear, floats), that of the point ``at``.
        changed: a difference that reaches the tolerance exists.
        largest: the largest absolute difference, among those that reach their tolerance where there are any; ``at`` its
            operating point, in array order.
    """

    points: tuple[Floats, ...]
    before: Floats
    after: Floats
    tolerance: float
    changed: bool
    largest: float
    at: tuple[float, ...]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class TableDiff(Shown):
    """What happened to one table.

    Attributes:
        name: in the second image's definition, or in the first's where the second has none.
        state: ``changed`` cells; ``axis`` only an axis moved; ``added``/``removed`` between definitions or in what the
            image holds; ``resized`` other number of cells; ``redefined`` same raw values, other meaning;
            ``unreadable`` in one of the images.
        before, after: decoded, None where there is none.
        changed: True per cell with another raw value (or, between definitions, another physical one); shape of the
            table; None where cells cannot be matched one to one.
        moved: names of the axes that moved.
        surface: set where an axis moved and both sides are numeric curves, maps or cuboids.
        reason: for ``unreadable``, ``resized`` and ``redefined``, in words.
    """

    name: str
    state: TableState
    before: Table | None
    after: Table | None
    changed: npt.NDArray[np.bool_] | None = None
    moved: tuple[str, ...] = ()
    surface: Surface | None = None
    _statistics: Statistics | None = attrs.field(default=None, alias="statistics")
    reason: str = ""

    @cached_property
    def statistics(self) -> Statistics | None:
        """Numbers over the changed cells; None where differences mean nothing or none is finite.

        Worked out when first asked for, unless given: who records or judges has no use for them.
        """
        if self._statistics is not None or self.changed is None or self.before is None or self.after is None:
            return self._statistics
        from caldiff.diff.cells import statistics  # noqa: PLC0415 - imports this module

        return statistics(self.before, self.after, self.changed)

    @property
    def cells(self) -> int:
        """The number of changed cells."""
        return 0 if self.changed is None else int(np.count_nonzero(self.changed))

    def __repr__(self) -> str:
        size = f", {self.cells} of {self.changed.size} cells" if self.changed is not None else ""
        return f"<TableDiff {self.name}: {self.state}{size}>"

    @property
    def window(self) -> tuple[slice, ...] | None:
        """The smallest box of the grid that holds every changed cell; None where there is none."""
        if self.changed is None or not self.changed.any():
            return None
        spans = [
            np.flatnonzero(self.changed.any(axis=tuple(o for o in range(self.changed.ndim) if o != d)))
            for d in range(self.changed.ndim)
        ]
        return tuple(slice(int(s[0]), int(s[-1]) + 1) for s in spans)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class AxisDiff(Shown):
    """An axis with another breakpoint or another count, reported once.

    ``changed`` is True per breakpoint, over the longer of the two; ``tables`` all that hang on it, by name.
    """

    name: str
    before: AxisValues
    after: AxisValues
    changed: npt.NDArray[np.bool_]
    tables: tuple[str, ...]


Otherness = Literal["vehicle", "controller", "software", "other", "unknown", "bytes"]
"""How identities differ: another vehicle (VIN), another controller (hardware number), another software, anything else;
one of the images does not say; or the same value in other bytes."""
_OTHERNESS: Mapping[str, Otherness] = {
    "vin": "vehicle",
    "hardware-number": "controller",
    "software-version": "software",
    "calibration-id": "software",
    "cvn": "software",
}


@attrs.frozen(kw_only=True, eq=False, repr=False)
class FieldDiff(Value):
    """An identity field that reads differently, or was stored in other bytes; None where an image does not hold it.

    ``field`` is as the second image's definition has it, if that has it; it is personal if it is in either.
    """

    field: IdentityField
    before: str | None = attrs.field(repr=False)
    after: str | None = attrs.field(repr=False)

    @property
    def kind(self) -> Otherness:
        """What another value here means."""
        if self.before is None or self.after is None:
            return "unknown"
        return "bytes" if self.before == self.after else _OTHERNESS.get(self.field.means, "other")


@attrs.frozen(kw_only=True, eq=False, repr=False)
class ChecksumDiff(Shown):
    """A checksum before and after.

    Attributes:
        before, after: its state, None where a side's definition has none of that name.
        content: what it covers differs, its own fields aside; None where that cannot be told.
        stored: a stored value differs; None where one cannot be read.
    """

    name: str
    before: State | None
    after: State | None
    content: bool | None
    stored: bool | None

    @property
    def forgotten(self) -> bool:
        """Content and checksum did not change together, and it does not hold: somebody missed something."""
        return (
            self.after is not None
            and self.after.status != "valid"
            and None not in {self.content, self.stored}
            and self.content != self.stored
        )


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Comparison(Shown):
    """All that differs between two images.

    Attributes:
        identical: the same bytes at the same addresses.
        across: the sides are read by different definitions, tables compared by name.
        fates: of every differing byte.
        extents: every differing run, in order of address (an :class:`Extents` where ``compare`` made it).
        unexplained: the runs whose bytes no fate but the last one has.
        tables, axes: by name. identity: in the definition's order.
        checksums: by name, those of both definitions of which there is something to say: what is covered or stored
            differs, or a side is not valid.
        notes: what people should know about how this was compared, in words.
    """

    before: Calibration
    after: Calibration
    identical: bool
    across: bool
    fates: Fates
    extents: Sequence[Extent] = ()
    unexplained: Sequence[Extent] = ()
    tables: tuple[TableDiff, ...] = ()
    axes: tuple[AxisDiff, ...] = ()
    identity: tuple[FieldDiff, ...] = ()
    checksums: tuple[ChecksumDiff, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def otherness(self) -> tuple[Otherness, ...]:
        """How the identities differ, the gravest first."""
        kinds = {diff.kind for diff in self.identity}
        return tuple(kind for kind in get_args(Otherness) if kind in kinds)

    @property
    def only_volatile(self) -> bool:
        """No byte differs outside of volatile regions; decoded cells that lie in one count as volatile here."""
        return all(extent.role == "volatile" for extent in self.extents)

    @property
    def warning(self) -> str:
        """In words that it is another vehicle, controller or software; empty where it is not."""
        return "".join(f"another {kind}, " for kind in self.otherness if kind in {"vehicle", "controller", "software"})

    def __repr__(self) -> str:
        if self.identical:
            return f"<Comparison of {self.before.label!r} and {self.after.label!r}: identical>"
        return (
            f"<Comparison of {self.before.label!r} and {self.after.label!r}: {self.warning}{len(self.tables)} tables, "
            f"{len(self.axes)} axes, {self.fates.total} bytes, {self.fates.unexplained} unexplained>"
        )

    def _repr_html_(self) -> str:
        from caldiff.diff.notebook import comparison_html  # noqa: PLC0415 - only notebooks ask

        return comparison_html(self)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Series(Shown):
    """Three and more images in order.

    Attributes:
        against_first: image 1, 2, … each against image 0; against_previous: each against the one before.
        origins: for every table that changed anywhere and keeps its shape, the index of the image that set the present
            value of each cell (0: unchanged since the first), integers of the table's shape.
    """

    sides: tuple[Calibration, ...]
    against_first: tuple[Comparison, ...]
    against_previous: tuple[Comparison, ...]
    origins: Mapping[str, npt.NDArray[np.intp]]

    def __repr__(self) -> str:
        labels = ", ".join(repr(side.label) for side in self.sides)
        return f"<Series of {labels}: {len(self.origins)} tables changed on the way>"
