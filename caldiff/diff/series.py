"""Three images and more, in order."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison, Series
from caldiff.diff.pairing import counterpart
from caldiff.errors import UsageError
from caldiff.table.calibration import Calibration

__all__ = ["compare_series"]

Origins = dict[str, npt.NDArray[np.intp]]


def compare_series(sides: Sequence[Calibration]) -> Series:
    """Compare each image with the first and with the one before.

    Raises:
        UsageError: fewer than two images.
    """
    if len(sides) < 2:  # noqa: PLR2004 - a pair is the least that can be compared
        raise UsageError("a comparison needs at least two images", expected="2 or more", got=str(len(sides)))
    steps = tuple(compare(before, after) for before, after in pairwise(sides))
    return Series(
        sides=tuple(sides),
        against_first=(steps[0], *(compare(sides[0], later) for later in sides[2:])),
        against_previous=steps,
        origins={} if any(side.definition is None for side in sides) else _origins(steps),
    )


def _origins(steps: Sequence[Comparison]) -> Origins:
    """Which image set the present value of each cell; by the names of the last image's definition."""
    origins: Origins = {}
    lost: set[str] = set()
    for number, step in enumerate(steps, start=1):
        if step.across:
            origins, lost = _renamed(step, origins, lost)
        for table in step.tables:
            if table.changed is None:
                lost.add(table.name)
            elif table.changed.any() and table.name not in lost:
                origins.setdefault(table.name, np.zeros(table.changed.shape, np.intp))[table.changed] = number
    for name in lost:
        origins.pop(name, None)
    for cells in origins.values():
        cells.flags.writeable = False
    return origins


def _renamed(step: Comparison, origins: Origins, lost: set[str]) -> tuple[Origins, set[str]]:
    """What is known so far, by the names that the tables have in the next software version."""
    old, new = step.before.definition, step.after.definition
    if old is None or new is None:
        return origins, lost  # tables are told by no name here, so none is known
    found: Origins = {}
    for name, cells in origins.items():
        now = counterpart(old, new, name)
        if now is not None:
            found[now] = cells
    # A table that was lost and is gone by now stays known by its last name, which does no harm.
    return found, {(counterpart(old, new, name) if name in old.tables else None) or name for name in lost}
