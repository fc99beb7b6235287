"""Snapshot documents: what they say, what is wrong with them, and which form a file is in."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from caldiff.canonical import Digest
from caldiff.demo.snapshots import demo_snapshots
from caldiff.errors import CaldiffError, EvidenceError, FileError, SnapshotError
from caldiff.evidence.readiness import MONITORS
from caldiff.evidence.snapshot_file import open_snapshot, read_snapshot, snapshot_json_schema
from caldiff.evidence.uds import FLAGS

SCHEMA = Path(__file__).parents[2] / "docs" / "schemas" / "snapshot.schema.json"
WHOLE = """\
snapshot: 1
title: Before
taken: 2026-03-12T07:25:00Z
identity: {vin: 00WREN4V5N0000017, calibration_id: [W4, GEARS], cvn: 4711abcd}
lamp: true
count: 2
stored: [P0171, P0420-11]
pending: []
records: {P0420-00: [confirmed, lamp], P0133-00: 0x50}
known: 0xDF
readiness:
  ignition: spark
  complete: [misfire, catalyst]
  incomplete: [evaporative]
  unsupported: [secondary_air]
since_clearing: {distance: 1204, warm_ups: 37}
"""


def test_a_whole_document() -> None:
    found = read_snapshot(WHOLE.encode(), label="before.yaml")
    assert (found.label, found.file) == ("before.yaml", Digest.of(WHOLE.encode()))
    assert (found.vin, found.calibration_ids, found.cvns) == ("00WREN4V5N0000017", ("W4", "GEARS"), ("4711ABCD",))
    assert (found.stored, found.pending, found.permanent) == (("P0171", "P0420-11"), (), None)
    assert [(r.code, r.status) for r in found.records or ()] == [("P0420-00", 0x88), ("P0133-00", 0x50)]
    assert (found.taken, found.lamp, found.count, found.known) == ("2026-03-12T07:25:00Z", True, 2, 0xDF)
    assert (found.distance, found.warm_ups) == (1204, 37)
    assert found.readiness is not None
    assert found.readiness.states == (
        *(("misfire", "complete"), ("catalyst", "complete")),
        *(("evaporative", "incomplete"), ("secondary_air", "unsupported")),
    )
    assert "0000017" not in repr(found)


def test_nothing_said_is_nothing_known() -> None:
    found = read_snapshot(b"snapshot: 1\n")
    assert (found.stored, found.lamp, found.readiness, found.distance, found.vin) == (None,) * 5
    with pytest.raises(SnapshotError):
        read_snapshot(b"snapshot: 1\nstored: null\n")  # neither an empty list nor none


def test_json_is_read_too() -> None:
    tree = yaml.safe_load(WHOLE)
    tree["taken"] = "2026-03-12T07:25:00Z"
    found = read_snapshot(json.dumps(tree, indent=1).encode())
    assert found.stored == ("P0171", "P0420-11")
    assert found.records == read_snapshot(WHOLE.encode()).records


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("stored: [P0171, P0171]", "stored[2]: this code stands there twice"),
        ("stored: [P4171]", "stored[1]: this is no trouble code"),
        ("stored: P0171", "stored: the value cannot be read"),
        ("stord: []", "stord: a snapshot has no such key"),
        ("records: {P0171-00: [broken]}", "records.P0171-00[1]: this word is not known here"),
        ("records: {P0171-00: 256}", "records.P0171-00: the number is out of range"),
        ("readiness: {complete: [misfire]}", "readiness: readiness needs the key ignition"),
        ("readiness: {ignition: spark, complete: [boost_pressure]}", "there is no such monitor with spark ignition"),
        ("readiness: {ignition: spark, complete: [fuel], incomplete: [fuel]}", "this monitor stands there twice"),
        ("identity: {cvn: 4711}", "identity.cvn: this is no verification number"),
        ("taken: 2026-03-12", "taken: this is no time"),
        ("lamp: 1", "lamp: the value is of the wrong type"),
        ("since_clearing: {distance: -1}", "since_clearing.distance: the number is out of range"),
        ("extends: other", "extends: a snapshot has no such key"),
    ],
)
def test_what_is_wrong(line: str, told: str) -> None:
    with pytest.raises(SnapshotError) as caught:
        read_snapshot(f"snapshot: 1\n{line}\n".encode(), label="x.yaml")
    assert told in caught.value.reason
    assert (caught.value.file, caught.value.line) == ("x.yaml", 2)
    assert isinstance(caught.value, EvidenceError)


def test_all_that_is_wrong_is_told_at_once() -> None:
    with pytest.raises(SnapshotError) as caught:
        read_snapshot(b"snapshot: 2\nstored: [x]\nlamp: maybe\n")
    assert [problem.line for problem in caught.value.problems] == [1, 2, 3]


def test_which_form_a_file_is_in() -> None:
    assert read_snapshot(b"\n# note\n43 01 01 71\n").stored == ("P0171",)
    assert read_snapshot("\ufeff43010171".encode()).stored == ("P0171",)
    assert read_snapshot(b"\x43\x01\x01\x71").stored == ("P0171",)
    assert read_snapshot(b"# a note\nsnapshot: 1\nstored: [P0171]\n").stored == ("P0171",)
    for data in (b"", b" \n", b"hello", b"[1]"):
        with pytest.raises(EvidenceError):
            read_snapshot(data)
    with pytest.raises(EvidenceError):
        read_snapshot(b"43 00", form="document")
    with pytest.raises(EvidenceError):
        read_snapshot(b"\xff\xfe", form="hex")


def test_files(tmp_path: Path) -> None:
    path = tmp_path / "faults.yaml"
    path.write_text(WHOLE)
    assert open_snapshot(path).label == str(path)
    with pytest.raises(FileError):
        open_snapshot(tmp_path / "none.yaml")
    path.write_bytes(b"#" * ((1 << 20) + 1))
    with pytest.raises(CaldiffError):
        open_snapshot(path)


def test_oddities() -> None:
    assert read_snapshot(b"snapshot: 1\ncount: 1\nstored: []\nlamp: true\n").oddities == (
        "the vehicle counts 1 stored, and 0 are listed",
        "the malfunction lamp is on, and no code is stored",
    )


def test_the_schema_is_published_and_takes_the_demo() -> None:
    published = json.loads(SCHEMA.read_text(encoding="utf-8"))
    assert published == snapshot_json_schema()
    Draft202012Validator.check_schema(published)
    for data in (WHOLE.encode(), *demo_snapshots().values()):
        tree = yaml.load(data, Loader=yaml.BaseLoader)  # noqa: S506 - it makes texts only
        tree = {**yaml.safe_load(data), "taken": tree["taken"]}
        Draft202012Validator(published).validate(tree)
    assert list(Draft202012Validator(published).iter_errors({"snapshot": 1, "stord": []}))


@given(st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    try:
        read_snapshot(data)
    except CaldiffError:
        return


@given(st.data())
def test_mutated_documents(data: st.DataObject) -> None:
    text = bytearray(WHOLE.encode())
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    try:
        read_snapshot(bytes(text))
    except CaldiffError:
        return


def test_what_the_page_shows_is_read() -> None:
    page = (SCHEMA.parents[1] / "faults.md").read_text(encoding="utf-8")
    (document,) = re.findall(r"^```yaml\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    (responses,) = re.findall(r"^```text\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    assert read_snapshot(document.encode()).stored == ("P0171",)
    found = read_snapshot(responses.encode())
    assert (found.stored, found.calibration_ids) == (("P0171",), ("W4-BIFUEL-0210-C",))
    told = " ".join(page.split())
    assert f"from the lowest bit: {', '.join(FLAGS)}." in told
    assert f"spark ignition: {', '.join(MONITORS['spark'])};" in told
    assert f"compression ignition: {', '.join(MONITORS['compression'])}." in told
