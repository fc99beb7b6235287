"""``caldiff trace`` at the prompt, with the demo's files as a unit's story."""

from __future__ import annotations

import gzip
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from caldiff.cli import main

SCHEMA = Path(__file__).parents[2] / "docs" / "schemas" / "trace.json"
STOCK, REV1, REV2, REV3, NEWER = (
    "van17_stock_read.bin",
    "van17_rev1.hex",
    "van17_rev2.s19",
    "van17_rev3.zip",
    "van17_read_after_update.hex",
)
VIN = "00WREN4V5N0000017"
WHEN = ("--time", "2026-03-11T09:30:00Z", "--author", "the workshop")
Run = Callable[..., Any]


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory, demo: Path, home: Path) -> Path:
    """0 stock, 1 first revision, 2 its delivery, 3 second revision, 4 a note on paper about it."""
    vault = str(tmp_path_factory.mktemp("traced") / "vault")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(demo)
        patch.setenv("HOME", str(home))
        for name in ("XDG_CACHE_HOME", "XDG_CONFIG_HOME", "CALDIFF_VAULT", "CALDIFF_DEFINITIONS"):
            patch.delenv(name, raising=False)
        assert main(["vault", "init", vault]) == 0
        for step in (
            ("baseline", "van-17", STOCK, "-m", "first read"),
            ("revision", "van-17", REV1, "-m", "gas switched on"),
            ("delivery", "van-17", "--of", "latest", "--to", "the owner"),
            ("revision", "van-17", REV2),
            ("evidence", "van-17", "--of", "3", "--sort", "log", "README.txt"),
        ):
            assert main(["record", *step, "--vault", vault, *WHEN]) == 0
    return Path(vault)


@pytest.fixture
def trace(call: Run, story: Path) -> Run:
    return lambda *arguments, **environment: call("trace", *arguments, "--vault", str(story), **environment)


def document(answer: Any) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(answer.out)
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    Draft202012Validator(schema).validate(found)
    assert (found["caldiff"], found["version"]) == ("trace", 1)
    return found


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_known_file(trace: Run) -> None:
    answer = trace(STOCK)
    assert (answer.status, answer.err) == (0, "")
    assert answer.out.splitlines()[:2] == [STOCK, "  van-17 entry 0, byte for byte"]
    assert "baseline of 2026-03-11 09:30 by the workshop: van17_stock_read.bin, raw binary" in flat(answer.out)
    assert '"first read"' in answer.out
    assert "! not the newest revision of this unit: that is entry 3" in flat(trace(REV1).out)
    assert "not the newest" not in trace(REV2).out


def test_the_same_in_another_file(trace: Run, demo: Path, tmp_path: Path) -> None:
    path = tmp_path / "final2_NEW.bin"
    path.write_bytes(gzip.compress((demo / REV1).read_bytes()))
    answer = trace(str(path))
    assert answer.status == 0
    assert "van-17 entry 1, the same bytes at the same addresses, in another file" in answer.out


def test_volatile_regions_aside(trace: Run, demo: Path, tmp_path: Path) -> None:
    """The region ``learned`` of the demo's definition: 4 KiB at 0x8F0000."""
    data = bytearray((demo / STOCK).read_bytes())
    data[0xF0000:0xF0010] = bytes(16)
    (tmp_path / "read.bin").write_bytes(data)
    answer = trace(str(tmp_path / "read.bin"))
    assert answer.status == 0
    assert "van-17 entry 0, the same but for volatile regions" in answer.out


def test_evidence(trace: Run) -> None:
    answer = trace("README.txt")
    assert answer.status == 0
    assert "van-17 entry 4, byte for byte" in answer.out
    assert "log of entry 3: README.txt" in flat(answer.out)


def test_a_stranger(trace: Run) -> None:
    """The third revision changes six cells of two tables and one byte of the program (caldiff/demo/story.py)."""
    answer = trace(REV3)
    said = flat(answer.out)
    assert (answer.status, answer.err) == (1, "")
    assert "! a stranger: no entry of this vault has this file, nor an image that holds the same" in said
    assert "Nearest is van-17 entry 3: 15 bytes differ" in said
    assert "! code the program itself changed: 1 byte in program" in said
    assert "tables 2 changed (6 cells)" in said
    assert "over_temperature_torque 5 of 8" in said
    assert "Then van-17 entry 1:" in said
    assert VIN not in answer.out
    assert VIN in trace(REV3, "--show-personal").out
    assert "Then" not in trace(REV3, "--nearest", "1").out
    assert "Nearest" not in trace(REV3, "--nearest", "0").out


def test_another_software_is_said(trace: Run) -> None:
    assert '! identity Software version: "WREN4 02.10" → "WREN4 02.30"' in flat(trace(NEWER).out)


