"""What the values of every table must keep: limits, steps, rising axes; asked of all tables at the cost of a few.

The first image of a definition is looked at whole. A baseline is compared with that one, and an image with its
baseline: only tables that differ are looked at again, for what was said of the others holds for the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import attrs

from caldiff.canonical import Digest
from caldiff.definition.definition import Definition
from caldiff.definition.model import TableSpec
from caldiff.diff.extents import ranges_to_look_up, windows
from caldiff.diff.model import Comparison
from caldiff.errors import CaldiffError
from caldiff.gate.cells import AXES, axis_refusals, limit_refusals, step_refusals
from caldiff.gate.policy import Limit, Policy, Step, Tables
from caldiff.gate.sieve import Sieve
from caldiff.gate.verdict import Refusal
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration
from caldiff.table.decode import decode
from caldiff.table.model import AxisValues, Table

__all__ = ["Matched", "Scans"]

_KEPT = 64
"""images of which the answers are kept"""

_MANY = 200
"""tables from which on all of them are sieved first, which costs about as much as to look at so many"""

Found = dict[str, tuple[Refusal, ...]]
"""what is wrong, by name of the table; tables with nothing wrong are left out"""


@attrs.frozen(kw_only=True, eq=False)
class _Asked:
    """What holds for one table, all cells."""

    limits: tuple[Limit, ...] = ()
    steps: tuple[Step, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.limits or self.steps)


class Matched:
    """Which tables of a definition a pattern means, or carry a tag, looked up once."""

    def __init__(self) -> None:
        self._specs: dict[Digest, tuple[TableSpec, ...]] = {}
        self._found: dict[tuple[Digest, Tables], tuple[str, ...]] = {}
        self._tags: dict[Digest, dict[str, frozenset[str]]] = {}

    def specs(self, definition: Definition) -> tuple[TableSpec, ...]:
        """All tables: a definition reads each anew whenever it is asked."""
        if definition.digest not in self._specs:
            self._specs[definition.digest] = tuple(definition.tables.values())
        return self._specs[definition.digest]

    def names(self, definition: Definition, tables: Tables) -> tuple[str, ...]:
        """The tables' names, in order."""
        key = (definition.digest, tables)
        if key not in self._found:
            self._found[key] = tuple(sorted(spec.name for spec in self.specs(definition) if tables.match(spec)))
        return self._found[key]

    def tagged(self, definition: Definition, tags: Iterable[str]) -> dict[str, frozenset[str]]:
        """The tables' names by tag."""
        if definition.digest not in self._tags:
            found: dict[str, set[str]] = {}
            for spec in self.specs(definition):
                for tag in spec.tags:
                    found.setdefault(tag, set()).add(spec.name)
            self._tags[definition.digest] = {tag: frozenset(names) for tag, names in found.items()}
        known = self._tags[definition.digest]
        return {tag: known.get(tag, frozenset()) for tag in tags}


