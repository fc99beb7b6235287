"""Entries as they were written -> the normal form: scalings, fits, identity, regions.

Tables and axes are in :mod:`caldiff.definition.geometry`, checksums in :mod:`caldiff.definition.checksum_meaning`.
Entries come here read (see :mod:`caldiff.definition.fields`) and merged; what is left to check is what only the whole
can tell.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any

import attrs

from caldiff.definition.fields import IDENTITY, REGION
from caldiff.definition.kinds import ADDRESSES
from caldiff.definition.model import TYPES
from caldiff.definition.problems import Problem, seen
from caldiff.definition.scaling_fields import BIT_FIELD, LOOKUP, RATIONAL, SCALING_KINDS
from caldiff.definition.sections import Section

__all__ = ["Context", "fit", "identity", "number", "region", "scaling", "texts", "within"]

Entry = dict[str, Any]
_LARGEST = 2**53 - 1
_BYTES = re.compile(r"(?:[0-9A-Fa-f?]{2}\s*)+", re.ASCII)
_VIN = 17
"""characters of a vehicle identification number (ISO 3779)"""


@attrs.define
class Need:
    """What a scaling asks of the type that it is used with."""

    word: str = ""
    """names, bits or lookup where only integers will do"""
    mask: int = 0
    """the bits that it reads"""
    flags: frozenset[str] = frozenset()
    """the names of its bits"""


_ANY = Need()


@attrs.define
class Context:
    """What is known while one definition is worked out.

    Attributes:
        byte_order, erased: of the image.
        family: there is no image, so that what is missing may still come.
        found: problems of the entry at hand, their paths beginning inside it.
        needs, lengths: of the scalings and axes worked out so far; ``known`` all names of a section, broken ones too.
        regions: start and size of those worked out so far.
        recorded, counted: of the table at hand: it has parts in a record, it has an axis with a stored count.
        points: breakpoints of fixed axes so far.
    """

    byte_order: str = "big"
    erased: int = 0xFF
    family: bool = False
    found: list[Problem] = attrs.Factory(list)
    needs: dict[str, Need] = attrs.Factory(dict)
    lengths: dict[str, tuple[int, bool]] = attrs.Factory(dict)
    regions: dict[str, tuple[int, int]] = attrs.Factory(dict)
    known: dict[str, set[str]] = attrs.Factory(dict)
    recorded: bool = False
    counted: bool = False
    points: int = 0

    def wrong(self, reason: str, **facts: Any) -> None:
        """Note a problem of the entry at hand; with ``open`` it is none yet in a family."""
        if not (facts.pop("open", False) and self.family):
            self.found.append(Problem(reason, **facts))
        elif not self.found or self.found[-1] is not OPEN:
            self.found.append(OPEN)

    def need(self, entry: Entry, section: Section, key: str, *path: str | int) -> None:
        """Note that a needed key is missing, if it is."""
        if key not in entry:
            self.found.append(OPEN if self.family else section.lacks(key).under(*path))

    def unplaced(self) -> None:
        """Note that a table has no address."""
        self.wrong(
            "the table is placed nowhere",
            open=True,
            at_key=True,
            whole=True,
            hint="give it an address with at, or take it away with remove",
        )

    def dangling(self, section: str, what: str, name: str, *path: str | int) -> None:
        """Note that a name leads nowhere."""
        self.wrong(
            f"there is no {what} {name}",
            path=path,
            word=name,
            words=self.known[section],
            hint=f"use a name that stands in {section}, or add it there",
            open=True,
        )

    def order(self, entry: Entry, size: int) -> str:
        """The byte order of a number; a single byte has none, and "big" stands there."""
        return "big" if size == 1 else entry.get("byte_order", self.byte_order)

    def axis(self, name: str, *path: str) -> tuple[int, bool]:
        """Length of a shared axis, and whether its count is stored."""
        length = self.lengths.get(name)
        if length is not None:
            return length
        if name in self.known["axes"]:
            self.found.append(OPEN)  # told already, where the axis is
        else:
            self.dangling("axes", "axis", name, *path)
        return 1, False

    def references(self, entry: Entry) -> None:
        """Note the names that lead nowhere in an entry that is not worked out, since something else is wrong there."""
        axes = [(key, entry.get(key)) for key in ("x", "y", "z")]
        for key, axis in axes:
            if isinstance(axis, str) and axis not in self.known["axes"]:
                self.dangling("axes", "axis", axis, key)
        for path, inside in (((), entry), *((((key,), axis)) for key, axis in axes if isinstance(axis, dict))):
            scaling = inside.get("scaling")
            if isinstance(scaling, str) and scaling not in self.known["scalings"]:
                self.dangling("scalings", "scaling", scaling, *path, "scaling")

    def scaling(self, entry: Entry, *path: str) -> Any:
        """The ``scaling`` of an axis or table: a name, or the normal form of one written in place."""
        value = entry["scaling"]
        found: Any = value
        if isinstance(value, str):
            need = self.needs.get(value)
            if need is None:
                if value in self.known["scalings"]:
                    self.found.append(OPEN)
                else:
                    self.dangling("scalings", "scaling", value, *path, "scaling")
                return value
        else:
            found, need = scaling(self, value, *path, "scaling")
        if need.word:
            self._suits(need, entry, *path, "scaling")
        return found

    def _suits(self, need: Need, entry: Entry, *path: str) -> None:
        kind = TYPES.get(entry.get("type", "u8"), TYPES["u8"])
        if kind.kind == "f":
            self.wrong(f"a scaling with {need.word} is for integers", path=path, got=kind.name)
        mask = entry.get("mask", (1 << 8 * kind.size) - 1)
        width = (mask // (mask & -mask)).bit_length()
        if need.mask >> width:
            self.wrong(
                "the scaling reads bits that the word does not have",
                path=path,
                expected=f"bits 0 to {width - 1}",
                got=f"0x{need.mask:X}",
            )

    def lacks(self, entry: Entry, section: Section, *path: str | int) -> bool:
        """Note every needed key that is missing; whether one is."""
        missing = [key for key in section.placed if key not in entry]
        for key in missing:
            self.need(entry, section, key, *path)
        return bool(missing)

    def bits(self, entry: Entry) -> bool:
        """Whether the entry's scaling is one of bits."""
        return self.flags(entry) is not None

    def flags(self, entry: Entry) -> frozenset[str] | None:
        """The names of the bits of the entry's scaling; None where that is not one of bits."""
        value = entry.get("scaling")
        if isinstance(value, str):
            need = self.needs.get(value, _ANY)
            return need.flags if need.word == "bits" else None
        return frozenset(value["bits"]) if isinstance(value, dict) and "bits" in value else None

    def words(self, words: list[str], key: str) -> list[str]:
        """A list of words whose order means nothing."""
        ordered = sorted(words)
        for before, after in pairwise(ordered):
            if before == after:
                self.wrong(f"{after} stands here twice", path=(key,))
        return ordered


