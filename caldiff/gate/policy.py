"""``Policy``: what must hold before a file may go out, as frozen values. :mod:`caldiff.gate.policy_file` reads them.

A rule that a policy leaves out is None, and is not asked. Traceability and proof are always asked. Numbers are exact.
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import attrs

from caldiff.canonical import Digest
from caldiff.definition.model import Limits, TableSpec
from caldiff.ledger.entry import Kind
from caldiff.ledger.finding import Level
from caldiff.ledger.trust import Role
from caldiff.value import Value

if TYPE_CHECKING:  # brings numpy, and few policies have one
    from caldiff.evidence.channels import Channels

__all__ = [
    "HUGE",
    "Approvals",
    "Change",
    "Checksums",
    "Codes",
    "DefinitionFrom",
    "Evidence",
    "Identity",
    "Limit",
    "Most",
    "Policy",
    "Protected",
    "Range",
    "Repeats",
    "Signed",
    "Step",
    "Tables",
    "Traceability",
    "Visited",
]


HUGE = Fraction(10) ** 300
"""a limit that no table's value reaches"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Traceability(Value):
    """Kinds of entry that a file may be traced to, and whether by its very bytes only or by its content as well."""

    kinds: tuple[Kind, ...] = ("revision",)
    by: Literal["file", "content"] = "content"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class DefinitionFrom(Value):
    """Where the definition that the entry was recorded with must be known from: one of these."""

    known: tuple[Literal["catalogue", "baseline"], ...] = ("catalogue",)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Signed(Value):
    """So many people must have signed each entry of the kind, each with a key of one of the roles."""

    kind: Kind
    roles: tuple[Role, ...]
    people: int = 1


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Repeats(Value):
    """So many repeat reads must confirm the baseline."""

    least: int = 1


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Checksums(Value):
    """At least so many valid checksums, none stale, and what is made of one that cannot be verified.

    ``unchanged``: accepted where neither it nor what it covers differs from the baseline.
    """

    opaque: Literal["accepted", "unchanged", "refused"] = "refused"
    least: int = 1


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Range(Value):
    """Addresses ``[start, stop)`` in which unexplained bytes may differ, and why."""

    name: str
    start: int
    stop: int
    reason: str


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Protected(Value):
    """What may not change without an authority: tables by tag, regions by name or role.

    ``untagged``: what is made of a definition in which no table carries any of the tags.
    """

    tags: tuple[str, ...] = ()
    regions: tuple[str, ...] = ()
    roles: tuple[str, ...] = ()
    untagged: Literal["accepted", "refused"] = "refused"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Codes(Value):
    """Trouble codes are switched off only under an authority, named for the code.

    ``unlisted``: what is made of a definition in which no table says which codes it switches.
    """

    off: Literal["authority"] = "authority"
    unlisted: Literal["accepted", "refused"] = "accepted"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Tables(Value):
    """The tables that something holds for.

    Attributes:
        pattern: of names and aliases, as in :mod:`fnmatch`, case counts; excluded: patterns of those left out.
        unit: that the tables must be in; None: whatever they are in.
        optional: there need not be any; else a pattern that nothing matches is refused, as it may be misspelled.
        words: whether tables that hold no numbers (texts, flags, named values) are passed over or refused.
    """

    pattern: str
    excluded: tuple[str, ...] = ()
    unit: str | None = None
    optional: bool = False
    words: Literal["passed over", "refused"] = "refused"

    def match(self, spec: TableSpec) -> bool:
        """Whether the table is one of them."""
        names = (spec.name, *spec.aliases)
        return any(fnmatchcase(n, self.pattern) for n in names) and not any(
            fnmatchcase(n, pattern) for n in names for pattern in self.excluded
        )


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Limit(Value):
    """Physical limits, both included; with ``defined``, those of the definition too, where a table has some."""

    tables: Tables
    low: Fraction | None = None
    high: Fraction | None = None
    defined: bool = False
    cells: Literal["all", "changed"] = "all"
    """``changed``: only cells that differ from the baseline"""

    @cached_property
    def bounds(self) -> Limits | None:
        """``low`` and ``high``, the one that is not set far beyond all values; None where neither is."""
        if self.low is None and self.high is None:
            return None
        return Limits(low=-HUGE if self.low is None else self.low, high=HUGE if self.high is None else self.high)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Most(Value):
    """The largest change of a cell, included: in physical units, and in percent of the size of the value before."""

    absolute: Fraction | None = None
    percent: Fraction | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Change(Value):
    """The largest change against the parent and against the baseline."""

    tables: Tables
    parent: Most | None = None
    baseline: Most | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Step(Value):
    """The largest step, included, from a cell to its neighbour along an axis, or along any.

    ``cells``: with ``changed``, only steps at a cell that differs from the baseline.
    """

    tables: Tables
    most: Fraction
    along: Literal["x", "y", "z", "any"] = "any"
    cells: Literal["all", "changed"] = "all"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Identity(Value):
    """Identity fields that must read as in the baseline: by patterns of their names, and by meaning.

    A field of each listed meaning must be there and say something; a pattern may match none.
    """

    fields: tuple[str, ...] = ()
    means: tuple[str, ...] = ()


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Visited(Value):
    """Where the engine must have been in the logs taken on the parent: in the cells that the parent changed.

    Attributes:
        channels: what the loggers mean by their channels, and which rows count.
        seconds: of samples that a cell must have, as the nearest one to them, in all logs together; more than 0.
        share: of the changed cells of each table that must have them; more than 0, at most 1.
        tables: which of them are asked.
    """

    channels: Channels
    seconds: Fraction
    share: Fraction = Fraction(1)
    tables: tuple[Tables, ...] = (Tables(pattern="*"),)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Evidence(Value):
    """So many pieces of evidence of a sort, taken on the parent within so many days before the revision.

    Attributes:
        sort: as in the entry; ``readback`` means readbacks that show the parent.
        days: None: of any age, but after the parent.
        first: asked of the first revision too, whose parent is the baseline.
        visited: set where the pieces are logs, and it matters where the engine has been in them.
    """

    sort: str
    least: int = 1
    days: int | None = None
    first: bool = False
    visited: Visited | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Approvals(Value):
    """So many different people must approve, none of them who made the revision.

    ``signed``: only people who are named by a valid signature with a key of one of the roles count.
    """

    people: int = 1
    roles: tuple[Role, ...] = ("approver",)
    signed: bool = True


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Policy(Value):
    """What must hold. ``digest`` is of the meaning: spelling, comments and the split into files do not change it."""

    name: str
    digest: Digest
    title: str = ""
    cautions: tuple[str, ...] = ()
    traceability: Traceability = Traceability()
    proof: tuple[Level, ...] = ("links", "bytes")
    definition: DefinitionFrom | None = None
    signatures: tuple[Signed, ...] | None = None
    repeat: Repeats | None = None
    checksums: Checksums | None = None
    unexplained: tuple[Range, ...] | None = None
    protected: Protected | None = None
    codes: Codes | None = None
    limits: tuple[Limit, ...] | None = None
    changes: tuple[Change, ...] | None = None
    steps: tuple[Step, ...] | None = None
    axes: bool = False
    identity: Identity | None = None
    evidence: tuple[Evidence, ...] | None = None
    approval: Approvals | None = None

    def signed(self, kind: Kind) -> Signed | None:
        """The signatures that entries of the kind must have."""
        return next((one for one in self.signatures or () if one.kind == kind), None)
