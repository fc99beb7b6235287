"""Logs in MDF 4, written by asammdf itself, which is the outside here; and files that lead astray."""

from __future__ import annotations

import struct
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from caldiff.errors import CaldiffError, EvidenceError, UsageError
from caldiff.evidence import mdf_links
from caldiff.evidence.channels import tie
from caldiff.evidence.channels_file import channels_from_text
from caldiff.evidence.log import open_log
from caldiff.evidence.samples import samples

asammdf = pytest.importorskip("asammdf")

Write = Callable[..., Path]
FAST, SLOW = np.arange(0, 3, 0.05), np.arange(0, 3, 1.0)
SPEED, HEAT = 800 + np.arange(60) * 12.5, np.array([70, 71, 73], np.uint8)


def _fill(mdf: asammdf.MDF) -> None:
    load = (np.arange(60) * 3).astype(np.uint16)
    half = {"a": 0.5, "b": -1.0}
    mdf.append(
        [
            asammdf.Signal(SPEED, FAST, name="n", unit="rpm"),
            asammdf.Signal(load, FAST, name="load", unit="%", conversion=half),
        ]
    )
    mdf.append(
        [asammdf.Signal(HEAT, SLOW + 0.025, name="T", unit="degC"), asammdf.Signal(HEAT, SLOW + 0.025, name="n")]
    )


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("mdf") / "drive.mf4"
    with asammdf.MDF(version="4.10") as mdf:
        _fill(mdf)
        mdf.header.start_time = datetime(2026, 3, 12, 6, 41, tzinfo=UTC)
        mdf.header.author, mdf.header.subject = "Cooperative", "van17"
        mdf.save(path)
    return path


def test_groups_are_laid_over_one_time(plain: Path) -> None:
    log = open_log(plain)
    assert [(info.name, info.unit) for info in log.channels] == [
        ("n", "rpm"),
        ("load", "%"),
        ("T", "degC"),
        ("n #1.2", None),
    ]
    assert log.start == "2026-03-12T06:41:00Z"
    assert dict(log.identity) == {"author": "Cooperative", "subject": "van17"}
    (block,) = log.blocks(["n", "load", "T"])
    assert block.time.tolist() == sorted([*FAST, *(SLOW + 0.025)])
    for name, time, values in (("n", FAST, SPEED), ("load", FAST, np.arange(60) * 1.5 - 1), ("T", SLOW + 0.025, HEAT)):
        there = ~np.isnan(block.values[name])
        assert block.time[there].tolist() == time.tolist()
        assert block.values[name][there].tolist() == values.tolist()
    assert log.repairs == ()


@pytest.mark.parametrize("rows", [1, 2, 7, 59, 60, 1000])
def test_blocks_of_any_size_say_the_same(plain: Path, rows: int) -> None:
    log = open_log(plain)
    (expected,) = log.blocks()
    blocks = list(log.blocks(rows=rows))
    assert all(len(block.time) <= rows for block in blocks)
    assert np.concatenate([block.time for block in blocks]).tolist() == expected.time.tolist()
    for name, column in expected.values.items():
        assert np.array_equal(np.concatenate([block.values[name] for block in blocks]), column, equal_nan=True)


def test_it_gives_samples_as_a_text_log_does(plain: Path) -> None:
    shop = channels_from_text(
        "channels: 1\nname: s\nquantities: {speed: {names: [n], unit: rpm}, heat: {names: [T], unit: degC}}\n"
    )
    log = open_log(plain)
    with pytest.raises(EvidenceError, match="several channels may measure speed") as caught:
        tie(shop, log, {"speed": "rpm"})
    assert caught.value.got == "n, n #1.2"
    ties = tie(shop, log, {"speed": "rpm", "heat": "K"}, needed=["speed", "heat"], choose={"speed": "n"})
    parts = list(samples(log, ties, ["speed", "heat"]))
    heat = np.concatenate([part.values["heat"] for part in parts])
    assert np.isnan(heat[0])  # it was not measured yet
    assert set(heat[1:].tolist()) == {70 + 273.15, 71 + 273.15, 73 + 273.15}
    assert sum(part.weight.sum() for part in parts) == pytest.approx(2.95)


