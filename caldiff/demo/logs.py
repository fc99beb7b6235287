"""The logs of the invented drives, each written as another logger would: all are CSV, and none is like the next."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from caldiff.demo.drives import Leg, Moment, drive

__all__ = ["CHANNELS", "WARM", "demo_logs"]

_TOWN = (
    Leg(seconds=40, speed=0),
    Leg(seconds=50, speed=30),
    Leg(seconds=20, speed=0),
    Leg(seconds=60, speed=48),
    Leg(seconds=25, speed=0),
    Leg(seconds=70, speed=52, slope=1),
    Leg(seconds=30, speed=0),
    Leg(seconds=90, speed=50),
    Leg(seconds=40, speed=30, slope=2),
    Leg(seconds=20, speed=0),
    Leg(seconds=120, speed=62),
    Leg(seconds=60, speed=80),
    Leg(seconds=60, speed=50, slope=-2),
    Leg(seconds=30, speed=0),
    Leg(seconds=80, speed=50),
    Leg(seconds=25, speed=0),
    Leg(seconds=90, speed=70, slope=1),
    Leg(seconds=60, speed=40),
    Leg(seconds=30, speed=0),
    Leg(seconds=100, speed=55),
    Leg(seconds=100, speed=30),
)
_MOTORWAY = (
    Leg(seconds=30, speed=0),
    Leg(seconds=60, speed=50),
    Leg(seconds=90, speed=80, slope=1),
    Leg(seconds=240, speed=110),
    Leg(seconds=120, speed=125, slope=1.5),
    Leg(seconds=120, speed=100, slope=3),
    Leg(seconds=180, speed=120),
    Leg(seconds=90, speed=130, slope=2),
    Leg(seconds=120, speed=90, slope=-2),
    Leg(seconds=90, speed=60),
    Leg(seconds=60, speed=30),
)
_HILLS = (
    Leg(seconds=20, speed=0),
    Leg(seconds=100, speed=60, slope=3),
    Leg(seconds=120, speed=80, slope=5),
    Leg(seconds=60, speed=50, slope=-4),
    Leg(seconds=180, speed=70, slope=6),
    Leg(seconds=120, speed=90, slope=2),
    Leg(seconds=60, speed=40, slope=8),
    Leg(seconds=180, speed=80, slope=4),
    Leg(seconds=120, speed=60, slope=-5),
    Leg(seconds=180, speed=90, slope=3),
    Leg(seconds=60, speed=0),
)

CHANNELS = """\
# What the loggers of the invented cooperative call their channels, and what they measure in.
channels: 1
name: channels
quantities:
  engine_speed:           {names: ["engine speed", "n", "rpm"], unit: rpm}
  load:                   {names: ["air charge", "charge*"], unit: "%"}
  coolant_temperature:    {names: ["coolant", "T coolant"], unit: degC}
  intake_air_temperature: {names: ["intake air", "T intake"], unit: degC}
  battery_voltage:        {names: ["battery", "U battery"], unit: V}
  gas_pressure:           {names: ["gas pressure", "p gas"], unit: mbar}
  pedal_position:         {names: ["pedal"], unit: "%"}
  vehicle_speed:          {names: ["speed", "v"], unit: km/h}
  gear:                   {names: ["gear"]}
  lambda:
    - {names: ["lambda"], unit: "1"}
    - {names: ["AFR"], unit: kg/kg, stoichiometric: 15.5}   # LPG, as the cooperative has it
"""

WARM = """\
# The same loggers, and only what they saw of a warm engine that ran evenly.
channels: 1
name: warm
extends: channels
conditions:
  windows: {coolant_temperature: {least: 70}}
  steady:  {engine_speed: {within: 150, for: 1}}
