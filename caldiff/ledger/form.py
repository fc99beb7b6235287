"""Values of :mod:`caldiff.ledger.entry` <-> plain values for JSON, told by the types that the classes declare.

An object has the attributes' names as its keys, without those at their defaults. A digest is its hexadecimal digits; a
tuple is a list; pairs are an object, so they are kept by key.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import attrs

from caldiff.canonical import Digest
from caldiff.errors import LedgerError

__all__ = ["Form", "form_of"]

_LARGEST = 2**53 - 1


@attrs.frozen(kw_only=True)
class Form:
    """How a type is written and read. ``read`` takes the place for its errors, too: dotted keys from the kind on."""

    write: Callable[[Any], Any]
    read: Callable[[Any, str], Any]


@cache
def form_of(hint: Any) -> Form:
    """The form of a type that an attribute declares."""
    if hint in _SIMPLE:
        return _SIMPLE[hint]
    if attrs.has(hint):
        return _record(hint)
    origin, args = get_origin(hint), get_args(hint)
    if origin is Literal:
        return _choice(args)
    if origin in {Union, UnionType}:
        return _optional(form_of(next(a for a in args if a is not type(None))))
    if origin is tuple:
        return _pairs(form_of(get_args(args[0])[1])) if get_origin(args[0]) is tuple else _listing(form_of(args[0]))
    raise TypeError(f"{hint} has no form")


def _wrong(where: str, expected: str, value: object) -> LedgerError:
    shown = "an object" if isinstance(value, dict) else "a list" if isinstance(value, list) else repr(value)
    return LedgerError(f"{where} is of the wrong type", expected=expected, got=f"{shown:.80}")


def _same(value: Any) -> Any:
    return value


def _read_text(value: Any, where: str) -> str:
    if not isinstance(value, str):
        raise _wrong(where, "text", value)
    return value


def _read_bool(value: Any, where: str) -> bool:
    if not isinstance(value, bool):
        raise _wrong(where, "true or false", value)
    return value


def _write_count(value: int) -> int:
    if type(value) is not int or not 0 <= value <= _LARGEST:
        raise LedgerError("a number cannot be recorded", expected="a whole number from 0 to 2**53 - 1", got=repr(value))
    return value


def _read_count(value: Any, where: str) -> int:
    if type(value) is not int or value < 0:
        raise _wrong(where, "a whole number from 0 on", value)
    return value


def _read_digest(value: Any, where: str) -> Digest:
    try:
        return Digest(hex=_read_text(value, where))
    except ValueError:
        raise _wrong(where, "a SHA-256 in 64 lower-case hexadecimal digits", value) from None


_SIMPLE: dict[Any, Form] = {
    str: Form(write=_same, read=_read_text),
    bool: Form(write=_same, read=_read_bool),
    int: Form(write=_write_count, read=_read_count),
    Digest: Form(write=lambda digest: digest.hex, read=_read_digest),
}


def _choice(words: tuple[str, ...]) -> Form:
    def read(value: Any, where: str) -> str:
        if not isinstance(value, str) or value not in words:
            raise _wrong(where, " or ".join(words), value)
        return value

    return Form(write=_same, read=read)


def _optional(form: Form) -> Form:
    return Form(
        write=lambda value: None if value is None else form.write(value),
        read=lambda value, where: None if value is None else form.read(value, where),
    )


def _listing(form: Form) -> Form:
    def read(value: Any, where: str) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise _wrong(where, "a list", value)
        return tuple(form.read(item, f"{where}[{at}]") for at, item in enumerate(value))

    return Form(write=lambda values: [form.write(value) for value in values], read=read)


def _pairs(form: Form) -> Form:
    def write(pairs: tuple[tuple[str, Any], ...]) -> dict[str, Any]:
        found = {key: form.write(value) for key, value in pairs}
        if len(found) != len(pairs):
            twice = next(key for key, _ in pairs if sum(key == other for other, _ in pairs) > 1)
            raise LedgerError(f"{twice!r:.80} stands twice where it can stand once")
        return found

    def read(value: Any, where: str) -> tuple[tuple[str, Any], ...]:
        if not isinstance(value, dict):
            raise _wrong(where, "an object", value)
        return tuple((key, form.read(value[key], f"{where}.{key}")) for key in sorted(value))

    return Form(write=write, read=read)


def _record(kind: type) -> Form:
    hints = get_type_hints(kind)
    fields = {field.name: (form_of(hints[field.name]), field.default) for field in attrs.fields(kind)}
    needed = [name for name, (_, default) in fields.items() if default is attrs.NOTHING]

    def write(value: Any) -> dict[str, Any]:
        if type(value) is not kind:
            raise TypeError(f"{type(value).__name__} stands where {kind.__name__} belongs")
        held = ((name, form, default, getattr(value, name)) for name, (form, default) in fields.items())
        return {name: form.write(item) for name, form, default, item in held if item != default}

    def read(value: Any, where: str) -> Any:
        if not isinstance(value, dict):
            raise _wrong(where, "an object", value)
        if missing := [name for name in needed if name not in value]:
            raise LedgerError(f"{where} lacks {', '.join(missing)}")
        if unknown := [key for key in value if key not in fields]:
            raise LedgerError(f"{where} has an unknown key", expected=", ".join(fields), got=f"{unknown[0]!r:.80}")
        return kind(**{key: fields[key][0].read(item, f"{where}.{key}") for key, item in value.items()})

    return Form(write=write, read=read)
