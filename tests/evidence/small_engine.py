"""A controller small enough to reckon by hand, and samples to hold against it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.catalogue import definition_from_text
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration
from caldiff.table.encode import write_table

Floats = npt.NDArray[np.float64]

DEFINITION = """
definition: 1
name: small
image: {start: 0, size: 1 KiB, byte_order: big}
scalings:
  tenth: {unit: "%", factor: 1/10, decimals: 1}
  falling: {unit: degC, factor: -1, offset: 100}
axes:
  speed: {list: [1000, 2000, 4000], unit: rpm, quantity: speed}
  load: {list: [0, 50], unit: "%", quantity: load}
  lone: {list: [7], quantity: gear}
  moving: {at: 0x300, type: u16, count: 3, quantity: speed, scaling: {unit: rpm}}
  cooling: {at: 0x310, type: u8, count: 3, quantity: coolant, scaling: falling}
tables:
  fuel: {at: 0x000, type: i16, x: speed, y: load, scaling: tenth, limits: [-10, 10],
         corrects: {measured: lambda, target: wanted, as: percent}}
  wanted: {at: 0x020, type: i16, x: speed, y: load, scaling: {factor: 1/1000, unit: "1"}}
  scale: {at: 0x040, type: u16, x: speed, scaling: {factor: 1/1000}, corrects: {measured: lambda, target: 1}}
  ignition: {at: 0x060, type: u8, x: moving, y: load}
  curve: {at: 0x070, type: u8, x: speed}
  warm: {at: 0x080, type: u8, x: cooling}
  by_gear: {at: 0x090, type: u8, x: lone, y: load}
  boost: {at: 0x0A0, type: u8, x: {list: [0, 1], quantity: boost}}
  other_unit: {at: 0x0B0, type: u8, x: {list: [0, 1], unit: bar, quantity: speed}}
  nameless: {at: 0x0C0, type: u8, x: {list: [0, 1]}}
  single: {at: 0x0D0, type: u8}
  cube: {at: 0x100, type: u8, x: speed, y: load, z: {list: [0, 1, 2], quantity: boost2}}
"""


def small(text: str = DEFINITION) -> Calibration:
    """The controller, with everything 0 but what has to be something."""
    definition = definition_from_text(text)
    calibration = Calibration(label="small", image=Image.of(bytes(1024)), definition=definition)
    moving = b"".join(n.to_bytes(2, "big") for n in (1000, 2000, 4000))
    image = calibration.image.patched({0x300: moving, 0x310: bytes([0, 50, 100])})
    calibration = attrs.evolve(calibration, image=image)
    calibration = having(calibration, "wanted", [[1.0, 1.0, 1.0], [1.0, 1.0, 1.0]])
    return having(calibration, "scale", [1.0, 1.0, 1.0])


def having(calibration: Calibration, table: str, physical: npt.ArrayLike) -> Calibration:
    """The same with other values in one table."""
    assert calibration.definition is not None
    image = write_table(calibration.image, calibration.definition, table, physical=np.asarray(physical))
    return attrs.evolve(calibration, image=image)


@attrs.frozen
class Made:
    """Samples made by hand."""

    time: Floats
    weight: Floats
    values: Mapping[str, Floats]


def rows(*, step: float = 1.0, start: float = 0.0, **values: Sequence[float] | Floats) -> Made:
    """Samples ``step`` apart, each standing for as long."""
    arrays = {name: np.asarray(v, float) for name, v in values.items()}
    count = len(next(iter(arrays.values())))
    return Made(start + step * np.arange(count), np.full(count, step), arrays)


def cut(made: Made, *places: int) -> list[Made]:
    """The same samples in several blocks."""
    edges = [0, *sorted(places), made.time.size]
    return [
        Made(made.time[a:b], made.weight[a:b], {k: v[a:b] for k, v in made.values.items()}) for a, b in pairwise(edges)
    ]
