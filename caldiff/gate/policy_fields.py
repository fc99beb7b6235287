"""What may stand in a policy: the one description from which the reader checks and the JSON Schema is made."""

from __future__ import annotations

from typing import Any, get_args

import attrs

from caldiff.definition.basics import ADDRESS, SHORT, SIZE
from caldiff.definition.kinds import BOOL, NAME, NUMBER, TEXT, Kind, choice, integer, listing, mapping, text
from caldiff.definition.model import Meaning
from caldiff.definition.model import Role as RegionRole
from caldiff.definition.problems import Wrong, seen
from caldiff.definition.sections import Field, Section
from caldiff.ledger.entry import KINDS
from caldiff.ledger.finding import LEVELS
from caldiff.ledger.trust import Role

__all__ = ["POLICY", "POLICY_SECTIONS", "ROLES", "read_version", "version"]

COUNT = integer("a count", 1, 100)
ROLES = listing(choice(*get_args(Role)), "a list of roles", least=1, most=3)
NAMES = listing(NAME, "a list of names", least=1)
_MEANINGS = tuple(meaning for meaning in get_args(Meaning) if meaning != "free")
WHOLE_OR_CHANGED = choice("all", "changed")


def _read_pattern(value: Any) -> str:
    if type(value) is not str or not 0 < len(value) <= 255 or any(c.isspace() for c in value):  # noqa: PLR2004 - a name's
        raise Wrong("this is no pattern", expected=PATTERN.what, got=seen(value))
    return value


PATTERN = Kind(
    what="a pattern of names, such as ignition_* (in quotes where it begins with a star)",
    read=_read_pattern,
    schema={"type": "string", "pattern": r"^\S{1,255}$"},
)
PATTERNS = listing(PATTERN, "a list of patterns", least=1)


def read_version(value: object) -> int:
    """The version of a file form, of which there is one."""
    if value != 1 or type(value) is not int:
        raise Wrong("the format version is not known", expected="1", got=seen(value))
    return 1


def version(key: str) -> Field:
    """The key that says what a file is, with the version of its form."""
    kind = Kind(what="the format version, 1", read=read_version, schema={"const": 1})
    return Field(key=key, kind=kind, doc="The format version, 1.", needed="always")


TRACEABILITY = Section(
    name="traceability",
    what="traceability",
    doc="What a file must be traced to, through an unbroken chain to a baseline that is at hand. Always asked.",
    fields=(
        Field(
            key="kinds",
            kind=listing(
                choice("baseline", "repeat", "revision", "readback"), "a list of kinds of entry", least=1, most=4
            ),
            doc="Kinds of entry; revision if left out.",
        ),
        Field(
            key="by",
            kind=choice("file", "content"),
            doc="By the very bytes of the file, or by addresses and data in any format; content if left out.",
        ),
    ),
)

PROOF = Section(
    name="proof",
    what="proof",
    doc="How far the unit's chain must be proven. Always asked.",
    fields=(
        Field(
            key="levels",
            kind=listing(choice(*LEVELS), "a list of levels", least=1, most=len(LEVELS)),
            doc="Levels that must hold; links and bytes always must.",
        ),
    ),
)

DEFINITION_FROM = Section(
    name="definition_from",
    what="where the definition is known from",
    doc="The definition that the entry was recorded with must be a known one, since it says what is protected.",
    fields=(
        Field(
            key="known",
            kind=listing(choice("catalogue", "baseline"), "a list of places", least=1, most=2),
            doc="catalogue: the folders of definitions that the gate was given; baseline: the one that the baseline "
            "was recorded with. One of those listed will do.",
            needed="placed",
        ),
    ),
)

SIGNED = Section(
    name="signed",
    what="who signs",
    doc="Who must have signed each entry of a kind that the judgement rests on.",
    fields=(
        Field(key="roles", kind=ROLES, doc="A signature counts with one of these roles.", needed="placed"),
        Field(key="people", kind=COUNT, doc="How many different people; 1 if left out."),
    ),
)

REPEAT = Section(
    name="repeat",
    what="a repeat read",
    doc="Repeat reads that confirm the baseline, volatile regions aside.",
    fields=(Field(key="least", kind=COUNT, doc="How many; 1 if left out."),),
)

CHECKSUMS = Section(
    name="checksums",
    what="checksums",
    doc="Every declared checksum must be valid.",
    fields=(
        Field(
            key="opaque",
            kind=choice("accepted", "unchanged", "refused"),
            doc="What of one that is declared as opaque: accepted; accepted where neither it nor what it covers "
            "differs from the baseline; refused, as if left out.",
        ),
        Field(key="least", kind=integer("a count", 0, 1000), doc="How many must be declared and valid; 1 if left out."),
    ),
)

