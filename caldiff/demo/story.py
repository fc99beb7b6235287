"""The images of the demo: a stock read, three revisions, a stock read of newer software. All invented."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import attrs
import numpy as np

from caldiff.definition.definition import Definition
from caldiff.definition.model import StoredAxis, TableSpec
from caldiff.demo.memory import blank, region, summed, with_identity
from caldiff.demo.points import MOVED_LOAD, POINTS, POINTS_230
from caldiff.demo.shapes import line
from caldiff.demo.surfaces import RAW, SURFACES, SURFACES_230, TEXTS, Surface, surface
from caldiff.image.model import Image
from caldiff.table.decode import decode
from caldiff.table.encode import write_axis, write_table
from caldiff.table.model import Floats, Table

__all__ = ["Story", "tell"]

VIN = "00WREN4V5N0000017"
"""Nobody's: of the form of ISO 3779, with the check digit of 49 CFR 565.15 (both from memory)."""

_IDENTITY = {
    "software": "WREN4 02.10",
    "calibration_id": "W4-BIFUEL-0210-C",
    "hardware": "40711",
    "made": "20210318",
    "vin": VIN,
}
_IDENTITY_230 = _IDENTITY | {"software": "WREN4 02.30", "calibration_id": "W4-BIFUEL-0230-A", "made": "20230907"}

_UNEXPLAINED = 0x0083A51C
"""the byte of the program that the third revision changed"""


@attrs.frozen(kw_only=True)
class Story:
    """The images, in the order in which they came. ``again`` and ``readback`` differ by learned values only."""

    stock: Image
    again: Image
    first: Image
    second: Image
    readback: Image
    third: Image
    newer: Image


def tell(old: Definition, new: Definition) -> Story:
    """All images, stock software under ``old``, newer software under ``new``."""
    stock = _read(old, "2.10", _IDENTITY, POINTS, SURFACES)
    first = summed(_first(stock, old), old)
    second = summed(_second(first, old), old)
    third = summed(_third(second, old), old)
    return Story(
        stock=stock,
        again=_drifted(stock, old),
        first=first,
        second=second,
        readback=_drifted(second, old, hours=0x0533),
        third=third,
        newer=_read(new, "2.30", _IDENTITY_230, POINTS_230, SURFACES_230),
    )


# ------------------------------------------------------------------------------------------------------ stock reads


def _read(
    definition: Definition,
    version: str,
    identity: Mapping[str, str],
    points: Mapping[str, tuple[float, ...]],
    surfaces: Mapping[str, Surface],
) -> Image:
    """A stock read: every table of the definition filled."""
    image = with_identity(blank(definition, version), definition, identity)
    own = (a for t in definition.tables.values() for a in t.axes if not a.shared)
    for axis in (*definition.axes.values(), *own):
        if isinstance(axis, StoredAxis):
            image = _spread(image, definition, axis, points[axis.name])
    for spec in definition.tables.values():
        image = _filled(image, definition, spec, surfaces)
    return summed(image, definition)


def _spread(image: Image, definition: Definition, axis: StoredAxis, points: tuple[float, ...]) -> Image:
    """The breakpoints of one axis, its stored count first, as that decides where they are."""
    count = axis.count
    if count is not None:
        image = image.patched({count.at: len(points).to_bytes(count.type.size, count.byte_order)})
    return write_axis(image, definition, axis.name, physical=np.asarray(points, dtype=np.float64))


def _filled(image: Image, definition: Definition, spec: TableSpec, surfaces: Mapping[str, Surface]) -> Image:
    if spec.name in TEXTS:
        return _labelled(image, definition, spec.name, TEXTS[spec.name])
    if spec.name in RAW:
        return write_table(image, definition, spec, raw=np.asarray(RAW[spec.name]))
    axes = [axis.physical for axis in decode(image, definition, spec).axes]
    return write_table(image, definition, spec, physical=surface(surfaces[spec.name], axes))


