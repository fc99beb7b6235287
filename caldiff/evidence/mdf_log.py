"""Logs in ASAM MDF 4, read through asammdf: channel groups at their own rates, laid over one time base.

What a group does not say at another group's time is blank there, as it would be in a text log with columns at different
rates. Groups are read piece by piece, so a file beyond memory is no trouble.
"""

from __future__ import annotations

import io
import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, redirect_stdout, suppress
from pathlib import Path
from typing import Any

import attrs
import numpy as np

from caldiff.errors import CaldiffError, EvidenceError, UsageError
from caldiff.evidence.log import ROWS, Block, ChannelInfo, Floats, Log, Tally
from caldiff.evidence.mdf_links import check_links
from caldiff.evidence.timeline import BACKWARD, REPEATED

__all__ = ["MdfLog"]

_NO_FIGURE = "record that is no figure, left blank"
_INVALID = "record that the file marks as invalid, left blank"
_NO_TIME = "record without a time, dropped"
_NO_MASTER = "channel group without a time, passed over"
_UNFINISHED = "file was not finished by its logger"
_MASTERS, _TIME = (2, 3), 1
"""channel types of masters, and the synchronisation type that is time in seconds: ASAM MDF 4.1, CNBLOCK"""
_KINDS = "biuf"
_TIGHTEST = 1100
"""deflate does not pack tighter than 1:1032 (zlib's technical details), and nothing else in MDF 4.1 packs"""


@attrs.frozen(kw_only=True)
class _Place:
    """Where a channel stands in the file."""

    group: int
    index: int


