"""``caldiff gate`` over a vault of the demo's van: accepted, refused, trouble; and what is judged below a folder."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import attrs
import pytest
from jsonschema import Draft202012Validator
from junitparser import JUnitXml

from caldiff.ledger.signing import PrivateKey
from caldiff.trace.recording import Recorder
from caldiff.vault.vault import Vault

STOCK, REV1, REV2, NEWER = "van17_stock_read.bin", "van17_rev1.hex", "van17_rev2.s19", "van17_read_after_update.hex"
SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
Run = Callable[..., Any]


@attrs.frozen
class Shop:
    """A vault in which the first revision has all that the strict policy asks for, and the second has not."""

    folder: Path
    gate: Run

    def __call__(self, *paths: str | Path, **environment: str) -> Any:
        given = ["--vault", str(self.folder / "vault"), "--trust", str(self.folder / "trust.yaml")]
        return self.gate("gate", *given, *map(str, paths), **environment)


@pytest.fixture(scope="session")
def shop_folder(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shop")
    keys = {name: PrivateKey.of_seed(bytes([n]) * 32) for n, name in enumerate(("reader", "maker", "one", "two"))}
    roles = {"reader": "reader", "maker": "calibrator", "one": "approver", "two": "approver"}
    lines = [f"  - {{name: {n}, key: {k.public.text.strip()}, roles: [{roles[n]}]}}" for n, k in keys.items()]
    (folder / "trust.yaml").write_text("\n".join(["trust: 1", "name: shop", "keys:", *lines, ""]))
    vault = Vault.create(folder / "vault", id="0" * 32)

    def by(name: str, day: int) -> Recorder:
        return Recorder(vault=vault, time=f"2026-03-{day:02d}T09:30:00Z", author=name, signers=[keys[name]])

    by("reader", 1).baseline("van17", demo / STOCK)
    by("reader", 2).repeat("van17", demo / STOCK)
    by("maker", 3).revision("van17", demo / REV1)
    by("one", 4).approval("van17", of="2")
    by("two", 5).approval("van17", of="2")
    by("maker", 6).revision("van17", demo / REV2)
    return folder


@pytest.fixture
def shop(shop_folder: Path, call: Run) -> Shop:
    return Shop(shop_folder, call)


@pytest.fixture
def out(demo: Path, tmp_path: Path) -> Path:
    """What is to go out: the revision that may."""
    folder = tmp_path / "out"
    folder.mkdir()
    shutil.copy(demo / REV1, folder)
    return folder


# -------------------------------------------------------------------------------------------------------------- answers


def test_what_has_everything_is_accepted(shop: Shop, out: Path) -> None:
    answer = shop(out)
    assert (answer.status, answer.err) == (0, "")
    assert answer.out.startswith("accepted: 1 file\n")
    assert "have licensed people decide" in " ".join(answer.out.split())


def test_what_lacks_anything_is_refused(shop: Shop) -> None:
    answer = shop(REV1, REV2)
    assert answer.status == 3
    assert answer.out.startswith("! refused: 1 of 2 files, ")
    assert "wanted: 2 people other than the author, as approver" in " ".join(answer.out.split())
    assert "accepted; traced to entry 2 of van17" in answer.out


def test_a_stranger_is_refused(shop: Shop, tmp_path: Path) -> None:
    (tmp_path / "final2_NEW.bin").write_bytes(bytes(range(256)) * 64)
    answer = shop(tmp_path)
    assert answer.status == 3
    assert "traced to no entry" in answer.out


@pytest.mark.parametrize("name", ["broken.hex", "empty.bin", "words.bin"])
def test_what_is_called_like_an_image_is_judged(shop: Shop, out: Path, name: str) -> None:
    (out / name).write_bytes({"broken.hex": b":10000000", "empty.bin": b"", "words.bin": b"only words\n"}[name])
    answer = shop(out)
    assert answer.status == 3
    assert f"{name}\n  refused, 1 reason; traced to no entry" in answer.out


def test_a_vault_of_its_own_says_nothing(shop: Shop, out: Path, call: Run, tmp_path: Path) -> None:
    """Without the vault's chain, or without the keys, the same file is refused."""
    Vault.create(tmp_path / "other", id="1" * 32)
    assert call("gate", str(out), "--vault", str(tmp_path / "other")).status == 3
    assert call("gate", str(out), "--vault", str(shop.folder / "vault")).status == 3
    assert call("gate", str(out), CALDIFF_VAULT=str(shop.folder / "vault")).status == 3


