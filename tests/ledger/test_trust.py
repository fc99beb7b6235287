"""Whose signatures count: unknown keys, wrong ones, and times that a key does not hold at."""

from __future__ import annotations

from datetime import datetime

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.errors import SignatureError
from caldiff.ledger.envelope import Envelope, Signature
from caldiff.ledger.signing import PrivateKey
from caldiff.ledger.trust import SignatureState, Trust, TrustedKey, signatures

READER, MAKER, STRANGER = (PrivateKey.of_seed(bytes([n]) * 32) for n in range(3))
TIME = "2026-03-11T09:30:00Z"


def trust(*keys: TrustedKey) -> Trust:
    return Trust(name="shop", digest=Digest.of(b""), keys=keys)


def trusted(key: PrivateKey, name: str, since: str | None = None, until: str | None = None) -> TrustedKey:
    return TrustedKey(name=name, key=f"{key.public.text} {name}@shop", roles=("calibrator",), since=since, until=until)


SHOP = trust(trusted(READER, "R. Reader"), attrs.evolve(trusted(MAKER, "C. Maker"), roles=("calibrator", "approver")))


def states(envelope: Envelope, time: str = TIME, shop: Trust | None = SHOP) -> list[str]:
    return [state.state for state in signatures(envelope, time, shop)]


def test_a_valid_signature_gives_name_and_roles() -> None:
    assert signatures(Envelope.sealed(b"{}", [MAKER]), TIME, SHOP) == (
        SignatureState(
            keyid=MAKER.keyid,
            name="C. Maker",
            roles=("calibrator", "approver"),
            state="valid",
            text="signed by C. Maker as calibrator, approver",
        ),
    )


def test_each_signature_is_told_by_itself() -> None:
    envelope = Envelope.sealed(b"{}", [STRANGER, READER, MAKER])
    swapped = attrs.evolve(
        envelope,
        signatures=(
            envelope.signatures[0],
            Signature(keyid=READER.keyid, sig=envelope.signatures[2].sig),
            envelope.signatures[2],
        ),
    )
    assert states(swapped) == ["unknown key", "wrong", "valid"]
    assert states(swapped, shop=None) == ["unknown key"] * 3
    assert states(Envelope(payload=b"{}")) == []


def test_only_a_valid_signature_gives_anything_to_count() -> None:
    other = attrs.evolve(Envelope.sealed(b"{}", [READER, STRANGER]), payload=b"[]")
    late = trust(trusted(READER, "R. Reader", until="2026-03-10"))
    for state in (*signatures(other, TIME, SHOP), *signatures(Envelope.sealed(b"{}", [READER]), TIME, late)):
        assert (state.name, state.roles) == (None, ())
        assert state.state != "valid"


def test_a_signature_over_the_bare_payload_is_wrong() -> None:
    """Only what DSSE says is signed counts: a signature made elsewhere over the same bytes is another statement."""
    bare = Envelope(payload=b"{}", signatures=(Signature(keyid=MAKER.keyid, sig=MAKER.sign(b"{}")),))
    assert states(bare) == ["wrong"]


@pytest.mark.parametrize(
    ("since", "until", "holds"),
    [
        (None, None, True),
        ("2026-03-11", None, True),
        ("2026-03-12", None, False),
        ("2026-03-11T09:30:00Z", None, True),
        ("2026-03-11T09:30:01Z", None, False),
        (None, "2026-03-11", True),
        (None, "2026-03-10", False),
        (None, "2026-03-11T09:30:00Z", True),
        (None, "2026-03-11T09:29:59Z", False),
        ("2026-03-11", "2026-03-11", True),
        ("2025-01-01", "2025-12-31", False),
        ("2027-01-01", "2025-12-31", False),
    ],
)
def test_a_key_holds_from_its_first_day_through_its_last(since: str | None, until: str | None, holds: bool) -> None:
    shop = trust(trusted(MAKER, "C. Maker", since, until))
    assert states(Envelope.sealed(b"{}", [MAKER]), shop=shop) == ["valid" if holds else "outside its time"]


@given(st.datetimes(), st.datetimes(), st.datetimes())
def test_times_are_compared_as_times(time: datetime, since: datetime, until: datetime) -> None:
    time, since, until = (one.replace(microsecond=0) for one in (time, since, until))
    at, first, last = (f"{one.isoformat()}Z" for one in (time, since, until))
    assert trusted(MAKER, "C. Maker", first, last).covers(at) == (since <= time <= until)
    assert trusted(MAKER, "C. Maker", first[:10], last[:10]).covers(at) == (since.date() <= time.date() <= until.date())


def test_a_key_that_cannot_be_read_or_stands_twice_is_an_error() -> None:
    envelope = Envelope.sealed(b"{}", [MAKER])
    with pytest.raises(SignatureError, match="no public key"):
        signatures(envelope, TIME, trust(attrs.evolve(trusted(MAKER, "C. Maker"), key="ssh-ed25519 AAAA")))
    with pytest.raises(SignatureError, match=r"'C. Maker' and 'Also C.' have the same key"):
        signatures(envelope, TIME, trust(trusted(MAKER, "C. Maker"), trusted(MAKER, "Also C.")))


def test_a_key_may_stand_in_pem() -> None:
    shop = trust(attrs.evolve(trusted(MAKER, "C. Maker"), key=MAKER.public.pem().decode()))
    assert states(Envelope.sealed(b"{}", [MAKER]), shop=shop) == ["valid"]
