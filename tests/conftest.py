"""Hypothesis profiles: derandomised by default so that a run says the same twice; ``deep`` for long hunts."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

settings.register_profile("ci", derandomize=True, deadline=None, max_examples=60, database=None)
settings.register_profile(
    "deep", deadline=None, max_examples=5000, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))
