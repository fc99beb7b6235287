"""The tags of tables whose change can break the law or an engine."""

from __future__ import annotations

__all__ = ["CAUTION_TAGS"]

CAUTION_TAGS = ("emissions", "torque-monitoring", "over-temperature", "speed-limit", "immobiliser")
"""They are named before anything else, and the default policy wants to know under whose authority they changed."""