class MdfLog(Log):
    """A log in an MDF file; see :func:`caldiff.evidence.log.open_log`."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        tally = Tally()
        if check_links(path):
            tally.add(_UNFINISHED)
        self._places: dict[str, _Place] = {}
        with self._open() as mdf:
            infos = list(self._infos(mdf, tally))
            self.start = _start(mdf)
            self.identity = _identity(mdf)
        if not infos:
            raise EvidenceError("the log has no channel with a time", file=path)
        self.channels: tuple[ChannelInfo, ...] = tuple(infos)
        self.repairs = tally.over(())

    @contextmanager
    def _open(self) -> Iterator[Any]:
        """The file as asammdf has it; whatever it raises is an EvidenceError."""
        try:
            import asammdf  # noqa: PLC0415 - an extra, and slow to import
        except ImportError:
            raise UsageError(
                "reading MDF needs asammdf", hint="install it with: pip install 'caldiff[mdf]'", file=self._path
            ) from None
        mdf = None
        try:
            with self._path.open("rb") as stream:  # ours to close: asammdf leaves it open when it fails
                with _silent():
                    mdf = asammdf.MDF(stream)
                yield mdf
        except CaldiffError:
            raise
        except Exception as error:  # noqa: BLE001 - a broken file makes it raise nearly anything
            if mdf is None:
                _abandon(error)
            said = f"{type(error).__name__}: {error}"[:200]
            raise EvidenceError("the MDF file is broken", file=self._path, got=said) from None
        finally:
            if mdf is not None:
                mdf.close()

    def _infos(self, mdf: Any, tally: Tally) -> Iterator[ChannelInfo]:
        for number, group in enumerate(mdf.groups):
            self._check(group)
            master = mdf.masters_db.get(number)
            if master is None or group.channels[master].sync_type != _TIME:
                tally.add(_NO_MASTER)
                continue
            for index, channel in enumerate(group.channels):
                if channel.channel_type in _MASTERS:
                    continue
                name = channel.name if channel.name not in self._places else f"{channel.name} #{number}.{index}"
                self._places[name] = _Place(group=number, index=index)
                unit = mdf.get_channel_unit(group=number, index=index).strip()
                yield ChannelInfo(name=name, unit=unit or None, text=channel.name)

    def _check(self, group: Any) -> None:
        """What asammdf takes on trust: channels lie in their records, and there can be so many of these."""
        records = group.channel_group
        size = records.samples_byte_nr + records.invalidation_bytes_nr
        if records.cycles_nr * size > self._path.stat().st_size * _TIGHTEST:
            got = f"{records.cycles_nr} of {size} bytes"
            raise EvidenceError("the MDF file has more records than it has bytes for", file=self._path, got=got)
        for channel in group.channels:
            if not _within(channel, records):
                raise EvidenceError(f"the channel {channel.name[:80]} lies outside its record", file=self._path)

    def blocks(self, names: Sequence[str] | None = None, *, rows: int = ROWS) -> Iterator[Block]:
        """The log in blocks; see :meth:`Log.blocks`. The time is what the file has, from its start of measurement."""
        wanted = [info.name for info in self.channels] if names is None else list(dict.fromkeys(names))
        places = {self.channel(name).name: self._places[name] for name in wanted}
        return self._blocks(places, rows)

    def _blocks(self, places: Mapping[str, _Place], rows: int) -> Iterator[Block]:
        tally = Tally()
        with self._open() as mdf:
            numbers = sorted({place.group for place in places.values()})
            groups = [
                _Group(mdf, number, {name: p.index for name, p in places.items() if p.group == number}, tally)
                for number in numbers
            ]
            latest: float | None = None
            while sum(group.fill(rows) for group in groups):  # all of them, not up to the first that has something
                horizon = min((group.horizon for group in groups if not group.done), default=np.inf)
                taken = [group.take(horizon) for group in groups]
                time = np.unique(np.concatenate([time for time, _ in taken]))
                if latest is not None and len(time) and time[0] == latest:
                    tally.add(REPEATED)
                if len(time):
                    latest = float(time[-1])
                    yield from _laid(time, taken, places, rows)
        self.repairs = tally.over(self.repairs)


@contextmanager
def _silent() -> Iterator[None]:
    """What asammdf prints and logs of a broken file goes nowhere: here it is raised, or counted."""
    told = logging.getLogger("asammdf")
    was, told.disabled = told.disabled, True
    try:
        with redirect_stdout(io.StringIO()):
            yield
    finally:
        told.disabled = was


def _within(channel: Any, group: Any) -> bool:
    """Whether a channel lies in the records of its group, which asammdf's fast parts take on trust."""
    end = channel.byte_offset + (channel.bit_offset + channel.bit_count + 7) // 8
    size = group.samples_byte_nr
    invalid: int = channel.pos_invalidation_bit // 8
    return bool(end <= size and (invalid == 0 or invalid < group.invalidation_bytes_nr))


def _abandon(error: Exception) -> None:
    """Close what asammdf left half made, else it raises once more when it is thrown away."""
    frame = error.__traceback__
    while frame is not None:
        half: Any = frame.tb_frame.f_locals.get("self")
        if type(half).__name__ == "MDF4":
            half._closed = True  # noqa: SLF001 - what its own close() looks at first
            for name in ("_tempfile", "_file", "_mapped_file"):
                with suppress(AttributeError, OSError, ValueError):
                    getattr(half, name).close()
        frame = frame.tb_next


def _laid(
    time: Floats, taken: Sequence[tuple[Floats, Mapping[str, Floats]]], names: Mapping[str, object], rows: int
) -> Iterator[Block]:
    """The groups' records over one time base, blank where a group has none."""
    values = {name: np.full(len(time), np.nan) for name in names}
    for own, columns in taken:
        at = np.searchsorted(time, own)
        for name, column in columns.items():
            values[name][at] = column
    for start in range(0, len(time), rows):
        part = slice(start, start + rows)
        yield Block(time=time[part], values={name: column[part] for name, column in values.items()})


