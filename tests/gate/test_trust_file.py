"""Files of trusted keys: read strictly, with every mistake and its place."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from gate_shop import BOSS, MAKER
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.errors import FileError, PolicyError
from caldiff.gate.trust_file import load_trust, trust_from_text, trust_json_schema
from caldiff.ledger.trust import Trust, TrustedKey

ROOT = Path(__file__).parents[2]
ONE, TWO = MAKER.public.text, BOSS.public.text


def file(*keys: str, head: str = "trust: 1\nname: shop\n") -> str:
    return head + "keys:\n" + "".join(f"  - {{{key}}}\n" for key in keys)


def problems(text: str | bytes) -> list[str]:
    with pytest.raises(PolicyError) as caught:
        trust_from_text(text)
    return [f"{error}" + (f" [{error.hint}]" if error.hint else "") for error in caught.value.problems]


def test_names_roles_and_times(tmp_path: Path) -> None:
    text = file(
        f"name: M. Maker, key: {ONE}, roles: [calibrator, approver], since: 2026-01-01, until: '2026-12-31T23:59:59Z'",
        f"name: B. Boss, key: {TWO} boss@bench, roles: [approver]",
    )
    (tmp_path / "trust.yaml").write_text(text, encoding="utf-8")
    maker = TrustedKey(
        name="M. Maker", key=ONE, roles=("calibrator", "approver"), since="2026-01-01", until="2026-12-31T23:59:59Z"
    )
    boss = TrustedKey(name="B. Boss", key=f"{TWO} boss@bench", roles=("approver",))
    trust = load_trust(tmp_path / "trust.yaml")
    assert trust == Trust(name="shop", digest=Digest.of(text.encode()), keys=(maker, boss))
    assert set(trust.by_keyid()) == {MAKER.keyid, BOSS.keyid}


def test_a_person_may_have_two_keys() -> None:
    trust = trust_from_text(file(f"name: M, key: {ONE}, roles: [reader]", f"name: M, key: {TWO}, roles: [reader]"))
    assert len(trust.keys) == 2


GOOD = f"name: M, key: {ONE}, roles: [reader]"
MISTAKES = [
    (file(), "3:1: keys: nothing is inherited here that null could take away"),
    (file() + "  []\n", "keys: the list has the wrong length"),
    (file("name: M, roles: [reader]"), "4:5: keys[1]: a key needs the key key"),
    (file(f"name: M, key: {ONE}"), "a key needs the key roles"),
    (file(f"name: M, key: {ONE}, roles: []"), "the list has the wrong length"),
    (file(f"name: M, key: {ONE}, roles: [reeder]"), "[did you mean reader?]"),
    (file(f"name: M, key: {ONE}, role: [reader]"), "[did you mean roles?]"),
    (file(f"name: '', key: {ONE}, roles: [reader]"), "the text is empty"),
    (file("name: M, key: ssh-ed25519 AAAA, roles: [reader]"), "4:20: keys[1].key: this is no public key"),
    (file("name: M, key: nonsense, roles: [reader]"), "4:20: keys[1].key: this is no public key"),
    (file(GOOD, f"name: N, key: {ONE}, roles: [approver]"), "keys[2].key: this key stands here twice"),
    (file(GOOD, f"name: m, key: {TWO}, roles: [reader]"), "keys[2].name: this name is spelled in two ways"),
    (file(f"{GOOD}, since: 2026-02-30x"), "this is no time"),
    (file(f"{GOOD}, since: 2026-13-01"), "this is no time"),
    (file(f"{GOOD}, since: 2026-02-01, until: 2026-01-31"), "the key ends before it begins"),
    (file(GOOD, head="trust: 2\nname: shop\n"), "the format version is not known"),
    (file(GOOD, head="trust: 1\n"), "needs the key name"),
    (file(GOOD, head="policy: 1\nname: shop\n"), "policy: a file of trusted keys has no such key"),
    (file(GOOD, head="trust: 1\nname: shop\nextends: other\n"), "extends: a file of trusted keys has no such key"),
]


@pytest.mark.parametrize(("text", "said"), MISTAKES, ids=[said for _, said in MISTAKES])
def test_mistakes(text: str, said: str) -> None:
    found = problems(text)
    assert any(said in one for one in found), found


def test_a_file_that_is_not_there() -> None:
    with pytest.raises(FileError):
        load_trust("nowhere/trust.yaml")


def test_the_schema_is_a_schema_and_the_committed_file_is_it() -> None:
    jsonschema.Draft202012Validator.check_schema(trust_json_schema())
    committed = (ROOT / "docs/schemas/trust.schema.json").read_text(encoding="utf-8")
    assert json.loads(committed) == trust_json_schema(), "write it again: see docs/policy.md"


def reads(text: bytes) -> bool:
    try:
        trust_from_text(text)
    except PolicyError:
        return False
    return True


@given(st.binary(max_size=300))
def test_any_bytes_are_keys_or_an_error(data: bytes) -> None:
    assert not reads(data)


@given(data=st.data())
def test_mutated_keys_are_keys_or_an_error(data: st.DataObject) -> None:
    text = bytearray(file(GOOD, f"name: B, key: {TWO}, roles: [approver], since: 2026-01-01"), "utf-8")
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at : at + data.draw(st.integers(0, 9))] = data.draw(
            st.binary(max_size=9) | st.sampled_from([b"null", b"["])
        )
    reads(bytes(text))
