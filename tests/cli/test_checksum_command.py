"""``caldiff checksum``: states, correction and search, on files of the demo that were spoilt by hand."""

from __future__ import annotations

import json
import random
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from caldiff.image.reading import read_image
from caldiff.image.writing import write_image

STOCK, REV1, REV2, REV3 = "van17_stock_read.bin", "van17_rev1.hex", "van17_rev2.s19", "van17_rev3.zip"
SIGNATURE, CALIBRATION_SUM = 0x008C0080, 0x008BFFFC
Run = Callable[..., Any]


def spoilt(demo: Path, folder: Path, name: str, **bytes_at: bytes) -> str:
    """A copy of a demo file with other bytes at some addresses."""
    image = read_image(demo / name, start=0x00800000 if name.endswith(("bin", "zip")) else None)
    path = folder / f"spoilt_{name.removesuffix('.zip')}"
    write_image(image.patched({int(a[1:], 16): data for a, data in bytes_at.items()}), path)
    return str(path)


def states(out: str) -> dict[str, str]:
    (file,) = json.loads(out)["files"]
    return {c["name"]: c["status"] for c in file["checksums"]}


def test_valid(call: Run) -> None:
    answer = call("checksum", STOCK)
    assert (answer.status, answer.err) == (0, "")
    assert answer.out.endswith("\n5 checksums: 4 valid, 1 not verifiable\n")
    assert "\n! not verifiable  signature" in answer.out


def test_stale(call: Run, demo: Path, tmp_path: Path) -> None:
    file = spoilt(demo, tmp_path, REV1, x881234=b"\x00", x8C0002=b"\x00")
    answer = call("checksum", file)
    assert answer.status == 1
    assert "\n! stale           calibration: CRC-32/ISO-HDLC over 262,140 bytes\n" in answer.out
    assert "\n! stale           boot: " in answer.out
    assert states(call("checksum", file, "--json").out) == {
        "boot": "stale",
        "calibration": "stale",
        "checks": "stale",
        "program": "valid",
        "signature": "not verifiable",
    }


def test_the_worst_of_several_files_counts(call: Run, demo: Path, tmp_path: Path) -> None:
    assert call("checksum", STOCK, REV2, REV3).status == 0
    assert call("checksum", STOCK, spoilt(demo, tmp_path, REV2, x881234=b"\x00")).status == 1


def test_an_unreadable_one_is_trouble(call: Run, demo: Path, tmp_path: Path) -> None:
    answer = call("checksum", spoilt(demo, tmp_path, STOCK, x8C0040=b"\xff\xff"))
    assert answer.status == 2
    assert "block 1 of the list ends before it starts (0x008C0040)" in " ".join(answer.out.split())


@pytest.mark.parametrize("name", [STOCK, REV1, REV2, REV3])
def test_correct(call: Run, demo: Path, tmp_path: Path, name: str) -> None:
    """The format and shape of the source; nothing differs but the fields of the checksums that were stale."""
    file = spoilt(demo, tmp_path, name, x881234=b"\x00", x800010=b"\x12\x34")
    out = tmp_path / "right"
    answer = call("checksum", file, "--correct", "-o", str(out))
    assert answer.status == 0, answer.err
    assert "corrected: boot, calibration, checks\n" in answer.out
    assert "signature cannot be verified or made here" in answer.err
    start = 0x00800000 if name.endswith(("bin", "zip")) else None
    bad, right = read_image(file, start=start), read_image(out, start=start)
    assert bad.source is not None
    assert right.source is not None
    assert (right.source.format, right.source.shape) == (bad.source.format, bad.source.shape)
    pairs = zip(bad.segments[0].data, right.segments[0].data, strict=True)
    changed = {right.start + n for n, (one, two) in enumerate(pairs) if one != two}
    fields = {*range(0x008BFFFC, 0x008C0000), *range(0x008C0000, 0x008C0004), *range(0x008C007C, 0x008C0080)}
    assert changed <= fields
    assert call("checksum", str(out)).status == 0


def test_what_is_right_is_written_as_it_is(call: Run, demo: Path, tmp_path: Path) -> None:
    out = tmp_path / "right.hex"
    answer = call("checksum", REV1, "--correct", "-o", str(out))
    assert answer.status == 0
    assert "nothing had to be corrected" in " ".join(answer.out.split())
    assert out.read_bytes() == (demo / REV1).read_bytes()