class _Group:
    """Reads the wanted channels of one group, piece by piece. ``horizon``: the last time that was read so far."""

    def __init__(self, mdf: Any, number: int, channels: Mapping[str, int], tally: Tally) -> None:
        self._mdf, self._number, self._channels, self._tally = mdf, number, channels, tally
        self._next = 0
        self._count = int(mdf.groups[number].channel_group.cycles_nr)
        self._time = np.zeros(0)
        self._values = {name: np.zeros(0) for name in channels}
        self.horizon = -np.inf

    @property
    def done(self) -> bool:
        """Whether all records were read."""
        return self._next >= self._count

    def fill(self, rows: int) -> bool:
        """Read on where nothing waits; whether there is anything left to take."""
        while not len(self._time) and not self.done:
            self._read(rows)
        return bool(len(self._time))

    def take(self, horizon: float) -> tuple[Floats, Mapping[str, Floats]]:
        """What was read up to that time, included; the rest waits."""
        end = int(np.searchsorted(self._time, horizon, "right"))
        found = self._time[:end], {name: column[:end] for name, column in self._values.items()}
        self._time = self._time[end:]
        self._values = {name: column[end:] for name, column in self._values.items()}
        return found

    def _read(self, rows: int) -> None:
        first, count = self._next, min(rows, self._count - self._next)
        self._next += count
        time = np.zeros(0)
        values = {}
        for name, index in self._channels.items():
            with _silent():
                signal = self._mdf.get(
                    group=self._number,
                    index=index,
                    record_offset=first,
                    record_count=count,
                    ignore_invalidation_bits=True,
                )
            time = np.asarray(signal.timestamps, np.float64)
            values[name] = self._figures(signal, name, first)
        if not len(time):
            self._next = self._count  # the records are not there, whatever their count says
            self._tally.add(_NO_TIME, count=self._count - first, line=first + 1)
        known = np.isfinite(time)
        self._drop(_NO_TIME, ~known, first)
        highest = np.maximum.accumulate(np.concatenate([[self.horizon], np.where(known, time, -np.inf)]))[:-1]
        back = known & (time < highest)
        self._drop(BACKWARD, back, first)
        kept = known & ~back
        self._drop(REPEATED, kept & (time == highest), first)
        self._time = time[kept]
        self._values = {name: column[kept] for name, column in values.items()}
        if len(self._time):
            self.horizon = float(self._time[-1])

    def _drop(self, kind: str, which: Any, first: int) -> None:
        at = np.flatnonzero(which)
        if len(at):
            self._tally.add(kind, count=len(at), line=first + int(at[0]) + 1)

    def _figures(self, signal: Any, name: str, first: int) -> Floats:
        samples = np.asarray(signal.samples)
        if samples.dtype.kind not in _KINDS or samples.ndim != 1:
            if len(samples):
                self._tally.add(_NO_FIGURE, channel=name, count=len(samples), line=first + 1)
            return np.full(len(samples), np.nan)
        found = samples.astype(np.float64)
        for kind, blank in ((_INVALID, signal.invalidation_bits), (_NO_FIGURE, np.isinf(found))):
            if blank is not None and (at := np.flatnonzero(blank)).size:
                self._tally.add(kind, channel=name, count=at.size, line=first + int(at[0]) + 1)
                found[at] = np.nan
        return found


def _start(mdf: Any) -> str | None:
    """The start of measurement as UTC; None where the file says that its clock was of no known zone, or has none."""
    start = mdf.header.start_time
    if start is None or start.tzinfo is None or not mdf.header.abs_time:
        return None
    from datetime import UTC  # noqa: PLC0415 - beside its one use

    return str(start.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"))


def _identity(mdf: Any) -> tuple[tuple[str, str], ...]:
    """What the header says of itself: author, department, project, subject, and the properties in its comment."""
    header = mdf.header
    fixed = ((key, str(getattr(header, key, "") or "")) for key in ("author", "department", "project", "subject"))
    stated = getattr(header, "_common_properties", {}).items()
    return tuple((key, value.strip()) for key, value in (*fixed, *stated) if isinstance(value, str) and value.strip())
