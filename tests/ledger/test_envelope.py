"""The envelope: DSSE's own example, others that read it, and every bit of one flipped."""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from typing import Any

import attrs
import pytest
import rfc8785
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec, utils
from cryptography.hazmat.primitives.hashes import SHA256
from hypothesis import given
from hypothesis import strategies as st
from ledger_drafts import story
from securesystemslib.dsse import Envelope as TheirEnvelope
from securesystemslib.exceptions import VerificationError
from securesystemslib.signer import SSlibKey

from caldiff.canonical import Digest
from caldiff.errors import LedgerError
from caldiff.ledger.chain import Recorded
from caldiff.ledger.envelope import Envelope, Signature, pae, read_envelope
from caldiff.ledger.signing import PrivateKey
from caldiff.ledger.trust import Trust, TrustedKey, signatures

KEY = PrivateKey.of_seed(bytes(range(32)))
OTHER = PrivateKey.of_seed(bytes(32))
TRUST = Trust(
    name="shop",
    digest=Digest.of(b""),
    keys=tuple(TrustedKey(name=n, key=k.public.text, roles=("approver",)) for n, k in (("A", KEY), ("B", OTHER))),
)
SIGNED = story(signers=(KEY, OTHER))[4].envelope
"""The approval of the invented chain, signed twice."""

# ------------------------------------------------------------------------------------------------------ DSSE's example

DSSE_X = 46950820868899156662930047687818585632848591499744589407958293238635476079160
DSSE_Y = 5640078356564379163099075877009565129882514886557779369047442380624545832820
DSSE_SIG = "A3JqsQGtVsJ2O2xqrI5IcnXip5GToJ3F+FnZ+O88SjtR6rDAajabZKciJTfUiHqJPcIAriEGAHTVeCUjW2JIZA=="


def test_what_is_signed_is_what_the_dsse_protocol_says() -> None:
    """The test vector of the DSSE protocol document, from memory. That its signature (ECDSA, P-256) is right over these
    bytes and no others shows that it was remembered right."""
    signed = pae("http://example.com/HelloWorld", b"hello world")
    assert signed == b"DSSEv1 29 http://example.com/HelloWorld 11 hello world"
    sig = b64decode(DSSE_SIG)
    r, s = (int.from_bytes(half, "big") for half in (sig[:32], sig[32:]))
    key = ec.EllipticCurvePublicNumbers(DSSE_X, DSSE_Y, ec.SECP256R1()).public_key()
    key.verify(utils.encode_dss_signature(r, s), signed, ec.ECDSA(SHA256()))
    with pytest.raises(InvalidSignature):
        key.verify(utils.encode_dss_signature(r, s), signed + b"!", ec.ECDSA(SHA256()))


@given(st.text(max_size=30), st.binary(max_size=30))
def test_what_is_signed_is_what_another_library_signs(payload_type: str, payload: bytes) -> None:
    """securesystemslib, a package of the registry."""
    try:
        payload_type.encode()
    except UnicodeEncodeError:
        return
    assert pae(payload_type, payload) == TheirEnvelope(payload, payload_type, {}).pae()


def test_another_library_reads_and_verifies_it() -> None:
    """securesystemslib, a package of the registry, with the public key given in its own form."""
    theirs = TheirEnvelope.from_dict(json.loads(SIGNED.dump()))
    assert (theirs.payload, theirs.payload_type) == (SIGNED.payload, "application/vnd.in-toto+json")
    keys = [SSlibKey(k.keyid, "ed25519", "ed25519", {"public": k.public.raw.hex()}) for k in (KEY, OTHER)]
    assert set(theirs.verify(keys, 2)) == {KEY.keyid, OTHER.keyid}
    theirs.payload += b" "
    with pytest.raises(VerificationError):
        theirs.verify(keys, 1)


# ---------------------------------------------------------------------------------------------------- inverse, strict

envelopes = st.builds(
    Envelope,
    payload=st.binary(max_size=60),
    signatures=st.lists(
        st.builds(
            Signature,
            keyid=st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=60),
            sig=st.binary(min_size=1, max_size=80),
        ),
        max_size=3,
        unique_by=lambda s: s.keyid,
    ).map(tuple),
)


@given(envelopes)
def test_reading_what_was_written_gives_the_envelope(envelope: Envelope) -> None:
    data = envelope.dump()
    assert read_envelope(data) == envelope
    assert rfc8785.dumps(json.loads(data)) == data


