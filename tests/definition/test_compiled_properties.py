"""Laws of the normal and the compiled form, over definitions of every kind that the model can hold."""

from __future__ import annotations

import json
import random
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest, canonical_json
from caldiff.crc import Crc
from caldiff.definition.checksums import (
    Adler32,
    BlockList,
    Checksum,
    Coverage,
    Fletcher,
    Hash,
    Method,
    Opaque,
    Span,
    StoredField,
    Sum,
    Xor,
)
from caldiff.definition.compare import compare_definitions
from caldiff.definition.compiled import compile_normal, open_compiled
from caldiff.definition.definition import Definition
from caldiff.definition.lint import lint
from caldiff.definition.model import (
    TYPES,
    Axis,
    BitField,
    Bits,
    Cells,
    Fit,
    FixedAxis,
    Frame,
    IdentityField,
    Limits,
    Linear,
    Lookup,
    Names,
    Pattern,
    Rational,
    Record,
    Region,
    Scaling,
    StoredAxis,
    StoredCount,
    TableSpec,
)
from caldiff.definition.normal import (
    axis_from_normal,
    normal_axis,
    normal_of,
    normal_scaling,
    normal_table,
    own_axis_name,
    scaling_from_normal,
    table_from_normal,
)
from caldiff.definition.pages import DamagedError
from caldiff.errors import CaldiffError

TEXTS = ("", "a", "rpm", '"', "\\", "é", "\U0001f600\uffff", "\x00\n", "Base, {warm}")
LETTERS = "abcxyzAZ_019.-[]é"
TYPE_LIST = list(TYPES.values())
UNSIGNED = [TYPES[name] for name in ("u8", "u16", "u32", "u64")]


