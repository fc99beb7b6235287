"""Whether the checksums of an image hold."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import attrs

from caldiff.checksum.coverage import covered, gather
from caldiff.checksum.methods import reckon
from caldiff.definition.checksum_faults import method_bits, sound
from caldiff.definition.checksums import Checksum, Hash, Method, Opaque, Span, StoredField
from caldiff.errors import CaldiffError
from caldiff.image.model import Image

__all__ = ["State", "Status", "state_of", "states", "written"]

Status = Literal["valid", "stale", "not verifiable", "unreadable"]


@attrs.frozen(kw_only=True)
class State:
    """One checksum of one image.

    Attributes:
        status: ``valid``; ``stale`` where a field does not hold what it should; ``not verifiable`` for an opaque one;
            ``unreadable`` where the image lacks a byte that is needed, or its block list makes no sense.
        stored: what each field holds, in the order of ``checksum.fields``, an inversion undone; empty if unreadable.
        reckoned: the method's result, for comparison with the fields (of a digest, with its leading bytes); with a
            compensation word, to be compared with ``checksum.constant`` instead. None where there is none.
        spans: what was covered, in order.
        reason: why it is unreadable, in words; ``address`` where.
    """

    checksum: Checksum
    status: Status
    stored: tuple[int, ...] = ()
    reckoned: int | None = None
    spans: tuple[Span, ...] = ()
    reason: str = ""
    address: int | None = None

    @property
    def name(self) -> str:
        """The checksum's name."""
        return self.checksum.name


def states(image: Image, checksums: Iterable[Checksum]) -> tuple[State, ...]:
    """The state of every checksum, in the order given.

    Raises:
        DefinitionError: a checksum makes no sense by itself.
    """
    return tuple(state_of(image, checksum) for checksum in sound(checksums))


def state_of(image: Image, checksum: Checksum) -> State:
    """The state of one checksum that is sound."""
    try:
        spans = covered(image, checksum)
        held = [image.view(f.at, f.stop) for f in checksum.fields]
        stored = tuple(_plain(bytes(h), f) for h, f in zip(held, checksum.fields, strict=True))
        data = gather(image, checksum, spans)
        if isinstance(checksum.method, Opaque):
            return State(checksum=checksum, status="not verifiable", stored=stored, spans=spans)
        result = reckon(checksum.method, data)
    except CaldiffError as error:
        return State(checksum=checksum, status="unreadable", reason=error.reason, address=error.address)
    if checksum.constant is None:
        valid = all(h == written(checksum.method, result, f) for h, f in zip(held, checksum.fields, strict=True))
    else:
        valid = result == checksum.constant
    return State(checksum=checksum, status="valid" if valid else "stale", stored=stored, reckoned=result, spans=spans)


def written(method: Method, value: int, field: StoredField) -> bytes:
    """How a field holds the method's result: of a digest its leading bytes, anything else with zeros in front.

    Raises:
        OverflowError: the value does not fit the field.
    """
    bits = method_bits(method)
    if isinstance(method, Hash) and bits is not None:
        value >>= max(bits - 8 * field.size, 0)
    data = value.to_bytes(field.size, field.byte_order)
    return bytes(b ^ 0xFF for b in data) if field.inverted else data


def _plain(data: bytes, field: StoredField) -> int:
    number = int.from_bytes(data, field.byte_order)
    return number ^ ((1 << 8 * field.size) - 1) if field.inverted else number
