"""Signed notes and checkpoints: outside examples, OpenSSL as verifier, and bytes that are neither."""

from __future__ import annotations

import subprocess
from base64 import b64decode
from hashlib import sha256
from pathlib import Path

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError, LedgerError
from caldiff.ledger.checkpoint import (
    Checkpoint,
    Leaf,
    checkpoint_over,
    origin_of,
    read_checkpoint,
    read_leaf,
    sign,
    signatures,
)
from caldiff.ledger.note import key_id, read_note, signed, verifier_key
from caldiff.ledger.signing import PrivateKey, PublicKey
from caldiff.ledger.trust import Trust, TrustedKey

# The example in the documentation of Go's note package (golang.org/x/mod/sumdb/note), whose form C2SP took over; from
# memory: the signature holds, so it was remembered right.
GO_KEY = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
GO_SEED = "AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz"
GO_TEXT = "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n"
GO_NOTE = f"""{GO_TEXT}
— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=
"""
# The example of C2SP tlog-checkpoint, from memory. Its key is not known here, so only its form is held.
SOFA = """example.com/behind-the-sofa
20852163
CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=

— example.com/behind-the-sofa \
Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=
"""
ONE, TWO = PrivateKey.of_seed(bytes(range(32))), PrivateKey.of_seed(bytes(32))
ORIGIN = origin_of("00" * 16)
LEAVES = [Leaf(unit="van17", sequence=n, entry=Digest.of(bytes([n]))) for n in range(5)]


def test_the_example_of_gos_note_package() -> None:
    name, identity, raw = GO_KEY.split("+", 2)
    key = PublicKey(raw=b64decode(raw)[1:])
    assert (key_id(name, key).hex(), verifier_key(name, key)) == (identity, GO_KEY)
    note = read_note(GO_NOTE.encode())
    (line,) = note.signatures
    assert (note.text, line.name, line.key_id.hex()) == (GO_TEXT, name, identity)
    assert key.verify(line.signature, note.text.encode())
    assert note.dump() == GO_NOTE.encode()
    signer = PrivateKey.of_seed(b64decode(GO_SEED)[1:])
    assert signed(read_note(GO_TEXT.encode()), name, [signer]) == note


def test_the_example_of_c2sp() -> None:
    read = read_checkpoint(SOFA.encode())
    assert (read.origin, read.size) == ("example.com/behind-the-sofa", 20852163)
    assert read.root.hex == b64decode("CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=").hex()
    assert [line.name for line in read.signatures] == ["example.com/behind-the-sofa"]
    assert read.dump() == SOFA.encode()


def test_a_checkpoint_says_origin_size_and_root() -> None:
    """The leaf is canonical JSON, worked out by hand; a tree of one has its leaf's hash for root (RFC 9162, 2.1.1)."""
    leaf = b'{"entry":"%s","sequence":0,"unit":"van17"}' % sha256(b"\0").hexdigest().encode()
    made = checkpoint_over(ORIGIN, LEAVES[:1])
    assert (made.origin, made.size) == ("caldiff.invalid/vault/" + "00" * 16, 1)
    assert made.root.hex == sha256(b"\0" + leaf).hexdigest()
    assert made.dump().decode() == made.text  # unsigned, it is the text alone
    assert read_checkpoint(made.dump()) == made


def test_openssl_verifies_the_signature(tmp_path: Path) -> None:
    made = sign(checkpoint_over(ORIGIN, LEAVES), [ONE])
    (line,) = made.signatures
    assert line.key_id == sha256(ORIGIN.encode() + b"\n\x01" + ONE.public.raw).digest()[:4]
    text, key, sig = tmp_path / "text", tmp_path / "key", tmp_path / "sig"
    key.write_bytes(ONE.public.pem())
    sig.write_bytes(b64decode(made.dump().decode().split("\n")[4].rsplit(" ")[-1])[4:])
    command = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", key, "-rawin", "-in", text, "-sigfile", sig]
    for written, status in ((made.text, 0), (made.text.replace("\n5\n", "\n6\n"), 1)):
        text.write_text(written)
        assert subprocess.run(command, capture_output=True, check=False).returncode == status


def test_each_signs_once() -> None:
    made = checkpoint_over(ORIGIN, LEAVES)
    both = sign(sign(made, [ONE]), [ONE, TWO])
    assert len(both.signatures) == 2
    assert both.says(made)
    assert read_checkpoint(both.dump()) == both


