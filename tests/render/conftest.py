"""An invented controller and a revision of it, made by hand: definition, images, and the comparison that follows."""

from __future__ import annotations

import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from caldiff.canonical import Digest
from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    TYPES,
    BitField,
    Bits,
    Cells,
    Fit,
    FixedAxis,
    Frame,
    IdentityField,
    Linear,
    Names,
    Pattern,
    Region,
    Scaling,
    StoredAxis,
    TableSpec,
)
from caldiff.diff.model import AxisDiff, Comparison, Extent, Fates, FieldDiff, Statistics, Surface, TableDiff
from caldiff.image.model import Image, Source
from caldiff.table.calibration import Calibration
from caldiff.table.model import AxisValues, Table

sys.path.insert(0, str(Path(__file__).parent))  # makes the generators beside the tests importable: tests are no package

START = 0x8000
SPEED = Scaling(name="speed", unit="rpm", decimals=0, conversion=Linear(factor=Fraction(1, 4)))
DEGREE = Scaling(
    name="degree", unit="degCA", decimals=1, conversion=Linear(factor=Fraction(1, 2), offset=Fraction(-40))
)
TEMPERATURE = Scaling(name="temperature", unit="degC", conversion=Linear(offset=Fraction(-40)))
MODE = Scaling(name="mode", conversion=Names(names={0: "off", 1: "eco", 2: "power"}))
ENABLES = Scaling(
    name="enables", conversion=Bits(fields=(BitField(name="lambda", mask=1), BitField(name="knock", mask=2)))
)


def cells(at: int, shape: tuple[int, ...] = (), kind: str = "u8") -> Cells:
    size = TYPES[kind].size
    strides = tuple(size * int(np.prod(shape[n + 1 :])) for n in range(len(shape)))
    return Cells(at=at, type=TYPES[kind], byte_order="big", shape=shape, strides=strides)


SPEED_AXIS = StoredAxis(
    name="speed_8", cells=cells(0x8100, (8,), "u16"), scaling=SPEED, quantity="engine_speed", shared=True
)
LOAD_AXIS = FixedAxis(
    name="load_6", points=tuple(Fraction(n * 20) for n in range(6)), unit="%", quantity="load", shared=True
)
COOLANT_AXIS = StoredAxis(
    name="warmup.x", cells=cells(0x8200, (6,)), scaling=TEMPERATURE, quantity="coolant_temperature"
)
SPECS = {
    "ignition_base": TableSpec(
        name="ignition_base",
        kind="map",
        cells=cells(0x8300, (6, 8)),
        axes=(LOAD_AXIS, SPEED_AXIS),
        scaling=DEGREE,
        title="Base ignition advance",
        tags=("ignition",),
    ),
    "warmup": TableSpec(
        name="warmup",
        kind="curve",
        cells=cells(0x8210, (6,)),
        axes=(COOLANT_AXIS,),
        scaling=Scaling(unit="1", decimals=2, conversion=Linear(factor=Fraction(1, 128))),
        title="Warm-up enrichment",
        tags=("emissions",),
    ),
    "idle_speed": TableSpec(name="idle_speed", kind="value", cells=cells(0x8400, (), "u16"), scaling=SPEED),
    "mode": TableSpec(name="mode", kind="value", cells=cells(0x8402), scaling=MODE, title="Drive mode"),
    "switches": TableSpec(name="switches", kind="flags", cells=cells(0x8403), scaling=ENABLES),
    "label": TableSpec(name="label", kind="text", cells=cells(0x8410, (8,))),
}


@pytest.fixture(scope="session")
def definition() -> Definition:
    return Definition.of(
        name="wren4-test",
        title="WREN-4 for tests",
        frame=Frame(start=START, size=0x1000, byte_order="big"),
        fits=[Fit(at=START, any_of=(Pattern(value=b"WREN", mask=b"\xff" * 4, text=True),))],
        identity=[
            IdentityField(name="calibration_id", at=0x8010, size=8, kind="text", byte_order="big"),
            IdentityField(name="vin", at=0x8020, size=17, kind="text", byte_order="big", personal=True),
        ],
        regions=[
            Region(name="program", start=0x8800, size=0x800, role="code"),
            Region(name="calibration", start=0x8100, size=0x400, role="calibration"),
        ],
        tables=SPECS.values(),
    )


def _image(name: str, data: dict[int, bytes]) -> Image:
    raw = bytearray(b"\xff" * 0x1000)
    for at, part in data.items():
        raw[at - START : at - START + len(part)] = part
    source = Source(name=name, format="binary", file=Digest.of(bytes(raw)), size=len(raw))
    return Image.of(bytes(raw), start=START, source=source)


SPEEDS = np.array([600, 1000, 1500, 2000, 2500, 3000, 3500, 4000], dtype=">u2") * 4
IGNITION = np.array([[80 + 4 * x + 2 * y for x in range(8)] for y in range(6)], dtype=np.uint8)


def _axis(spec: Any, raw: Any) -> AxisValues:
    if isinstance(spec, FixedAxis):
        return AxisValues(spec=spec, raw=None, physical=np.array([float(p) for p in spec.points]), addresses=None)
    linear = spec.scaling.conversion
    physical = np.asarray(raw, dtype=float) * float(linear.factor) + float(linear.offset)
    return AxisValues(spec=spec, raw=np.asarray(raw), physical=physical, addresses=None)


def table(name: str, raw: Any, *axes: AxisValues) -> Table:
    spec = SPECS[name]
    return Table(spec=spec, raw=np.asarray(raw), axes=axes, at=spec.cells.at, strides=spec.cells.strides)


