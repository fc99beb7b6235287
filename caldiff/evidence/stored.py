"""What corrected cells would be stored as: the nearest raw value, within the table's limits and its type."""

from __future__ import annotations

import numpy as np

from caldiff.definition.model import Correction, TableSpec
from caldiff.errors import EncodeError
from caldiff.evidence.covered import Bools
from caldiff.table.encode import encode
from caldiff.table.model import Floats, Raw, Table
from caldiff.table.scale import as_double

__all__ = ["corrected", "stored"]

_HALVINGS = 24
"""of the way back from a value that cannot be stored"""


def corrected(physical: Floats, correction: Correction, factor: Floats) -> Floats:
    """The physical values that multiply what the table does by a factor, both of one shape."""
    if correction.way == "percent":
        return ((1 + physical / 100) * factor - 1) * 100
    return physical * factor


def stored(table: Table, correction: Correction, factor: Floats) -> tuple[Raw, Bools]:
    """The raw values of a table corrected by factors of its shape, and where limits or type hold a value back.

    A cell with a factor of 1 keeps its raw value. So does one that is beyond the limits already.
    """
    now = table.physical
    wanted = corrected(now, correction, factor)
    limits = table.spec.effective_limits
    low, high = (as_double(limits.low), as_double(limits.high)) if limits else (-np.inf, np.inf)
    held = np.clip(wanted, low, high)
    limited = (held != wanted) & (factor != 1)
    raw = table.raw.astype(table.raw.dtype.newbyteorder("="))
    for place in np.argwhere((factor != 1) & (now >= low) & (now <= high) & np.isfinite(held)).tolist():
        index = tuple(place)
        found = _raw_of(table.spec, float(held[index]))
        if found is None:
            limited[index] = True
            found = _way_back(table.spec, float(now[index]), float(held[index]))
        if found is not None:
            raw[index] = found
    raw.flags.writeable = limited.flags.writeable = False
    return raw, limited


def _raw_of(spec: TableSpec, physical: float) -> float | None:
    try:
        found: float = encode(spec, physical).item()
    except EncodeError:
        return None
    return found


def _way_back(spec: TableSpec, now: float, wanted: float) -> float | None:
    """The raw value closest to what is wanted that can be stored; None where not even the present one can."""
    good, bad, found = now, wanted, _raw_of(spec, now)
    for _ in range(_HALVINGS if found is not None else 0):
        middle = good / 2 + bad / 2
        raw = _raw_of(spec, middle)
        if raw is None:
            bad = middle
        else:
            good, found = middle, raw
    return found
