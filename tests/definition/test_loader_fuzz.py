"""A definition that somebody damaged: it loads, or it is refused with its problems; nothing else ever happens."""

from __future__ import annotations

import json
from pathlib import Path

import attrs
from hypothesis import given, settings
from hypothesis import strategies as st

from caldiff.canonical import canonical_json
from caldiff.definition.compiled import compile_normal, open_compiled
from caldiff.definition.loader import normal_from_text
from caldiff.definition.normal import normal_of
from caldiff.errors import DefinitionError

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "definitions"
TEXTS = [path.read_text(encoding="utf-8") for path in sorted(FOLDER.glob("*.yaml"))]
WORDS = ["0", "-1", "0x", "null", "true", "[", "]", "{}", ": ", "- ", "\n", "x", "u64", "f16", "65536", "1e9", "1/0"]
WORDS += ['"', "'", "#", "&a", "*a", "~", "stored"]


@attrs.frozen
class Damage:
    """At a place, so many characters are replaced."""

    at: float
    length: int
    word: str


damages = st.lists(
    st.builds(Damage, st.floats(0, 1), st.integers(0, 12), st.sampled_from(WORDS) | st.text(max_size=3)),
    min_size=1,
    max_size=3,
)


def damaged(text: str, damage: list[Damage]) -> str:
    for one in damage:
        at = int(one.at * len(text))
        text = text[:at] + one.word + text[at + one.length :]
    return text


@given(st.sampled_from(TEXTS), damages)
@settings(max_examples=100)
def test_a_damaged_definition(text: str, damage: list[Damage]) -> None:
    try:
        normal = normal_from_text(damaged(text, damage), folder=FOLDER).normal
    except DefinitionError as error:
        for problem in error.problems:
            assert problem.file
            assert str(problem)
            assert problem.line is None or problem.line >= 1
    else:
        assert json.loads(canonical_json(normal)) == normal


def test_the_normal_form_is_the_one_that_the_compiled_form_gives_back() -> None:
    assert TEXTS
    for text in TEXTS:
        loaded = normal_from_text(text, folder=FOLDER)
        if not loaded.is_family:
            assert normal_of(open_compiled(compile_normal(loaded.normal))) == loaded.normal
