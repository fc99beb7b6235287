"""The checksums of two images: whether each holds before and after, and whether it changed as its content did."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from caldiff.checksum.state import State, state_of
from caldiff.definition.checksums import Checksum, Span, without
from caldiff.diff.model import ChecksumDiff
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration

__all__ = ["checksum_diffs"]


def checksum_diffs(before: Calibration, after: Calibration) -> tuple[ChecksumDiff, ...]:
    """All checksums of both definitions, by name, of which there is something to say."""
    ours, theirs = (side.definition.checksums if side.definition else {} for side in (before, after))
    return tuple(
        diff
        for name in sorted({*ours, *theirs})
        if _worth_saying(diff := _diff(name, before.image, ours.get(name), after.image, theirs.get(name)))
    )


def _worth_saying(diff: ChecksumDiff) -> bool:
    sound = all(
        state is not None and state.status in {"valid", "not verifiable"} for state in (diff.before, diff.after)
    )
    return bool(diff.content or diff.stored) or not sound


def _diff(name: str, before: Image, ours: Checksum | None, after: Image, theirs: Checksum | None) -> ChecksumDiff:
    was = state_of(before, ours) if ours else None
    now = state_of(after, theirs) if theirs else None
    readable = was is not None and now is not None and "unreadable" not in {was.status, now.status}
    if was is None or now is None or not readable:
        return ChecksumDiff(name=name, before=was, after=now, content=None, stored=None)
    return ChecksumDiff(
        name=name,
        before=was,
        after=now,
        content=_content(before, was, after, now),
        stored=_stored(before, was, after, now),
    )


def _content(before: Image, was: State, after: Image, now: State) -> bool:
    one, two = _apart_from_itself(was), _apart_from_itself(now)
    if [s.size for s in one] == [s.size for s in two]:
        return not all(_alike(before, ours, after, theirs) for ours, theirs in zip(one, two, strict=True))
    return b"".join(before.view(s.start, s.stop) for s in one) != b"".join(after.view(s.start, s.stop) for s in two)


def _apart_from_itself(state: State) -> tuple[Span, ...]:
    return without(state.spans, (Span(start=f.at, stop=f.stop) for f in state.checksum.fields))


def _alike(before: Image, ours: Span, after: Image, theirs: Span) -> bool:
    one = np.frombuffer(before.view(ours.start, ours.stop), np.uint8)
    return bool(np.array_equal(one, np.frombuffer(after.view(theirs.start, theirs.stop), np.uint8)))


def _stored(before: Image, was: State, after: Image, now: State) -> bool:
    return list(_fields(before, was)) != list(_fields(after, now))


def _fields(image: Image, state: State) -> Iterator[bytes]:
    return (bytes(image.view(f.at, f.stop)) for f in state.checksum.fields)
