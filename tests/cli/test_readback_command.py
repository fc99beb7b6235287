"""``caldiff readback`` on the demo: a readback with learned values moved, and strangers; its documents."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "schemas" / "readback.json").read_text(encoding="utf-8"))
UNIT, READ = "van-17", "van17_readback.bin"
REV1, REV2, NEWER = "van17_rev1.hex", "van17_rev2.s19", "van17_read_after_update.hex"
Run = Callable[..., Any]


def flat(text: str) -> str:
    return " ".join(text.split())


def document(text: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(text)
    Draft202012Validator.check_schema(SCHEMA)
    Draft202012Validator(SCHEMA).validate(found)
    return found


@pytest.fixture
def vault(demo: Path, tmp_path: Path) -> str:
    """The demo's vault once more."""
    return str(shutil.copytree(demo / "vault", tmp_path / "vault"))


def test_learned_values_moved(call: Run) -> None:
    answer = call("readback", UNIT, READ, "--vault", "vault")
    said = flat(answer.out)
    assert (answer.status, answer.err) == (0, "")
    assert "Equal to entry 8 save for volatile regions, where 37 bytes moved." in said
    assert "0x008F0010 36 bytes in learned (volatile) before 7E 84" in said
    assert answer.out.endswith("\nNot recorded; --record does it.\n")
    found = document(call("readback", UNIT, READ, "--vault", "vault", "--json").out)
    assert (found["verdict"], found["sound"], found["expected"]["sequence"]) == ("volatile", True, 8)
    assert found["moved"][0]["region"] == "learned"
    assert found["recorded"] is None


@pytest.mark.parametrize(
    ("file", "verdict", "said"),
    [
        (REV1, "own", "! Not entry 8 but entry 2 (revision of 2026-03-04, van17_rev1.hex) of this very unit."),
        (NEWER, "software", '! Not entry 8: other software. It says "WREN4 02.30", and should say "WREN4 02.10"'),
        (REV2, "equal", "Equal to entry 8: every byte at every address."),
    ],
)
def test_what_else_it_may_be(call: Run, file: str, verdict: str, said: str) -> None:
    answer = call("readback", UNIT, file, "--vault", "vault", "--stat")
    assert answer.status == (0 if verdict == "equal" else 1)
    assert said in flat(answer.out)
    assert ("From entry 8 (A) to what was read (B)" in answer.out) == (verdict != "equal")
    found = document(call("readback", UNIT, file, "--vault", "vault", "--json").out)
    assert found["verdict"] == verdict


def test_changes_that_nobody_recorded(call: Run, demo: Path, tmp_path: Path) -> None:
    data = bytearray((demo / READ).read_bytes())
    data[0x3A51C] ^= 1  # a byte of the program (caldiff/demo/story.py has the third revision change this one)
    path = tmp_path / "odd.bin"
    path.write_bytes(data)
    answer = call("readback", UNIT, str(path), "--vault", "vault")
    assert answer.status == 1
    assert "! Not entry 8: changes that nobody recorded." in flat(answer.out)
    assert "! code the program itself changed: 1 byte in program" in flat(answer.out)
    found = document(call("readback", UNIT, str(path), "--vault", "vault", "--json").out)
    assert (found["verdict"], found["differences"]["bytes"]["unexplained"]) == ("unknown", 1)


def test_recording(call: Run, vault: str) -> None:
    options = ("--vault", vault, "--record", "--time", "2026-05-01T10:00:00Z", "-m", "Again.", "--author", "me")
    answer = call("readback", UNIT, READ, *options)
    assert answer.status == 0
    assert "recorded as entry 16 of van-17: readback" in answer.out
    found = document(call("readback", UNIT, REV1, *options, "--json").out)
    assert (found["recorded"]["sequence"], found["recorded"]["kind"]) == (17, "readback")
    history = json.loads(call("history", UNIT, "--vault", vault, "--json").out)
    assert history["head"]["sequence"] == 17
    verified = call("verify", "--vault", vault)
    assert verified.status == 0, verified.out


@pytest.mark.parametrize("width", [40, 80, 160])
def test_it_keeps_to_the_width(call: Run, width: int) -> None:
    for file in (READ, REV1, NEWER):
        out = call("readback", UNIT, file, "--vault", "vault", "--stat", "--width", str(width)).out
        assert [line for line in out.splitlines() if len(line) > width and " " in line.strip()] == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([UNIT, READ], "it is not said which vault"),
        (["van-71", READ, "--vault", "vault"], "did you mean van-17?"),
        ([UNIT, "none.bin", "--vault", "vault"], "none.bin"),
        ([UNIT, READ, "--vault", "vault", "--of", "3"], "only an image can be in a unit"),
        ([UNIT, READ, "--vault", "vault", "--of", "99"], "99"),
        ([UNIT, READ, "--vault", "vault", "-m", "why"], "--message does nothing here, since nothing is recorded"),
        ([UNIT, READ, "--vault", "vault", "--sign", "key"], "--sign does nothing here, since nothing is recorded"),
    ],
)
def test_trouble(call: Run, arguments: list[str], said: str) -> None:
    answer = call("readback", *arguments)
    assert (answer.status, answer.out) == (2, "")
    assert said in answer.err
    assert "fault of caldiff" not in answer.err
