"""A unit's story at the prompt, from an empty folder to the restored baseline, with the demo's files."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
STOCK, REV1, REV2, REV3, NEWER = (
    "van17_stock_read.bin",
    "van17_rev1.hex",
    "van17_rev2.s19",
    "van17_rev3.zip",
    "van17_read_after_update.hex",
)
WHEN = "2026-03-11T09:30:00Z"
STEPS = (
    ("baseline", STOCK, "-m", "first read"),
    ("repeat", STOCK),
    ("revision", REV1, "-m", "gas switched on"),
    ("revision", REV2, "--authority", "emissions=approval 12", "--authority", "over-temperature=the maker"),
    ("delivery", "--of", "latest", "--to", "the workshop"),
    ("readback", REV2),
    ("evidence", "--of", "3", "--sort", "log", "--fact", "road=test track", "van17_drive_town.csv"),
    ("note", "-m", "the fan was replaced"),
    ("revision", REV3, "--parent", "3"),
    ("return",),
)
KINDS = [step[0] for step in STEPS]
TRUST = "trust: 1\nname: shop\nkeys:\n  - {{name: Bo Example, key: '{}', roles: [approver]}}\n"
Run = Callable[..., Any]


def checked(text: str, kind: str) -> dict[str, Any]:
    """The document, valid by the schema of its kind."""
    document: dict[str, Any] = json.loads(text)
    assert (document["caldiff"], document["version"]) == (kind, 1)
    schema = json.loads((SCHEMAS / f"{kind}.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    Draft202012Validator(schema).validate(document)
    return document


@pytest.fixture(scope="session")
def told(
    tmp_path_factory: pytest.TempPathFactory, demo: Path, home: Path
) -> tuple[Path, tuple[tuple[str, ...], ...], list[str]]:
    """A vault with the story in it, told by processes; and what they said."""
    from caldiff.cli import main  # noqa: PLC0415 - the session's own, once

    vault = tmp_path_factory.mktemp("told") / "vault"
    said = []
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(demo)
        patch.setenv("HOME", str(home))
        patch.setenv("CALDIFF_VAULT", str(vault))
        patch.setenv("CALDIFF_AUTHOR", "Ada Example")
        assert main(["vault", "init", str(vault)]) == 0
        for n, (kind, *rest) in enumerate(STEPS):
            out = _captured(main, ["record", kind, "van17", *rest, "--time", f"2026-03-{n + 1:02}T09:30:00Z"])
            said.append(out)
    return vault, STEPS, said


def _captured(main: Callable[[list[str]], int], arguments: list[str]) -> str:
    import io  # noqa: PLC0415 - here only
    from contextlib import redirect_stdout  # noqa: PLC0415 - as above

    out = io.StringIO()
    with redirect_stdout(out):
        assert main(arguments) == 0, arguments
    return out.getvalue()


@pytest.fixture
def vault(told: tuple[Path, Any, Any], tmp_path: Path) -> Path:
    """A copy of the vault, to be changed."""
    return Path(shutil.copytree(told[0], tmp_path / "vault"))


# ------------------------------------------------------------------------------------------------------------- record


def test_every_recording_says_what_it_recorded(told: tuple[Path, Any, list[str]]) -> None:
    for n, (kind, text) in enumerate(zip(KINDS, told[2], strict=True)):
        assert text.startswith(f"recorded as entry {n} of van17: {kind}\n")
        assert re.search(r"^  hash       [0-9a-f]{64}$", text, re.MULTILINE)
    # idle and ignition on gas, the label and the switch (caldiff/demo/story.py)
    assert "made on entry 0: 4 tables" in told[2][2]
    assert "equal, every byte" in told[2][5]
    assert "!" not in "".join(told[2][:8])


def test_what_the_gate_would_refuse_is_said_when_it_is_recorded(told: tuple[Path, Any, list[str]]) -> None:
    warned = re.findall(r"^! (\w+)", told[2][8], re.MULTILINE)
    assert warned == ["code", "caution", "unexplained"]
    assert "the default policy will refuse" in re.sub(r"\s+", " ", told[2][8])


def test_a_recording_as_a_document(call: Run, vault: Path) -> None:
    answer = call("record", "revision", "van17", REV1, "--parent", "baseline", "--vault", str(vault), "--json")
    assert answer.status == 0, answer
    entry = checked(answer.out, "recorded")["entry"]
    assert (entry["sequence"], entry["parent"], entry["baseline"]) == (10, 0, 0)
    assert entry["changes"] == entry["against_baseline"]
    assert re.fullmatch(r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\dZ", entry["time"])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["revision", "van17", REV1, "--time", "2026-13-11T09:30:00Z"], "not a time in UTC"),
        (["revision", "van17", REV1, "--time", "yesterday"], "not a time in UTC"),
        (["revision", "van17", REV1, "--authority", "emissions"], "no name and text"),
        (["revision", "van17", REV1, "--authority", "emissions=a", "--authority", "emissions=b"], "'emissions' twice"),
        (["revision", "van17", REV1, "--parent", "99"], "no entry is named '99'"),
        (["revision", "van17", REV1, "-d", "wren4-2.10", "-d", "wren4-2.30"], "2 times for one file"),
        (["revision", "van71", REV1], "no unit 'van71'"),
        (["revision", "van17", "not-there.bin"], "not-there.bin"),
        (["revision", "van17", "README.txt"], "README.txt"),
        (["revision", "van17", REV1, "--sign", "README.txt"], "README.txt"),
        (["baseline", "van17", STOCK], "entry 0"),
        (["baseline", "Van17", STOCK], "an17"),
        (["baseline", "../van", STOCK], "no id of a unit"),
        (["approval", "van17", "--of", "latest"], "an approval counts as much as its signature"),
        (["approval", "van17", "--of", "0", "--sign", "KEY"], "revision"),
        (["note", "van17"], "a note says something"),
        (["delivery", "van17", "--of", "latest", "--to", "x", STOCK], STOCK),
    ],
)
def test_trouble_records_nothing_and_says_what_to_do(
    call: Run, vault: Path, tmp_path: Path, arguments: list[str], words: str
) -> None:
    key = tmp_path / "key"
    assert call("key", "new", str(key)).status == 0
    before = sorted((vault / "units").rglob("*"))
    answer = call("record", *(str(key) if a == "KEY" else a for a in arguments), "--vault", str(vault))
    assert answer.status == 2, answer
    assert words in answer.err
    assert "fault of caldiff" not in answer.err
    assert any(word in answer.err for word in ("hint: ", "usage: ", "expected: ", "no such file")), answer.err
    assert answer.out == ""
    assert sorted((vault / "units").rglob("*")) == before


@pytest.mark.parametrize(
    "arguments",
    [["record", "note", "van17", "-m", "x"], ["history", "van17"], ["verify"], ["restore", "van17", "-o", "x"]],
)
def test_without_a_vault_it_is_said_how_to_name_one(call: Run, arguments: list[str]) -> None:
    answer = call(*arguments)
    assert answer.status == 2
    assert "it is not said which vault" in answer.err
    assert "--vault DIR" in answer.err
    assert "CALDIFF_VAULT" in answer.err
    answer = call(*arguments, CALDIFF_VAULT=".")
    assert answer.status == 2
    assert "is no vault" in answer.err
    assert "hint: " in answer.err


def test_a_vault_is_made_once(call: Run, tmp_path: Path) -> None:
    folder = tmp_path / "new"
    document = checked(call("vault", "init", str(folder), "--json").out, "vault")
    assert json.loads((folder / "vault.json").read_text(encoding="utf-8"))["id"] == document["id"]
    for there in (folder, Path()):  # a vault; the demo's folder
        answer = call("vault", "init", str(there))
        assert answer.status == 2
        assert answer.out == ""


# ------------------------------------------------------------------------------------------------------------ history


@pytest.mark.parametrize("width", ["80", "160"])
def test_the_history_lists_every_entry(call: Run, told: tuple[Path, Any, Any], width: str) -> None:
    answer = call("history", "van17", "--width", width, CALDIFF_VAULT=str(told[0]))
    assert answer.status == 0, answer
    heads = re.findall(r"^[ !]  ?(\d+)  2026-03-(\d\d) 09:30  (\w+) +Ada Example", answer.out, re.MULTILINE)
    assert heads == [(str(n), f"{n + 1:02}", kind) for n, kind in enumerate(KINDS)]
    assert "delivered in 4, evidence in 6" in answer.out
    assert answer.err == ""


def test_the_history_as_a_document(call: Run, told: tuple[Path, Any, Any]) -> None:
    document = checked(call("history", "van17", "--json", CALDIFF_VAULT=str(told[0])).out, "history")
    assert [entry["kind"] for entry in document["entries"]] == KINDS
    assert document["sound"] is True
    assert document["entries"][3]["authorities"] == {"emissions": "approval 12", "over-temperature": "the maker"}
    assert document["entries"][3]["deliveries"] == [4]
    assert document["entries"][8]["changes"]["bytes"]["unexplained"] == 1


def test_a_history_with_a_hole_is_no_sound_one(call: Run, vault: Path) -> None:
    for path in (vault / "units" / "van17").glob("000003*"):
        path.unlink()
    answer = call("history", "van17", CALDIFF_VAULT=str(vault))
    assert answer.status == 1, answer
    assert re.search(r"^! failed +links", answer.out, re.MULTILINE)
    assert "entry 3" in answer.out


def test_a_unit_that_is_not_there_is_trouble(call: Run, vault: Path) -> None:
    for command in (["history", "van7"], ["verify", "van7"], ["restore", "van7", "-o", "x"]):
        answer = call(*command, CALDIFF_VAULT=str(vault))
        assert answer.status == 2
        assert "no unit 'van7'" in answer.err
        assert "did you mean van17?" in answer.err


# ------------------------------------------------------------------------------------------------------------- verify


def head(call: Run, vault: Path, number: int) -> str:
    entries = json.loads(call("history", "van17", "--json", CALDIFF_VAULT=str(vault)).out)["entries"]
    return f"van17:{number}:{entries[number]['hash'].removeprefix('sha256:')}"


def test_a_sound_vault_holds(call: Run, vault: Path) -> None:
    answer = call("verify", CALDIFF_VAULT=str(vault))
    assert answer.status == 0, answer
    assert "Held for 1 unit: links, bytes, meaning. Not proven: signatures, head." in answer.out
    document = checked(call("verify", "van17", "--json", CALDIFF_VAULT=str(vault)).out, "verification")
    assert document["failed"] is False
    assert document["units"][0]["entries"] == len(STEPS)
    assert document["repaired"] is None


def test_only_the_levels_asked_for(call: Run, vault: Path) -> None:
    answer = call("verify", "--level", "links", "--level", "bytes", CALDIFF_VAULT=str(vault))
    assert answer.status == 0
    assert re.search(r"^  not checked  meaning +not asked for$", answer.out, re.MULTILINE)


def test_what_was_noted_elsewhere_shows_what_was_cut_off(call: Run, vault: Path) -> None:
    noted = head(call, vault, 9)
    assert call("verify", "--level", "head", "--head", noted, CALDIFF_VAULT=str(vault)).status == 0
    for path in (vault / "units" / "van17").glob("000009*"):
        path.unlink()
    assert call("verify", CALDIFF_VAULT=str(vault)).status == 0  # nothing inside can tell
    answer = call("verify", "--head", noted, CALDIFF_VAULT=str(vault))
    assert answer.status == 1
    assert "head of van17" in answer.out
    assert "its end was cut off" in " ".join(answer.out.split())


def test_damage_is_found_and_mended(call: Run, vault: Path) -> None:
    file = max((vault / "objects").rglob("*"), key=lambda path: path.stat().st_size if path.is_file() else 0)
    data = bytearray(file.read_bytes())
    data[len(data) // 2] ^= 1
    file.write_bytes(data)
    broken = call("verify", "--json", CALDIFF_VAULT=str(vault))
    assert broken.status == 1
    findings = checked(broken.out, "verification")["units"][0]["findings"]
    assert any(f["fault"] and f["file"] == str(file.relative_to(vault)) for f in findings), findings
    mended = call("verify", "--repair", "--json", CALDIFF_VAULT=str(vault))
    assert mended.status == 0, mended
    (repaired,) = checked(mended.out, "verification")["repaired"]
    assert repaired["file"] == str(file.relative_to(vault))
    assert (vault / repaired["aside"]).read_bytes() == bytes(data)
    assert "mended" not in call("verify", "--repair", CALDIFF_VAULT=str(vault)).out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--level", "signatures"], "by --trust"),
        (["--level", "head"], "--head UNIT:NUMBER:HASH"),
        (["--head", "van17:1"], "no unit, number and hash"),
        (["--head", f"van17:1:{'g' * 64}"], "no unit, number and hash"),
        (["--level", "links", "--head", f"van17:1:{'0' * 64}"], "--level head"),
        (["--level", "links", "--trust", "README.txt"], "--level signatures"),
        (["van17", "--head", f"other:1:{'0' * 64}"], "name it as well"),
        (["--trust", "not-there.yaml"], "not-there.yaml"),
        (["--checkpoint", "not-there"], "the checkpoint cannot be read"),
    ],
)
def test_what_cannot_be_verified_so_is_trouble(call: Run, vault: Path, arguments: list[str], words: str) -> None:
    answer = call("verify", *arguments, CALDIFF_VAULT=str(vault))
    assert answer.status == 2, answer
    assert words in answer.err
    assert answer.out == ""


def test_a_pinned_unit_that_is_gone_fails(call: Run, vault: Path) -> None:
    answer = call("verify", "--head", f"other:1:{'0' * 64}", CALDIFF_VAULT=str(vault))
    assert answer.status == 1
    assert "other" in answer.out


def test_a_level_that_is_asked_for_and_cannot_be_proven_fails(call: Run, vault: Path, tmp_path: Path) -> None:
    made = checked(call("key", "new", str(tmp_path / "key"), "--json").out, "key")
    trust = tmp_path / "keys.yaml"
    trust.write_text(TRUST.format(made["public"]), encoding="utf-8")
    for extra, status in (((), 0), (("--level", "signatures"), 1)):  # nothing is signed
        answer = call("verify", "--trust", str(trust), *extra, CALDIFF_VAULT=str(vault))
        assert answer.status == status, answer
        assert ("! This vault does not hold: signatures of van17." in answer.out) == bool(status)
    noted = head(call, vault, 9)
    assert call("record", "baseline", "van18", STOCK, "--vault", str(vault)).status == 0
    for extra, status in (((), 0), (("--level", "head"), 1), (("--level", "head", "van17"), 0)):  # van18 is not pinned
        answer = call("verify", "--head", noted, *extra, CALDIFF_VAULT=str(vault))
        assert answer.status == status, answer


def test_all_that_is_wrong_with_a_file_of_keys_is_told(call: Run, vault: Path, tmp_path: Path) -> None:
    trust = tmp_path / "keys.yaml"
    trust.write_text("trust: 1\nname: shop\nkeys:\n  - {name: A, key: zzz, roles: [boss]}\nfoo: 1\n", encoding="utf-8")
    answer = call("verify", "--trust", str(trust), CALDIFF_VAULT=str(vault))
    assert answer.status == 2
    assert re.match(rf"caldiff: \d problems in {re.escape(str(trust))}\n", answer.err)
    assert "boss" in answer.err
    assert "foo" in answer.err


def test_a_vault_without_units_proves_nothing(call: Run, tmp_path: Path) -> None:
    assert call("vault", "init", str(tmp_path / "empty")).status == 0
    answer = call("verify", CALDIFF_VAULT=str(tmp_path / "empty"))
    assert answer.status == 1
    assert "nothing is proven" in answer.out


# --------------------------------------------------------------------------------------------------------------- keys


def test_a_key_signs_and_proves(call: Run, vault: Path, tmp_path: Path) -> None:
    """The fingerprint is what OpenSSH gives; with the key trusted, the signature holds."""
    key, secret = tmp_path / "key", tmp_path / "secret"
    secret.write_text("correct horse\n", encoding="utf-8")
    locked = ("--passphrase-file", str(secret))
    made = checked(call("key", "new", str(key), *locked, "--json").out, "key")
    assert key.stat().st_mode & 0o777 == 0o600
    assert checked(call("key", "show", str(key), *locked, "--json").out, "key") == made
    if shutil.which("ssh-keygen"):
        shown = subprocess.run(["ssh-keygen", "-lf", str(key)], capture_output=True, check=True, text=True)
        assert made["fingerprint"] in shown.stdout
    answer = call("record", "approval", "van17", "--of", "latest", "--sign", str(key), *locked, "--vault", str(vault))
    assert answer.status == 0, answer
    assert made["fingerprint"] in answer.out
    trust = tmp_path / "keys.yaml"
    trust.write_text(TRUST.format(made["public"]), encoding="utf-8")
    answer = call("verify", "--level", "signatures", "--trust", str(trust), CALDIFF_VAULT=str(vault))
    assert answer.status == 0, answer
    assert (
        "signed by Bo Example as approver"
        in call("history", "van17", "--trust", str(trust), CALDIFF_VAULT=str(vault)).out
    )


def test_a_key_is_never_overwritten(call: Run, tmp_path: Path) -> None:
    key = tmp_path / "key"
    key.write_text("precious", encoding="utf-8")
    answer = call("key", "new", str(key))
    assert answer.status == 2
    assert "there already" in answer.err
    assert key.read_text(encoding="utf-8") == "precious"


def test_a_locked_key_without_a_terminal_is_trouble(call: Run, vault: Path, tmp_path: Path) -> None:
    key, secret, other, empty = (tmp_path / name for name in ("key", "secret", "other", "empty"))
    secret.write_bytes(b"correct horse\n")
    other.write_bytes(b"wrong horse\n")
    empty.write_bytes(b"\n")
    assert call("key", "new", str(key), "--passphrase-file", str(secret)).status == 0
    sign = ["record", "note", "van17", "-m", "x", "--vault", str(vault), "--sign", str(key)]
    for extra, words in (
        ([], "no terminal to ask for it on"),
        (["--passphrase-file", str(other)], "cannot be unlocked"),
        (["--passphrase-file", str(empty)], "no passphrase"),
        (["--passphrase-file", str(tmp_path / "none")], "the passphrase cannot be read"),
    ):
        answer = call(*sign, *extra)
        assert answer.status == 2
        assert words in answer.err
        assert "horse" not in answer.err


def test_a_public_key_is_shown(call: Run, tmp_path: Path) -> None:
    private, public = tmp_path / "key", tmp_path / "key.pub"
    made = checked(call("key", "new", str(private), "--json").out, "key")
    public.write_text(f"{made['public']} somebody@somewhere\n", encoding="utf-8")
    shown = checked(call("key", "show", str(public), "--json").out, "key")
    assert (shown["public"], shown["fingerprint"]) == (made["public"], made["fingerprint"])
    answer = call("key", "show", "README.txt")
    assert answer.status == 2
    assert "README.txt" in answer.err


def on_terminal(settings: dict[str, str], answers: list[bytes], *arguments: str) -> tuple[int, bytes]:
    """Run a command with a terminal of its own, and answer each of its questions."""
    pid, terminal = pty.fork()
    if not pid:
        os.execve(sys.executable, [sys.executable, "-m", "caldiff", *arguments], settings)  # noqa: S606 - our own command
    said, left = b"", list(answers)
    while select.select([terminal], [], [], 60)[0]:
        try:
            part = os.read(terminal, 4096)
        except OSError:  # how Linux reports that the other end is closed
            break
        if not part:
            break
        said += part
        if left and part.rstrip(b" ").endswith(b":"):
            os.write(terminal, left.pop(0) + b"\n")
    _, status = os.waitpid(pid, 0)
    os.close(terminal)
    return os.waitstatus_to_exitcode(status), said


def test_a_passphrase_is_asked_for_on_a_terminal(settings: dict[str, str], tmp_path: Path) -> None:
    key = tmp_path / "key"
    status, said = on_terminal(settings, [b"horse", b"house"], "key", "new", str(key))
    assert status == 2
    assert b"not the same" in said
    assert not key.exists()
    status, said = on_terminal(settings, [b"horse", b"horse"], "key", "new", str(key))
    assert status == 0, said
    assert b"locked by its passphrase" in said
    assert b"horse" not in said
    for answer, expected in ((b"house", 2), (b"horse", 0)):
        status, said = on_terminal(settings, [answer], "key", "show", str(key))
        assert status == expected, said
        assert b"passphrase of" in said
