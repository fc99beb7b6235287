"""Where the cells are: axes and tables as they were written -> explicit addresses, shapes and strides."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from math import prod
from typing import Any

from caldiff.definition.fields import AXIS, COUNT, MOST_CELLS, MOST_POINTS, STORED, TABLE
from caldiff.definition.kinds import ADDRESSES
from caldiff.definition.meaning import Context, number, texts, within
from caldiff.definition.model import TYPES, ElementType
from caldiff.definition.problems import seen
from caldiff.definition.purpose import purpose

__all__ = ["axis", "table"]

Entry = dict[str, Any]
_KINDS = ("value", "curve", "map", "cuboid")
_STRIDES = ("stride", "row_stride", "layer_stride")
_RECORD = ("record", "room", "align")
_LAYOUT = (*_STRIDES, "order")
_NUMBERS = ("type", "x", "y", "z", "shape", "scaling", "limits", "mask", "byte_order", "corrects", "codes")


# ------------------------------------------------------------------------------------------------------------ axes


def axis(context: Context, entry: Entry, *path: str, own: bool = False) -> tuple[Entry, int, bool]:
    """An axis in normal form, its length and whether its count is stored.

    With ``own`` an address may be missing: then ``cells`` or ``count`` lack ``at``, and the record gives it.
    """
    listed = "list" in entry
    if listed or "start" in entry or "step" in entry:
        points = _points(context, entry, listed, *path)
        found = {"points": points, **texts(entry, "unit", "decimals", "quantity", "title")}
        return found, len(points), False
    for key in ("unit", "decimals"):
        if key in entry:
            context.wrong(
                f"a stored axis has no {key} of its own", path=(*path, key), hint=f"give {key} in its scaling"
            )
    context.need(entry, AXIS, "type", *path)
    context.need(entry, AXIS, "count", *path)
    if not own:
        context.need(entry, AXIS, "at", *path)
    if "type" not in entry or "count" not in entry:
        return {}, 0, False
    count, stored = entry["count"], None
    if isinstance(count, dict):
        stored = _count(context, count, *path, own=own)
        count = count.get("most", 1)
    cells = _cells(context, entry, (count,), (entry["stride"],) if "stride" in entry else None, *path)
    found = {"cells": cells, **texts(entry, "quantity", "title")}
    if stored is not None:
        found["count"] = stored
    if "scaling" in entry and (written := context.scaling(entry, *path)):
        found["scaling"] = written
    return found, count, stored is not None


def _count(context: Context, entry: Entry, *path: str, own: bool) -> Entry:
    path = (*path, "count")
    context.need(entry, COUNT, "type", *path)
    context.need(entry, COUNT, "most", *path)
    if not own:
        context.need(entry, COUNT, "at", *path)
    if "type" not in entry or "most" not in entry:
        return {}
    kind = TYPES[entry["type"]]
    if entry["most"] > kind.highest:
        context.wrong(
            f"{kind.name} cannot hold so large a count",
            path=(*path, "most"),
            expected=f"at most {kind.highest}",
            got=str(entry["most"]),
        )
    found: Entry = {"type": kind.name, "byte_order": context.order(entry, kind.size)}
    if "at" in entry:
        within(context, entry["at"], entry["at"] + kind.size, *path)
        found["at"] = number(entry["at"])
    return found


def _points(context: Context, entry: Entry, listed: bool, *path: str) -> list[str]:
    """The breakpoints of a fixed or listed axis."""
    for key in STORED:
        if key in entry:
            context.wrong(
                "an axis is stored, fixed or listed, and this one is two of them", path=(*path, key), hint=_AXIS_HINT
            )
    points = _listed(context, entry, *path) if listed else _fixed(context, entry, *path)
    context.points += len(points)
    if context.points > MOST_POINTS:
        context.wrong("the fixed axes have too many breakpoints", path=path, expected=f"at most {MOST_POINTS} in all")
        return []
    return points


_AXIS_HINT = "stored: at, type, count; fixed: start, step, count; listed: list"


def _listed(context: Context, entry: Entry, *path: str) -> list[str]:
    for key in ("start", "step", "count"):
        if key in entry:
            context.wrong(f"a listed axis has no {key}", path=(*path, key), hint=_AXIS_HINT)
    points: list[str] = entry["list"]
    exact = [Fraction(p) for p in points]
    for n, (before, after) in enumerate(pairwise(exact), start=1):
        if before >= after:
            context.wrong(
                "the breakpoints of an axis rise",
                path=(*path, "list", n),
                expected=f"above {before}",
                got=str(after),
            )
    return points


def _fixed(context: Context, entry: Entry, *path: str) -> list[str]:
    missing = [key for key in ("start", "step", "count") if key not in entry]
    for key in missing:
        context.need(entry, AXIS, key, *path)
    if missing:
        return []
    start, step, count = Fraction(entry["start"]), Fraction(entry["step"]), entry["count"]
    if isinstance(count, dict):
        context.wrong("the count of a fixed axis is a number", path=(*path, "count"), got="a mapping")
    elif step <= 0:
        context.wrong(
            "the breakpoints of an axis rise", path=(*path, "step"), expected="a step above 0", got=entry["step"]
        )
    elif context.points + count > MOST_POINTS:
        context.wrong("the fixed axes have too many breakpoints", path=(*path, "count"), got=str(count))
    else:
        return [str(start + n * step) for n in range(count)]
    return []


# ---------------------------------------------------------------------------------------------------------- cells


def _cells(
    context: Context, entry: Entry, shape: tuple[int, ...], strides: tuple[int, ...] | None, *path: str
) -> Entry:
    """Cells in normal form, packed without ``strides``; ``at`` is left out where the entry has none."""
    kind = TYPES[entry["type"]]
    size = kind.size
    found: Entry = {"type": kind.name, "byte_order": context.order(entry, size)}
    low, high = 0, size
    if shape:
        if strides is None:
            strides, high = packed(shape, size)
        else:
            low, high = _reach(shape, strides, size)
            _check_strides(context, shape, strides, size, *path)
        found["shape"] = list(shape)
        found["strides"] = list(strides)
        if high > MOST_CELLS and prod(shape) > MOST_CELLS:
            context.wrong("too many cells", path=path, expected=f"at most {MOST_CELLS}", got=str(prod(shape)))
    if "at" in entry:
        at = entry["at"]
        if at + low < 0 or at + high > ADDRESSES:
            within(context, at + low, at + high, *path)
        found["at"] = number(at)
    if "mask" in entry:
        _mask(context, entry["mask"], kind, found, *path)
    return found


def _mask(context: Context, mask: int, kind: ElementType, found: Entry, *path: str) -> None:
    path = (*path, "mask")
    if kind.kind == "f":
        context.wrong("a mask is for integers", path=path, got=kind.name)
    elif mask >> (8 * kind.size):
        context.wrong(f"the mask is wider than {kind.name}", path=path, got=f"0x{mask:X}")
    elif mask != (1 << 8 * kind.size) - 1:
        found["mask"] = number(mask)


def packed(shape: tuple[int, ...], size: int) -> tuple[tuple[int, ...], int]:
    """Strides of cells that follow one another in array order, and the bytes that they take."""
    if len(shape) == 1:
        return (size,), shape[0] * size
    strides = []
    for n in reversed(shape):
        strides.append(size)
        size *= n
    return tuple(reversed(strides)), size


def _reach(shape: tuple[int, ...], strides: tuple[int, ...], size: int) -> tuple[int, int]:
    """The first byte and the one after the last, from the cell with all indices 0."""
    reach = [(n - 1) * stride for n, stride in zip(shape, strides, strict=True)]
    return sum(r for r in reach if r < 0), sum(r for r in reach if r > 0) + size


def _check_strides(context: Context, shape: tuple[int, ...], strides: tuple[int, ...], size: int, *path: str) -> None:
    """No cell lies over another: seen from the smallest stride to the largest, each passes what is inside it."""
    extent = size
    for stride, n in sorted((abs(s), n) for s, n in zip(strides, shape, strict=True) if n > 1):
        if stride < extent:
            context.wrong(
                "the cells lie over one another",
                path=path,
                expected=f"a stride of {extent} bytes or more",
                got=str(stride),
            )
            return
        extent += stride * (n - 1)


# ---------------------------------------------------------------------------------------------------------- tables


def table(context: Context, _name: str, entry: Entry) -> Entry:
    """A table in normal form; problems go to the context."""
    found = texts(entry, "title", "description", "group", "limits")
    for key in ("tags", "aliases"):
        if key in entry:
            found[key] = context.words(entry[key], key)
    if "at" not in entry:
        context.unplaced()
    elif "text" in entry:
        _text(context, entry, found)
    elif "type" not in entry:
        context.need(entry, TABLE, "type")
    else:
        _numbers(context, entry, found)
        purpose(context, entry, found)
    return found


def _numbers(context: Context, entry: Entry, found: Entry) -> None:
    """The rest of any table but a text."""
    if "encoding" in entry:
        context.wrong("encoding belongs to a text", path=("encoding",), hint="a text has the key text, its length")
    if "scaling" in entry and (written := context.scaling(entry)):
        found["scaling"] = written
    shape, axes = _grid(context, entry)
    flags = len(axes) == 0 and context.bits(entry)
    found["kind"] = "flags" if flags else "block" if "shape" in entry else _KINDS[len(axes)]
    if any(not isinstance(a, str) and not a[0] for a in axes):
        return  # what is wrong with its own axis is told
    strides = _strides(context, entry, shape, TYPES[entry["type"]].size)
    found["cells"] = cells = _cells(context, entry, shape, strides)
    if axes:
        found["axes"] = [a if isinstance(a, str) else a[0] for a in axes]
    if context.recorded or not entry.keys().isdisjoint(_RECORD):
        _record(context, entry, axes, cells, found)


def _text(context: Context, entry: Entry, found: Entry) -> None:
    for key in (*_NUMBERS, *_LAYOUT, *_RECORD):
        if key in entry:
            context.wrong(f"a text has no {key}", path=(key,), hint="a text has at, text and encoding")
    found["kind"] = "text"
    found["cells"] = _cells(context, {"type": "u8", "at": entry["at"]}, (entry["text"],), None)
    if entry.get("encoding", "ascii") != "ascii":
        found["encoding"] = entry["encoding"]


def _grid(context: Context, entry: Entry) -> tuple[tuple[int, ...], list[Any]]:
    """Shape and axes in array order; an axis is a shared one's name or ``(normal form, its letter)``."""
    shape: list[int] = []
    axes: list[Any] = []
    context.recorded = context.counted = False
    for letter in ("z", "y", "x"):
        value = entry.get(letter)
        if value is None:
            if shape:
                context.wrong(f"a table with an axis {'z' if letter == 'y' else 'y'} needs an axis {letter}", open=True)
            continue
        if isinstance(value, str):
            length, counted = context.axis(value, letter)
            axes.append(value)
        else:
            own, length, counted = axis(context, value, letter, own=True)
            context.recorded |= "cells" in own and ("at" not in own["cells"] or "at" not in own.get("count", {"at": 0}))
            axes.append((own, letter))
        context.counted |= counted
        shape.append(length)
    if "shape" not in entry:
        return tuple(shape), axes
    if shape:
        context.wrong(
            "a block has no axes", path=("shape",), hint="its shape follows from the axes: take one of them away"
        )
    block = entry["shape"]
    return tuple(block) if isinstance(block, list) else (block,), axes


