"""What the frozen value classes share."""

from __future__ import annotations

import attrs

__all__ = ["Value"]


class Value:
    """A ``repr`` worked out when somebody asks, with the fields that differ from their defaults.

    attrs would compile one for every class at import, which a short process pays for and nobody reads.
    """

    __slots__ = ()

    def __repr__(self) -> str:
        fields = attrs.fields(type(self))  # type: ignore[arg-type] # subclasses are attrs classes
        shown = (f"{f.name}={getattr(self, f.name)!r}" for f in fields if f.repr and not _is_default(self, f))
        return f"{type(self).__name__}({', '.join(shown)})"


def _is_default(value: object, field: attrs.Attribute[object]) -> bool:
    return type(field.default) in {bool, int, str, tuple, type(None)} and getattr(value, field.name) == field.default
