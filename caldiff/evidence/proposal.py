"""Corrections as arithmetic: of tables that multiply what a ratio is measured of, by what factor each cell is off.

Of every sample, measured/target is the factor that the table lacks where the engine ran. A cell gets the mean over its
samples, weighted by time and by the share that interpolation gave the cell: the least-squares fit of each cell for
itself. Repeated, the rounds approach the least-squares solution for all cells together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypeVar

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.model import Bits, Correction, Names, TableSpec
from caldiff.errors import TableError, UsageError
from caldiff.evidence.coverage import quantities_of
from caldiff.evidence.covered import LeftOut
from caldiff.evidence.locate import Grid, Locator
from caldiff.evidence.proposed import Proposal, Restraint, TableProposal
from caldiff.evidence.spots import AxisKey, Piece, Rows, Spots, key_of, pieces
from caldiff.evidence.stored import stored
from caldiff.table.calibration import Calibration
from caldiff.table.model import Floats, Table
from caldiff.table.scale import to_physical

__all__ = ["CAUTIONS", "propose", "quantities_for"]

CAUTIONS = tuple(
    """\
This is arithmetic on what was logged: a proposal on paper, for somebody who knows the engine. Nothing was written.
Where the controller corrected by itself while the log ran, it has hidden the error: log without, or reckon that in.
A sensor tells of what was burnt a moment ago: without a steady state, a cell's factor is partly its neighbours'.
A leaner or richer engine can be destroyed, and may break the law on the road: small steps, verified on your own bench.
""".splitlines()
)
Number = TypeVar("Number", np.float64, np.intp, np.bool_)


def quantities_for(calibration: Calibration, tables: Iterable[str] | None = None) -> dict[str, str]:
    """The quantities that :func:`propose` needs, with the unit that each is wanted in ('': as the target is)."""
    specs = _correcting(calibration, tables)
    known = quantities_of(calibration)
    names = [spec.name for spec in specs]
    found: dict[str, str] = {}
    for spec in specs:
        correction = _correction(spec)
        target = _target_spec(calibration, correction)
        names += [target.name] if target else []
        unit = target.scaling.unit if target else ""
        found[correction.measured] = found.get(correction.measured) or known.get(correction.measured, unit)
    return {**quantities_of(calibration, names), **found}


def propose(
    samples: Iterable[Rows],
    calibration: Calibration,
    *,
    tables: Iterable[str] | None = None,
    restraint: Restraint = Restraint(),  # noqa: B008 - frozen
) -> Proposal:
    """Reckon corrections.

    Args:
        samples: in order of time, in the units that :func:`quantities_for` wants. Read once.
        calibration: what ran while they were taken.
        tables: names of tables that say what they correct; all such by default.
        restraint: what holds the proposal back.

    Raises:
        UsageError: a table does not say what it corrects, or none does; a restraint that makes no sense.
        TableError: a table that was asked for is not there.
    """
    _check(restraint)
    ways: list[_Way] = []
    left: list[LeftOut] = []
    for spec in _correcting(calibration, tables):
        try:
            ways.append(_Way.of(calibration, spec))
        except TableError as error:
            left.append(LeftOut(name=spec.name, reason=error.reason))
    spots = Spots({key: points for way in ways for key, points in way.axes})
    sums = [_Sums(way, restraint) for way in ways]
    for piece in pieces(samples):
        spots.move(piece)
        for each in sums:
            each.add(piece, spots)
    found = [each.proposal() for each in sums if each.total]
    left += [LeftOut(name=each.way.table.name, reason=each.reason) for each in sums if not each.total]
    return Proposal(
        label=calibration.label,
        restraint=restraint,
        tables=tuple(found),
        left_out=tuple(left),
        cautions=(*CAUTIONS, *_rivals(found)),
    )


def _check(restraint: Restraint) -> None:
    low, high = restraint.credible
    if not 0 < restraint.bound < 1:
        raise UsageError("the bound of a correction is a share between 0 and 1", got=f"{restraint.bound:g}")
    if not (0 <= restraint.thin < np.inf and 0 <= restraint.least < np.inf):
        raise UsageError("seconds of evidence are a number from 0")
    if not 0 < low < 1 < high < np.inf:
        raise UsageError("credible ratios lie around 1", got=f"{low:g} to {high:g}")


def _rivals(found: Sequence[TableProposal]) -> list[str]:
    """Tables that answer for the same ratio: each proposal alone takes up the whole of the error."""
    out = []
    for quantity in dict.fromkeys(t.correction.measured for t in found):
        names = [t.name for t in found if t.correction.measured == quantity]
        if len(names) > 1:
            out.append(f"{' and '.join(names)} all correct {quantity}: each takes up the whole error, so use one only.")
    return out


def _correcting(calibration: Calibration, tables: Iterable[str] | None) -> list[TableSpec]:
    definition = calibration.definition
    if definition is None:
        raise UsageError("no definition fits this image, so no table says what it corrects", file=calibration.label)
    if tables is None:
        found = [spec for spec in definition.tables.values() if spec.corrects]
        if not found:
            reason = f"no table of definition {definition.name} says what it corrects"
            raise UsageError(reason, hint="'corrects' of a table, see the definition format")
        return found
    specs = []
    for name in dict.fromkeys(tables):
        spec = definition.find_table(name)
        if spec is None:
            raise TableError(f"there is no table '{name}'", file=calibration.label)
        if spec.corrects is None:
            known = ", ".join(s.name for s in definition.tables.values() if s.corrects) or "none"
            raise UsageError(f"the definition does not say what '{name}' corrects", hint=f"tables that do: {known}")
        specs.append(spec)
    return specs


def _correction(spec: TableSpec) -> Correction:
    if spec.corrects is None:
        raise UsageError(f"the definition does not say what '{spec.name}' corrects")
    return spec.corrects


def _target_spec(calibration: Calibration, correction: Correction) -> TableSpec | None:
    """The specification of the target table; None where the target is a number, or the table is missing."""
    if not isinstance(correction.target, str) or calibration.definition is None:
        return None
    return calibration.definition.find_table(correction.target)


# -------------------------------------------------------------------------------------------------------- one table


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Way:
    """How one table is corrected: its grid, and where the target is taken from."""

    table: Table
    correction: Correction
    target: Table | float

    @classmethod
    def of(cls, calibration: Calibration, spec: TableSpec) -> _Way:
        """Of a table that says what it corrects. Raises TableError with why it cannot be used."""
        correction = _correction(spec)
        units = quantities_of(calibration)
        table = _on_axes(calibration, spec.name, units)
        if isinstance(correction.target, str):
            target = _on_axes(calibration, correction.target, units)
            return cls(table=table, correction=correction, target=target)
        return cls(table=table, correction=correction, target=float(correction.target))

    @property
    def keys(self) -> tuple[AxisKey, ...]:
        return tuple(map(key_of, self.table.axes))

    @property
    def target_keys(self) -> tuple[AxisKey, ...]:
        return tuple(map(key_of, self.target.axes)) if isinstance(self.target, Table) else ()

    @property
    def axes(self) -> list[tuple[AxisKey, Floats]]:
        every = [*self.table.axes, *(self.target.axes if isinstance(self.target, Table) else ())]
        return [(key_of(axis), axis.physical) for axis in every]

    @property
    def quantities(self) -> list[str]:
        return list(dict.fromkeys([self.correction.measured, *(key[0] for key, _ in self.axes)]))


def _on_axes(calibration: Calibration, name: str, units: dict[str, str]) -> Table:
    """A numeric table whose axes samples can be located on. Raises TableError with why it is none."""
    table = calibration[name]
    if isinstance(table.spec.scaling.conversion, Names | Bits) or not table.axes:
        raise TableError(f"{name} is no curve, map or cuboid of numbers")
    for axis in table.axes:
        if not axis.spec.quantity:
            raise TableError(f"the definition does not say what its axis {axis.name} stands for")
        if axis.unit != units[axis.spec.quantity]:
            raise TableError(f"its axis {axis.name} has another unit than other axes of {axis.spec.quantity}")
        if not Locator.takes(axis.physical):
            raise TableError(f"its axis {axis.name} does not rise strictly")
    return table


class _Sums:
    """What is summed over the cells of one table."""

    def __init__(self, way: _Way, restraint: Restraint) -> None:
        self.way, self._restraint = way, restraint
        self._grid = Grid(way.table.shape)
        self._target = Grid(way.target.shape) if isinstance(way.target, Table) else None
        cells = self._grid.cells
        self._seconds, self._off, self._squares = np.zeros(cells), np.zeros(cells), np.zeros(cells)
        self._samples = np.zeros(cells, np.intp)
        self.total = self.incredible = 0.0
        self._seen: set[str] = set()

    def add(self, piece: Piece, spots: Spots) -> None:
        """Take in a piece, if it has the channels."""
        quantities = self.way.quantities
        self._seen.update(quantity for quantity in quantities if quantity in piece.values)
        if any(quantity not in piece.values for quantity in quantities):
            return
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = piece.values[self.way.correction.measured] / self._wanted(spots)
        known = np.isfinite(ratio)
        for quantity in quantities:
            if (mask := piece.known[quantity]) is not None:
                known &= mask
        low, high = self._restraint.credible
        with np.errstate(invalid="ignore"):
            credible = known & (ratio >= low) & (ratio <= high)
        self.incredible += float(piece.seconds[known & ~credible].sum())
        at = np.flatnonzero(credible)
        places = [spots[key].at(at) for key in self.way.keys]
        seconds, off = piece.seconds[at], ratio[at] - 1.0
        self.total += float(seconds.sum())
        self._seconds += self._grid.shared(places, seconds)
        self._off += self._grid.shared(places, seconds * off)
        self._squares += self._grid.shared(places, seconds * off * off)
        self._samples += self._grid.touched(places)

    def _wanted(self, spots: Spots) -> Floats | float:
        """The target at each sample."""
        if self._target is None or not isinstance(self.way.target, Table):
            return self.way.target if isinstance(self.way.target, float) else float("nan")
        places = [spots[key] for key in self.way.target_keys]
        return self._target.interpolated(places, self.way.target.physical)

    @property
    def reason(self) -> str:
        """Why there is nothing to propose from."""
        missing = [quantity for quantity in self.way.quantities if quantity not in self._seen]
        if missing:
            return f"no channel for {' and '.join(missing)}"
        return "no sample has a credible ratio" if self.incredible else "no sample has all that it takes"

    def proposal(self) -> TableProposal:
        """What comes of it."""
        table, hold = self.way.table, self._restraint
        with np.errstate(divide="ignore", invalid="ignore"):
            off = self._off / self._seconds
            spread = np.sqrt(np.maximum(self._squares / self._seconds - off * off, 0.0))
            trust = self._seconds / (self._seconds + hold.thin)
        wanted = np.where((self._seconds >= hold.least) & (self._seconds > 0), off * trust, 0.0)
        factor = 1.0 + np.clip(wanted, -hold.bound, hold.bound)
        bounded = np.abs(wanted) > hold.bound

        def shaped(array: npt.NDArray[Number]) -> npt.NDArray[Number]:
            out = array.reshape(table.shape)
            out.flags.writeable = False
            return out

        raw, limited = stored(table, self.way.correction, shaped(factor))
        return TableProposal(
            table=table,
            correction=self.way.correction,
            measured=shaped(1.0 + off),
            spread=shaped(spread),
            seconds=shaped(self._seconds),
            samples=shaped(self._samples),
            factor=shaped(factor),
            raw=raw,
            physical=to_physical(table.spec.scaling, raw, table.spec.cells.type),
            bounded=shaped(bounded),
            limited=limited,
            total=self.total,
            incredible=self.incredible,
        )