def _labelled(image: Image, definition: Definition, name: str, text: str) -> Image:
    """A text, padded with spaces."""
    return write_table(image, definition, name, physical=text.ljust(definition.tables[name].cells.shape[0]))


# -------------------------------------------------------------------------------------------------------- revisions


def _changed(image: Image, definition: Definition, name: str, change: Callable[..., Floats]) -> Image:
    """The image with ``change(values, x, y)`` added to a table."""
    table = decode(image, definition, name)
    across = [a.physical.reshape((-1,) + (1,) * place) for place, a in enumerate(reversed(table.axes))]
    return write_table(image, definition, name, physical=table.physical + change(*across))


def _set_bits(image: Image, definition: Definition, name: str, *, on: int = 0, off: int = 0) -> Image:
    table: Table = decode(image, definition, name)
    return write_table(image, definition, name, raw=np.asarray((int(table.raw) | on) & ~off))


def _mid_load(n: Floats, c: Floats) -> Floats:
    """1 from 1500 to 3500 rpm and 35 to 60 % air charge, 0 from the next breakpoints of the stock axes on."""
    return np.minimum(line(n, 1250, 1500), line(n, 4000, 3500)) * np.minimum(line(c, 27.5, 35), line(c, 70, 60))


def _first(image: Image, definition: Definition) -> Image:
    """Gas switched on, ignition advanced at mid load, a steadier idle on gas when warm, the conversion's own label."""
    image = _set_bits(image, definition, "gas_switches", on=0b1)
    image = _changed(image, definition, "ignition_base_gas", lambda n, c: 2.0 * _mid_load(n, c))
    image = _changed(image, definition, "idle_target_gas", lambda t: 60.0 * line(t, 40, 60))
    return _labelled(image, definition, "conversion_label", "Coopérative Roitelet, inventée")


_REFITTED = (
    "ignition_base_petrol",
    "gas_volume_correction",
    "lambda_target_petrol",
    "lambda_target_gas",
    "exhaust_temperature",
    "torque_best",
)
"""Tables on ``load_12`` that the second revision re-reckoned on the moved axis; ``knock_threshold`` was forgotten."""


def _second(image: Image, definition: Definition) -> Image:
    """Made on a later read: learned values went on. Injectors measured, warm-up richer, the load axis moved."""
    image = _drifted(image, definition)
    image = write_axis(image, definition, "load_12", physical=np.asarray(MOVED_LOAD, dtype=np.float64))
    for name in _REFITTED:
        image = _filled(image, definition, definition.tables[name], SURFACES)
    image = _filled(image, definition, definition.tables["ignition_base_gas"], SURFACES)
    image = _changed(
        image,
        definition,
        "ignition_base_gas",
        lambda n, c: 2.0 * _mid_load(n, c) - np.where(c == MOVED_LOAD[8], 1.5, 0.0),
    )
    image = _changed(image, definition, "warm_up_gas", lambda t: 4.0 * line(t, 20, 10))
    # Small masses need longer than the stock characteristic has it, large ones hardly.
    return _changed(image, definition, "gas_injector_characteristic", lambda mg: 2.0 / (4.0 + mg))


def _drifted(image: Image, definition: Definition, *, hours: int = 0x051B) -> Image:
    """36 learned trims one step up, and the two low bytes of an hour counter."""
    learned = region(definition, "learned").start
    trims = image.read(learned + 0x10, 36)
    return image.patched({learned + 0x10: bytes(b + 1 for b in trims), learned + 0x402: hours.to_bytes(2, "big")})


def _third(image: Image, definition: Definition) -> Image:
    """What the gate is to refuse: a monitor off, torque left to a hot engine, a byte of program changed."""
    image = _set_bits(image, definition, "diagnosis_enables", off=1 << 8)
    image = _changed(image, definition, "over_temperature_torque", lambda t: 20.0 * line(t, 108, 112))
    return image.patched({_UNEXPLAINED: bytes([image.read(_UNEXPLAINED, 1)[0] ^ 0x08])})
