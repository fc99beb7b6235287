"""The engine has been in the cells that the parent changed: seconds a cell, reckoned from the kept logs.

The logs were taken while the parent ran, so they tell of what the parent changed against what it was made from. A log
that cannot be used gives no seconds; what is told of it is why.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import attrs
import numpy as np

from caldiff.definition.number import shown_number
from caldiff.diff.model import Comparison, TableDiff
from caldiff.errors import CaldiffError, FileError
from caldiff.gate.case import Case
from caldiff.gate.policy import Visited
from caldiff.gate.rules.answering import counted
from caldiff.gate.rules.tables import matching, unmatched
from caldiff.gate.sizes import Mask
from caldiff.gate.verdict import Refusal
from caldiff.ledger.chain import Recorded
from caldiff.table.model import Floats

if TYPE_CHECKING:
    from caldiff.evidence.covered import Coverage

__all__ = ["Answer", "visited"]

_ROUNDING = 1e-6
"""seconds that sums of many samples may fall short by"""


@attrs.frozen(kw_only=True, eq=False)
class Answer:
    """What was looked at, in words, and every reason not to."""

    read: str
    refusals: tuple[Refusal, ...] = ()


@attrs.frozen(kw_only=True, eq=False)
class _Logs:
    """What the logs together give.

    Attributes:
        seconds: by table, of its shape.
        left_out: by table, why the last log that could be read says nothing of it.
        unused: why a log gives nothing at all.
    """

    seconds: dict[str, Floats] = attrs.field(factory=dict)
    left_out: dict[str, str] = attrs.field(factory=dict)
    unused: list[str] = attrs.field(factory=list)


def visited(case: Case, rule: str, parent: Recorded, wanted: Visited, pieces: Sequence[Recorded]) -> Answer:
    """Whether enough of the cells that the parent changed were visited in these pieces of evidence.

    Raises CaldiffError where it cannot be told what the parent changed.
    """
    entry = f"entry {parent.entry.sequence}"
    unknown = tuple(unmatched(case, wanted.tables, rule))
    comparison = case.step(parent)
    if comparison is None or comparison.identical:
        return Answer(read=f"{entry} changed nothing that could be visited", refusals=unknown)
    if comparison.after.definition is None:
        text = f"nothing says which cells {entry} changed"
        blind = Refusal(rule=rule, text=text, found="no definition", wanted="a definition that reads it")
        return Answer(read=f"{entry} has no definition", refusals=(*unknown, blind))
    diffs = {diff.name: diff for tables in wanted.tables for diff in matching(comparison, tables)}
    masks = {name: mask for name, diff in diffs.items() if (mask := _changed(diff)) is not None}
    reader = _Reader(case=case, parent=parent, comparison=comparison, wanted=wanted, names=tuple(masks))
    logs = reader.read(pieces) if masks else _Logs()
    refusals = [
        *unknown,
        *(_unreadable(rule, diff) for diff in diffs.values() if diff.state == "unreadable"),
    ]
    enough = 0
    for name, mask in sorted(masks.items()):
        seconds = logs.seconds.get(name, np.zeros(mask.shape))[mask]
        there = int(np.count_nonzero(seconds >= float(wanted.seconds) - _ROUNDING))
        enough += there
        if there < wanted.share * seconds.size:
            share = _told(seconds, there, logs, name), _asked(wanted)
            refusals.append(_short(rule, diffs[name], seconds.size - there, share, parent))
    of = sum(int(np.count_nonzero(mask)) for mask in masks.values())
    read = (
        f"{enough} of {counted(of, 'cell')} that {entry} changed visited for {shown_number(wanted.seconds)} s or more"
    )
    return Answer(read=f"{read}, by channels {wanted.channels.name}", refusals=tuple(refusals))


def _changed(diff: TableDiff) -> Mask | None:
    """The cells to be visited; None where there is none: nothing of the surface changed, or the table is gone."""
    from caldiff.evidence.changing import change_of  # noqa: PLC0415 - few policies ask for it

    if diff.after is None or diff.state == "unreadable":
        return None
    change = change_of(diff, diff.after)
    return change.changed if change is not None and change.cells else None


# ------------------------------------------------------------------------------------------------------------ the logs


@attrs.frozen(kw_only=True, eq=False)
class _Reader:
    """Reads logs for the tables of these names."""

    case: Case
    parent: Recorded
    comparison: Comparison
    wanted: Visited
    names: tuple[str, ...]

    def read(self, pieces: Sequence[Recorded]) -> _Logs:
        """Every log by itself, so that one which breaks off spoils no other; a file recorded twice only once."""
        logs = _Logs()
        for subject in {subject.file: subject for piece in pieces for subject in piece.entry.draft.subjects}.values():
            try:
                coverage = self._covered(self.case.bench.source.file(subject.file))
            except CaldiffError as error:
                logs.unused.append(f"{subject.name} gives nothing: {error.reason}")
                continue
            for table in coverage.tables:
                logs.seconds[table.name] = logs.seconds.get(table.name, np.zeros(table.seconds.shape)) + table.seconds
            logs.left_out.update((left.name, left.reason) for left in coverage.left_out)
        return logs

    def _covered(self, data: bytes) -> Coverage:
        """Where the engine went in one log. Raises CaldiffError where it cannot be used, or is of something else."""
        try:
            with TemporaryDirectory(ignore_cleanup_errors=True) as folder:
                path = Path(folder) / "log"
                path.write_bytes(data)
                return self._covered_in(path)
        except OSError as error:
            raise FileError(f"no folder for temporary files can be written to: {error.strerror or error}") from None

    def _covered_in(self, path: Path) -> Coverage:
        from caldiff.evidence.contradictions import contradictions  # noqa: PLC0415 - few policies ask for it
        from caldiff.evidence.coverage import cover, quantities_of  # noqa: PLC0415 - as above
        from caldiff.evidence.logs import open_logs, rows_of  # noqa: PLC0415 - as above

        ran = self.comparison.after
        reads = open_logs([path], self.wanted.channels, quantities_of(ran, self.names))
        for read in reads:
            against = contradictions(read.log.identity, read.log.start, of=self.parent.entry, chain=self.case.chain)
            if against:
                raise CaldiffError(against[0])
        return cover(rows_of(reads), ran, tables=self.names, since=self.comparison)


# ------------------------------------------------------------------------------------------------------------ in words


def _unreadable(rule: str, diff: TableDiff) -> Refusal:
    return Refusal(
        rule=rule,
        text=f"it cannot be told which cells of table {diff.name} were visited",
        found=diff.reason or "a table that cannot be read",
        wanted="a table that both images hold whole",
        table=diff.name,
    )


def _short(rule: str, diff: TableDiff, missing: int, share: tuple[str, str], parent: Recorded) -> Refusal:
    """The refusal of a table; ``share``: what was found, and how many cells of it are wanted for how long."""
    found, wanted = share
    entry = parent.entry
    return Refusal(
        rule=rule,
        text=f"{counted(missing, 'changed cell')} of table {diff.name} without enough evidence",
        found=found,
        wanted=f"{wanted}, in logs taken on entry {entry.sequence}",
        address=None if diff.after is None else diff.after.at,
        table=diff.name,
        unit=entry.unit,
        sequence=entry.sequence,
    )


def _told(seconds: Floats, enough: int, logs: _Logs, name: str) -> str:
    """What the logs say of the changed cells of a table."""
    ever = int(np.count_nonzero(seconds))
    best = f"{enough} of {counted(seconds.size, 'changed cell')} visited"
    if ever:
        best += f" so long, {ever} at all, none for more than {seconds.max():.1f} s"
    why = [logs.left_out[name]] if name in logs.left_out and name not in logs.seconds else []
    return "; ".join([best, *why, *logs.unused])


def _asked(wanted: Visited) -> str:
    cells = "all of them" if wanted.share == 1 else f"{shown_number(wanted.share * 100)} % of them"
    return f"{cells} visited for {shown_number(wanted.seconds)} s or more"
