"""The DSSE envelope: a payload with the signatures on it, and what of it is signed."""

from __future__ import annotations

import re
from base64 import b64decode, b64encode
from collections.abc import Iterable
from typing import TYPE_CHECKING

import attrs

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import LedgerError
from caldiff.ledger.plain import LARGEST, plain
from caldiff.value import Value

if TYPE_CHECKING:
    from caldiff.ledger.signing import Signer

__all__ = ["PAYLOAD_TYPE", "Envelope", "Signature", "pae", "read_envelope"]

PAYLOAD_TYPE = "application/vnd.in-toto+json"
"""Of an in-toto Statement, whatever its predicate."""

_LARGEST = LARGEST * 3 // 2
"""base64 takes four bytes for three; signatures take some."""
_MOST_SIGNATURES = 64
_KEYID = re.compile(r"[!-~]{1,200}")
_LONGEST_SIGNATURE = 1024


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


def pae(payload_type: str, payload: bytes) -> bytes:
    """DSSE's pre-authentication encoding: what is signed, so that no payload passes for one of another type."""
    kind = payload_type.encode()
    return b"DSSEv1 %d %b %d %b" % (len(kind), kind, len(payload), payload)


def read_envelope(data: bytes) -> Envelope:
    """The envelope that the bytes are. Nothing is said of its payload or of whether the signatures are right.

    Raises:
        LedgerError: the bytes are not what :meth:`Envelope.dump` gives.
    """
    value = plain(data, what="envelope", most=_LARGEST)
    if not isinstance(value, dict) or set(value) != {"payload", "payloadType", "signatures"}:
        raise LedgerError("this is no DSSE envelope", expected="an object of payload, payloadType and signatures")
    if value["payloadType"] != PAYLOAD_TYPE:
        raise LedgerError("the envelope is of another type", expected=PAYLOAD_TYPE, got=f"{value['payloadType']!r:.80}")
    payload = _bytes(value["payload"], "the payload")
    return Envelope(payload=payload, signatures=_signatures(value["signatures"]))


def _signatures(value: object) -> tuple[Signature, ...]:
    if not isinstance(value, list) or len(value) > _MOST_SIGNATURES:
        raise LedgerError("the signatures cannot be read", expected=f"a list of at most {_MOST_SIGNATURES}")
    found = []
    for item in value:
        if not isinstance(item, dict) or set(item) != {"keyid", "sig"}:
            raise LedgerError("a signature cannot be read", expected="an object of keyid and sig")
        if not isinstance(item["keyid"], str) or not _KEYID.fullmatch(item["keyid"]):
            raise LedgerError("the keyid of a signature cannot be read", got=f"{item['keyid']!r:.80}")
        sig = _bytes(item["sig"], "a signature")
        if not 0 < len(sig) <= _LONGEST_SIGNATURE:
            raise LedgerError(
                "a signature cannot be read", expected=f"1 to {_LONGEST_SIGNATURE} bytes", got=str(len(sig))
            )
        found.append(Signature(keyid=item["keyid"], sig=sig))
    if len({s.keyid for s in found}) != len(found):
        raise LedgerError("a key has signed the envelope twice", expected="at most one signature a key")
    return tuple(found)


def _bytes(value: object, what: str) -> bytes:
    """What base64 stands for, of the one form that has no stray bits, no line ends and all of its padding."""
    try:
        data = b64decode(value, validate=True) if isinstance(value, str) else None
    except ValueError:
        data = None
    if data is None or b64encode(data).decode() != value:
        raise LedgerError(f"{what} is no base64", expected="base64 of RFC 4648, padded, on one line")
    return data
