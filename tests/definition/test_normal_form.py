"""The normal form in the flesh, and the bytes that must not change without a new version."""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction

import pytest
import rfc8785

from caldiff.canonical import Digest
from caldiff.crc import catalogue
from caldiff.definition.checksums import Checksum, Coverage, Span, StoredField
from caldiff.definition.compiled import FORM, compile_normal
from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    TYPES,
    Cells,
    Fit,
    FixedAxis,
    Frame,
    IdentityField,
    Limits,
    Linear,
    Pattern,
    Region,
    Scaling,
    StoredAxis,
    StoredCount,
    TableSpec,
)
from caldiff.definition.normal import normal_of, own_axis_name
from caldiff.errors import UsageError

U8, U16, U32 = TYPES["u8"], TYPES["u16"], TYPES["u32"]
RPM = Scaling(name="quarter_rpm", unit="rpm", decimals=0, conversion=Linear(factor=Fraction(1, 4)))
SPEED = StoredAxis(
    name="speed_16",
    cells=Cells(at=0x1000, type=U16, byte_order="big", shape=(16,), strides=(2,)),
    scaling=RPM,
    quantity="engine_speed",
    shared=True,
)
LOAD = StoredAxis(
    name="ignition.y",
    cells=Cells(at=0x1101, type=U8, byte_order="big", shape=(8,), strides=(1,)),
    count=StoredCount(at=0x1100, type=U8, byte_order="big"),
    scaling=Scaling(unit="%", conversion=Linear(factor=Fraction(1, 2))),
)
IGNITION = TableSpec(
    name="ignition",
    kind="map",
    cells=Cells(at=0x1200, type=U8, byte_order="big", shape=(8, 16), strides=(16, 1), mask=0x7F),
    axes=(LOAD, SPEED),
    scaling=Scaling(unit="degCA", decimals=1, conversion=Linear(factor=Fraction(1, 2), offset=Fraction(-40))),
    limits=Limits(low=Fraction(-10), high=Fraction(45)),
    tags=("ignition",),
    aliases=("ign_old",),
)
GEAR = FixedAxis(name="gear", points=(Fraction(1), Fraction(5, 2)), quantity="gear", shared=True)


def small() -> Definition:
    return Definition.of(
        name="small-1",
        frame=Frame(start=0, size=0x2000, byte_order="big"),
        title="Small",
        fits=[Fit(at=0x10, any_of=(Pattern(value=b"AB\0", mask=b"\xff\xff\0", text=True),))],
        identity=[IdentityField(name="vin", at=0x20, size=17, kind="text", byte_order="big", personal=True)],
        regions=[Region(name="calibration", start=0x1000, size=0x1000, role="calibration")],
        checksums=[
            Checksum(
                name="sum",
                method=catalogue()["CRC-32/ISO-HDLC"],
                coverage=Coverage(spans=(Span(start=0x1000, stop=0x1FFC),), own=0xFF),
                fields=(StoredField(at=0x1FFC, size=4, byte_order="big"),),
            )
        ],
        axes=[GEAR],
        tables=[IGNITION],
    )


