"""Sections: mappings with fixed keys, each key of a kind (see :mod:`caldiff.definition.kinds`)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import attrs

from caldiff.definition.kinds import Kind, Read, refuse
from caldiff.definition.problems import Problem, Wrong

__all__ = ["Field", "Section"]


@attrs.frozen(kw_only=True)
class Field:
    """One key of a section.

    Attributes:
        doc: one sentence for people who write definitions.
        needed: ``always``, or ``placed``: by the definition that has an image, at the latest.
    """

    key: str
    kind: Kind
    doc: str
    needed: str = ""


@attrs.frozen(kw_only=True)
class Section:
    """A mapping with fixed keys.

    Attributes:
        name: of the schema, such as ``table``; what: in messages, such as ``a table``.
    """

    name: str
    what: str
    doc: str
    fields: tuple[Field, ...]
    readers: Mapping[str, Read] = attrs.field(init=False, repr=False)
    always: tuple[str, ...] = attrs.field(init=False, repr=False)
    placed: tuple[str, ...] = attrs.field(init=False, repr=False)

    @readers.default
    def _readers(self) -> Mapping[str, Read]:
        return {f.key: f.kind.read for f in self.fields}

    @always.default
    def _always(self) -> tuple[str, ...]:
        return tuple(f.key for f in self.fields if f.needed == "always")

    @placed.default
    def _placed(self) -> tuple[str, ...]:
        return tuple(f.key for f in self.fields if f.needed)

    @property
    def kind(self) -> Kind:
        """The section as a kind of value."""
        return Kind(what=self.what, read=self.read, schema={"$ref": f"#/$defs/{self.name}"})

    def read(self, value: Any) -> dict[str, Any]:
        """The mapping with every value read; a null stays, for it takes an inherited value away.

        Raises:
            Wrong: with every problem inside.
        """
        if type(value) is not dict:
            raise refuse(value, self.what)
        readers = self.readers
        found: dict[str, Any] = {}
        problems: list[Problem] = []
        for key, item in value.items():
            try:
                found[key] = None if item is None else readers[key](item)
            except KeyError:
                problems.append(self.unknown(key))
            except Wrong as wrong:
                problems += wrong.under(key)
        problems += [self.lacks(key) for key in self.always if key not in value]
        if problems:
            raise Wrong(problems)
        return found

    def lacks(self, key: str) -> Problem:
        """The problem that a needed key is not there."""
        field = next(f for f in self.fields if f.key == key)
        return Problem(f"{self.what} needs the key {key}", expected=field.kind.what, hint=field.doc)

    def unknown(self, key: str) -> Problem:
        """The problem that a key has no business here."""
        return Problem(
            f"{self.what} has no such key",
            hint=f"the keys here are {', '.join(self.readers)}",
            word=key,
            words=self.readers,
            path=(key,),
            at_key=True,
        )
