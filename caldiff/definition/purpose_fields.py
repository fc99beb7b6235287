"""What may be said of a table's part in the work: what it corrects, which trouble codes it switches."""

from __future__ import annotations

import re
from typing import Any

import attrs

from caldiff.definition.kinds import NAME, NUMBER, Kind, choice, either, listing, mapping
from caldiff.definition.problems import Wrong, seen
from caldiff.definition.sections import Field, Section

__all__ = ["CODES", "CORRECTS"]

_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}(?:-[0-9A-F]{2})?")
"""as SAE J2012 and ISO 15031-6 print them, two bytes or, with the failure type, three (from memory)"""


def _read_target(value: Any) -> str:
    """A number as a fraction, or the name of a table; none can be taken for the other."""
    try:
        return str(NUMBER.read(value))
    except Wrong:
        return str(NAME.read(value))


def _read_code(value: Any) -> str:
    if type(value) is str and _CODE.fullmatch(value):
        return value
    raise Wrong("this is no trouble code", expected="a code such as P0420, or P0420-11", got=seen(value))


CORRECTS = Section(
    name="corrects",
    what="a correction",
    doc="The table multiplies what a ratio is measured of, so that measured/target is the factor that it lacks.",
    fields=(
        Field(key="measured", kind=NAME, doc="The quantity that is measured, such as lambda.", needed="always"),
        Field(
            key="target",
            kind=Kind(
                what="a number, or the name of a table",
                read=_read_target,
                schema={"anyOf": [NUMBER.schema, NAME.schema]},
            ),
            doc="What it should be: a number, or the table that holds it.",
            needed="always",
        ),
        Field(
            key="as",
            kind=choice("factor", "percent"),
            doc="factor: the value is multiplied; percent: what is multiplied is 1 + value/100. factor if left out.",
        ),
    ),
)

_ONE = Kind(what="a trouble code", read=_read_code, schema={"type": "string", "pattern": f"^{_CODE.pattern}$"})
_SOME = either(_ONE, listing(_ONE, "a list of trouble codes", least=1, most=256), many=list)
_BY_CELL = listing(_SOME, "a list with the codes of each cell, in order", least=1)
_BY_FLAG = mapping(attrs.evolve(NAME, what="the name of a flag"), _SOME, "a mapping from flags to trouble codes")
CODES = Kind(
    what=f"{_BY_FLAG.what}, or {_BY_CELL.what}",
    read=lambda value: (_BY_CELL if isinstance(value, list) else _BY_FLAG).read(value),
    schema={"anyOf": [_BY_FLAG.schema, _BY_CELL.schema]},
)