class Maker:
    """Model objects of every kind and with every field, drawn from a seed: quicker than drawing each by Hypothesis."""

    def __init__(self, seed: int) -> None:
        self.draw = random.Random(seed)
        self.some = self.draw.randrange

    def maybe(self, value: Any, otherwise: Any = None) -> Any:
        return value if self.some(2) else otherwise

    def text(self) -> str:
        return self.draw.choice(TEXTS)

    def name(self) -> str:
        return "n" + "".join(self.draw.choices(LETTERS, k=self.some(3)))

    def names(self, most: int) -> list[str]:
        return sorted({self.name() for _ in range(self.some(most + 1))})

    def number(self) -> Fraction:
        return Fraction(self.some(-(10**6), 10**6), self.some(1, 1000))

    def address(self) -> int:
        return self.draw.choice([self.some(5000), self.some(2**32 - 20, 2**32 + 20), self.some(2**53 - 3, 2**53 + 3)])

    def order(self) -> Any:
        return self.draw.choice(["big", "little"])

    def decimals(self) -> int | None:
        return self.maybe(self.some(7))

    def raw(self) -> int:
        return self.draw.choice([self.some(-9, 300), self.some(-(2**63), 2**64)])

    def value_names(self) -> dict[int, str]:
        return {self.raw(): self.text() for _ in range(self.some(3))}

    def mask(self) -> int:
        return self.draw.choice([1, 0x30, self.some(1, 2**64)])

    def limits(self) -> Limits:
        low, high = sorted((self.number(), self.number()))
        return Limits(low=low, high=high)

    def conversion(self) -> Any:
        a, b, c, d, e, f = (self.number() for _ in range(6))
        raws = sorted({self.raw() for _ in range(self.some(1, 5))})
        fields = tuple(BitField(name=self.name(), mask=self.mask(), names=self.value_names()) for _ in range(2))
        return self.draw.choice(
            [
                Linear(factor=self.maybe(a or Fraction(3), Fraction(1)), offset=self.maybe(b, Fraction(0))),
                Rational(gives=self.draw.choice(["raw", "physical"]), numerator=(a, b, c), denominator=(d, e, f)),
                Lookup(
                    points=tuple((raw, self.number()) for raw in raws),
                    between=self.draw.choice(["interpolate", "hold"]),
                ),
                Names(names=self.value_names()),
                Bits(fields=fields),
            ]
        )

    def scaling(self, name: str = "") -> Scaling:
        return Scaling(
            name=name,
            unit=self.text(),
            decimals=self.decimals(),
            limits=self.maybe(self.limits()),
            conversion=self.conversion(),
        )

    def cells(self, dimensions: int) -> Cells:
        strides = [self.draw.choice([-9, -2, -1, 1, 2, 4, 8, 12]) for _ in range(dimensions)]
        return Cells(
            at=500 + self.address(),
            type=self.draw.choice(TYPE_LIST),
            byte_order=self.order(),
            shape=tuple(self.some(1, 9) for _ in range(dimensions)),
            strides=tuple(strides),
            mask=self.maybe(self.mask()),
        )

    def count(self) -> StoredCount:
        return StoredCount(at=self.address(), type=self.draw.choice(UNSIGNED), byte_order=self.order())

    def axis(self, name: str, scalings: list[Scaling], *, shared: bool) -> Axis:
        about = {"name": name, "quantity": self.text(), "title": self.text(), "shared": shared}
        if self.some(3) == 0:
            points = tuple(sorted({self.number() for _ in range(self.some(1, 5))}))
            return FixedAxis(points=points, unit=self.text(), decimals=self.decimals(), **about)
        scaling = self.draw.choice([Scaling(), self.scaling(), *scalings])
        return StoredAxis(cells=self.cells(1), count=self.maybe(self.count()), scaling=scaling, **about)

    def table(self, name: str, axes: list[Axis], scalings: list[Scaling]) -> TableSpec:
        size = self.some(4)
        own = [self.axis(own_axis_name(name, dimension, size), scalings, shared=False) for dimension in range(size)]
        return TableSpec(
            name=name,
            kind=self.draw.choice([["value", "text", "flags"], ["curve"], ["map"], ["cuboid"]][size]),
            cells=self.cells(size),
            axes=tuple(self.draw.choice([axis, *axes]) for axis in own),
            scaling=self.draw.choice([Scaling(), self.scaling(), *scalings]),
            limits=self.maybe(self.limits()),
            title=self.text(),
            description=self.text(),
            group=self.text(),
            tags=tuple(sorted({self.text() for _ in range(self.some(3))})),
            aliases=tuple(self.names(2)),
            encoding=self.draw.choice(["ascii", "latin-1"]),
            record=self.maybe(Record(at=self.address(), parts=("x.count", "values"), align=self.some(1, 5))),
        )

    def pattern(self) -> Pattern:
        size = self.some(1, 5)
        return Pattern(value=self.draw.randbytes(size), mask=self.draw.randbytes(size), text=bool(self.some(2)))

    def fits(self) -> list[Fit]:
        patterns = [tuple(self.pattern() for _ in range(self.some(1, 3))) for _ in range(self.some(3))]
        return [Fit(at=self.address(), any_of=any_of) for any_of in patterns]

    def field(self, name: str) -> IdentityField:
        return IdentityField(
            name=name,
            at=self.address(),
            size=self.some(1, 20),
            kind=self.draw.choice(["text", "number", "bcd"]),
            byte_order=self.order(),
            personal=bool(self.some(2)),
            title=self.text(),
        )

    def region(self, name: str) -> Region:
        role = self.draw.choice(["code", "calibration", "volatile", "identity", "checksum"])
        return Region(name=name, start=self.address(), size=self.some(1, 5000), role=role)

    def checksum(self, name: str) -> Checksum:
        method = self.method()
        at = 2**60 + self.address()  # where no range reaches, else some would cover one another in a circle
        size = 8 + self.some(3)
        inverted = [bool(self.some(2)) for _ in range(self.some(1, 3))]
        constant = self.some(256) if isinstance(method, Crc | Sum | Xor) and len(inverted) == 1 else None
        return Checksum(
            name=name,
            title=self.text(),
            method=method,
            coverage=Coverage(
                spans=tuple(self.span() for _ in range(self.some(1, 3))),
                skip=tuple(sorted((self.span() for _ in range(self.some(2))), key=lambda s: (s.start, s.stop))),
                own=self.draw.choice(["skip", 0, 0xFF]),
                blocks=self.blocks(),
            ),
            fields=tuple(
                StoredField(at=at + 16 * n, size=size, byte_order=self.order(), inverted=turned)
                for n, turned in enumerate(inverted)
            ),
            constant=None if constant is None else constant % 8,
        )

    def span(self) -> Span:
        start = self.address()
        return Span(start=start, stop=start + self.some(1, 5000))

    def blocks(self) -> BlockList | None:
        counted = self.draw.choice([None, 5, StoredCount(at=self.address(), type=TYPES["u8"], byte_order="big")])
        return self.draw.choice(
            [
                None,
                BlockList(
                    at=self.address(),
                    type=self.draw.choice(UNSIGNED),
                    byte_order=self.order(),
                    count=counted,
                    terminator=self.draw.choice([0, 2**64 - 1]) if counted is None else None,
                    last=bool(self.some(2)),
                    most=self.draw.choice([5, 256, 4096]),
                ),
            ]
        )

    def method(self) -> Method:
        width, word = self.some(3, 65), TYPES[self.draw.choice(["u8", "u16", "u32"])]
        start = self.some(1 << 8)
        reflected = {key: bool(self.some(2)) for key in ("reflect_in", "reflect_out")}
        polynomial = self.some(1 << width) | 1
        methods: list[Method] = [
            Crc(width=width, polynomial=polynomial, start=0, final_xor=self.some(1 << width), **reflected),
            Sum(
                word=word,
                byte_order=self.order(),
                bits=self.some(8, 65),
                start=start,
                complement=self.draw.choice(["none", "ones", "twos"]),
            ),
            Xor(word=word, byte_order=self.order(), start=start),
            Fletcher(bits=self.draw.choice([16, 32]), byte_order=self.order()),
            Hash(name=self.draw.choice(["md5", "sha-1", "sha-256"])),
            Adler32(),
            Opaque(what=self.text() or "sealed"),
        ]
        return self.draw.choice(methods)


