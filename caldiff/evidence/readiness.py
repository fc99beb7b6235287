"""Readiness: which monitors have finished since the memory was cleared, as SAE J1979 service 01 PID 01 tells it.

The names and bits are from memory of SAE J1979 and ISO 15031-5, not checked against the documents.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal, get_args

import attrs

from caldiff.value import Value

__all__ = ["IGNITIONS", "MONITORS", "Ignition", "Readiness", "State", "Status", "read_status"]

Ignition = Literal["spark", "compression"]
IGNITIONS: tuple[Ignition, ...] = get_args(Ignition)
State = Literal["complete", "incomplete", "unsupported"]

_CONTINUOUS = ("misfire", "fuel", "components")
_ONCE: Mapping[Ignition, tuple[str, ...]] = {
    "spark": (
        "catalyst",
        "heated_catalyst",
        "evaporative",
        "secondary_air",
        "refrigerant",
        "oxygen_sensor",
        "oxygen_sensor_heater",
        "exhaust_recirculation",
    ),
    "compression": (
        "hydrocarbon_catalyst",
        "nitrogen_oxides",
        "",
        "boost_pressure",
        "",
        "exhaust_sensor",
        "particulate_filter",
        "exhaust_recirculation",
    ),
}
"""by bit of the third and fourth byte, the lowest first; empty: reserved"""
MONITORS: Mapping[Ignition, tuple[str, ...]] = {
    kind: (*_CONTINUOUS, *(name for name in names if name)) for kind, names in _ONCE.items()
}
_LAMP, _COMPRESSION = 0x80, 0x08


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Readiness(Value):
    """How far each monitor of the vehicle is since the memory was cleared.

    ``states`` are by monitor, in the order of :data:`MONITORS`. One that is not there was not told of.
    """

    ignition: Ignition
    states: tuple[tuple[str, State], ...]

    def of(self, monitor: str) -> State | None:
        """The state of a monitor; None where nothing is said of it."""
        return dict(self.states).get(monitor)

    def those(self, state: State) -> tuple[str, ...]:
        """The monitors in a state."""
        return tuple(name for name, its in self.states if its == state)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Status(Value):
    """Service 01 PID 01: the malfunction lamp, how many codes are stored, readiness."""

    lamp: bool
    count: int
    readiness: Readiness


def read_status(data: bytes) -> Status:
    """The status in its four bytes."""
    first, second, has, lacks = data
    ignition: Ignition = "compression" if second & _COMPRESSION else "spark"

    def states() -> Iterator[tuple[str, State]]:
        for bit, name in enumerate(_CONTINUOUS):
            yield name, _state(second >> bit & 1, second >> (bit + 4) & 1)
        for bit, name in enumerate(_ONCE[ignition]):
            if name:
                yield name, _state(has >> bit & 1, lacks >> bit & 1)

    readiness = Readiness(ignition=ignition, states=tuple(states()))
    return Status(lamp=bool(first & _LAMP), count=first & ~_LAMP, readiness=readiness)


def _state(supported: int, unfinished: int) -> State:
    return "unsupported" if not supported else "incomplete" if unfinished else "complete"
