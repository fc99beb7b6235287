"""The value of a method over every prefix of some bytes, all at once."""

from __future__ import annotations

from functools import lru_cache
from math import isqrt

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.checksum.methods import reckon, words
from caldiff.crc import Crc, running_crcs
from caldiff.definition.checksums import Adler32, Fletcher, Sum, Xor
from caldiff.definition.model import ElementType

__all__ = ["Prefixes", "Searchable", "Values", "prefix_values", "unit_of"]

Values = npt.NDArray[np.uint64]
Searchable = Crc | Sum | Xor | Adler32 | Fletcher

_LANE = 256
"""Bytes of a lane at most; all lanes take their steps together, each from a start that the CRC library reckoned."""
_FEW = 32
"""prefixes that are reckoned one by one rather than all at once"""


def unit_of(method: Searchable) -> int:
    """Bytes that the method takes at a time."""
    match method:
        case Sum() | Xor():
            return method.word.size
        case Fletcher():
            return method.bits // 16
        case Crc() | Adler32():
            return 1


def prefix_values(method: Searchable, data: bytes | memoryview) -> Values:
    """The method's value over the first 0, 1, 2, … units of the data, shape ``(len(data) // unit + 1,)``."""
    data = data[: len(data) // unit_of(method) * unit_of(method)]
    match method:
        case Crc():
            return _crcs(method, data)
        case Sum():
            return _sums(method, data)
        case Xor():
            found = words(data, method.word, method.byte_order).astype(np.uint64)
            return np.bitwise_xor.accumulate(np.concatenate(([np.uint64(method.start)], found)))
        case Adler32():
            return _double_sums(words(data, ElementType(name="u8", size=1, kind="u"), "big"), 1, 65521, 16)
        case Fletcher():
            half = method.bits // 2
            word = ElementType(name=f"u{half}", size=half // 8, kind="u")
            return _double_sums(words(data, word, method.byte_order), 0, (1 << half) - 1, half)


def _sums(method: Sum, data: bytes | memoryview) -> Values:
    found = words(data, method.word, method.byte_order)
    totals = np.empty(found.size + 1, np.uint64)
    totals[0] = method.start
    np.cumsum(found, dtype=np.uint64, out=totals[1:])
    totals[1:] += np.uint64(method.start)
    if method.complement == "ones":
        totals = ~totals
    elif method.complement == "twos":
        totals = ~totals + np.uint64(1)
    return totals & np.uint64((1 << method.bits) - 1)


def _double_sums(found: npt.NDArray[np.unsignedinteger], start: int, modulus: int, shift: int) -> Values:
    """Sums of words and of the running sums, each below 2**64 for anything that fits a memory, then the remainder."""
    low = np.empty(found.size + 1, np.uint64)
    low[0] = start
    np.cumsum(found, dtype=np.uint64, out=low[1:])
    low[1:] += np.uint64(start)
    low %= np.uint64(modulus)
    high = low.copy()
    high[0] = 0
    high = np.cumsum(high, dtype=np.uint64) % np.uint64(modulus)
    return high << np.uint64(shift) | low


@attrs.frozen(kw_only=True, eq=False)
class Prefixes:
    """The values of a method over the prefixes of the same area in several images, reckoned when asked for."""

    method: Searchable
    data: tuple[memoryview, ...]
    known: dict[int, Values] = attrs.field(factory=dict)

    def all(self, image: int) -> Values:
        """:func:`prefix_values` of an image."""
        if image not in self.known:
            self.known[image] = prefix_values(self.method, self.data[image])
        return self.known[image]

    def at(self, image: int, numbers: npt.NDArray[np.intp]) -> Values:
        """Only those over the given numbers of units; a few are reckoned one by one."""
        if image in self.known or numbers.size > _FEW:
            return self.all(image)[numbers]
        data, unit = self.data[image], unit_of(self.method)
        return np.array([reckon(self.method, data[: n * unit]) for n in numbers.tolist()], np.uint64)


# -------------------------------------------------------------------------------------------------------------- CRCs


def _crcs(crc: Crc, data: bytes | memoryview) -> Values:
    """A lane a row, every lane one byte further at each step."""
    lane = min(max(isqrt(len(data)) // 2, 1), _LANE)
    lanes = -(-len(data) // lane)
    padded = np.zeros(lanes * lane, np.uint8)
    padded[: len(data)] = np.frombuffer(data, np.uint8)
    columns = np.ascontiguousarray(padded.reshape(lanes, lane).T)
    starts = np.fromiter(running_crcs(crc, data, lane), np.uint64)
    register = _register(crc, starts[:lanes])
    states = np.empty((lane, lanes), np.uint64)
    table, eight, top = _table(crc), np.uint64(8), np.uint64(56)
    for step, column in enumerate(columns):
        if crc.reflect_in:
            register = table[(register.astype(np.uint8) ^ column)] ^ register >> eight
        else:
            register = table[(register >> top).astype(np.uint8) ^ column] ^ register << eight
        states[step] = register
    found = np.empty(len(data) + 1, np.uint64)
    found[0] = starts[0]
    found[1:] = _value(crc, states).T.reshape(-1)[: len(data)]
    return found


@lru_cache(maxsize=256)
def _table(crc: Crc) -> Values:
    """What a byte does to the register: reflected ones rest at the low end of the word, others at the high end."""
    table = np.arange(256, dtype=np.uint64)
    one = np.uint64(1)
    if crc.reflect_in:
        polynomial = np.uint64(int(f"{crc.polynomial:0{crc.width}b}"[::-1], 2))
        for _ in range(8):
            table = table >> one ^ (table & one) * polynomial
    else:
        polynomial, high = np.uint64(crc.polynomial << 64 - crc.width), np.uint64(63)
        table <<= np.uint64(56)
        for _ in range(8):
            table = table << one ^ (table >> high) * polynomial
    table.setflags(write=False)
    return table


def _value(crc: Crc, register: Values) -> Values:
    """The CRC of what the registers hold."""
    plain = register if crc.reflect_in else register >> np.uint64(64 - crc.width)
    turned = plain if crc.reflect_in == crc.reflect_out else _turned(plain, crc.width)
    return turned ^ np.uint64(crc.final_xor)


def _register(crc: Crc, value: Values) -> Values:
    """The registers that give these CRCs."""
    turned = value ^ np.uint64(crc.final_xor)
    plain = turned if crc.reflect_in == crc.reflect_out else _turned(turned, crc.width)
    return plain if crc.reflect_in else plain << np.uint64(64 - crc.width)


def _turned(values: Values, width: int) -> Values:
    """The lowest ``width`` bits in the other order."""
    found = np.zeros_like(values)
    for bit in range(width):
        found |= (values >> np.uint64(bit) & np.uint64(1)) << np.uint64(width - 1 - bit)
    return found
