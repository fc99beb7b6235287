"""``caldiff checkpoint``: made, kept, proven by, with and without the vault; its documents against their schemas."""

from __future__ import annotations

import json
import subprocess
from base64 import b64decode
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from caldiff.canonical import Digest
from caldiff.ledger.checkpoint import read_checkpoint
from caldiff.ledger.entry import Baseline, Draft, ImageFacts, Note, Subject
from caldiff.ledger.signing import PrivateKey
from caldiff.vault.vault import Vault

SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
KEY, OTHER = PrivateKey.of_seed(bytes(range(32))), PrivateKey.of_seed(bytes(32))
Run = Callable[..., Any]


@pytest.fixture
def vault(tmp_path: Path) -> Vault:
    made = Vault.create(tmp_path / "vault", id="a" * 32)
    for unit in ("van17", "van4"):
        data = unit.encode() * 100
        facts = ImageFacts(format="binary", size=len(data), start=0, content=Digest.of(data))
        subject = Subject(name="read.bin", file=made.keep(data, whole=True))
        made.append(unit, Draft(body=Baseline(image=facts), time="2026-03-11T09:30:00Z", subjects=(subject,)))
        note(made, unit, "as it came")
    return made


def note(vault: Vault, unit: str, text: str) -> None:
    vault.append(unit, Draft(body=Note(), time="2026-03-12T09:30:00Z", message=text))


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    (tmp_path / "key").write_bytes(KEY.openssh())
    lines = ["trust: 1", "name: workshop", "keys:", f"  - {{name: Ada, key: {KEY.public.text}, roles: [approver]}}"]
    (tmp_path / "trust.yaml").write_text("\n".join(lines) + "\n")
    lines[3] = lines[3].replace(KEY.public.text, OTHER.public.text)
    (tmp_path / "others.yaml").write_text("\n".join(lines) + "\n")
    return tmp_path


