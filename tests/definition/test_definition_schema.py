"""The JSON Schema for editors says about structure what the loader says."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition import document
from caldiff.definition.fields import DEFINITION, NAMED, SECTIONS
from caldiff.definition.json_schema import definition_json_schema
from caldiff.definition.loader import normal_from_text
from caldiff.errors import DefinitionError

ROOT = Path(__file__).parents[2]
CHECK = jsonschema.Draft202012Validator(definition_json_schema())


def as_json(value: Any) -> Any:
    """A definition as an editor's YAML parser gives it."""
    match value:
        case document.Decimals():
            return float(value)
        case dict():
            return {k: as_json(v) for k, v in value.items()}
        case list():
            return [as_json(v) for v in value]
        case _:
            return value


def valid(text: str) -> bool:
    return CHECK.is_valid(as_json(document.read(document.decoded(text.encode()), places=True).tree))


def loads(text: str) -> bool:
    try:
        normal_from_text(text)
    except DefinitionError:
        return False
    return True


def test_the_schema_is_a_schema_and_the_committed_file_is_it() -> None:
    jsonschema.Draft202012Validator.check_schema(definition_json_schema())
    committed = (ROOT / "docs/schemas/definition.schema.json").read_text(encoding="utf-8")
    assert json.loads(committed) == definition_json_schema(), "write it again: see docs/definition-format.md"


def test_every_key_is_described_for_people() -> None:
    for section in (DEFINITION, *SECTIONS):
        for field in section.fields:
            assert field.doc.endswith("."), (section.name, field.key)


def test_the_shipped_definitions_are_valid() -> None:
    paths = sorted((ROOT / "definitions").glob("*.yaml"))
    assert paths
    for path in paths:
        assert valid(path.read_text(encoding="utf-8")), path


names = st.from_regex(r"[a-d][a-z0-9_.\[\]-]{0,3}", fullmatch=True)
addresses = st.integers(0, 2**20).flatmap(lambda n: st.sampled_from([n, hex(n), bin(n), oct(n), f"{n:_}"]))
sizes = st.one_of(st.integers(1, 99), st.integers(1, 99).map(lambda n: f"{n} KiB"))
numbers = st.one_of(
    st.integers(1, 99), st.decimals(1, 99, places=2).map(float), st.integers(1, 9).map(lambda n: f"1/{n}")
)
orders = st.sampled_from(["big", "little"])
unsigned = st.sampled_from(["u8", "u16", "u32", "u64"])
texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zl", "Zp"]), max_size=9)
limits = st.tuples(numbers, numbers).map(lambda pair: sorted(pair, key=lambda n: Fraction(str(n))))


def entries(needed: dict[str, Any], **optional: Any) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(needed, optional=optional)


