"""A family is laid under a version: mappings key by key, null takes away, everything else replaces (RFC 7396)."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.definition.extends import laid
from caldiff.definition.loader import load_normal, normal_from_text
from caldiff.errors import DefinitionError

IMAGE = "image: {start: 0, size: 1 MiB, byte_order: big}\n"
FAMILY = """\
definition: 1
name: family
title: The family
fits: [{at: 0, text: OLD}]
regions: [{name: cal, size: 4 KiB, role: calibration}]
scalings:
  s: {unit: rpm, factor: 1/2, offset: 3}
axes:
  a: {type: u8, count: {at: 0x10, type: u8, most: 4}}
tables:
  t: {type: u8, x: a, scaling: s, title: Old, tags: [one]}
  u: {type: u16, at: 0x50}
"""


def write(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text if text.startswith("def") else f"definition: 1\nname: {name}\n{text}")
    return folder


def messages(folder: Path, name: str) -> list[str]:
    with pytest.raises(DefinitionError) as caught:
        load_normal(folder / f"{name}.yaml")
    return [str(p).replace(str(folder), "") for p in caught.value.problems]


def test_a_version_places_replaces_and_removes(tmp_path: Path) -> None:
    version = f"""\
extends: family
{IMAGE}fits: [{{at: 4, text: NEW}}]
regions: [{{name: cal, at: 0x1000}}]
scalings:
  s: {{factor: 1/4, offset: null}}
axes:
  a: {{at: 0x20, count: {{most: 8}}}}
tables:
  t: {{at: 0x40, tags: [two], title: null}}