def made(seed: int) -> dict[str, Any]:
    """Everything that ``Definition.of`` takes."""
    maker = Maker(seed)
    scalings = [maker.scaling(name) for name in maker.names(3)]
    axes = [maker.axis(name, scalings, shared=True) for name in maker.names(3)]
    return {
        "name": maker.name(),
        "frame": Frame(
            start=maker.address(),
            size=maker.some(1, 2**54),
            byte_order=maker.order(),
            erased=maker.draw.choice([0, 0xFF]),
        ),
        "title": maker.text(),
        "fits": maker.fits(),
        "identity": [maker.field(name) for name in maker.names(2)],
        "regions": [maker.region(name) for name in maker.names(3)],
        "checksums": [maker.checksum(name) for name in maker.names(2)],
        "scalings": scalings,
        "axes": axes,
        "tables": [maker.table(name, axes, scalings) for name in maker.names(6)],
    }


def parts() -> st.SearchStrategy[dict[str, Any]]:
    return st.integers(0, 2**32).map(made)


@given(parts())
def test_what_goes_into_a_definition_comes_out(given_parts: dict[str, Any]) -> None:
    definition = Definition.of(**given_parts)
    assert definition.name == given_parts["name"]
    assert definition.frame == given_parts["frame"]
    assert definition.title == given_parts["title"]
    assert [fit.at for fit in definition.fits] == sorted(fit.at for fit in given_parts["fits"])
    assert {(fit.at, frozenset(fit.any_of)) for fit in definition.fits} == {
        (fit.at, frozenset(fit.any_of)) for fit in given_parts["fits"]
    }
    assert list(definition.regions) == sorted(given_parts["regions"], key=lambda r: (r.start, r.size, r.name))
    assert list(definition.identity.values()) == given_parts["identity"]
    assert list(definition.checksums.values()) == sorted(given_parts["checksums"], key=lambda c: c.name)
    for section in ("scalings", "axes", "tables"):
        assert dict(getattr(definition, section)) == {item.name: item for item in given_parts[section]}
        assert list(getattr(definition, section)) == sorted(item.name for item in given_parts[section])


@given(parts())
def test_the_normal_form_survives_the_compiled_form_and_json(given_parts: dict[str, Any]) -> None:
    normal = normal_of(Definition.of(**given_parts))
    assert json.loads(canonical_json(normal)) == normal
    assert normal_of(open_compiled(compile_normal(normal))) == normal


@given(parts())
def test_the_digest_is_that_of_the_canonical_json_without_the_name(given_parts: dict[str, Any]) -> None:
    definition = Definition.of(**given_parts)
    meaning = {key: value for key, value in normal_of(definition).items() if key != "name"}
    assert definition.digest == Digest.of(canonical_json(meaning))
    assert definition == Definition.of(**given_parts | {"name": "another"})


@given(st.integers(0, 2**32))
def test_items_go_through_their_normal_forms(seed: int) -> None:
    maker = Maker(seed)
    scaling = maker.scaling("s")
    assert scaling_from_normal("s", normal_scaling(scaling)) == scaling
    axis = maker.axis("a", [scaling], shared=True)
    assert axis_from_normal("a", normal_axis(axis), {"s": scaling}, shared=True) == axis
    table = maker.table("t", [axis], [scaling])
    assert table_from_normal("t", normal_table(table), {"a": axis}, {"s": scaling}) == table


# ------------------------------------------------------------------------------------------------------ by address


def spans_of(table: TableSpec) -> list[tuple[int, int]]:
    """What the model says about a table's addresses."""
    if table.record is not None:
        return [table.hull]
    own = [axis for axis in table.axes if isinstance(axis, StoredAxis) and not axis.shared]
    return [table.hull, *(span for axis in own for span in axis_spans(axis))]