RANGE = Section(
    name="unexplained_range",
    what="a range",
    doc="Addresses in which unexplained bytes may differ.",
    fields=(
        Field(key="at", kind=ADDRESS, doc="Address of the first byte.", needed="placed"),
        Field(key="size", kind=SIZE, doc="Size of the range.", needed="placed"),
        Field(key="reason", kind=text(longest=1000, empty=False), doc="Why this is right.", needed="placed"),
    ),
)

UNEXPLAINED = Section(
    name="unexplained",
    what="unexplained bytes",
    doc="Bytes that differ, from parent or baseline, and that no definition explains: none, but in listed ranges.",
    fields=(
        Field(
            key="ranges",
            kind=mapping(NAME, RANGE.kind, "a mapping from names to ranges", most=1000),
            doc="Where there may be some.",
        ),
    ),
)

PROTECTED = Section(
    name="protected",
    what="what is protected",
    doc="What may not differ unless the entry names the authority, by the tag or the name of the region.",
    fields=(
        Field(key="tags", kind=NAMES, doc="Tags of tables."),
        Field(key="regions", kind=NAMES, doc="Names of regions."),
        Field(
            key="roles",
            kind=listing(choice(*get_args(RegionRole)), "a list of roles of regions", least=1, most=5),
            doc="Roles of regions; the authority is named by the region's name.",
        ),
        Field(
            key="untagged",
            kind=choice("accepted", "refused"),
            doc="What of a definition in which no table carries any of the tags; refused if left out.",
        ),
    ),
)

CODES = Section(
    name="switched_codes",
    what="codes",
    doc="Trouble codes that a revision switches off, as tables of the definition say which they switch.",
    fields=(
        Field(
            key="off",
            kind=choice("authority"),
            doc="authority: the entry must name one for each code that it switches off.",
            needed="placed",
        ),
        Field(
            key="unlisted",
            kind=choice("accepted", "refused"),
            doc="What of a definition in which no table says which codes it switches; accepted if left out.",
        ),
    ),
)

_ABOUT_TABLES = (
    Field(key="except", kind=PATTERNS, doc="Patterns of tables that it does not hold for."),
    Field(
        key="unit", kind=text("a unit", longest=100), doc="The unit that the numbers are in; another one is refused."
    ),
    Field(key="optional", kind=BOOL, doc="There need not be such a table; otherwise there must."),
    Field(
        key="words",
        kind=choice("passed over", "refused"),
        doc="What of tables that hold texts, flags or named values; refused if left out.",
    ),
)

LIMIT = Section(
    name="limit",
    what="a limit",
    doc="Physical limits of tables, both included.",
    fields=(
        Field(key="low", kind=NUMBER, doc="The lowest value."),
        Field(key="high", kind=NUMBER, doc="The highest value."),
        Field(key="definition", kind=BOOL, doc="The limits in the definition must hold too, where a table has some."),
        Field(
            key="cells",
            kind=WHOLE_OR_CHANGED,
            doc="All cells, as if left out, or those that differ from the baseline.",
        ),
        *_ABOUT_TABLES,
    ),
)

MOST = Section(
    name="most",
    what="a largest change",
    doc="The largest change of a cell, included. Where both are given, both must hold.",
    fields=(
        Field(key="absolute", kind=NUMBER, doc="In physical units."),
        Field(key="percent", kind=NUMBER, doc="In percent of the size of the value before."),
    ),
)

CHANGE = Section(
    name="change",
    what="a limit of change",
    doc="The largest change of any cell of tables.",
    fields=(
        Field(key="parent", kind=MOST.kind, doc="Against the parent."),
        Field(key="baseline", kind=MOST.kind, doc="Against the baseline."),
        *_ABOUT_TABLES,
    ),
)

STEP = Section(
    name="step",
    what="a limit of steps",
    doc="The largest step from a cell to its neighbour.",
    fields=(
        Field(key="most", kind=NUMBER, doc="The largest step, included, in physical units.", needed="placed"),
        Field(
            key="along",
            kind=choice("x", "y", "z", "any"),
            doc="The axis: x columns, y rows, z layers; any if left out.",
        ),
        Field(
            key="cells",
            kind=WHOLE_OR_CHANGED,
            doc="All cells, as if left out, or steps at cells that differ from the baseline.",
        ),
        *_ABOUT_TABLES,
    ),
)

AXES = Section(
    name="rising_axes",
    what="axes",
    doc="Breakpoints of every axis must rise strictly, and a stored count keep to its room.",
    fields=(Field(key="rising", kind=choice("strictly"), doc="strictly.", needed="placed"),),
)

IDENTITY = Section(
    name="same_identity",
    what="identity",
    doc="What the image must say of itself as the baseline does.",
    fields=(
        Field(key="fields", kind=PATTERNS, doc="Patterns of names of identity fields."),
        Field(
            key="means",
            kind=listing(choice(*_MEANINGS), "a list of meanings", least=1, most=len(_MEANINGS)),
            doc="Meanings of identity fields; each must be declared, and say something.",
        ),
    ),
)

