"""Service 01 PID 01, bit by bit. Which bit is which monitor is from memory of SAE J1979 and ISO 15031-5."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.evidence.readiness import MONITORS, read_status


def test_a_worked_example() -> None:
    """81 07 65 04, by hand: lamp on, 1 code; the three continuous monitors done; C = 0110 0101, D = 0000 0100."""
    status = read_status(bytes.fromhex("81076504"))
    assert (status.lamp, status.count, status.readiness.ignition) == (True, 1, "spark")
    assert status.readiness.those("complete") == (
        *("misfire", "fuel", "components", "catalyst"),
        *("oxygen_sensor", "oxygen_sensor_heater"),
    )
    assert status.readiness.those("incomplete") == ("evaporative",)
    assert status.readiness.those("unsupported") == (
        *("heated_catalyst", "secondary_air", "refrigerant", "exhaust_recirculation"),
    )


def test_compression_ignition() -> None:
    """00 2E EB 21, by hand: B = 0010 1110; fuel and components there, fuel unfinished; C = 1110 1011, D = 0010 0001."""
    status = read_status(bytes.fromhex("002EEB21"))
    assert (status.lamp, status.count, status.readiness.ignition) == (False, 0, "compression")
    assert dict(status.readiness.states) == {
        "misfire": "unsupported",
        "fuel": "incomplete",
        "components": "complete",
        "hydrocarbon_catalyst": "incomplete",
        "nitrogen_oxides": "complete",
        "boost_pressure": "complete",
        "exhaust_sensor": "incomplete",
        "particulate_filter": "complete",
        "exhaust_recirculation": "complete",
    }


@pytest.mark.parametrize(
    ("bit", "spark", "compression"),
    [
        (0, "catalyst", "hydrocarbon_catalyst"),
        (1, "heated_catalyst", "nitrogen_oxides"),
        (2, "evaporative", None),
        (3, "secondary_air", "boost_pressure"),
        (4, "refrigerant", None),
        (5, "oxygen_sensor", "exhaust_sensor"),
        (6, "oxygen_sensor_heater", "particulate_filter"),
        (7, "exhaust_recirculation", "exhaust_recirculation"),
    ],
)
def test_each_bit(bit: int, spark: str, compression: str | None) -> None:
    for second, name in ((0x00, spark), (0x08, compression)):
        done = read_status(bytes([0, second, 1 << bit, 0])).readiness
        open_ = read_status(bytes([0, second, 1 << bit, 1 << bit])).readiness
        assert done.those("complete") == ((name,) if name else ())
        assert open_.those("incomplete") == ((name,) if name else ())


@given(st.binary(min_size=4, max_size=4))
def test_every_monitor_has_one_state(data: bytes) -> None:
    status = read_status(data)
    assert [name for name, _ in status.readiness.states] == list(MONITORS[status.readiness.ignition])
    assert status.count == data[0] % 128
    assert all(status.readiness.of(name) == state for name, state in status.readiness.states)
