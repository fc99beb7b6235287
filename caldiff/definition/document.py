"""YAML text -> plain values, strictly: no anchors, no tags, no key twice, one document.

Two parsers stand behind it. libyaml, through PyYAML's events, is the one that decides: it knows where everything stands
and refuses what the format refuses. rapidyaml is several times faster but gives no places, and reads a few rare
spellings its own way; it is asked first, only for text that has none of them, and any doubt goes to the other one.

Values are None, bool, int, :class:`Decimals`, str, list and dict. Hexadecimal, octal and binary integers and fractions
stay text here; where a number is expected, they are read as one.
"""

from __future__ import annotations

import json
import os
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import attrs

from caldiff.definition.problems import Path, Problem, Wrong

__all__ = ["MOST_BYTES", "MOST_PROBLEMS", "Decimals", "Document", "Place", "decoded", "read"]

MOST_BYTES = 16 << 20
"""a hundred thousand tables; more is refused before it is parsed"""
_MOST_MARKS = 2 << 20
"""commas, colons and the like: they bound the number of nodes, thus the memory, before anything is parsed"""
_MOST_DEPTH = 32
MOST_PROBLEMS = 1000
"""told in one run"""

_ODD = re.compile("[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")
"""control characters, Unicode line separators (lines in YAML 1.1, none in 1.2), the byte order mark, non-characters"""
_PLAIN = bytes([9, 10, 13, *range(0x20, 0x7F)])
_DOUBTFUL = re.compile(r"[&*!@`%?](?<![^\s\[\]{},:-].)(?!(?<=[A-Za-z0-9)] .) )")
_DOUBTFUL_FLOW = re.compile(r"[\[{,'\"](?:(?<=[\[{,])\s*:\s|(?<=['\"]) +[^ \n#:,\]}])")
"""anchors, aliases, tags, directives, explicit keys, empty keys and stray brackets, or what looks so; not ``a * b``"""
_DOUBTFUL_WORDS = re.compile("[~NTF](?:(?<=~)|(?<=N)(?:ull|ULL)|(?<=T)(?:rue|RUE)|(?<=F)(?:alse|ALSE))")
"""null, true and false in the spellings that rapidyaml gives as text, quoted or not"""
_DOUBTFUL_TEXT = ("\\", "\t", "\r", "\n---", "\n...", " ...")
"""escapes, tabs, old line ends, document marks"""
_DOUBTFUL_JSON = (" #", 'inf"', 'nan"', ' "}', ' "]')
"""rapidyaml takes some comments inside flow collections, and brackets after a comment, for text, and inf for .inf"""

_NULL = frozenset(["", "~", "null", "Null", "NULL"])
_BOOL = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}
_INT = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,999})")
_FLOAT = re.compile(
    r"[-+]?(?:\.[0-9]+|(?:0|[1-9][0-9]*)\.[0-9]*|[1-9][0-9]*(?=[eE]))(?:[eE][-+]?[0-9]+)?"
    r"|[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)"
)
"""as the core schema has it, but for a leading zero"""


class Decimals(str):
    """A plain number with a point or an exponent, as it is written."""

    __slots__ = ()


@attrs.define
class Place:
    """Where a node stands, 1-based, and the places inside it: by key with the key's own place, or by position."""

    line: int
    column: int
    items: dict[str, tuple[Place, Place]] | list[Place] | None = None

    def find(self, path: Path, *, at_key: bool = False) -> tuple[Place, int]:
        """The place of the longest part of the path that is there, and how many steps that is."""
        place, key = self, self
        for depth, step in enumerate(path):
            found = place._step(step)
            if found is None:
                return key if at_key else place, depth
            key, place = found
        return key if at_key else place, len(path)

    def _step(self, step: str | int) -> tuple[Place, Place] | None:
        if isinstance(self.items, dict):
            return self.items.get(str(step))
        if isinstance(self.items, list) and isinstance(step, int) and step < len(self.items):
            return (self.items[step], self.items[step])
        return None


@attrs.define
class Document:
    """What a text says. ``places`` and ``problems`` are there when the positioned parser read it."""

    tree: dict[str, Any]
    nulls: bool
    """a null stands somewhere"""
    places: Place | None = None
    problems: list[Problem] = attrs.Factory(list)


