"""What the compiler's own listings and the C source say about the invented firmware: no word of caldiff in here.

Values come from the initialisers in ``src/*.c``, addresses from GNU nm's listing, offsets, types, byte orders and bit
positions inside objects from DWARF, read by pyelftools (a registry package).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

import attrs
import pytest
from elftools.dwarf.die import DIE
from elftools.elf.elffile import ELFFile

HERE = Path(__file__).parent

# ------------------------------------------------------------------------------------------------------------- values

_LIMITS = {f"UINT{n}_MAX": 2**n - 1 for n in (8, 16, 32, 64)}  # ISO C, 7.20.2: the limits of <stdint.h>
_LIMITS |= {f"INT{n}_MAX": 2 ** (n - 1) - 1 for n in (8, 16, 32, 64)}
_LIMITS |= {f"INT{n}_MIN": -(2 ** (n - 1)) for n in (8, 16, 32, 64)}
_NAMED = {**_LIMITS, "NOT_A_NUMBER": float("nan"), "INFINITE": float("inf")}

_OBJECT = re.compile(
    r"^(?:(?:HEAD|CAL\(\d\)) const )?(?:struct )?\w+ (\w+)((?:\[\d+\])*) = (.*?);\n", re.MULTILINE | re.DOTALL
)
_TOKEN = re.compile(r'\s*("[^"]*"|\.\w+ =|[{},]|-?(?:0x[\da-fA-F]+|\d[\d.]*(?:e-?\d+)?f?|[A-Z_\d]+))\s*')


def initialisers(source: str) -> dict[str, Any]:
    """Every initialised object of a C file, by name: a number, a list or a dict; a string as its bytes in full."""
    plain = re.sub(r"/\*.*?\*/", "", source, flags=re.DOTALL)
    return {name: _value(list(_tokens(text)), room) for name, room, text in _OBJECT.findall(plain)}


def _tokens(text: str) -> Iterator[str]:
    at = 0
    while at < len(text):
        found = _TOKEN.match(text, at)
        assert found, f"no plain initialiser: {text[at : at + 40]!r}"
        yield found[1]
        at = found.end()


def _value(tokens: list[str], room: str = "") -> Any:
    head = tokens.pop(0)
    if head == "{":
        return _braces(tokens)
    if head.startswith('"'):
        return list(head[1:-1].encode().decode("unicode_escape").encode("latin-1").ljust(int(room[1:-1]), b"\0"))
    sign, digits = (-1, head[1:]) if head.startswith("-") else (1, head)
    if digits in _NAMED:
        return sign * _NAMED[digits]
    if digits.startswith("0x") or digits.isdigit():
        return sign * int(digits, 0)
    return sign * float(digits.rstrip("f"))


def _braces(tokens: list[str]) -> list[Any] | dict[str, Any]:
    named: dict[str, Any] = {}
    plain: list[Any] = []
    while tokens[0] != "}":
        if tokens[0].startswith("."):
            name = tokens.pop(0).strip(".= ")
            named[name] = _value(tokens)
        else:
            plain.append(_value(tokens))
        if tokens[0] == ",":
            tokens.pop(0)
    tokens.pop(0)
    assert not (named and plain), "designators and plain values mixed"
    return named or plain


# ---------------------------------------------------------------------------------------------------------- addresses


@attrs.frozen
class Place:
    """One number as the compiler laid it out: ``bits`` is (from, to) counted from bit 0 of the word at ``address``."""

    address: int
    type: str
    byte_order: Literal["big", "little"]
    mask: int | None = None


def read_nm(listing: str) -> dict[str, tuple[int, int]]:
    """Address and size of every object and function that has a size."""
    rows = (line.split() for line in listing.splitlines())
    return {row[3]: (int(row[0], 16), int(row[1], 16)) for row in rows if len(row) == 4}


class Dwarf:
    """The compiler's own description of the objects."""

    def __init__(self, elf: Path) -> None:
        self.elf = ELFFile(BytesIO(elf.read_bytes()))
        self.order: Literal["big", "little"] = "little" if self.elf.little_endian else "big"
        self._objects = {
            _name(die): die
            for unit in self.elf.get_dwarf_info().iter_CUs()
            for die in unit.iter_DIEs()
            if die.tag == "DW_TAG_variable"
            and (above := die.get_parent()) is not None
            and above.tag == "DW_TAG_compile_unit"
            if "DW_AT_location" in die.attributes
        }

    def names(self) -> set[str]:
        return set(self._objects)

    def address(self, name: str) -> int:
        location = self._objects[name].attributes["DW_AT_location"].value
        assert location[0] == 0x03, "DW_OP_addr"
        return int.from_bytes(bytes(location[1:]), self.order)

    def loaded(self, address: int) -> int:
        """Where the file places what runs at the address: .data is loaded behind the code."""
        for part in self.elf.iter_segments("PT_LOAD"):
            if part["p_vaddr"] <= address < part["p_vaddr"] + part["p_filesz"]:
                return address - int(part["p_vaddr"]) + int(part["p_paddr"])
        raise AssertionError(f"no segment at {address:#x}")

    def place(self, path: str) -> Place:
        """Of one number, written as C writes it: ``sites[2][3].age``."""
        name, *steps = re.findall(r"\w+", path)
        at = self.loaded(self.address(name))
        die, member = _type(self._objects[name]), None
        while steps:
            if die.tag == "DW_TAG_array_type":
                index, bounds = 0, _bounds(die)
                for bound in bounds:
                    index = index * bound + int(steps.pop(0))
                die = _type(die)
                at += index * die.attributes["DW_AT_byte_size"].value
            else:
                step = steps.pop(0)
                member = next(m for m in die.iter_children() if _name(m) == step)
                at += getattr(member.attributes.get("DW_AT_data_member_location"), "value", 0)
                die = _type(member)
        return self._number(at, die, member)

    def members(self, name: str) -> list[str]:
        """Names of the members of an array of structs, in order, for initialisers without designators."""
        return [_name(member) for member in _type(_type(self._objects[name])).iter_children()]

    def _number(self, at: int, die: DIE, member: DIE | None) -> Place:
        kind = {4: "f", 5: "i", 6: "i", 7: "u", 8: "u"}[die.attributes["DW_AT_encoding"].value]
        size = die.attributes["DW_AT_byte_size"].value
        if "DW_AT_endianity" in die.attributes:
            order: Literal["big", "little"] = "big" if die.attributes["DW_AT_endianity"].value == 1 else "little"
        else:
            order = self.order
        mask = None
        if member is not None and "DW_AT_data_bit_offset" in member.attributes:
            first, bits = (member.attributes[f"DW_AT_{what}"].value for what in ("data_bit_offset", "bit_size"))
            lowest = first if order == "little" else 8 * size - first - bits  # in storage order
            mask = (1 << bits) - 1 << lowest
        return Place(at, f"{kind}{8 * size}", order, mask)


