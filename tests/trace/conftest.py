"""Calibrations of a few bytes, with an identity page and checksums; a shop with a vault. Makes it importable."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from caldiff.definition.checksums import Checksum
from caldiff.definition.definition import Definition
from caldiff.definition.model import Frame, IdentityField
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration

if TYPE_CHECKING:
    from trace_shop import Shop

sys.path.insert(0, str(Path(__file__).parent))


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


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    from trace_shop import Shop  # noqa: PLC0415 - not before the path is set

    return Shop(tmp_path)
