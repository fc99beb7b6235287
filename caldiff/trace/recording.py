"""``Recorder``: files and facts into a vault, as entries of a unit's chain."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from os import PathLike

import attrs

from caldiff.definition.catalogue import Catalogue, shipped_folder
from caldiff.definition.definition import Definition
from caldiff.diff.codes import switched_codes
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison
from caldiff.errors import DefinitionMissingError, UsageError
from caldiff.image.limits import Limits
from caldiff.image.model import Format
from caldiff.ledger.chain import Chain, Recorded
from caldiff.ledger.entry import (
    Approval,
    Baseline,
    Body,
    Changes,
    Delivery,
    Draft,
    Evidence,
    ImageFacts,
    Note,
    Readback,
    Repeat,
    Return,
    Revision,
    Subject,
)
from caldiff.ledger.link import check_unit
from caldiff.ledger.signing import Signer
from caldiff.table.personal import Key
from caldiff.trace.arriving import Arrived, Opening, arrive, plain_files
from caldiff.trace.choosing import baseline_named, called, in_the_unit, parent_named, revision_named
from caldiff.trace.facts import changes, finding_of, image_facts
from caldiff.trace.kept import Kept, keep_definition
from caldiff.trace.refusals import checked_authorities, refuse_known, refuse_other, refuse_same
from caldiff.value import Shown
from caldiff.vault.vault import Vault

__all__ = ["Recorder"]

Path = str | PathLike[str]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Recorder(Shown):
    """Records what somebody did at one time.

    Every method keeps the files first, exactly as they came, then adds one entry to the unit's chain and gives it back.
    What it refuses leaves the chain alone. What is odd but true is recorded: another vehicle's number, a stale
    checksum, a change that nothing explains. To refuse that is the gate's part.

    Entries are named as :meth:`caldiff.ledger.chain.Chain.named` has it: by number, ``baseline``, ``latest``, ``head``,
    or the beginning of the hash.

    Attributes:
        vault: where it is recorded.
        time: UTC, ``2026-03-11T09:30:00Z``.
        author: who records it, in the shop's words.
        signers: keys that sign the entries.
        key: what personal identity is matched by; None: by nothing.
        catalogue: where definitions are found; the shipped ones by default.
        definition, start, format, limits: how image files are opened, as for ``open_calibration``.
    """

    vault: Vault
    time: str
    author: str = ""
    signers: Sequence[Signer] = ()
    key: Key | None = None
    catalogue: Catalogue = attrs.field(factory=lambda: Catalogue((shipped_folder(),)))
    definition: Definition | str | PathLike[str] | None = None
    start: int | None = None
    format: Format | None = None
    limits: Limits | None = None
    _kept: Kept = attrs.field(init=False)

    def __attrs_post_init__(self) -> None:
        Draft(body=Note(), time=self.time)  # refuses what is no time, before anything is kept
        object.__setattr__(self, "_kept", Kept(self.vault, limits=self.limits))

    # ---------------------------------------------------------------------------------------------------- images

    def baseline(self, unit: str, path: Path, *, message: str = "", another: bool = False) -> Recorded:
        """The first read of a unit, which begins its chain; or a read of other stock software, if ``another``.

        Raises:
            UsageError: the unit has a baseline and this is not said to be another, or it is one that is recorded.
            CaldiffError: the file cannot be read, or cannot be kept.
        """
        if not self.vault.chain_so_far(unit):  # nor is there one where somebody was killed at its first entry
            arrived = self._arrived(path)
            body = Baseline(image=self._facts(arrived, None))
        else:
            chain = self._chain(unit)
            arrived = self._arrived(path, chain.baselines[-1:])
            facts = image_facts(arrived.calibration, files=None, key=None)
            refuse_known(chain, facts, path)
            if not another:
                raise UsageError(
                    f"unit {unit} has a baseline read already",
                    got=f"entry {chain.baselines[-1].entry.sequence}, of {chain.baselines[-1].entry.draft.time}",
                    hint="record a second read of the same stock as a repeat, and what came out of the unit later as a "
                    "readback; if a workshop put in other stock software, say that this is another baseline",
                )
            body = Baseline(image=self._facts(arrived, chain))
        self._keep(arrived, (), whole=True)
        return self._append(unit, body, message, [arrived.subject])

    def repeat(self, unit: str, path: Path, *, baseline: str | None = None, message: str = "") -> Recorded:
        """Another read of the stock, compared with the ``baseline``, by default the newest one.

        Raises:
            UsageError, LedgerError: there is no such unit or baseline.
            CaldiffError: the file cannot be read, or cannot be kept.
        """
        chain = self._chain(unit)
        stock = baseline_named(chain, baseline)
        arrived = self._arrived(path, [stock])
        body = Repeat(
            image=self._facts(arrived, chain), baseline=stock.entry.hash, changes=self._changes(stock, arrived)
        )
        self._keep(arrived, [stock])
        return self._append(unit, body, message, [arrived.subject])

    def revision(  # noqa: PLR0913 - one keyword a fact
        self,
        unit: str,
        path: Path,
        *,
        parent: str | None = None,
        authorities: Mapping[str, str] | Iterable[tuple[str, str]] = (),
        made_from: Iterable[Path] = (),
        message: str = "",
    ) -> Recorded:
        """An image meant for the unit, compared with what it was made from and with the baseline.

        Args:
            unit: that it is meant for.
            path: its file.
            parent: what it was made from; by default the newest revision or baseline, whichever came last.
            authorities: tag, region or trouble code, and under whose authority what is tagged so was changed, or that
                code switched off.
            made_from: files that it was made with, kept as they are.
            message: why.

        Raises:
            UsageError: it is the very image of its parent, the parent has no image, or an authority is given for what
                did not change.
            LedgerError: there is no such parent.
            CaldiffError: a file cannot be read, or cannot be kept.
        """
        chain = self._chain(unit)
        origin = parent_named(chain, parent)
        stock = chain.baseline_of(origin.entry)
        arrived = self._arrived(path, [origin, stock])
        refuse_same(origin, arrived, path)
        files = plain_files(made_from)
        step = self._compared(origin, arrived)
        whole = step if stock == origin else self._compared(stock, arrived)
        against = changes(step)
        against_stock = against if whole is step else changes(whole)
        body = Revision(
            image=self._facts(arrived, chain),
            parent=origin.entry.hash,
            baseline=stock.entry.hash,
            against_parent=against,
            against_baseline=against_stock,
            authorities=checked_authorities(authorities, against, against_stock, codes=_switched_off(step, whole)),
            made_from=tuple(subject for subject, _ in files),
        )
        self._keep(arrived, [origin, stock])
        self._keep_plain(files)
        return self._append(unit, body, message, [arrived.subject])

    def delivery(self, unit: str, *, of: str, to: str, path: Path | None = None, message: str = "") -> Recorded:
        """A revision was handed over: its own file, or one of the same content at ``path``.

        Raises:
            UsageError: ``of`` is no revision, the file has other content, or nobody is named that it went ``to``.
            LedgerError: there is no such entry.
            CaldiffError: the file cannot be read, or cannot be kept.
        """
        chain = self._chain(unit)
        handed = revision_named(chain, of, what="delivered")
        if not to.strip():
            raise UsageError("a delivery goes to somebody", expected="a name, in the shop's words")
        subject, facts = handed.entry.draft.subjects[0], None
        if path is not None:
            arrived = self._arrived(path, [handed])
            refuse_other(handed, arrived, path)
            subject = arrived.subject
            if subject.file != handed.entry.file:
                facts = self._facts(arrived, chain)
                self._keep(arrived, [handed])
        return self._append(unit, Delivery(of=handed.entry.hash, to=to, image=facts), message, [subject])

    def readback(self, unit: str, path: Path, *, of: str | None = None, message: str = "") -> Recorded:
        """An image read out of the unit later, compared with what should have been in it.

        By default that is what was delivered or returned last, else the newest revision, else the baseline.

        Raises:
            UsageError, LedgerError: there is no such unit or entry.
            CaldiffError: the file cannot be read, or cannot be kept.
        """
        chain = self._chain(unit)
        expected = in_the_unit(chain, of)
        arrived = self._arrived(path, [expected])
        found = self._compared(expected, arrived)
        body = Readback(
            image=self._facts(arrived, chain),
            of=expected.entry.hash,
            changes=changes(found),
            finding=finding_of(found),
        )
        self._keep(arrived, [expected])
        return self._append(unit, body, message, [arrived.subject])

    # ------------------------------------------------------------------------------------------- all that is not

    def evidence(  # noqa: PLR0913 - one keyword a fact
        self,
        unit: str,
        paths: Iterable[Path],
        *,
        of: str | None = None,
        sort: str,
        facts: Mapping[str, str] | Iterable[tuple[str, str]] = (),
        message: str = "",
    ) -> Recorded:
        """Files that were taken while an image was in the unit: of which entry, as for :meth:`readback`.

        Raises:
            UsageError: there is no file, one is empty, two have one name, ``sort`` says nothing, or the same files are
                recorded of this entry already.
            LedgerError: there is no such entry.
            CaldiffError: a file cannot be read, or cannot be kept.
        """
        chain = self._chain(unit)
        about = in_the_unit(chain, of)
        files = plain_files(paths)
        if not files:
            raise UsageError("evidence is files", expected="one or more")
        if not sort.strip():
            raise UsageError("what sort of evidence is it?", expected="log, faults, or the shop's own word")
        subjects = tuple(subject for subject, _ in files)
        for one in chain.about(about.entry.hash):
            if {s.file for s in one.entry.draft.subjects} == {s.file for s in subjects}:
                raise UsageError(f"these files are recorded already, as {called(one.entry)}")
        self._keep_plain(files)
        body = Evidence(of=about.entry.hash, sort=sort, facts=tuple(sorted(dict(facts).items())))
        return self._append(unit, body, message, subjects)

    def approval(self, unit: str, *, of: str, role: str = "approver", message: str = "") -> Recorded:
        """Somebody says that a revision may go out. It counts as much as the signatures on it.

        Raises:
            UsageError: ``of`` is no revision. LedgerError: there is no such entry.
        """
        approved = revision_named(self._chain(unit), of, what="approved")
        return self._append(unit, Approval(of=approved.entry.hash, role=role), message, ())

    def note(self, unit: str, *, of: str | None = None, paths: Iterable[Path] = (), message: str = "") -> Recorded:
        """Words about an entry or about the unit, with files or without.

        Raises:
            UsageError: there are neither words nor files. LedgerError: there is no such entry.
            CaldiffError: a file cannot be read, or cannot be kept.
        """
        chain = self._chain(unit)
        about = None if of is None else chain.named(of).entry.hash
        files = plain_files(paths)
        if not files and not message.strip():
            raise UsageError("a note without words or files says nothing", expected="a message, or a file")
        self._keep_plain(files)
        return self._append(unit, Note(of=about), message, tuple(subject for subject, _ in files))

    def returned(self, unit: str, *, baseline: str | None = None, message: str = "") -> Recorded:
        """The unit went back to its stock: the file of the ``baseline``, by default the newest one.

        Raises:
            UsageError, LedgerError: there is no such unit or baseline.
        """
        stock = baseline_named(self._chain(unit), baseline).entry
        return self._append(unit, Return(baseline=stock.hash), message, stock.draft.subjects[:1])

    # ------------------------------------------------------------------------------------------------ the steps

    def _chain(self, unit: str) -> Chain:
        """The chain of a unit that is there, whose links hold."""
        units = self.vault.units()
        if check_unit(unit) in units:
            return self.vault.chain(unit)
        from difflib import get_close_matches  # noqa: PLC0415 - only a mistake needs it

        folded = {known.lower(): known for known in units}
        close = get_close_matches(unit.lower(), folded, n=1)
        raise UsageError(
            f"the vault has no unit {unit}",
            file=self.vault.folder,
            hint=f"did you mean {folded[close[0]]}?" if close else "a unit begins with its baseline read: record that",
        )

    def _arrived(self, path: Path, relatives: Sequence[Recorded] = ()) -> Arrived:
        opening = Opening(
            catalogue=self.catalogue,
            definition=self.definition,
            start=self.start,
            format=self.format,
            limits=self.limits or Limits(),
        )
        return arrive(path, opening, kept=self._kept, relatives=[one.entry for one in relatives])

    def _facts(self, arrived: Arrived, chain: Chain | None) -> ImageFacts:
        """What the image is; its definition is kept."""
        definition = arrived.calibration.definition
        files = None if definition is None else self._definition_files(definition, chain)
        return image_facts(arrived.calibration, files=files, key=self.key)

    def _definition_files(self, definition: Definition, chain: Chain | None) -> tuple[Subject, ...]:
        try:
            return keep_definition(self.vault, self.catalogue, definition).files
        except DefinitionMissingError:
            facts = (entry.image.definition for entry in (chain.entries if chain else ()) if entry.image is not None)
            known = [fact.files for fact in facts if fact is not None and fact.digest == definition.digest]
            if not known:
                raise
            return known[-1]  # it came out of the vault itself

    def _changes(self, before: Recorded, arrived: Arrived) -> Changes:
        return changes(self._compared(before, arrived))

    def _compared(self, before: Recorded, arrived: Arrived) -> Comparison:
        """The image compared with that of an entry, read by the same definition where that fits both."""
        calibration = arrived.calibration
        return compare(self._kept.calibration(before.entry, preferred=calibration.definition), calibration)

    def _keep(self, arrived: Arrived, near: Sequence[Recorded], *, whole: bool = False) -> None:
        images = {one.entry.file: self._kept.image(one.entry) for one in near if one.entry.file is not None}
        self.vault.keep(arrived.data, image=arrived.image, near=images, whole=whole)

    def _keep_plain(self, files: Iterable[tuple[Subject, bytes]]) -> None:
        for _, data in files:
            self.vault.keep(data)

    def _append(self, unit: str, body: Body, message: str, subjects: Sequence[Subject]) -> Recorded:
        draft = Draft(body=body, time=self.time, author=self.author, message=message, subjects=tuple(subjects))
        return self.vault.append(unit, draft, signers=self.signers)


def _switched_off(*comparisons: Comparison) -> set[str]:
    """Trouble codes that are off now, or may be, and were not."""
    return {one.code for comparison in comparisons for one in switched_codes(comparison) if one.state != "on"}
