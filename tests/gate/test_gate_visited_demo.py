"""The house policy of docs/policy.md over the demo's vault, its seconds reckoned again row by row."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from test_policy_page import BLOCKS

from caldiff.definition.catalogue import Catalogue, shipped_folder
from caldiff.demo.chronicle import VAULT
from caldiff.demo.scenario import write_demo
from caldiff.gate.gate import judge
from caldiff.gate.policy_file import load_policy
from caldiff.gate.trust_file import load_trust
from caldiff.gate.verdict import FileVerdict
from caldiff.table.calibration import Calibration
from caldiff.table.opening import open_calibration
from caldiff.vault.vault import Vault

(POLICY,) = [block for block in BLOCKS if "visited:" in block]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("visited")
    write_demo(folder)
    return folder


def asked(demo: Path, policy: str) -> FileVerdict:
    (demo / "roitelet-house.yaml").write_text(policy)
    verdict = judge(
        [demo / "van17_rev2.s19"],
        vault=Vault.open(demo / VAULT),
        policy=load_policy(demo / "roitelet-house.yaml"),
        trust=load_trust(demo / "trust.yaml"),
        catalogue=Catalogue((shipped_folder(),)),
    )
    return verdict.files[0]


def nearest(points: Sequence[float], value: float) -> int:
    return min(range(len(points)), key=lambda n: (abs(points[n] - value), n))


def seconds_by_cell(
    log: Path, table: str, side: Calibration, columns: Mapping[str, str]
) -> dict[tuple[int, ...], float]:
    """Row by row: the cell nearest to the row, and the time to the next one."""
    with log.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    axes = [(columns[axis.spec.quantity], axis.physical.tolist()) for axis in side[table].axes]
    time = next(name for name in rows[0] if name.startswith("time"))
    found: dict[tuple[int, ...], float] = defaultdict(float)
    for row, after in pairwise(rows):
        cell = tuple(nearest(points, float(row[column])) for column, points in axes)
        found[cell] += float(after[time]) - float(row[time])
    return found


def test_the_house_policy_lets_the_second_revision_out(demo: Path) -> None:
    found = asked(demo, POLICY)
    assert found.accepted, [str(r) for r in found.refusals]
    (read,) = [rule.read for rule in found.rules if rule.rule == "evidence"]
    assert "2 of 3 cells that entry 2 changed visited for 5 s or more, by channels channels" in read


def test_where_the_town_was_not_enough(demo: Path) -> None:
    found = asked(demo, POLICY.replace("      except: [ignition_base_gas]\n", ""))
    assert {refusal.rule for refusal in found.refusals} == {"evidence"}
    (refusal,) = found.refusals
    before, after = open_calibration(demo / "van17_stock_read.bin"), open_calibration(demo / "van17_rev1.hex")
    table = "ignition_base_gas"
    columns = {"engine_speed": "engine speed [rpm]", "load": "air charge [%]"}
    seconds = seconds_by_cell(demo / "van17_drive_town.csv", table, after, columns)
    changed = [tuple(at) for at in np.argwhere(before[table].raw != after[table].raw).tolist()]
    short = sum(seconds[cell] < 5 for cell in changed)
    ever = sum(seconds[cell] > 0 for cell in changed)
    assert 0 < short < len(changed)
    assert refusal.text == f"{short} changed cells of table {table} without enough evidence"
    assert refusal.found.startswith(
        f"{len(changed) - short} of {len(changed)} changed cells visited so long, {ever} at"
    )
    assert refusal.wanted == "60 % of them visited for 5 s or more, in logs taken on entry 2"


def test_other_channels_give_no_seconds(demo: Path) -> None:
    (demo / "other.yaml").write_text("channels: 1\nname: other\nquantities: {load: {names: [air charge], unit: '%'}}\n")
    found = asked(demo, POLICY.replace("channels.yaml", "other.yaml"))
    assert "no channel for coolant_temperature" in found.refusals[0].found
