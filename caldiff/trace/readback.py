"""What was read out of a unit: what should have been in it, that save for what the controller writes itself, or else.

Nothing is recorded here: :meth:`caldiff.trace.recording.Recorder.readback` does that, and finds the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from os import PathLike
from typing import Literal

import attrs

from caldiff.canonical import Digest
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison, Extent, TableDiff
from caldiff.errors import CaldiffError
from caldiff.ledger.chain import Chain, Recorded
from caldiff.ledger.entry import Entry
from caldiff.table.calibration import Calibration
from caldiff.trace.arriving import Opening, arrive
from caldiff.trace.choosing import in_the_unit
from caldiff.trace.facts import finding_of, stable_digest
from caldiff.trace.kept import Kept
from caldiff.trace.nearest import Near
from caldiff.trace.tracing import Match, Tracer
from caldiff.value import Shown
from caldiff.vault.vault import Vault

__all__ = ["Moved", "ReadBack", "Verdict", "recognise"]

Verdict = Literal["equal", "volatile", "own", "foreign", "software", "unknown"]
"""``equal``: every byte is as it should be. ``volatile``: save for volatile regions. Else it is a stranger: ``own``: an
image of another entry of the unit; ``foreign``: another unit's; ``software``: other software; ``unknown``: changes that
nobody recorded."""

_IMAGES = {"baseline", "repeat", "revision"}
"""entries whose image a unit may hold because somebody put it there"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Moved(Shown):
    """What moved in a volatile region: runs of differing bytes, and the tables that the definition has there."""

    region: str
    extents: tuple[Extent, ...]
    tables: tuple[TableDiff, ...]

    @property
    def bytes(self) -> int:
        """How many differ."""
        return sum(extent.size for extent in self.extents)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class ReadBack(Shown):
    """What was read out of a unit.

    Attributes:
        unit, label: the unit, and the file as it was named. file: digest of its bytes.
        expected: the entry whose image should have been in it.
        verdict: what it is.
        comparison: from what it should be to what it is.
        moved: by volatile region, what moved there; whatever the verdict.
        own: of an ``own`` image, the entry that has it, and how (``content``, or ``stable``: volatile regions aside).
        foreign: entries of other units that have it.
        nearest: of a stranger that nobody recorded, the kept image that is nearest to it, where that is another than
            what it should be.
        notes: what people should know about how this was found, in words.
    """

    unit: str
    label: str
    file: Digest
    expected: Entry
    verdict: Verdict
    comparison: Comparison
    moved: tuple[Moved, ...] = ()
    own: tuple[Entry, Literal["content", "stable"]] | None = None
    foreign: tuple[Match, ...] = ()
    nearest: Near | None = None
    notes: tuple[str, ...] = ()

    @property
    def sound(self) -> bool:
        """It is what should have been in the unit, volatile regions aside."""
        return self.verdict in {"equal", "volatile"}

    def __repr__(self) -> str:
        return f"<ReadBack of {self.unit}, entry {self.expected.sequence}: {self.verdict}>"


def recognise(  # noqa: PLR0913 - one keyword a part
    vault: Vault,
    unit: str,
    path: str | PathLike[str],
    *,
    tracer: Tracer,
    opening: Opening,
    of: str | None = None,
) -> ReadBack:
    """Say what a file that was read out of a unit is.

    Args:
        vault: that has the unit.
        unit: the unit.
        path: the file.
        tracer: over the vault, its index up to date.
        opening: how the file is read.
        of: the entry that should have been in the unit; by default what was delivered or returned last, else the newest
            revision, else the baseline.

    Raises:
        FileError, ImageError: the file cannot be read, or is no image.
        LedgerError, UsageError, VaultError: there is no such entry, or the vault is damaged there.
        DefinitionError, DoesNotFitError, DefinitionMissingError: as when it is opened.
    """
    chain = vault.chain(unit)
    expected = in_the_unit(chain, of)
    kept = Kept(vault, limits=opening.limits)
    arrived = arrive(path, opening, kept=kept, relatives=[expected.entry])
    calibration = arrived.calibration
    comparison = compare(_kept(kept, expected, calibration), calibration)
    found = ReadBack(
        unit=unit,
        label=calibration.label,
        file=arrived.subject.file,
        expected=expected.entry,
        verdict="unknown",
        comparison=comparison,
        moved=tuple(_moved(comparison)),
    )
    finding = finding_of(comparison)
    if finding != "other":
        return attrs.evolve(found, verdict=finding)
    return _stranger(found, chain, calibration, tracer)


def _kept(kept: Kept, recorded: Recorded, like: Calibration) -> Calibration:
    found = kept.calibration(recorded.entry, preferred=like.definition)
    return attrs.evolve(found, label=f"entry {recorded.entry.sequence}")


def _moved(comparison: Comparison) -> Iterator[Moved]:
    """What moved in the volatile regions, and the changed tables that lie there with a differing byte."""
    regions: dict[str, list[Extent]] = {}
    for extent in comparison.extents:
        if extent.role == "volatile":
            regions.setdefault(extent.region, []).append(extent)
    for region, extents in regions.items():
        spans = [(extent.start, extent.stop) for extent in extents]
        tables = tuple(diff for diff in comparison.tables if _touched(diff, spans))
        yield Moved(region=region, extents=tuple(extents), tables=tables)


def _touched(diff: TableDiff, spans: list[tuple[int, int]]) -> bool:
    table = diff.after or diff.before
    if table is None:
        return False
    low, high = table.spec.hull
    return any(start < high and low < stop for start, stop in spans)


def _stranger(found: ReadBack, chain: Chain, calibration: Calibration, tracer: Tracer) -> ReadBack:
    """What a file is that is not what it should be."""
    own = _own(chain, calibration)
    if own is not None:
        return attrs.evolve(found, verdict="own", own=own)
    traced = tracer.trace(calibration)
    foreign = tuple(m for m in traced.matches if m.unit != found.unit and m.entry.kind in _IMAGES | {"readback"})
    notes = (*traced.notes, *_read_before(traced.matches, found.unit))
    nearest = next(iter(traced.nearest), None)
    if nearest is not None and nearest.entry.hash == found.expected.hash:
        nearest = None
    kinds = found.comparison.otherness
    verdict: Verdict = "unknown"
    if foreign or "vehicle" in kinds or "controller" in kinds:
        verdict = "foreign"
    elif "software" in kinds or found.comparison.across:
        verdict = "software"
    return attrs.evolve(found, verdict=verdict, foreign=foreign, nearest=nearest, notes=notes)


def _own(chain: Chain, calibration: Calibration) -> tuple[Entry, Literal["content", "stable"]] | None:
    """The newest entry of the unit that has the image: the very content, else with volatile regions aside."""
    entries = [entry for entry in reversed(chain.entries) if entry.kind in _IMAGES and entry.image is not None]
    for entry in entries:
        if entry.image is not None and entry.image.content == calibration.image.content:
            return entry, "content"
    if calibration.definition is None:
        return None
    try:
        stable = stable_digest(calibration.image, calibration.definition)
    except CaldiffError:
        return None
    alike = (entry for entry in entries if entry.image is not None and entry.image.stable == stable)
    return next(((entry, "stable") for entry in alike), None)


def _read_before(matches: tuple[Match, ...], unit: str) -> Iterator[str]:
    """That the same was read out of this unit earlier."""
    for match in matches:
        if match.unit == unit and match.entry.kind == "readback":
            how = "the very file" if match.how == "file" else "the same content"
            yield f"{how} is recorded as entry {match.sequence}, a readback of {match.entry.draft.time[:10]}"
