"""Every YAML example of the normative page does what the page says."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import yaml

from caldiff.definition.loader import load_normal, normal_from_text

PAGE = Path(__file__).parents[2] / "docs/definition-format.md"
BLOCKS: list[str] = re.findall(r"^```yaml\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
WHOLE = [b for b in BLOCKS if b.startswith("definition: 1\nname: heron2")]


def parts() -> dict[str, Any]:
    """The blocks that are parts of one definition, laid together."""
    found: dict[str, Any] = {}
    for block in (b for b in BLOCKS if b not in WHOLE):
        for key, value in yaml.load(block, yaml.BaseLoader).items():  # noqa: S506 - text only, nothing is constructed
            if isinstance(value, dict) and key in found:
                found[key] |= value
            elif isinstance(value, list) and key in found:
                found[key] = found[key] + value
            else:
                found[key] = value
    return found


def test_all_blocks_are_looked_at() -> None:
    assert len(BLOCKS) == 14
    assert len(WHOLE) == 2


def test_the_parts_make_a_definition() -> None:
    def quoted(path: tuple[str, ...], value: Any) -> str:
        # the base loader gives text for all scalars; numbers are written plain again, so that they are read as such
        if isinstance(value, dict):
            return "{" + ", ".join(f"{k}: {quoted((*path, k), v)}" for k, v in value.items()) + "}"
        if isinstance(value, list):
            return "[" + ", ".join(quoted(path, v) for v in value) + "]"
        text = path[-1] in ("unit", "bytes", "title", "description") or (path[0] == "fits" and path[-1] == "text")
        return f"'{value}'" if text else value

    normal = normal_from_text(quoted((), parts())).normal
    kinds = {name: t["kind"] for name, t in normal["tables"].items()}
    assert kinds == {
        "ignition_base": "map",
        "idle_limit": "value",
        "dwell": "curve",
        "trims": "block",
        "label": "text",
        "switches": "flags",
        "spark_gear": "cuboid",
        "by_columns": "map",
        "padded_rows": "map",
        "pair_low": "block",
        "pair_high": "block",
        "upper_nibble": "value",
        "warmup": "curve",
    }
    warmup = normal["tables"]["warmup"]
    own = warmup["axes"][0]
    assert [own["count"]["at"], own["cells"]["at"], warmup["cells"]["at"]] == [0x882000, 0x882002, 0x88200A]
    assert normal["tables"]["by_columns"]["cells"]["strides"] == [1, 12]
    assert normal["tables"]["padded_rows"]["cells"]["strides"] == [32, 1]
    assert normal["scalings"]["mode"] == {"names": [[0, "off"], [1, "eco"], [2, "power"]]}
    assert len(normal["fits"]) == 3
    sums = {c["name"]: c for c in normal["checksums"]}
    assert list(sums) == ["all", "calibration", "counted", "listed", "program", "seal"]
    assert sums["program"]["spans"] == [{"start": 0x810000, "size": 0x70000}, {"start": 0x80F000, "size": 0x100}]
    assert sums["program"]["skip"] == [{"start": 0x810000, "size": 256}]
    assert sums["program"]["sum"] == {"word": "u16", "byte_order": "big", "bits": 32, "complement": "twos"}
    assert [f.get("inverted", False) for f in sums["program"]["fields"]] == [False, True]
    # CRC-16/IBM-3740 by its parameters
    assert sums["listed"]["crc"] == {
        "width": 16,
        "polynomial": 0x1021,
        "initial": 0xFFFF,
        "reflect_in": False,
        "reflect_out": False,
        "final_xor": 0,
    }
    assert sums["counted"]["blocks"]["count"] == {"at": 0x8C0200, "type": "u16", "byte_order": "big"}
    assert (sums["all"]["constant"], sums["seal"]["opaque"]) == (0, "a signature")


def test_each_part_is_read_as_it_stands_on_the_page() -> None:
    region = "regions: [{name: calibration, at: 0, size: 1, role: code}]\n"
    for block in (b for b in BLOCKS if b not in WHOLE):
        head = "" if block.startswith("definition:") else "definition: 1\nname: d\n"
        # Without an image it is a family: what names things on other parts of the page is left out, not refused.
        loaded = normal_from_text(head + block + ("" if "regions:" in block else region))
        assert loaded.normal["definition"] == 1


def test_the_family_and_its_version(tmp_path: Path) -> None:
    for block in WHOLE:
        name = re.search(r"^name: (.*)$", block, re.MULTILINE)
        assert name
        (tmp_path / f"{name[1]}.yaml").write_text(block, encoding="utf-8")
    assert load_normal(tmp_path / "heron2.yaml").is_family
    tables = load_normal(tmp_path / "heron2-1.04.yaml").normal["tables"]
    assert tables == {
        "idle_speed": {
            "title": "Idle speed",
            "kind": "value",
            "cells": {"at": 0x4010, "type": "u16", "byte_order": "little"},
            "scaling": "quarter_rpm",
        },
        "dwell": {
            "title": "Coil dwell",
            "kind": "curve",
            "cells": {"at": 0x4020, "type": "u8", "byte_order": "big", "shape": [8], "strides": [1]},
            "axes": ["speed_8"],
        },
    }
