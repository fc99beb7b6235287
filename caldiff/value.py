"""What the frozen value classes share.

attrs would write and compile these methods for every class at import; a short process pays for that and hardly ever
calls them. So the classes are made with ``eq=False, repr=False`` and inherit one of these.
"""

from __future__ import annotations

from typing import Any

import attrs

__all__ = ["Shown", "Value"]


class Shown:
    """A ``repr`` of the fields that differ from their defaults; equal to itself only."""

    __slots__ = ()

    def __repr__(self) -> str:
        told = [f for f in _fields(self) if f.repr and not _is_default(self, f)]
        shown = (f"{_name(f)}={getattr(self, _name(f))!r}" for f in told)
        return f"{type(self).__name__}({', '.join(shown)})"


class Value(Shown):
    """Equal to another of its class with equal fields, and hashed by them, as attrs has it."""

    __slots__ = ()

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        return all(getattr(self, _name(f)) == getattr(other, _name(f)) for f in _fields(self) if f.eq)

    def __hash__(self) -> int:
        return hash((type(self), *(getattr(self, _name(f)) for f in _fields(self) if f.eq and f.hash is not False)))


def _name(field: attrs.Attribute[Any]) -> str:
    """What a field is read by: where a class keeps a private one, the property that it stands behind."""
    return field.name.lstrip("_")


def _fields(value: object) -> tuple[attrs.Attribute[Any], ...]:
    fields: tuple[attrs.Attribute[Any], ...] = attrs.fields(type(value))  # type: ignore[arg-type] # they are all of attrs
    return fields


def _is_default(value: object, field: attrs.Attribute[Any]) -> bool:
    return type(field.default) in {bool, int, str, tuple, type(None)} and getattr(value, _name(field)) == field.default
