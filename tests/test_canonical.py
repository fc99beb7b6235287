from __future__ import annotations

import copy
import hashlib
import pickle

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest, canonical_json

SCALARS = st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.text(st.characters(codec="utf-8"))
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner) | st.dictionaries(st.text(st.characters(codec="utf-8")), inner),
    max_leaves=20,
)


@given(VALUES)
def test_the_same_bytes_as_the_registry_package(value: object) -> None:
    assert canonical_json(value) == rfc8785.dumps(value)  # type: ignore[arg-type]


def test_keys_sort_as_in_rfc_8785_section_3_2_3() -> None:
    value = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    order = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    expected = "{" + ",".join(f'{_quoted(key)}:"{value[key]}"' for key in order) + "}"
    assert canonical_json(value) == expected.encode()


def _quoted(key: str) -> str:
    return '"\\r"' if key == "\r" else f'"{key}"'


def test_strings_are_escaped_as_in_rfc_8785_section_3_2_2() -> None:
    value = {"string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/"}
    assert canonical_json(value) == b'{"string":"\xe2\x82\xac$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'


@pytest.mark.parametrize("value", [1.0, {"a": [0.5]}, {1: 2}, object(), b"x", {"a": {2.5}}])
def test_what_has_no_canonical_form_is_refused(value: object) -> None:
    with pytest.raises(TypeError):
        canonical_json(value)


@pytest.mark.parametrize("value", [2**53, -(2**53), "\ud800", {"\udfff": 1}, [1, [2**64]]])
def test_what_is_not_one_value_everywhere_is_refused(value: object) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - the kind is the contract, the words are Python's
        canonical_json(value)


def test_digest() -> None:
    # FIPS 180-2, appendix B.1: the message "abc".
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert Digest.of(b"a", memoryview(b"bc")) == Digest(hex=abc)
    assert str(Digest(hex=abc)) == f"sha256:{abc}"
    assert Digest(hex=abc).short == "ba7816bf8f01"
    for wrong in (abc.upper(), abc[1:], abc + "0", abc[:-1] + "\n", f"{abc[:31]}g{abc[32:]}", ""):
        with pytest.raises(ValueError, match="no SHA-256"):
            Digest(hex=wrong)


def test_digests_are_values() -> None:
    one, same, other = (Digest.of(part) for part in (b"1", b"1", b"2"))
    assert one == same
    assert hash(one) == hash(same)
    assert len({one, same, other}) == 2
    assert one != one.hex
    assert sorted([one, other]) == sorted([other, one], key=lambda digest: digest.hex)
    assert copy.deepcopy(one) == pickle.loads(pickle.dumps(one)) == one  # noqa: S301 - our own bytes
    assert eval(repr(one), {"Digest": Digest}) == one  # noqa: S307 - as above
    with pytest.raises(AttributeError, match="frozen"):
        one.hex = other.hex  # type: ignore[misc]  # that it cannot is the test


@given(st.lists(st.binary()))
def test_a_digest_reads_its_parts_as_one(parts: list[bytes]) -> None:
    assert Digest.of(*parts).hex == hashlib.sha256(b"".join(parts)).hexdigest()
