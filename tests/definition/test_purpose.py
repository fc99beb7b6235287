"""What a table corrects, and which trouble codes it switches."""

from __future__ import annotations

from fractions import Fraction

import pytest

from caldiff.definition.catalogue import definition_from_text
from caldiff.definition.definition import Definition
from caldiff.definition.model import Correction
from caldiff.errors import DefinitionError

HEAD = """\
definition: 1
name: one
image: {start: 0, size: 0x100, byte_order: big}
scalings:
  monitors: {bits: {catalyst: 0, misfire: 1}}
tables:
  wanted: {at: 0x80, type: u8}
"""


def read(*tables: str) -> Definition:
    return definition_from_text(HEAD + "".join(f"  {table}\n" for table in tables))


def problems(*tables: str) -> str:
    with pytest.raises(DefinitionError) as caught:
        read(*tables)
    return "\n".join(f"{p.place}: {p.reason}; {p.hint}" for p in caught.value.problems)


def test_what_a_table_corrects() -> None:
    spec = read("a: {at: 0, type: u8, corrects: {measured: lambda, target: wanted, as: percent}}").tables["a"]
    assert spec.corrects == Correction(measured="lambda", target="wanted", way="percent")
    spec = read("a: {at: 0, type: u8, corrects: {measured: lambda, target: 0.98}}").tables["a"]
    assert spec.corrects == Correction(measured="lambda", target=Fraction(49, 50), way="factor")


def test_codes_by_flag_and_by_cell() -> None:
    by_flag = read("a: {at: 0, type: u8, scaling: monitors, codes: {misfire: [P0300, P0301], catalyst: P0420}}")
    assert dict(by_flag.tables["a"].codes) == {"catalyst": ("P0420",), "misfire": ("P0300", "P0301")}
    spec = read("a: {at: 0, type: u8, shape: [3], codes: [P0420, [P0130, P0131-11], U0100]}").tables["a"]
    assert spec.codes == (("0", ("P0420",)), ("1", ("P0130", "P0131-11")), ("2", ("U0100",)))


def test_cells_keep_their_order_beyond_nine() -> None:
    spec = read(f"a: {{at: 0, type: u8, shape: [12], codes: [{', '.join(f'P{n:04}' for n in range(12))}]}}").tables["a"]
    assert [flag for flag, _ in spec.codes] == [str(n) for n in range(12)]


def test_the_digest_speaks_of_them_and_of_nothing_else() -> None:
    plain = read("a: {at: 0, type: u8}")
    assert read("a: {at: 0, type: u8, corrects: {measured: lambda, target: 1}}") != plain
    assert read("a: {at: 0, type: u8, corrects: {measured: lambda, target: 1}}") == read(
        "a: {at: 0, type: u8, corrects: {as: factor, target: 1.0, measured: lambda}}"
    )


def test_a_definition_made_in_memory_keeps_them() -> None:
    read_one = read("a: {at: 0, type: u8, scaling: monitors, codes: {misfire: P0300}}")
    made = Definition.of(name="one", frame=read_one.frame, tables=read_one.tables.values())
    assert made.tables["a"].codes == (("misfire", ("P0300",)),)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("a: {at: 0, type: u8, corrects: {measured: lambda, target: wnated}}", "there is no table wnated"),
        ("a: {at: 0, type: u8, corrects: {measured: lambda, target: 0}}", "against a target of 0"),
        ("a: {at: 0, type: u8, corrects: {target: 1}}", "measured"),
        ("a: {at: 0, type: u8, corrects: {measured: lambda, target: 1, as: ratio}}", "word is not known"),
        ("a: {at: 0, type: u8, scaling: monitors, corrects: {measured: lambda, target: 1}}", "flags are no factor"),
        ("a: {at: 0, type: u8, scaling: monitors, codes: {misfir: P0300}}", "no flag misfir"),
        ("a: {at: 0, type: u8, codes: {misfire: P0300}}", "whose scaling has bits"),
        ("a: {at: 0, type: u8, shape: [2], codes: [P0300]}", "do not go with the cells"),
        ("a: {at: 0, type: u8, shape: [1], codes: [P4300]}", "no trouble code"),
        ("a: {at: 0, type: u8, shape: [1], codes: [[]]}", "codes"),
        ("a: {at: 0, text: 4, codes: [P0300]}", "a text has no codes"),
    ],
)
def test_what_is_refused(table: str, said: str) -> None:
    assert said in problems(table)
