"""What is not recorded, since it would be a mistake, with the way out of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from os import PathLike

from caldiff.errors import UsageError
from caldiff.ledger.chain import Chain, Recorded
from caldiff.ledger.entry import Changes, ImageFacts
from caldiff.trace.arriving import Arrived
from caldiff.trace.choosing import called

__all__ = ["checked_authorities", "refuse_known", "refuse_other", "refuse_same"]

Path = str | PathLike[str]


def refuse_known(chain: Chain, facts: ImageFacts, path: Path) -> None:
    """No baseline is what is recorded as one, or is a revision of the unit."""
    for entry in chain.entries:
        image = entry.image
        if image is None or entry.kind not in {"baseline", "revision"}:
            continue
        if entry.kind == "revision" and image.content == facts.content:
            raise UsageError(
                "this is no read of the stock but a revision of the unit",
                file=path,
                got=f"the content of {called(entry)}",
                hint="if it was read out of the unit, record it as a readback",
            )
        same = image.content == facts.content or (image.stable is not None and image.stable == facts.stable)
        if entry.kind == "baseline" and same:
            how = "content" if image.content == facts.content else "content, volatile regions aside,"
            raise UsageError(
                "this read is recorded as a baseline already",
                file=path,
                got=f"the {how} of {called(entry)}",
                hint="if the unit was read a second time, record it as a repeat",
            )


def refuse_same(parent: Recorded, arrived: Arrived, path: Path) -> None:
    """A revision that changes nothing is none."""
    image = parent.entry.image
    if image is None or image.content != arrived.image.content:
        return
    very = "is the very file" if arrived.subject.file == parent.entry.file else "has the very content"
    raise UsageError(
        "a revision that changes nothing is none",
        file=path,
        got=f"what {very} of its parent, {called(parent.entry)}",
        hint="name another parent if it was made from something else; record a hand-over as a delivery",
    )


def refuse_other(revision: Recorded, arrived: Arrived, path: Path) -> None:
    """Handed over is what was recorded, nothing else."""
    image = revision.entry.image
    if image is None or image.content == arrived.image.content:
        return
    raise UsageError(
        "the file has other content than the revision that is delivered",
        file=path,
        expected=f"content {image.content.short}, as {called(revision.entry)}",
        got=arrived.image.content.short,
        hint="record it as a revision first, then deliver that",
    )


def checked_authorities(
    given: Mapping[str, str] | Iterable[tuple[str, str]], *against: Changes, codes: Iterable[str] = ()
) -> tuple[tuple[str, str], ...]:
    """The authorities by tag, region or trouble code; each of something that changed, or was switched off."""
    pairs = dict(given)
    changed = {word for one in against for word in (*one.tags, *one.regions)} | set(codes)
    for word, who in pairs.items():
        if word not in changed:
            from difflib import get_close_matches  # noqa: PLC0415 - only a mistake needs it

            close = get_close_matches(word, changed, n=1)
            raise UsageError(
                f"nothing changed that has the tag '{word}' or lies in a region of that name, nor was such a code "
                "switched off",
                expected=", ".join(sorted(changed)) or "no authority, for nothing with a tag or in a region changed",
                hint=f"did you mean {close[0]}?" if close else None,
            )
        if not who.strip():
            raise UsageError(f"under whose authority was '{word}' changed?", expected="a name, an approval or an order")
    return tuple(sorted(pairs.items()))
