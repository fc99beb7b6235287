"""What the text formats share: lines, notes, and memory that is filled record by record."""

from __future__ import annotations

import re
from collections.abc import Iterator
from io import BytesIO
from typing import Literal

import attrs

from caldiff.errors import ImageError, LimitError
from caldiff.image.limits import Limits
from caldiff.image.model import Note, Segment

__all__ = ["Memory", "Notes", "Spelling", "Text", "bad_character", "broken_record", "cut_short", "shown"]

_PAGE_BITS = 12
_PAGE = 1 << _PAGE_BITS
_HELD = re.compile(rb"\x01+")
_TAIL = b" \t\r\n\x1a"
_TAIL_SIZE = 4096
_CR = 13
_LOWER = re.compile(rb"[a-f]")
_UPPER = re.compile(rb"[A-F]")
_DIGITS = frozenset("0123456789ABCDEFabcdef")


def shown(line: str) -> str:
    """The beginning of a line for an error, in quotes, with nothing that could upset a terminal."""
    text = "".join(c if " " <= c <= "~" else "." for c in line[:24])
    return f'"{text}…"' if len(line) > len(text) else f'"{text}"'


def bad_character(line: str, start: int, *, name: str, line_number: int) -> ImageError | None:
    """The error for the first character from ``start`` that is no hexadecimal digit, or None."""
    for column, character in enumerate(line[start:], start=start + 1):
        if character not in _DIGITS:
            return ImageError(
                "a character that is no hexadecimal digit",
                file=name,
                line=line_number,
                column=column,
                got=repr(character) if " " <= character <= "~" else f"byte {ord(character):02X}",
            )
    return None


def cut_short(line: str, start: int, *, least: int, name: str, line_number: int) -> ImageError:
    """The error for a record that is no even row of digits from ``start``: a foreign character, or digits missing."""
    return bad_character(line, start, name=name, line_number=line_number) or ImageError(
        "the record is cut short or has an odd number of digits",
        file=name,
        line=line_number,
        expected=f"an even number of digits, {least} at least",
        got=str(len(line) - start),
    )


def broken_record(  # noqa: PLR0913 - what the two forms of records differ in
    record: bytes, *, beside: int, counted: str, checksum: int, name: str, line_number: int
) -> ImageError:
    """The error for a record that the library does not take: its length byte is wrong, else its checksum.

    ``beside`` are the bytes that the length does not count, ``counted`` says what it does.
    """
    if record[0] != len(record) - beside:
        return ImageError(
            "the record has another length than it says",
            file=name,
            line=line_number,
            expected=f"{record[0]} {counted}",
            got=str(len(record) - beside),
        )
    return ImageError(
        "the record checksum is wrong",
        file=name,
        line=line_number,
        expected=f"{checksum & 0xFF:02X}",
        got=f"{record[-1]:02X}",
    )


class Notes:
    """Collects notes; the same note many times becomes one with a count, so that they stay few."""

    def __init__(self) -> None:
        self._found: dict[str, tuple[int | None, int]] = {}

    def add(self, text: str, line: int | None = None, *, times: int = 1) -> None:
        """So many times more ``text``, first at ``line``."""
        first, before = self._found.get(text, (line, 0))
        self._found[text] = (first, before + times)

    def done(self) -> tuple[Note, ...]:
        """All notes in the order in which they first came up."""
        return tuple(
            Note(text=text if times == 1 else f"{text} ({times} times, first here)", line=line)
            for text, (line, times) in self._found.items()
        )


@attrs.define(kw_only=True)
class Spelling:
    """Which letters occur among the digits; ``mixed`` are line ends of both kinds."""

    lower: bool = False
    upper: bool = False
    mixed: bool = False

    @property
    def capital(self) -> bool:
        """Whether digits are to be written in upper case."""
        return self.upper or not self.lower