def test_many_files_and_the_worst_of_their_answers(trace: Run, tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("call the owner\n", encoding="utf-8")
    note = str(tmp_path / "note.txt")
    assert [trace(*files).status for files in ((STOCK, REV1), (STOCK, note), (STOCK, REV3, note))] == [0, 1, 1]
    for files in ((STOCK, "no-such-file", REV1), ("no-such-file", REV3), (REV3, "no-such-file")):
        answer = trace(*files)
        assert answer.status == 2
        assert "no-such-file: the file cannot be read" in answer.err
        assert all(name in answer.out for name in files if name != "no-such-file")
    assert "it is compared with nothing: this is no image but plain text" in flat(trace(note).out)


def test_a_document(trace: Run, tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("call the owner\n", encoding="utf-8")
    answer = trace(STOCK, REV1, REV3, str(tmp_path / "note.txt"), "README.txt", "--json")
    assert answer.status == 1
    stock, first, stranger, note, log = document(answer)["files"]
    assert [f["known"] for f in (stock, first, stranger, note, log)] == [True, True, False, False, True]
    assert [(m["sequence"], m["how"], m["kind"]) for m in first["matches"]] == [
        (1, "file", "revision"),
        (2, "file", "delivery"),
    ]
    assert [(m["name"], m["latest_revision"]) for m in stock["matches"]] == [(STOCK, 3)]
    assert [n["sequence"] for n in stranger["nearest"]] == [3, 1, 0]
    near = stranger["nearest"][0]
    assert near["bytes"] == {"total": 15, "cell": 6, "checksum": 8, "identity": 0, "volatile": 0, "unexplained": 1}
    assert [(t["name"], t["changed"]) for t in near["tables"]] == [
        ("diagnosis_enables", 1),
        ("over_temperature_torque", 5),
    ]
    assert stranger["image"]["definition"]["name"] == "wren4-2.10"
    assert VIN not in answer.out
    assert (note["reason"], note["image"]) == ("this is no image but plain text", None)
    assert log["matches"][0]["kind"] == "evidence"


def test_a_key_matches_what_identifies_somebody(trace: Run, tmp_path: Path) -> None:
    (tmp_path / "key").write_bytes(bytes(range(32)))
    answer = trace(REV3, "--json", "--key", str(tmp_path / "key"))
    fields = {field["name"]: field for field in document(answer)["files"][0]["image"]["identity"]}
    assert fields["vin"]["digest"].startswith("hmac-sha256:")


def test_how_a_stranger_is_read_is_a_choice(trace: Run, tmp_path: Path) -> None:
    assert (
        document(trace(REV3, "-d", "wren4-2.10", "--json"))["files"][0]["image"]["definition"]["name"] == "wren4-2.10"
    )
    answer = trace(REV3, "-d", "wren4-2.30")
    assert (answer.status, answer.out) == (2, "")
    assert "does not fit" in answer.err
    assert trace(STOCK, "-d", "no-such-definition").status == 2
    text = tmp_path / "text.bin"
    text.write_text("words " * 500, encoding="utf-8")
    assert document(trace(str(text), "--format", "binary", "--json"))["files"][0]["nearest"] == []


def test_the_environment_names_the_vault(call: Run, story: Path, tmp_path: Path) -> None:
    assert call("trace", STOCK, CALDIFF_VAULT=str(story)).status == 0
    for answer in (call("trace", STOCK), call("trace", STOCK, "--vault", str(tmp_path / "none"))):
        assert (answer.status, answer.out) == (2, "")


@pytest.mark.parametrize("width", [40, 80, 120])
def test_it_reads_at_any_width(trace: Run, width: int) -> None:
    out = trace(STOCK, REV1, REV3, NEWER, "README.txt", "--width", str(width)).out
    assert max(map(len, out.splitlines())) <= width


def test_ascii_where_it_must_be(trace: Run) -> None:
    out = trace(NEWER, REV3, LC_ALL="C").out
    assert out.isascii()
    assert "\x1b" not in out
    assert "\x1b[" in trace(STOCK, "--color", "always").out


def test_a_second_trace_reads_no_entry_anew(trace: Run, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    trace(REV3)
    kept = list((home / ".cache" / "caldiff" / "vaults").glob("*.index"))
    assert kept
    monkeypatch.setattr("caldiff.vault.index.Index._read", None)
    monkeypatch.setattr("caldiff.vault.vault.Vault.fetch_many", None)
    assert [trace(file).status for file in (STOCK, REV3)] == [0, 1]


def test_without_a_cache_folder_it_answers_the_same(trace: Run, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for cache in (tmp_path / "file", Path(os.devnull)):
        answer = trace(STOCK, REV3, XDG_CACHE_HOME=str(cache))
        assert (answer.status, answer.out) == (1, trace(STOCK, REV3).out)


def test_a_known_file_is_told_without_numpy(spawn: Run, story: Path) -> None:
    code = """
import sys
from caldiff.cli import main
status = main(sys.argv[1:])
print(status, sorted({"numpy", "cryptography", "zfec", "yaml", "ryml"} & set(sys.modules)))
"""
    answer = spawn("trace", STOCK, "--vault", str(story), code=code)
    assert answer.out.splitlines()[-1] == "0 []", answer.err
