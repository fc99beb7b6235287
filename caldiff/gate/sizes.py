"""How large changes and steps are: exactly, where doubles leave a doubt.

A physical value as a double is the nearest one to the exact value, so a difference of two is off by no more than their
sizes times 2**-52. What that leaves open is reckoned again in fractions, each different pair of raw values once.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.model import Bits, Names, Scaling
from caldiff.definition.scaling import to_physical
from caldiff.errors import TableError
from caldiff.gate.policy import Most
from caldiff.table.model import Floats, Raw, Table
from caldiff.table.scale import as_double

__all__ = ["Mask", "Side", "exceeding", "is_number"]

Mask = npt.NDArray[np.bool_]
_OFF = 2.0**-50
"""four times what three roundings make of the sizes of their terms"""


@attrs.frozen(kw_only=True, eq=False)
class Side:
    """Values to compare: arrays of one shape, raw and physical, with what turns one into the other."""

    raw: Raw
    physical: Floats
    scaling: Scaling

    @classmethod
    def of(cls, table: Table, where: Mask | tuple[slice, ...]) -> Side:
        """Some cells of a table."""
        return cls(raw=table.raw[where], physical=table.physical[where], scaling=table.spec.scaling)


def is_number(table: Table) -> bool:
    """Whether the cells stand for numbers, rather than for text, flags or names."""
    return table.spec.kind not in {"text", "flags"} and not isinstance(table.spec.scaling.conversion, Names | Bits)


def exceeding(before: Side, after: Side, most: Most) -> Mask:
    """True per cell whose change is larger than allowed, or that has no value to measure; the shape of the sides."""
    a, b = before.physical, after.physical
    found = np.asarray(~(np.isfinite(a) & np.isfinite(b)))
    with np.errstate(all="ignore"):
        change = np.abs(b - a)
        off = (np.abs(a) + np.abs(b)) * _OFF + np.finfo(np.float64).tiny
        sure, doubt = np.zeros(a.shape, np.bool_), np.zeros(a.shape, np.bool_)
        for allowed in _allowed(most, a):
            slack = off + allowed * _OFF
            sure |= np.asarray(change - slack > allowed)
            doubt |= np.asarray(~(change + slack < allowed))
    return np.asarray(found | sure | _settled(before, after, np.asarray(doubt & ~sure & ~found), most))


def _allowed(most: Most, before: Floats) -> Iterator[Floats]:
    """What is allowed per cell, as doubles."""
    if most.absolute is not None:
        yield np.full(before.shape, as_double(most.absolute))
    if most.percent is not None:
        yield np.asarray(np.abs(before) * as_double(most.percent / 100))


def _settled(before: Side, after: Side, doubt: Mask, most: Most) -> Mask:
    """True where fractions say that the change is too large, of the cells in doubt."""
    found = np.zeros(doubt.shape, np.bool_)
    pairs: dict[tuple[float, float], bool] = {}
    for at in np.argwhere(doubt).tolist():
        index = tuple(at)
        pair = (before.raw[index].item(), after.raw[index].item())
        if pair not in pairs:
            pairs[pair] = _exactly_over(before.scaling, after.scaling, pair, most)
        found[index] = pairs[pair]
    return found


def _exactly_over(first: Scaling, second: Scaling, pair: tuple[float, float], most: Most) -> bool:
    try:
        was, now = to_physical(first, pair[0]), to_physical(second, pair[1])
    except TableError:
        return True
    change = abs(now - was)
    if most.absolute is not None and change > most.absolute:
        return True
    return most.percent is not None and change * 100 > most.percent * abs(was)


def percent(was: Fraction, now: Fraction) -> Fraction | None:
    """The change in percent of the size of the value before; None where that is 0."""
    return (now - was) * 100 / abs(was) if was else None
