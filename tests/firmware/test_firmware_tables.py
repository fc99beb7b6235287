"""Two builds of one firmware by cross compilers, decoded by caldiff, against the compilers' word.

Sources: the initialisers of src/*.c for values; GNU nm and DWARF (by pyelftools) for addresses, types, byte orders and
bit positions; GNU objcopy and srec_cat for the file formats. Scalings are stated below by hand.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from caldiff.definition.catalogue import load_definition
from caldiff.definition.definition import Definition
from caldiff.definition.model import StoredAxis
from caldiff.errors import CaldiffError
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.table.decode import decode
from caldiff.table.encode import write_table
from caldiff.table.identity import identify

HERE = Path(__file__).parent

# Where each cell stands in C. The letters are the indices of the table, x the one along the columns.
TABLES = {
    **{f"every_{kind}": f"every_{kind}[x]" for kind in ("u8", "i8", "u16", "i16", "u32", "i32", "u64", "i64")},
    **{f"every_{kind}": f"every_{kind}[x]" for kind in ("f16", "f32", "f64")},
    **{f"other_{kind}": f"other.{kind}[x]" for kind in ("u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64")},
    **{f"odd_{name}": f"odd.{name}" for name in ("first", "u16", "i32", "second", "u64", "f64", "f32", "third")},
    **{f"fuel_{name}": f"fuel_words[x].{name}" for name in ("rich", "trim", "gear", "ready", "spare")},
    "broken_f32": "broken_f32[x]",
    "spark": "spark[y][x]",
    "torque": "torque[x][y]",
    "manifold": "manifold[y][x]",
    "spark_gear": "spark_gear[z][y][x]",
    "trim_cube": "trim_cube[z][x][y]",
    "lambda_target": "lambda_target[x]",
    "enrichment": "enrichment[x]",
    "crossing": "crossing[x]",
    "sensor": "sensor[x]",
    "idle_correction": "idle[x].correction",
    "site_base": "sites[y][x].base",
    "site_trim": "sites[y][x].trim",
    "site_age": "sites[y][x].age",
    "padded": "padded[y][x]",
    "descending": "descending[4-x]",
    "warmup": "warmup.factor[x]",
    "cranking": "cranking.values[x]",
    "afterstart": "afterstart.values[x]",
    "roomy": "roomy.values[y][x]",
    "closely": "closely.values[y][x]",
    "injector": "injector.values[x]",
    "enables": "enables",
    "mode": "mode",
    "modes": "modes[x]",
    "idle_offset": "idle_offset",
    "label": "label[x]",
    "note": "note[x]",
    "learned": "learned[x]",
}
# The shape that the C source has in use: stored counts and padding taken off.
SHAPES = {
    "spark": (6, 8),
    "torque": (6, 8),
    "manifold": (6, 8),
    "spark_gear": (2, 6, 8),
    "trim_cube": (2, 3, 4),
    "enrichment": (5,),
    "site_base": (3, 4),
    "padded": (4, 5),
    "descending": (5,),
    "warmup": (6,),
    "cranking": (4,),
    "afterstart": (3,),
    "roomy": (3, 4),
    "closely": (3, 4),
    "injector": (4,),
    "every_u8": (5,),
    "odd_u16": (),
    "enables": (),
    "label": (20,),
}
AXES: dict[
    str, tuple[str, str | None, int, Callable[[Fraction], Fraction]]
] = {  # stored axes: breakpoints and count in C, and the stated scaling
    "speed": ("speed_axis[x]", None, 8, lambda raw: raw / 4),
    "load": ("load_axis[x]", None, 6, lambda raw: raw / 2),
    "coolant": ("coolant_axis[x]", "coolant_count", 5, lambda raw: raw),
    "other_speed": ("other.axis[x]", None, 4, lambda raw: raw),
    "idle_speed": ("idle[x].speed", None, 6, lambda raw: raw / 4),
    "falling": ("descending_axis[4-x]", None, 5, lambda raw: raw),
    "warmup.x": ("warmup.coolant[x]", "warmup.count", 6, lambda raw: raw),
    "cranking.x": ("cranking.x[x]", "cranking.x_count", 4, lambda raw: raw),
    "afterstart.x": ("afterstart.x[x]", "afterstart.x_count", 3, lambda raw: raw),
    "roomy.x": ("roomy.x[x]", "roomy.x_count", 4, lambda raw: raw),
    "roomy.y": ("roomy.y[x]", "roomy.y_count", 3, lambda raw: raw),
    "closely.x": ("closely.x[x]", "closely.x_count", 4, lambda raw: raw),
    "closely.y": ("closely.y[x]", "closely.y_count", 3, lambda raw: raw),
    "injector.x": ("injector.x[x]", None, 4, lambda raw: raw),
}
FIXED = {"gear": [1, 2], "site": [0, 1, 2, 3], "bank": [10, 20, 30], "trim_cube.y": [0, 5, 10]}


def thermistor(raw: Fraction) -> Fraction:
    if raw < 512:
        return 150 - raw * 110 / 512
    return max(40 - (raw - 512) * 80 / 511, Fraction(-40))


SCALINGS: dict[str, Callable[[Fraction], Fraction]] = {  # the rest is 1 : 1
    "spark": lambda raw: raw / 2 - 40,
    "torque": lambda raw: raw / 16,
    "spark_gear": lambda raw: raw / 10,
    "lambda_target": lambda raw: 4096 / raw,
    "enrichment": lambda raw: raw / 128,
    "sensor": thermistor,
    "warmup": lambda raw: raw / 128,
    "injector": lambda raw: raw / 1000,
    "idle_offset": lambda raw: raw / 10,
}
FLOATS: dict[str, type[np.floating[Any]]] = {"f16": np.float16, "f32": np.float32, "f64": np.float64}


def cells(shape: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
    return product(*(range(n) for n in shape))


def spelled(path: str, index: tuple[int, ...]) -> str:
    """The path with numbers for letters: ``descending[4-x]`` at (1,) is ``descending[3]``."""
    at = dict(zip("zyx"[3 - len(index) :], index, strict=True))

    def number(found: re.Match[str]) -> str:
        return f"[{int(found[1]) - at[found[2]]}]" if found[1] else f"[{at[found[2]]}]"

    return re.sub(r"\[(?:(\d)-)?([xyz])\]", number, path)


def table_names(build: Any) -> set[str]:
    return set(TABLES) - ({"every_f16"} if build.name == "firmware-be" else set())


@pytest.fixture(scope="module")
def definition(build: Any) -> Definition:
    return load_definition(HERE / f"{build.name}.yaml")


@pytest.fixture(scope="module")
def image(build: Any) -> Image:
    return read_image(build.file(".elf"))


# ------------------------------------------------------------------------------------------------- the truth is whole


def test_the_source_names_every_object_that_nm_lists(build: Any) -> None:
    code = {"segment_of", "spark_at", "warmup_factor", "start", "ticks"}
    absent = {"every_f16"} if build.name == "firmware-be" else set()
    assert set(build.values) - absent == set(build.objects) - code


def test_nm_and_dwarf_agree(build: Any) -> None:
    listed = {name: at for name, (at, _) in build.objects.items() if name in build.values}
    assert {name: build.dwarf.address(name) for name in build.dwarf.names() & set(build.values)} == listed


def test_the_definition_reads_every_table_and_no_other(build: Any, definition: Definition) -> None:
    assert set(definition.tables) == table_names(build)


# --------------------------------------------------------------------------------------------------------------- cells


@pytest.mark.parametrize("name", TABLES)
def test_cells_stand_where_the_compiler_put_them(name: str, build: Any, definition: Definition, image: Image) -> None:
    if name not in table_names(build):
        pytest.skip("the compiler has no 16-bit float for PowerPC")
    table = decode(image, definition, name)
    spec = table.spec.cells
    assert table.raw.shape == table.addresses.shape == SHAPES.get(name, table.raw.shape)
    assert table.raw.size > 0
    for index in cells(table.raw.shape):
        place = build.dwarf.place(spelled(TABLES[name], index))
        assert (int(table.addresses[index]), spec.type.name, spec.mask) == (place.address, place.type, place.mask)
        assert spec.type.size == 1 or spec.byte_order == place.byte_order


@pytest.mark.parametrize("name", TABLES)
def test_raw_values_are_those_of_the_source(name: str, build: Any, definition: Definition, image: Image) -> None:
    if name not in table_names(build):
        pytest.skip("the compiler has no 16-bit float for PowerPC")
    table = decode(image, definition, name)
    expected = [build.value(spelled(TABLES[name], index)) for index in cells(table.raw.shape)]
    kind = FLOATS.get(table.spec.cells.type.name)
    if kind is None:
        assert table.raw.ravel().tolist() == expected
    else:  # to the bit, so that -0.0 and NaN count
        assert table.raw.astype(kind).tobytes() == np.array(expected, kind).tobytes()


def stated(name: str, build: Any, table: Any) -> list[Fraction]:
    """What every cell means: the scaling stated above of the value in the source, as the type holds it."""
    raws = [build.value(spelled(TABLES[name], index)) for index in cells(table.raw.shape)]
    kind = FLOATS.get(table.spec.cells.type.name)
    held = raws if kind is None else [float(kind(raw)) for raw in raws]
    scaling = SCALINGS.get(name)
    return [scaling(Fraction(raw)) if scaling else Fraction(raw) for raw in held]


@pytest.mark.parametrize("name", sorted(set(TABLES) - {"broken_f32"}))
def test_physical_values_are_the_stated_scaling(name: str, build: Any, definition: Definition, image: Image) -> None:
    if name not in table_names(build):
        pytest.skip("the compiler has no 16-bit float for PowerPC")
    table = decode(image, definition, name)
    assert table.physical.shape == table.raw.shape
    assert table.physical.ravel().tolist() == [float(value) for value in stated(name, build, table)]


def test_every_type_is_met_in_both_byte_orders(build: Any, definition: Definition) -> None:
    met = {(t.cells.type.name, t.cells.byte_order) for t in definition.tables.values() if t.cells.type.size > 1}
    wanted = {
        (kind, order)
        for kind in ("u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64")
        for order in ("big", "little")
    }
    assert wanted <= met
    assert {t.cells.type.name for t in definition.tables.values()} >= {"u8", "i8"}
    assert build.name == "firmware-be" or ("f16", "little") in met


def test_only_the_broken_table_has_problems(definition: Definition, image: Image) -> None:
    found = {name: [p.kind for p in decode(image, definition, name).problems] for name in definition.tables}
    assert {name: kinds for name, kinds in found.items() if kinds} == {"broken_f32": ["not-a-number"]}


# ---------------------------------------------------------------------------------------------------------------- axes


def axis_values(definition: Definition, image: Image) -> dict[str, Any]:
    return {axis.name: axis for name in definition.tables for axis in decode(image, definition, name).axes}


@pytest.mark.parametrize("name", AXES)
def test_axes_are_those_of_the_source(name: str, build: Any, definition: Definition, image: Image) -> None:
    path, count, length, scaling = AXES[name]
    axis = axis_values(definition, image)[name]
    places = [build.dwarf.place(spelled(path, (i,))) for i in range(length)]
    raws = [build.value(spelled(path, (i,))) for i in range(length)]
    assert isinstance(axis.spec, StoredAxis)
    assert axis.raw.tolist() == raws
    assert axis.physical.tolist() == [float(scaling(Fraction(raw))) for raw in raws]
    assert axis.addresses.tolist() == [place.address for place in places]
    assert {axis.spec.cells.type.name} == {place.type for place in places}
    assert axis.spec.cells.type.size == 1 or {axis.spec.cells.byte_order} == {place.byte_order for place in places}
    if count is not None:
        assert (axis.count, axis.count_at) == (length, build.dwarf.place(count).address)
        assert build.value(count) == length
    assert axis.problems == ()


@pytest.mark.parametrize("name", FIXED)
def test_fixed_axes_are_those_of_the_definition(name: str, definition: Definition, image: Image) -> None:
    axis = axis_values(definition, image)[name]
    assert axis.physical.tolist() == FIXED[name]
    assert axis.raw is None


# ------------------------------------------------------------------------------------------- identity, words and texts


def test_identity(build: Any, definition: Definition, image: Image) -> None:
    found = {value.field.name: value.text for value in identify(image, definition)}
    assert found == {
        "software": "TERN3 01.04",
        "calibration_id": "T3-0104-INVENTED",
        "hardware": str(build.value("hardware")),
        "made": "20261125",
        "unit_serial": "NOBODYS0000000001",
    }
    assert {f.name: f.at for f in definition.identity.values()} == {name: build.objects[name][0] for name in found}


def test_words_and_texts(definition: Definition, image: Image) -> None:
    def table(name: str) -> Any:
        return decode(image, definition, name)

    assert table("label").text == "Invented, no vehicle"
    assert table("note").text == "Kühlung"
    assert table("mode").shown(()) == "power"
    assert [table("modes").shown((i,)) for i in range(3)] == ["off", "eco", "7"]
    assert table("idle_offset").shown(()) == "-12.5"
    assert table("lambda_target").shown((4,)) == "0.952"  # 4096 / 4301 = 0.95234
    shown = table("enables").shown(())  # 0x21: bit 0, and fuel 2 in bits 4 and 5
    assert "lambda_control" in shown
    assert "cng" in shown
    assert "knock_control" not in shown


# --------------------------------------------------------------------------------------------------- writing, comparing


@pytest.mark.parametrize("name", sorted(set(TABLES) - {"broken_f32", "label", "note", "sensor"}))
def test_the_stated_values_write_the_same_bytes(name: str, build: Any, definition: Definition, image: Image) -> None:
    """Integers as exact fractions, since a double does not hold every u64; floats as doubles, which know -0."""
    if name not in table_names(build):
        pytest.skip("the compiler has no 16-bit float for PowerPC")
    table = decode(image, definition, name)
    other = write_table(image, definition, name, raw=np.full(table.raw.shape, 1))
    if table.spec.cells.type.name in FLOATS:
        values = table.physical
    else:
        values = np.array([*stated(name, build, table), None], dtype=object)[:-1].reshape(table.raw.shape)
    assert write_table(other, definition, name, physical=values).content == image.content


def test_values_that_mean_the_same_write_one_of_them(definition: Definition, image: Image) -> None:
    """Beyond the look-up's last pair, raw 1023, every raw value means -40 degC."""
    cleared = write_table(image, definition, "sensor", raw=[1] * 6)
    back = write_table(cleared, definition, "sensor", physical=decode(image, definition, "sensor").physical)
    assert decode(back, definition, "sensor").raw.tolist() == [0, 256, 512, 768, 1023, 1023]


def test_a_foreign_build_is_refused_with_its_place(definition: Definition) -> None:
    with pytest.raises(CaldiffError) as refused:
        decode(Image.of(bytes(64), start=definition.frame.start), definition, "spark")
    assert refused.value.address is not None