OPEN = Problem("not known yet")
"""stands for what may still come (in a family) or was told elsewhere: the entry is left out, and nothing is said"""


def number(value: int) -> int | str:
    """An integer as the normal form has it: as decimal text where it is beyond what JSON carries."""
    return value if -_LARGEST <= value <= _LARGEST else str(value)


def texts(entry: Entry, *keys: str) -> Entry:
    """The keys that are there, empty texts left out."""
    found = {}
    for key in keys:
        value = entry.get(key, "")
        if value != "":
            found[key] = value
    return found


def within(context: Context, start: int, stop: int, *path: str | int) -> None:
    """Note that something lies outside the addresses there are, if it does."""
    if start < 0 or stop > ADDRESSES:
        context.wrong(
            "this lies outside the addresses that there are",
            path=path,
            expected="0 to 0xFFFFFFFFFFFFFFFF",
            got=f"{'-' if start < 0 else ''}0x{abs(start):X} to 0x{stop - 1:X}",
        )


# -------------------------------------------------------------------------------------------------------- scalings


def scaling(context: Context, entry: Entry, *path: str) -> tuple[Entry, Need]:
    """A scaling in normal form, and what it asks of a type."""
    found = texts(entry, "unit", "decimals", "limits")
    kinds = [k for k in SCALING_KINDS if k in entry]
    linear = [k for k in ("factor", "offset") if k in entry]
    if len(kinds) + bool(linear) > 1:
        context.wrong(
            "a scaling is of one kind",
            path=(*path, [*linear, *kinds][-1]),
            got=", ".join([*linear, *kinds]),
            expected="factor and offset, or one of rational, lookup, names, bits",
            hint="an inherited key goes with null",
        )
        return found, _ANY
    if not kinds:
        found |= _linear(context, entry, *path)
        return found, _ANY
    kind = kinds[0]
    content = entry[kind]
    if kind == "rational":
        found[kind] = _rational(context, content, *path, kind)
        return found, _ANY
    if kind == "lookup":
        if not context.lacks(content, LOOKUP, *path, kind):
            found[kind] = {"points": [[number(raw), y] for raw, y in content["points"]], "between": content["between"]}
        return found, Need(kind)
    if not content:
        context.wrong(f"there is nothing in {kind}", path=(*path, kind))
    if kind == "names":
        found[kind] = _names(content)
        return found, Need(kind)
    fields = [_bit_field(context, name, value, *path, kind) for name, value in content.items()]
    found[kind] = [{**f, "mask": number(f["mask"])} for f in fields]
    mask = 0
    for field in fields:
        mask |= field["mask"]
    return found, Need(kind, mask, frozenset(content))


def _linear(context: Context, entry: Entry, *path: str) -> Entry:
    linear = {k: entry[k] for k, default in (("factor", "1"), ("offset", "0")) if entry.get(k, default) != default}
    if linear.get("factor") == "0":
        context.wrong("a factor of 0 makes all values one", path=(*path, "factor"), expected="a factor other than 0")
    return {"linear": linear} if linear else {}