"""


def demo_logs() -> dict[str, bytes]:
    """The logs by name, and what the loggers mean by their channels."""
    return {
        "van17_drive_town.csv": _plain(drive(_TOWN, seed=17)),
        "van17_drive_motorway.csv": _continental(drive(_MOTORWAY, seed=18, coolant=41.0)),
        "van17_drive_hills.csv": _uneven(drive(_HILLS, seed=19, coolant=72.0)),
        "channels.yaml": CHANNELS.encode("ascii"),
        "warm.yaml": WARM.encode("ascii"),
    }


def _lines(rows: Iterator[str] | Sequence[str], newline: str) -> str:
    return newline.join(rows) + newline


def _plain(moments: Iterator[Moment]) -> bytes:
    """Commas, units in the heading, seconds; what it is stands above."""
    head = [
        "# calibration id: W4-BIFUEL-0210-C",
        "# started: 2026-03-12T06:41:00Z",
        ",".join(_HEADING),
    ]
    rows = (f"{m.time:.2f}," + ",".join([form(m.values[key]) for key, form in _FORMS.items()]) for m in moments)
    return _lines([*head, *rows], "\n").encode("ascii")


def _continental(moments: Iterator[Moment]) -> bytes:
    """Semicolons, decimal commas, a row of units, clock time over midnight, Fahrenheit and an air-fuel ratio."""
    head = [
        '"Zeit";"n";"charge";"T coolant";"p gas";"pedal";"AFR"',
        '"hh:mm:ss";"1/min";"%";"degF";"bar";"%";"kg/kg"',
    ]
    rows = []
    for m in moments:
        v = m.values
        figures = (
            f"{v['engine_speed']:.0f}",
            f"{v['load']:.1f}",
            f"{v['coolant_temperature'] * 1.8 + 32:.1f}",
            f"{v['gas_pressure'] / 1000:.3f}",
            f"{v['pedal_position']:.1f}",
            f"{v['lambda'] * 15.5:.2f}",
        )
        rows.append(f"{_clock(m.time + 86400 - 540)};" + ";".join(f.replace(".", ",") for f in figures))
    return b"\xef\xbb\xbf" + _lines([*head, *rows], "\r\n").encode("utf-8")


def _clock(seconds: float) -> str:
    thousandths = round(seconds * 1000) % 86_400_000
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes // 60:02}:{minutes % 60:02}:{rest // 1000:02},{rest % 1000:03}"


def _uneven(moments: Iterator[Moment]) -> bytes:
    """Tabs, milliseconds, slow channels once a second, a hiccup of the clock, and the battery pulled at the end."""
    rows = ["ms\tengine speed (rpm)\tair charge (%)\tlambda ()\tcoolant (degC)\tintake air (degC)"]
    for n, m in enumerate(moments):
        v, slow = m.values, n % 20 == 0
        time = 50 * n - (150 if n == _HICCUP else 0)
        rows.append(
            f"{time}\t{v['engine_speed']:.0f}\t{v['load']:.1f}\t{v['lambda']:.3f}\t"
            + (f"{v['coolant_temperature']:.0f}\t{v['intake_air_temperature']:.0f}" if slow else "\t")
        )
    return _lines(rows, "\n").encode("ascii")[:-9]


_HICCUP = 7001
_FORMS: dict[str, Callable[[float], str]] = {
    "engine_speed": "{:.0f}".format,
    "load": "{:.1f}".format,
    "coolant_temperature": "{:.1f}".format,
    "intake_air_temperature": "{:.1f}".format,
    "battery_voltage": "{:.2f}".format,
    "gas_pressure": "{:.0f}".format,
    "pedal_position": "{:.1f}".format,
    "vehicle_speed": "{:.1f}".format,
    "gear": "{:.0f}".format,
    "lambda": "{:.3f}".format,
}
_HEADING = (
    "time [s]",
    "engine speed [rpm]",
    "air charge [%]",
    "coolant [degC]",
    "intake air [degC]",
    "battery [V]",
    "gas pressure [mbar]",
    "pedal [%]",
    "speed [km/h]",
    "gear",
    "lambda",
)
