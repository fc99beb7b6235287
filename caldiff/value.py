"""What the frozen value classes share.

attrs would write and compile these methods for every class at import; a short process pays for that and hardly ever
calls them. So the classes are made with ``eq=False, repr=False`` and inherit one of these.

attrs itself, and ``typing``, take longer to import than Python to start. So the few classes that restoring a file needs
are not of attrs, and inherit :class:`Plain`.
"""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, NoReturn

    import attrs

__all__ = ["Plain", "Shown", "Value"]


class Plain:
    """A frozen value without attrs: equal to another of its class with equal slots. ``_set`` is for ``__init__``."""

    __slots__: tuple[str, ...] = ()

    def _set(self, **fields: object) -> None:
        for name, value in fields.items():
            object.__setattr__(self, name, value)

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise AttributeError(f"{type(self).__name__} is frozen: {name} cannot be set")

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        return all(getattr(self, name) == getattr(other, name) for name in self.__slots__)

    def __hash__(self) -> int:
        return hash((type(self), *(getattr(self, name) for name in self.__slots__)))

    def __repr__(self) -> str:
        return f"{type(self).__name__}({', '.join(f'{name}={getattr(self, name)!r}' for name in self.__slots__)})"

    def __setstate__(self, state: tuple[None, dict[str, object]]) -> None:
        """What ``copy`` and ``pickle`` ask for."""
        self._set(**state[1])


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
    import attrs  # noqa: PLC0415 - see above

    fields: tuple[attrs.Attribute[Any], ...] = attrs.fields(type(value))  # type: ignore[arg-type] # they are all of attrs
    return fields


def _is_default(value: object, field: attrs.Attribute[Any]) -> bool:
    return type(field.default) in {bool, int, str, tuple, type(None)} and getattr(value, _name(field)) == field.default
