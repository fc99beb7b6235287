"""``caldiff identify`` on many files, on folders, and with a key."""

from __future__ import annotations

import gzip
import json
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from caldiff.cli.folders import below
from caldiff.cli.terminal import counted
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image

STOCK, REV1, REV3 = "van17_stock_read.bin", "van17_rev1.hex", "van17_rev3.zip"
VIN = "00WREN4V5N0000017"
Run = Callable[..., Any]


@pytest.fixture
def folder(demo: Path, tmp_path: Path) -> Path:
    """A folder of the shop: one content in three files, a note, a picture, a stranger, and links."""
    shop = tmp_path / "shop"
    (shop / "mail" / "old").mkdir(parents=True)
    (shop / ".hidden").mkdir()
    shutil.copy(demo / STOCK, shop / "a.bin")
    shutil.copy(demo / STOCK, shop / "mail" / "again.bin")
    shutil.copy(demo / STOCK, shop / ".hidden" / "not-seen.bin")
    (shop / ".not-seen.bin").write_bytes(b"\0" * 64)
    hexed = dump_image(read_image(demo / STOCK, start=0x800000), format="ihex")
    (shop / "mail" / "old" / "stock.hex.gz").write_bytes(gzip.compress(hexed))
    shutil.copy(demo / REV1, shop / "mail" / "rev1.hex")
    (shop / "note.txt").write_text("call the owner\n", encoding="utf-8")
    (shop / "mail" / "broken.hex").write_bytes(b":0312340061626390\n:00000001FF\n")
    (shop / "stranger.bin").write_bytes(b"\0\x01" * 512)
    (shop / "up").symlink_to("..")
    (shop / "out.bin").symlink_to(demo / STOCK)
    (shop / "in.bin").symlink_to("a.bin")
    (shop / "nowhere").symlink_to("no-such-file")
    os.mkfifo(shop / "pipe")
    return shop


def names(entries: list[dict[str, Any]], folder: Path) -> list[str]:
    return [str(Path(entry["label"]).relative_to(folder)) for entry in entries]


def test_a_folder(call: Run, folder: Path) -> None:
    answer = call("identify", str(folder), "--json")
    document = json.loads(answer.out)
    assert (answer.status, answer.err) == (0, "")
    assert names(document["files"], folder) == [
        "a.bin",
        "in.bin",
        "mail/again.bin",
        "mail/old/stock.hex.gz",
        "mail/rev1.hex",
        "stranger.bin",
    ]
    assert names(document["others"], folder) == ["mail/broken.hex", "note.txt", "nowhere", "out.bin", "pipe", "up"]
    reasons = {Path(o["label"]).name: o["reason"] for o in document["others"]}
    assert reasons["up"] == "a link to a folder, not followed"
    assert reasons["out.bin"] == "a link that leads out of the folder, not followed"
    assert reasons["nowhere"] == "a link that leads nowhere"
    assert reasons["pipe"] == "no regular file"
    assert "checksum" in reasons["broken.hex"] or "sum" in reasons["broken.hex"]
    same = [[str(Path(label).relative_to(folder)) for label in group] for group in document["same_content"]]
    assert same == [["a.bin", "in.bin", "mail/again.bin", "mail/old/stock.hex.gz"]]
    assert {c["status"] for c in document["files"][0]["checksums"]} == {"valid", "not verifiable"}


def test_the_same_order_every_time(folder: Path) -> None:
    paths = [one.path for one in below(str(folder))]
    assert paths == sorted(paths, key=lambda path: Path(path).parts)
    assert [one.path for one in below(str(folder))] == paths


def test_a_table_at_80_columns(call: Run, folder: Path) -> None:
    out = call("identify", str(folder)).out
    lines = out.splitlines()
    assert max(map(len, lines)) <= 80 or any(len(line) > 80 and str(folder) in line for line in lines)
    assert lines[0].split() == ["File", "Format", "Size", "Definition", "Checksums"]
    assert "The same content" in out
    assert "(2 different files)" in " ".join(out.split())
    assert "! none fits" in out
    assert VIN not in out


