"""Logs as text with separated columns.

Regular lines (as many fields as the heading, nothing quoted) are read column by column with numpy, and only the columns
that are wanted; other lines one by one. A cell that is not plain goes through :func:`caldiff.evidence.cells.number`
either way, so both ways say the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import attrs
import numpy as np
from numpy.typing import NDArray

from caldiff.errors import EvidenceError
from caldiff.evidence import cells
from caldiff.evidence.heading import HEAD_BYTES, Heading, fields, read_heading
from caldiff.evidence.log import ROWS, Block, ChannelInfo, Floats, Log, Tally
from caldiff.evidence.pieces import Text
from caldiff.evidence.stamps import Stamps, find_stamps, start_of
from caldiff.evidence.timeline import Midnight, Rows, Timeline
from caldiff.value import Shown

__all__ = ["CsvLog"]

_PIECE = 1 << 20
_CUT = "last line cut off, dropped"
_SHORT = "line with too few fields, dropped"
_LONG = "line with too many fields, dropped"
_NO_TIME = "row without a time, dropped"
_NO_FIGURE = "cell that is no figure, left blank"
_HEAD = "line above the rows that says nothing known, passed over"
_NOT_UTF8 = "heading is not UTF-8, read as Windows-1252"

Ints = NDArray[np.int64]
_ZERO = np.zeros(1, np.int64)


class CsvLog(Log):
    """A log in a text file; see :func:`caldiff.evidence.log.open_log`."""

    def __init__(
        self,
        path: Path,
        *,
        time: str | Sequence[str] | None = None,
        time_unit: str | None = None,
        decimal: str | None = None,
    ) -> None:
        super().__init__(path)
        self._text = Text(path)
        self._opened = Tally()
        try:
            self._heading: Heading = read_heading(self._first_lines(), decimal=decimal)
            self._stamps: Stamps = find_stamps(self._heading, name=time, unit=time_unit)
        except EvidenceError as error:
            error.file = str(path)
            raise
        for line in self._heading.passed:
            self._opened.add(_HEAD, line=line)
        if self._stamps.assumed:
            self._opened.add(self._stamps.assumed, line=self._heading.first - 1)
        named = [info for n, info in enumerate(self._heading.columns) if n != self._stamps.column and info.name]
        self.channels: tuple[ChannelInfo, ...] = tuple(named)
        self.identity = self._heading.identity
        self.start = start_of(self.identity, self._heading, self._stamps)
        self.repairs = self._opened.over(())

    def _first_lines(self) -> list[str]:
        head = next(self._text.pieces(HEAD_BYTES), b"") or self._text.cut
        try:
            text = head.decode("utf-8")
        except UnicodeDecodeError:
            text = head.decode("cp1252", "replace")
            self._opened.add(_NOT_UTF8)
        return text.split("\n")[:-1] if text.endswith("\n") else [text]

    def blocks(self, names: Sequence[str] | None = None, *, rows: int = ROWS) -> Iterator[Block]:
        """The log in blocks; see :meth:`Log.blocks`."""
        wanted = [info.name for info in self.channels] if names is None else list(dict.fromkeys(names))
        places = {info.name: n for n, info in enumerate(self._heading.columns)}
        columns = {self.channel(name).name: places[name] for name in wanted}
        return self._blocks(columns, rows)

    def _blocks(self, columns: Mapping[str, int], rows: int) -> Iterator[Block]:
        tally = Tally()
        reader = _Reader(self._heading, self._stamps, columns, tally)
        timeline = Timeline(tally)
        for piece in self._text.pieces(_PIECE):
            if (block := timeline.settle(reader.rows(piece))) is not None:
                yield from _cut_up(block, rows)
        timeline.finish()
        if self._text.cut.strip(b" \t\r\0"):
            tally.add(_CUT, line=reader.line)
        self.repairs = tally.over(self.repairs)


def _cut_up(block: Block, rows: int) -> Iterator[Block]:
    for start in range(0, len(block.time), rows):
        part = slice(start, start + rows)
        yield Block(time=block.time[part], values={name: column[part] for name, column in block.values.items()})


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Lines(Shown):
    """The lines of a piece that are rows.

    Attributes:
        piece, text: the same bytes twice.
        line: their numbers, shape (n,).
        regular: which of them are regular, shape (n,).
        start, end: where the cells of the regular ones stand, each shape (regular ones, columns).
        others: the cells of the others.
    """

    piece: bytes
    text: cells.Bytes
    line: Ints
    regular: NDArray[np.bool_]
    start: Ints
    end: Ints
    others: Sequence[Sequence[bytes]]


class _Reader:
    """Pieces of text -> rows. ``line`` is the number of the line that comes next."""

    def __init__(self, heading: Heading, stamps: Stamps, columns: Mapping[str, int], tally: Tally) -> None:
        self._heading = heading
        self._width = len(heading.columns)
        self._decimal = heading.decimal.encode()
        self._stamps = stamps
        self._columns = columns
        self._tally = tally
        self._midnight = Midnight(tally)
        self.line = 1

    def rows(self, piece: bytes) -> Rows:
        """The rows of whole lines."""
        lines = self._lines(piece)
        known, time = self._times(lines)
        values = {name: self._numbers(lines, column, name) for name, column in self._columns.items()}
        rows = Rows(time=time, values=values, line=lines.line)
        if known.all():
            return rows
        lost = lines.line[~known]
        self._tally.add(_NO_TIME, count=len(lost), line=int(lost[0]))
        return rows.take(known)

    # ------------------------------------------------------------------------------------------------------- lines

    def _lines(self, piece: bytes) -> _Lines:
        text = np.frombuffer(piece, np.uint8)
        marks = np.flatnonzero((text == ord(self._heading.separator)) | (text == ord("\n")))
        breaks = np.flatnonzero(text[marks] == ord("\n"))
        count = np.diff(breaks, prepend=-1)
        line = np.arange(self.line, self.line + len(breaks), dtype=np.int64)
        self.line += len(breaks)
        ends = marks[breaks]
        rows = line >= self._heading.first
        regular = rows & (count == self._width)
        if b'"' in piece:
            regular[np.searchsorted(ends, np.flatnonzero(text == ord('"')))] = False
        irregular = np.flatnonzero(rows & ~regular)
        others = self._others(piece, ends, irregular, line)
        start = np.concatenate([_ZERO, marks[:-1] + 1])
        if not regular.all():
            inside = np.repeat(regular, count)
            start, marks = start[inside], marks[inside]
            rows = regular.copy()
            rows[list(others)] = True
            line, regular = line[rows], regular[rows]
        return _Lines(
            piece=piece,
            text=text,
            line=line,
            regular=regular,
            start=start.reshape(-1, self._width),
            end=marks.reshape(-1, self._width),
            others=list(others.values()),
        )

    def _others(self, piece: bytes, ends: Ints, irregular: Ints, line: Ints) -> dict[int, list[bytes]]:
        """The cells of the irregular lines that are rows all the same; the others are counted, but for empty ones."""
        found = {}
        for index in irregular.tolist():
            start = int(ends[index - 1]) + 1 if index else 0
            text = piece[start : int(ends[index])].decode("latin-1")
            row = fields(text, self._heading.separator)
            if not any(row):
                continue
            while len(row) > self._width and not row[-1]:
                row.pop()
            if len(row) == self._width:
                found[index] = [field.encode("latin-1") for field in row]
            else:
                self._tally.add(_SHORT if len(row) < self._width else _LONG, line=int(line[index]))
        return found

    # ------------------------------------------------------------------------------------------------------- cells

    def _numbers(self, lines: _Lines, column: int, name: str) -> Floats:
        start, end = _cells(lines, column)
        found = np.full(len(lines.line), np.nan)
        found[lines.regular], odd = cells.numbers(lines.text, start, end, self._decimal)
        for index, cell in _exact(lines, column, odd):
            value = cells.number(cell, self._decimal)
            if value is None:
                self._tally.add(_NO_FIGURE, channel=name, line=int(lines.line[index]))
            found[index] = np.nan if value is None else value
        return found

    def _times(self, lines: _Lines) -> tuple[NDArray[np.bool_], Floats]:
        """Which rows have a time, and the seconds of all."""
        stamps = self._stamps
        if not stamps.clock:
            raw = self._plain_times(lines)
            return ~np.isnan(raw), raw * stamps.factor / stamps.divisor
        days, seconds = np.zeros(len(lines.line), np.int64), np.full(len(lines.line), np.nan)
        start, end = _cells(lines, stamps.column)
        (days[lines.regular], seconds[lines.regular]), odd = cells.clocks(lines.text, start, end)
        for index, cell in _exact(lines, stamps.column, odd):
            days[index], seconds[index] = cells.clock(cell) or (0, np.nan)
        known = ~np.isnan(seconds)
        time = np.full(len(seconds), np.nan)
        time[known] = self._midnight.seconds((days[known], seconds[known]), lines.line[known])
        return known, time

    def _plain_times(self, lines: _Lines) -> Floats:
        start, end = _cells(lines, self._stamps.column)
        found = np.full(len(lines.line), np.nan)
        found[lines.regular], odd = cells.numbers(lines.text, start, end, self._decimal)
        for index, cell in _exact(lines, self._stamps.column, odd):
            value = cells.number(cell, self._decimal)
            found[index] = np.nan if value is None else value
        return found


def _cells(lines: _Lines, column: int) -> tuple[Ints, Ints]:
    return np.ascontiguousarray(lines.start[:, column]), np.ascontiguousarray(lines.end[:, column])


def _exact(lines: _Lines, column: int, odd: NDArray[np.bool_]) -> Iterator[tuple[int, bytes]]:
    """The cells that are read one by one, with the index of their row: odd ones of regular lines, all of others."""
    if odd.any():
        rows = np.flatnonzero(lines.regular)
        for index in np.flatnonzero(odd).tolist():
            yield int(rows[index]), lines.piece[int(lines.start[index, column]) : int(lines.end[index, column])]
    if lines.others:
        for index, row in zip(np.flatnonzero(~lines.regular).tolist(), lines.others, strict=True):
            yield index, row[column]
