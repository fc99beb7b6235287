"""Corrections on paper, as text and as JSON: what is proposed for each cell, with the evidence beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import isfinite

import attrs

from caldiff.definition.number import shown_number
from caldiff.evidence.logs import LogRead
from caldiff.evidence.proposed import CellChange, Proposal, Restraint, TableProposal
from caldiff.render.cautions import CAUTION_TAGS
from caldiff.render.coverage import seconds_text
from caldiff.render.document import Json, document, number, sound
from caldiff.render.drives import duration, log_lines, log_parts
from caldiff.render.figures import Figures
from caldiff.render.grid import Cell, Line
from caldiff.render.look import Look, plural, wrapped
from caldiff.render.plane import INDENT, Cells, Index, plane_lines, ruler_of
from caldiff.render.tables import heading
from caldiff.render.view import View

__all__ = ["proposal_document", "proposal_text"]

_BOUNDED, _LIMITED = "*", "#"


def proposal_text(
    proposal: Proposal, reads: Sequence[LogRead], against: Mapping[str, Sequence[str]], look: Look, view: View
) -> str:
    """The whole answer, ending with a newline."""
    title = f"Corrections proposed for {proposal.label}: on paper, nothing was written"
    lines = [look.paint(line, "strong") for line in wrapped(look.text(title), look.width)]
    lines += ["", *log_lines(reads, against, look), "", *wrapped(_held(proposal.restraint), look.width)]
    for table in proposal.tables:
        lines += ["", *_table_lines(table, look, view)]
    for left in proposal.left_out:
        words = f"{left.name}: nothing proposed: {left.reason}"
        lines += ["", *wrapped(look.text(words), look.width, indent=4, lead="  !")]
    lines += ["", look.paint("Mind", "strong")]
    for caution in (*proposal.cautions, *_tagged(proposal)):
        lines += wrapped(look.text(caution), look.width, indent=4, lead="  !")
    return "\n".join(lines) + "\n"


def _held(restraint: Restraint) -> str:
    low, high = restraint.credible
    return (
        f"Held to {restraint.bound * 100:g} % either way in one go; half of what is measured is taken at "
        f"{restraint.thin:g} s of evidence, nothing below {restraint.least:g} s; ratios beyond {low:g} to {high:g} "
        "are not believed."
    )


def _tagged(proposal: Proposal) -> list[str]:
    """Tables whose change can break the law or an engine."""
    out = []
    for table in proposal.tables:
        tags = [tag for tag in table.table.spec.tags if tag in CAUTION_TAGS]
        if tags:
            out.append(f"{table.name} is tagged {', '.join(tags)}: the default policy wants an authority named for it.")
    return out


def _table_lines(table: TableProposal, look: Look, view: View) -> list[str]:
    changed = table.changed
    out = [heading(table.name, table.table.spec, look)]
    out += wrapped(look.text(_sentence(table)), look.width, indent=INDENT)
    if not changed.any():
        return out
    after = attrs.evolve(table.table, raw=table.raw, physical=table.physical)
    rulers = [ruler_of(after, after, n) for n in range(after.raw.ndim)]

    def cells(indices: Sequence[Index]) -> Cells:
        return _Proposed(proposal=table, figures=Figures(table.table, after, indices), look=look)

    out += plane_lines(changed, rulers, cells, look, whole=view.whole)
    signs = {
        _BOUNDED: ("held to the bound", table.bounded),
        _LIMITED: ("held to the table's limits or type", table.limited),
    }
    legend = [f"{sign} {words}" for sign, (words, cells_) in signs.items() if (cells_ & changed).any()]
    return [*out, *wrapped("; ".join(legend), look.width, indent=INDENT)] if legend else out


def _sentence(table: TableProposal) -> str:
    correction = table.correction
    cells = f"{int(table.changed.sum())} of {plural(table.raw.size, 'cell')}"
    out = f" {duration(table.incredible)} left out, the ratio not being credible." if table.incredible else ""
    return (
        f"{cells} by {correction.measured} against {_target(table)}, {duration(table.total)} of evidence.{out} "
        "The value proposed, the change, the factor measured, and seconds of evidence:"
    )


def _target(table: TableProposal) -> str:
    target = table.correction.target
    return target if isinstance(target, str) else shown_number(target)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Proposed:
    """Four lines a row: the value, the change, the factor measured and the seconds."""

    proposal: TableProposal
    figures: Figures
    look: Look

    def row(self, cells: Sequence[Index | None], label: str) -> tuple[Line, ...]:
        """A row of a map."""
        return self._lines(cells, label)

    def curve(self, cells: Sequence[Index | None]) -> tuple[Line, ...]:
        """The lines of a curve."""
        return self._lines(cells, "proposed")

    def _lines(self, cells: Sequence[Index | None], label: str) -> tuple[Line, ...]:
        ways = {label: self._value, "change": self._change, "measured": self._measured, "seconds": self._seconds}
        return tuple(
            Line(
                label=name,
                cells=tuple(("", "plain") if i is None else way(i) for i in cells),
                ink="plain" if n == 0 else "faint",
            )
            for n, (name, way) in enumerate(ways.items())
        )

    def _value(self, index: Index) -> Cell:
        text = self.look.text(self.figures.text(1, index))
        return text, "strong" if self.proposal.changed[index] else "plain"

    def _change(self, index: Index) -> Cell:
        if not self.proposal.changed[index]:
            return self.look.glyph("·"), "faint"
        sign = _LIMITED if self.proposal.limited[index] else _BOUNDED if self.proposal.bounded[index] else ""
        return self.figures.difference(index) + sign, self.figures.ink(index)

    def _measured(self, index: Index) -> Cell:
        factor = float(self.proposal.measured[index])
        return (shown_number(Fraction(factor), 3), "plain") if isfinite(factor) else (self.look.glyph("·"), "faint")

    def _seconds(self, index: Index) -> Cell:
        seconds = float(self.proposal.seconds[index])
        return (seconds_text(seconds), "faint") if seconds else (self.look.glyph("·"), "faint")


# ---------------------------------------------------------------------------------------------------------------- JSON


def proposal_document(proposal: Proposal, reads: Sequence[LogRead], against: Mapping[str, Sequence[str]]) -> Json:
    """The whole answer. Indices are in array order."""
    restraint = proposal.restraint
    return document(
        "proposal",
        {
            "image": sound(proposal.label),
            "logs": log_parts(reads, against),
            "restraint": {
                "bound": restraint.bound,
                "thin": restraint.thin,
                "least": restraint.least,
                "credible": list(restraint.credible),
            },
            "tables": [_table(table) for table in proposal.tables],
            "left_out": [{"name": t.name, "reason": t.reason} for t in proposal.left_out],
            "cautions": [*proposal.cautions, *_tagged(proposal)],
        },
    )


def _table(table: TableProposal) -> Json:
    return {
        "name": table.name,
        "unit": table.table.unit,
        "corrects": {"measured": table.correction.measured, "target": _target(table), "as": table.correction.way},
        "seconds": table.total,
        "incredible": table.incredible,
        "cells": [_cell(cell) for cell in table.cells],
    }


def _cell(cell: CellChange) -> Json:
    return {
        "index": list(cell.index),
        "raw": {"before": number(cell.raw[0]), "after": number(cell.raw[1])},
        "physical": {"before": number(cell.physical[0]), "after": number(cell.physical[1])},
        "measured": cell.measured,
        "spread": cell.spread,
        "factor": cell.factor,
        "seconds": cell.seconds,
        "samples": cell.samples,
        "bounded": cell.bounded,
        "limited": cell.limited,
    }