def test_the_bytes_of_an_envelope_by_hand() -> None:
    """``{}`` in base64 is ``e30=`` (coreutils' base64)."""
    assert (
        Envelope(payload=b"{}").dump()
        == b'{"payload":"e30=","payloadType":"application/vnd.in-toto+json","signatures":[]}'
    )


def test_any_flipped_bit_is_refused_or_changes_the_hash_or_breaks_a_signature() -> None:
    """Every bit of one signed entry: its payload is bound by its hash, its signatures by their keys."""
    data = SIGNED.dump()
    time = Recorded.read(data).entry.draft.time
    assert [state.state for state in signatures(SIGNED, time, TRUST)] == ["valid", "valid"]
    refused = 0
    for at in range(8 * len(data)):
        flipped = bytearray(data)
        flipped[at // 8] ^= 1 << at % 8
        try:
            envelope = Recorded.read(bytes(flipped)).envelope
        except LedgerError:
            refused += 1
            continue
        unharmed = [state for state in signatures(envelope, time, TRUST) if state.state == "valid"]
        assert envelope.hash != SIGNED.hash or len(unharmed) == 1, at
    assert refused > 4 * len(data)


def _changed(**new: Any) -> bytes:
    return rfc8785.dumps({**json.loads(SIGNED.dump()), **new})


ONE = json.loads(SIGNED.dump())["signatures"][0]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "no JSON"),
        (b"[]", "no DSSE envelope"),
        (_changed(more=1), "no DSSE envelope"),
        (b'{"payload":"e30=","payloadType":"application/vnd.in-toto+json"}', "no DSSE envelope"),
        (b'{"payload":"e30=","payloadType":"application/vnd.in-toto+json","signatures":[] }', "canonical form"),
        (b'{"payloadType":"application/vnd.in-toto+json","payload":"e30=","signatures":[]}', "canonical form"),
        (SIGNED.dump() + b"\n", "canonical form"),
        (_changed(payloadType="text/plain"), "of another type"),
        (_changed(payload="e30"), "payload is no base64"),
        (_changed(payload="e31="), "payload is no base64"),
        (_changed(payload="e3\n0="), "payload is no base64"),
        (_changed(payload="_-8="), "payload is no base64"),
        (_changed(payload="\u00e9"), "payload is no base64"),
        (_changed(payload=["e30="]), "payload is no base64"),
        (_changed(signatures={}), "signatures cannot be read"),
        (_changed(signatures=[ONE, ONE]), "signed the envelope twice"),
        (_changed(signatures=[{**ONE, "keyid": str(at)} for at in range(65)]), "signatures cannot be read"),
        (_changed(signatures=[{"sig": ONE["sig"]}]), "a signature cannot be read"),
        (_changed(signatures=[{**ONE, "cert": ""}]), "a signature cannot be read"),
        (_changed(signatures=["AAAA"]), "a signature cannot be read"),
        (_changed(signatures=[{**ONE, "keyid": ""}]), "keyid of a signature"),
        (_changed(signatures=[{**ONE, "keyid": "a b"}]), "keyid of a signature"),
        (_changed(signatures=[{**ONE, "keyid": 5}]), "keyid of a signature"),
        (_changed(signatures=[{**ONE, "sig": ""}]), "a signature cannot be read"),
        (_changed(signatures=[{**ONE, "sig": b64encode(bytes(1025)).decode()}]), "a signature cannot be read"),
        (_changed(signatures=[{**ONE, "sig": "AA=A"}]), "a signature is no base64"),
        (b'"' + b"x" * (6 << 20) + b'"', "too large"),
        (b"[" * 100_000, "too deep"),
    ],
)
def test_what_is_no_envelope_is_refused(data: bytes, said: str) -> None:
    with pytest.raises(LedgerError, match=said):
        read_envelope(data)


@given(st.binary(max_size=100))
def test_arbitrary_bytes_are_refused(data: bytes) -> None:
    with pytest.raises(LedgerError):
        read_envelope(data)


@given(st.binary(max_size=100))
def test_an_arbitrary_payload_is_no_entry(payload: bytes) -> None:
    with pytest.raises(LedgerError):
        Recorded.read(Envelope(payload=payload).dump())


def test_signatures_are_not_in_the_hash() -> None:
    bare = attrs.evolve(SIGNED, signatures=())
    assert bare.hash == SIGNED.hash == Digest.of(SIGNED.payload)
