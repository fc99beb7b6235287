"""Whose keys are trusted, as what and from when until when; and what that makes of the signatures on an entry."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal, get_args

import attrs

from caldiff.canonical import Digest
from caldiff.errors import SignatureError
from caldiff.ledger.envelope import Envelope, Signature
from caldiff.ledger.signing import PublicKey
from caldiff.value import Value

__all__ = ["ROLES", "Role", "SignatureState", "SignatureWord", "Trust", "TrustedKey", "signatures"]

Role = Literal["reader", "calibrator", "approver"]
"""Who reads units, who makes revisions, who lets them out."""
ROLES: tuple[Role, ...] = get_args(Role)

SignatureWord = Literal["valid", "unknown key", "wrong", "outside its time"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class TrustedKey(Value):
    """A person's key.

    Attributes:
        name: the person's. Two keys of one name are one person.
        key: as a line of OpenSSH, or in PEM.
        roles: what the person is.
        since, until: UTC, as a date (``2026-03-11``) or a time (``2026-03-11T09:30:00Z``), both inclusive. An entry of
            another time is not signed by this key, even if the signature is right.
    """

    name: str
    key: str
    roles: tuple[Role, ...]
    since: str | None = None
    until: str | None = None

    @property
    def public(self) -> PublicKey:
        """The key itself.

        Raises:
            SignatureError: it cannot be read.
        """
        return _public(self.key)

    def covers(self, time: str) -> bool:
        """Whether the key holds at a time such as ``2026-03-11T09:30:00Z``."""
        since, until = self.since or "", self.until or "9999"
        return time >= since and time[: len(until)] <= until


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Trust(Value):
    """Trusted keys. ``digest`` is of the file that they came from."""

    name: str
    digest: Digest
    keys: tuple[TrustedKey, ...]

    def by_keyid(self) -> dict[str, TrustedKey]:
        """The keys by their fingerprints.

        Raises:
            SignatureError: a key cannot be read, or two are the same.
        """
        found: dict[str, TrustedKey] = {}
        for key in self.keys:
            other = found.setdefault(key.public.keyid, key)
            if other is not key:
                raise SignatureError(f"{other.name!r} and {key.name!r} have the same key", got=key.public.keyid)
        return found


@attrs.frozen(kw_only=True, eq=False, repr=False)
class SignatureState(Value):
    """What a signature is worth.

    Attributes:
        keyid: as the envelope has it. name, roles: of the trusted key; None and empty if ``state`` is not ``valid``.
        state: ``valid`` alone counts.
        text: the same as one sentence without a full stop.
    """

    keyid: str
    name: str | None = None
    roles: tuple[Role, ...] = ()
    state: SignatureWord
    text: str


def signatures(envelope: Envelope, time: str, trust: Trust | None) -> tuple[SignatureState, ...]:
    """What the signatures on an entry are worth, in their order.

    Args:
        envelope: the entry's.
        time: the entry's own. It is the author's word: a key that has been stolen can sign for any time.
        trust: without it every key is unknown.

    Raises:
        SignatureError: a trusted key cannot be read, or two are the same.
    """
    if not envelope.signatures:
        return ()
    known = {} if trust is None else trust.by_keyid()
    signed = envelope.signed
    return tuple(_state(signature, known.get(signature.keyid), signed, time) for signature in envelope.signatures)


def _state(signature: Signature, key: TrustedKey | None, signed: bytes, time: str) -> SignatureState:
    keyid = signature.keyid
    if key is None:
        return SignatureState(keyid=keyid, state="unknown key", text=f"signed by {keyid}, which is not trusted here")
    if not key.public.verify(signature.sig, signed):
        return SignatureState(keyid=keyid, state="wrong", text=f"the signature in the name of {key.name} is wrong")
    if not key.covers(time):
        text = f"signed by {key.name} at {time}, when the key did not hold"
        return SignatureState(keyid=keyid, state="outside its time", text=text)
    text = f"signed by {key.name} as {', '.join(key.roles) or 'nobody in particular'}"
    return SignatureState(keyid=keyid, name=key.name, roles=key.roles, state="valid", text=text)


@lru_cache(maxsize=256)
def _public(text: str) -> PublicKey:
    """Reading a key costs more than verifying with it, and a chain asks for each many times."""
    return PublicKey.read(text)
