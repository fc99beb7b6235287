"""Standard output as it is: how wide, which colours, which characters; and writing to it."""

from __future__ import annotations

import os
import sys
from argparse import ArgumentParser, HelpFormatter, Namespace
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from caldiff.cli import drop_output
from caldiff.errors import FileError
from caldiff.render.look import Look, harmless

__all__ = ["Counter", "Mixed", "add_look_options", "counted", "formatter", "look_for", "progress", "write"]

TYPE_CHECKING = False
if TYPE_CHECKING:  # typing takes as long to import as Python to start
    from typing import Any, Literal, Self, TypeVar

    T = TypeVar("T")

_PATIENCE = 0.5
"""seconds before it is said what takes so long"""
_BETWEEN = 0.2
"""seconds between two words about how far it is"""


def formatter(prog: str) -> HelpFormatter:
    """Help at 80 columns. Left to ask for the width itself, argparse imports shutil, and that all compressors."""
    return HelpFormatter(prog, width=80)


class Mixed(ArgumentParser):
    """A parser that lets files stand after options, also below another parser, which argparse has no way to ask for."""

    _mixing = False

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As argparse has it; intermixed when it is called from outside."""
        if self._mixing:
            return super().parse_known_args(args, namespace)
        self._mixing = True
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self._mixing = False


def add_look_options(parser: ArgumentParser) -> None:
    """``--color`` and ``--width``."""
    group = parser.add_argument_group("how it looks")
    group.add_argument(
        "--color",
        "--colour",
        choices=("auto", "always", "never"),
        default="auto",
        help="colours; auto (the default): on a terminal, unless NO_COLOR is set",
    )
    group.add_argument(
        "--width", type=_width, metavar="COLUMNS", help="columns of text (default: the terminal's, or 80)"
    )


def _width(text: str) -> int:
    width = int(text)
    if not 40 <= width <= 10_000:  # noqa: PLR2004 - narrower, a grid has no room; wider is a slip
        raise ValueError(text)
    return width


def look_for(options: Namespace) -> Look:
    """What standard output can do, and what the options ask of it."""
    return Look(width=options.width or _columns(), colours=_colours(options.color), unicode=_unicode())


def _columns() -> int:
    asked = os.environ.get("COLUMNS", "")
    if asked.isascii() and asked.isdigit() and int(asked):
        return int(asked)
    try:
        return (os.get_terminal_size(sys.stdout.fileno()).columns if sys.stdout.isatty() else 0) or 80
    except (AttributeError, OSError, ValueError):
        return 80


def _colours(asked: str) -> Literal[0, 16, 256]:
    """``NO_COLOR`` as https://no-color.org has it: set and not empty. The option on the command line wins."""
    terminal = os.environ.get("TERM", "")
    if asked == "never":
        return 0
    if asked == "auto" and (
        os.environ.get("NO_COLOR") or terminal == "dumb" or not sys.stdout or not sys.stdout.isatty()
    ):
        return 0
    return 256 if "256color" in terminal or os.environ.get("COLORTERM") else 16


def _unicode() -> bool:
    """Whether the signs of a Look can be written. ``LC_ALL=C`` asks for ASCII, though Python would write UTF-8."""
    locale = os.environ.get("LC_ALL", "").lower()
    if locale and "utf" not in locale:
        return False
    try:
        "→·…─".encode(getattr(sys.stdout, "encoding", None) or "ascii")
    except (LookupError, UnicodeEncodeError):
        return False
    return True


def write(text: str) -> None:
    """Write to standard output, all of it or raise.

    Raises:
        FileError: standard output is closed, or cannot be written to.
        BrokenPipeError: nobody reads it any more.
    """
    stream = sys.stdout
    if stream is None:
        raise FileError("standard output is closed, so there is nowhere to write the answer")
    try:
        encoding = stream.encoding or "ascii"
        stream.write(text.encode(encoding, "backslashreplace").decode(encoding))
        stream.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        drop_output()
        raise FileError(f"the answer cannot be written: {error.strerror}", file="standard output") from error


@contextmanager
def progress(what: str) -> Iterator[None]:
    """Say on standard error what takes so long, once it does, when that is a terminal; take it away at the end."""
    stream = sys.stderr
    if stream is None or not stream.isatty():
        yield
        return
    from threading import Timer  # noqa: PLC0415 - only for people

    said: list[str] = []

    def say() -> None:
        said.append(f"caldiff: {what} ...")
        stream.write(said[0])
        stream.flush()

    timer = Timer(_PATIENCE, say)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        timer.join()
        if said:
            stream.write(f"\r{' ' * len(said[0])}\r")
            stream.flush()


def counted(items: Sequence[T], what: str) -> Iterator[T]:
    """The items one by one; on a terminal it is said on standard error how far they are, once they take long."""
    stream = sys.stderr
    if stream is None or not stream.isatty():
        yield from items
        return
    from time import monotonic  # noqa: PLC0415 - only for people

    due = monotonic() + _PATIENCE
    said = ""
    try:
        for n, item in enumerate(items, 1):
            if monotonic() >= due:
                said = f"caldiff: {what}, {n} of {len(items)} ..."
                stream.write(f"\r{said}")
                stream.flush()
                due = monotonic() + _BETWEEN
            yield item
    finally:
        if said:
            stream.write(f"\r{' ' * len(said)}\r")
            stream.flush()


class Counter:
    """Says on a terminal how far something is, once it takes long, and takes the words away at the end.

    Called with what is done and what there is, as two numbers; or with any words.
    """

    def __init__(self, what: str) -> None:
        self._what = what
        self._said = ""
        self._due = 0.0
        stream = sys.stderr
        self._stream = stream if stream is not None and stream.isatty() else None

    def __enter__(self) -> Self:
        if self._stream is not None:
            from time import monotonic  # noqa: PLC0415 - only for people

            self._clock = monotonic
            self._due = monotonic() + _PATIENCE
        return self

    def __call__(self, *far: object) -> None:
        """Say it, if it is time."""
        if self._stream is None or self._clock() < self._due:
            return
        self._due = self._clock() + _BETWEEN
        self.__exit__()
        self._said = f"caldiff: {self._what}, {harmless(' of '.join(map(str, far)))} ..."
        self._stream.write(self._said)
        self._stream.flush()

    def __exit__(self, *_: object) -> None:
        if self._stream is not None and self._said:
            self._stream.write(f"\r{' ' * len(self._said)}\r")
            self._stream.flush()
            self._said = ""