NORMAL = {
    "definition": 1,
    "name": "small-1",
    "title": "Small",
    "image": {"start": 0, "size": 0x2000, "byte_order": "big"},
    "fits": [{"at": 16, "any_of": [{"value": "414200", "mask": "ffff00", "text": True}]}],
    "identity": {"vin": {"at": 32, "size": 17, "kind": "text", "byte_order": "big", "personal": True}},
    "regions": [{"name": "calibration", "start": 4096, "size": 4096, "role": "calibration"}],
    "scalings": {"quarter_rpm": {"unit": "rpm", "decimals": 0, "linear": {"factor": "1/4"}}},
    "axes": {
        "gear": {"points": ["1", "5/2"], "quantity": "gear"},
        "speed_16": {
            "cells": {"at": 4096, "type": "u16", "byte_order": "big", "shape": [16], "strides": [2]},
            "scaling": "quarter_rpm",
            "quantity": "engine_speed",
        },
    },
    "tables": {
        "ignition": {
            "kind": "map",
            "cells": {"at": 4608, "type": "u8", "byte_order": "big", "shape": [8, 16], "strides": [16, 1], "mask": 127},
            "axes": [
                {
                    "cells": {"at": 4353, "type": "u8", "byte_order": "big", "shape": [8], "strides": [1]},
                    "count": {"at": 4352, "type": "u8", "byte_order": "big"},
                    "scaling": {"unit": "%", "linear": {"factor": "1/2"}},
                },
                "speed_16",
            ],
            "scaling": {"unit": "degCA", "decimals": 1, "linear": {"factor": "1/2", "offset": "-40"}},
            "limits": ["-10", "45"],
            "tags": ["ignition"],
            "aliases": ["ign_old"],
        }
    },
    "checksums": [
        {
            "name": "sum",
            "crc": {
                "width": 32,
                "polynomial": 0x04C11DB7,
                "initial": 0xFFFFFFFF,
                "reflect_in": True,
                "reflect_out": True,
                "final_xor": 0xFFFFFFFF,
            },
            "spans": [{"start": 4096, "size": 4092}],
            "own": 255,
            "fields": [{"at": 8188, "size": 4, "byte_order": "big"}],
        }
    ],
}


def test_the_normal_form_says_what_is_not_a_default() -> None:
    assert normal_of(small()) == NORMAL


def test_the_digest_is_sha256_of_rfc_8785_without_the_name() -> None:
    """Against the package rfc8785 for the canonical JSON."""
    meaning = {key: value for key, value in NORMAL.items() if key != "name"}
    assert small().digest == Digest.of(rfc8785.dumps(meaning))


def test_golden_bytes() -> None:
    """Another digest here would be another version of the format: 1 in the definition, FORM in the compiled form."""
    assert NORMAL["definition"] == 1
    assert small().digest.short == "c8853f2d6077"
    assert FORM == 2
    assert Digest.of(compile_normal(NORMAL, [("small-1", "00" * 32)])).short == "edfad102fd4e"


def test_own_axes_are_named_by_their_place() -> None:
    assert [own_axis_name("t", n, 3) for n in range(3)] == ["t.z", "t.y", "t.x"]
    assert own_axis_name("t", 0, 1) == "t.x"
    assert [axis.name for axis in small().tables["ignition"].axes] == ["ignition.y", "speed_16"]


def test_shared_objects_are_one_object() -> None:
    definition = small()
    assert definition.tables["ignition"].axes[1] is definition.axes["speed_16"]
    assert definition.axes["speed_16"].scaling is definition.scalings["quarter_rpm"]  # type: ignore[union-attr]


def test_one_name_for_two_things_is_refused() -> None:
    other = Scaling(name="quarter_rpm", unit="rps")
    with pytest.raises(UsageError, match="two different scalings are called quarter_rpm"):
        Definition.of(name="x", frame=Frame(start=0, size=1, byte_order="big"), scalings=[other], tables=[IGNITION])


def test_a_definition_that_is_asked_for_nothing_reads_nothing() -> None:
    definition = small()
    assert "ignition" in definition.tables
    assert "ignitio" not in definition.tables
    assert 1 not in definition.tables
    assert len(definition.tables) == 1
    with pytest.raises(KeyError):
        definition.tables["nothing"]
    assert definition.find_table("nothing") is None
    assert definition.find_table("ign_old") == IGNITION
    assert definition.index.tables_on("nothing") == ()
    assert definition.region_at(0x1000) == definition.regions[0]
    assert definition.region_at(0xFFF) is None


def test_the_room_starts_without_the_heavy_libraries() -> None:
    """Identical files are answered, and definitions opened, before any of these is loaded."""
    heavy = ("numpy", "deepdiff", "yaml", "ryml")
    modules = ", ".join(f"caldiff.definition.{name}" for name in ("catalogue", "scaling", "compare", "lint"))
    code = f"import sys, {modules}; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