def changed(name: str, before: Table, after: Table, stats: Statistics | None = None, **more: Any) -> TableDiff:
    mask = np.asarray(before.raw != after.raw)
    return TableDiff(name=name, state="changed", before=before, after=after, changed=mask, statistics=stats, **more)


def ignition(speeds_after: Any = SPEEDS) -> TableDiff:
    new = IGNITION.copy()
    new[1:3, 2:5] += 3
    new[5, 7] -= 2
    before = table("ignition_base", IGNITION, _axis(LOAD_AXIS, None), _axis(SPEED_AXIS, SPEEDS))
    after = table("ignition_base", new, _axis(LOAD_AXIS, None), _axis(SPEED_AXIS, speeds_after))
    stats = Statistics(
        cells=48,
        changed=7,
        raised=6,
        lowered=1,
        least=-1.0,
        greatest=1.5,
        mean=1.142857,
        least_percent=-5.3,
        greatest_percent=30.0,
    )
    return changed("ignition_base", before, after, stats)


def warmup() -> TableDiff:
    coolant = _axis(COOLANT_AXIS, np.array([0, 20, 40, 60, 80, 120], dtype=np.uint8))
    old = np.array([192, 176, 160, 144, 128, 128], dtype=np.uint8)
    new = np.array([200, 180, 160, 144, 128, 128], dtype=np.uint8)
    stats = Statistics(
        cells=6, changed=2, raised=2, lowered=0, least=0.03125, greatest=0.0625, mean=0.046875,
        least_percent=2.27, greatest_percent=4.17,
    )  # fmt: skip
    return changed("warmup", table("warmup", old, coolant), table("warmup", new, coolant), stats)


def values() -> list[TableDiff]:
    idle = Statistics(
        cells=1, changed=1, raised=1, lowered=0, least=0.25, greatest=0.25, mean=0.25,
        least_percent=0.03, greatest_percent=0.03,
    )  # fmt: skip
    return [
        changed("idle_speed", table("idle_speed", np.uint16(3400)), table("idle_speed", np.uint16(3401)), idle),
        changed("mode", table("mode", np.uint8(1)), table("mode", np.uint8(2))),
        changed("switches", table("switches", np.uint8(1)), table("switches", np.uint8(3))),
        changed(
            "label",
            table("label", np.frombuffer(b"STOCK\xff\xff\xff", np.uint8)),
            table("label", np.frombuffer(b"REV 1\x1b[2", np.uint8)),
        ),
    ]


@pytest.fixture(scope="session")
def sides(definition: Definition) -> tuple[Calibration, Calibration]:
    head = {0x8000: b"WREN", 0x8010: b"CAL-0001", 0x8020: b"ZZZTEST0000012345"}
    before = _image("stock.bin", {**head, 0x8900: bytes.fromhex("481F00")})
    after = _image("rev1.bin", {**head, 0x8010: b"CAL-0002", 0x8900: bytes.fromhex("482000")})
    return tuple(Calibration(label=i.source.name, image=i, definition=definition) for i in (before, after))  # type: ignore[union-attr, return-value]


@pytest.fixture
def comparison(sides: tuple[Calibration, Calibration], definition: Definition) -> Comparison:
    """Identity, six tables of every kind and one code byte changed."""
    code = Extent(start=0x8901, stop=0x8902, region="program", role="code")
    ident = Extent(start=0x8017, stop=0x8018)
    tables = sorted([ignition(), warmup(), *values()], key=lambda t: t.name)
    return Comparison(
        before=sides[0],
        after=sides[1],
        identical=False,
        across=False,
        fates=Fates(cell=20, identity=1, unexplained=1),
        extents=(ident, code),
        unexplained=(code,),
        tables=tuple(tables),
        identity=(FieldDiff(field=definition.identity["calibration_id"], before="CAL-0001", after="CAL-0002"),),
    )


@pytest.fixture
def moved(sides: tuple[Calibration, Calibration]) -> Comparison:
    """The shared speed axis moved: one map on it has another surface, one curve hangs on another axis."""
    speeds = SPEEDS.copy()
    speeds[4:7] += 100 * 4
    before, after = _axis(SPEED_AXIS, SPEEDS), _axis(SPEED_AXIS, speeds)
    load = _axis(LOAD_AXIS, None)
    points = (load.physical, np.union1d(before.physical, after.physical))
    old = np.array([np.interp(points[1], before.physical, row) for row in IGNITION * 0.5 - 40])
    new = np.array([np.interp(points[1], after.physical, row) for row in IGNITION * 0.5 - 40])
    surface = Surface(
        points=points, before=old, after=new, tolerance=0.5 / 2, changed=True, largest=0.4, at=(0.0, 2500.0)
    )
    diff = TableDiff(
        name="ignition_base",
        state="axis",
        before=table("ignition_base", IGNITION, load, before),
        after=table("ignition_base", IGNITION, load, after),
        moved=("speed_8",),
        surface=surface,
    )
    return Comparison(
        before=sides[0],
        after=sides[0],
        identical=False,
        across=False,
        fates=Fates(cell=6),
        tables=(diff,),
        axes=(
            AxisDiff(name="speed_8", before=before, after=after, changed=speeds != SPEEDS, tables=("ignition_base",)),
        ),
    )


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--rewrite", action="store_true", help="write the golden texts of tests/render anew")


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Compare a text with the kept one."""

    def check(name: str, text: str) -> None:
        path = Path(__file__).parent / "golden" / f"{name}.txt"
        if request.config.getoption("--rewrite", default=False):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        assert text == path.read_text(encoding="utf-8")

    return check