def _strides(context: Context, entry: Entry, shape: tuple[int, ...], size: int) -> tuple[int, ...] | None:
    """Bytes from cell to cell per dimension; None where nothing is said, so that they are packed."""
    if entry.keys().isdisjoint(_LAYOUT):
        return None  # nearly all
    column = entry.get("order") == "column"
    dimensions = len(shape)
    for needs, key in enumerate(_STRIDES, start=1):
        if key in entry and dimensions < needs:
            context.wrong(f"a table of {dimensions} dimensions has no {key}", path=(key,))
    if column and dimensions < 2:  # noqa: PLR2004 - rows and columns
        context.wrong("column order is for tables with rows and columns", path=("order",))
    fastest_first = list(reversed(range(dimensions)))
    if column:
        fastest_first[:2] = fastest_first[1::-1]
    strides = [0] * dimensions
    room = size
    for key, dimension in zip(_STRIDES, fastest_first, strict=False):
        strides[dimension] = entry.get(key, room)
        room = abs(strides[dimension]) * shape[dimension]
    return tuple(strides)


# --------------------------------------------------------------------------------------------------------- records


def _record(context: Context, entry: Entry, axes: list[Any], cells: Entry, found: Entry) -> None:
    """Give every part of a record its address; keep the record itself where stored counts move its parts."""
    stored = entry.get("room") == "stored" and context.counted
    own = {letter: a for a, letter in (pair for pair in axes if not isinstance(pair, str)) if "cells" in a}
    inside = [f"{n}.count" for n in "xyz" if n in own and "at" not in own[n].get("count", {"at": 0})]
    inside += [n for n in "xyz" if n in own and "at" not in own[n]["cells"]]
    inside.append("values")
    parts = entry.get("record", inside)
    if sorted(parts) != sorted(inside):
        context.wrong(
            "the record does not list what is stored in it",
            path=("record",),
            expected=f"[{', '.join(inside)}] in any order",
            got=f"[{', '.join(parts)}]",
            hint="a part with an address of its own (at) is not in the record",
        )
        return
    if inside == ["values"] and not stored:
        for key in _RECORD:
            if key in entry and entry[key] != "most":
                context.wrong(
                    f"{key} is for tables with axes stored inside them, or with a stored count",
                    path=(key,),
                    hint="an axis is stored inside the table when it is written in place without at",
                )
        return
    for letter, mapping in [*own.items(), ("", entry)]:
        _check_packed(context, mapping if not letter else entry[letter], letter, inside, stored)
    if context.found:
        return
    places = {p: own[p[0]]["count"] if p.endswith("count") else own[p]["cells"] for p in inside[:-1]} | {
        "values": cells
    }
    align = entry.get("align", 1)
    end = _lay_out(parts, places, entry["at"], align)
    within(context, entry["at"], end)
    if stored:
        found["record"] = {"at": number(entry["at"]), "parts": parts} | ({"align": align} if align > 1 else {})


def _check_packed(context: Context, entry: Entry, letter: str, inside: list[str], stored: bool) -> None:
    """Parts of a record are packed: strides are refused where they cannot be."""
    if letter and letter not in inside:
        return
    for key in _STRIDES:
        if key in entry and (letter or stored or entry[key] < 0):
            context.wrong(
                "what is stored in a record is packed",
                path=(letter, key) if letter else (key,),
                got=f"{key} {seen(entry[key])}",
                hint="take the stride away, or give the part an address of its own",
            )


def _lay_out(parts: list[str], places: dict[str, Entry], start: int, align: int) -> int:
    """Set the address of every part at full room; the address after the last one."""
    position = start
    for part in parts:
        place = places[part]
        position = start + -(-(position - start) // align) * align
        place["at"] = number(min(position, ADDRESSES - 1))
        shape, strides = tuple(place.get("shape", ())), tuple(place.get("strides", ()))
        position += _reach(shape, strides, TYPES[place["type"]].size)[1]
    return position
