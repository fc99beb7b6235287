"""Drives of the invented van, second by second as its logger saw them: physically plausible, and made up throughout.

Only + - * / and comparison of Python's own numbers, which IEEE 754 rounds one way: the logs are the same bytes on every
machine.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

import attrs

__all__ = ["RATE", "Leg", "Moment", "drive", "error_of"]

RATE = 20
"""samples a second"""
_STEP = 1.0 / RATE

_RATIOS = (0.0, 122.0, 68.0, 45.0, 33.0, 25.5, 21.0)
"""engine speed in rpm at 1 km/h, by gear"""
_UP = (0.0, 22.0, 38.0, 56.0, 76.0, 96.0, 999.0)
_DOWN = (0.0, 0.0, 13.0, 27.0, 42.0, 60.0, 78.0)
_CREEPING = 3.0
"""km/h, below which the clutch slips or the van stands"""
_BRAKING = -0.6
"""m/s2, below which the foot is off the pedal"""
_CUT = 1300.0
"""rpm, above which fuel is cut with the foot off the pedal"""
_IDLE = 820.0
_WARM = 88.0


@attrs.frozen(kw_only=True)
class Leg:
    """A stretch of road: for so many seconds towards a speed in km/h, with a slope in per cent."""

    seconds: int
    speed: float
    slope: float = 0.0


class Moment(NamedTuple):
    """What the logger saw at one time; the units are those of the definition's axes."""

    time: float
    values: Mapping[str, float]


def _spread(throw: Callable[[], float], width: float) -> float:
    """About normally distributed around 0, never beyond ``width``: the sum of three even throws."""
    return (throw() + throw() + throw() - 1.5) * width / 1.5


def error_of(engine_speed: float, load: float) -> float:
    """By how much the engine runs leaner than wanted on gas, as a share: what the logs are to show.

    Rich by up to 2.5 % where hardly any gas flows, lean by up to 5.5 % where much does.
    """
    flow = min(max((engine_speed - 800.0) / 3200.0, 0.0), 1.0) * min(max((load - 15.0) / 65.0, 0.0), 1.0)
    return -0.025 + 0.08 * flow


@attrs.define
class _Van:
    speed: float = 0.0
    gear: int = 0
    engine: float = _IDLE
    load: float = 18.0
    coolant: float = 15.0
    intake: float = 14.0
    lambda_: float = 1.0
    pressure: float = 1050.0
    battery: float = 12.3


def drive(legs: tuple[Leg, ...], *, seed: int, coolant: float = 15.0, target: float = 1.0) -> Iterator[Moment]:
    """The moments of a drive, :data:`RATE` a second.

    Args:
        legs: the road.
        seed: of the noise.
        coolant: in degC, at the start.
        target: lambda that the controller wants.
    """
    van, count = _Van(coolant=coolant), 0
    throw = random.Random(seed).random  # noqa: S311 - noise; Python promises the same numbers for a seed for ever
    for leg in legs:
        for _ in range(leg.seconds * RATE):
            _move(van, leg)
            _warm(van)
            _burn(van, target)
            yield Moment(count / RATE, _seen(van, throw))
            count += 1


def _move(van: _Van, leg: Leg) -> None:
    """One step of driving: pedal towards the speed, gears as a calm driver would."""
    wish = leg.speed - van.speed
    pull = min(max(wish * 0.25, -2.2), 1.6)  # m/s2
    if van.speed < _CREEPING / 6 and leg.speed == 0:
        pull, van.speed = 0.0, 0.0
    van.speed = max(0.0, van.speed + pull * 3.6 * _STEP)
    if van.speed < _CREEPING:
        van.gear = 0 if leg.speed == 0 else 1
    elif van.speed > _UP[van.gear] or van.gear == 0:
        van.gear = min(van.gear + 1, 6)
    elif van.speed < _DOWN[van.gear]:
        van.gear -= 1
    wanted = max(_IDLE, van.speed * _RATIOS[van.gear])
    van.engine += (wanted - van.engine) * 0.12
    force = 260.0 + 0.62 * van.speed * van.speed / 12.96 * 1.2 + 2100.0 * (pull * 1.08 + 0.0981 * leg.slope)  # N
    power = max(0.0, force * van.speed / 3.6) / 1000.0  # kW
    filling = 14.0 + power * 1000.0 / van.engine * 2.6
    if pull < _BRAKING and van.engine > _CUT:
        filling = 10.0
    van.load += (min(filling, 97.0) - van.load) * 0.10


def _warm(van: _Van) -> None:
    gain = 0.0006 + 0.0000012 * van.engine * van.load / 40.0
    if van.coolant < _WARM:
        van.coolant += gain * (1.0 + (_WARM - van.coolant) / 40.0)
    else:
        van.coolant -= 0.002 * (van.coolant - _WARM + 0.5)
    van.intake += (14.0 + 0.18 * (van.coolant - 15.0) - 0.05 * van.speed - van.intake) * 0.0004
    van.battery += (14.1 - 0.0001 * (4000.0 - van.engine) - van.battery) * 0.02


def _burn(van: _Van, target: float) -> None:
    """The sensor follows with a lag; cold, the mixture is enriched."""
    cold = max(0.0, 1.0 - van.coolant / 60.0)
    now = target * (1.0 + error_of(van.engine, van.load)) * (1.0 - 0.12 * cold)
    van.lambda_ += (now - van.lambda_) * 0.15
    van.pressure += (1000.0 + 4.2 * van.load - van.pressure) * 0.05


def _seen(van: _Van, throw: Callable[[], float]) -> dict[str, float]:
    """What the sensors say of it, noise included."""
    pedal = max(0.0, (van.load - 15.0) * 1.1) if van.gear else 0.0
    return {
        "engine_speed": max(0.0, van.engine + _spread(throw, 14.0)),
        "load": min(100.0, max(0.0, van.load + _spread(throw, 0.8))),
        "vehicle_speed": van.speed,
        "gear": float(van.gear),
        "pedal_position": min(100.0, pedal),
        "coolant_temperature": van.coolant + _spread(throw, 0.3),
        "intake_air_temperature": van.intake + _spread(throw, 0.3),
        "battery_voltage": van.battery + _spread(throw, 0.05),
        "gas_pressure": van.pressure + _spread(throw, 12.0),
        "lambda": van.lambda_ + _spread(throw, 0.012),
    }
