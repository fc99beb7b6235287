"""What the entries of a chain say, reckoned again from the kept bytes with the kept definitions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import attrs

from caldiff.errors import CaldiffError
from caldiff.ledger.entry import (
    Changes,
    ChecksumFact,
    DefinitionFact,
    Delivery,
    Entry,
    IdentityFact,
    ImageFacts,
    Readback,
    Repeat,
    Return,
    Revision,
)
from caldiff.ledger.finding import Finding
from caldiff.trace.facts import changes, finding_of, image_facts
from caldiff.trace.kept import Kept

if TYPE_CHECKING:
    from caldiff.canonical import Digest
    from caldiff.diff.model import Comparison
    from caldiff.ledger.chain import Chain
    from caldiff.table.calibration import Calibration
    from caldiff.table.personal import Key
    from caldiff.vault.vault import Vault

__all__ = ["replay"]

Progress = Callable[[int, int], None]

_FACTS = {
    "format": "format of the file",
    "container": "container of the file",
    "size": "size of the file",
    "start": "address of the first byte",
    "content": "content digest",
    "stable": "content digest without volatile regions",
    "definition": "definition",
    "identity": "identity",
    "checksums": "state of the checksums",
}
_CHANGES = {
    "raw": "digest of all raw changes",
    "cell": "number of bytes in changed cells",
    "checksum": "number of changed checksum bytes",
    "identity": "number of changed identity bytes",
    "volatile": "number of changed volatile bytes",
    "unexplained": "number of unexplained bytes",
    "code": "number of changed code bytes",
    "tables": "list of changed tables",
    "axes": "list of moved axes",
    "tags": "list of tags of what changed",
    "regions": "list of regions that changed",
    "replaced": "word on whether another definition reads the image",
}
_HINT = "the entry tells what is not so: ask who recorded it, and let nothing out that rests on it"


def replay(
    vault: Vault,
    chain: Chain,
    *,
    key: Key | None = None,
    kept: Kept | None = None,
    progress: Progress | None = None,
) -> tuple[Finding, ...]:
    """Hold every entry against the files that it speaks of. Damage is told, never raised; everything found is a fault.

    Args:
        vault: that keeps the files.
        chain: of one unit.
        key: with it, what personal identity is matched by is reckoned again too, where it was made with this key.
        kept: what the vault keeps, where it is open already: of several chains, definitions are then read once.
        progress: told how many entries are done, and of how many.
    """
    findings: list[Finding] = []
    again = _Again(chain=chain, kept=kept or Kept(vault), key=key)
    for number, entry in enumerate(chain.entries, start=1):
        try:
            findings += again.findings(entry)
        except CaldiffError as error:
            findings.append(_unreckoned(entry, error))
        if progress is not None:
            progress(number, len(chain.recorded))
    return tuple(findings)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Again:
    """Entries reckoned again, one by one."""

    chain: Chain
    kept: Kept
    key: Key | None

    def findings(self, entry: Entry) -> Iterator[Finding]:
        """What one entry says that is not so. Raises CaldiffError where that cannot be told."""
        body = entry.body
        calibration = None if entry.image is None else self.kept.calibration(entry)
        if calibration is not None and entry.image is not None:
            yield from self._facts(entry, entry.image, calibration)
        match body:
            case Repeat(baseline=baseline):
                yield from _changed(entry, self._changes(baseline, entry), body.changes, "the baseline")
            case Revision(parent=parent, baseline=baseline):
                found = self._changes(parent, entry)
                yield from _changed(entry, found, body.against_parent, "its parent")
                found = found if parent == baseline else self._changes(baseline, entry)
                yield from _changed(entry, found, body.against_baseline, "the baseline")
            case Readback(of=of):
                found = self._changes(of, entry)
                yield from _changed(entry, found, body.changes, "what should have been in the unit")
                finding = finding_of(self._compared(body.of, entry))
                if body.finding != finding:
                    yield _differs(entry, "finding of the readback", finding, body.finding)
            case Delivery(of=of):
                yield from self._delivered(entry, of, calibration)
            case Return(baseline=baseline):
                stock = self.chain.by_hash(baseline).entry
                if entry.file != stock.file:
                    yield _differs(entry, "file of the baseline", str(stock.file), str(entry.file))

    def _facts(self, entry: Entry, told: ImageFacts, calibration: Calibration) -> Iterator[Finding]:
        """What the entry says of its image."""
        files = None if told.definition is None else told.definition.files
        found = image_facts(calibration, files=files, key=self.key)
        for name, words in _FACTS.items():
            expected, got = getattr(found, name), getattr(told, name)
            if name == "identity":
                expected, got = self._matchable(expected, got)
            if expected != got:
                yield _differs(entry, words, *_both(expected, got))

    def _matchable(
        self, found: tuple[IdentityFact, ...], told: tuple[IdentityFact, ...]
    ) -> tuple[tuple[IdentityFact, ...], tuple[IdentityFact, ...]]:
        """Both identities, without digests under a key that is not at hand."""

        def bare(facts: tuple[IdentityFact, ...]) -> tuple[IdentityFact, ...]:
            return tuple(attrs.evolve(fact, match=None) for fact in facts)

        ours = None if self.key is None else f":{self.key.name}:"
        if ours is None or not any(fact.match is not None and ours in fact.match for fact in told):
            return bare(found), bare(told)
        return found, told

    def _changes(self, before: Digest, entry: Entry) -> Changes:
        """What the image of an entry changed against that of another."""
        return changes(self._compared(before, entry))

    def _compared(self, before: Digest, entry: Entry) -> Comparison:
        return self.kept.compared(self.chain.by_hash(before).entry, entry)

    def _delivered(self, entry: Entry, of: Digest, calibration: Calibration | None) -> Iterator[Finding]:
        """A delivery is of the revision's own file, or of one with its content."""
        revision = self.chain.by_hash(of).entry
        if calibration is None:
            if entry.file != revision.file:
                yield _differs(entry, "file of the revision that was delivered", str(revision.file), str(entry.file))
            return
        expected = self.kept.image(revision).content
        if calibration.image.content != expected:
            what = "content of the revision that was delivered"
            yield _differs(entry, what, str(expected), str(calibration.image.content))


