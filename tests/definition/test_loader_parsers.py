"""Two parsers stand behind the loader. What the fast one accepts, the one that decides must read the same way."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from caldiff.definition import document
from caldiff.definition.loader import normal_from_text
from caldiff.definition.problems import Wrong
from caldiff.errors import CaldiffError, DefinitionError

# fmt: off
BITS = [
    "a", "b", "c:", "x: ", "k: ", ": ", "- ", "\n", "\n", "\n", "\n  ", "\n    ", "\n- ", "\n  - ", "  ", " ", "[",
    "]", "{", "}", '"', "'", "#", " # c\n", "|\n  ", ">\n  ", "1", "0x1", "-", "1.5", ".5", "+1", "1e3", "true",
    "null", "~", "no", "?", "inf", "nan", "010", "\na: ", "\n\n", "it's", "x y", "é", "a#b", "x:y", "1/4", "''",
    '""', "-1", "00", ".", "...", "=", "<<", "$", "(", "^", "_", "/", "\\", "\t", "&a ", "*a", "!t ", "@", "%",
    "---", "\r", "\x85", ",", ", ",
]
# fmt: on
HEAD = "definition: 1\nname: d\nimage: {start: 0, size: 1 MiB, byte_order: big}\n"

texts = st.lists(st.sampled_from(BITS), max_size=14).map("".join)
words = st.one_of(
    st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=8),
    st.sampled_from(
        ["1", "0x10", "010", "1.50", "true", "null", "~", "no", "a: b", "# c", "x #y", " ", "- a", "1e3", "'"]
    ),
)
trees = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), words),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(words, inner, max_size=4)),
    max_leaves=12,
)


def comparable(value: Any) -> Any:
    """With types, so that 1 and true differ; decimals by their value, as one parser writes .5 as 0.5."""
    match value:
        case document.Decimals():
            return ("number", Fraction(value)) if "n" not in value else ("number", str(value))
        case dict():
            return {k: comparable(v) for k, v in value.items()}
        case list():
            return [comparable(v) for v in value]
        case _:
            return (type(value), value)


def keys(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        yield from value
        value = list(value.values())
    for item in value if isinstance(value, list) else ():
        yield from keys(item)


def same_or_doubted(text: str) -> bool:
    """Whether the fast parser took the text; if it did, it read what the other one reads, and nothing is wrong."""
    try:
        text = document.decoded(text.encode())
    except Wrong:
        return False
    fast = document._fast(text)
    if fast is None or any(not key or set(key) & set(" ]}:[{<") for key in keys(fast.tree)):
        return False  # a key that no definition may have: the loader asks the other parser
    slow = document.read(text, places=True)
    assert not slow.problems
    assert comparable(fast.tree) == comparable(slow.tree)
    assert fast.nulls or not slow.nulls
    return True


@given(texts)
@settings(max_examples=200)
def test_text_at_random(text: str) -> None:
    same_or_doubted(f"k: {text}")


@given(
    st.dictionaries(words, trees, min_size=1, max_size=5),
    st.sampled_from([False, True, None]),
    st.sampled_from([10, 80]),
    st.sampled_from([None, '"', "'", "|", ">"]),
    st.integers(2, 6),
)
def test_what_another_program_writes(tree: Any, flow: Any, width: int, style: Any, indent: int) -> None:
    text = yaml.safe_dump(
        tree, default_flow_style=flow, width=width, default_style=style, indent=indent, allow_unicode=True
    )
    same_or_doubted(text)


# Spellings that rapidyaml 0.15 reads its own way, found by comparing some millions of texts at random.
OWN_WAYS = [
    "k: {b: 1 # c\n , c: 2}",
    "k: [ :",
    "k:\n- '' a: b",
    "k:\n- '' - x",
    "k: [?~]",
    "k: True",
    "k: Null",
    "k: ~",
    "k: inf",
    "k: -inf",
    "k: nan",
    "k: }",
    "k: # c\n  }",
    "k:\n- #\n  ]",
    "k:  @ ",
    "k: ! ",
    "k: |\n  a",
    "% # c\nk: b",
    "...\nk: b",
    "k:\tb",
    'k: "\\ud83d\\ude00"',
    'k: "a\\0b"',
    "k: &a",
    "k: [*a]",
]


@pytest.mark.parametrize("text", OWN_WAYS)
def test_what_the_fast_parser_reads_its_own_way_is_left_to_the_other(text: str) -> None:
    try:
        slow: Any = document.read(document.decoded(text.encode()), places=True)
    except Wrong:
        slow = None
    fast = document._fast(document.decoded(text.encode()))
    assert fast is None or (slow and comparable(fast.tree) == comparable(slow.tree))


def test_ordinary_definitions_take_the_fast_way() -> None:
    assert same_or_doubted(f"{HEAD}tables:\n  t: {{at: 0x10, type: u8, scaling: s}}  # remark\n  u:\n    at: 1\n")


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("12", 12),
        ("-4", -4),
        ("010", "010"),
        ("0x10", "0x10"),
        ("1e-3", document.Decimals("1e-3")),
        (".5", document.Decimals(".5")),
        ("no", "no"),
        ("off", "off"),
        ("1:30", "1:30"),
        ("2001-01-01", "2001-01-01"),
        ("1_000", "1_000"),
        ("true", True),
        ("~", None),
        ("", None),
        (".inf", document.Decimals(".inf")),
        ("'12'", "12"),
        ('"true"', "true"),
        ("=", "="),
    ],
)
def test_scalars_are_those_of_yaml_1_2(written: str, value: object) -> None:
    # YAML 1.2.2, section 10.3.2 (core schema); hexadecimal and octal stay text until a number is expected
    slow = document.read(f"k: {written}\n", places=True).tree["k"]
    assert (slow, type(slow)) == (value, type(value))
    same_or_doubted(f"k: {written}\n")


REFUSED = [
    ("title: &x a", "anchors are not part of the format", 4, 8),
    ("title: *x", "aliases are not part of the format", 4, 8),
    ("<<: {a: 1}", "merge keys are not part of the format", 4, 1),
    ("title: !!str 1", "tags are not part of the format", 4, 8),
    ("title: a\ntitle: b", "the key title stands here twice", 5, 1),
    ("---\ntitle: b", "a second document begins here", 4, 1),
    ("? [a]\n: b", "a collection cannot be a key", 4, 3),
    ("title: [1", "not YAML: did not find expected ',' or ']' while parsing a flow sequence", 5, 1),
    ("title: a\x07b", "a character that has no business in a definition", 4, 9),
    ("title: a\u2028b", "a character that has no business in a definition", 4, 9),
    ("title: \ufeffb", "a character that has no business in a definition", 4, 8),
    ('title: "a\\ud800"', "not YAML: found invalid Unicode character escape code while parsing a quoted scalar", 4, 12),
]


@pytest.mark.parametrize(("text", "reason", "line", "column"), REFUSED)
def test_what_yaml_can_do_and_definitions_cannot(text: str, reason: str, line: int, column: int) -> None:
    with pytest.raises(DefinitionError) as caught:
        normal_from_text(f"{HEAD}{text}\n")
    problem = caught.value.problems[0]
    assert (problem.reason.removeprefix("title: "), problem.line, problem.column) == (reason, line, column)


def test_bytes_that_are_no_text() -> None:
    for data in (b"a: 1\nb\xe9: 2\n", b"a: 1\nb\xed\xa0\x80: 2\n"):
        with pytest.raises(DefinitionError, match="not UTF-8") as caught:
            normal_from_text(data)
        assert (caught.value.line, caught.value.column) == (2, 2)


def test_windows_line_ends_and_a_byte_order_mark_are_fine() -> None:
    plain = normal_from_text(HEAD).normal
    assert normal_from_text(b"\xef\xbb\xbf" + HEAD.replace("\n", "\r\n").encode()).normal == plain


@pytest.mark.parametrize(
    "make",
    [
        lambda: b"",
        lambda: b"\0" * 1000,
        lambda: b"[" * 200_000,
        lambda: b"a: " + b"[" * 100_000 + b"]" * 100_000,
        lambda: b"{a: " * 200_000,
        lambda: b"- " * 200_000,
        lambda: b"".join(b" " * n + b"a:\n" for n in range(1500)),
        lambda: b"a: &a [x,x]\n" + b"".join(b"b%d: &b%d [*a,*a]\n" % (n, n) for n in range(20_000)),
        lambda: b"a: '" + b"x" * 2_000_000,
        lambda: b"definition: 1\nname: x\ntitle: " + b"9" * 1_000_000,
        lambda: b"a: 1\n" * 200_000,
        lambda: b"#" * 3_000_000,
        lambda: b"# \n" * 1_000_000 + b"]",
        lambda: b"a: |\n" + b" x\n" * 500_000 + b"\x01",
        lambda: b"a," * (5 << 19),
        lambda: b"x" * ((16 << 20) + 1),
        lambda: (
            b"definition: 1\nname: x\nimage: {start: 0, size: 1, byte_order: big}\nfits: ["
            + b"{at: 1e999999999, text: a}," * 5000
            + b"]"
        ),
    ],
)
def test_hostile_text_ends_in_a_definition_error_in_bounded_time(make: Callable[[], bytes]) -> None:
    began = time.process_time()
    with pytest.raises(DefinitionError):
        normal_from_text(make())
    assert time.process_time() - began < 30  # a bound on what an attacker can cost, no benchmark


@given(st.binary(max_size=80))
def test_arbitrary_bytes(data: bytes) -> None:
    with pytest.raises(CaldiffError):
        normal_from_text(data)


def test_the_fast_parser_says_nothing_on_standard_error(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(DefinitionError):
        normal_from_text("a: [")
    assert capfd.readouterr().err == ""
