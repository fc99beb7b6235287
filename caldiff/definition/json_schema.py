"""JSON Schemas of definition files and their like, for editors, made from the description that the loader checks by."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from caldiff.definition.fields import DEFINITION, SECTIONS
from caldiff.definition.kinds import nullable
from caldiff.definition.sections import Section

__all__ = ["definition_json_schema", "schema_of"]


def definition_json_schema() -> dict[str, Any]:
    """The schema (JSON Schema 2020-12) of a definition file as a YAML 1.2 parser reads it.

    It knows the structure: keys, types, words. What only the whole can tell, such as a name that leads nowhere, the
    loader tells. ``docs/schemas/definition.schema.json`` is this value.
    """
    return schema_of(DEFINITION, SECTIONS, title="caldiff definition, format 1")


def schema_of(whole: Section, sections: Iterable[Section], *, title: str) -> dict[str, Any]:
    """The schema of a file: the section that the ``whole`` of it is, and all sections inside."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        **_object(whole, inherits=False),
        "$defs": {section.name: _object(section, inherits=True) for section in sections},
    }


def _object(section: Section, *, inherits: bool) -> dict[str, Any]:
    """The schema of one section; where it ``inherits``, null takes a value away."""
    found: dict[str, Any] = {
        "type": "object",
        "description": section.doc,
        "properties": {
            f.key: {**(nullable(f.kind.schema) if inherits else f.kind.schema), "description": f.doc}
            for f in section.fields
        },
        "additionalProperties": False,
    }
    return found | ({"required": list(section.always)} if section.always else {})
