"""What a trace prints, by entries made by hand: hostile words, many entries, narrow terminals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from caldiff.canonical import Digest
from caldiff.diff.model import Comparison
from caldiff.ledger.entry import (
    Baseline,
    Body,
    Changes,
    DefinitionFact,
    Draft,
    Entry,
    Evidence,
    ImageFacts,
    Revision,
    Subject,
)
from caldiff.ledger.statement import place
from caldiff.render.look import Look
from caldiff.render.traced import traced_document, traced_part, traced_text
from caldiff.render.view import View
from caldiff.trace.nearest import Near
from caldiff.trace.tracing import Match, Traced

SCHEMA = Path(__file__).parents[2] / "docs" / "schemas" / "trace.json"
FILE = Digest.of(b"file")
IMAGE = ImageFacts(
    format="ihex",
    size=2048,
    start=0,
    content=FILE,
    definition=DefinitionFact(name="made", digest=FILE, files=(Subject(name="made.yaml", file=FILE),)),
)


def entry(body: Body, sequence: int = 0, **words: str) -> Entry:
    draft = Draft(body=body, time="2026-03-11T09:30:00Z", subjects=(Subject(name="a.hex", file=FILE),), **words)
    return place(draft, unit="van-17", sequence=sequence, previous=FILE if sequence else None)[0]


def match(found: Entry, **facts: Any) -> Match:
    known = {"how": "file", "role": "subject", "name": "a.hex", "numbers": {}, "latest": None}
    return Match(entry=found, **(known | facts))


def text(traced: Traced, **look: Any) -> str:
    return traced_text(traced, Look(**look), View())


def document(*traced: Traced) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(json.dumps(traced_document("0" * 32, [traced_part(t, View()) for t in traced])))
    Draft202012Validator(json.loads(SCHEMA.read_text(encoding="utf-8"))).validate(found)
    return found


def traced(*matches: Match, **facts: Any) -> Traced:
    return Traced(label="final2.hex", file=FILE, matches=matches, **facts)


def revision(sequence: int, **words: str) -> Entry:
    none = Changes(raw=FILE)
    body = Revision(image=IMAGE, parent=FILE, baseline=FILE, against_parent=none, against_baseline=none)
    return entry(body, sequence, **words)


def test_one_entry() -> None:
    found = traced(match(entry(Baseline(image=IMAGE), author="the reader", message="first read")))
    assert text(found) == (
        "final2.hex\n"
        "  van-17 entry 0, byte for byte\n"
        "    baseline of 2026-03-11 09:30 by the reader: a.hex, Intel HEX, 2 KiB, read by\n"
        "    made\n"
        '    "first read"\n'
    )


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ("file", "byte for byte"),
        ("content", "the same bytes at the same addresses, in another file"),
        ("stable", "the same but for volatile regions"),
    ],
)
def test_how_it_is_the_same(how: str, words: str) -> None:
    found = traced(match(entry(Baseline(image=IMAGE)), how=how))
    assert f"van-17 entry 0, {words}\n" in text(found)
    assert document(found)["files"][0]["matches"][0]["how"] == how


@pytest.mark.parametrize(("latest", "said"), [(None, False), (3, False), (4, True)])
def test_a_revision_that_is_not_the_newest(latest: int | None, said: bool) -> None:
    found = text(traced(match(revision(3), latest=latest)))
    assert ("! not the newest revision of this unit: that is entry 4" in found) == said
    assert "not the newest" not in text(traced(match(entry(Baseline(image=IMAGE)), latest=4)))


def test_entries_that_a_file_has_a_part_in_are_told_together() -> None:
    parts = [match(revision(n), role="definition", name="made.yaml") for n in (1, 2)]
    found = text(traced(*parts, match(revision(3), role="made from", name="set.json"), more=7))
    assert found == (
        "final2.hex\n"
        "  van-17: a file of the definition that the image of entries 1, 2 was read by,\n"
        "  made.yaml\n"
        "  van-17: what entry 3 was made from, set.json\n"
        "  and 7 further entries\n"
    )


def test_of_very_many_entries_the_first_are_told_in_full() -> None:
    found = text(traced(*(match(revision(n)) for n in range(1, 13))))
    assert found.count("revision of 2026-03-11") == 8
    assert "  and of van-17 entry 9, van-17 entry 10, van-17 entry 11, van-17 entry 12\n" in found


def test_a_stranger_that_is_no_image() -> None:
    found = traced(reason="this is no image but plain text", notes=("an entry of van-17 cannot be read",))
    assert text(found) == (
        "final2.hex\n"
        "  ! a stranger: no entry of this vault has this file; it is compared with\n"
        "    nothing: this is no image but plain text\n"
        "  ! an entry of van-17 cannot be read\n"
    )
    assert document(found)["files"][0]["reason"] == "this is no image but plain text"


def stranger(comparison: Comparison, count: int) -> Traced:
    found = entry(Baseline(image=IMAGE))
    near = tuple(Near(entry=found, others=n, comparison=comparison) for n in range(count))
    return traced(nearest=near, calibration=comparison.after)


def test_a_stranger_and_what_it_is_near_to(comparison: Comparison) -> None:
    """The comparison of the fixture: six tables, 22 bytes, one of them unexplained."""
    found = text(stranger(comparison, 2))
    assert "\nNearest is van-17 entry 0: 22 bytes differ\n" in found
    assert "\nA  van-17 entry 0, baseline of 2026-03-11 09:30, a.hex\nB  this file\n" in found
    assert '! identity     calibration id: "CAL-0001" → "CAL-0002"' in found
    assert "! code         the program itself changed: 1 byte in program" in found
    assert "\nThen van-17 entry 0: 22 bytes differ, 6 tables, 1 unexplained\n" in found
    assert "a.hex; 1 other entry has the same content" in found
    assert "'caldiff restore van-17 0 -o KEPT' and then 'caldiff KEPT FILE'" in " ".join(found.split())
    assert "ZZZTEST0000012345" not in found
    part = document(stranger(comparison, 2))["files"][0]
    assert [near["others"] for near in part["nearest"]] == [0, 1]
    assert part["nearest"][0]["bytes"]["total"] == 22
    assert len(part["nearest"][0]["tables"]) == 6
    assert "ZZZTEST0000012345" not in json.dumps(part)


def test_like_nothing(comparison: Comparison) -> None:
    assert "  no image of this vault is like it\n" in text(stranger(comparison, 0))


HOSTILE = "\x1b[2J\u202egnp.exe\n\x07" + "w" * 90


@pytest.mark.parametrize("width", [40, 80])
@pytest.mark.parametrize("unicode", [True, False])
def test_foreign_words_do_no_harm(comparison: Comparison, width: int, unicode: bool) -> None:
    hostile = traced(
        match(revision(1, author=HOSTILE, message=HOSTILE), name=HOSTILE, latest=2),
        match(revision(2), role="definition", name=HOSTILE),
        notes=(HOSTILE,),
    )
    evidence = entry(Evidence(of=FILE, sort=HOSTILE, facts=((HOSTILE, HOSTILE),)), 1, author=HOSTILE)
    near = Traced(
        label="a.hex",
        file=FILE,
        calibration=comparison.after,
        nearest=(Near(entry=evidence, others=0, comparison=comparison),),
    )
    for found in (hostile, near, traced(reason=HOSTILE)):
        said = text(found, width=width, unicode=unicode)
        assert not set(said) & set("\x1b\x07\u202e")
        assert "\ngnp" not in said
        assert max(map(len, said.splitlines())) <= width
        assert unicode or said.isascii()
        document(found)


def test_a_name_that_is_not_text() -> None:
    found = Traced(label="caf\udce9.bin", file=FILE, reason="x")
    assert "\\udce9" in text(found)
    assert document(found)["files"][0]["label"] == "caf\\xe9.bin"


def test_colour_is_never_alone() -> None:
    found = traced(match(revision(1), latest=2), reason="")
    plain, painted = text(found), text(found, colours=16)
    assert painted != plain
    for code in ("\x1b[1m", "\x1b[0m", "\x1b[1;7m"):
        painted = painted.replace(code, "")
    assert painted == plain
