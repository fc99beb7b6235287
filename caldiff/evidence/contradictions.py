"""What a log says of itself, held against the ledger entry that it is to tell of: contradictions, in words.

Pure: nothing is read here. Silence is no contradiction: a log that names no calibration and no time proves nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from caldiff.ledger.chain import Chain
from caldiff.ledger.entry import Delivery, Entry, IdentityFact, Return
from caldiff.table.personal import shortened

__all__ = ["contradictions"]

_WORDS = {
    "calibration-id": {"calibration id", "calibration identification", "calibration", "calid", "cal id"},
    "software-version": {"software version", "software"},
    "hardware-number": {"hardware number", "hardware"},
    "cvn": {"cvn", "calibration verification number"},
    "vin": {"vin", "vehicle identification number"},
}
_MEANS = {word: means for means, words in _WORDS.items() for word in words}
_CALLED = {"cvn": "calibration verification number", "vin": "VIN"}


def contradictions(
    identity: Iterable[tuple[str, str]], start: str | None, *, of: Entry, chain: Chain
) -> tuple[str, ...]:
    """Sentences on what does not go together; empty where nothing contradicts.

    Args:
        identity: what the log says of itself, as pairs of key and value.
        start: when it began, UTC, as ``2026-03-12T06:41:00Z``; None where it does not say.
        of: the entry that it is to be evidence on: one with an image, or a delivery or return of one.
        chain: that the entry is in.
    """
    image = _image_entry(of, chain)
    return (*_other_identity(identity, image, chain), *(_other_time(start, image, chain) if start else ()))


def _image_entry(entry: Entry, chain: Chain) -> Entry:
    """The entry whose image was in the unit."""
    match entry.body:
        case Delivery(of=of):
            return chain.by_hash(of).entry
        case Return(baseline=baseline):
            return chain.by_hash(baseline).entry
    return entry


def _named(entry: Entry) -> str:
    return f"entry {entry.sequence} ({entry.kind})"


def _at(entry: Entry) -> str:
    return f"entry {entry.sequence}, {entry.draft.time}"


# ------------------------------------------------------------------------------------------------------------ identity


def _other_identity(identity: Iterable[tuple[str, str]], of: Entry, chain: Chain) -> Iterator[str]:
    for key, value in identity:
        means = _MEANS.get(" ".join(re.split(r"[\W_]+", key.casefold())).strip())
        facts = [fact for fact in _facts(of, means) if fact.text] if means and value.strip() else []
        if not facts or any(_agrees(fact, value) for fact in facts):
            continue
        called = _CALLED.get(facts[0].means, facts[0].means.replace("-", " "))
        ours, theirs = facts[0].text, shortened(value.strip()) if facts[0].personal else value.strip()
        others = [e for e in chain.entries if any(_agrees(fact, value) for fact in _facts(e, means) if fact.text)]
        also = f"; {_named(others[-1])} has that" if others else "; no image of this unit has that"
        yield f"the log is of {called} {theirs}, {_named(of)} has {ours}{also}"


def _facts(entry: Entry, means: str | None) -> list[IdentityFact]:
    return [fact for fact in entry.image.identity if fact.means == means] if entry.image else []


def _agrees(fact: IdentityFact, value: str) -> bool:
    """Whether a text of a log says what was recorded; of a personal one only what stayed readable can be compared."""
    said = shortened(value.strip()) if fact.personal else value.strip()
    return said.casefold() == (fact.text or "").strip().casefold()


# ---------------------------------------------------------------------------------------------------------------- time


def _other_time(start: str, of: Entry, chain: Chain) -> Iterator[str]:
    """Times are compared as text: all are UTC, written one way."""
    handed = [e for e in chain.entries if isinstance(e.body, Delivery | Return)]
    ours = [e for e in handed if _image_entry(e, chain).hash == of.hash]
    if of.kind == "revision":
        if not ours and start < of.draft.time:
            yield f"the log began {start}, before the revision was recorded: {_at(of)}"
        elif ours and start < ours[0].draft.time:
            yield f"the log began {start}, before the revision was handed over: {_at(ours[0])}"
    began = ours[0].sequence if ours else of.sequence
    before = [e for e in handed if e.sequence > began and e.draft.time <= start]
    if before and _image_entry(before[-1], chain).hash != of.hash:
        other = _image_entry(before[-1], chain)
        yield (
            f"the log began {start}, when {_named(other)} should have been in the unit: it was handed over in "
            f"{_at(before[-1])}"
        )
