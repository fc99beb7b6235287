"""Fault memories of the invented van, as the cooperative wrote them down."""

from __future__ import annotations

__all__ = ["demo_snapshots"]

_BEFORE = """\
# The fault memory of van 17 on the first revision. Invented.
snapshot: 1
taken: 2026-03-12T07:25:00Z
identity: {vin: 00WREN4V5N0000017, calibration_id: W4-BIFUEL-0210-C}
lamp: true
stored: [P0171]
pending: [P0420]
permanent: [P0171]
readiness:
  ignition: spark
  complete: [misfire, fuel, components, catalyst, oxygen_sensor, oxygen_sensor_heater]
  incomplete: [evaporative]
since_clearing: {distance: 1204, warm_ups: 37}                                 # km
"""

_AFTER = """\
# The fault memory of van 17 on the second revision. Invented.
snapshot: 1
taken: 2026-03-27T16:10:00Z
identity: {vin: 00WREN4V5N0000017, calibration_id: W4-BIFUEL-0210-C}
lamp: false
stored: []
pending: []
permanent: [P0171]
readiness:
  ignition: spark
  complete: [misfire, fuel, components, oxygen_sensor, oxygen_sensor_heater]
  incomplete: [catalyst, evaporative]
since_clearing: {distance: 212, warm_ups: 9}                                   # km
"""


def demo_snapshots() -> dict[str, bytes]:
    """The documents by name."""
    return {
        "van17_faults_before.yaml": _BEFORE.encode("ascii"),
        "van17_faults_after.yaml": _AFTER.encode("ascii"),
    }