def _declared(die: DIE) -> DIE:
    """Where name and type stand: at the object itself, or at its declaration in the header."""
    return die.get_DIE_from_attribute("DW_AT_specification") if "DW_AT_specification" in die.attributes else die


def _name(die: DIE) -> str:
    return str(_declared(die).attributes["DW_AT_name"].value.decode())


def _type(die: DIE) -> DIE:
    found = (die if "DW_AT_type" in die.attributes else _declared(die)).get_DIE_from_attribute("DW_AT_type")
    while found.tag in {"DW_TAG_const_type", "DW_TAG_typedef"}:
        found = found.get_DIE_from_attribute("DW_AT_type")
    return found


def _bounds(array: DIE) -> list[int]:
    return [d.attributes["DW_AT_upper_bound"].value + 1 for d in array.iter_children()]


# ----------------------------------------------------------------------------------------------------------- fixtures


@attrs.frozen
class Build:
    """One of the two builds, as kept under ``out/``."""

    name: str
    folder: Path
    objects: dict[str, tuple[int, int]]
    dwarf: Dwarf
    values: dict[str, Any]

    def file(self, ending: str) -> Path:
        return self.folder / f"{self.name}{ending}"

    def value(self, path: str) -> Any:
        """The number that the C source gives there."""
        name, *steps = re.findall(r"\w+", path)
        found = self.values[name]
        for step in steps:
            if isinstance(found, dict):
                found = found[step]
            else:
                found = found[int(step) if step.isdigit() else self.dwarf.members(name).index(step)]
        return found


def open_build(name: str, folder: Path) -> Build:
    values = {k: v for file in sorted((HERE / "src").glob("*.c")) for k, v in initialisers(file.read_text()).items()}
    return Build(name, folder, read_nm((folder / f"{name}.nm").read_text()), Dwarf(folder / f"{name}.elf"), values)


@pytest.fixture(scope="session", params=["firmware-be", "firmware-le"])
def build(request: pytest.FixtureRequest) -> Build:
    return open_build(request.param, HERE / "out")


@pytest.fixture(scope="session", name="open_build")
def _open_build() -> Callable[[str, Path], Build]:
    return open_build
