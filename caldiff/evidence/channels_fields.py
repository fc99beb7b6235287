"""What may stand in a channels file: the one description from which the reader checks and the JSON Schema is made."""

from __future__ import annotations

from typing import Any

import attrs

from caldiff.definition.basics import SHORT
from caldiff.definition.kinds import NAME, NUMBER, TEXT, Kind, choice, listing, mapping, text
from caldiff.definition.problems import Wrong, seen
from caldiff.definition.sections import Field, Section

__all__ = ["CHANNELS", "CHANNELS_SECTIONS"]

UNIT = text("a unit, such as rpm", longest=60, empty=False)
NAMES = listing(
    text("a channel's name, or a pattern of names", longest=255, empty=False), "a list of names", least=1, most=100
)


def _read_version(value: object) -> int:
    if value != 1 or type(value) is not int:
        raise Wrong("the format version is not known", expected="1", got=seen(value))
    return 1


VERSION = Kind(what="the format version, 1", read=_read_version, schema={"const": 1})

TIME = Section(
    name="time_column",
    what="the time column",
    doc="Where the rows of a log say when they were.",
    fields=(
        Field(key="names", kind=NAMES, doc="What the column may be called, besides the names that are known anyway."),
        Field(
            key="unit",
            kind=choice("s", "ms", "us", "min", "h"),
            doc="What it is in, where the log does not say. Clock times say so by themselves.",
        ),
    ),
)

SOURCE = Section(
    name="source",
    what="a source",
    doc="Channels that measure a quantity.",
    fields=(
        Field(
            key="names",
            kind=NAMES,
            doc="What loggers call it, without the unit; patterns with * and ? too. Case and spaces do not count.",
            needed="always",
        ),
        Field(key="unit", kind=UNIT, doc="What the logger means where the log says no unit."),
        Field(
            key="stoichiometric",
            kind=NUMBER,
            doc="The fuel's stoichiometric ratio of air to fuel, by mass: what is in kg/kg, divided by it, is lambda.",
        ),
    ),
)


_SOURCES = listing(SOURCE.kind, "a list of sources", least=1, most=20)


def _one_or_more(value: Any) -> list[Any]:
    try:
        found: list[Any] = _SOURCES.read(value if isinstance(value, list) else [value])
    except Wrong as wrong:
        if isinstance(value, list):
            raise
        raise Wrong([attrs.evolve(problem, path=problem.path[1:]) for problem in wrong.problems]) from None
    return found


SOURCES = Kind(
    what="a source, or a list of them",
    read=_one_or_more,
    schema={"anyOf": [SOURCE.kind.schema, _SOURCES.schema]},
)

WINDOW = Section(
    name="window",
    what="a window",
    doc="Bounds of a quantity, both included.",
    fields=(
        Field(key="least", kind=NUMBER, doc="The least value that counts."),
        Field(key="greatest", kind=NUMBER, doc="The greatest."),
        Field(key="unit", kind=UNIT, doc="What they are in; that of the definition, if left out."),
    ),
)

STEADY = Section(
    name="steady",
    what="a steady state",
    doc="A quantity that keeps close together for a while before a row.",
    fields=(
        Field(key="within", kind=NUMBER, doc="How far its least and greatest value may lie apart.", needed="always"),
        Field(key="for", kind=NUMBER, doc="Over how many seconds.", needed="always"),
        Field(key="unit", kind=UNIT, doc="What `within` is in; that of the definition, if left out."),
    ),
)

CONDITIONS = Section(
    name="conditions",
    what="conditions",
    doc="Which rows of a log count: those at which all of this holds.",
    fields=(
        Field(
            key="gap",
            kind=NUMBER,
            doc="Seconds that a value is held, and a row counts, at most until the next one; 2 if left out.",
        ),
        Field(key="after", kind=NUMBER, doc="Seconds at the beginning of a log that are left out; none if left out."),
        Field(
            key="windows",
            kind=mapping(NAME, WINDOW.kind, "a mapping from quantities to windows", most=100),
            doc="Bounds by quantity.",
        ),
        Field(
            key="steady",
            kind=mapping(NAME, STEADY.kind, "a mapping from quantities to steady states", most=100),
            doc="Steady states by quantity.",
        ),
    ),
)

CHANNELS = Section(
    name="channels",
    what="a channels file",
    doc="What a shop's loggers call the quantities of its definitions, and which rows of their logs count.",
    fields=(
        Field(key="channels", kind=VERSION, doc="The format version, 1.", needed="always"),
        Field(key="name", kind=NAME, doc="What the file is called.", needed="always"),
        Field(key="title", kind=SHORT, doc="What people call it."),
        Field(key="description", kind=TEXT, doc="Whose loggers these are."),
        Field(
            key="extends",
            kind=attrs.evolve(NAME, what="the name of a channels file"),
            doc="The channels file that this one is laid over.",
        ),
        Field(key="time", kind=TIME.kind, doc=TIME.doc),
        Field(key="decimal", kind=choice(".", ","), doc="The decimal sign, where a log leaves that open."),
        Field(
            key="units",
            kind=mapping(UNIT, UNIT, "a mapping from units as the logger writes them to known ones", most=1000),
            doc="Units that the logger writes in a way of its own.",
        ),
        Field(
            key="quantities",
            kind=mapping(NAME, SOURCES, "a mapping from quantities to sources", most=10_000),
            doc="What measures each quantity of the definition.",
        ),
        Field(key="conditions", kind=CONDITIONS.kind, doc=CONDITIONS.doc),
    ),
)

CHANNELS_SECTIONS = (TIME, SOURCE, WINDOW, STEADY, CONDITIONS)
"""all but the file itself"""