value_names = st.dictionaries(st.integers(0, 7).map(str), st.just("word") | st.just("off"), min_size=1, max_size=3)
about_scaling = {"unit": texts, "decimals": st.integers(0, 12), "limits": limits}
scalings = st.one_of(
    entries({}, factor=numbers, offset=numbers, **about_scaling),
    entries({"names": value_names}, **about_scaling),
    entries({"bits": st.just({"low": 0, "rest": {"mask": "0x0E", "names": {"1": "one"}}})}, **about_scaling),
    entries({"lookup": st.just({"points": [[0, 1.5], [1, "1/3"]], "between": "hold"})}),
    entries({"rational": st.just({"gives": "raw", "numerator": [0, 1, 2], "denominator": [0, 0, 1.5]})}),
)
counts = st.one_of(st.integers(1, 9), entries({"at": addresses, "type": unsigned, "most": st.integers(1, 9)}))
about_axis = {"quantity": names, "title": texts}
axes = st.one_of(
    entries(
        {"at": addresses, "type": unsigned, "count": counts},
        byte_order=orders,
        scaling=scalings,
        mask=st.just(15),
        **about_axis,
    ),
    entries({"list": st.just([1, 2.5, "7/2"])}, unit=texts, decimals=st.integers(0, 3), **about_axis),
    entries({"start": numbers, "step": numbers, "count": st.integers(1, 9)}, **about_axis),
)
tables = st.one_of(
    entries({"at": addresses, "text": st.integers(1, 9)}, encoding=st.sampled_from(["ascii", "latin-1"])),
    entries({"at": addresses, "type": unsigned, "shape": st.sampled_from([3, [4], [2, 3], [2, 3, 4]])}, title=texts),
    entries(
        {"at": addresses, "type": unsigned},
        x=axes, scaling=scalings, limits=limits, byte_order=orders, mask=st.just("0b1111"), description=texts,
        group=texts,
        tags=st.lists(names, unique=True, max_size=2), aliases=st.lists(names, unique=True, max_size=2),
    ),
)  # fmt: skip
ranges = st.lists(entries({"at": addresses, "size": sizes}), min_size=1, max_size=2)
fields = st.one_of(
    entries({"at": addresses, "type": unsigned}, byte_order=orders, inverted=st.booleans()),
    entries({"at": addresses, "size": st.integers(8, 99)}, byte_order=orders),
)
words = {"words": st.sampled_from(["u8", "u16", "u32"])}
methods = st.one_of(
    entries({"crc": st.sampled_from(["CRC-32", "CRC-16/ARC"])}),
    entries(
        {"crc": entries({"width": st.just(7), "polynomial": st.sampled_from([9, "0x0B"])}, reflect_in=st.booleans())}
    ),
    entries({"sum": entries(words, bits=st.sampled_from([8, 16]), complement=st.sampled_from(["ones", "twos"]))}),
    entries({"xor": entries(words, start=st.integers(0, 255), byte_order=orders)}),
    entries({"fletcher": entries({"bits": st.sampled_from([16, 32])})}),
    entries({"digest": st.sampled_from(["adler-32", "sha-256"])}),
    entries({"opaque": st.just("a seal")}),
)
blocks = entries(
    {"at": addresses, "type": unsigned},
    count=st.one_of(st.integers(1, 9), entries({"at": addresses, "type": unsigned})),
    last=st.booleans(), most=st.just(9),
)  # fmt: skip
checksums = st.tuples(
    entries(
        {"name": names, "stored": st.one_of(fields, st.lists(fields, min_size=1, max_size=2))},
        over=ranges, skip=ranges, blocks=blocks, own=st.sampled_from(["skip", "erased", "0xFF", 7]), title=texts,
    ),
    methods,
).map(lambda pair: pair[0] | pair[1])  # fmt: skip
definitions = entries(
    {"definition": st.just(1), "name": names},
    title=texts, description=texts,
    image=entries({"start": addresses, "size": sizes, "byte_order": orders}, erased=st.integers(0, 255)),
    fits=st.lists(st.one_of(
        entries({"at": addresses, "text": st.sampled_from(["A?", ["A", "B"]])}),
        entries({"at": addresses, "bytes": st.sampled_from(["1F ??", ["00", "F?"]])}),
    ), max_size=2),
    identity=st.dictionaries(names, st.one_of(
        entries({"at": addresses, "text": st.integers(1, 9)}, personal=st.booleans(), title=texts),
        entries({"at": addresses, "number": unsigned}, byte_order=orders),
        entries({"at": addresses, "bcd": st.integers(1, 9)}),
    ), max_size=2),
    regions=st.lists(
        entries({"name": names, "at": addresses, "size": sizes, "role": st.sampled_from(["code", "volatile"])}),
        max_size=2, unique_by=lambda r: r["name"],
    ),
    scalings=st.dictionaries(names, scalings, max_size=3),
    axes=st.dictionaries(names, axes, max_size=3),
    tables=st.dictionaries(names, tables, max_size=4),
    checksums=st.lists(checksums, max_size=1),
)  # fmt: skip


def written(definition: Any) -> str:
    return yaml.safe_dump(definition, allow_unicode=True, sort_keys=False).replace("'0x", "0x")


@given(definitions)
def test_what_the_loader_accepts_is_valid(definition: Any) -> None:
    text = written(definition)
    if loads(text):
        assert valid(text)


def test_the_generated_definitions_are_mostly_accepted() -> None:
    accepted: list[bool] = []

    @given(definitions)
    def look(definition: Any) -> None:
        accepted.append(loads(written(definition)))

    look()
    assert sum(accepted) > len(accepted) // 2