def test_two_files_of_one_content(call: Run, folder: Path) -> None:
    """The very same file is told from another file that holds the same."""
    again, packed = (
        call("identify", STOCK, str(folder / "a.bin")),
        call("identify", STOCK, str(folder / "mail" / "old")),
    )
    assert "(the very same file)" in " ".join(again.out.split())
    assert "(2 different files)" in " ".join(packed.out.split())
    assert "The same content" not in call("identify", STOCK, REV1).out
    assert json.loads(call("identify", STOCK, REV1, "--json").out)["same_content"] == []


def test_what_is_named_is_trouble_where_what_lies_in_a_folder_is_not(call: Run, folder: Path) -> None:
    assert call("identify", str(folder)).status == 0
    for name in ("note.txt", "mail/broken.hex", "stranger.bin", "nowhere", "no-such-file"):
        answer = call("identify", str(folder / "a.bin"), str(folder / name))
        assert answer.status == 2, name
        assert "a.bin" in answer.out
    assert call("identify", str(folder / "out.bin")).status == 0  # a link that was named is followed


def test_a_folder_without_files_is_no_answer(call: Run, tmp_path: Path) -> None:
    (tmp_path / ".only-hidden").touch()
    answer = call("identify", str(tmp_path))
    assert (answer.status, answer.out) == (2, "")
    assert "there are no files in this folder" in answer.err


def test_options_count_what_was_named(call: Run, folder: Path) -> None:
    """One definition for the folder, another for the file."""
    answer = call(
        "identify", str(folder / "mail"), str(folder / "a.bin"), "-d", "wren4-2.30", "-d", "wren4-2.10", "--json"
    )
    document = json.loads(answer.out)
    assert answer.status == 0
    assert [f["fitting"] for f in document["files"]] == [[], [], [], ["wren4-2.10"]]
    assert call("identify", str(folder), "-d", "no-such-definition").status == 2


def test_a_deep_folder_is_walked(tmp_path: Path) -> None:
    deep = tmp_path
    for _ in range(300):
        deep /= "d"
    deep.mkdir(parents=True)
    (deep / "a.bin").write_bytes(b"\0\1" * 8)
    assert [one.path for one in below(str(tmp_path))] == [str(deep / "a.bin")]


