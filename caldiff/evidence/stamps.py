"""Which column of a text log is the time, and what it is measured in."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from itertools import pairwise

import attrs

from caldiff.errors import EvidenceError, UsageError
from caldiff.evidence.cells import clock, number
from caldiff.evidence.heading import Heading
from caldiff.value import Value

__all__ = ["TIME_UNITS", "Stamps", "find_stamps", "start_of", "utc"]

_NAMES = frozenset((
    "time", "t", "zeit", "zeitstempel", "timestamp", "time-stamp", "time_stamp", "time stamp", "uhrzeit", "temps",
    "heure", "elapsed", "elapsed time", "log time", "time of day", "date time", "datetime", "date/time", "seconds",
    "second", "sec", "s", "milliseconds", "msec", "ms", "us",
))  # fmt: skip
"""common practice of loggers in a few languages, no source"""
_CLOCK_WORDS = frozenset(
    ["hh:mm:ss", "h:mm:ss", "hh:mm:ss.sss", "hh:mm:ss,sss", "hh:mm:ss.ms", "hh:mm:ss.fff", "clock"]
)
TIME_UNITS = {
    "s": (1, 1), "sec": (1, 1), "secs": (1, 1), "second": (1, 1), "seconds": (1, 1),
    "ms": (1, 1000), "msec": (1, 1000), "millisecond": (1, 1000), "milliseconds": (1, 1000),
    "us": (1, 1_000_000), "µs": (1, 1_000_000), "μs": (1, 1_000_000), "usec": (1, 1_000_000),
    "min": (60, 1), "minute": (60, 1), "minutes": (60, 1), "h": (3600, 1), "hour": (3600, 1), "hours": (3600, 1),
}  # fmt: skip
"""a unit of time: seconds as factor and divisor, both exact"""
_ASSUMED = "time column says no unit, seconds taken"
_SLOWEST = 2.0
"""so many seconds at most between the rows of a log whose time says no unit"""
_STARTS = frozenset(
    ["start", "started", "start time", "started at", "start of recording", "recording started", "begin"]
)
_ZONED = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,9})?)?(Z|[+-]\d\d:?\d\d)", re.ASCII)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Stamps(Value):
    """The time column.

    Attributes:
        column: its index.
        clock: whether it has clock times; otherwise figures, that times ``factor / divisor`` are seconds.
        assumed: what was taken for granted; empty where nothing was.
    """

    column: int
    clock: bool = False
    factor: int = 1
    divisor: int = 1
    assumed: str = ""


def find_stamps(heading: Heading, *, name: str | Sequence[str] | None, unit: str | None) -> Stamps:
    """The time column, by the name given or one that everybody knows.

    Raises:
        EvidenceError: there is none, or its unit is not known.
        UsageError: the unit given is none of time.
    """
    if unit is not None and unit not in TIME_UNITS:
        raise UsageError("this is no unit of time", expected="s, ms, us, min or h", got=unit)
    column = _column(heading, name)
    info = heading.columns[column]
    said = unit or info.unit
    if said is None and info.name.casefold() in TIME_UNITS and info.name.casefold() != "min":
        said = info.name
    cells = [row[column] for row in heading.sample if column < len(row) and row[column]]
    if any(clock(cell.encode("utf-8", "replace")) for cell in cells[:10]):
        return Stamps(column=column, clock=True)
    if said is not None:
        known = TIME_UNITS.get(said.casefold())
        if known is None:
            raise EvidenceError(
                f"the time column {info.name} is in a unit that is not known", expected=_UNITS, got=said, hint=_SAY
            )
        return Stamps(column=column, factor=known[0], divisor=known[1])
    if _median_step(cells, heading.decimal) > _SLOWEST:
        raise EvidenceError(f"the time column {info.name} does not say its unit", expected=_UNITS, hint=_SAY)
    return Stamps(column=column, assumed=_ASSUMED)


_UNITS = "s, ms, us, min, h, or clock times such as 06:41:00.050"
_SAY = "say which unit the time is in"


def _column(heading: Heading, name: str | Sequence[str] | None) -> int:
    infos = heading.columns
    named = {word.casefold() for word in ([name] if isinstance(name, str) else name or ())}
    found = [n for n, info in enumerate(infos) if named & {info.name.casefold(), info.text.casefold()}]
    if not found and not isinstance(name, str):
        found = [n for n, info in enumerate(infos) if info.name.casefold() in _NAMES][:1]
        found = found or [n for n, info in enumerate(infos[:1]) if _is_time(info.unit)]
    if len(found) == 1:
        return found[0]
    names = ", ".join(info.name for info in infos if info.name)
    if found:
        raise EvidenceError("several columns are called that", got=", ".join(sorted(named)), expected=f"one of {names}")
    what = f"the log has no column {name}" if isinstance(name, str) else "no column is known to be the time"
    raise EvidenceError(what, expected=f"one of {names}", hint="name the column that has the time")


def _is_time(unit: str | None) -> bool:
    return unit is not None and (unit.casefold() in TIME_UNITS or unit.casefold() in _CLOCK_WORDS)


def _median_step(cells: Iterable[str], decimal: str) -> float:
    figures = [number(cell.encode("utf-8", "replace"), decimal.encode()) for cell in cells]
    times = [figure for figure in figures if figure is not None]
    steps = sorted(b - a for a, b in pairwise(times) if b > a)
    return steps[len(steps) // 2] if steps else 0.0


def start_of(identity: Sequence[tuple[str, str]], heading: Heading, stamps: Stamps) -> str | None:
    """When the log began, UTC, if it says so with its zone: above the heading, or in its first time stamp."""
    said = [value for key, value in identity if key.casefold() in _STARTS]
    if stamps.clock:
        said += [row[stamps.column] for row in heading.sample[:1] if stamps.column < len(row)]
    return next((found for text in said if (found := utc(text))), None)


def utc(text: str) -> str | None:
    """A time with its zone as UTC, to the second: ``2026-03-12T06:41:00Z``; None where it is none."""
    if not _ZONED.fullmatch(text.strip()):
        return None
    try:
        return datetime.fromisoformat(text.strip()).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    except (ValueError, OverflowError):
        return None
