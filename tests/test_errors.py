from __future__ import annotations

from pathlib import Path

from caldiff.errors import CaldiffError, DefinitionError, ImageError


def test_an_error_says_its_facts_in_one_line() -> None:
    error = ImageError("the record checksum is wrong", file=Path("a.hex"), line=3, expected="3A", got="3B")
    assert str(error) == "a.hex:3: the record checksum is wrong (expected 3A, got 3B)"
    assert error.place == "a.hex:3"


def test_an_address_follows_the_file() -> None:
    assert str(CaldiffError("no byte here", file="a", address=0x1234)) == "a at 0x00001234: no byte here"
    assert str(CaldiffError("no byte here")) == "no byte here"


def test_a_definition_error_leads_with_its_first_problem() -> None:
    first = CaldiffError("unknown key", file="d.yaml", line=2, column=5, hint="did you mean 'type'?")
    error = DefinitionError([first, CaldiffError("other")])
    assert str(error) == "d.yaml:2:5: unknown key"
    assert error.hint == "did you mean 'type'?"
    assert len(error.problems) == 2
