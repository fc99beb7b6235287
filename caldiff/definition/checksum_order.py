"""The order in which checksums are to be corrected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from graphlib import CycleError, TopologicalSorter

from caldiff.definition.checksums import Checksum, Span
from caldiff.errors import CaldiffError, DefinitionError

__all__ = ["in_order"]


def in_order(checksums: Sequence[Checksum], covers: Mapping[str, Sequence[Span]]) -> tuple[Checksum, ...]:
    """The checksums so that whatever covers another's field comes after it; the same order every time.

    Args:
        checksums: names are unique.
        covers: what each one covers, by name: as declared, or what it covers in an image.

    Raises:
        DefinitionError: some cover one another in a circle; they are named in it.
    """
    names = {c.name: c for c in checksums}
    waits = {
        one.name: [two.name for two in checksums if two is not one and _meets(covers[one.name], two)]
        for one in checksums
    }
    try:
        return tuple(names[name] for name in TopologicalSorter(waits).static_order())
    except CycleError as error:
        path = ", which covers the field of ".join(reversed(error.args[1]))
        raise DefinitionError(
            [
                CaldiffError(
                    f"checksums cover one another in a circle: {path}",
                    hint="leave the field of one of them out of what the other covers",
                )
            ]
        ) from None


def _meets(spans: Iterable[Span], other: Checksum) -> bool:
    return any(s.start < f.stop and f.at < s.stop for s in spans for f in other.fields)
