"""Calibrations of a few bytes, with an identity page and checksums."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from caldiff.definition.checksums import Checksum
from caldiff.definition.definition import Definition
from caldiff.definition.model import Frame, IdentityField
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration


@pytest.fixture
def calibration() -> Callable[..., Calibration]:
    def make(data: bytes, *checksums: Checksum, held: bytes | None = None, **facts: Any) -> Calibration:
        """Data at address 0, a verification number behind it."""
        held = data if held is None else held
        field = {"name": "cvn", "at": len(data), "byte_order": "big", "means": "cvn", **facts}
        definition = Definition.of(
            name="d",
            frame=Frame(start=0, size=256, byte_order="big"),
            identity=[IdentityField(**field)],
            checksums=checksums,
        )
        return Calibration(label="made up", image=Image.of(held), definition=definition)

    return make
