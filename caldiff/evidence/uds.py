"""The status byte of a trouble code, and records of ISO 14229 service 19, subfunction 02 (by status mask).

The bits are from memory of ISO 14229-1, not checked against the document.
"""

from __future__ import annotations

from collections.abc import Iterable

import attrs

from caldiff.evidence.codes import printed_code
from caldiff.value import Value

__all__ = ["FLAGS", "Record", "flags_of", "read_records", "status_of"]

FLAGS = (
    "failed",
    "failed_this_cycle",
    "pending",
    "confirmed",
    "untested_since_clearing",
    "failed_since_clearing",
    "untested_this_cycle",
    "lamp",
)
"""by bit, the lowest first"""
_UNTESTED_SINCE, _UNTESTED_CYCLE = 0x10, 0x40
_SIZE = 4


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Record(Value):
    """A code of three bytes with its status byte."""

    code: str
    status: int

    @property
    def flags(self) -> tuple[str, ...]:
        """The names of the bits that are set."""
        return flags_of(self.status)

    @property
    def fault(self) -> bool:
        """Whether it says that something failed, now or earlier; else only that a test has not run."""
        return bool(self.status & ~(_UNTESTED_SINCE | _UNTESTED_CYCLE))

    @property
    def untested(self) -> bool:
        """Its test has not finished since the memory was cleared, so that no failure means nothing."""
        return bool(self.status & _UNTESTED_SINCE)


def flags_of(status: int) -> tuple[str, ...]:
    """The names of the bits that are set in a status byte."""
    return tuple(name for bit, name in enumerate(FLAGS) if status >> bit & 1)


def status_of(flags: Iterable[str]) -> int:
    """The status byte with these bits set; each is one of :data:`FLAGS`."""
    return sum(1 << FLAGS.index(name) for name in set(flags))


def read_records(data: bytes) -> tuple[int, tuple[Record, ...]] | None:
    """What follows ``59 02``: the mask of bits that the controller knows, and the records; None where it is none."""
    if len(data) % _SIZE != 1:
        return None
    found = (data[at : at + _SIZE] for at in range(1, len(data), _SIZE))
    return data[0], tuple(Record(code=printed_code(piece[:3]), status=piece[3]) for piece in found)