def test_what_is_no_figure_invalid_or_out_of_order_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "odd.mf4"
    time = np.array([0, 1, 3, 2, 4, 4, 5, 6.0])
    with asammdf.MDF(version="4.10") as mdf:
        words = np.array([b"open"] * 8)
        invalid = np.array([0, 1, 0, 0, 0, 0, 0, 1], np.bool_)
        mdf.append(
            [
                asammdf.Signal(np.array([0, 1, 2, 3, 4, 5, 6, 7.0]), time, name="n", invalidation_bits=invalid),
                asammdf.Signal(words, time, name="state", encoding="utf-8"),
                asammdf.Signal(np.array([0, 1, np.inf, 3, 4, 5, 6, 7]), time, name="wild"),
            ]
        )
        mdf.save(path)
    log = open_log(path)
    (block,) = log.blocks()
    assert block.time.tolist() == [0, 1, 3, 4, 5, 6]
    assert [None if np.isnan(v) else v for v in block.values["n"].tolist()] == [0, None, 2, 5, 6, None]
    assert np.isnan(block.values["state"]).all()
    assert {(r.kind, r.channel): (r.count, r.line) for r in log.repairs} == {
        ("record that the file marks as invalid, left blank", "n"): (2, 2),
        ("record that is no figure, left blank", "state"): (8, 1),
        ("record that is no figure, left blank", "wild"): (1, 3),
        ("row dropped, its time lies before that of the row above", ""): (1, 4),
        ("time stamp repeated, the row above counts for no time", ""): (1, 6),
    }


def test_a_record_without_a_time_is_dropped(tmp_path: Path) -> None:
    path = tmp_path / "nan.mf4"
    with asammdf.MDF(version="4.10") as mdf:
        mdf.append([asammdf.Signal(np.array([1.0, 2, 3]), np.array([0, np.nan, 1]), name="n")])
        mdf.save(path)
    log = open_log(path)
    assert [block.values["n"].tolist() for block in log.blocks()] == [[1.0, 3.0]]
    assert [str(repair) for repair in log.repairs] == ["record without a time, dropped: 1, in line 2"]


def test_another_version_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "old.mdf"
    with asammdf.MDF(version="3.30") as mdf:
        mdf.append([asammdf.Signal(SPEED, FAST, name="n", unit="rpm")])
        mdf.save(path)
    with pytest.raises(EvidenceError, match="not of version 4") as caught:
        open_log(path)
    assert caught.value.got == "3.30"


def test_without_asammdf_it_is_said_what_to_install(plain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(UsageError, match="needs asammdf") as caught:
        open_log(plain)
    assert "caldiff[mdf]" in (caught.value.hint or "")


# ------------------------------------------------------------------------------------------------------------- hostile


def _links(data: bytes) -> list[int]:
    """Where links stand that lead somewhere: in every block that begins with ##."""
    found = []
    at = data.find(b"##")
    while at >= 0:
        count = struct.unpack_from("<Q", data, at + 16)[0] if at + 24 <= len(data) else 0
        if count < 50:
            places = (at + 24 + 8 * n for n in range(count))
            found += [p for p in places if 0 < struct.unpack_from("<Q", data, p)[0] < len(data)]
        at = data.find(b"##", at + 2)
    return found


def test_a_ring_of_blocks_is_refused(plain: Path, tmp_path: Path) -> None:
    data = bytearray(plain.read_bytes())
    first_group = struct.unpack_from("<Q", data, 64 + 24)[0]
    struct.pack_into("<Q", data, first_group + 24, first_group)
    path = tmp_path / "ring.mf4"
    path.write_bytes(data)
    with pytest.raises(EvidenceError, match="in a ring"):
        open_log(path)


@given(st.data())
@settings(max_examples=60)
def test_broken_files_raise_only_our_errors(
    plain: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    original = plain.read_bytes()
    links = _links(original)
    broken = bytearray(original)
    match data.draw(st.sampled_from(["link", "byte", "cut", "noise"])):
        case "link":
            target = data.draw(
                st.one_of(st.integers(0, len(original)), st.sampled_from(links), st.integers(0, 2**64 - 1))
            )
            struct.pack_into("<Q", broken, data.draw(st.sampled_from(links)), target)
        case "byte":
            for _ in range(3):
                broken[data.draw(st.integers(0, len(original) - 1))] = data.draw(st.integers(0, 255))
        case "cut":
            broken = broken[: data.draw(st.integers(8, len(original)))]
        case _:
            broken[64:] = data.draw(st.binary(max_size=300))
    path = tmp_path_factory.getbasetemp() / "broken.mf4"
    path.write_bytes(b"MDF     " + bytes(broken[8:]))
    try:
        blocks = list(open_log(path).blocks())
    except CaldiffError:
        return
    assert all((np.diff(block.time) >= 0).all() for block in blocks)


def test_what_is_looked_at_is_bounded(plain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mdf_links, "_MOST_BLOCKS", 5)
    with pytest.raises(EvidenceError, match="more blocks"):
        open_log(plain)
