"""Entries <-> payloads: inverse, strict, and readable by others."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import attrs
import in_toto_attestation.v1.statement as in_toto
import in_toto_attestation.v1.statement_pb2 as in_toto_pb
import pytest
import rfc8785
from google.protobuf import json_format
from hypothesis import given, settings
from hypothesis import strategies as st
from ledger_drafts import UNIT, any_draft, bodies, digests, drafts, file, story

from caldiff.canonical import Digest
from caldiff.errors import LedgerError
from caldiff.ledger.entry import KINDS, Approval, Changes, Draft, Evidence, Note, Return, Subject
from caldiff.ledger.link import read_link
from caldiff.ledger.statement import place, read_entry

TIME = "2026-03-11T09:30:00Z"
STORY = [one.envelope.payload for one in story()]
BY_KIND = {read_link(payload).kind: payload for payload in STORY}


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=max(settings.default.max_examples // 2, 1))
@given(st.data())
def test_reading_what_was_placed_gives_the_draft(kind: str, data: st.DataObject) -> None:
    draft, previous, sequence = data.draw(drafts(kind)), data.draw(digests), data.draw(st.integers(1, 2**53 - 1))
    entry, payload = place(draft, unit=UNIT, sequence=sequence, previous=previous)
    assert read_entry(payload) == entry
    assert entry.draft == draft
    assert (entry.unit, entry.sequence, entry.previous) == (UNIT, sequence, previous)
    assert (entry.kind, entry.hash) == (kind, Digest.of(payload))


@given(any_draft, digests)
def test_the_link_says_what_the_entry_says(draft: Draft, previous: Digest) -> None:
    entry, payload = place(draft, unit=UNIT, sequence=7, previous=previous)
    link = read_link(payload)
    assert (link.unit, link.sequence, link.previous, link.hash) == (UNIT, 7, previous, entry.hash)
    assert (link.kind, link.time, link.payload) == (entry.kind, draft.time, payload)
    assert link.subjects == tuple((subject.name, subject.file) for subject in draft.subjects)
    named = {name: getattr(draft.body, name, None) for name in ("of", "parent", "baseline")}
    assert link.refs == {name: digest for name, digest in named.items() if digest is not None}


def test_every_kind_is_tried() -> None:
    assert set(bodies) == set(BY_KIND) == set(KINDS)


# ----------------------------------------------------------------------------------------------------- by hand, bytes


def test_the_bytes_of_an_entry_by_hand() -> None:
    """Written by hand from the format's page: a change of it wants a new version."""
    before = Digest(hex="ab" * 32)
    draft = Draft(
        body=Evidence(of=Digest(hex="cd" * 32), sort="log", facts=(("road", "wet"), ("load", "half"))),
        time=TIME,
        author="A. B.",
        subjects=(Subject(name="drive.csv", file=Digest(hex="ef" * 32)),),
    )
    entry, payload = place(draft, unit="van17", sequence=3, previous=before)
    assert payload.decode() == (
        '{"_type":"https://in-toto.io/Statement/v1","predicate":{"author":"A. B.","evidence":{"facts":{"load":"half",'
        '"road":"wet"},"of":"' + "cd" * 32 + '","sort":"log"},"files":1,"kind":"evidence","previous":"' + "ab" * 32
        + '","sequence":3,"time":"2026-03-11T09:30:00Z","unit":"van17"},'
        '"predicateType":"https://caldiff.invalid/ledger/entry/v1",'
        '"subject":[{"digest":{"sha256":"' + "ef" * 32 + '"},"name":"drive.csv"}]}'
    )  # fmt: skip
    assert isinstance(entry.body, Evidence)
    assert entry.body.facts == (("load", "half"), ("road", "wet"))


@pytest.mark.parametrize(
    ("body", "about"),
    [(Approval(of=Digest(hex="cd" * 32)), "cd"), (Note(of=Digest(hex="cd" * 32)), "cd"), (Note(), "ab")],
)
def test_an_entry_without_files_has_the_entry_that_it_is_about_as_its_subject(
    body: Note | Approval, about: str
) -> None:
    entry, payload = place(Draft(body=body, time=TIME), unit="van17", sequence=3, previous=Digest(hex="ab" * 32))
    assert json.loads(payload)["subject"] == [{"name": "entry of van17", "digest": {"sha256": about * 32}}]
    assert json.loads(payload)["predicate"]["files"] == 0
    assert entry.draft.subjects == ()