class Scans:
    """Answers of one policy, by image. ``matched`` is shared with the rules."""

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self.matched = Matched()
        self._references: dict[Digest, Calibration] = {}
        self._asked: dict[Digest, dict[str, tuple[TableSpec, _Asked]]] = {}
        self._sieves: dict[Digest, Sieve] = {}
        self._answers: dict[tuple[Digest, Digest], Found] = {}

    def refusals(self, calibration: Calibration, rule: str, near: Comparison | None = None) -> tuple[Refusal, ...]:
        """All refusals by one rule, by name of the table; none without a definition.

        ``near`` is it compared with an image that others will be like too, such as its baseline. Raises CaldiffError.
        """
        definition = calibration.definition
        if definition is None:
            return ()
        found = self._found(calibration, definition, near)
        return tuple(_once(r for name in sorted(found) for r in found[name] if r.rule == rule))

    def _found(self, calibration: Calibration, definition: Definition, near: Comparison | None) -> Found:
        key = (definition.digest, calibration.image.content)
        if key in self._answers:
            return self._answers[key]
        if near is not None and near.before.definition == definition:
            before = near.before
            other = {t.name for t in near.tables} | {n for axis in near.axes for n in axis.tables}
        else:
            before = self._references.setdefault(definition.digest, calibration)
            other = _touched(before.image, calibration.image, definition)
        if before is calibration:
            found = self._look(calibration, definition, None)
        else:
            known = self._found(before, definition, None)
            found = {name: refusals for name, refusals in known.items() if name not in other}
            found |= self._look(calibration, definition, sorted(other), near)
        while len(self._answers) >= _KEPT:
            self._answers.pop(next(iter(self._answers)))
        self._answers[key] = found
        return found

    def _look(
        self,
        calibration: Calibration,
        definition: Definition,
        names: Iterable[str] | None,
        near: Comparison | None = None,
    ) -> Found:
        """What is wrong with these tables, or with all; a comparison of this image has decoded some already."""
        asked = self._asked_of(definition)
        looked_at = tuple(asked if names is None else names)
        clean = self._sieve(definition).clean(calibration.image) if len(looked_at) > _MANY else set()
        known = {} if near is None else _decoded(near, calibration, definition)
        axes: dict[str, AxisValues] = {}

        def read(spec: TableSpec) -> Table:
            return known[spec.name] if spec.name in known else decode(calibration.image, definition, spec, axes=axes)

        found = {}
        for name in looked_at:
            refusals = () if name in clean else tuple(self._table(*asked[name], read))
            if refusals:
                found[name] = refusals
        return found

    def _sieve(self, definition: Definition) -> Sieve:
        """What finds the tables of the definition that need no look."""
        if definition.digest not in self._sieves:
            asked = self._asked_of(definition).values()
            self._sieves[definition.digest] = Sieve(definition, ((s, one.limits, one.steps) for s, one in asked))
        return self._sieves[definition.digest]

    def _asked_of(self, definition: Definition) -> dict[str, tuple[TableSpec, _Asked]]:
        """What is asked of every table of the definition."""
        if definition.digest not in self._asked:
            limits = [one for one in self._policy.limits or () if one.cells == "all"]
            steps = [one for one in self._policy.steps or () if one.cells == "all"]
            self._asked[definition.digest] = {
                spec.name: (
                    spec,
                    _Asked(
                        limits=tuple(one for one in limits if one.tables.match(spec)),
                        steps=tuple(one for one in steps if one.tables.match(spec)),
                    ),
                )
                for spec in self.matched.specs(definition)
            }
        return self._asked[definition.digest]

    def _table(self, spec: TableSpec, asked: _Asked, read: Callable[[TableSpec], Table]) -> Iterator[Refusal]:
        """What is wrong with one table."""
        if not asked and not (self._policy.axes and spec.axes):
            return
        try:
            table = read(spec)
        except CaldiffError as error:
            rules = [("limits", asked.limits), ("steps", asked.steps), (AXES, self._policy.axes and spec.axes)]
            yield from (_unreadable(rule, spec, error) for rule, wanted in rules if wanted)
            return
        for limit in asked.limits:
            yield from limit_refusals(table, limit)
        for step in asked.steps:
            yield from step_refusals(table, step)
        if self._policy.axes:
            yield from axis_refusals(table)


def _decoded(near: Comparison, calibration: Calibration, definition: Definition) -> dict[str, Table]:
    """The tables of an image that a comparison with it decoded by the same definition."""
    if near.after.definition != definition or near.after.image.content != calibration.image.content:
        return {}
    return {diff.name: diff.after for diff in near.tables if diff.after is not None}


def _touched(before: Image, after: Image, definition: Definition) -> set[str]:
    """The tables that may differ: those that a differing byte meets, and all on an axis that one meets."""
    touched = definition.index.touching(ranges_to_look_up(windows(before, after)))
    return {*touched.tables, *(name for axis in touched.axes for name in definition.index.tables_on(axis))}


def _once(refusals: Iterable[Refusal]) -> Iterator[Refusal]:
    """Each refusal, but what is wrong with an axis that many tables share only once."""
    seen: set[tuple[int | None, str]] = set()
    for refusal in refusals:
        key = (refusal.address, refusal.text)
        if refusal.rule != AXES or key not in seen:
            seen.add(key)
            yield refusal


def _unreadable(rule: str, spec: TableSpec, error: CaldiffError) -> Refusal:
    return Refusal(
        rule=rule,
        text=f"table {spec.name} cannot be read",
        found=error.reason,
        wanted="a table that the image holds whole",
        address=error.address,
        table=spec.name,
    )
