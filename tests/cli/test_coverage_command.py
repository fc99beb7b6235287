"""``caldiff coverage`` and ``caldiff propose`` at the prompt, on the demo's drives."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from caldiff.render.drives import duration

Run = Callable[..., Any]
REV1, REV2 = "van17_rev1.hex", "van17_rev2.s19"
TOWN, HILLS = "van17_drive_town.csv", "van17_drive_hills.csv"
CHANNELS = ("--channels", "channels.yaml")


def test_changed_cells_come_first_and_decide_the_status(call: Run) -> None:
    answer = call("coverage", HILLS, "--image", REV2, "--since", REV1, *CHANNELS)
    assert answer.status == 1
    order = [answer.out.index(f"\n{name}  ") for name in ("ignition_base_gas", "warm_up_gas")]
    assert order == sorted(order)
    assert "12 cells changed, and the logs say nothing of" in answer.out
    assert call("coverage", HILLS, "--image", REV2, *CHANNELS).status == 0


@pytest.mark.parametrize("width", ["60", "80", "160"])
def test_no_line_is_wider_than_the_terminal(call: Run, width: str) -> None:
    asked = ("--statistic", "lambda", "--percentile", "5", "--width", width)
    for answer in (
        call("coverage", TOWN, HILLS, "--image", REV2, "--since", REV1, *CHANNELS, *asked, "--all"),
        call("propose", TOWN, HILLS, "--image", REV2, *CHANNELS, "--width", width),
    ):
        assert max(map(len, answer.out.splitlines())) <= int(width)


def test_the_chain_is_held_against_the_logs(call: Run) -> None:
    # The drive in town was taken on revision 1 on 12 March; revision 2 was delivered on the 17th (demo/chronicle.py).
    chain = ("--vault", "vault", "--unit", "van-17", "--json")
    early = json.loads(call("coverage", TOWN, "--image", REV2, *CHANNELS, *chain).out)
    assert early["logs"][0]["contradictions"] == [
        "the log began 2026-03-12T06:41:00Z, before the revision was handed over: entry 11, 2026-03-17T12:00:00Z"
    ]
    right = json.loads(call("coverage", TOWN, "--image", REV1, *CHANNELS, *chain).out)
    assert right["logs"][0]["contradictions"] == []
    named = json.loads(call("propose", TOWN, "--image", REV1, "--of", "8", *CHANNELS, *chain).out)
    assert len(named["logs"][0]["contradictions"]) == 1


def test_a_proposal_is_on_paper_only(call: Run, demo: Path) -> None:
    def digests() -> dict[str, str]:
        return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in demo.rglob("*") if p.is_file()}

    before = digests()
    answer = call("propose", HILLS, "--image", REV2, *CHANNELS)
    assert (answer.status, digests()) == (1, before)
    assert "on paper, nothing was written" in answer.out.splitlines()[0]
    assert "verified on your own bench" in " ".join(answer.out.split())
    assert call("propose", HILLS, "--image", REV2, *CHANNELS, "--least", "9999").status == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["coverage", TOWN, "--image", REV2, "--percentile", "5"], "of which quantity"),
        (["coverage", TOWN, "--image", REV2, *CHANNELS, "--statistic", "knock"], "knock"),
        (["coverage", TOWN, "--image", REV2, *CHANNELS, "--statistic", "lambda", "--percentile", "101"], "0 to 100"),
        (["coverage", TOWN, "--image", REV2, *CHANNELS, "--unit", "van-71", "--vault", "vault"], "no unit 'van-71'"),
        (["coverage", TOWN, "--image", REV2, *CHANNELS, "--vault", "vault"], "which unit"),
        (["propose", TOWN, "--image", REV2, *CHANNELS, "--table", "ignition_base_gas"], "does not say what"),
        (["propose", TOWN, "--image", REV2, *CHANNELS, "--bound", "100"], "between 0 and 1"),
        (["propose", TOWN, "--image", REV2, *CHANNELS, "--thin", "nan"], "no number from 0"),
    ],
)
def test_trouble_is_said(call: Run, arguments: list[str], words: str) -> None:
    answer = call(*arguments)
    assert answer.status == 2
    assert words in " ".join(answer.err.split())
    assert not answer.out


def test_durations_are_said_as_people_say_them() -> None:
    assert [duration(s) for s in (0, 9.96, 59.94, 59.96, 245, 7799)] == [
        "0.0 s",
        "10.0 s",
        "59.9 s",
        "1 min 00 s",
        "4 min 05 s",
        "2 h 09 min",
    ]


def test_recording_a_log_says_what_does_not_go_with_the_chain(call: Run, demo: Path, tmp_path: Path) -> None:
    # Entry 5 is the delivery of revision 1 on 5 March, entry 11 that of revision 2 on the 17th (demo/chronicle.py).
    vault = tmp_path / "vault"
    shutil.copytree(demo / "vault", vault)
    evidence = (
        "record",
        "evidence",
        "van-17",
        "--vault",
        str(vault),
        "--sort",
        "log",
        "--time",
        "2026-05-01T00:00:00Z",
    )
    wrong = json.loads(call(*evidence, "--of", "11", TOWN, "--json").out)
    assert [alert["text"] for alert in wrong["entry"]["alerts"] if alert["about"] == "log"] == [
        "the log began 2026-03-12T06:41:00Z, before the revision was handed over: entry 11, 2026-03-17T12:00:00Z"
    ]
    other = tmp_path / "another.csv"
    other.write_bytes((demo / TOWN).read_bytes().replace(b"2026-03-12", b"2026-03-10"))
    right = call(*evidence, "--of", "5", str(other))
    assert (right.status, "! log" in right.out) == (0, False)
    none = call(*evidence, "--of", "5", "README.txt")
    assert none.status == 0
    assert "README.txt cannot be held against the chain" in none.out
