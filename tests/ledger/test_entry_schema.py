"""The published JSON Schema of the predicate, against entries of every kind, by the jsonschema package."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from ledger_drafts import UNIT, any_draft, digests, story

from caldiff.canonical import Digest
from caldiff.errors import LedgerError
from caldiff.ledger.entry import KINDS, Draft
from caldiff.ledger.link import PREDICATE_TYPE
from caldiff.ledger.statement import place, read_entry

SCHEMA = json.loads((Path(__file__).parents[2] / "docs/schemas/entry.json").read_text(encoding="utf-8"))
VALIDATOR = Draft202012Validator(SCHEMA)
STORY = [one.envelope.payload for one in story()]


def valid(payload: bytes) -> bool:
    return VALIDATOR.is_valid(json.loads(payload)["predicate"])


def test_the_schema_is_one_and_is_called_after_the_predicate() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$id"] == PREDICATE_TYPE
    assert tuple(SCHEMA["properties"]["kind"]["enum"]) == KINDS


@pytest.mark.parametrize("payload", STORY, ids=lambda payload: read_entry(payload).kind)
def test_every_kind_is_valid(payload: bytes) -> None:
    VALIDATOR.validate(json.loads(payload)["predicate"])


@given(any_draft, digests)
def test_every_entry_is_valid(draft: Draft, previous: Digest) -> None:
    assert valid(place(draft, unit=UNIT, sequence=1, previous=previous)[1])


def _spots(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        yield value
    for part in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from _spots(part)


NEW: list[Any] = [None, True, False, 0, 1, -1, "", "x", "approver", "0" * 64, [], ["x"], {}, {"x": "x"}, {"x": 1}]


@given(st.sampled_from(STORY), st.data())
def test_what_the_reader_takes_the_schema_takes(payload: bytes, data: st.DataObject) -> None:
    """A key of some object in the predicate is taken away, set to another value, or added."""
    value = json.loads(payload)
    spot = data.draw(st.sampled_from(list(_spots(value["predicate"]))))
    key = data.draw(st.sampled_from([*spot, "zzz", "of", "image", "replaced", "role"]))
    if data.draw(st.booleans()):
        spot.pop(key, None)
    else:
        spot[key] = data.draw(st.sampled_from(NEW))
    changed = rfc8785.dumps(value)
    try:
        read_entry(changed)
    except LedgerError:
        return
    VALIDATOR.validate(value["predicate"])


@pytest.mark.parametrize(
    ("number", "change"),
    [
        (0, {"unit": "van17."}),
        (0, {"sequence": 1}),
        (0, {"previous": "0" * 64}),
        (1, {"previous": None}),
        (0, {"kind": "note"}),
        (0, {"kind": "rumour"}),
        (0, {"time": "2026-03-01T09:30:00"}),
        (0, {"files": 0}),
        (0, {"author": ""}),
        (0, {"zzz": 1}),
        (0, {"note": {}}),
        (4, {"approval": {}}),
        (4, {"approval": {"of": "0" * 64, "role": "approver"}}),
        (7, {"evidence": {"of": "0" * 64, "sort": "log", "facts": {}}}),
        (7, {"evidence": {"of": "0" * 63, "sort": "log"}}),
        (8, {"note": {"of": None}}),
        (9, {"return": {"baseline": "0" * 64, "image": {}}}),
    ],
)
def test_what_is_no_entry_is_not_valid(number: int, change: dict[str, Any]) -> None:
    predicate = json.loads(STORY[number])["predicate"]
    assert VALIDATOR.is_valid(predicate)
    assert not VALIDATOR.is_valid(predicate | change)


@pytest.mark.parametrize(
    "path",
    [
        ("revision", "image", "personal"),
        ("revision", "image", "definition", "file"),
        ("revision", "against_parent", "cells"),
        ("revision", "made_from", 0, "digest"),
    ],
)
def test_an_unknown_key_inside_is_not_valid(path: tuple[Any, ...]) -> None:
    predicate = json.loads(STORY[2])["predicate"]
    spot = predicate
    for step in path[:-1]:
        spot = spot[step]
    spot[path[-1]] = "x"
    assert not VALIDATOR.is_valid(predicate)