def test_a_pinned_head_that_is_missing_refuses(shop: Shop, out: Path) -> None:
    head = Vault.open(shop.folder / "vault").chain("van17").head.entry
    assert shop(out, "--head", f"van17:{head.sequence}:{head.hash.hex}").status == 0
    assert shop(out, "--head", f"van17:{head.sequence + 1}:{'0' * 64}").status == 3
    assert shop(out, "--head", "van17").status == 2


def test_a_house_policy_is_what_is_asked(shop: Shop, tmp_path: Path) -> None:
    policy = tmp_path / "house.yaml"
    policy.write_text("policy: 1\nname: house\nextends: strict\nlimits:\n  idle_target_gas: {high: 1}\n")
    answer = shop(REV1, "--policy", policy)
    assert answer.status == 3
    assert "policy house" in answer.out
    assert "idle_target_gas" in answer.out


def test_explain_names_every_rule(shop: Shop, out: Path) -> None:
    said = shop(out, "--explain").out
    for rule in ("image", "traceability", "proof", "signatures", "checksums", "unexplained", "identity", "approval"):
        assert f"    held       {rule}: " in said
    assert "    not asked  changes" in said


# -------------------------------------------------------------------------------------------------------------- trouble


@pytest.mark.parametrize(
    "arguments",
    [
        ["nowhere"],
        ["van17_rev1.hex", "nowhere"],
        ["van17_rev1.hex", "--policy", "README.txt"],
        ["van17_rev1.hex", "--policy", "nowhere.yaml"],
        ["van17_rev1.hex", "--trust", "nowhere.yaml"],
        ["van17_rev1.hex", "--checkpoint", "nowhere"],
        ["van17_rev1.hex", "--json", "--markdown"],
        ["van17_rev1.hex", "--junit", "nowhere/junit.xml"],
        [],
    ],
)
def test_trouble_is_no_answer(shop: Shop, arguments: list[str]) -> None:
    answer = shop(*arguments)
    assert (answer.status, answer.out) == (2, "")
    assert answer.err


def test_without_a_vault_it_is_trouble(call: Run, tmp_path: Path) -> None:
    assert call("gate", REV1).status == 2
    assert call("gate", REV1, "--vault", str(tmp_path)).status == 2


def test_nothing_to_judge_is_trouble(shop: Shop, out: Path, tmp_path: Path) -> None:
    (tmp_path / "only").mkdir()
    for name, data in (("", b""), ("notes.txt", b"words\n"), (".git/image.bin", bytes(64))):
        path = tmp_path / "only" / name
        path.parent.mkdir(exist_ok=True)
        if name:
            path.write_bytes(data)
        answer = shop(out, tmp_path / "only")
        assert (answer.status, answer.out) == (2, "")
        assert "there is no image below this folder" in answer.err