VISITED = Section(
    name="visited",
    what="a wish for visited cells",
    doc="Where the engine must have been in these logs: in the cells that the parent changed.",
    fields=(
        Field(
            key="channels",
            kind=text("the name of a channels file", longest=1000, empty=False),
            doc="The file that says what the loggers call the quantities and which rows count, beside the policy.",
            needed="placed",
        ),
        Field(key="seconds", kind=NUMBER, doc="Seconds of samples that each cell must have.", needed="placed"),
        Field(key="share", kind=NUMBER, doc="Of the changed cells of each table, 0 to 1; 1, all, if left out."),
        Field(key="tables", kind=PATTERNS, doc="Patterns of the tables that are asked; all, if left out."),
        Field(key="except", kind=PATTERNS, doc="Patterns of tables that are not."),
    ),
)

EVIDENCE = Section(
    name="wanted_evidence",
    what="evidence",
    doc="Evidence taken on the parent before this revision was made.",
    fields=(
        Field(key="least", kind=COUNT, doc="How many; 1 if left out."),
        Field(
            key="days", kind=integer("a number of days", 1, 36500), doc="The greatest age when the revision was made."
        ),
        Field(key="first", kind=BOOL, doc="Asked of a unit's first revision too, on its baseline; false if left out."),
        Field(key="visited", kind=VISITED.kind, doc=VISITED.doc),
    ),
)

APPROVAL = Section(
    name="approval",
    what="an approval",
    doc="People who must have approved this very revision, none of whom made it.",
    fields=(
        Field(key="people", kind=COUNT, doc="How many different people; 1 if left out."),
        Field(key="roles", kind=ROLES, doc="In one of these roles; approver if left out."),
        Field(
            key="signed",
            kind=BOOL,
            doc="Only signed approvals count, by the name of the key; true if left out. Otherwise by the name written.",
        ),
    ),
)


def _by_pattern(section: Section, what: str) -> Kind:
    return mapping(PATTERN, section.kind, f"a mapping from patterns of tables to {what}", most=1000)


POLICY = Section(
    name="policy",
    what="a policy",
    doc="What must hold before a file may go out.",
    fields=(
        version("policy"),
        Field(key="name", kind=NAME, doc="The policy's name; its file is called after it.", needed="always"),
        Field(key="title", kind=SHORT, doc="What people call it."),
        Field(key="description", kind=TEXT, doc="What it is for."),
        Field(
            key="extends",
            kind=attrs.evolve(NAME, what="the name of a policy"),
            doc="The policy that this one is laid over.",
        ),
        Field(
            key="cautions",
            kind=mapping(NAME, text(longest=1000, empty=False), "a mapping from names to cautions", most=100),
            doc="What everybody who reads a verdict should keep in mind.",
        ),
        Field(key="traceability", kind=TRACEABILITY.kind, doc=TRACEABILITY.doc),
        Field(key="proof", kind=PROOF.kind, doc=PROOF.doc),
        Field(key="definition", kind=DEFINITION_FROM.kind, doc=DEFINITION_FROM.doc),
        Field(
            key="signatures",
            kind=mapping(choice(*KINDS), SIGNED.kind, "a mapping from kinds of entry to who signs them"),
            doc=SIGNED.doc,
        ),
        Field(key="repeat", kind=REPEAT.kind, doc=REPEAT.doc),
        Field(key="checksums", kind=CHECKSUMS.kind, doc=CHECKSUMS.doc),
        Field(key="unexplained", kind=UNEXPLAINED.kind, doc=UNEXPLAINED.doc),
        Field(key="protected", kind=PROTECTED.kind, doc=PROTECTED.doc),
        Field(key="codes", kind=CODES.kind, doc=CODES.doc),
        Field(key="limits", kind=_by_pattern(LIMIT, "limits"), doc=LIMIT.doc),
        Field(key="changes", kind=_by_pattern(CHANGE, "limits of change"), doc=CHANGE.doc),
        Field(key="steps", kind=_by_pattern(STEP, "limits of steps"), doc=STEP.doc),
        Field(key="axes", kind=AXES.kind, doc=AXES.doc),
        Field(key="identity", kind=IDENTITY.kind, doc=IDENTITY.doc),
        Field(
            key="evidence",
            kind=mapping(
                text("a sort of evidence", longest=100, empty=False),
                EVIDENCE.kind,
                "a mapping from sorts to evidence",
                most=100,
            ),
            doc=EVIDENCE.doc,
        ),
        Field(key="approval", kind=APPROVAL.kind, doc=APPROVAL.doc),
    ),
)

POLICY_SECTIONS = (
    TRACEABILITY, PROOF, DEFINITION_FROM, SIGNED, REPEAT, CHECKSUMS, RANGE, UNEXPLAINED, PROTECTED, CODES, LIMIT,
    MOST, CHANGE, STEP, AXES, IDENTITY, VISITED, EVIDENCE, APPROVAL,
)  # fmt: skip
"""all but the policy itself"""