def test_a_folder_that_cannot_be_read_is_trouble(call: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    listing = os.listdir

    def refusing(path: Any) -> list[str]:
        if str(path).endswith("old"):
            raise PermissionError(13, "Permission denied", path)
        return list(listing(path))

    monkeypatch.setattr("os.listdir", refusing)
    answer = call("identify", str(folder))
    assert answer.status == 2
    assert f"{folder / 'mail' / 'old'}: cannot be read: Permission denied" in answer.err
    assert "a.bin" in answer.out


def test_names_that_are_not_text(call: Run, tmp_path: Path) -> None:
    (tmp_path / os.fsdecode(b"caf\xe9\x1b[31m.txt")).write_text("no image at all, only words\n", encoding="utf-8")
    (tmp_path / os.fsdecode(b"b\xe9.bin")).write_bytes(b"\0\1" * 64)
    text, document = call("identify", str(tmp_path)), json.loads(call("identify", str(tmp_path), "--json").out)
    assert "\x1b" not in text.out
    assert len(document["others"]) == len(document["files"]) == 1


# ----------------------------------------------------------------------------------------------------- one file, faults


def test_one_file_is_told_of_in_full(call: Run) -> None:
    out = call("identify", REV3).out
    assert "raw binary in zip (hot_day_fix.bin)" in out
    assert "content sha256 " in out
    assert "checksums: " in out


def test_a_faulty_vin_is_told_and_stops_nothing(call: Run, demo: Path, tmp_path: Path) -> None:
    data = bytearray((demo / STOCK).read_bytes())
    data[0xFF40 + 16] = ord("8")
    bad = tmp_path / "bad.bin"
    bad.write_bytes(data)
    words = "VIN has a check digit (its ninth character) that does not agree"
    for arguments in (["identify", str(bad)], ["identify", STOCK, str(bad)], ["show", str(bad)]):
        answer = call(*arguments)
        assert answer.status == 0
        assert words in " ".join(answer.out.split())
    answer = call(STOCK, str(bad))
    assert answer.out.startswith("! another vehicle: VIN differs\n")
    assert answer.status == 1


def test_a_stale_checksum_is_told(call: Run, demo: Path, tmp_path: Path) -> None:
    data = bytearray((demo / STOCK).read_bytes())
    data[0x90000] ^= 1
    (tmp_path / "stale.bin").write_bytes(data)
    assert "! checksums: " in call("identify", str(tmp_path / "stale.bin")).out
    assert " stale" in call("identify", STOCK, str(tmp_path / "stale.bin")).out


# ------------------------------------------------------------------------------------------------------------ the key


def digest(answer: Any) -> str | None:
    found = json.loads(answer.out)
    entry = found["files"][0] if "files" in found else found["sides"][0] if "sides" in found else found
    value: str | None = next(f for f in entry["identity"] if f["name"] == "vin")["digest"]
    return value


def test_a_key_by_option_or_environment(call: Run, tmp_path: Path) -> None:
    one, other = tmp_path / "one.key", tmp_path / "other.key"
    one.write_bytes(bytes(range(32)))
    other.write_bytes(bytes(range(1, 33)) + b"\n")
    for command in (["identify", STOCK], ["show", STOCK], [STOCK, REV1], [STOCK, STOCK]):
        assert digest(call(*command, "--json")) is None
        by_option = digest(call(*command, "--json", "--key", str(one)))
        assert by_option
        assert by_option.startswith("hmac-sha256:")
        assert digest(call(*command, "--json", CALDIFF_KEY_FILE=str(one))) == by_option
        assert digest(call(*command, "--json", "--key", str(one), CALDIFF_KEY_FILE=str(other))) == by_option
        assert digest(call(*command, "--json", CALDIFF_KEY_FILE=str(other))) not in {None, by_option}
        assert VIN not in call(*command, "--json", "--key", str(one)).out


@pytest.mark.parametrize("content", [b"", b"short", b"x" * 100_000])
def test_a_bad_key_is_trouble(call: Run, tmp_path: Path, content: bytes) -> None:
    (tmp_path / "key").write_bytes(content)
    for command in (["identify", STOCK], ["show", STOCK], [STOCK, REV1]):
        answer = call(*command, "--json", "--key", str(tmp_path / "key"))
        assert (answer.status, answer.out) == (2, "")
        assert "key" in answer.err


def test_a_key_that_is_not_there_or_not_used_is_trouble(call: Run, tmp_path: Path) -> None:
    for arguments in (["--json", "--key", str(tmp_path / "none")], ["--json", "--key", str(tmp_path)], ["--key", "k"]):
        for command in (["identify", STOCK], ["show", STOCK], [STOCK, REV1]):
            answer = call(*command, *arguments)
            assert (answer.status, answer.out) == (2, "")
    assert call("identify", STOCK, CALDIFF_KEY_FILE=str(tmp_path / "none")).status == 0  # nothing to be matched in text
    assert call("identify", STOCK, "--json", CALDIFF_KEY_FILE=str(tmp_path / "none")).status == 2


# ----------------------------------------------------------------------------------------------------------- progress


def test_progress_is_said_on_a_terminal_only_and_taken_away(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    clock = iter(range(100))
    monkeypatch.setattr("time.monotonic", lambda: next(clock))
    assert list(counted("abc", "reading files")) == ["a", "b", "c"]
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    assert list(counted("abc", "reading files")) == ["a", "b", "c"]
    said = capsys.readouterr().err
    assert "caldiff: reading files, 2 of 3 ..." in said
    assert said.endswith("\r")


def test_one_image_is_held_at_a_time(call: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import gc  # noqa: PLC0415 - only here
    import weakref  # noqa: PLC0415 - only here

    alive: list[weakref.ref[Image]] = []
    most = []

    def reading(*arguments: Any, **options: Any) -> Image:
        gc.collect()
        most.append(sum(ref() is not None for ref in alive))
        image = read_image(*arguments, **options)
        alive.append(weakref.ref(image))
        return image

    monkeypatch.setattr("caldiff.cli.identify.read_image", reading)
    assert call("identify", str(folder)).status == 0
    assert len(most) > 5
    assert max(most) == 0
