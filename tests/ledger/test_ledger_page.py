"""What ``docs/ledger.md`` promises: the example is an entry, the commands check one, the trusted keys are read."""

from __future__ import annotations

import gzip
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import rfc8785
from ledger_drafts import story

from caldiff.gate.trust_file import load_trust
from caldiff.ledger.entry import Revision
from caldiff.ledger.linkage import _MAY_NAME
from caldiff.ledger.signing import PrivateKey
from caldiff.ledger.statement import read_entry

PAGE = (Path(__file__).parents[2] / "docs/ledger.md").read_text(encoding="utf-8")
KEY = PrivateKey.of_seed(bytes(32))
TOOLS = ("sh", "zcat", "jq", "base64", "sha256sum", "openssl", "ssh-keygen")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)


def test_the_example_is_an_entry() -> None:
    entry = read_entry(rfc8785.dumps(json.loads(blocks("json")[0])))
    assert isinstance(entry.body, Revision)
    assert (entry.unit, entry.sequence, entry.draft.subjects[0].name) == ("van17", 3, "van17_rev2.bin")
    assert entry.body.against_baseline.bytes == 18
    assert entry.body.against_baseline.cells == 14


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The invented chain, signed, as a vault keeps it."""
    for number, one in enumerate(story(signers=[KEY])):
        (tmp_path / f"{number:06}.json.gz").write_bytes(gzip.compress(one.envelope.dump(), mtime=0))
    (tmp_path / "maker.pub").write_text(f"{KEY.public.text} maker@shop\n", encoding="ascii")
    return tmp_path


@pytest.mark.skipif(any(shutil.which(tool) is None for tool in TOOLS), reason="a general tool is not here")
def test_general_tools_check_it(unit: Path) -> None:
    def run(script: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["sh", "-e", "-c", script], cwd=unit, capture_output=True, text=True, check=False, timeout=60
        )

    one, chain, signature = blocks("sh")
    entries = [recorded.entry for recorded in story()]
    assert run(one).stdout.splitlines()[-1] == f"{entries[3].hash.hex}  payload"
    assert run(chain).stdout == f"head: {entries[-1].hash.hex}\n"
    checked = run(signature)
    assert checked.returncode == 0, checked.stderr
    assert "Signature Verified Successfully" in checked.stdout
    assert checked.stdout.splitlines()[-1].split()[1] == KEY.keyid

    other = PrivateKey.of_seed(bytes([1]) * 32).public.text
    (unit / "maker.pub").write_text(f"{other} maker@shop\n", encoding="ascii")
    assert run(signature).returncode != 0
    (unit / "000005.json.gz").unlink()
    assert run(chain).stdout.splitlines()[0] == "000006.json.gz does not follow"


def test_the_trusted_keys_are_read(tmp_path: Path) -> None:
    (block,) = blocks("yaml")
    path = tmp_path / "keys.yaml"
    path.write_text(block, encoding="utf-8")
    keys = load_trust(path).keys
    assert [(key.name, key.roles, key.since, key.until) for key in keys] == [
        ("A. Example", ("reader", "calibrator"), None, None),
        ("B. Example", ("approver",), "2026-01-01", "2026-12-31"),
    ]
    assert [key.public.keyid for key in keys] == [PrivateKey.of_seed(bytes([n]) * 32).keyid for n in (1, 2)]


def test_the_table_of_kinds_says_what_may_be_named() -> None:
    rows = dict(re.findall(r"^\| `(\w+)` \|.*\| ([^|]*) \|$", PAGE.partition("### The kinds")[2], re.MULTILINE))
    for kind, name in _MAY_NAME:
        assert f"`{name}`" in rows[kind]
    assert {kind for kind, row in rows.items() if row.strip()} == {kind for kind, _ in _MAY_NAME}
