"""``caldiff restore``: the very file that was recorded, or nothing; in a process that imports next to nothing."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from caldiff.cli import main

SCHEMA = Path(__file__).parents[2] / "docs" / "schemas" / "restored.json"
STOCK, REV1, REV2, REV3 = "van17_stock_read.bin", "van17_rev1.hex", "van17_rev2.s19", "van17_rev3.zip"
STEPS = (
    ("baseline", STOCK),
    ("revision", REV1),
    ("revision", REV2),
    ("revision", REV3),
    ("evidence", "--sort", "log", "--of", "1", "README.txt", REV1),
    ("note", "-m", "a word"),
)
PATCHED = "patched.bin"
Run = Callable[..., Any]


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory, demo: Path, home: Path) -> Path:
    """A vault with one unit."""
    vault = tmp_path_factory.mktemp("kept") / "vault"
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(demo)
        patch.setenv("HOME", str(home))
        patch.setenv("CALDIFF_VAULT", str(vault))
        assert main(["vault", "init", str(vault)]) == 0
        for kind, *rest in STEPS:
            assert main(["record", kind, "van17", *rest]) == 0
        patched = bytearray((demo / STOCK).read_bytes())
        patched[0x80123] ^= 1
        (vault.parent / PATCHED).write_bytes(patched)
        assert main(["record", "revision", "van17", str(vault.parent / PATCHED), "--parent", "0"]) == 0
    digest = hashlib.sha256(patched).hexdigest()
    assert (vault / "objects" / digest[:2] / f"{digest}.diff").exists()
    return vault


@pytest.fixture
def vault(kept: Path, tmp_path: Path) -> Path:
    """A copy of the vault, to be damaged."""
    return Path(shutil.copytree(kept, tmp_path / "vault"))


FILES = {
    "": STOCK,
    "baseline": STOCK,
    "0": STOCK,
    "1": REV1,
    "2": REV2,
    "3": REV3,
    "latest": PATCHED,
    "4 --file README.txt": "README.txt",
    f"4 --file {REV1}": REV1,
}


@pytest.mark.parametrize("entry", FILES)
def test_the_very_file_comes_back(call: Run, kept: Path, demo: Path, tmp_path: Path, entry: str) -> None:
    out, file = tmp_path / "out", FILES[entry]
    answer = call("restore", "van17", *entry.split(), "-o", str(out), CALDIFF_VAULT=str(kept))
    assert answer.status == 0, answer
    assert out.read_bytes() == ((kept.parent if file == PATCHED else demo) / file).read_bytes()
    assert answer.out.startswith(f"{out}\n")
    assert f"\n  {file}, " in answer.out
    assert hashlib.sha256(out.read_bytes()).hexdigest() in answer.out


def test_an_entry_is_named_by_its_hash_too(call: Run, kept: Path, demo: Path, tmp_path: Path) -> None:
    document = json.loads(call("history", "van17", "--json", CALDIFF_VAULT=str(kept)).out)
    digits = document["entries"][2]["hash"].removeprefix("sha256:")
    out = tmp_path / "out"
    answer = call("restore", "van17", digits[:8], "-o", str(out), "--json", CALDIFF_VAULT=str(kept))
    assert answer.status == 0, answer
    assert out.read_bytes() == (demo / REV2).read_bytes()
    restored = json.loads(answer.out)
    Draft202012Validator(json.loads(SCHEMA.read_text(encoding="utf-8"))).validate(restored)
    assert (restored["sequence"], restored["kind"], restored["name"]) == (2, "revision", REV2)
    assert restored["output"] == str(out)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["van17", "99"], "no entry is named '99'"),
        (["van17", "abcdef"], "no entry is named 'abcdef'"),
        (["van17", "5"], "is of kind note and has no file"),
        (["van17", "4"], f"has 2 files: README.txt, {REV1}"),
        (["van17", "4", "--file", "x"], "no file of this name"),
        (["van71"], "did you mean van17?"),
        (["../van17"], "van17"),
    ],
)
def test_trouble_writes_nothing(call: Run, kept: Path, tmp_path: Path, arguments: list[str], words: str) -> None:
    out = tmp_path / "out"
    answer = call("restore", *arguments, "-o", str(out), CALDIFF_VAULT=str(kept))
    assert answer.status == 2, answer
    assert words in answer.err
    assert answer.out == ""
    assert os.listdir(tmp_path) == []  # noqa: PTH208 - no part of a file either


def test_no_file_is_overwritten(call: Run, kept: Path, tmp_path: Path) -> None:
    out, link = tmp_path / "out", tmp_path / "link"
    out.write_bytes(b"precious")
    link.symlink_to("nowhere")
    for taken in (out, link):
        answer = call("restore", "van17", "-o", str(taken), CALDIFF_VAULT=str(kept))
        assert answer.status == 2
        assert "there already" in answer.err
    assert out.read_bytes() == b"precious"
    assert sorted(os.listdir(tmp_path)) == ["link", "out"]  # noqa: PTH208 - names are text here


def test_a_folder_that_is_not_there_is_said(call: Run, kept: Path, tmp_path: Path) -> None:
    answer = call("restore", "van17", "-o", str(tmp_path / "none" / "out"), CALDIFF_VAULT=str(kept))
    assert answer.status == 2
    assert "cannot be written" in answer.err


def test_a_damaged_file_is_not_restored(call: Run, vault: Path, tmp_path: Path) -> None:
    """One bit of every file of the vault: the very file comes, or nothing does."""
    right = (vault.parent / "right").name
    assert call("restore", "van17", "latest", "-o", str(tmp_path / right), CALDIFF_VAULT=str(vault)).status == 0
    expected = (tmp_path / right).read_bytes()
    outcomes = set()
    for n, file in enumerate(sorted(path for path in vault.rglob("*") if path.is_file())):
        data = file.read_bytes()
        file.write_bytes(data[:-9] + bytes([data[-9] ^ 4]) + data[-8:])
        out = tmp_path / f"out{n}"
        answer = call("restore", "van17", "latest", "-o", str(out), CALDIFF_VAULT=str(vault))
        file.write_bytes(data)
        outcomes.add(answer.status)
        assert answer.status in {0, 2}, answer
        assert (answer.status == 0) == out.exists()
        assert not out.exists() or out.read_bytes() == expected
        assert "Traceback" not in answer.err
    assert outcomes == {0, 2}


def test_a_broken_chain_restores_nothing(call: Run, vault: Path, tmp_path: Path) -> None:
    for path in (vault / "units" / "van17").glob("000001*"):
        path.unlink()
    answer = call("restore", "van17", "-o", str(tmp_path / "out"), CALDIFF_VAULT=str(vault))
    assert answer.status == 2
    assert "chain of unit van17 is broken" in answer.err
    assert not (tmp_path / "out").exists()


HEAVY = ("attr", "attrs", "typing", "numpy", "cryptography", "zfec", "sqlite3", "caldiff.ledger.entry", "threading")
LISTS = (
    "import sys; from caldiff.cli import main; status = main(sys.argv[1:]);"
    f"print([m for m in {HEAVY!r} if m in sys.modules]); sys.exit(status)"
)


@pytest.mark.parametrize("entry", ["baseline", "latest"])  # a whole file; a raw binary kept as a difference
def test_restoring_imports_next_to_nothing(spawn: Run, kept: Path, tmp_path: Path, entry: str) -> None:
    """Importing attrs and typing alone would cost more than all the rest."""
    answer = spawn("restore", "van17", entry, "-o", str(tmp_path / "out"), code=LISTS, CALDIFF_VAULT=str(kept))
    assert answer.status == 0, answer
    assert answer.out.splitlines()[-1] == "[]"


def test_a_history_needs_no_numpy(spawn: Run, kept: Path) -> None:
    answer = spawn("history", "van17", code=LISTS, CALDIFF_VAULT=str(kept))
    assert answer.status == 0, answer
    loaded = answer.out.splitlines()[-1]
    assert "'caldiff.ledger.entry'" in loaded  # so that the check can fail
    assert not {"'numpy'", "'cryptography'", "'zfec'", "'sqlite3'"} & set(loaded.strip("[]").split(", "))
