"""What the values of every table must keep: limits, steps, rising axes; asked of all tables at the cost of a few.

The first image of a definition is looked at whole. Any other is compared with that one, and only tables that differ are
looked at again: what was said of the others holds for the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, MutableMapping

import attrs

from caldiff.canonical import Digest
from caldiff.definition.definition import Definition
from caldiff.definition.model import TableSpec
from caldiff.diff.compare import compare
from caldiff.errors import CaldiffError
from caldiff.gate.cells import AXES, axis_refusals, limit_refusals, step_refusals
from caldiff.gate.policy import Limit, Policy, Step, Tables
from caldiff.gate.verdict import Refusal
from caldiff.table.calibration import Calibration
from caldiff.table.decode import decode
from caldiff.table.model import AxisValues

__all__ = ["Matched", "Scans"]

_KEPT = 8
"""images of which the answers are kept"""


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
        self._found: dict[tuple[Digest, Tables], tuple[str, ...]] = {}
        self._tags: dict[Digest, dict[str, frozenset[str]]] = {}

    def names(self, definition: Definition, tables: Tables) -> tuple[str, ...]:
        """The tables' names, in order."""
        key = (definition.digest, tables)
        if key not in self._found:
            specs = definition.tables.values()
            self._found[key] = tuple(sorted(spec.name for spec in specs if tables.match(spec)))
        return self._found[key]

    def tagged(self, definition: Definition, tags: Iterable[str]) -> dict[str, frozenset[str]]:
        """The tables' names by tag."""
        if definition.digest not in self._tags:
            found: dict[str, set[str]] = {}
            for spec in definition.tables.values():
                for tag in spec.tags:
                    found.setdefault(tag, set()).add(spec.name)
            self._tags[definition.digest] = {tag: frozenset(names) for tag, names in found.items()}
        known = self._tags[definition.digest]
        return {tag: known.get(tag, frozenset()) for tag in tags}


@attrs.frozen(kw_only=True, eq=False)
class _Reference:
    """The first image of a definition, with what was found in each of its tables that has something wrong."""

    calibration: Calibration
    found: dict[str, tuple[Refusal, ...]]


class Scans:
    """Answers of one policy, by image. ``matched`` is shared with the rules."""

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self.matched = Matched()
        self._references: dict[Digest, _Reference] = {}
        self._asked: dict[Digest, dict[str, _Asked]] = {}
        self._answers: dict[tuple[Digest, Digest], tuple[Refusal, ...]] = {}

    def refusals(self, calibration: Calibration, rule: str) -> tuple[Refusal, ...]:
        """All refusals by one rule, by name of the table; none without a definition. Raises CaldiffError."""
        definition = calibration.definition
        if definition is None:
            return ()
        key = (definition.digest, calibration.image.content)
        if key not in self._answers:
            while len(self._answers) >= _KEPT:
                self._answers.pop(next(iter(self._answers)))
            self._answers[key] = tuple(self._of(calibration, definition))
        return tuple(refusal for refusal in self._answers[key] if refusal.rule == rule)

    def _of(self, calibration: Calibration, definition: Definition) -> Iterator[Refusal]:
        reference = self._references.get(definition.digest)
        if reference is None:
            found = self._look(calibration, definition, definition.tables)
            self._references[definition.digest] = _Reference(calibration=calibration, found=found)
        else:
            comparison = compare(reference.calibration, calibration)
            other = {t.name for t in comparison.tables} | {n for axis in comparison.axes for n in axis.tables}
            found = {name: refusals for name, refusals in reference.found.items() if name not in other}
            found |= self._look(calibration, definition, sorted(other))
        seen: set[tuple[str, int | None, str]] = set()
        for name in sorted(found):
            for refusal in found[name]:
                # An axis that many tables share is told of once.
                key = (refusal.rule, refusal.address, refusal.text)
                if refusal.rule != AXES or key not in seen:
                    seen.add(key)
                    yield refusal

    def _look(
        self, calibration: Calibration, definition: Definition, names: Iterable[str]
    ) -> dict[str, tuple[Refusal, ...]]:
        asked = self._asked_of(definition)
        axes: dict[str, AxisValues] = {}
        found = {}
        for name in names:
            refusals = tuple(self._table(calibration, definition, definition.tables[name], asked[name], axes))
            if refusals:
                found[name] = refusals
        return found

    def _asked_of(self, definition: Definition) -> dict[str, _Asked]:
        """What is asked of every table of the definition."""
        if definition.digest not in self._asked:
            limits = [one for one in self._policy.limits or () if one.cells == "all"]
            steps = [one for one in self._policy.steps or () if one.cells == "all"]
            self._asked[definition.digest] = {
                spec.name: _Asked(
                    limits=tuple(one for one in limits if one.tables.match(spec)),
                    steps=tuple(one for one in steps if one.tables.match(spec)),
                )
                for spec in definition.tables.values()
            }
        return self._asked[definition.digest]

    def _table(
        self,
        calibration: Calibration,
        definition: Definition,
        spec: TableSpec,
        asked: _Asked,
        axes: MutableMapping[str, AxisValues],
    ) -> Iterator[Refusal]:
        """What is wrong with one table."""
        if not asked and not (self._policy.axes and spec.axes):
            return
        try:
            table = decode(calibration.image, definition, spec, axes=axes)
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


def _unreadable(rule: str, spec: TableSpec, error: CaldiffError) -> Refusal:
    return Refusal(
        rule=rule,
        text=f"table {spec.name} cannot be read",
        found=error.reason,
        wanted="a table that the image holds whole",
        address=error.address,
        table=spec.name,
    )