# ---------------------------------------------------------------------------------------------------------- in words


def _changed(entry: Entry, found: Changes, told: Changes, against: str) -> Iterator[Finding]:
    """What the entry says of its changes against another."""
    for name, words in _CHANGES.items():
        expected, got = getattr(found, name), getattr(told, name)
        if expected != got:
            yield _differs(entry, f"{words} against {against}", *_both(expected, got))


def _differs(entry: Entry, what: str, expected: str, got: str) -> Finding:
    return Finding(
        level="meaning",
        text=f"the {what} is another than the entry says",
        unit=entry.unit,
        sequence=entry.sequence,
        expected=expected,
        got=got,
        hint=_HINT,
    )


def _unreckoned(entry: Entry, error: CaldiffError) -> Finding:
    """What cannot be reckoned again is not proven."""
    return Finding(
        level="meaning",
        text=f"what the entry says cannot be reckoned again: {error.reason}",
        unit=entry.unit,
        sequence=entry.sequence,
        expected=error.expected,
        got=error.got,
        hint=error.hint,
    )


def _both(expected: Any, got: Any) -> tuple[str, str]:
    """Two values as text: of lists only what is in one of them."""
    if isinstance(expected, tuple) and isinstance(got, tuple):
        ours, theirs = ([one for one in side if one not in other] for side, other in ((expected, got), (got, expected)))
        if ours or theirs:
            return _listed(ours), _listed(theirs)
        return f"{_listed(expected)}, in this order", _listed(got)
    return _word(expected), _word(got)


_MOST = 8
"""items of a list that are told"""


def _listed(items: Any) -> str:
    told = [_word(item) for item in items[:_MOST]]
    more = len(items) - len(told)
    return ", ".join(told + ([f"and {more} more"] if more > 0 else [])) or "nothing"


def _word(value: Any) -> str:
    match value:
        case IdentityFact():
            kind = f"personal {value.means}" if value.personal else value.means
            return f"{value.name} {value.text!r} ({kind})" + (f" {value.match}" if value.match else "")
        case ChecksumFact():
            return f"{value.name} {value.status}"
        case DefinitionFact():
            return f"{value.name} {value.digest.short}"
        case (name, count):
            return f"{name} ({count} cells)"
        case bool():
            return "yes" if value else "no"
    return "none" if value is None else str(value)
