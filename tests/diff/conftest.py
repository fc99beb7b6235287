"""Short ways to write definitions and images for the tests of this room."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from math import prod
from typing import Any

import attrs
import pytest

from caldiff.crc import catalogue
from caldiff.definition.checksums import Checksum, Coverage, Span, StoredField
from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    TYPES,
    Axis,
    Cells,
    FixedAxis,
    Frame,
    Linear,
    Scaling,
    StoredAxis,
    StoredCount,
    TableSpec,
)
from caldiff.image.model import Image, Segment
from caldiff.table.calibration import Calibration

_KINDS = ("value", "curve", "map", "cuboid")


class Make:
    """Builders. Everything is big-endian at address 0 unless said otherwise."""

    def cells(  # noqa: PLR0913 - one keyword a fact
        self,
        at: int,
        shape: tuple[int, ...] = (),
        *,
        type: str = "u8",  # noqa: A002 - the definition's own word
        order: str = "big",
        strides: tuple[int, ...] | None = None,
        mask: int | None = None,
    ) -> Cells:
        size = TYPES[type].size
        packed = tuple(size * prod(shape[d + 1 :]) for d in range(len(shape)))
        return Cells(at=at, type=TYPES[type], byte_order=order, shape=shape, strides=strides or packed, mask=mask)  # type: ignore[arg-type]

    def checksum(self, name: str, at: int, *spans: tuple[int, int], order: str = "big", size: int = 2) -> Checksum:
        """CRC-16/ARC over some ranges."""
        return Checksum(
            name=name,
            method=catalogue()["CRC-16/ARC"],
            coverage=Coverage(spans=tuple(Span(start=a, stop=b) for a, b in spans)),
            fields=(StoredField(at=at, size=size, byte_order=order),),  # type: ignore[arg-type]
        )

    def axis(
        self, name: str, at: int, count: int, *, stored: int | None = None, scaling: Scaling | None = None, **more: Any
    ) -> StoredAxis:
        shared = more.pop("shared", True)
        quantity = more.pop("quantity", "")
        return StoredAxis(
            name=name,
            cells=self.cells(at, (count,), **more),
            count=None if stored is None else StoredCount(at=stored, type=TYPES["u8"], byte_order="big"),
            scaling=scaling or Scaling(),
            shared=shared,
            quantity=quantity,
        )

    def fixed(self, name: str, *points: int) -> FixedAxis:
        return FixedAxis(name=name, points=tuple(Fraction(p) for p in points))

    def table(self, name: str, at: int, *axes: Axis, scaling: Scaling | None = None, **more: Any) -> TableSpec:
        """A table of u8 on its axes; ``shape=`` makes it a block."""
        spec = {k: more.pop(k) for k in ("kind", "aliases", "limits", "tags", "encoding") if k in more}
        shape = more.pop("shape", None)
        sizes = tuple(a.cells.shape[0] if isinstance(a, StoredAxis) else len(a.points) for a in axes)
        kind = spec.pop("kind", _KINDS[len(axes)] if shape is None else "block")
        return TableSpec(
            name=name,
            kind=kind,
            cells=self.cells(at, sizes if shape is None else shape, **more),
            axes=axes,
            scaling=scaling or Scaling(),
            **spec,
        )

    def linear(self, factor: str, offset: str = "0", *, unit: str = "", name: str = "") -> Scaling:
        return Scaling(name=name, unit=unit, conversion=Linear(factor=Fraction(factor), offset=Fraction(offset)))

    def definition(self, *tables: TableSpec, name: str = "made", size: int = 256, **more: Any) -> Definition:
        return Definition.of(name=name, frame=Frame(start=0, size=size, byte_order="big"), tables=list(tables), **more)

    def image(self, size: int = 64, **patches: bytes) -> Image:
        """Zeros, with ``a12=b"..."`` laid over at address 12."""
        data = bytearray(size)
        for at, piece in patches.items():
            data[int(at[1:]) : int(at[1:]) + len(piece)] = piece
        return Image.of(bytes(data))

    def pieces(self, *pieces: tuple[int, bytes]) -> Image:
        """An image of segments."""
        return Image(segments=tuple(Segment(start=at, data=data) for at, data in pieces))

    def sides(
        self, images: Iterable[Image], definitions: Definition | Iterable[Definition | None] | None
    ) -> list[Calibration]:
        """Calibrations named after their place: first, second, third, …"""
        images = list(images)
        by = [definitions] * len(images) if definitions is None or isinstance(definitions, Definition) else definitions
        labels = ("first", "second", "third", "fourth", "fifth")
        return [
            Calibration(label=label, image=image, definition=definition)
            for label, image, definition in zip(labels, images, by, strict=False)
        ]

    def changed(self, image: Image, **patches: bytes) -> Image:
        """The image with ``a12=b"..."`` laid over at address 12."""
        return image.patched({int(at[1:]): piece for at, piece in patches.items()})

    def evolve(self, thing: Any, **changes: Any) -> Any:
        return attrs.evolve(thing, **changes)


@pytest.fixture(scope="session")
def make() -> Make:
    return Make()
