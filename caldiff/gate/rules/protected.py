"""What is protected differs only under an authority that the entry names."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from caldiff.diff.model import Comparison
from caldiff.gate.case import Case
from caldiff.gate.extents import first_inside
from caldiff.gate.policy import Protected
from caldiff.gate.rules.answering import answer, counted, not_asked
from caldiff.gate.rules.authority import What, unauthorised
from caldiff.gate.verdict import Refusal, RuleOutcome
from caldiff.ledger.chain import Recorded

__all__ = ["RULE", "protected"]

RULE = "protected"


def protected(case: Case) -> RuleOutcome:
    """Each step down to the baseline that touched something protected must name the authority.

    The file's own entry for all that differs from its parent; the ones before for what still differs from the baseline.
    """
    wanted = case.policy.protected
    if wanted is None:
        return not_asked(RULE)
    bears = {} if case.definition is None else case.bench.scans.matched.tagged(case.definition, wanted.tags)
    words = [f"{tag} ({counted(len(bears.get(tag, ())), 'table')})" for tag in wanted.tags]
    words += [f"region {name}" for name in wanted.regions] + [f"regions of role {role}" for role in wanted.roles]
    blamed = (_refusal(*one) for one in unauthorised(case, RULE, lambda comparison: touched(comparison, wanted)))
    return answer(RULE, ", ".join(words), [*_blind(case, wanted, bears), *blamed])


def _blind(case: Case, wanted: Protected, bears: Mapping[str, frozenset[str]]) -> Iterator[Refusal]:
    """Where the definition cannot tell what is protected."""
    definition = case.definition
    whose = "no definition" if definition is None else f"definition {definition.name}"
    if wanted.tags and not any(bears.values()) and (wanted.untagged == "refused" or definition is None):
        text = "nothing is protected by its tag, since no table carries one of the tags"
        yield Refusal(rule=RULE, text=text, found=whose, wanted=f"tables tagged {', '.join(wanted.tags)}")
    known = {region.name for region in definition.regions} if definition is not None else set()
    for name in wanted.regions:
        if name not in known:
            yield Refusal(
                rule=RULE, text=f"there is no region {name} to protect", found=whose, wanted=f"a region {name}"
            )
    if definition is None and wanted.roles:
        text = "nothing says which regions are protected"
        yield Refusal(rule=RULE, text=text, found=whose, wanted="a definition with regions")


def touched(comparison: Comparison, wanted: Protected) -> dict[str, What]:
    """What a comparison shows of what is protected: tag or region -> a table, or words, and an address."""
    found: dict[str, What] = {}
    definitions = [side.definition for side in (comparison.before, comparison.after) if side.definition is not None]
    names = {table.name for table in comparison.tables} | {n for axis in comparison.axes for n in axis.tables}
    for definition in definitions:
        specs = [spec for name in sorted(names) if (spec := definition.find_table(name)) is not None]
        for spec in specs:
            found |= {t: (f"table {spec.name}", spec.hull[0]) for t in spec.tags if t in wanted.tags and t not in found}
        for region in definition.regions:
            if region.name in found or not (region.name in wanted.regions or region.role in wanted.roles):
                continue
            at = first_inside(comparison.extents, [(region.start, region.stop)])
            if at is not None:
                found[region.name] = (f"a byte at 0x{at:08X}", at)
    return found


def _refusal(recorded: Recorded, word: str, what: What) -> Refusal:
    text, address = what
    entry = recorded.entry
    return Refusal(
        rule=RULE,
        text=f"{word} was changed without an authority",
        found=f"{text} differs, and entry {entry.sequence} names no authority for {word}",
        wanted=f"an authority for {word}, named when the revision is recorded; or {word} as it was",
        address=address,
        table=text.removeprefix("table ") if text.startswith("table ") else None,
        unit=entry.unit,
        sequence=entry.sequence,
    )
