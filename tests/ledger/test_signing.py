"""Keys and signatures, held against OpenSSH, OpenSSL and published vectors."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from base64 import b64decode, b64encode
from pathlib import Path

import pytest
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.serialization import ssh
from hypothesis import given
from hypothesis import strategies as st

from caldiff.errors import CaldiffError, SignatureError
from caldiff.ledger.envelope import Envelope
from caldiff.ledger.signing import PrivateKey, PublicKey, locked

KEY = PrivateKey.of_seed(bytes(range(32)))
needs_ssh_keygen = pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="ssh-keygen is not here")
needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not here")


def run(*words: str | Path, given: bytes = b"") -> str:
    return subprocess.run([*map(str, words)], input=given, check=True, capture_output=True, timeout=60).stdout.decode()


def made(folder: Path, *words: str) -> Path:
    """A key pair by ssh-keygen."""
    run("ssh-keygen", "-q", "-C", "someone@shop", "-f", folder / "key", *words)
    return folder / "key"


# ------------------------------------------------------------------------------------------------------------- vectors


@pytest.mark.parametrize(
    ("seed", "public", "message", "sig"),
    [
        (
            "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
            "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
            "",
            (
                "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
                "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
            ),
        ),
        (
            "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
            "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
            "72",
            (
                "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
                "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
            ),
        ),
    ],
)
def test_keys_and_signatures_are_those_of_rfc_8032(seed: str, public: str, message: str, sig: str) -> None:
    """RFC 8032, section 7.1, tests 1 and 2, from memory; a wrong digit anywhere would not fit the others."""
    key = PrivateKey.of_seed(bytes.fromhex(seed))
    assert key.public.raw.hex() == public
    assert key.sign(bytes.fromhex(message)).hex() == sig
    assert key.public.verify(bytes.fromhex(sig), bytes.fromhex(message))


@given(st.binary(max_size=40), st.integers(0, 511), st.integers(0))
def test_a_flipped_bit_of_signature_or_message_is_wrong(data: bytes, at: int, other: int) -> None:
    sig = bytearray(KEY.sign(data))
    assert KEY.public.verify(bytes(sig), data)
    sig[at // 8] ^= 1 << at % 8
    assert not KEY.public.verify(bytes(sig), data)
    if data:
        flipped = bytearray(data)
        flipped[other % len(data)] ^= 1 << other % 8
        assert not KEY.public.verify(KEY.sign(data), bytes(flipped))


@pytest.mark.parametrize("sig", [b"", bytes(63), bytes(64), bytes(65)])
def test_what_is_no_signature_is_wrong(sig: bytes) -> None:
    assert not KEY.public.verify(sig, b"")


# ---------------------------------------------------------------------------------------------------- OpenSSH, OpenSSL


@needs_ssh_keygen
@pytest.mark.parametrize("passphrase", ["", "a long secret"])
def test_a_key_of_ssh_keygen_is_read(tmp_path: Path, passphrase: str) -> None:
    path = made(tmp_path, "-t", "ed25519", "-N", passphrase)
    data = path.read_bytes()
    assert locked(data) == bool(passphrase)
    key, public = PrivateKey.read(data, passphrase), PublicKey.read(Path(f"{path}.pub").read_text(encoding="ascii"))
    assert key.public == public
    assert run("ssh-keygen", "-lf", f"{path}.pub").split()[1] == public.keyid
    assert Path(f"{path}.pub").read_text(encoding="ascii").split()[:2] == public.text.split()


@needs_ssh_keygen
@pytest.mark.parametrize("passphrase", [None, "a long secret"])
def test_ssh_keygen_reads_our_key(tmp_path: Path, passphrase: str | None) -> None:
    path = tmp_path / "key"
    path.write_bytes(KEY.openssh(passphrase))
    path.chmod(0o600)
    assert run("ssh-keygen", "-y", "-P", passphrase or "", "-f", path).split()[:2] == KEY.public.text.split()
    assert PrivateKey.read(path.read_bytes(), passphrase).keyid == KEY.keyid


@needs_openssl
def test_openssl_verifies_our_signature(tmp_path: Path) -> None:
    envelope = Envelope.sealed(b"{}", [KEY])
    files = {"key.pem": KEY.public.pem(), "sig": envelope.signatures[0].sig, "signed": envelope.signed}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    words = ("openssl", "pkeyutl", "-verify", "-rawin", "-pubin", "-inkey", tmp_path / "key.pem")
    assert "Successfully" in run(*words, "-sigfile", tmp_path / "sig", "-in", tmp_path / "signed")
    (tmp_path / "signed").write_bytes(envelope.signed + b" ")
    with pytest.raises(subprocess.CalledProcessError):
        run(*words, "-sigfile", tmp_path / "sig", "-in", tmp_path / "signed")


@needs_openssl
@pytest.mark.parametrize("passphrase", ["", "secret"])
def test_a_key_of_openssl_is_read(tmp_path: Path, passphrase: str) -> None:
    lock = ("-aes-256-cbc", "-pass", f"pass:{passphrase}") if passphrase else ()
    run("openssl", "genpkey", "-algorithm", "ed25519", *lock, "-out", tmp_path / "key.pem")
    unlock = ("-passin", f"pass:{passphrase}") if passphrase else ()
    public = run("openssl", "pkey", "-in", tmp_path / "key.pem", "-pubout", *unlock)
    data = (tmp_path / "key.pem").read_bytes()
    assert locked(data) == bool(passphrase)
    assert PrivateKey.read(data, passphrase).public == PublicKey.read(public)
    assert PublicKey.read(public).pem().decode() == public


# ------------------------------------------------------------------------------------------------------------ refusals


@needs_ssh_keygen
@pytest.mark.parametrize(
    ("words", "kind"),
    [
        (("-t", "rsa", "-b", "2048", "-N", ""), "RSA"),
        (("-t", "rsa", "-b", "2048", "-m", "PEM", "-N", ""), "RSA"),
        (("-t", "ecdsa", "-N", ""), "EC"),
    ],
)
def test_a_key_of_another_kind_is_refused_by_name(tmp_path: Path, words: tuple[str, ...], kind: str) -> None:
    path = made(tmp_path, *words)
    with pytest.raises(SignatureError, match=rf"another kind \(expected Ed25519, got {kind}\)"):
        PrivateKey.read(path.read_bytes())
    with pytest.raises(SignatureError, match=rf"another kind \(expected Ed25519, got {kind}\)"):
        PublicKey.read(Path(f"{path}.pub").read_text(encoding="ascii"))


def test_a_locked_key_wants_its_passphrase() -> None:
    data = KEY.openssh("right")
    for nothing in (None, "", b""):
        with pytest.raises(SignatureError, match="locked") as caught:
            PrivateKey.read(data, nothing)
        assert caught.value.hint == "Give its passphrase"
    with pytest.raises(SignatureError, match="cannot be unlocked") as caught:
        PrivateKey.read(data, "wrong")
    assert caught.value.hint == "Is the passphrase right?"
    assert PrivateKey.read(data, b"right").keyid == KEY.keyid
    assert PrivateKey.read(KEY.openssh(), "needless").keyid == KEY.keyid


def test_without_bcrypt_a_locked_key_says_what_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The library says so by itself where bcrypt is not installed; here it is made to."""
    data = KEY.openssh("right")

    def missing(*_: object, **__: object) -> bytes:
        raise UnsupportedAlgorithm("Need bcrypt module")

    monkeypatch.setattr(ssh, "_bcrypt_kdf", missing)
    for use in (lambda: PrivateKey.read(data, "right"), lambda: KEY.openssh("right")):
        with pytest.raises(SignatureError, match="bcrypt") as caught:
            use()
        assert "Install" in str(caught.value.hint)
    assert PrivateKey.read(KEY.openssh()).keyid == KEY.keyid


