"""The breakpoints of every stored axis of the invented WREN-4, in physical units."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["MOVED_LOAD", "POINTS", "POINTS_230"]

_BATTERY = (6, 8, 10, 12, 14, 16)

POINTS: Mapping[str, tuple[float, ...]] = {
    # shared
    "speed_16": (600, 800, 1000, 1250, 1500, 1750, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500),
    "speed_12": (600, 800, 1000, 1500, 2000, 2500, 3000, 3500, 4000, 5000, 6000, 6500),
    "speed_8": (600, 1000, 1520, 2000, 3000, 4000, 5000, 6000),
    "load_12": (10, 15, 20, 27.5, 35, 42.5, 50, 60, 70, 80, 90, 100),
    "load_10": (10, 20, 30, 40, 50, 60, 70, 80, 90, 100),
    "load_8": (10, 20, 30, 40, 55, 70, 85, 100),
    "coolant_10": (-30, -20, -10, 0, 10, 20, 40, 60, 80, 110),
    "coolant_short": (-30, -10, 10, 30, 60, 90),
    "intake_8": (-30, -10, 10, 25, 40, 55, 70, 90),
    "pedal": (0, 4, 8, 15, 25, 35, 50, 65, 80, 100),
    "pedal_watch": (0, 5, 15, 40, 70, 100),
    "battery_6": _BATTERY,
    "exhaust_6": (200, 400, 600, 700, 800, 900),
    "gas_temp_8": (-20, -5, 10, 25, 40, 55, 70, 85),
    "gas_press_8": (600, 800, 1000, 1200, 1400, 1600, 1900, 2400),
    # of one table
    "petrol_injector_dead_time.x": _BATTERY,
    "gas_injector_dead_time.x": _BATTERY,
    "petrol_small_pulse.x": (1.0, 1.4, 1.8, 2.4, 3.2),
    "gas_injector_characteristic.x": (2, 4, 6, 8, 10, 13, 16, 20, 25, 30, 36, 44),
    "cylinder_filling.y": (250, 400, 550, 700, 850, 1000),
    "throttle_angle.x": (0, 1, 2.5, 5, 10, 20, 35, 55, 80, 100),
    "start_fuel_factor.x": (-30, -20, -10, 0, 15, 30, 60, 90),
    "over_temperature_torque.x": (100, 104, 108, 112, 115, 118, 121, 125),
    "gas_level.x": (0.625, 1.25, 1.875, 2.5, 3.125),
}

POINTS_230: Mapping[str, tuple[float, ...]] = {
    **POINTS,
    "pedal": (0, 2, 4, 6, 8, 12, 18, 25, 35, 45, 55, 70, 85, 100),
}

MOVED_LOAD = (10, 15, 20, 27.5, 35, 42.5, 50, 62.5, 75, 80, 90, 100)
"""``load_12`` of the second revision: the breakpoints at 60 and 70 % went up to 62.5 and 75 %"""