@attrs.frozen(kw_only=True)
class Text:
    """The lines of a text format, with what is tolerated about them.

    Attributes:
        stop: where the last record ends in ``data``.
        newline: how the first line ends.
        eof: a DOS end-of-file character follows the last record.
        blanks: blank lines after the last record.
    """

    data: bytes = attrs.field(repr=False)
    stop: int
    newline: Literal["\n", "\r\n"]
    eof: bool
    blanks: int

    @classmethod
    def of(cls, data: bytes) -> Text:
        """Find what may follow the last record, and how the first line ends."""
        end = data[-_TAIL_SIZE:]
        kept = len(end.rstrip(_TAIL))
        stop = len(data) - len(end) + kept if kept else len(data.rstrip(_TAIL))
        tail = data[stop:].lstrip(b" \t")  # blanks after the last record are its own, as in any other line
        stop = len(data) - len(tail)
        first = data.find(b"\n")
        return cls(
            data=data,
            stop=stop,
            newline="\r\n" if first > 0 and data[first - 1] == _CR else "\n",
            eof=b"\x1a" in tail,
            blanks=max(tail.count(b"\n") - 1, 0),
        )

    def lines(self, notes: Notes) -> Iterator[tuple[int, str]]:
        """Line numbers from 1 and lines without their end; blank lines left out and noted."""
        number, at = 0, 0
        for number, raw in enumerate(BytesIO(self.data), start=1):
            line = raw[: self.stop - at].removesuffix(b"\n").removesuffix(b"\r")
            at += len(raw)
            if line.strip(b" \t"):
                yield number, line.decode("latin-1")
            else:
                notes.add("blank line", number)
            if at >= self.stop:
                break
        if self.blanks:
            notes.add("blank line", number + 1, times=self.blanks)

    def remark(self, notes: Notes, spelling: Spelling) -> None:
        """Note line ends, end-of-file character and the case of the digits."""
        if spelling.mixed:
            notes.add("line ends are mixed, LF and CR LF")
        elif self.newline == "\r\n":
            notes.add("lines end in CR LF")
        if self.eof:
            notes.add("a DOS end-of-file character (0x1A) follows the last record")
        if spelling.lower:
            notes.add("digits in upper and lower case" if spelling.upper else "digits in lower case")

    def spelling(self) -> Spelling:
        """Look through the whole text."""
        crlf = self.data.count(b"\r\n")
        return Spelling(
            lower=_LOWER.search(self.data) is not None,
            upper=_UPPER.search(self.data) is not None,
            mixed=0 < crlf < self.data.count(b"\n"),
        )


class Memory:
    """Bytes put record by record, checked for overlap and limits before they take room."""

    def __init__(self, *, name: str, limits: Limits, notes: Notes) -> None:
        self._name = name
        self._limits = limits
        self._notes = notes
        self._pages: dict[int, tuple[bytearray, bytearray]] = {}
        self._low: int | None = None
        self._high = 0
        self._next = 0
        self._size = 0

    def put(self, address: int, data: bytes, line: int) -> None:
        """Take a record's bytes, which are not empty.

        Raises:
            ImageError: other bytes stand there already. LimitError: too many bytes, or too far from the others.
        """
        self._claim(address, address + len(data), line)
        at = 0
        while at < len(data):
            place = (address + at) & (_PAGE - 1)
            part = data[at : at + _PAGE - place]
            self._fill((address + at) >> _PAGE_BITS, place, part, line)
            at += len(part)
        if self._size > self._limits.size:
            raise LimitError(
                "the image is larger than the limit",
                file=self._name,
                line=line,
                expected=f"at most {self._limits.size} bytes",
                hint="raise the size limit if this is meant",
            )

    def _claim(self, start: int, stop: int, line: int) -> None:
        low = start if self._low is None else min(self._low, start)
        high = max(self._high, stop)
        if high - low > self._limits.span:
            raise LimitError(
                "this record lies too far from the others",
                file=self._name,
                line=line,
                address=start,
                expected=f"a span of at most {self._limits.span} addresses",
                got=str(high - low),
                hint="raise the span limit if this is meant",
            )
        if start < self._next:
            self._notes.add("records are not in order of address", line)
        self._low, self._high, self._next = low, high, stop

    def _fill(self, number: int, place: int, part: bytes, line: int) -> None:
        if number not in self._pages:
            self._pages[number] = (bytearray(_PAGE), bytearray(_PAGE))
        cells, held = self._pages[number]
        stop = place + len(part)
        taken = held.count(1, place, stop)
        if taken:
            for at, new in enumerate(part, start=place):
                if held[at] and cells[at] != new:
                    raise ImageError(
                        "this record overlaps an earlier one with other content",
                        file=self._name,
                        line=line,
                        address=(number << _PAGE_BITS) + at,
                        expected=f"{cells[at]:02X} as before",
                        got=f"{new:02X}",
                    )
            self._notes.add("a record repeats bytes that were given before", line)
        cells[place:stop] = part
        held[place:stop] = b"\x01" * len(part)
        self._size += len(part) - taken

    def segments(self) -> tuple[Segment, ...]:
        """Everything put, in order of address; the image joins what touches."""
        runs = []
        for number in sorted(self._pages):
            cells, held = self._pages[number]
            base = number << _PAGE_BITS
            runs += [
                Segment(start=base + m.start(), data=bytes(cells[m.start() : m.end()])) for m in _HELD.finditer(held)
            ]
        return tuple(runs)
