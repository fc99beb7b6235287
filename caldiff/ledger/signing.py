"""Ed25519 keys: the person's SSH key, or one made here."""

from __future__ import annotations

import hashlib
from base64 import b64encode
from typing import TYPE_CHECKING, Protocol

import attrs

from caldiff.errors import SignatureError
from caldiff.value import Value

if TYPE_CHECKING:  # loads slowly; see caldiff.ledger.ed25519
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = ["PrivateKey", "PublicKey", "Signer", "locked"]

_BYTES = 32
"""of a public key and of a seed (RFC 8032)"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class PublicKey(Value):
    """An Ed25519 public key. ``raw`` are its 32 bytes."""

    raw: bytes

    def __repr__(self) -> str:
        return f"<PublicKey {self.keyid}>"

    @classmethod
    def read(cls, text: str) -> PublicKey:
        """A key from the line of an OpenSSH ``.pub`` file, with or without its comment, or from PEM.

        Raises:
            SignatureError: it is none, or not of Ed25519.
        """
        from caldiff.ledger.ed25519 import load_public  # noqa: PLC0415 - loads slowly

        return cls(raw=load_public(text))

    @property
    def text(self) -> str:
        """The line of an OpenSSH ``.pub`` file, without a comment."""
        return f"ssh-ed25519 {b64encode(self._blob).decode()}"

    @property
    def keyid(self) -> str:
        """The fingerprint as OpenSSH shows it: ``SHA256:`` and 43 letters of base64."""
        return "SHA256:" + b64encode(hashlib.sha256(self._blob).digest()).decode().rstrip("=")

    @property
    def _blob(self) -> bytes:
        """The key in the form of RFC 8709: its name and its bytes, each after its length."""
        return b"".join(len(part).to_bytes(4, "big") + part for part in (b"ssh-ed25519", self.raw))

    def verify(self, sig: bytes, data: bytes) -> bool:
        """Whether the signature over the data is this key's."""
        from caldiff.ledger.ed25519 import verify  # noqa: PLC0415 - loads slowly

        return verify(self.raw, sig, data)

    def pem(self) -> bytes:
        """The key in PEM, as OpenSSL reads it."""
        from caldiff.ledger.ed25519 import public_pem  # noqa: PLC0415 - loads slowly

        return public_pem(self.raw)


class Signer(Protocol):
    """Whatever signs: a key at hand, or something that asks another machine."""

    @property
    def public(self) -> PublicKey:
        """The key that verifies."""

    @property
    def keyid(self) -> str:
        """Of the public key."""

    def sign(self, data: bytes) -> bytes:
        """The 64 bytes of the signature."""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class PrivateKey:
    """An Ed25519 private key. It shows its fingerprint, never itself."""

    _key: Ed25519PrivateKey

    def __repr__(self) -> str:
        return f"<PrivateKey of {self.keyid}>"

    @classmethod
    def read(cls, data: bytes, passphrase: bytes | str | None = None) -> PrivateKey:
        """A key from an OpenSSH or PEM file. The passphrase is not looked at where there is no lock.

        Raises:
            SignatureError: it is none, not of Ed25519, or the passphrase is missing or wrong.
        """
        from caldiff.ledger.ed25519 import load_private  # noqa: PLC0415 - loads slowly

        return cls(key=load_private(data, _bytes(passphrase)))

    @classmethod
    def of_seed(cls, seed: bytes) -> PrivateKey:
        """The key of 32 random bytes.

        Raises:
            SignatureError: they are not 32.
        """
        from caldiff.ledger.ed25519 import of_seed  # noqa: PLC0415 - loads slowly

        if len(seed) != _BYTES:
            raise SignatureError("a key is made of 32 random bytes", got=f"{len(seed)} bytes")
        return cls(key=of_seed(seed))

    @property
    def public(self) -> PublicKey:
        """The key that verifies."""
        from caldiff.ledger.ed25519 import public_of  # noqa: PLC0415 - loads slowly

        return PublicKey(raw=public_of(self._key))

    @property
    def keyid(self) -> str:
        """Of the public key."""
        return self.public.keyid

    def sign(self, data: bytes) -> bytes:
        """The 64 bytes of the signature."""
        return self._key.sign(data)

    def openssh(self, passphrase: bytes | str | None = None) -> bytes:
        """The file of the key, as ``ssh-keygen`` writes one; locked if there is a passphrase.

        Raises:
            SignatureError: it cannot be locked, for want of a library (bcrypt) or for what the passphrase is.
        """
        from caldiff.ledger.ed25519 import openssh  # noqa: PLC0415 - loads slowly

        return openssh(self._key, _bytes(passphrase))


def locked(data: bytes) -> bool:
    """Whether the bytes are a private key that wants a passphrase; False for whatever is no key."""
    from caldiff.ledger.ed25519 import is_locked  # noqa: PLC0415 - loads slowly

    return is_locked(data)


def _bytes(passphrase: bytes | str | None) -> bytes | None:
    return passphrase.encode() if isinstance(passphrase, str) else passphrase
