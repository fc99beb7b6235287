"""A log, tied -> samples: the values of quantities at every row that counts, and for how long it counts.

Columns at different rates are held forward: a value stands until the next one, but no longer than the gap limit. A row
counts for the time until the next row, and for none if that is longer than the gap limit. The last row counts for none.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction

import attrs
import numpy as np
from numpy.typing import NDArray

from caldiff.evidence.channels import Ties
from caldiff.evidence.conditions import Conditions, Filter
from caldiff.evidence.log import ROWS, Block, Floats, Log
from caldiff.value import Shown, Value

__all__ = ["LeftOut", "Samples", "Sampling", "samples"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Samples(Shown):
    """Rows that count.

    Attributes:
        time: seconds from the start of the log, shape (n,), never falling.
        weight: seconds that each counts for, shape (n,). Where ``time[i] + weight[i] < time[i + 1]``, something between
            them did not count.
        values: by quantity, in the unit of its tie, shape (n,); NaN where the log says nothing within the gap limit.
    """

    time: Floats
    weight: Floats
    values: Mapping[str, Floats]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class LeftOut(Value):
    """Rows that did not meet a condition: how many, and the seconds that they would have counted for."""

    condition: str
    rows: int
    seconds: float


class Sampling:
    """An iterable of :class:`Samples` that can be read again; the sums are complete once it was read to the end.

    Attributes:
        rows, seconds: of the log, gaps aside.
        kept, counted: rows and seconds of them that meet all conditions.
        gaps: places where the next row came later than the gap limit; gap_seconds: all their time.
        left_out: by condition; a row that misses two of them is in both.
    """

    def __init__(self, log: Log, ties: Ties, quantities: Iterable[str], conditions: Conditions) -> None:
        self._log = log
        self._conditions = conditions
        self._quantities = tuple(dict.fromkeys(quantities))
        self._ties = {name: ties.of(name) for name in dict.fromkeys((*self._quantities, *conditions.wanted))}
        self._filter()
        self._clear()

    def _filter(self) -> Filter:
        return Filter(self._conditions, {name: tied.unit for name, tied in self._ties.items()})

    def _clear(self) -> None:
        self.rows = self.kept = self.gaps = 0
        self.seconds = self.counted = self.gap_seconds = 0.0
        self.left_out: tuple[LeftOut, ...] = ()

    def __iter__(self) -> Iterator[Samples]:
        self._clear()
        judge = self._filter()
        holder = _Holder(float(self._conditions.gap))
        channels = list(dict.fromkeys(tied.channel for tied in self._ties.values()))
        waiting: _Rows | None = None
        for block in self._log.blocks(channels, rows=ROWS):
            held = holder.hold(block)
            given = {name: tied.conversion.apply(held[tied.channel]) for name, tied in self._ties.items()}
            met = np.array(judge.masks(block.time, given), np.bool_).reshape(-1, len(block.time))
            rows = _Rows(time=block.time, values={name: given[name] for name in self._quantities}, met=met)
            rows = rows if waiting is None else rows.after(waiting)
            waiting = rows.part(slice(-1, None))
            yield from self._counted(rows.part(slice(None, -1)), np.diff(rows.time), judge.names)
        if waiting is not None:
            yield from self._counted(waiting, np.zeros(1), judge.names)

    def _counted(self, rows: _Rows, weight: Floats, names: tuple[str, ...]) -> Iterator[Samples]:
        over = weight > float(self._conditions.gap)
        self.gaps += int(over.sum())
        self.gap_seconds += float(weight[over].sum())
        weight = np.where(over, 0.0, weight)
        self.left_out = tuple(
            LeftOut(
                condition=name,
                rows=int((~met).sum()) + (self.left_out[n].rows if self.left_out else 0),
                seconds=float(weight[~met].sum()) + (self.left_out[n].seconds if self.left_out else 0.0),
            )
            for n, (name, met) in enumerate(zip(names, rows.met, strict=True))
        )
        keep = rows.met.all(axis=0)
        self.rows += len(weight)
        self.seconds += float(weight.sum())
        self.kept += int(keep.sum())
        self.counted += float(weight[keep].sum())
        if keep.any():
            values = {name: column[keep] for name, column in rows.values.items()}
            yield Samples(time=rows.time[keep], weight=weight[keep], values=values)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Rows(Shown):
    """Rows with the conditions that each meets: shape (conditions, n)."""

    time: Floats
    values: Mapping[str, Floats]
    met: NDArray[np.bool_]

    def part(self, which: slice) -> _Rows:
        values = {name: column[which] for name, column in self.values.items()}
        return _Rows(time=self.time[which], values=values, met=self.met[:, which])

    def after(self, first: _Rows) -> _Rows:
        """The others, then these."""
        return _Rows(
            time=np.concatenate([first.time, self.time]),
            values={name: np.concatenate([first.values[name], column]) for name, column in self.values.items()},
            met=np.concatenate([first.met, self.met], axis=1),
        )


def samples(
    log: Log,
    ties: Ties,
    quantities: Iterable[str],
    conditions: Conditions | None = None,
    *,
    gap: Fraction | None = None,
) -> Sampling:
    """The samples of a log.

    Args:
        log: read anew at every iteration.
        ties: of this log.
        quantities: what is wanted of it.
        conditions: which rows count; all, if None.
        gap: seconds, in place of the gap limit in the conditions.

    Raises:
        EvidenceError: a quantity is not tied, or the bounds of a condition cannot be converted; when iterated, as
            :meth:`Log.blocks`.
    """
    stated = conditions or Conditions()
    return Sampling(log, ties, quantities, stated if gap is None else attrs.evolve(stated, gap=gap))


class _Holder:
    """Holds the last value of every channel forward, from block to block."""

    def __init__(self, gap: float) -> None:
        self._gap = gap
        self._last: dict[str, tuple[float, float]] = {}

    def hold(self, block: Block) -> dict[str, Floats]:
        """The values with blanks filled."""
        return {name: self._held(name, block.time, value) for name, value in block.values.items()}

    def _held(self, name: str, time: Floats, value: Floats) -> Floats:
        there = ~np.isnan(value)
        if not there.all():
            since, last = self._last.get(name, (-np.inf, np.nan))
            source = np.maximum.accumulate(np.where(there, np.arange(1, len(time) + 1), 0))
            age = time - np.concatenate([[since], time])[source]
            value = np.where(age <= self._gap, np.concatenate([[last], value])[source], np.nan)
            if not there.any():
                return value
        at = int(np.flatnonzero(there)[-1])
        self._last[name] = float(time[at]), float(value[at])
        return value
