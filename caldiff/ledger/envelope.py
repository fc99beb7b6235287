"""The DSSE envelope: a payload with the signatures on it."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from typing import TYPE_CHECKING

import attrs

from caldiff.canonical import Digest, canonical_json
from caldiff.ledger.dsse import PAYLOAD_TYPE, opened, pae
from caldiff.value import Value

if TYPE_CHECKING:
    from caldiff.ledger.signing import Signer

__all__ = ["PAYLOAD_TYPE", "Envelope", "Signature", "pae", "read_envelope"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Signature(Value):
    """A signature, and the id of the key that made it: ``SHA256:`` and the rest of its OpenSSH fingerprint."""

    keyid: str
    sig: bytes


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Envelope(Value):
    """A payload with the signatures on it, none or more, at most one a key."""

    payload: bytes
    signatures: tuple[Signature, ...] = ()

    @classmethod
    def sealed(cls, payload: bytes, signers: Iterable[Signer] = ()) -> Envelope:
        """The payload, signed by everyone."""
        signed = pae(PAYLOAD_TYPE, payload)
        return cls(payload=payload, signatures=tuple(Signature(keyid=s.keyid, sig=s.sign(signed)) for s in signers))

    @property
    def hash(self) -> Digest:
        """SHA-256 of the payload: the entry's hash. Signatures are not in it."""
        return Digest.of(self.payload)

    @property
    def signed(self) -> bytes:
        """What a signature is made over."""
        return pae(PAYLOAD_TYPE, self.payload)

    def dump(self) -> bytes:
        """The envelope as canonical JSON."""
        return canonical_json(
            {
                "payload": b64encode(self.payload).decode(),
                "payloadType": PAYLOAD_TYPE,
                "signatures": [{"keyid": s.keyid, "sig": b64encode(s.sig).decode()} for s in self.signatures],
            }
        )


def read_envelope(data: bytes) -> Envelope:
    """The envelope that the bytes are. Nothing is said of its payload or of whether the signatures are right.

    Raises:
        LedgerError: the bytes are not what :meth:`Envelope.dump` gives.
    """
    payload, signatures = opened(data)
    return Envelope(payload=payload, signatures=tuple(Signature(keyid=keyid, sig=sig) for keyid, sig in signatures))
