"""How much an agreement says, in bits, and how likely one of that strength is by chance.

A value of ``w`` bits that agrees in one image says ``w`` bits at most: a sum over few words says less, as it cannot
reach every value. A further image says something only where what is covered differs, and then no more than the value
moved: a counter beside a sum would follow small steps by chance. With ``n`` agreements tried of one width, and ``b``
bits said, ``n / 2**b`` agreements as good are to be expected by chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log2

from caldiff.checksum.prefixes import Searchable, unit_of
from caldiff.definition.checksum_faults import method_bits
from caldiff.definition.checksums import Adler32, Fletcher, Sum, Xor

__all__ = ["bits_of", "expected", "said_by_one", "said_by_others", "step_bits"]


def bits_of(method: Searchable) -> int:
    """The width of the result."""
    return method_bits(method) or 0


def expected(tried: float, said: float) -> float:
    """Agreements as good as that, to be expected by chance among so many."""
    return float(tried * 2.0**-said)


def said_by_one(method: Searchable, size: int) -> float:
    """What agreement in one image says, with ``size`` bytes covered."""
    bits = bits_of(method)
    count = max(size // unit_of(method), 1)
    if isinstance(method, Sum):
        return min(bits, 8 * method.word.size + log2(count) / 2)
    if isinstance(method, Adler32 | Fletcher):
        return 2 * min(bits / 2, 8 * unit_of(method) + log2(count) / 2)
    return bits


def said_by_others(method: Searchable, values: Sequence[int]) -> float:
    """What the images after the first say, from the values of images whose covered bytes all differ."""
    return sum(min(step_bits(method, value, earlier) for earlier in values[:n]) for n, value in enumerate(values) if n)


def step_bits(method: Searchable, one: int, two: int) -> float:
    """What it says that a stored value moved from one to the other as the method did."""
    bits = bits_of(method)
    if one == two:
        return 0
    if isinstance(method, Sum):
        return min((one - two) % (1 << bits), (two - one) % (1 << bits)).bit_length()
    if isinstance(method, Xor):
        return (one ^ two).bit_length()
    if isinstance(method, Adler32 | Fletcher):
        half = bits // 2
        return abs((one >> half) - (two >> half)).bit_length() + abs(one % (1 << half) - two % (1 << half)).bit_length()
    return bits