def _rational(context: Context, entry: Entry, *path: str) -> Entry:
    if not context.lacks(entry, RATIONAL, *path):
        if set(entry["denominator"]) == {"0"}:
            context.wrong("the denominator is 0 everywhere", path=(*path, "denominator"))
        if set(entry["numerator"][:2] + entry["denominator"][:2]) == {"0"}:
            context.wrong("the quotient is the same for all values", path=path)
    return dict(entry)


def _names(names: dict[int, str]) -> list[list[Any]]:
    return [[number(raw), names[raw]] for raw in sorted(names)]


def _bit_field(context: Context, name: str, value: Any, *path: str) -> Entry:
    if isinstance(value, int):
        return {"name": name, "mask": 1 << value}
    if context.lacks(value, BIT_FIELD, *path, name):
        return {"name": name, "mask": 1}
    found = {"name": name, "mask": value["mask"]}
    if value.get("names"):
        found["names"] = _names(value["names"])
        room = value["mask"] // (value["mask"] & -value["mask"])
        for raw in value["names"]:
            if not 0 <= raw <= room:
                context.wrong(
                    "the field cannot hold this value",
                    path=(*path, name, "names"),
                    expected=f"0 to {room}",
                    got=str(raw),
                )
    return found


# ------------------------------------------------------------------------------------------ fits, identity, regions


def fit(context: Context, entry: Entry, index: int) -> Entry:
    """A condition in normal form."""
    key = "text" if "text" in entry else "bytes"
    written = entry[key] if isinstance(entry[key], list) else [entry[key]]
    patterns: dict[tuple[str, str], Entry] = {}
    for pattern in written:
        pair = _text_pattern(pattern) if key == "text" else _byte_pattern(pattern)
        if pair is None:
            expected = "characters of ISO 8859-1" if key == "text" else 'pairs of digits or ?, such as "48 1F ?? 0?"'
            context.wrong("this is no pattern", path=(index, key), expected=expected, got=seen(pattern))
            continue
        within(context, entry["at"], entry["at"] + len(pair[0]) // 2, index, "at")
        patterns[pair] = {"value": pair[0], "mask": pair[1]} | ({"text": True} if key == "text" else {})
    return {"at": number(entry["at"]), "any_of": [patterns[pair] for pair in sorted(patterns)]}


def _text_pattern(pattern: str) -> tuple[str, str] | None:
    try:
        data = pattern.encode("latin-1")
    except UnicodeEncodeError:
        return None
    mask = bytes(0 if b == ord("?") else 0xFF for b in data)
    return bytes(b & m for b, m in zip(data, mask, strict=True)).hex(), mask.hex()


def _byte_pattern(pattern: str) -> tuple[str, str] | None:
    if not _BYTES.fullmatch(pattern):
        return None
    digits = "".join(pattern.split()).lower()
    return digits.replace("?", "0"), "".join("0" if d == "?" else "f" for d in digits)


def identity(context: Context, entry: Entry) -> Entry:
    """An identity field in normal form."""
    kinds = [k for k in ("text", "number", "bcd") if k in entry]
    if len(kinds) != 1:
        context.wrong(
            "an identity field is one of text, number and bcd", got=", ".join(kinds) or "none", open=not kinds
        )
    if context.lacks(entry, IDENTITY) or len(kinds) != 1:
        return {}
    kind = kinds[0]
    size = TYPES[entry[kind]].size if kind == "number" else entry[kind]
    within(context, entry["at"], entry["at"] + size)
    found = {"at": number(entry["at"]), "size": size, "kind": kind, **texts(entry, "title")}
    found["byte_order"] = "big" if kind == "text" else context.order(entry, size)
    _means(context, entry, kind, size)
    found |= {key: entry[key] for key in ("means", "checksum", "check_digit") if key in entry}
    return found | ({"personal": True} if entry.get("personal") or entry.get("means") == "vin" else {})


def _means(context: Context, entry: Entry, kind: str, size: int) -> None:
    """Note what does not go with the declared meaning of an identity field."""
    means = entry.get("means")
    for key, owner in (("checksum", "cvn"), ("check_digit", "vin")):
        if key in entry and means != owner:
            context.wrong(
                f"{key} says something of a field that means {owner}", path=(key,), got=means or "no means", at_key=True
            )
    if means == "vin" and (kind != "text" or size < _VIN):
        context.wrong("a VIN is text of 17 characters or more", path=(kind,), got=f"{kind}: {entry[kind]}")
    if means == "vin" and entry.get("personal") is False:
        context.wrong("a VIN always identifies somebody", path=("personal",), hint="leave personal out")
    if means == "cvn" and kind == "bcd":
        context.wrong("a cvn holds hexadecimal digits", path=(kind,), expected="number or text", got=kind, at_key=True)
    if means == "cvn" and "checksum" in entry and entry["checksum"] not in context.known["checksums"]:
        context.dangling("checksums", "checksum", entry["checksum"], "checksum")


def region(context: Context, entry: Entry) -> Entry:
    """A region in normal form."""
    if context.lacks(entry, REGION):
        return {}
    within(context, entry["at"], entry["at"] + entry["size"])
    return {"name": entry["name"], "start": number(entry["at"]), "size": number(entry["size"]), "role": entry["role"]}