def test_correction_as_json(call: Run, demo: Path, tmp_path: Path) -> None:
    out = str(tmp_path / "right.hex")
    (file,) = json.loads(
        call("checksum", spoilt(demo, tmp_path, REV1, x881234=b"\x00"), "--correct", "-o", out, "--json").out
    )["files"]
    assert file["corrected"] == {"file": out, "checksums": ["calibration", "checks"]}
    assert {c["status"] for c in file["checksums"]} == {"valid", "not verifiable"}


def test_nothing_is_overwritten(call: Run, demo: Path, tmp_path: Path) -> None:
    file = spoilt(demo, tmp_path, REV1, x881234=b"\x00")
    before = Path(file).read_bytes()
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "nowhere")
    for target in (file, str(link), str(tmp_path)):
        answer = call("checksum", file, "--correct", "-o", target)
        assert answer.status == 2
        assert "this file is there already" in answer.err
        assert answer.out == ""
    assert Path(file).read_bytes() == before
    assert not (tmp_path / "nowhere").exists()


def test_a_stranger_is_trouble(call: Run, tmp_path: Path) -> None:
    file = tmp_path / "stranger.bin"
    file.write_bytes(bytes(1000))
    answer = call("checksum", str(file))
    assert answer.status == 2
    assert "no definition fits this image, so its checksums are not known" in answer.err
    assert "--find" in answer.err


def test_a_definition_without_checksums_is_trouble(call: Run, tmp_path: Path) -> None:
    (tmp_path / "plain.yaml").write_text(
        "definition: 1\nname: plain\nimage: {start: 0, size: 4, byte_order: big}\nfits: [{at: 0, text: AB}]\n"
    )
    (tmp_path / "a.bin").write_bytes(b"AB\0\1")
    answer = call("checksum", str(tmp_path / "a.bin"), "-d", str(tmp_path / "plain.yaml"))
    assert answer.status == 2
    assert "declares no checksum" in answer.err


# --------------------------------------------------------------------------------------------------------------- find


@pytest.fixture
def strangers(tmp_path: Path) -> list[str]:
    """Two images that no definition reads: noise, and CRC-32/ISO-HDLC of all before it in the last four bytes."""
    files = []
    for number in range(2):
        data = bytearray(random.Random(1).randbytes(2044))
        data[100 + number] ^= 0xFF
        path = tmp_path / f"stranger{number}.bin"
        path.write_bytes(bytes(data) + zlib.crc32(data).to_bytes(4, "little"))
        files.append(str(path))
    return files


def test_find(call: Run, strangers: list[str]) -> None:
    answer = call("checksum", "--find", *strangers, "--start", "0x1000")
    assert (answer.status, answer.err) == (0, "")
    assert (
        "  - name: found_1\n"
        "    over: [{at: 0x00001000, size: 0x7FC}]\n"
        "    crc: CRC-32/ISO-HDLC\n"
        "    stored: {at: 0x000017FC, type: u32, byte_order: little}\n"
    ) in answer.out
    assert "holds in 2 images that differ" in answer.out


def test_what_is_found_can_be_declared(call: Run, strangers: list[str], tmp_path: Path) -> None:
    found = call("checksum", "--find", *strangers).out
    head = (
        "definition: 1\nname: own\nimage: {start: 0, size: 2 KiB, byte_order: little}\nfits: [{at: 0, bytes: '??'}]\n"
    )
    (tmp_path / "own.yaml").write_text(head + found)
    assert call("checksum", *strangers, "-d", str(tmp_path / "own.yaml")).status == 0


def test_noise_finds_nothing(call: Run, tmp_path: Path) -> None:
    (tmp_path / "noise.bin").write_bytes(random.Random(7).randbytes(300))
    answer = call("checksum", "--find", str(tmp_path / "noise.bin"))
    assert (answer.status, answer.err) == (1, "")
    assert answer.out.startswith("# nothing sure was found among ")


def test_a_search_whose_time_is_over_says_so(call: Run) -> None:
    answer = call("checksum", "--find", STOCK, REV1, "--seconds", "0.001")
    assert answer.status == 1
    assert "# the search was stopped before its end\n" in answer.out
