"""Finding the value that makes a checksum come out right, by trying only as many values as it has unknowns.

Sums are linear in the bytes they cover, modulo a power of two; exclusive or and CRCs in the bits, over GF(2). So the
effect of every byte or bit of the value is found by one trial each, wherever and how often the value is covered.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from caldiff.crc import Crc
from caldiff.definition.checksums import Sum, Xor
from caldiff.errors import ChecksumError

__all__ = ["solve"]

_STEPS = 100_000
"""Trials of how to part a sum among bytes that count alike; a field as wide as the sum needs a few."""


def solve(method: Sum | Xor | Crc, trial: Callable[[int], int], size: int, wanted: int | None) -> int:
    """The value of ``size`` bytes for which ``trial`` gives ``wanted``, or the value itself where that is None.

    Args:
        method: what the trial reckons.
        trial: the method's result over all that is covered, for a value of the field.
        size: of the value, in bytes; the value is below two to the method's bits where ``wanted`` is None.
        wanted: the result, or None where the value and the result are to be the same.

    Raises:
        ChecksumError: there is none.
    """
    base = trial(0)
    if isinstance(method, Sum):
        modulus = 1 << method.bits
        weights = [trial(1 << 8 * n) - base - ((1 << 8 * n) if wanted is None else 0) for n in range(size)]
        found = _parted([w % modulus for w in weights], ((wanted or 0) - base) % modulus, modulus)
    else:
        bits = 8 * size if wanted is not None or isinstance(method, Xor) else method.width
        columns = [trial(1 << n) ^ base ^ ((1 << n) if wanted is None else 0) for n in range(bits)]
        found = _combined(columns, (wanted or 0) ^ base)
    if found is None or trial(found) != (found if wanted is None else wanted):
        raise ChecksumError("no value that could be stored here makes the checksum come out right")
    return found


def _combined(columns: Sequence[int], target: int) -> int | None:
    """Which columns together are the target, one bit each: elimination over GF(2)."""
    pivots: dict[int, tuple[int, int]] = {}  # highest bit -> (column reduced, which columns went into it)

    def reduced(vector: int, used: int) -> tuple[int, int]:
        while vector and vector.bit_length() in pivots:
            column, its = pivots[vector.bit_length()]
            vector, used = vector ^ column, used ^ its
        return vector, used

    for n, column in enumerate(columns):
        vector, used = reduced(column, 1 << n)
        if vector:
            pivots[vector.bit_length()] = (vector, used)
    left, used = reduced(target, 0)
    return None if left else used


def _parted(weights: Sequence[int], target: int, modulus: int) -> int | None:
    """Bytes, the lowest first, whose weighted sum is the target."""
    alike: dict[int, list[int]] = {}
    for n, weight in enumerate(weights):
        if weight:
            alike.setdefault(weight, []).append(n)
    groups = sorted(alike.items(), key=lambda group: _twos(group[0]))
    amounts = _shared([(weight, 255 * len(members)) for weight, members in groups], target, modulus)
    if amounts is None:
        return None
    value = 0
    for (_, members), amount in zip(groups, amounts, strict=True):
        full, rest = divmod(amount, 255)
        for n, part in zip(members, [255] * full + [rest] * (full < len(members)), strict=False):
            value |= part << 8 * n
    return value


def _shared(groups: Sequence[tuple[int, int]], target: int, modulus: int) -> list[int] | None:
    """Amounts, each up to its most, that times their weights add up to the target.

    The weights rise in how often two divides them, so that each amount settles the lowest bits that are left.
    """
    steps = 0

    def rest(level: int, left: int) -> list[int] | None:
        nonlocal steps
        if level == len(groups):
            return [] if left == 0 else None
        weight, most = groups[level]
        following = 1 << _twos(groups[level + 1][0]) if level + 1 < len(groups) else modulus
        for amount in _amounts(weight, left, following, most):
            steps += 1
            further = rest(level + 1, (left - weight * amount) % modulus) if steps < _STEPS else None
            if further is not None:
                return [amount, *further]
        return None

    return rest(0, target)


def _amounts(weight: int, left: int, following: int, most: int) -> range:
    """The amounts up to ``most`` after which what is left is a multiple of ``following``."""
    power = 1 << _twos(weight)
    if left % min(power, following):
        return range(0)
    period = following // power
    if period <= 1:
        return range(most + 1)
    first = left // power * pow(weight // power, -1, period) % period
    return range(first, most + 1, period)


def _twos(number: int) -> int:
    """How often two divides the number."""
    return (number & -number).bit_length() - 1
