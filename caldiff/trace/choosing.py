"""Which entry of a chain somebody means, by a word or by saying nothing."""

from __future__ import annotations

from caldiff.errors import UsageError
from caldiff.ledger.chain import Chain, Recorded
from caldiff.ledger.entry import Delivery, Entry, Return

__all__ = ["baseline_named", "called", "in_the_unit", "parent_named", "revision_named"]

_IMAGES = ("baseline", "repeat", "revision", "readback")


def called(entry: Entry) -> str:
    """An entry as messages call it."""
    return f"entry {entry.sequence} ({entry.kind})"


def parent_named(chain: Chain, word: str | None) -> Recorded:
    """What a revision was made from: the entry named, else the newest revision or baseline, whichever came last.

    A delivery stands for its revision, a return for its baseline.

    Raises:
        LedgerError: no entry is named so. UsageError: it has no image.
    """
    if word is None:
        return [one for one in chain.recorded if one.entry.kind in {"baseline", "revision"}][-1]
    return _with_image(chain, chain.named(word), "a revision is made from an image")


def in_the_unit(chain: Chain, word: str | None) -> Recorded:
    """What is, or should be, in the unit: the entry named, else what was delivered or returned last.

    Where nothing was delivered yet it is the newest revision, else the baseline.

    Raises:
        LedgerError: no entry is named so. UsageError: it has no image.
    """
    if word is not None:
        return _with_image(chain, chain.named(word), "only an image can be in a unit")
    handed = [one for one in chain.recorded if one.entry.kind in {"delivery", "return"}]
    return _image_of(chain, handed[-1]) if handed else (chain.revisions or chain.baselines)[-1]


def revision_named(chain: Chain, word: str, *, what: str) -> Recorded:
    """The revision that is named; ``what`` says what is done to it, such as ``delivered``.

    Raises:
        LedgerError: no entry is named so. UsageError: it is no revision.
    """
    found = chain.named(word)
    if found.entry.kind == "revision":
        return found
    revisions = ", ".join(str(one.entry.sequence) for one in chain.revisions[-8:])
    raise UsageError(
        f"only a revision is {what}",
        expected=f"one of the revisions {revisions}" if revisions else "a revision, and none is recorded yet",
        got=called(found.entry),
        hint="the stock goes back by an entry of its own, a return" if found.entry.kind == "baseline" else None,
    )


def baseline_named(chain: Chain, word: str | None) -> Recorded:
    """The baseline named, else the newest one.

    Raises:
        LedgerError: no entry is named so. UsageError: it is no baseline.
    """
    found = chain.named("baseline" if word is None else word)
    if found.entry.kind == "baseline":
        return found
    numbers = ", ".join(str(one.entry.sequence) for one in chain.baselines)
    raise UsageError("this is no baseline", expected=f"entry {numbers}", got=called(found.entry))


def _with_image(chain: Chain, found: Recorded, reason: str) -> Recorded:
    found = _image_of(chain, found)
    if found.entry.kind in _IMAGES:
        return found
    raise UsageError(reason, expected=" or ".join(_IMAGES), got=called(found.entry))


def _image_of(chain: Chain, found: Recorded) -> Recorded:
    """What a delivery or a return speaks of; any other entry itself."""
    match found.entry.body:
        case Delivery(of=of):
            return chain.by_hash(of)
        case Return(baseline=baseline):
            return chain.by_hash(baseline)
        case _:
            return found
