"""What the first lines of a text log say: what separates its columns, what they are called, and what the log is of.

A log begins, maybe, with lines ``key: value`` (a comment sign before them or not), then one heading, then maybe a row
of units, then rows of figures. The heading is known by what follows it: the first row that is mostly figures or clock
times and has as many fields as the heading.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence

import attrs

from caldiff.errors import EvidenceError
from caldiff.evidence.cells import clock, number
from caldiff.evidence.log import ChannelInfo
from caldiff.value import Value

__all__ = ["HEAD_BYTES", "Heading", "fields", "read_heading"]

HEAD_BYTES = 1 << 18
"""the heading and the first rows stand within so many bytes"""
_SAMPLE = 500
_MOST_COLUMNS = 10_000
_SEPARATORS = ("\t", ";", "|", ",")
_UNIT = re.compile(r"(.*?\S)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))\s*", re.DOTALL)
_KEY = re.compile(r"[#%;/!*\s\"]*([^\W\d_][\w .()/-]{0,60}?)\s*(?:[:=]|[;,\t](?!\s*$))\s*\"?(.*?)[\"\s;,]*")
_COMMENT = re.compile(r"\s*(#|//|%|!)")


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Heading(Value):
    """Where the rows begin, and how they are written.

    Attributes:
        separator, decimal: one character each.
        columns: name and unit of every field of a row, in order, the time and nameless ones too.
        identity: pairs of key and value above the heading.
        first: the line number of the first row, 1-based.
        sample: the first rows, as fields.
        passed: lines above the rows of which nothing was used, by number.
    """

    separator: str
    decimal: str
    columns: tuple[ChannelInfo, ...]
    identity: tuple[tuple[str, str], ...]
    first: int
    sample: tuple[tuple[str, ...], ...]
    passed: tuple[int, ...]


def fields(line: str, separator: str) -> list[str]:
    """The fields of one line, quoted or not, with no spaces around them."""
    if '"' not in line:
        return [field.strip() for field in line.split(separator)]
    try:
        row = next(csv.reader([line.replace("\r", " ").replace("\n", " ")], delimiter=separator), [])
    except csv.Error:
        row = []
    return [field.strip() for field in row]


def read_heading(lines: Sequence[str], *, decimal: str | None = None) -> Heading:
    """What the first lines of a log say; the lines are whole ones.

    Raises:
        EvidenceError: no heading is followed by a row of figures, or the decimal sign is not clear.
    """
    numbers = [n for n, line in enumerate(lines, start=1) if line.strip()]
    said = [lines[n - 1] for n in numbers]
    separator, first = _begin(said)
    width = len(fields(said[first], separator))
    top = first
    while top and _names(said[top - 1], separator, width):
        top -= 1
    columns = _columns([_fit(fields(line, separator), width) for line in said[top:first]])
    sample = tuple(tuple(fields(line, separator)) for line in said[first : first + _SAMPLE])
    identity, passed = _identity(said[:top])
    return Heading(
        separator=separator,
        decimal=decimal or _decimal(sample, numbers[first]),
        columns=columns,
        identity=identity,
        first=numbers[first],
        sample=sample,
        passed=tuple(numbers[n] for n in (*passed, *range(top + 1, first - 1))),
    )


def _begin(lines: Sequence[str]) -> tuple[str, int]:
    """The separator, and the index of the first row of figures: the earliest there is."""
    found = [(first, n, sep) for n, sep in enumerate(_SEPARATORS) if (first := _first_row(lines, sep)) is not None]
    if not found:
        raise EvidenceError(
            "this is no log that can be read",
            expected="a heading and rows of figures, separated by commas, semicolons, tabs or bars; or ASAM MDF 4",
            got=next((line.strip()[:60] for line in lines if line.strip()), "nothing"),
        )
    first, _, separator = min(found)
    return separator, first


def _first_row(lines: Sequence[str], separator: str) -> int | None:
    """The first row of figures, if the line above has names for it."""
    for index, line in enumerate(lines):
        row = fields(line, separator) if separator in line else []
        if _is_row(row):
            if index and _names(lines[index - 1], separator, len(row)):
                return index
            if index == 0:
                raise EvidenceError(
                    "the log has no heading",
                    line=1,
                    expected="a line with the names of the channels above the figures",
                    got=line[:60],
                )
    return None


def _names(line: str, separator: str, width: int) -> bool:
    """Whether the line has names or units for so many fields."""
    if not line.strip() or separator not in line:
        return False
    row = fields(line, separator)
    return len(row) in {width, width - 1} and not _is_row(row) and len([f for f in row if f]) > len(row) // 2


def _is_row(row: Sequence[str]) -> bool:
    """Whether at least half of what is written in it are figures or clock times."""
    said = [field for field in row if field]
    figures = sum(_is_figure(field) for field in said)
    return len(row) > 1 and figures > 0 and figures * 2 >= len(said)


def _is_figure(field: str) -> bool:
    cell = field.encode("utf-8", "replace")
    return clock(cell) is not None or any(_real(number(cell, sign)) for sign in (b".", b","))


def _real(value: float | None) -> bool:
    return value is not None and value == value  # noqa: PLR0124 - NaN is unequal to itself


def _fit(row: list[str], width: int) -> list[str]:
    return [*row, *[""] * (width - len(row))]


def _columns(rows: Sequence[Sequence[str]]) -> tuple[ChannelInfo, ...]:
    """Names from the first row, with their units; units from the last one, if there is one more."""
    if len(rows[0]) > _MOST_COLUMNS:
        raise EvidenceError("the log has too many columns", expected=f"at most {_MOST_COLUMNS}", got=f"{len(rows[0])}")
    below = rows[-1] if len(rows) > 1 else [""] * len(rows[0])
    found: dict[str, ChannelInfo] = {}
    for n, (text, unit) in enumerate(zip(rows[0], below, strict=True), start=1):
        info = _column(text, unit)
        if info.name in found:  # such as one name in two units, or in two places
            info = attrs.evolve(info, name=text if text not in found else f"{text} #{n}")
        found[info.name or f"#{n}"] = info
    return tuple(found.values())


def _column(text: str, below: str) -> ChannelInfo:
    """A channel by its heading and what stands below it in the row of units."""
    below = below[1:-1].strip() if below[:1] + below[-1:] in {"[]", "()"} else below
    parts = None if below else _UNIT.fullmatch(text)
    if parts is None:
        return ChannelInfo(name=text, unit=below or None, text=text)
    unit = parts[2] if parts[2] is not None else parts[3]
    return ChannelInfo(name=parts[1].strip(), unit=unit.strip() or None, text=text)


def _decimal(sample: Sequence[Sequence[str]], line: int) -> str:
    """The decimal sign of the first rows, clock times aside."""
    signs = set()
    for row in sample:
        for field in row:
            cell = field.encode("utf-8", "replace")
            signs |= {sign for sign in ".," if sign in field and _real(number(cell, sign.encode()))}
    if len(signs) > 1:
        raise EvidenceError(
            "figures are written with decimal points and with decimal commas",
            line=line,
            expected="one decimal sign in the whole log",
            hint="say which one it is",
        )
    return signs.pop() if signs else "."


def _identity(lines: Sequence[str]) -> tuple[tuple[tuple[str, str], ...], list[int]]:
    """What stands above the heading as keys and values, and the indices of the other lines that say something."""
    found, passed = [], []
    for index, line in enumerate(lines):
        if key := _KEY.fullmatch(line):
            found.append((key[1].strip(), key[2].strip()))
        elif line.strip(' \t",;#'):
            passed.append(index)
    return tuple(found), passed
