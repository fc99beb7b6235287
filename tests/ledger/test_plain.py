"""Strict canonical JSON, against rfc8785, a package of the registry."""

from __future__ import annotations

import json
from typing import Any

import pytest
import rfc8785
from hypothesis import example, given
from hypothesis import strategies as st

from caldiff.errors import LedgerError
from caldiff.ledger.plain import plain

KEYS = st.text(max_size=3) | st.sampled_from(["a", "b", "\ue000", "\uffff", "\U0001f600"])
SIZES = st.integers() | st.integers(2**53 - 3, 2**53 + 3) | st.integers(-(2**53) - 3, 3 - 2**53)
VALUES = st.recursive(
    st.none() | st.booleans() | SIZES | st.floats() | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)


def has_float(value: Any) -> bool:
    parts = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return isinstance(value, float) or any(has_float(part) for part in parts)


@given(VALUES, st.booleans(), st.booleans(), st.sampled_from([(",", ":"), (", ", ": ")]))
@example({"\uffff": 1, "\U0001f600": 2}, False, True, (",", ":"))
@example([2**53], False, False, (",", ":"))
@example([1.0], False, False, (",", ":"))
def test_only_the_canonical_form_is_taken(value: Any, escaped: bool, in_order: bool, marks: tuple[str, str]) -> None:
    """However json writes a value, it is taken if and only if the other package writes the same."""
    try:
        data = json.dumps(value, ensure_ascii=escaped, sort_keys=in_order, separators=marks).encode()
        canonical = None if has_float(value) else rfc8785.dumps(value)
    except (UnicodeEncodeError, rfc8785.CanonicalizationError):
        canonical = None
        data = json.dumps(value, sort_keys=in_order, separators=marks).encode()
    if data == canonical:
        assert plain(data, what="value") == value
    else:
        with pytest.raises(LedgerError, match="the value"):
            plain(data, what="value")


@given(VALUES.filter(lambda value: not has_float(value)))
def test_every_canonical_form_is_taken(value: Any) -> None:
    try:
        data = rfc8785.dumps(value)
    except rfc8785.CanonicalizationError:
        return
    assert plain(data, what="value") == value


@pytest.mark.parametrize(("opening", "closing"), [(b"[", b"]"), (b'{"a":', b"}")])
def test_sixteen_levels_and_no_more(opening: bytes, closing: bytes) -> None:
    plain(opening * 16 + b"0" + closing * 16, what="value")
    with pytest.raises(LedgerError, match="nests too deep"):
        plain(opening * 17 + b"0" + closing * 17, what="value")


def test_the_size_is_bounded_before_anything_is_read() -> None:
    assert plain(b'"xx"', what="value", most=4) == "xx"
    with pytest.raises(LedgerError, match=r"the value is too large \(expected at most 4 bytes, got 5 bytes\)"):
        plain(b'"xxx"', what="value", most=4)