# ------------------------------------------------------------------------------------------------- readable by others


@given(any_draft, digests)
def test_payloads_are_canonical_to_the_registry_package(draft: Draft, previous: Digest) -> None:
    """rfc8785, a package of the registry."""
    payload = place(draft, unit=UNIT, sequence=1, previous=previous)[1]
    assert rfc8785.dumps(json.loads(payload)) == payload


@pytest.mark.parametrize("payload", STORY, ids=lambda payload: read_link(payload).kind)
def test_in_toto_reads_it(payload: bytes) -> None:
    """in-toto-attestation, the project's own package, by its protocol buffers."""
    statement = in_toto.Statement.copy_from_pb(json_format.Parse(payload, in_toto_pb.Statement()))
    statement.validate()
    entry, link = read_entry(payload), read_link(payload)
    assert statement.pb.predicate_type == "https://caldiff.invalid/ledger/entry/v1"
    assert statement.pb.predicate["unit"] == entry.unit
    assert statement.pb.predicate["sequence"] == entry.sequence
    if link.subjects:
        assert [(s.name, s.digest["sha256"]) for s in statement.pb.subject] == [(n, d.hex) for n, d in link.subjects]


# ------------------------------------------------------------------------------------------------------------ refusals


def changed(payload: bytes, **new: Any) -> bytes:
    """The payload with keys of its predicate set anew, or taken away where None."""
    value = json.loads(payload)
    for key, item in new.items():
        value["predicate"].pop(key)
        if item is not None:
            value["predicate"][key] = item
    return rfc8785.dumps(value)