def decoded(data: bytes, *, what: str = "definition") -> str:
    """The text of a definition file (or ``what`` it is): UTF-8 of a sane size, without control characters.

    Raises:
        Wrong: it is none; the problem carries its line and column.
    """
    if len(data) > MOST_BYTES:
        raise Wrong(
            f"the file is too large for a {what}", expected=f"at most {MOST_BYTES} bytes", got=f"{len(data)} or more"
        )
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8")
        raise _odd(before, "the file is not UTF-8 text", f"the byte 0x{data[error.start]:02X}") from None
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    odd = None if text.isascii() and not data.translate(None, _PLAIN) else _ODD.search(text)
    if odd:
        raise _odd(text[: odd.start()], f"a character that has no business in a {what}", f"U+{ord(odd[0]):04X}")
    if len(text) > _MOST_MARKS and sum(map(text.count, (",", ":", "[", "{", "\n", "- "))) > _MOST_MARKS:
        raise Wrong(f"the file holds more values than a {what} may", expected=f"at most {_MOST_MARKS}")
    return text if text.endswith("\n") else f"{text}\n"  # the parsers do not agree on a block of text without it


def _odd(before: str, reason: str, got: str) -> Wrong:
    line = before.count("\n") + 1
    return Wrong(reason, got=got, line=line, column=len(before) - before.rfind("\n"))


def read(text: str, *, places: bool = False, what: str = "definition") -> Document:
    """What the text says; with ``places``, by the parser that knows them. ``what`` it is, for messages.

    Raises:
        Wrong: no YAML mapping; the problem carries its place.
    """
    found = None if places else _fast(text)
    return found or _positioned(text, what)


# ------------------------------------------------------------------------------------------------------- rapidyaml


def _fast(text: str) -> Document | None:
    """What rapidyaml makes of the text; None at the slightest doubt."""
    if text.startswith(("---", "...")) or any(word in text for word in _DOUBTFUL_TEXT):
        return None
    if _DOUBTFUL.search(text) or _DOUBTFUL_FLOW.search(text) or _DOUBTFUL_WORDS.search(text):
        return None
    import ryml  # noqa: PLC0415 - starts slowly, and only a definition that is not yet compiled needs it

    buffer = bytearray(text, "utf-8")
    try:
        with _quiet():
            plain: str | None = ryml.emit_json(ryml.parse_in_place(buffer))
    except (ryml.ExceptionBasic, ryml.ExceptionParse, ryml.ExceptionVisit, UnicodeError):
        return None
    if plain is None or any(word in plain for word in _DOUBTFUL_JSON):
        return None
    try:
        tree = json.loads(plain, object_pairs_hook=_once, parse_float=Decimals, parse_constant=_no_number)
    except (ValueError, RecursionError):
        return None
    return Document(tree=tree, nulls="null" in plain) if isinstance(tree, dict) else None


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key twice")
    return found


def _no_number(word: str) -> None:
    raise ValueError(word)


_quiet_lock = threading.Lock()


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep rapidyaml from writing its errors to the process's standard error, which it does beside raising them."""
    with _quiet_lock:
        try:
            kept = os.dup(2)
        except OSError:  # no standard error at all
            yield
            return
        try:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 2)
            os.close(nowhere)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)


# --------------------------------------------------------------------------------------------------------- libyaml


def _positioned(text: str, what: str) -> Document:
    import yaml  # noqa: PLC0415 - starts slowly, see above

    parser = getattr(yaml, "CBaseLoader", yaml.BaseLoader)(text)
    try:
        return _Composer(parser.get_event, yaml, what).document()
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
        reason = getattr(error, "problem", None) or str(error).splitlines()[0]
        context = getattr(error, "context", None)
        raise Wrong(
            f"not YAML: {reason}" + (f" {context}" if context else ""),
            line=mark.line + 1 if mark else None,
            column=mark.column + 1 if mark else None,
        ) from None
    finally:
        parser.dispose()


@attrs.define
class _Open:
    """A collection whose end has not come yet; ``key`` waits for its value."""

    value: Any
    place: Place
    key: tuple[str, Place] | None = None


