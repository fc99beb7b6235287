"""What stands in every table of the invented WREN-4: smooth surfaces over the axes, in physical units.

A surface is a function of its axes, x first, or a plain value. ``n`` is engine speed in rpm, ``c`` air charge in %,
``t`` a temperature in degC, ``u`` battery voltage, ``p`` a pressure or the pedal. Above 50 % air charge most surfaces
on ``load_12`` are straight lines in it: moving a breakpoint there leaves them as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from caldiff.demo.shapes import bump, line, step
from caldiff.table.model import Floats

__all__ = ["RAW", "SURFACES", "SURFACES_230", "TEXTS", "Surface", "surface"]

Surface = Callable[..., Floats] | float | Sequence[float] | Sequence[Sequence[float]]


def _ignition(n: Floats, c: Floats) -> Floats:
    at_part_load = 12 + 22 * step(n, 600, 4500) + 6 * line(c, 50, 10)
    return at_part_load - (16 - 6 * step(n, 600, 5000)) * line(c, 50, 100)


def _demand(n: Floats, p: Floats) -> Floats:
    drag = 20 * step(n, 1000, 4000) * (1 - step(p, 0, 15))
    return 240 * step(p, 0, 110) * (1 - 0.2 * step(n, 3000, 6500)) - drag


def _lambda_voltage(air: Floats) -> Floats:
    rich = (1 - air) / 0.004
    volts: Floats = 0.45 + 0.42 * rich / (1 + np.abs(rich))
    return volts


def _outflow(r: Floats) -> Floats:
    t = line(r, 0.53, 1)
    return np.sqrt(1 - t * t)


_IGNITION: dict[str, Surface] = {
    "ignition_base_petrol": _ignition,
    "ignition_base_gas": lambda n, c: _ignition(n, c) + 1 + 1.5 * bump(n, 2200, 1500),
    "ignition_lowest": lambda n, c: -25 + 10 * step(n, 600, 4000) + 8 * (1 - c / 100),
    "ignition_coolant": lambda t, c: 8 * (1 - step(t, -30, 60)) * (1 - c / 200) - 6 * step(t, 95, 120) * c / 100,
    "ignition_intake": lambda t: 3 * (1 - step(t, -30, 40)) - 9 * step(t, 35, 100),
    "ignition_gear": lambda n, c, gear: -4 * (6 - gear) / 5 * bump(c, 60, 40) * bump(n, 1800, 1500),
    "ignition_idle": lambda error: 12 * error / (100 + np.abs(error)),
    "ignition_changeover": 1.5,
    "coil_dwell": lambda n, u: (1.6 + 110 / (u * u)) * (1 - 0.2 * step(n, 3000, 6000)),
    "knock_threshold": lambda n, c: 0.5 + 1.9 * step(n, 600, 6500) + 2 * c / 100,
    "knock_retard_step": lambda n: 1.5 + 1.5 * step(n, 1000, 5000),
    "knock_retard_most": lambda n, c: 6 + 6 * c / 100 * (1 - 0.3 * step(n, 1000, 6000)),
    "knock_window_start": lambda n: 8 + 12 * step(n, 600, 6500),
    "knock_recovery": 0.8,
    "knock_cylinder_gain": (1, 1.0625, 1.03125, 0.96875),
    "knock_from_coolant": 40,
}

_FUEL: dict[str, Surface] = {
    "petrol_injector_flow": 185,
    "petrol_injector_dead_time": lambda u: 0.3 + 80 / (u * u),
    "petrol_small_pulse": lambda ms: 0.12 * bump(ms, 0.8, 0.6) - 0.01,
    "petrol_film_share": lambda t, c: 8 + 60 * (1 - step(t, -40, 90)) * (0.6 + 0.4 * c / 100),
    "petrol_film_time": lambda t: 0.4 + 3.2 * (1 - step(t, -40, 100)),
    "injection_end": lambda n, c: 330 + 90 * step(n, 600, 6000) - 20 * c / 100,
    "overrun_cut": lambda t: 1400 + 1000 * (1 - step(t, -30, 80)),
    "overrun_resume": lambda t: 1120 + 1000 * (1 - step(t, -30, 80)),
    "gas_injector_characteristic": lambda mg: 1.2 + 0.42 * mg + 1.1 * bump(mg, 0, 6),
    "gas_injector_dead_time": lambda u: 0.9 + 110 / (u * u),
    "gas_injector_pressure": lambda p: 0.5 * (p - 1200) / 1200,
    "gas_density": lambda t, p, propane: p / 1000 * (313 / (273 + t)) * (1.1 - 0.25 * propane / 100),
    "gas_air_demand": lambda propane: 15.45 + 0.22 * propane / 100,
    "gas_volume_correction": lambda n, c: 1.5 + 5 * c / 100 * bump(n, 3000, 2500),
    "gas_rail_pressure_target": lambda n, c: 950 + 500 * c / 100 + 200 * step(n, 1000, 5000),
    "gas_cylinder_trim": (0.5, -0.25, 0.75, -1),
    "gas_filter_constants": (0.5, 0.25, 0.25),
    "lambda_target_petrol": lambda n, c: 1 - (0.06 + 0.06 * step(n, 2000, 6000)) * line(c, 70, 100),
    "lambda_target_gas": lambda n, c: 1 - 0.06 * line(c, 80, 100) * step(n, 3000, 6000),
    "lambda_component_protection": lambda n, c: 1 - 0.2 * step(c, 50, 100) * step(n, 2000, 6000),
    "lambda_gain": lambda n, c: 1.5 + 2.5 * c / 100 * (1 - 0.3 * step(n, 1000, 6000)),
    "lambda_integral": lambda n, c: 2 + 6 * step(n, 600, 5000) * c / 100,
    "lambda_delay": lambda n, c: 40 + 200000 / n * (1.2 - 0.6 * c / 100),
    "lambda_trim_room": (-25, 25),
    "lambda_sensor_curve": _lambda_voltage,
    "lambda_from_coolant": 20,
}

_AIR: dict[str, Surface] = {
    "air_meter": lambda v: 1.5 + 6 * v + 4 * v * v * v,
    "cylinder_filling": lambda n, p: 60 + 25 * bump(n, 3800, 3500) + 12 * (p - 250) / 750 - 8 * step(n, 5000, 6500),
    "throttle_angle": lambda area: 10 * np.sqrt(area),
    "throttle_flow": _outflow,
    "altitude_factor": lambda h: 1 / (1 + h / 8500),
    "intake_cam": lambda n, c: 30 * bump(n, 2500, 2000) * bump(c, 50, 40),
    "charge_temperature": lambda n, c: 5 + 45 * (1 - step(n, 600, 6000)) * (1.1 - c / 100),
    "default_pressure": lambda n, p: 250 + 700 * step(p, 0, 100) * (1 - 0.25 * step(n, 1000, 6000)),
    "idle_target_petrol": lambda t: 780 + 420 * (1 - step(t, -30, 70)),
    "idle_target_gas": lambda t: 760 + 440 * (1 - step(t, -30, 70)),
    "idle_reserve": lambda t: 6 + 12 * (1 - step(t, -30, 80)),
    "idle_gain": lambda error: 2 + 4 * np.abs(error) / 200,
    "idle_accessories": ((0, 2, 1.5, 0.5), (14, 6, 5, 3)),
    "start_fuel_factor": lambda t: 1.5 + 6 * (1 - step(t, -40, 60)),
    "after_start": lambda s, t: 70 * (1 - step(t, -40, 110)) / (1 + s / 15),
    "warm_up_petrol": lambda t: 55 * (1 - step(t, -40, 80)),
    "warm_up_gas": lambda t: 30 * (1 - step(t, -40, 70)),
    "start_ignition": lambda t: 5 + 6 * (1 - step(t, -30, 60)),
    "catalyst_heating_time": lambda t: 60 * bump(t, 20, 25),
    "catalyst_heating_retard": lambda n, c: 14 * bump(c, 25, 25) * (1 - step(n, 2000, 4000)),
}

_HEAT_AND_TORQUE: dict[str, Surface] = {
    "exhaust_temperature": lambda n, c: 330 + 300 * step(n, 600, 6000) + 3.2 * c,
    "exhaust_temperature_lambda": lambda air: -500 * np.maximum(0, 1 - air) - 200 * np.maximum(0, air - 1),
    "exhaust_temperature_most": 880,
    "over_temperature_torque": lambda t: 100 - 65 * step(t, 104, 125),
    "coolant_warning": 112,
    "catalyst_temperature": lambda t: 20 + 60 * bump(t, 600, 200),
    "fan_stages": ((92, 86), (99, 95)),
    "torque_best": lambda n, c: c / 100 * (140 + 95 * bump(n, 3200, 2600)),
    "torque_efficiency": lambda retard: 100 * (1 - retard / 80 * (retard / 80)),
    "torque_loss": lambda n, t: 12 + 20 * step(n, 600, 6500) + 14 * (1 - step(t, -30, 90)),
    "torque_full_load": lambda n: 140 + 80 * bump(n, 3200, 2600),
    "torque_gear": lambda gear: np.minimum(120 + 25 * gear, 250),
    "pedal_torque": _demand,
    "torque_permitted": lambda n, p: np.maximum(_demand(n, p), 10) + 25,
    "torque_permitted_time": 0.5,
    "speed_limit_soft": 6000,
    "speed_limit_hard": 6300,
    "speed_limit_cold": lambda t: 4000 + 2000 * step(t, -30, 60),
    "road_speed_limit": 120,
    "road_speed_gear": lambda gear: np.minimum(42 * gear, 130),
    "misfire_threshold": lambda n, c: 20 + 60 * c / 100 + 90000 / n,
    "catalyst_quality": 420,
    "vapour_purge": lambda n, c: 70 * bump(c, 45, 30) * step(n, 500, 2500),
    "debounce_misfire": 2,
    "debounce_lambda": 3,
    "warm_up_cycles": 40,
    "gas_from_coolant": 40,
    "gas_from_reducer": 35,
    "gas_from_speed": 1400,
    "gas_delay": lambda t: 5 + 90 * (1 - step(t, -30, 60)),
    "gas_pressure_lowest": lambda c: 600 + 300 * c / 100,
    "petrol_share": lambda n, c: 15 * step(c, 50, 100) * step(n, 3000, 6000),
    "gas_overlap": 2,
    "gas_retries": 3,
    "immobiliser_tries": 5,
}

_STOCK = _IGNITION | _FUEL | _AIR | _HEAT_AND_TORQUE
SURFACES: Mapping[str, Surface] = _STOCK

RAW: Mapping[str, int | Sequence[int] | Sequence[Sequence[int]]] = {
    "knock_cylinder_sensor": (1, 1, 2, 2),
    "idle_switches": 0b0111,
    "gearbox_ratio": (0, 1, 2, 3, 4, 5, 6),
    "torque_reactions": 0b10_1110,
    "speed_limit_mode": 1,
    "diagnosis_enables": 0b1111_0000_0111,
    "fault_classes": ((2, 2, 3, 1, 2, 1, 0, 4), (2, 2, 1, 1, 2, 1, 2, 4)),
    "gas_switches": 0b01_0100,
    "gas_level": (0, 1, 2, 3, 4),
    "gas_start_fuel": 0,
    "immobiliser": 0b0000_0011,
}
"""Words rather than numbers: flags and names, as raw integers."""

TEXTS: Mapping[str, str] = {
    "calibration_note": "INVENTED DEMO DATA ONLY",
    "conversion_label": "none",
}

SURFACES_230: Mapping[str, Surface] = _STOCK | {
    # what the invented maker improved by itself, some of it where the revisions were at work too
    "ignition_base_gas": lambda n, c: (
        _ignition(n, c) + 1 + 1.5 * bump(n, 2200, 1500) + line(n, 2500, 3000) * line(c, 50, 60)
    ),
    "idle_target_petrol": lambda t: 760 + 420 * (1 - step(t, -30, 70)),
    "warm_up_gas": lambda t: 32 * (1 - step(t, -40, 70)),
    "speed_limit_soft": 5900,
    # new
    "lambda_refill": lambda n, c: 4 + 18 * (1 - step(c, 40, 100)) * (1 - 0.3 * step(n, 2000, 6000)),
    "gas_blend_step": lambda propane: 0.5 + propane / 100,
}


def surface(shape: Surface, axes: Sequence[Floats]) -> Floats:
    """The values over the axes, which are in array order (x last), as an array of their sizes."""
    if not callable(shape):
        return np.asarray(shape, dtype=np.float64)
    across = [axis.reshape((-1,) + (1,) * place) for place, axis in enumerate(reversed(axes))]
    values: Floats = np.broadcast_to(shape(*across), tuple(len(axis) for axis in axes))
    return values
