"""What is personal: shortened, and matched by a keyed digest."""

from __future__ import annotations

import hashlib
import hmac

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.errors import UsageError
from caldiff.table.personal import Key, shortened

SECRET = bytes(range(32))


@pytest.mark.parametrize(
    ("text", "short"),
    [
        ("00WREN4V5N0000017", "*************0017"),
        ("1234567890123456", "************3456"),
        ("123456789012", "*********012"),
        ("12345678", "******78"),
        ("SECRET", "*****T"),
        ("ABCD", "***D"),
        ("ABC", "***"),
        ("", ""),
    ],
)
def test_shortened(text: str, short: str) -> None:
    assert shortened(text) == short


@given(st.text())
def test_shortening_keeps_the_length_and_no_more_than_four_nor_a_quarter(text: str) -> None:
    short = shortened(text)
    kept = min(4, len(text) // 4)
    assert short == "*" * (len(text) - kept) + text[len(text) - kept :]
    assert 4 * kept <= len(text)


def test_hmac_itself() -> None:
    """RFC 4231, test case 2 (from memory): the library's HMAC-SHA-256 is that of the RFC."""
    found = hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest()
    assert found == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_a_digest_is_the_hmac_of_what_is_documented() -> None:
    """Written out by RFC 2104's own formula, without the hmac module."""

    def mac(message: bytes) -> str:
        pads = [bytes(b ^ pad for b in SECRET.ljust(64, b"\0")) for pad in (0x36, 0x5C)]
        inner = hashlib.sha256(pads[0] + message).digest()
        return hashlib.sha256(pads[1] + inner).hexdigest()

    name = mac(b"caldiff identity, form 1\nname")[:8]
    digest = mac(b"caldiff identity, form 1\nvin=00WREN4V5N0000017")
    assert Key(SECRET).digest("vin", "00WREN4V5N0000017") == f"hmac-sha256:{name}:{digest}"


@given(st.text(max_size=20), st.text(max_size=20))
def test_equal_digests_are_equal_texts(one: str, other: str) -> None:
    key = Key(SECRET)
    assert (key.digest("vin", one) == key.digest("vin", other)) == (one == other)
    assert key.digest("vin", one) != key.digest("field owner", one)
    assert key.digest("vin", one) != Key(SECRET[::-1]).digest("vin", one)


def test_line_ends_do_not_count() -> None:
    assert Key(SECRET).name == Key(SECRET + b"\r\n").name
    assert Key(SECRET).name != Key(SECRET[::-1]).name


@pytest.mark.parametrize("secret", [b"", b"short", b"x" * 15, b"x" * 15 + b"\n" * 20])
def test_a_key_that_could_be_guessed_is_none(secret: bytes) -> None:
    with pytest.raises(UsageError, match="16 bytes or more"):
        Key(secret)


def test_a_key_does_not_show_itself() -> None:
    assert SECRET.hex() not in repr(Key(SECRET)) + str(vars(Key))
    assert repr(SECRET) not in repr(Key(SECRET))
