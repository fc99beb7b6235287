"""``caldiff faults`` on the demo's snapshots and on some made up by hand; its documents against the schema."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "schemas" / "faults.json").read_text(encoding="utf-8"))
BEFORE, AFTER, REV2 = "van17_faults_before.yaml", "van17_faults_after.yaml", "van17_rev2.s19"
Run = Callable[..., Any]
CALM = "snapshot: 1\nstored: [P0171]\npending: []\nreadiness: {ignition: spark, complete: [misfire, fuel]}\n"


def flat(text: str) -> str:
    return " ".join(text.split())


def document(text: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(text)
    Draft202012Validator.check_schema(SCHEMA)
    Draft202012Validator(SCHEMA).validate(found)
    return found


def test_the_demo(call: Run) -> None:
    """What the two documents say (caldiff/demo/snapshots.py): cleared between, two monitors unfinished."""
    answer = call("faults", BEFORE, AFTER, "--image", REV2)
    said = flat(answer.out)
    assert answer.status == 1
    assert "gone P0420 pending → nothing" in said
    assert "changed P0171 stored, permanent → permanent" in said
    assert "! cleared the memory was cleared between the two: 212 km ago, and the first snapshot says 1,204" in said
    assert "! readiness catalyst: lost, complete before, not finished again" in said
    assert "! in doubt Nothing is proven by the absence of P0420, P0171 as stored: not finished since" in said
    assert "calibration W4-BIFUEL-0210-C, as the image gives it" in said
    assert "00WREN4V5N0000017" not in answer.out
    assert "00WREN4V5N0000017" in call("faults", BEFORE, AFTER, "--show-personal").out


def test_the_document(call: Run, tmp_path: Path) -> None:
    found = document(call("faults", BEFORE, AFTER, "--image", REV2, "--json").out)
    assert (found["caldiff"], found["version"], found["unmoved"]) == ("faults", 1, False)
    assert {code["code"]: code["fate"] for code in found["codes"]} == {"P0171": "changed", "P0420": "gone"}
    assert {m["name"]: m["fate"] for m in found["monitors"]}["catalyst"] == "lost"
    assert found["sides"][0]["vin"] == "*" * 13 + "0017"
    assert [held["state"] for held in found["held"]] == ["same", "not in the image", "same"]
    raw = tmp_path / "raw.txt"
    raw.write_text("43 00\n59 02 FF 042000 2F\n7F 0A 11\n")
    found = document(call("faults", str(raw), str(raw), "--json").out)
    assert found["sides"][0]["records"] == [
        {
            "code": "P0420-00",
            "status": 0x2F,
            "flags": ["failed", "failed_this_cycle", "pending", "confirmed", "failed_since_clearing"],
        }
    ]


def test_the_key_matches_vehicles(call: Run, tmp_path: Path) -> None:
    key = tmp_path / "key"
    key.write_bytes(b"0123456789abcdef0123456789abcdef")
    found = document(call("faults", BEFORE, AFTER, "--json", "--key", str(key)).out)
    digests = {side["vin_digest"] for side in found["sides"]}
    assert len(digests) == 1
    assert digests.pop().startswith("hmac-sha256:")


def test_nothing_moved(call: Run, tmp_path: Path) -> None:
    path = tmp_path / "calm.yaml"
    path.write_text(CALM)
    answer = call("faults", str(path), str(path))
    assert (answer.status, answer.err) == (0, "")
    assert "stayed P0171 stored" in flat(answer.out)
    assert "All monitors that the vehicle tells of have finished" in flat(answer.out)


def test_another_image_is_not_what_the_vehicle_reports(call: Run, tmp_path: Path) -> None:
    path = tmp_path / "calm.yaml"
    path.write_text(CALM + "identity: {calibration_id: SOMETHING, vin: 00WREN4V5N0000018}\n")
    answer = call("faults", str(path), str(path), "--image", REV2)
    assert answer.status == 1
    assert "! calibration the vehicle reports SOMETHING, the image gives W4-BIFUEL-0210-C: something else" in flat(
        answer.out
    )
    assert "! VIN the vehicle reports *************0018, the image gives *************0017" in flat(answer.out)
    path.write_text(CALM)
    answer = call("faults", str(path), str(path), "--image", REV2)
    assert answer.status == 1
    assert "calibration not reported, so nothing is proven by it" in flat(answer.out)


@pytest.mark.parametrize("width", [40, 80, 160])
def test_it_keeps_to_the_width(call: Run, width: int) -> None:
    out = call("faults", BEFORE, AFTER, "--image", REV2, "--width", str(width)).out
    assert [line for line in out.splitlines() if len(line) > width] == []
    out = call("faults", BEFORE, AFTER, "--width", str(width), PYTHONIOENCODING="ascii", LC_ALL="C").out
    assert [line for line in out.splitlines() if len(line) > width] == []


def test_hostile_text_is_harmless(call: Run, tmp_path: Path) -> None:
    path = tmp_path / "bad.yaml"
    path.write_text('snapshot: 1\nidentity: {calibration_id: "a\\x1b[2Jb\\u202e"}\n')
    answer = call("faults", str(path), str(path))
    assert "\x1b" not in answer.out
    assert "\u202e" not in answer.out
    assert "a\\x1b[2Jb\\u202e" in answer.out.replace("\n   ", "")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([BEFORE, "none.yaml"], "none.yaml"),
        ([BEFORE, "README.txt"], "README.txt"),
        ([BEFORE, REV2], "this is"),
        ([BEFORE, AFTER, "--start", "0"], "there is no image to read"),
        ([BEFORE, AFTER, "--image", "README.txt", "--format", "binary"], "no definition fits the image"),
        ([BEFORE, AFTER, "--form", "hex"], "this is no response"),
    ],
)
def test_trouble(call: Run, arguments: list[str], said: str) -> None:
    answer = call("faults", *arguments)
    assert (answer.status, answer.out) == (2, "")
    assert said in answer.err
    assert "fault of caldiff" not in answer.err
