"""Time stamps as a logger wrote them -> seconds from the first row that never fall.

A row that lies before one that was already there is dropped, for nobody knows when it was; but where the rows go on
from there, the clock was set back (or a second log follows in the same file), and they are kept after a long gap.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import attrs
import numpy as np
from numpy.typing import NDArray

from caldiff.evidence.cells import DAY, Moments
from caldiff.evidence.log import Block, Floats, Tally
from caldiff.value import Shown

__all__ = ["BACKWARD", "REPEATED", "SET_BACK", "Midnight", "Rows", "Timeline"]

BACKWARD = "row dropped, its time lies before that of the row above"
REPEATED = "time stamp repeated, the row above counts for no time"
SET_BACK = "clock set back, the log goes on after a gap"
_MIDNIGHT = "clock passed midnight"
_STAYS = 20
"""so many rows, one after the other, that all lie back: the clock was set back"""
_GAP = 3600.0
"""seconds that are put where the clock was set back: nothing is held or counted over them"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Rows(Shown):
    """Rows as they stand in a log: time in seconds (from anywhere), values by channel, and line numbers, shape (n,)."""

    time: Floats
    values: Mapping[str, Floats]
    line: NDArray[np.int64]

    def take(self, which: Any) -> Rows:
        """Some of the rows, by mask, slice or indices."""
        values = {name: column[which] for name, column in self.values.items()}
        return Rows(time=self.time[which], values=values, line=self.line[which])

    def after(self, first: Rows) -> Rows:
        """The others, then these."""
        return Rows(
            time=np.concatenate([first.time, self.time]),
            values={name: np.concatenate([first.values[name], column]) for name, column in self.values.items()},
            line=np.concatenate([first.line, self.line]),
        )


class Midnight:
    """Counts the days of clock times without a date."""

    def __init__(self, tally: Tally) -> None:
        self._tally = tally
        self._day = 0.0
        self._last: float | None = None

    def seconds(self, moments: Moments, line: NDArray[np.int64]) -> Floats:
        """Seconds from some day's midnight; between two rows never lies more than half a day."""
        days, seconds = moments
        if days.any() or not len(days):
            return days * float(DAY) + seconds
        before = seconds[:1] if self._last is None else np.array([self._last])
        turns = -np.rint(np.diff(seconds, prepend=before) / DAY)
        passed = np.flatnonzero(turns > 0)
        if len(passed):
            self._tally.add(_MIDNIGHT, count=len(passed), line=int(line[passed[0]]))
        day = self._day + np.cumsum(turns)
        self._day, self._last = float(day[-1]), float(seconds[-1])
        return np.asarray(seconds + day * DAY, np.float64)


class Timeline:
    """Takes rows, piece by piece, and gives them as blocks."""

    def __init__(self, tally: Tally) -> None:
        self._tally = tally
        self._latest: float | None = None
        self._last: float | None = None
        self._shift = 0.0
        self._waiting: Rows | None = None

    def settle(self, rows: Rows) -> Block | None:
        """The rows whose time is now known; those at the end that lie back wait for what follows them."""
        if self._waiting is not None:
            rows, self._waiting = rows.after(self._waiting), None
        if not len(rows.time):
            return None
        if self._latest is None:
            self._latest = 0.0
            self._shift = -float(rows.time[0])
        time = rows.time + self._shift
        if time[0] < self._latest or (np.diff(time) < 0).any():
            kept, time = self._straight(rows)
            rows = rows.take(kept)
        if not len(time):
            return None
        self._count_repeated(time, rows.line)
        self._latest = float(time[-1])
        return Block(time=time, values=rows.values)

    def finish(self) -> None:
        """What still waits lies back: it is dropped."""
        if self._waiting is not None:
            self._drop(self._waiting.line)
            self._waiting = None

    def _straight(self, rows: Rows) -> tuple[NDArray[np.int64], Floats]:
        """Which rows are kept, and their times; one by one."""
        raw = rows.time.tolist()
        latest, shift = self._latest or 0.0, self._shift
        kept: list[int] = []
        time: list[float] = []
        index = back = 0
        while index < len(raw):
            now = raw[index] + shift
            if now >= latest:
                self._drop(rows.line[index - back : index])
                kept.append(index)
                time.append(now)
                latest, back = now, 0
            else:
                back += 1
            if back == _STAYS:
                index, back = index - back + 1, 0
                shift = latest + _GAP - raw[index]
                self._tally.add(SET_BACK, line=int(rows.line[index]))
                continue
            index += 1
        self._latest, self._shift = latest, shift
        if back:
            self._waiting = rows.take(slice(len(raw) - back, None))
        return np.array(kept, np.int64), np.array(time, np.float64)

    def _drop(self, lines: NDArray[np.int64]) -> None:
        if len(lines):
            self._tally.add(BACKWARD, count=len(lines), line=int(lines[0]))

    def _count_repeated(self, time: Floats, line: NDArray[np.int64]) -> None:
        before = time[:1] - 1 if self._last is None else np.array([self._last])
        repeated = np.flatnonzero(np.diff(time, prepend=before) == 0)
        if len(repeated):
            self._tally.add(REPEATED, count=len(repeated), line=int(line[repeated[0]]))
        self._last = float(time[-1])
