"""Entries of ``checksums`` as they were written -> the normal form. See :mod:`caldiff.definition.meaning`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from caldiff.crc import catalogue, crc_by_name
from caldiff.definition.checksum_faults import faults
from caldiff.definition.checksum_fields import (
    BLOCKS,
    CHECKSUM,
    CHECKSUM_METHODS,
    CRC,
    FLETCHER,
    STORED_VALUE,
    SUM,
    XOR,
)
from caldiff.definition.checksum_normal import checksum_from_normal, normal_checksum
from caldiff.definition.checksum_order import in_order
from caldiff.definition.meaning import OPEN, Context, number, texts, within
from caldiff.definition.model import TYPES
from caldiff.definition.problems import Problem
from caldiff.definition.sections import Section
from caldiff.errors import DefinitionError

__all__ = ["checksum", "circles"]

Entry = dict[str, Any]
_SECTIONS: dict[str, Section] = {"sum": SUM, "xor": XOR, "fletcher": FLETCHER}
_FLETCHER_BITS = (16, 32)


def checksum(context: Context, entry: Entry) -> Entry:
    """A checksum in normal form."""
    found: Entry = {"name": entry["name"], **texts(entry, "title")}
    kinds = [key for key in CHECKSUM_METHODS if key in entry]
    if len(kinds) != 1:
        context.wrong(
            "a checksum is reckoned in one way",
            expected=f"one of {', '.join(CHECKSUM_METHODS)}",
            got=", ".join(kinds) or "none",
            hint="an inherited key goes with null" if kinds else None,
            open=not kinds,
        )
    if "over" not in entry and "blocks" not in entry:
        context.wrong("a checksum covers something", expected="over or blocks", open=True)
    context.lacks(entry, CHECKSUM)
    if context.found:
        return {}
    for key, name in (("over", "spans"), ("skip", "skip")):
        if key in entry:
            found[name] = [_span(context, item, key, n) for n, item in enumerate(entry[key])]
    if "blocks" in entry:
        found["blocks"] = _blocks(context, entry["blocks"])
    found |= _own(context, entry) | _method(context, kinds[0], entry[kinds[0]])
    stored = entry["stored"]
    if isinstance(stored, list):
        found["fields"] = [_field(context, item, "stored", n) for n, item in enumerate(stored)]
    else:
        found["fields"] = [_field(context, stored, "stored")]
    if "constant" in entry:
        found["constant"] = number(entry["constant"])
    return {} if context.found else _sound(context, found)


def _sound(context: Context, found: Entry) -> Entry:
    """The entry with what has no meaning in order, once it makes sense by itself."""
    made = checksum_from_normal(found)
    for fault in faults(made):
        context.wrong(fault)
    return normal_checksum(made)


def circles(entries: Iterable[Entry]) -> Iterator[Problem]:
    """Checksums that cover one another's fields in a circle."""
    made = [checksum_from_normal(entry) for entry in entries]
    try:
        in_order(made, {one.name: one.declared for one in made})
    except DefinitionError as error:
        yield Problem(error.reason, path=("checksums",), hint=error.hint)


# ---------------------------------------------------------------------------------------------------------- coverage


def _span(context: Context, item: Any, key: str, n: int) -> Entry:
    if isinstance(item, str):
        start, size = _region(context, item, key, n)
    else:
        start, size = item["at"], item["size"]
        within(context, start, start + size, key, n)
    return {"start": number(start), "size": number(size)}


def _region(context: Context, name: str, key: str, n: int) -> tuple[int, int]:
    found = context.regions.get(name)
    if found is None:
        if name in context.known["regions"]:
            context.found.append(OPEN)  # told already, where the region is
        else:
            context.dangling("regions", "region", name, key, n)
    return found or (0, 1)


def _blocks(context: Context, entry: Entry) -> Entry:
    if context.lacks(entry, BLOCKS, "blocks"):
        return {}
    size = TYPES[entry["type"]].size
    found = {"at": number(entry["at"]), "type": entry["type"], "byte_order": context.order(entry, size)}
    count = entry.get("count")
    if isinstance(count, dict):
        width = TYPES[count["type"]].size
        found["count"] = {"at": number(count["at"]), "type": count["type"], "byte_order": context.order(count, width)}
        within(context, count["at"], count["at"] + width, "blocks", "count")
    elif count is not None:
        found["count"] = count
    if "until" in entry:
        found["terminator"] = number(entry["until"])
    within(context, entry["at"], entry["at"] + 2 * size, "blocks")
    return found | {key: entry[key] for key in ("last", "most") if key in entry}


def _own(context: Context, entry: Entry) -> Entry:
    own = entry.get("own", "skip")
    if own == "erased":
        if context.family:
            context.found.append(OPEN)  # the image says what that is
        own = context.erased
    return {"own": own}


# ----------------------------------------------------------------------------------------------- methods and fields


def _method(context: Context, kind: str, value: Any) -> Entry:
    if kind == "crc":
        return {"crc": _crc(context, value)}
    if kind not in _SECTIONS:
        return {kind: value}
    if context.lacks(value, _SECTIONS[kind], kind):
        return {}
    if kind == "fletcher":
        if value["bits"] not in _FLETCHER_BITS:
            context.wrong(
                "there is no such Fletcher checksum", path=(kind, "bits"), expected="16 or 32", got=str(value["bits"])
            )
        return {kind: {"bits": value["bits"], "byte_order": context.order(value, value["bits"] // 16)}}
    word = TYPES[value["words"]]
    found = {"word": word.name, "byte_order": context.order(value, word.size), "initial": number(value.get("start", 0))}
    if kind == "sum":
        found |= {"bits": value.get("bits", 8 * word.size), "complement": value.get("complement", "none")}
    return {kind: found}


def _crc(context: Context, value: Any) -> Entry:
    if isinstance(value, str):
        known = crc_by_name(value)
        if known is None:
            context.wrong(
                f"there is no CRC {value} in the catalogue",
                path=("crc",),
                word=value,
                words=catalogue(),
                hint="use a name of the catalogue, or write the CRC by its parameters",
            )
            return {}
        return {
            "width": known.width,
            "polynomial": number(known.polynomial),
            "initial": number(known.start),
            "reflect_in": known.reflect_in,
            "reflect_out": known.reflect_out,
            "final_xor": number(known.final_xor),
        }
    if context.lacks(value, CRC, "crc"):
        return {}
    reflected = {key: value.get(key, False) for key in ("reflect_in", "reflect_out")}
    keys = (("polynomial", "polynomial"), ("start", "initial"), ("final_xor", "final_xor"))
    numbers = {name: number(value.get(key, 0)) for key, name in keys}
    return {"width": value["width"], **numbers, **reflected}


def _field(context: Context, entry: Entry, *path: str | int) -> Entry:
    if context.lacks(entry, STORED_VALUE, *path):
        return {}
    if ("type" in entry) == ("size" in entry):
        context.wrong(
            "a stored value has a type or a size, one of them",
            path=path,
            got="both" if "type" in entry else "none",
            open="type" not in entry,
        )
        return {}
    size = TYPES[entry["type"]].size if "type" in entry else entry["size"]
    within(context, entry["at"], entry["at"] + size, *path)
    found = {"at": number(entry["at"]), "size": size, "byte_order": context.order(entry, size)}
    return found | ({"inverted": True} if entry.get("inverted") else {})