HEX = "0123456789abcdef" * 4
REFUSED: list[tuple[bytes, str]] = [
    (changed(STORY[0], unit="van 17"), "no id of a unit"),
    (changed(STORY[0], unit="van17."), "no id of a unit"),
    (changed(STORY[0], unit="-van"), "no id of a unit"),
    (changed(STORY[0], unit="v" * 65), "no id of a unit"),
    (changed(STORY[0], unit=17), "unit is of the wrong type"),
    (changed(STORY[0], unit=None), "lacks unit"),
    (changed(STORY[0], sequence=-1), "sequence is of the wrong type"),
    (changed(STORY[0], sequence=True), "sequence is of the wrong type"),
    (changed(STORY[0], sequence="0"), "sequence is of the wrong type"),
    (changed(STORY[0], sequence=1), "the first entry, and only that"),
    (changed(STORY[1], sequence=0), "the first entry, and only that"),
    (changed(STORY[1], previous=HEX.upper()), "previous is no SHA-256"),
    (changed(STORY[1], previous=HEX[1:]), "previous is no SHA-256"),
    (changed(STORY[1], kind="revision"), "lacks revision"),
    (changed(STORY[1], kind="rumour"), "no known kind"),
    (changed(STORY[1], kind=["repeat"]), "no known kind"),
    (changed(STORY[1], time="2026-03-11 09:30:00"), "no time in UTC"),
    (changed(STORY[1], time="2026-02-30T09:30:00Z"), "no time in UTC"),
    (changed(STORY[1], files=2), "not every subject is a file"),
    (changed(STORY[1], files=0), "the repeat has no file"),
    (changed(STORY[1], author=""), "one form"),
    (changed(STORY[1], author=7), "author is of the wrong type"),
    (changed(STORY[1], repeat=[]), "repeat is of the wrong type"),
    (changed(STORY[4], approval={}), "approval lacks of"),
    (changed(STORY[4], approval={"of": 5}), "approval.of is no SHA-256"),
    (changed(STORY[4], approval={"of": HEX}), "the subject is not the entry that this one is about"),
    (changed(STORY[7], evidence={"of": HEX, "sort": "log", "fatcs": {}}), "evidence has an unknown key"),
    (changed(STORY[7], evidence={"of": HEX, "sort": "log", "facts": {}}), "one form"),
    (changed(STORY[7], evidence={"of": HEX, "sort": "log", "facts": [["a", "b"]]}), "evidence.facts is of the wrong"),
    (changed(STORY[7], evidence={"of": HEX, "sort": "log", "facts": {"a": 1}}), "evidence.facts.a is of the wrong"),
    (changed(STORY[7], evidence={"of": HEX, "sort": None}), "evidence.sort is of the wrong type"),
    (changed(STORY[8], note={"of": None}), "the subject is not"),
    (changed(STORY[11], note={"of": None}), "one form"),
    (STORY[0].replace(b'"_type"', b'"_typo"'), "lacks _type"),
    (STORY[0].replace(b"Statement/v1", b"Statement/v2"), "_type is another one"),
    (STORY[0].replace(b"entry/v1", b"entry/v2"), "predicateType is another one"),
    (STORY[0].replace(b'"size":1048576', b'"size":1048576.0'), "no JSON of whole numbers"),
    (STORY[0].replace(b'"size":1048576', b'"size":1e6'), "no JSON of whole numbers"),
    (STORY[0].replace(b'"size":1048576', b'"size":NaN'), "no JSON of whole numbers"),
    (STORY[0].replace(b'"size":1048576', b'"size":9007199254740992'), "no JSON of whole numbers"),
    (STORY[0].replace(b'"size":1048576', b'"size":' + b"9" * 5000), "no JSON of whole numbers"),
    (STORY[0].replace(b'"size":1048576', b'"size":true'), "baseline.image.size is of the wrong type"),
    (STORY[0].replace(b'"size":1048576', b'"size":-5'), "baseline.image.size is of the wrong type"),
    (STORY[0].replace(b'"size":1048576', b'"size":-0'), "not in canonical form"),
    (STORY[0].replace(b'"size":1048576', b'"size":1048576,"size":1048576'), "not in canonical form"),
    (STORY[0].replace(b'"size":1048576', b'"size": 1048576'), "not in canonical form"),
    (STORY[0].replace(b'"binary"', b'"bin\\u0061ry"'), "not in canonical form"),
    (STORY[0].replace(b'"binary"', b'"\\ud800"'), "no JSON of whole numbers and Unicode text"),
    (STORY[0].replace(b'"binary"', b'"bin\xff"'), "no JSON of whole numbers and Unicode text"),
    (STORY[0].replace(b'"name":"stock.bin"', b'"name":"../stock.bin"'), "name of a file"),
    (STORY[0] + b"\n", "not in canonical form"),
    (b"\xef\xbb\xbf" + STORY[0], "no JSON"),
    (STORY[0].decode().encode("utf-16"), "no JSON"),
    (b"", "no JSON"),
    (b"null", "the statement is of the wrong type"),
    (b"[" * 100_000 + b"]" * 100_000, "nests too deep"),
    (b'{"a":' * 17 + b"0" + b"}" * 17, "nests too deep"),
    (b"[" * 100_000, "nests too deep"),
    (b'"' + b"x" * (4 << 20) + b'"', "too large"),
]  # fmt: skip


@pytest.mark.parametrize(("payload", "said"), REFUSED, ids=[str(at) for at in range(len(REFUSED))])
def test_what_is_no_entry_is_refused(payload: bytes, said: str) -> None:
    with pytest.raises(LedgerError, match=said):
        read_entry(payload)


def _inside(value: Any, key: str = "") -> Iterator[tuple[str, Any]]:
    """Everything in a value, with the key that it stands under."""
    yield key, value
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, part in parts:
        yield from _inside(part, str(name))


MAY_LACK = {
    *("author", "message", "stable", "definition", "identity", "checksums", "personal", "match", "facts"),
    *("cell", "checksum", "unexplained", "code", "tables", "axes", "tags", "regions", "authorities", "made_from"),
}
"""Keys of the story's entries that the format's page calls optional."""


@pytest.mark.parametrize("kind", KINDS)
def test_a_key_too_many_or_too_few_is_refused_wherever_it_is(kind: str) -> None:
    payload = BY_KIND[kind]
    for at, (name, spot) in enumerate(_inside(json.loads(payload))):
        if not isinstance(spot, dict) or name in {"tables", "authorities", "facts"}:
            continue
        for key in ("zzz", *spot):
            value = json.loads(payload)
            here = list(_inside(value))[at][1]
            here.pop(key) if key in here else here.update({key: "x"})
            assert _is_read(rfc8785.dumps(value)) == (key in MAY_LACK), (name, key)


def _is_read(payload: bytes) -> bool:
    try:
        read_entry(payload)
    except LedgerError:
        return False
    return True