def test_a_lock_that_would_take_years_is_refused() -> None:
    """OpenSSH's PROTOCOL.key: the options of the key derivation end with the rounds, after 16 bytes of salt."""
    first, *lines, last = KEY.openssh("right").split(b"\n")[:-1]
    blob = b64decode(b"".join(lines))
    options = re.search(rb"bcrypt\0\0\0\x18\0\0\0\x10.{16}(.{4})", blob, re.DOTALL)
    assert options is not None
    slow = blob[: options.start(1)] + (2**31).to_bytes(4, "big") + blob[options.end(1) :]
    data = b"\n".join((first, b64encode(slow), last, b""))
    assert locked(data)
    with pytest.raises(SignatureError, match="would take too long"):
        PrivateKey.read(data, "right")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "ssh-ed25519",
        "ssh-ed25519 AAAA",
        f"{KEY.public.text}\n{KEY.public.text}",
        f"no-pty {KEY.public.text}",
        KEY.public.text.replace("ssh-ed25519 ", "ssh-rsa "),
        KEY.openssh().decode(),
        "\ud800",
        "x" * 70_000,
    ],
)
def test_what_is_no_public_key_is_refused(text: str) -> None:
    with pytest.raises(SignatureError, match=r"no (single )?public key"):
        PublicKey.read(text)


@pytest.mark.parametrize("data", [b"", b"x" * 70_000, KEY.public.text.encode(), KEY.public.pem(), KEY.openssh()[:-60]])
def test_what_is_no_private_key_is_refused(data: bytes) -> None:
    assert not locked(data)
    with pytest.raises(SignatureError, match="no private key"):
        PrivateKey.read(data)


@pytest.mark.parametrize("size", [0, 31, 33])
def test_a_seed_has_32_bytes(size: int) -> None:
    with pytest.raises(SignatureError, match="32 random bytes"):
        PrivateKey.of_seed(bytes(size))


FILES = [KEY.openssh(), KEY.openssh("secret"), KEY.public.pem(), KEY.public.text.encode()]


@given(
    st.binary(max_size=100)
    | st.tuples(st.sampled_from(FILES), st.integers(0), st.integers(0, 255)).map(
        lambda t: t[0][: t[1] % len(t[0])] + bytes([t[2]]) + t[0][t[1] % len(t[0]) + 1 :]
    )
)
def test_damaged_keys_are_read_or_refused(data: bytes) -> None:
    for use in (lambda: PrivateKey.read(data), lambda: PublicKey.read(data.decode("latin-1")), lambda: locked(data)):
        try:
            use()
        except CaldiffError:
            continue


# ------------------------------------------------------------------------------------------------------------- secrecy


def test_a_private_key_never_shows_itself() -> None:
    shown = f"{KEY!r} {KEY} {KEY.public!r}"
    assert KEY.keyid in shown
    assert bytes(range(32)).hex() not in shown
    assert not hasattr(KEY, "__dict__")


def test_the_library_loads_only_where_it_is_used() -> None:
    rooms = "caldiff.ledger.chain, caldiff.ledger.trust, caldiff.ledger.signing"
    program = f"import sys, {rooms}; sys.exit('cryptography' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=60).returncode == 0
