"""The shipped definitions: usable, clean, and of every kind that the format knows."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pytest

from caldiff.definition.definition import Definition
from caldiff.definition.lint import lint
from caldiff.definition.model import Bits, FixedAxis, Lookup, Names, Rational, StoredAxis

SHIPPED = Path(__file__).parents[2] / "definitions"
VERSIONS = ("wren4-2.10", "wren4-2.30")


@pytest.fixture(params=VERSIONS)
def version(request: pytest.FixtureRequest, old: Definition, new: Definition) -> Definition:
    return {"wren4-2.10": old, "wren4-2.30": new}[request.param]


def test_nothing_else_is_shipped() -> None:
    assert sorted(p.name for p in SHIPPED.iterdir()) == ["wren4-2.10.yaml", "wren4-2.30.yaml", "wren4.yaml"]


def test_they_say_that_they_are_invented(version: Definition) -> None:
    assert "invented" in version.title
    for path in SHIPPED.iterdir():
        assert "invented" in path.read_text(encoding="utf-8").splitlines()[0].lower()


def test_lint_finds_nothing(version: Definition) -> None:
    assert list(lint(version)) == []


def test_kinds(old: Definition) -> None:
    # Counted by hand in definitions/wren4.yaml.
    assert Counter(t.kind for t in old.tables.values()) == {
        "value": 23, "curve": 38, "map": 31, "cuboid": 2, "block": 9, "text": 2, "flags": 5,
    }  # fmt: skip


def test_the_newer_software(old: Definition, new: Definition) -> None:
    assert old.tables.keys() - new.tables.keys() == {"lambda_sensor_curve"}
    assert new.tables.keys() - old.tables.keys() == {"lambda_refill", "gas_blend_step"}
    both = old.tables.keys() & new.tables.keys()
    assert {n for n in both if old.tables[n].cells.shape != new.tables[n].cells.shape} == {"pedal_torque"}
    assert {n for n in both if old.tables[n].scaling != new.tables[n].scaling} == {
        "gas_injector_characteristic",
        "gas_injector_dead_time",
        "gas_injector_pressure",
    }
    assert not {n for n in both if old.tables[n].cells.at == new.tables[n].cells.at}


def test_every_feature_is_there(old: Definition) -> None:
    tables = list(old.tables.values())
    axes = [a for t in tables for a in t.axes]
    stored = [a for a in axes if isinstance(a, StoredAxis)]
    conversions = [t.scaling.conversion for t in tables] + [a.scaling.conversion for a in stored]
    assert {t.cells.type.name for t in tables} >= {"u8", "u16", "i8", "i16", "f32"}
    assert {t.cells.byte_order for t in tables} == {"big", "little"}
    assert {type(c) for c in conversions} >= {Bits, Lookup, Names, Rational}
    assert {c.between for c in conversions if isinstance(c, Lookup)} == {"hold", "interpolate"}
    assert any(a.count for a in stored if a.shared)
    assert any(a.count for a in stored if not a.shared)
    assert any(isinstance(a, FixedAxis) and a.shared for a in axes)
    assert any(isinstance(a, FixedAxis) and not a.shared for a in axes)
    assert old.tables["injection_end"].cells.strides == (2, 20)
    assert old.tables["gas_injector_dead_time"].cells.strides == (4,)
    assert [old.tables[n].cells.mask for n in ("gas_start_fuel", "gas_overlap", "gas_retries")] == [0x03, 0x1C, 0xE0]


def test_the_tags_that_a_gate_looks_for(old: Definition) -> None:
    tagged = Counter(tag for t in old.tables.values() for tag in t.tags)
    for tag in ("emissions", "torque-monitoring", "over-temperature", "speed-limit", "immobiliser"):
        assert tagged[tag] >= 2, tag


def test_every_table_says_what_it_is(version: Definition) -> None:
    for table in version.tables.values():
        assert table.title, table.name
        assert table.group, table.name


def test_the_yaml_fits_a_screen() -> None:
    for path in SHIPPED.iterdir():
        for number, text in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            assert len(text) <= 120, f"{path.name}:{number}"
            assert re.search(r"\s$", text) is None, f"{path.name}:{number}"