@pytest.mark.parametrize("path", [(), ("predicate",), ("subject", 0), ("subject", 0, "digest")])
def test_the_link_has_no_unknown_keys_either(path: tuple[str | int, ...]) -> None:
    value = json.loads(STORY[1])
    spot = value
    for step in path:
        spot = spot[step]
    spot["zzz"] = "x"
    with pytest.raises(LedgerError, match="has an unknown key"):
        read_link(rfc8785.dumps(value))


@given(st.sampled_from(STORY), st.data())
def test_one_flipped_bit_is_refused_or_changes_the_hash(payload: bytes, data: st.DataObject) -> None:
    at = data.draw(st.integers(0, 8 * len(payload) - 1))
    flipped = bytearray(payload)
    flipped[at // 8] ^= 1 << at % 8
    try:
        entry = read_entry(bytes(flipped))
    except LedgerError:
        return
    assert entry != read_entry(payload)
    assert entry.hash != Digest.of(payload)


@given(st.binary(max_size=200) | st.text().map(str.encode))
def test_arbitrary_bytes_are_refused(data: bytes) -> None:
    for read in (read_entry, read_link):
        with pytest.raises(LedgerError):
            read(data)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=4) | st.just(HEX),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=8,
)


@given(st.sampled_from(STORY), JSON, st.data())
def test_any_value_in_the_place_of_another_is_read_or_refused(payload: bytes, new: object, data: st.DataObject) -> None:
    value = json.loads(payload)
    spots = [spot for _, spot in _inside(value) if isinstance(spot, dict | list) and spot]
    spot = data.draw(st.sampled_from(spots))
    key = data.draw(st.sampled_from(sorted(spot) if isinstance(spot, dict) else range(len(spot))))
    spot[key] = new
    try:
        changed = rfc8785.dumps(value)
    except rfc8785.CanonicalizationError:
        changed = json.dumps(value).encode()
    for read in (read_entry, read_link):
        try:
            read(changed)
        except LedgerError:
            continue


# ------------------------------------------------------------------------------------------------- what is not written


def test_what_cannot_be_read_is_not_written() -> None:
    before = Digest(hex="ab" * 32)

    def said(draft: Draft, *, unit: str = UNIT, sequence: int = 3, previous: Digest | None = before) -> str:
        with pytest.raises(LedgerError) as caught:
            place(draft, unit=unit, sequence=sequence, previous=previous)
        return str(caught.value)

    note = Draft(body=Note(), time=TIME)
    assert "no id of a unit" in said(note, unit="a/b")
    assert "the first entry" in said(note, sequence=0)
    assert "sequence" in said(note, sequence=-1)
    assert "cannot be the first" in said(note, sequence=0, previous=None)
    assert "has no file" in said(Draft(body=Return(baseline=before), time=TIME))
    assert "'a' stands twice" in said(attrs.evolve(note, body=Evidence(of=before, sort="log", facts=(("a", "b"),) * 2)))
    assert "file stands twice" in said(attrs.evolve(note, subjects=(file("a"), file("a"))))
    assert "cannot be recorded" in said(attrs.evolve(note, message="\ud800"))
    assert "too large" in said(attrs.evolve(note, message="x" * (4 << 20)))


@pytest.mark.parametrize("number", [-1, 2**53, True, 1.0, "1"])
def test_a_number_that_is_none_is_not_written(number: Any) -> None:
    changes = Changes(raw=Digest.of(b""), cell=number)
    body = attrs.evolve(read_entry(STORY[1]).body, changes=changes)
    with pytest.raises(LedgerError, match="a number cannot be recorded"):
        place(attrs.evolve(read_entry(STORY[1]).draft, body=body), unit=UNIT, sequence=1, previous=Digest.of(b""))


@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "a\\b", "a\nb", "a\x1b[2J", "a\u202eb", "\ud800", "x" * 256])
def test_a_name_that_is_none_is_refused(name: str) -> None:
    with pytest.raises(LedgerError, match="name of a file"):
        Subject(name=name, file=Digest.of(b""))


@pytest.mark.parametrize(
    "time", ["", "2026-03-11", "2026-03-11T09:30:00", "2026-03-11T24:00:00Z", "2025-02-29T00:00:00Z", TIME + "\n"]
)
def test_a_time_that_is_none_is_refused(time: str) -> None:
    with pytest.raises(LedgerError, match="no time in UTC"):
        Draft(body=Note(), time=time)
