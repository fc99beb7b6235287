"""The kinds of value that a definition is made of: how each is read, and what an editor's schema says about it.

A kind reads a plain value (see :mod:`caldiff.definition.document`) into the form that it has in the normal form, or
raises :class:`Wrong`. The sections in :mod:`caldiff.definition.fields` are made of these,
by way of :mod:`caldiff.definition.sections`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from fractions import Fraction
from functools import lru_cache
from typing import Any, TypeGuard

import attrs

from caldiff.definition.model import TYPES
from caldiff.definition.problems import Problem, Wrong, seen

__all__ = [
    "ADDRESSES",
    "BOOL",
    "NAME",
    "NUMBER",
    "TEXT",
    "Kind",
    "Read",
    "choice",
    "either",
    "integer",
    "is_name",
    "listing",
    "mapping",
    "refuse",
    "text",
]

Schema = dict[str, Any]
Read = Callable[[Any], Any]

ADDRESSES = 2**64
"""addresses end here"""

_INTEGER = re.compile(
    r"([-+]?)(0x[0-9A-Fa-f]+(?:_[0-9A-Fa-f]+)*|0b[01]+(?:_[01]+)*|0o[0-7]+(?:_[0-7]+)*|(?:0|[1-9][0-9]*(?:_[0-9]+)*))",
    re.ASCII,
)
_NUMBER = re.compile(
    r"[-+]?(?:[0-9]{1,40}(?:\.[0-9]{0,40})?|\.[0-9]{1,40})(?:[eE][-+]?[0-9]{1,3})?|[-+]?[0-9]{1,40}/[0-9]{1,40}",
    re.ASCII,
)
_LEADING_ZERO = re.compile(r"[-+]?0[0-9_]+", re.ASCII)
_NAME = re.compile(
    r"(?!(?:true|True|TRUE|false|False|FALSE|null|Null|NULL)\Z)[A-Za-z_][A-Za-z0-9_.\[\]-]{0,254}", re.ASCII
)
_LONGEST_INTEGER = 80


@attrs.frozen(kw_only=True)
class Kind:
    """A kind of value.

    Attributes:
        what: what it is called in messages, with its article.
        read: plain value -> value of the normal form; raises Wrong.
        schema: the same in JSON Schema, as far as that can say it.
        section: of a mapping with fixed keys, its section.
    """

    what: str
    read: Read = attrs.field(repr=False)
    schema: Schema = attrs.field(repr=False)


def refuse(value: object, what: str, hint: str | None = None) -> Wrong:
    """That a value is not what stands there, or of another type altogether."""
    reason = "the value cannot be read" if isinstance(value, str) else "the value is of the wrong type"
    return Wrong(reason, expected=what, got=seen(value), hint=hint)


def whole(value: Any) -> int | None:
    """The integer that a plain value stands for, or None."""
    if type(value) is int:
        return value
    if type(value) is str and len(value) <= _LONGEST_INTEGER and _INTEGER.fullmatch(value):
        return int(value, 0)
    return None


def _hint_for(value: Any) -> str | None:
    if isinstance(value, str) and _LEADING_ZERO.fullmatch(value):
        digits = value.lstrip("+-0_") or "0"
        return f"a leading zero reads as octal to some: write {digits}, or 0o{digits} if octal is meant"
    return None


def integer(what: str, lowest: int, highest: int, *, size: bool = False) -> Kind:
    """An integer within ``[lowest, highest]``; with ``size``, KiB and MiB are understood."""

    def read(value: Any) -> int:
        number = whole(value)
        if number is None and size and type(value) is str:
            number = _size(value)
        if number is None:
            raise refuse(value, what, _hint_for(value))
        if not lowest <= number <= highest:
            raise Wrong(
                "the number is out of range",
                expected=f"{what} from {_shown(lowest)} to {_shown(highest)}",
                got=seen(value),
            )
        return number

    pattern = r"^([-+]?(0x[0-9A-Fa-f_]+|0b[01_]+|0o[0-7_]+|[0-9][0-9_]*))" + (r"( *(KiB|MiB))?$" if size else "$")
    bounds = {"minimum": lowest, "maximum": highest}
    return Kind(what=what, read=read, schema={"type": ["integer", "string"], "pattern": pattern, **bounds})


def _size(value: str) -> int | None:
    number, unit = value[:-3].rstrip(" "), value[-3:]
    count = whole(number)
    return None if count is None or unit not in _UNITS else count * _UNITS[unit]


_UNITS = {"KiB": 1 << 10, "MiB": 1 << 20}


def _shown(number: int) -> str:
    return str(number) if abs(number) < 1 << 20 else f"0x{number:X}"


def read_number(value: Any) -> str:
    """An exact number as a fraction in lowest terms, such as ``1/4`` or ``-40``."""
    if type(value) is int:
        if -(10**40) < value < 10**40:
            return str(value)
    elif isinstance(value, str) and (exact := _exact(value)) is not None:
        return exact
    raise refuse(value, NUMBER.what, _hint_for(value))


@lru_cache(maxsize=4096)
def _exact(value: str) -> str | None:
    if (number := whole(value)) is not None:
        return str(number)
    if _LEADING_ZERO.fullmatch(value) or not _NUMBER.fullmatch(value):
        return None
    try:
        return str(Fraction(value))
    except ZeroDivisionError:
        return None


NUMBER = Kind(
    what="a number, such as 12, 0.25 or 1/4",
    read=read_number,
    schema={
        "type": ["number", "string"],
        "pattern": r"^[-+]?(([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?|[0-9]+/[0-9]+|0[xbo][0-9A-Fa-f_]+|[0-9_]+)$",
    },
)


def text(what: str = "text", *, longest: int = 10_000, empty: bool = True) -> Kind:
    """Text of at most so many characters."""

    def read(value: Any) -> str:
        if type(value) is not str:
            raise refuse(
                value, what, None if isinstance(value, (dict, list)) else "put it in quotes if it is meant as text"
            )
        if len(value) > longest:
            raise Wrong("the text is too long", expected=f"at most {longest} characters", got=f"{len(value)}")
        if not value and not empty:
            raise Wrong("the text is empty", expected=what)
        return value

    schema: Schema = {"type": "string", "maxLength": longest}
    return Kind(what=what, read=read, schema=schema if empty else {**schema, "minLength": 1})


TEXT = text()


def is_name(value: object) -> TypeGuard[str]:
    """Whether it is the name of a table, axis or the like."""
    return type(value) is str and _NAME.fullmatch(value) is not None


def read_name(value: Any) -> str:
    """The name of a table, axis or the like."""
    if is_name(value):
        return value
    raise Wrong(
        "this is no name",
        expected="a letter or underscore, then letters, digits, _ . - [ ] (at most 255, and not true, false or null)",
        got=seen(value),
    )


NAME = Kind(
    what="a name",
    read=read_name,
    schema={
        "type": "string",
        "pattern": r"^(?!([Tt]rue|TRUE|[Ff]alse|FALSE|[Nn]ull|NULL)$)[A-Za-z_][A-Za-z0-9_.\[\]-]{0,254}$",
    },
)


def _read_bool(value: Any) -> bool:
    if type(value) is not bool:
        raise refuse(value, BOOL.what)
    return value


BOOL = Kind(what="true or false", read=_read_bool, schema={"type": "boolean"})


def choice(*words: str, what: str | None = None) -> Kind:
    """One of a few words."""
    table = {w: w for w in words}
    named = what or (" or ".join(words) if len(words) < 4 else f"one of {', '.join(words)}")  # noqa: PLR2004 - reads well

    def read(value: Any) -> str:
        try:
            return table[value]
        except (KeyError, TypeError):
            word = value if isinstance(value, str) else None
            raise Wrong(
                "this word is not known here", expected=named, got=seen(value), word=word, words=words
            ) from None

    return Kind(what=named, read=read, schema={"enum": list(words)})


TYPE = choice(*TYPES, what=f"a type: {', '.join(TYPES)}")
UNSIGNED = choice("u8", "u16", "u32", "u64")


def listing(item: Kind, what: str, *, least: int = 0, most: int = 1 << 16) -> Kind:
    """A list of so many items of one kind."""
    bounds = f"{least}" if least == most else f"{least} to {most}"

    def read(value: Any) -> list[Any]:
        if type(value) is not list:
            raise refuse(value, what)
        if not least <= len(value) <= most:
            raise Wrong(
                "the list has the wrong length", expected=f"{what} with {bounds} items", got=f"{len(value)} items"
            )
        try:
            found = [item.read(v) for v in value]
        except Wrong:
            raise Wrong(_each((n, v, item.read) for n, v in enumerate(value))) from None
        if dict in map(type, value) and (nulls := list(_nulls(value))):
            raise Wrong(nulls)
        return found

    schema: Schema = {"type": "array", "items": item.schema, "minItems": least, "maxItems": most}
    return Kind(what=what, read=read, schema=schema)


def _nulls(value: Any, *path: Any) -> Iterator[Problem]:
    """The nulls within a list: it replaces what was inherited as a whole, so there is nothing to take away."""
    if isinstance(value, (dict, list)):
        for step, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _nulls(inner, *path, step)
    elif value is None:
        hint = "give a value, or take the line away"
        yield Problem("nothing is inherited here that null could take away", path=path, at_key=True, hint=hint)


def _each(items: Any) -> list[Problem]:
    """The problems of all items ``(step, value, read)``."""
    problems: list[Problem] = []
    for step, value, read in items:
        try:
            read(value)
        except Wrong as wrong:
            problems += wrong.under(step)
    return problems


def mapping(key: Kind, item: Kind, what: str, *, most: int = 1 << 20) -> Kind:
    """A mapping from any keys of one kind to items of one kind; a null takes an inherited item away."""

    def read(value: Any) -> dict[Any, Any]:
        if type(value) is not dict:
            raise refuse(value, what)
        if len(value) > most:
            raise Wrong("the mapping is too long", expected=f"at most {most} keys", got=f"{len(value)}")
        found: dict[Any, Any] = {}
        problems: list[Problem] = []
        for k, v in value.items():
            try:
                name = key.read(k)
                if name in found:
                    problems.append(
                        Problem("the same key twice, spelled in two ways", got=seen(k), path=(k,), at_key=True)
                    )
                found[name] = None if v is None else item.read(v)
            except Wrong as wrong:
                problems += wrong.under(k) if k in value and _reads(key, k) else _as_key(wrong, k)
        if problems:
            raise Wrong(problems)
        return found

    schema: Schema = {
        "type": "object",
        "propertyNames": _as_text(key.schema),
        "additionalProperties": nullable(item.schema),
    }
    return Kind(what=what, read=read, schema=schema)


def _reads(kind: Kind, value: Any) -> bool:
    try:
        kind.read(value)
    except Wrong:
        return False
    return True


def _as_key(wrong: Wrong, key: str) -> list[Problem]:
    return [attrs.evolve(p, path=(key,), at_key=True) for p in wrong.problems]


def _as_text(schema: Schema) -> Schema:
    return {**schema, "type": "string"}


def nullable(schema: Schema) -> Schema:
    """The schema of a value that an inheriting file may take away by null."""
    if "enum" in schema:
        return {**schema, "enum": [*schema["enum"], None]}
    if "type" in schema and "$ref" not in schema:
        types = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
        return {**schema, "type": [*types, "null"]}
    return {"anyOf": [schema, {"type": "null"}]}


def either(scalar: Kind, collection: Kind, *, many: type = dict) -> Kind:
    """One of two kinds, told apart by whether the value is a mapping (or, with ``many``, a list)."""
    # Most are words, and the same few words again and again.
    known = lru_cache(maxsize=4096)(scalar.read)

    def read(value: Any) -> Any:
        if type(value) is str:
            return known(value)
        if type(value) is many:
            return collection.read(value)
        if isinstance(value, (dict, list)):
            raise refuse(value, f"{scalar.what}, or {collection.what}")
        return scalar.read(value)

    return Kind(
        what=f"{scalar.what}, or {collection.what}",
        read=read,
        schema={"anyOf": [scalar.schema, collection.schema]},
    )