def test_a_folder_that_cannot_be_listed_is_trouble(shop: Shop, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (out / "locked").mkdir()
    listing = os.listdir

    def refusing(path: Any) -> list[str]:
        if str(path).endswith("locked"):
            raise PermissionError(13, "Permission denied", path)
        return list(listing(path))

    monkeypatch.setattr("os.listdir", refusing)
    assert shop(out).status == 2


# ------------------------------------------------------------------------------------------------------- below a folder


def test_everything_below_a_folder_is_judged_or_listed(shop: Shop, out: Path) -> None:
    shutil.copytree(shop.folder / "vault", out / "vault")
    (out / ".git").mkdir()
    (out / ".git" / "object").write_bytes(bytes(range(256)))
    (out / "readme.txt").write_text("words\n")
    (out / "photo.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    (out / "nothing.txt").touch()
    (out / "link.hex").symlink_to(REV1)
    trust = ["--trust", str(shop.folder / "trust.yaml")]
    answer = shop.gate("gate", str(out), "--vault", str(out / "vault"), *trust, "--json")
    document = json.loads(answer.out)
    assert answer.status == 0
    assert [Path(f["path"]).name for f in document["files"]] == ["link.hex", REV1]
    assert {Path(p["path"]).name: p["reason"] for p in document["passed_over"]} == {
        ".git": "the folder of the version control",
        "nothing.txt": "an empty file",
        "photo.png": "a PNG picture",
        "readme.txt": "plain text",
        "vault": "the vault itself",
    }


@pytest.mark.parametrize(
    "name", [".hidden", "deep/.er/image", "no-suffix", "notes.txt", "mail.zip", "log.gz", "hex.txt"]
)
def test_no_image_slips_through(shop: Shop, demo: Path, out: Path, name: str) -> None:
    """Hidden, without a suffix, called otherwise, packed: a stranger is found."""
    data = bytearray((demo / STOCK).read_bytes())
    data[0x90000] ^= 1
    path = out / name
    path.parent.mkdir(parents=True, exist_ok=True)
    head = {"mail.zip": b"PK\x03\x04", "log.gz": b"\x1f\x8b\x08", "notes.txt": b"words, then\n"}.get(name, b"")
    path.write_bytes((demo / NEWER).read_bytes() if name == "hex.txt" else head + bytes(data))
    answer = shop(out)
    assert answer.status == 3
    assert f"{name}\n  refused" in answer.out


def test_links_and_what_is_no_file_are_refused(shop: Shop, demo: Path, out: Path) -> None:
    (out / "away.txt").symlink_to(demo / STOCK)
    (out / "folder").symlink_to(demo)
    (out / "lost").symlink_to("nowhere")
    os.mkfifo(out / "pipe")
    answer = shop(out, "--json")
    refused = [f for f in json.loads(answer.out)["files"] if not f["accepted"]]
    assert answer.status == 3
    assert {Path(f["path"]).name: f["refusals"][0]["found"] for f in refused} == {
        "away.txt": "a link that leads out of the folder, not followed",
        "folder": "a link to a folder, not followed",
        "lost": "a link that leads nowhere",
        "pipe": "no regular file",
    }


def test_a_file_named_twice_is_judged_once(shop: Shop, out: Path) -> None:
    answer = shop(out, out / REV1, f"{out}/./{REV1}", "--json")
    assert len(json.loads(answer.out)["files"]) == 1


def test_the_vault_is_no_set_of_images(shop: Shop) -> None:
    answer = shop(shop.folder / "vault")
    assert answer.status == 2
    assert "this is the vault itself" in answer.err


# ---------------------------------------------------------------------------------------------------------------- forms


def test_json_keeps_its_schema(shop: Shop) -> None:
    document = json.loads(shop(REV1, REV2, STOCK, "--json").out)
    schema = json.loads((SCHEMAS / "verdict.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(document)
    assert [f["accepted"] for f in document["files"]] == [True, False, False]


def test_reports_are_written_whatever_the_answer(shop: Shop, out: Path, tmp_path: Path) -> None:
    junit, sarif = tmp_path / "junit.xml", tmp_path / "gate.sarif"
    for path, status, failures in ((out, 0, 0), (REV2, 3, 1), (out, 0, 0)):
        answer = shop(path, "--junit", junit, "--sarif", sarif, "--markdown")
        assert answer.status == status
        assert answer.out.startswith("## Calibration gate\n")
        read = JUnitXml.fromfile(str(junit))
        assert (read.failures > 0) == bool(failures)
        (run,) = json.loads(sarif.read_text())["runs"]
        assert bool(run["results"]) == bool(failures)


def test_trouble_leaves_no_older_report(shop: Shop, out: Path, tmp_path: Path) -> None:
    junit, sarif = tmp_path / "junit.xml", tmp_path / "gate.sarif"
    reports = ["--junit", str(junit), "--sarif", str(sarif)]
    assert shop(out, *reports).status == 0
    assert shop(out, "nowhere", *reports).status == 2
    assert JUnitXml.fromfile(str(junit)).errors == 1
    (run,) = json.loads(sarif.read_text())["runs"]
    assert run["invocations"][0]["executionSuccessful"] is False
    assert "there is no such file" in run["invocations"][0]["toolExecutionNotifications"][0]["message"]["text"]


def test_a_fault_of_caldiff_leaves_no_older_report(
    shop: Shop, out: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError

    junit = tmp_path / "junit.xml"
    assert shop(out, "--junit", junit).status == 0
    monkeypatch.setattr("caldiff.gate.gate.judge", failing)
    assert shop(out, "--junit", junit).status == 2
    assert JUnitXml.fromfile(str(junit)).errors == 1


@pytest.mark.parametrize("option", ["--junit", "--sarif"])
def test_a_report_takes_the_place_of_no_other_file(shop: Shop, out: Path, option: str) -> None:
    before = (out / REV1).read_bytes()
    answer = shop(out, option, out / REV1)
    assert (answer.status, answer.out) == (2, "")
    assert (out / REV1).read_bytes() == before


def test_annotations_go_where_a_runner_reads_them(shop: Shop) -> None:
    answer = shop(REV2, "--annotations")
    assert answer.status == 3
    assert all(line.startswith("::") for line in answer.out.splitlines())
    assert answer.out.startswith(f"::error file={REV2},title=caldiff gate%3A ")