remove: {{tables: [u]}}
"""
    write(tmp_path, family=FAMILY, version=version)
    loaded = load_normal(tmp_path / "version.yaml")
    assert loaded.normal == {
        "definition": 1,
        "name": "version",
        "title": "The family",
        "image": {"start": 0, "size": 0x100000, "byte_order": "big"},
        "fits": [{"at": 4, "any_of": [{"value": "4e4557", "mask": "ffffff", "text": True}]}],
        "regions": [{"name": "cal", "start": 0x1000, "size": 4096, "role": "calibration"}],
        "scalings": {"s": {"unit": "rpm", "linear": {"factor": "1/4"}}},
        "axes": {
            "a": {
                "cells": {"at": 0x20, "type": "u8", "byte_order": "big", "shape": [8], "strides": [1]},
                "count": {"at": 0x10, "type": "u8", "byte_order": "big"},
            }
        },
        "tables": {
            "t": {
                "kind": "curve",
                "cells": {"at": 0x40, "type": "u8", "byte_order": "big", "shape": [8], "strides": [1]},
                "axes": ["a"],
                "scaling": "s",
                "tags": ["two"],
            }
        },
    }
    assert not loaded.is_family
    assert [(s.name, s.path) for s in loaded.sources] == [
        ("version", tmp_path / "version.yaml"),
        ("family", tmp_path / "family.yaml"),
    ]
    assert loaded.sources[1].digest == Digest.of((tmp_path / "family.yaml").read_bytes())


def test_a_family_alone_is_fine_and_decodes_nothing(tmp_path: Path) -> None:
    loaded = load_normal(write(tmp_path, family=FAMILY) / "family.yaml")
    assert loaded.is_family
    assert list(loaded.normal["tables"]) == ["u"]  # what is complete already


def test_ancestors_are_found_beside_the_file_then_in_the_folders(tmp_path: Path) -> None:
    near, far = tmp_path / "near", tmp_path / "far"
    near.mkdir()
    far.mkdir()
    write(near, version=f"extends: middle\n{IMAGE}", middle="extends: family\ntitle: near\n")
    write(far, middle="title: far\n", family="title: family\ntables: {t: {at: 1, type: u8}}\n")
    loaded = load_normal(near / "version.yaml", folders=[far])
    assert loaded.normal["title"] == "near"
    assert [s.name for s in loaded.sources] == ["version", "middle", "family"]


def test_removed_and_written_anew(tmp_path: Path) -> None:
    remove = "remove: {tables: [t], regions: [cal], axes: [a]}"
    version = f"extends: family\n{IMAGE}{remove}\ntables: {{t: {{at: 1, type: i8}}}}\n"
    loaded = load_normal(write(tmp_path, family=FAMILY, version=version) / "version.yaml")
    assert loaded.normal["tables"]["t"] == {"kind": "value", "cells": {"at": 1, "type": "i8", "byte_order": "big"}}
    assert "axes" not in loaded.normal


def test_unplaced_tables_are_all_told_where_the_family_comes_in(tmp_path: Path) -> None:
    version = f"{IMAGE}extends: family\nregions: [{{name: cal, at: 0}}]\naxes: {{a: {{at: 1}}}}\n"
    family = FAMILY + "  v: {type: u8}\n  w: {type: u8, x: none}\n"
    assert messages(write(tmp_path, family=family, version=version), "version") == [
        f"/version.yaml:4:10: tables.{name}: the table is placed nowhere" for name in "tvw"
    ]


def test_a_problem_is_told_in_the_file_that_it_stands_in(tmp_path: Path) -> None:
    family = "tables:\n  t: {type: u8, x: nowhere}\n  u: {typ: u8}\n"
    version = f"extends: family\n{IMAGE}tables:\n  t: {{at: 4}}\n  w: {{at: 4, type: u8, scaling: lost}}\n"
    assert messages(write(tmp_path, family=family, version=version), "version") == [
        "/version.yaml:7:33: tables.w.scaling: there is no scaling lost",
        "/family.yaml:4:20: tables.t.x: there is no axis nowhere",
        "/family.yaml:5:7: tables.u.typ: a table has no such key",
    ]


def test_a_broken_ancestor_does_not_drown_the_rest(tmp_path: Path) -> None:
    version = f"extends: family\n{IMAGE}tables:\n  t: {{at: 4, x: a}}\n  v: {{at: 010}}\n"
    assert messages(write(tmp_path, family="axes: [\n", version=version), "version") == [
        '/version.yaml:7:11: tables.v.at: the value cannot be read (expected an address, got "010")',
        "/family.yaml:4:1: not YAML: did not find expected node content while parsing a flow node",
    ]


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ({"a": "extends: a\n"}, "/a.yaml:3:10: extends: the definitions extend one another in a ring (got a -> a)"),
        (
            {"a": "extends: b\n", "b": "extends: c\n", "c": "extends: b\n"},
            "/c.yaml:3:10: extends: the definitions extend one another in a ring (got a -> b -> c -> b)",
        ),
        (
            {"a": "extends: familly\n", "family": ""},
            "/a.yaml:3:10: extends: there is no definition familly (expected /familly.yaml)",
        ),
        (
            {"a": "extends: b\n", "b": "definition: 1\nname: c\n"},
            "/b.yaml:2:7: name: the file is not called after its definition (expected b, got c)",
        ),
        (
            {"a": "extends: ../b\n"},
            (
                "/a.yaml:3:10: extends: this is no name (expected a letter or underscore, then letters, digits, _ . - "
                '[ ] (at most 255, and not true, false or null), got "../b")'
            ),
        ),
    ],
)
def test_what_cannot_be_extended(tmp_path: Path, files: dict[str, str], message: str) -> None:
    assert messages(write(tmp_path, **files), "a") == [message]


def test_too_long_a_chain(tmp_path: Path) -> None:
    write(tmp_path, **{f"d{n}": f"extends: d{n + 1}\n" for n in range(40)}, d40="")
    assert messages(tmp_path, "d0") == [
        "/d32.yaml:3:10: extends: too many definitions extend one another (expected at most 32)"
    ]


# RFC 7396, appendix A; those of its cases in which both sides are objects. A null with nothing to take away is told
# as a problem here, so those cases count only by their result.
RFC_7396 = [
    ({"a": "b"}, {"a": "c"}, {"a": "c"}),
    ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
    ({"a": "b"}, {"a": None}, {}),
    ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
    ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
    ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
    ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
    ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
    ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
]


@pytest.mark.parametrize(("below", "above", "expected"), RFC_7396)
def test_the_examples_of_rfc_7396(below: Any, above: Any, expected: Any) -> None:
    assert laid(below, above, (), [], nulls=True) == expected


def patched(target: Any, patch: Any) -> Any:
    """MergePatch of RFC 7396, section 2, as the pseudo-code has it."""
    if not isinstance(patch, dict):
        return patch
    if not isinstance(target, dict):
        target = {}
    for name, value in patch.items():
        if value is None:
            target.pop(name, None)
        else:
            target[name] = patched(target.get(name), value)
    return target


leaves = st.one_of(st.integers(), st.text(max_size=2), st.lists(st.integers(), max_size=2))
objects = st.recursive(
    st.dictionaries(st.sampled_from("abc"), leaves | st.none(), max_size=3),
    lambda inner: st.dictionaries(st.sampled_from("abc"), inner | leaves | st.none(), max_size=3),
    max_leaves=8,
)


@given(objects, objects)
def test_merging_is_that_of_rfc_7396(below: Any, above: Any) -> None:
    below = patched({}, below)  # nothing inherited holds a null
    kept = copy.deepcopy(below)
    assert laid(below, above, (), [], nulls=True) == patched(copy.deepcopy(below), above)
    assert below == kept


def test_the_normal_form_is_json() -> None:
    normal = normal_from_text(
        f"definition: 1\nname: d\n{IMAGE}tables: {{t: {{at: 0xFFFFFFFFFFFFFFFF, type: u8}}}}\n"
    ).normal
    assert normal["tables"]["t"]["cells"]["at"] == str(2**64 - 1)  # beyond what a JSON number carries
    assert json.loads(json.dumps(normal)) == normal
