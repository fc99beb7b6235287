"""``caldiff export`` and ``caldiff import``: one unit from vault to vault."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from caldiff.canonical import Digest
from caldiff.ledger.entry import Baseline, Draft, ImageFacts, Note, Subject
from caldiff.vault.vault import Vault

SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
Run = Callable[..., Any]


@pytest.fixture
def vault(tmp_path: Path) -> Vault:
    made = Vault.create(tmp_path / "vault", id="a" * 32)
    data = b"stock" * 1000
    facts = ImageFacts(format="binary", size=len(data), start=0, content=Digest.of(data))
    subject = Subject(name="read.bin", file=made.keep(data, whole=True))
    made.append("van17", Draft(body=Baseline(image=facts), time="2026-03-11T09:30:00Z", subjects=(subject,)))
    return made


@pytest.fixture
def other(tmp_path: Path) -> Vault:
    return Vault.create(tmp_path / "other", id="b" * 32)


def note(vault: Vault, text: str) -> None:
    vault.append("van17", Draft(body=Note(), time="2026-03-12T09:30:00Z", message=text))


def checked(text: str, kind: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(text)
    schema = json.loads((SCHEMAS / f"{kind}.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    Draft202012Validator(schema).validate(document)
    assert (document["caldiff"], document["version"]) == (kind, 1)
    return document


def test_out_and_in_again(call: Run, vault: Vault, other: Vault, tmp_path: Path) -> None:
    file = tmp_path / "van17.zip"
    answer = call("export", "van17", "-o", str(file), "--vault", vault.folder)
    assert (answer.status, answer.err) == (0, "")
    assert hashlib.sha256(file.read_bytes()).hexdigest() in answer.out
    assert "van17 with 1 entry" in answer.out
    answer = call("import", str(file), "--vault", other.folder)
    assert (answer.status, answer.out) == (0, "van17: 1 entry verified; 1 entry and 1 file taken in\n")
    assert other.links("van17") == vault.links("van17")
    answer = call("import", str(file), "--vault", other.folder)
    assert answer.out == "van17: 1 entry verified; all of it was here already\n"
    note(other, "more")
    answer = call("import", str(file), "--vault", other.folder)
    assert answer.out.endswith("this vault has 1 entry more of it\n")


def test_an_unpacked_export_is_a_vault(call: Run, vault: Vault, tmp_path: Path) -> None:
    call("export", "van17", "-o", str(tmp_path / "van17.zip"), "--vault", vault.folder)
    with zipfile.ZipFile(tmp_path / "van17.zip") as found:
        found.extractall(tmp_path / "there")
    out = str(tmp_path / "again.bin")
    assert call("restore", "van17", "-o", out, "--vault", str(tmp_path / "there")).status == 0
    assert Path(out).read_bytes() == b"stock" * 1000


def test_documents(call: Run, vault: Vault, other: Vault, tmp_path: Path) -> None:
    file = tmp_path / "van17.zip"
    document = checked(call("export", "van17", "-o", str(file), "--vault", vault.folder, "--json").out, "exported")
    data = file.read_bytes()
    assert (document["size"], document["digest"]) == (len(data), f"sha256:{hashlib.sha256(data).hexdigest()}")
    assert (document["unit"], document["entries"]) == ("van17", 1)
    document = checked(call("import", str(file), "--vault", other.folder, "--json").out, "imported")
    assert {k: document[k] for k in ("entries", "added", "files", "ahead")} == {
        "entries": 1,
        "added": 1,
        "files": 1,
        "ahead": 0,
    }


def test_a_fork_is_trouble_and_takes_nothing(call: Run, vault: Vault, other: Vault, tmp_path: Path) -> None:
    file = str(tmp_path / "van17.zip")
    call("export", "van17", "-o", file, "--vault", vault.folder)
    call("import", file, "--vault", other.folder)
    note(vault, "here")
    note(other, "there")
    call("export", "van17", "-o", f"{file}2", "--vault", vault.folder)
    answer = call("import", f"{file}2", "--vault", other.folder)
    assert (answer.status, answer.out) == (2, "")
    assert "part at entry 1" in answer.err
    assert len(other.links("van17")) == 2


def test_errors_name_the_file_and_the_place_in_it(call: Run, vault: Vault, other: Vault, tmp_path: Path) -> None:
    file = tmp_path / "van17.zip"
    file.write_bytes(b"no zip")
    answer = call("import", str(file), "--vault", other.folder)
    assert (answer.status, answer.err.startswith(f"caldiff: {file}: the zip is broken")) == (2, True)
    call("export", "van17", "-o", f"{file}2", "--vault", vault.folder)
    with zipfile.ZipFile(f"{file}2") as found, zipfile.ZipFile(f"{file}3", "w") as made:
        for name in found.namelist():
            made.writestr(name, found.read(name)[3:])
    answer = call("import", f"{file}3", "--vault", other.folder)
    assert answer.status == 2
    assert answer.err.startswith(f"caldiff: {file}3: vault.json: ")  # and not the folder that it was unpacked into


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (["export", "van99", "-o", "x.zip"], "no unit 'van99'"),
        (["export", "van17", "-o", "README.txt"], "this file is there already"),
        (["export", "van17", "-o", "nowhere/x.zip"], "cannot be written"),
        (["export", "van17"], "-o"),
        (["import", "nowhere.zip"], "cannot be read"),
        (["import", "."], "cannot be read"),
    ],
)
def test_trouble(call: Run, vault: Vault, arguments: list[str], reason: str) -> None:
    answer = call(*arguments, CALDIFF_VAULT=vault.folder)
    assert (answer.status, answer.out) == (2, "")
    assert reason in answer.err