MISTAKES = [
    "nonsense: 1",
    "definition: 2",
    "title: 5",
    "name: 5",
    "name: a b",
    "name: true",
    "extends: ../a",
    "image: 5",
    "image: {start: -1, size: 1, byte_order: big}",
    "image: {start: 0, size: 1 GiB, byte_order: big}",
    "image: {start: 0, size: 1, byte_order: middle}",
    "fits: {at: 0, text: a}",
    "fits: [{at: 0, text: 5}]",
    "fits: [{text: a}]",
    "identity: {a: {at: 0, number: i8}}",
    "identity: {a: {at: 0, text: 4, personal: 1}}",
    "identity: {5: {at: 0, text: 4}}",
    "regions: [{at: 0, size: 1, role: code}]",
    "regions: [{name: a, at: 0, size: 1, role: data}]",
    "scalings: {a: {facter: 2}}",
    "scalings: {a: {decimals: 13}}",
    "scalings: {a: {limits: [1]}}",
    "scalings: {a: {names: {x: y}}}",
    "scalings: {a: {names: {1: 2}}}",
    "scalings: {a: {bits: {x: 64}}}",
    "scalings: {a: {lookup: {points: [[1]], between: hold}}}",
    "scalings: {a: {rational: {gives: raw, numerator: [1], denominator: [0, 0, 1]}}}",
    "axes: {a: {at: [], type: u8, count: 1}}",
    "axes: {a: {at: 0, type: u7, count: 1}}",
    "axes: {a: {at: 0, type: u8, count: 0}}",
    "axes: {a: {at: 0, type: u8, count: {most: 1, kind: u8}}}",
    "axes: {a: {list: []}}",
    "axes: {a: {list: [one]}}",
    "tables: [a]",
    "tables: {a: 5}",
    "tables: {a: {at: true, type: u8}}",
    "tables: {a: {at: 0x1G, type: u8}}",
    "tables: {a: {at: 0, type: u8, shape: [1, 2, 3, 4]}}",
    "tables: {a: {at: 0, type: u8, tags: [5]}}",
    "tables: {a: {at: 0, type: u8, order: columns}}",
    "tables: {a: {at: 0, type: u8, record: [w]}}",
    "tables: {a: {at: 0, text: 0}}",
    "tables: {a: {at: 0, type: u8, scaling: 5}}",
    "tables: {a: {at: 0, type: u8, scaling: []}}",
    "checksums: [{name: c, over: [], crc: X, stored: {at: 0, type: u8}}]",
    "checksums: [{name: c, over: [r], crc: X, stored: 5}]",
    "checksums: [{name: c, over: [{at: 0}], crc: X, stored: {at: 0, type: u8}}]",
    "checksums: [{name: c, over: r, crc: X, stored: {at: 0, type: u8}}]",
    "checksums: [{name: c, over: [r], own: all, crc: X, stored: {at: 0, type: u8}}]",
    "checksums: [{name: c, over: [r], own: 256, crc: X, stored: {at: 0, type: u8}}]",
    "checksums: [{name: c, over: [r], sum: {words: u64}, stored: {at: 0, type: u8}}]",
    "checksums: [{name: c, over: [r], digest: crc, stored: {at: 0, type: u8}}]",
    "checksums: [{name: c, over: [r], crc: {width: 65}, stored: {at: 0, type: u8}}]",
    "checksums: [{name: c, over: [r], crc: X, stored: []}]",
    "checksums: [{name: c, blocks: {count: 0}, crc: X, stored: {at: 0, type: u8}}]",
    "remove: {table: [a]}",
    "remove: {tables: a}",
]


@pytest.mark.parametrize("mistake", MISTAKES)
def test_structural_mistakes_are_refused_by_both(mistake: str) -> None:
    lines = {"definition": "definition: 1", "name": "name: d"}
    lines[mistake.split(":", maxsplit=1)[0]] = mistake
    text = "\n".join(lines.values()) + "\n"
    assert not loads(text)
    assert not valid(text)


@pytest.mark.parametrize("section", [*NAMED, "image", "fits", "remove"])
def test_an_unknown_key_is_refused_by_both_wherever_it_stands(section: str) -> None:
    entry = {"nonsense": 1, "name": "a"} if section in ("regions", "checksums") else {"nonsense": 1}
    if section in ("image", "remove"):
        value: Any = entry
    else:
        value = [entry] if section in ("regions", "checksums", "fits") else {"a": entry}
    text = written({"definition": 1, "name": "d", section: value})
    assert not loads(text)
    assert not valid(text)