def axis_spans(axis: Axis) -> list[tuple[int, int]]:
    if isinstance(axis, FixedAxis):
        return []
    return [axis.cells.hull, *([(axis.count.at, axis.count.stop)] if axis.count else [])]


def meeting(spans: Mapping[str, list[tuple[int, int]]], extents: list[tuple[int, int]]) -> list[str]:
    """The slow way: every item against every range."""
    return [
        name for name, held in spans.items() if any(a < stop and start < b for a, b in held for start, stop in extents)
    ]


@given(parts(), st.lists(st.integers(0, 6000), max_size=12, unique=True).map(sorted))
def test_touching_says_what_comparing_everything_says(given_parts: dict[str, Any], ends: list[int]) -> None:
    """Against brute force over the model."""
    given_parts["tables"] = [
        table
        for table in given_parts["tables"]
        # a record encloses shared axes only in a model that no loader makes
        if table.record is None or not any(axis.shared for axis in table.axes)
    ]
    definition = Definition.of(**given_parts)
    extents = list(zip(ends[::2], ends[1::2], strict=False))
    touched = definition.index.touching(extents)
    assert sorted(touched.tables) == sorted(meeting({t.name: spans_of(t) for t in given_parts["tables"]}, extents))
    assert sorted(touched.axes) == sorted(meeting({a.name: axis_spans(a) for a in given_parts["axes"]}, extents))
    places = [min(spans_of(definition.tables[name])) for name in touched.tables]
    assert [place[0] for place in places] == sorted(place[0] for place in places)


@given(parts())
def test_tables_hang_on_axes_and_are_found_by_aliases(given_parts: dict[str, Any]) -> None:
    definition = Definition.of(**given_parts)
    specs: list[TableSpec] = given_parts["tables"]
    for axis in given_parts["axes"]:
        hanging = sorted(table.name for table in specs if axis in table.axes)
        assert definition.index.tables_on(axis.name) == tuple(hanging)
    for alias in {alias for table in specs for alias in table.aliases}:
        own = [table for table in specs if table.name == alias]
        claiming = [table for table in specs if alias in table.aliases]
        expected = own[0] if own else claiming[0] if len(claiming) == 1 else None
        assert definition.find_table(alias) == expected


# ------------------------------------------------------------------------------------------------- hostile bytes


def read_all(definition: Definition) -> None:
    normal_of(definition)
    definition.index.touching([(0, 2**60)])
    for name in definition.axes:
        definition.index.tables_on(name)
    definition.find_table("nothing")


@given(parts(), st.data())
def test_a_flipped_bit_is_found_or_is_in_no_byte_that_was_read(
    given_parts: dict[str, Any], data: st.DataObject
) -> None:
    key = b"k" * 32
    normal = normal_of(Definition.of(**given_parts))
    whole = compile_normal(normal, key=key)
    at = data.draw(st.integers(0, len(whole) - 1))
    harmed = bytearray(whole)
    harmed[at] ^= 1 << data.draw(st.integers(0, 7))
    with pytest.raises(DamagedError):
        read_all(open_compiled(bytes(harmed), key=key))
    assert normal_of(open_compiled(whole, key=key)) == normal


@given(parts(), st.data())
def test_a_cut_or_a_foreign_seal_is_found_at_once(given_parts: dict[str, Any], data: st.DataObject) -> None:
    normal = normal_of(Definition.of(**given_parts))
    whole = compile_normal(normal, key=b"mine")
    with pytest.raises(DamagedError):
        open_compiled(whole[: data.draw(st.integers(0, len(whole) - 1))], key=b"mine")
    with pytest.raises(DamagedError):
        open_compiled(whole + b"\0", key=b"mine")
    with pytest.raises(DamagedError):
        open_compiled(whole, key=b"theirs")


@given(st.binary(max_size=200), st.booleans())
def test_arbitrary_bytes_are_refused(data: bytes, magic: bool) -> None:
    with pytest.raises(CaldiffError):
        read_all(open_compiled(b"caldef\x00\x01" + data if magic else data))


# --------------------------------------------------------------------------------------------------- lint, compare


@given(parts())
def test_lint_has_an_opinion_on_anything(given_parts: dict[str, Any]) -> None:
    for finding in lint(Definition.of(**given_parts)):
        assert finding.text
        assert finding.severity in ("error", "warning")


@given(parts(), parts())
def test_definitions_compare_equal_exactly_when_their_digests_are(one: dict[str, Any], two: dict[str, Any]) -> None:
    before, after = Definition.of(**one), Definition.of(**two)
    assert not compare_definitions(before, before).changes
    assert bool(compare_definitions(before, after).changes) == (before != after)
