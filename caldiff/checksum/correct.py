"""Correcting an image: only the checksum fields change, in the order in which checksums cover one another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from caldiff.checksum.coverage import gather, list_places, places
from caldiff.checksum.methods import reckon
from caldiff.checksum.solving import solve
from caldiff.checksum.state import State, state_of, written
from caldiff.crc import Crc
from caldiff.definition.checksum_faults import method_bits, sound
from caldiff.definition.checksum_order import in_order
from caldiff.definition.checksums import Checksum, Opaque, Span, StoredField, Sum, Xor
from caldiff.errors import ChecksumError
from caldiff.image.model import Image

__all__ = ["correct"]


def correct(image: Image, checksums: Iterable[Checksum]) -> Image:
    """The image with every checksum valid, save opaque ones; nothing but their fields differs.

    Valid ones stay as they are. The result is verified before it is given.

    Raises:
        ChecksumError: a checksum cannot be read, cannot be made to hold, or does not hold after all.
        DefinitionError: a checksum makes no sense, or some cover one another in a circle.
    """
    known = [c for c in sound(checksums) if not isinstance(c.method, Opaque)]
    before = {c.name: _readable(state_of(image, c)) for c in known}
    spans = {name: [*state.spans, *_list(image, state.checksum)] for name, state in before.items()}
    for checksum in in_order(known, spans):
        image = _corrected(image, checksum)
    for checksum in known:
        state = _readable(state_of(image, checksum))
        if state.status != "valid":
            raise ChecksumError(
                f"checksum {checksum.name} does not hold after correction: another one writes over what it covers",
                address=checksum.fields[0].at,
            )
    return image


def _readable(state: State) -> State:
    if state.status == "unreadable":
        raise ChecksumError(f"checksum {state.name} cannot be corrected: {state.reason}", address=state.address)
    return state


def _list(image: Image, checksum: Checksum) -> tuple[Span, ...]:
    """The block list itself: another checksum's field in it changes what is covered."""
    return () if checksum.coverage.blocks is None else list_places(image, checksum.coverage.blocks)


def _corrected(image: Image, checksum: Checksum) -> Image:
    state = _readable(state_of(image, checksum))
    if state.status == "valid":
        return image
    try:
        value = _value(image, state)
    except ChecksumError as error:
        raise ChecksumError(f"checksum {checksum.name}: {error.reason}", address=checksum.fields[0].at) from error
    return image.patched({f.at: _bytes(checksum, value, f) for f in checksum.fields})


def _bytes(checksum: Checksum, value: int, field: StoredField) -> bytes:
    if checksum.constant is None:
        return written(checksum.method, value, field)
    data = value.to_bytes(field.size, field.byte_order)
    return bytes(b ^ 0xFF for b in data) if field.inverted else data


def _value(image: Image, state: State) -> int:
    """What the fields are to hold."""
    checksum, method = state.checksum, state.checksum.method
    inside = [_inside(state.spans, f) for f in checksum.fields] if checksum.own == "stored" else []
    if not any(where for field in inside for where in field):
        if checksum.constant is not None:
            raise ChecksumError("the compensation word is not among what is covered")
        if state.reckoned is None:
            raise ChecksumError("an opaque value cannot be worked out")
        return state.reckoned
    if not isinstance(method, Sum | Xor | Crc):
        raise ChecksumError("a value that is covered by itself cannot be worked out with this method")
    data = bytearray(gather(image, checksum, state.spans))

    def trial(value: int) -> int:
        for field, where in zip(checksum.fields, inside, strict=True):
            for byte, offsets in zip(_bytes(checksum, value, field), where, strict=True):
                for offset in offsets:
                    data[offset] = byte
        return reckon(method, data)

    bits = method_bits(method) or 0
    size = checksum.fields[0].size if checksum.constant is not None else -(-bits // 8)
    return solve(method, trial, size, checksum.constant)


def _inside(spans: Sequence[Span], field: StoredField) -> list[list[int]]:
    """For every byte of the field, its offsets among the bytes covered."""
    return [places(spans, address) for address in range(field.at, field.stop)]
