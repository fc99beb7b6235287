"""A log as every reader gives it: named channels over one time base, in blocks, with everything repaired or dropped.

:func:`open_log` tells the form of a file by its first bytes.
"""

from __future__ import annotations

import hashlib
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from os import PathLike
from pathlib import Path

import attrs
import numpy as np
from numpy.typing import NDArray

from caldiff.canonical import Digest
from caldiff.errors import EvidenceError, FileError
from caldiff.value import Shown, Value

__all__ = ["ROWS", "Block", "ChannelInfo", "Floats", "Log", "Repair", "Repairs", "Tally", "open_log"]

Floats = NDArray[np.float64]

ROWS = 65_536
"""rows of a block, unless asked otherwise"""
_PIECE = 1 << 20


@attrs.frozen(kw_only=True, eq=False, repr=False)
class ChannelInfo(Value):
    """A channel of a log.

    Attributes:
        name: as the log has it, without the unit.
        unit: as the log has it; None where it says nothing.
        text: the whole heading, such as ``coolant [degC]``; of MDF, the name.
    """

    name: str
    unit: str | None = None
    text: str = ""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Block(Shown):
    """Rows of a log, one after the other.

    Attributes:
        time: seconds from the first row of the log, shape (n,), float64; never falls, also not from block to block.
        values: by name of the channel, shape (n,), float64; NaN where the log says nothing.
    """

    time: Floats
    values: Mapping[str, Floats]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Repair(Value):
    """One kind of thing that was repaired, dropped or taken for granted.

    Attributes:
        kind: what happened, in plain words.
        channel: the channel whose cells it is about; empty where it is about rows, or the whole file.
        count: how often.
        line: the first one: its line in a text, 1-based; the number of its record in MDF; None where it has none.
    """

    kind: str
    channel: str = ""
    count: int
    line: int | None = None

    def __str__(self) -> str:
        what = f"{self.kind} in {self.channel}" if self.channel else self.kind
        place = "" if self.line is None else f", {'first ' if self.count > 1 else ''}in line {self.line}"
        return f"{what}: {self.count}{place}"


Repairs = tuple[Repair, ...]


class Tally:
    """Counts repairs of one reading."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], tuple[int, int | None]] = {}

    def add(self, kind: str, *, channel: str = "", count: int = 1, line: int | None = None) -> None:
        """So many more; ``line`` is that of the first of them."""
        known, first = self._found.get((kind, channel), (0, line))
        if first is not None and line is not None:
            first = min(first, line)
        self._found[kind, channel] = known + count, first

    def over(self, older: Repairs) -> Repairs:
        """These, and of older ones those that were not counted again: a reading looks only at the channels it wants."""
        known = {(repair.kind, repair.channel): (repair.count, repair.line) for repair in older} | self._found
        found = (Repair(kind=kind, channel=channel, count=n, line=at) for (kind, channel), (n, at) in known.items())
        return tuple(sorted(found, key=lambda r: (r.line or 0, r.channel, r.kind)))


class Log(ABC):
    """A source of blocks that can be read again and again, each time from its start.

    Attributes:
        name: the file's name without its folder.
        channels: all but the time, in the order of the log.
        identity: what the log says of itself, as it stands there: pairs of key and value.
        start: when it began, UTC, as ``2026-03-12T06:41:00Z``; None where it does not say, or not in which zone.
        repairs: what was repaired, dropped or taken for granted so far; complete once it was read to the end.
    """

    name: str
    channels: tuple[ChannelInfo, ...]
    identity: tuple[tuple[str, str], ...] = ()
    start: str | None = None
    repairs: Repairs = ()

    def __init__(self, path: Path) -> None:
        self._path = path
        self.name = path.name
        self._digest: Digest | None = None

    @property
    def file(self) -> Digest:
        """The digest of the file's bytes. Raises FileError where they cannot be read."""
        if self._digest is None:
            state = hashlib.sha256()
            try:
                with self._path.open("rb") as stream:
                    while piece := stream.read(_PIECE):
                        state.update(piece)
            except OSError as error:
                raise _unreadable(self._path, error) from None
            self._digest = Digest(hex=state.hexdigest())
        return self._digest

    @abstractmethod
    def blocks(self, names: Sequence[str] | None = None, *, rows: int = ROWS) -> Iterator[Block]:
        """The log in blocks of about so many rows, with the named channels (all, if None).

        Raises:
            EvidenceError: no such channel, or the log cannot be read on.
            FileError: the file cannot be read.
        """

    def channel(self, name: str) -> ChannelInfo:
        """The channel of that name. Raises EvidenceError where there is none."""
        for found in self.channels:
            if found.name == name:
                return found
        known = ", ".join(info.name for info in self.channels)
        raise EvidenceError(f"the log has no channel {name}", file=self._path, expected=f"one of {known}")

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.name!r}, {len(self.channels)} channels)"


def open_log(
    path: str | PathLike[str],
    *,
    time: str | Sequence[str] | None = None,
    time_unit: str | None = None,
    decimal: str | None = None,
) -> Log:
    """The log in a file: text with separated columns, or ASAM MDF 4 (with the extra ``caldiff[mdf]``).

    Args:
        path: the file.
        time: the name of the time column; or several that it may have besides those that are known anyway.
        time_unit: the unit of the time column, where the log does not say it: s, ms, us, min or h.
        decimal: the decimal sign, ``.`` or ``,``, where the log has both or its first rows have none.

    Raises:
        FileError: the file cannot be read.
        EvidenceError: it is no log, or one that leaves open what is what.
        UsageError: it is MDF, and asammdf is not installed; or an argument makes no sense.
    """
    from caldiff.evidence.csv_log import CsvLog  # noqa: PLC0415 - imports this module

    file = Path(path)
    try:
        with file.open("rb") as stream:
            start = stream.read(8)
    except OSError as error:
        raise _unreadable(file, error) from None
    if start in (b"MDF     ", b"UnFinMF "):
        from caldiff.evidence.mdf_log import MdfLog  # noqa: PLC0415 - imports this module, and loads asammdf

        return MdfLog(file)
    return CsvLog(file, time=time, time_unit=time_unit, decimal=decimal)


def _unreadable(path: Path, error: OSError) -> FileError:
    return FileError(f"the file cannot be read: {error.strerror or error}", file=path)
