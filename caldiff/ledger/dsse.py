"""The DSSE form of an envelope: bytes -> payload and signatures, strictly; and what of it is signed.

Plain values: a restore reads every envelope of a chain, and has no time for classes (:mod:`caldiff.ledger.envelope`).
"""

from __future__ import annotations

import re
from base64 import b64decode, b64encode

from caldiff.errors import LedgerError
from caldiff.ledger.plain import LARGEST, plain

__all__ = ["PAYLOAD_TYPE", "opened", "pae"]

PAYLOAD_TYPE = "application/vnd.in-toto+json"
"""Of an in-toto Statement, whatever its predicate."""

_LARGEST = LARGEST * 3 // 2
"""base64 takes four bytes for three; signatures take some."""
_MOST_SIGNATURES = 64
_KEYID = re.compile(r"[!-~]{1,200}")
_LONGEST_SIGNATURE = 1024


def pae(payload_type: str, payload: bytes) -> bytes:
    """DSSE's pre-authentication encoding: what is signed, so that no payload passes for one of another type."""
    kind = payload_type.encode()
    return b"DSSEv1 %d %b %d %b" % (len(kind), kind, len(payload), payload)


def opened(data: bytes) -> tuple[bytes, tuple[tuple[str, bytes], ...]]:
    """The payload of an envelope, and keyid and bytes of every signature.

    Raises:
        LedgerError: the bytes are not what :meth:`caldiff.ledger.envelope.Envelope.dump` gives.
    """
    value = plain(data, what="envelope", most=_LARGEST)
    if not isinstance(value, dict) or set(value) != {"payload", "payloadType", "signatures"}:
        raise LedgerError("this is no DSSE envelope", expected="an object of payload, payloadType and signatures")
    if value["payloadType"] != PAYLOAD_TYPE:
        raise LedgerError("the envelope is of another type", expected=PAYLOAD_TYPE, got=f"{value['payloadType']!r:.80}")
    return _bytes(value["payload"], "the payload"), _signatures(value["signatures"])


def _signatures(value: object) -> tuple[tuple[str, bytes], ...]:
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
        found.append((item["keyid"], sig))
    if len({keyid for keyid, _ in found}) != len(found):
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