def checked(text: str, kind: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(text)
    schema = json.loads((SCHEMAS / f"{kind}.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    Draft202012Validator(schema).validate(document)
    assert (document["caldiff"], document["version"]) == (kind, 1)
    return document


def test_a_checkpoint_is_printed_or_written(call: Run, vault: Vault, tmp_path: Path) -> None:
    answer = call("checkpoint", "--vault", vault.folder)
    made = read_checkpoint(answer.out.encode())
    assert (answer.status, answer.err, made.size) == (0, "", 4)
    assert made.origin == "caldiff.invalid/vault/" + "a" * 32
    kept = tmp_path / "kept"
    answer = call("checkpoint", "-o", str(kept), CALDIFF_VAULT=vault.folder)
    assert answer.status == 0
    assert read_checkpoint(kept.read_bytes()) == made
    assert "over 4 entries" in answer.out
    assert made.root.hex in answer.out
    assert "by nobody" in answer.out
    again = call("checkpoint", "-o", str(kept), "--vault", vault.folder)
    assert (again.status, "there already" in again.err) == (2, True)


def test_it_is_signed(call: Run, vault: Vault, keys: Path) -> None:
    answer = call(
        "checkpoint", "--vault", vault.folder, "--sign", str(keys / "key"), "--json", "-o", str(keys / "kept")
    )
    document = checked(answer.out, "checkpoint")
    assert document["note"].encode() == (keys / "kept").read_bytes()
    assert (document["size"], document["output"], len(document["signatures"])) == (4, str(keys / "kept"), 1)
    (verifier,) = document["verifiers"]
    name, identity, key = verifier.split("+", 2)
    assert (name, identity) == (document["origin"], document["signatures"][0]["key_id"])
    assert b64decode(key) == b"\x01" + KEY.public.raw


def test_an_entry_is_proven_without_the_vault(call: Run, vault: Vault, keys: Path) -> None:
    kept, proof = str(keys / "kept"), str(keys / "proof")
    call("checkpoint", "--vault", vault.folder, "--sign", str(keys / "key"), "-o", kept)
    answer = call("checkpoint", "--prove", "van4", "head", "--vault", vault.folder, "-o", proof)
    assert (answer.status, "proof that entry 1 of van4 is among the 4 entries" in answer.out) == (0, True)
    shown = call("checkpoint", "--prove", "van4", "1", "--vault", vault.folder).out
    assert shown == Path(proof).read_text()
    checked(shown, "inclusion-proof")
    Path(vault.folder).rename(keys / "gone")
    bare = call("checkpoint", "--check", proof)
    assert (bare.status, bare.out, "--kept FILE" in bare.err) == (2, "", True)
    answer = call("checkpoint", "--check", proof, "--kept", kept)
    assert (answer.status, "The proof holds." in answer.out) == (0, True)
    trusted = call("checkpoint", "--check", proof, "--trust", str(keys / "trust.yaml"))
    assert (trusted.status, "signed by Ada as approver" in trusted.out) == (0, True)
    other = call("checkpoint", "--check", proof, "--trust", str(keys / "others.yaml"))
    assert (other.status, "no trusted key has signed" in other.out, "! This does not hold." in other.out) == (
        1,
        True,
        True,
    )


def test_a_changed_proof_does_not_hold(call: Run, vault: Vault, tmp_path: Path) -> None:
    kept = str(tmp_path / "kept")
    call("checkpoint", "--vault", vault.folder, "-o", kept)
    shown = call("checkpoint", "--prove", "van4", "0", "--vault", vault.folder).out
    proof = tmp_path / "proof"
    proof.write_text(shown.replace('"sequence":0', '"sequence":1'))
    answer = call("checkpoint", "--check", str(proof), "--kept", kept, "--json")
    document = checked(answer.out, "proof-check")
    assert (answer.status, document["holds"], document["entry"]["sequence"]) == (1, False, 1)
    assert [finding["fault"] for finding in document["findings"]] == [True]
    proof.write_text(shown[:-20])
    answer = call("checkpoint", "--check", str(proof), "--kept", kept)
    assert (answer.status, str(proof) in answer.err) == (2, True)


def test_that_it_only_grew_is_proven(call: Run, vault: Vault, keys: Path) -> None:
    old, proof = str(keys / "old"), str(keys / "proof")
    call("checkpoint", "--vault", vault.folder, "-o", old)
    note(vault, "van4", "more")
    call("checkpoint", "--vault", vault.folder, "-o", str(keys / "new"))
    answer = call("checkpoint", "--since", old, "--vault", vault.folder, "-o", proof)
    assert (answer.status, "over 5, holds unchanged all 4 entries of the older one" in answer.out) == (0, True)
    checked(Path(proof).read_text(), "consistency-proof")
    answer = call("checkpoint", "--check", proof, "--kept", old, "--json")
    document = checked(answer.out, "proof-check")
    assert (answer.status, document["holds"], document["findings"]) == (0, True, [])
    assert [one["size"] for one in document["checkpoints"]] == [4, 5]
    assert call("checkpoint", "--check", proof, "--kept", str(keys / "new")).status == 0


def test_a_vault_that_was_set_back_gives_no_proof(call: Run, vault: Vault, keys: Path) -> None:
    old = str(keys / "old")
    call("checkpoint", "--vault", vault.folder, "-o", old)
    Path(vault.folder, "units/van4/000001.json.gz").unlink()
    answer = call("checkpoint", "--since", old, "--vault", vault.folder)
    assert answer.status == 1
    assert "entry 1 of van4 is missing, which a checkpoint covers" in " ".join(answer.out.split())
    document = checked(call("checkpoint", "--since", old, "--vault", vault.folder, "--json").out, "proof-check")
    assert (document["holds"], document["findings"][0]["sequence"]) == (False, 1)


def test_openssl_verifies_what_is_printed(call: Run, vault: Vault, keys: Path) -> None:
    printed = call("checkpoint", "--vault", vault.folder, "--sign", str(keys / "key")).out
    text, _, line = printed.partition("\n\n")
    (keys / "text").write_text(f"{text}\n")
    (keys / "sig").write_bytes(b64decode(line.split(" ")[-1])[4:])
    (keys / "pem").write_bytes(KEY.public.pem())
    files = ["-inkey", keys / "pem", "-in", keys / "text", "-sigfile", keys / "sig"]
    subprocess.run(["openssl", "pkeyutl", "-verify", "-pubin", "-rawin", *files], check=True, capture_output=True)


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (["--prove", "van4", "0", "--since", "old"], "--prove and --since do not go together"),
        (["--prove", "van4", "0", "--check", "proof"], "--prove and --check do not go together"),
        (["--check", "proof", "--sign", "key"], "--sign is not for --check"),
        (["--check", "proof", "-o", "there"], "--output is not for --check"),
        (["--check", "proof", "--vault", "there"], "--vault is not for --check"),
        (["--kept", "old"], "--kept is not for making a checkpoint"),
        (["--trust", "old"], "--trust is not for making a checkpoint"),
        (["--prove", "van4", "0", "--trust", "old"], "--trust is not for --prove"),
        ([], "it is not said which vault"),
        (["--prove", "van99", "0"], "no unit 'van99'"),
        (["--prove", "van4", "9"], "9"),
        (["--prove", "van4", "0"], "this vault has no checkpoint yet"),
        (["--since", "nowhere"], "the checkpoint cannot be read"),
    ],
)
def test_trouble(call: Run, vault: Vault, arguments: list[str], reason: str) -> None:
    environment = {"CALDIFF_VAULT": vault.folder} if arguments else {}
    answer = call("checkpoint", *arguments, **environment)
    assert (answer.status, answer.out) == (2, "")
    assert reason in answer.err