ROOT = "A" * 43 + "="


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n",
        "o\n1\n",
        f"\n1\n{ROOT}\n",
        f"o\n1\n{ROOT}",
        f"o\n1\n{ROOT}\nmore\n",
        f"o\n01\n{ROOT}\n",
        f"o\n-1\n{ROOT}\n",
        f"o\n+1\n{ROOT}\n",
        f"o\n1e3\n{ROOT}\n",
        f"o\n\u0661\n{ROOT}\n",
        f"o\n{'9' * 5000}\n{ROOT}\n",
        f"o\n1\n{ROOT[:-2]}B=\n",
        f"o\n1\n{ROOT[:40]}\n",
        f"o\n1\n {ROOT}\n",
        f"o\r\n1\n{ROOT}\n",
        f"o\n1\n{ROOT}\n\n",
        f"o\n1\n{ROOT}\n\n— o AAAAAA==\n",
        f"o\n1\n{ROOT}\n\n- o AAAAAAA=\n",
        f"o\n1\n{ROOT}\n\n—  AAAAAAA=\n",
        f"o\n1\n{ROOT}\n\n— o+p AAAAAAA=\n",
        f"o\n1\n{ROOT}\n\n— o\u00a0p AAAAAAA=\n",
        f"o\n1\n{ROOT}\n\n— o AAAAAAB=\n",
        f"o\n1\n{ROOT}\n\n— o AAAAAAA=\nmore\n",
        f"o\n1\n{ROOT}\n\n" + "— o AAAAAAA=\n" * 101,
        f"{'o' * 70000}\n1\n{ROOT}\n",
    ],
)
def test_what_is_no_checkpoint_is_refused(text: str) -> None:
    with pytest.raises(LedgerError):
        read_checkpoint(text.encode())


def test_a_bad_line_is_named() -> None:
    with pytest.raises(LedgerError) as caught:
        read_checkpoint(f"o\n1\n{ROOT}\n\n— o AAAAAAA=\nmore\n".encode())
    assert (caught.value.line, caught.value.got) == (6, "more")


@given(st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    try:
        read = read_checkpoint(data)
    except CaldiffError:
        return
    assert read.dump() == data


@given(st.data())
def test_any_changed_byte(data: st.DataObject) -> None:
    """What is read is what stands there: a note has one form, and no changed one passes for the signed text."""
    whole = bytearray(sign(checkpoint_over(ORIGIN, LEAVES), [ONE]).dump())
    before = bytes(whole)
    at = data.draw(st.integers(0, len(whole) - 1))
    whole[at] = data.draw(st.integers(0, 255).filter(lambda byte: byte != before[at]))
    try:
        read = read_checkpoint(bytes(whole))
    except CaldiffError:
        return
    assert read.dump() == bytes(whole)
    named = [line for line in read.signatures if line.key_id == key_id(line.name, ONE.public)]
    assert not any(ONE.public.verify(line.signature, read.text.encode()) for line in named)


@pytest.mark.parametrize(
    "value",
    [
        None,
        [],
        {"unit": "v", "sequence": 0},
        {"unit": "v", "sequence": 0, "entry": "00" * 32, "more": 1},
        {"unit": "../v", "sequence": 0, "entry": "00" * 32},
        {"unit": 1, "sequence": 0, "entry": "00" * 32},
        {"unit": "v", "sequence": True, "entry": "00" * 32},
        {"unit": "v", "sequence": -1, "entry": "00" * 32},
        {"unit": "v", "sequence": 0, "entry": "00" * 31},
        {"unit": "v", "sequence": 0, "entry": "0G" * 32},
    ],
)
def test_what_is_no_leaf_is_refused(value: object) -> None:
    with pytest.raises(LedgerError):
        read_leaf(value)


def test_a_leaf_comes_back() -> None:
    assert [read_leaf(leaf.document) for leaf in LEAVES] == LEAVES


def test_two_checkpoints_are_told_apart() -> None:
    made = checkpoint_over(ORIGIN, LEAVES)
    other = Checkpoint(origin=made.origin, size=made.size + 1, root=made.root)
    assert not made.says(other)


def trusted(*keys: TrustedKey) -> Trust:
    return Trust(name="trust", digest=Digest.of(b""), keys=keys)


def test_who_signed() -> None:
    made = sign(checkpoint_over(ORIGIN, LEAVES), [ONE, TWO])
    other = sign(checkpoint_over(ORIGIN, LEAVES[:3]), [ONE])
    moved = attrs.evolve(made, signatures=other.signatures)
    trust = trusted(TrustedKey(name="Ada", key=ONE.public.text, roles=("approver",)))
    assert [(s.state, s.name, s.roles) for s in signatures(made, trust)] == [
        ("valid", "Ada", ("approver",)),
        ("unknown key", None, ()),
    ]
    assert [(s.state, s.name, s.roles) for s in signatures(moved, trust)] == [("wrong", None, ())]
    assert "Ada" in signatures(moved, trust)[0].text
    assert signatures(checkpoint_over(ORIGIN, LEAVES), trust) == ()


def test_a_key_in_another_name_is_another_signer() -> None:
    made = sign(checkpoint_over(ORIGIN, LEAVES), [ONE])
    renamed = attrs.evolve(made, signatures=(attrs.evolve(made.signatures[0], name="elsewhere"),))
    trust = trusted(TrustedKey(name="Ada", key=ONE.public.text, roles=()))
    assert [state.state for state in signatures(renamed, trust)] == ["unknown key"]