@attrs.define
class _Composer:
    """Events -> plain values and their places, without recursion."""

    next_event: Any
    yaml: Any
    what: str
    problems: list[Problem] = attrs.Factory(list)
    stack: list[_Open] = attrs.Factory(list)
    documents: list[tuple[Any, Place]] = attrs.Factory(list)
    nulls: bool = False

    def document(self) -> Document:
        yaml = self.yaml
        while not isinstance(event := self.next_event(), yaml.StreamEndEvent):
            if isinstance(event, yaml.ScalarEvent):
                self._scalar(event)
            elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
                self._start(event, {} if isinstance(event, yaml.MappingStartEvent) else [])
            elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
                done = self.stack.pop()
                self._put(done.value, done.place)
            elif isinstance(event, yaml.AliasEvent):
                self._refuse(event, "aliases are not part of the format", hint=_BY_NAME)
                self._leaf(f"*{event.anchor}", None, _place(event))
            elif isinstance(event, yaml.DocumentStartEvent):
                self._document_start(event)
        if not self.documents:
            raise Wrong("the file is empty", expected=f"a {self.what}")
        tree, place = self.documents[0]
        if not isinstance(tree, dict):
            raise Wrong(f"this is no {self.what}", expected=f"a mapping with the key {self.what}", line=1, column=1)
        return Document(tree=tree, nulls=self.nulls, places=place, problems=self.problems)

    def _document_start(self, event: Any) -> None:
        if event.version or event.tags:
            self._refuse(event, "directives are not part of the format", hint="take the lines that begin with % away")
        if self.documents:
            raise _wrong_at(event, "a second document begins here", hint=f"one file holds one {self.what}")

    def _start(self, event: Any, value: Any) -> None:
        self._properties(event)
        if len(self.stack) >= _MOST_DEPTH:
            raise _wrong_at(event, f"more than {_MOST_DEPTH} collections inside one another")
        self.stack.append(_Open(value, Place(*_line_column(event), {} if isinstance(value, dict) else [])))

    def _scalar(self, event: Any) -> None:
        self._properties(event)
        self._leaf(event.value, plain(event.value) if event.implicit[0] else event.value, _place(event))

    def _leaf(self, text: str, value: Any, place: Place) -> None:
        """A scalar or alias: a key where one is due, else a value."""
        top = self.stack[-1] if self.stack else None
        if top is not None and top.key is None and isinstance(top.value, dict):
            if text == "<<":
                self._problem(place, "merge keys are not part of the format", hint=_BY_NAME)
            top.key = (text, place)
        else:
            self._put(value, place)

    def _properties(self, event: Any) -> None:
        if event.anchor is not None:
            self._refuse(event, "anchors are not part of the format", hint=_BY_NAME)
        if event.tag is not None:
            self._refuse(event, "tags are not part of the format", hint="the key decides the type: take the tag away")

    def _put(self, value: Any, place: Place) -> None:
        self.nulls |= value is None
        if not self.stack:
            self.documents.append((value, place))
            return
        top = self.stack[-1]
        if isinstance(top.value, list):
            top.value.append(value)
            items: Any = top.place.items  # of a list, a list of places
            items.append(place)
        elif top.key is None:
            self._problem(place, "a collection cannot be a key", hint="a key is one word")
            top.key = ("", place)
        else:
            self._pair(top, *top.key, value, place)
            top.key = None

    def _pair(self, top: _Open, key: str, at: Place, value: Any, place: Place) -> None:
        items: Any = top.place.items
        if key in top.value:
            first = items[key][0]
            self._problem(at, f"the key {key} stands here twice", hint=f"it is already in line {first.line}")
        else:
            top.value[key] = value
            items[key] = (at, place)

    def _refuse(self, event: Any, reason: str, *, hint: str) -> None:
        self._problem(_place(event), reason, hint=hint)

    def _problem(self, place: Place, reason: str, *, hint: str) -> None:
        self.problems.append(Problem(reason, hint=hint, line=place.line, column=place.column))
        if len(self.problems) >= MOST_PROBLEMS:
            raise Wrong([*self.problems, Problem("there are more problems than these")])


_BY_NAME = "things are used again by their name, and whole files by extends"


def plain(text: str) -> Any:
    """The value of an unquoted scalar."""
    if text in _NULL:
        return None
    if (word := _BOOL.get(text)) is not None:
        return word
    if _INT.fullmatch(text):
        return int(text)
    return Decimals(text) if _FLOAT.fullmatch(text) else text


def _line_column(event: Any) -> tuple[int, int]:
    return event.start_mark.line + 1, event.start_mark.column + 1


def _place(event: Any) -> Place:
    return Place(*_line_column(event))


def _wrong_at(event: Any, reason: str, *, hint: str | None = None) -> Wrong:
    line, column = _line_column(event)
    return Wrong(reason, hint=hint, line=line, column=column)
