"""Smooth shapes, made of + - * / and comparison only.

IEEE 754 rounds those exactly one way, so the demo's bytes are the same on every machine; ``exp`` or a power would
differ in the last bit from one numpy to the next.
"""

from __future__ import annotations

import numpy as np

from caldiff.table.model import Floats

__all__ = ["bump", "line", "step"]


def line(x: Floats, start: float, stop: float) -> Floats:
    """0 at ``start``, 1 at ``stop``, straight between them and level outside; ``stop`` may be the lower one."""
    return np.clip((x - start) / (stop - start), 0.0, 1.0)


def step(x: Floats, start: float, stop: float) -> Floats:
    """Like :func:`line`, but leaving 0 and reaching 1 without a kink."""
    t = line(x, start, stop)
    return t * t * (3.0 - 2.0 * t)


def bump(x: Floats, centre: float, width: float) -> Floats:
    """1 at the centre, one half at ``width`` from it, falling on towards 0."""
    t = (x - centre) / width
    return 1.0 / (1.0 + t * t)
