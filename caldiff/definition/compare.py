"""What changed in the meaning of a definition. The only module that uses DeepDiff, and only when something changed."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any, Literal

import attrs

from caldiff.definition.checksum_normal import normal_checksum
from caldiff.definition.compiled import Records
from caldiff.definition.definition import Definition
from caldiff.definition.normal import (
    Normal,
    normal_axis,
    normal_fit,
    normal_frame,
    normal_identity,
    normal_region,
    normal_scaling,
    normal_table,
    own_axis_name,
)

__all__ = ["Change", "DefinitionComparison", "Difference", "compare_definitions"]

Kind = Literal["added", "removed", "moved", "changed"]
Step = str | int
Items = dict[str, Any]
Found = tuple[tuple[Step, ...], Any, Any]
"""a path, the value before and the value after"""

_ADDRESSES = ("at", "start")


@attrs.frozen(kw_only=True)
class Difference:
    """One value that differs within an object.

    Attributes:
        path: keys and positions from the object down, in its normal form; names of values, points of a look-up and
            fields of a word are found by value, raw value and name instead of by position. Empty where only the order
            of something differs.
        label: the path for people, such as ``axis y address``.
        before, after: JSON values; None where there is none.
    """

    path: tuple[Step, ...]
    label: str
    before: Any
    after: Any

    @property
    def text(self) -> str:
        """The difference as a line, such as ``scaling factor: 1/4 -> 1/2``."""
        if not self.path:
            return self.label
        before, after = (None if v is None else _shown(self.path, v) for v in (self.before, self.after))
        if before is None:
            return f"{self.label}: now {after}"
        return f"{self.label}: no longer {before}" if after is None else f"{self.label}: {before} -> {after}"


@attrs.frozen(kw_only=True)
class Change:
    """What happened to one object of a definition.

    Attributes:
        kind: ``moved`` where nothing but addresses differs.
        section: ``tables``, ``axes``, ``scalings``, ``identity``, ``regions``, ``checksums``, ``fits`` or, for the
            image and the title, ``definition``.
        name: of the object; of a condition its number, of a plain key the key.
        differences: of a moved or changed object.
        affects: tables that read otherwise because of this axis or scaling, by name.
    """

    kind: Kind
    section: str
    name: str
    differences: tuple[Difference, ...] = ()
    affects: tuple[str, ...] = ()


@attrs.frozen(kw_only=True)
class DefinitionComparison:
    """All changes from one definition to another: by section, then by name."""

    before: str
    after: str
    changes: tuple[Change, ...]


def compare_definitions(old: Definition, new: Definition) -> DefinitionComparison:
    """What changed in the meaning from one definition to the next; names of the definitions themselves do not count."""
    changes: list[Change] = []
    if old.digest != new.digest:
        for section, items in _SECTIONS.items():
            changes += _changes(section, items(old), items(new), partial(_affected, old, new, section))
    return DefinitionComparison(before=old.name, after=new.name, changes=tuple(changes))


# ----------------------------------------------------------------------------------------------------------- items


def _records(items: Mapping[str, Any], form: Callable[[Any], Normal]) -> Items:
    """The items as canonical JSON where they are kept so, for it can be compared unread; else in normal form."""
    return items.records() if isinstance(items, Records) else {name: form(item) for name, item in items.items()}


def _plain(definition: Definition) -> Items:
    title = {"title": {"title": definition.title}} if definition.title else {}
    return {"image": normal_frame(definition.frame), **title}


_SECTIONS: dict[str, Callable[[Definition], Items]] = {
    "definition": _plain,
    "fits": lambda d: {str(number): normal_fit(fit) for number, fit in enumerate(d.fits, 1)},
    "identity": lambda d: _records(d.identity, normal_identity),
    "regions": lambda d: {region.name: normal_region(region) for region in d.regions},
    "scalings": lambda d: _records(d.scalings, normal_scaling),
    "axes": lambda d: _records(d.axes, normal_axis),
    "tables": lambda d: _records(d.tables, normal_table),
    "checksums": lambda d: _records(d.checksums, normal_checksum),
}


def _read(item: Any) -> Any:
    return _keyed(json.loads(item) if isinstance(item, bytes) else item)


def _keyed(item: Any) -> Any:
    """The item with its lists of pairs and of named fields as mappings: what belongs together is compared."""
    if not isinstance(item, dict):
        return [_keyed(value) for value in item] if isinstance(item, list) else item
    keyed = {key: _keyed(value) for key, value in item.items()}
    if "mask" in keyed and keyed.get("text"):
        keyed = {"text": _written_pattern(keyed["value"], keyed["mask"])}
    if "names" in keyed:
        keyed["names"] = {str(raw): name for raw, name in keyed["names"]}
    if "lookup" in keyed:
        keyed["lookup"]["points"] = {str(raw): physical for raw, physical in keyed["lookup"]["points"]}
    if isinstance(keyed.get("bits"), list):
        keyed["bits"] = {field.pop("name"): field for field in keyed["bits"]}
    return keyed


def _affected(old: Definition, new: Definition, section: str, name: str) -> tuple[str, ...]:
    """The tables, before or after, that hang on the axis or use the scaling, by themselves or through an axis."""
    names: set[str] = set()
    for definition in (old, new):
        if section == "axes":
            names.update(definition.index.tables_on(name))
        if section == "scalings":
            names.update(_users(definition.tables, normal_table, name))
            for axis in _users(definition.axes, normal_axis, name):
                names.update(definition.index.tables_on(axis))
    return tuple(sorted(names))


def _users(items: Mapping[str, Any], form: Callable[[Any], Normal], scaling: str) -> list[str]:
    wanted = json.dumps({"scaling": scaling}, ensure_ascii=False, separators=(",", ":"))[1:-1].encode()
    found = []
    for name, item in _records(items, form).items():
        # A text could hold the same letters only with its quotes escaped.
        record = (
            item if isinstance(item, bytes) else json.dumps(item, ensure_ascii=False, separators=(",", ":")).encode()
        )
        if wanted in record:
            found.append(name)
    return found


# --------------------------------------------------------------------------------------------------------- changes


def _changes(section: str, old: Items, new: Items, affected: Callable[[str], tuple[str, ...]]) -> Iterator[Change]:
    differing = {name: (_read(item), _read(new[name])) for name, item in old.items() if new.get(name, item) != item}
    moved = {name: pair for name, pair in differing.items() if _placeless(pair[0]) == _placeless(pair[1])}
    deep = _differences({name: pair for name, pair in differing.items() if name not in moved})
    for name in sorted({*old, *new}, key=_natural):
        if name not in new:
            yield Change(kind="removed", section=section, name=name, affects=affected(name))
        elif name not in old:
            yield Change(kind="added", section=section, name=name, affects=affected(name))
        elif name in moved:
            before, after = (dict(_places(item)) for item in moved[name])
            found = [(path, before[path], after[path]) for path in before if before[path] != after[path]]
            yield _change("moved", section, name, moved[name], found, affected(name))
        elif name in differing:
            yield _change("changed", section, name, differing[name], deep[name], affected(name))


def _change(  # noqa: PLR0913, PLR0917 - the parts of one change
    kind: Kind, section: str, name: str, pair: tuple[Any, Any], found: list[Found], affects: tuple[str, ...]
) -> Change:
    """What is found within an object, its own place and type first."""
    differences = [
        Difference(path=path, label=_label(path, pair[after is not None]), before=before, after=after)
        for path, before, after in sorted(found, key=_order)
    ]
    if not found:
        differences = [Difference(path=(), label="the order of its entries", before=None, after=None)]
    return Change(kind=kind, section=section, name=name, differences=tuple(differences), affects=affects)


def _order(found: Found) -> tuple[bool, list[tuple[int, str]]]:
    path = found[0]
    return path[0] != "cells", [_natural(str(step)) for step in path]


def _natural(name: str) -> tuple[int, str]:
    """Numbers by size, before names."""
    return (int(name), "") if name.isascii() and name.isdigit() else (-1, name)


def _placeless(item: Any) -> Any:
    """The item without its addresses."""
    if isinstance(item, dict):
        return {key: _placeless(value) for key, value in item.items() if key not in _ADDRESSES}
    return [_placeless(value) for value in item] if isinstance(item, list) else item


def _places(item: Any, path: tuple[Step, ...] = ()) -> Iterator[tuple[tuple[Step, ...], Any]]:
    """The addresses in an item, with their paths."""
    if isinstance(item, dict | list):
        for step, value in item.items() if isinstance(item, dict) else enumerate(item):
            if step in _ADDRESSES:
                yield (*path, step), value
            else:
                yield from _places(value, (*path, step))


def _differences(pairs: Mapping[str, tuple[Any, Any]]) -> dict[str, list[Found]]:
    """What differs within each pair."""
    found: dict[str, list[Found]] = {name: [] for name in pairs}
    if not pairs:
        return found
    from deepdiff import DeepDiff  # noqa: PLC0415 - it takes longer to import than most definitions to compare
    from deepdiff.helper import notpresent  # noqa: PLC0415 - as above

    old, new = ({name: pair[side] for name, pair in pairs.items()} for side in (0, 1))
    for levels in DeepDiff(old, new, view="tree", threshold_to_diff_deeper=0).values():
        for level in levels:
            name, *path = level.path(output_format="list")
            before, after = (None if value is notpresent else value for value in (level.t1, level.t2))
            found[name].append((tuple(path), before, after))
    return found


def _written_pattern(value: str, mask: str) -> str:
    """A text pattern as a definition writes it."""
    pairs = zip(bytes.fromhex(value), bytes.fromhex(mask), strict=True)
    return "".join(chr(v) if m else "?" for v, m in pairs)


# ------------------------------------------------------------------------------------------------------------- words

_INSIDE = {
    "cells": "",
    "linear": "",
    "rational": "",
    "lookup": "",
    "any_of": "alternative",
    "names": "name of",
    "points": "point",
    "bits": "field",
    "crc": "CRC",
    "spans": "range",
    "fields": "field",
}
"""keys that lead on"""
_AT_END = {
    "at": "address",
    "start": "address",
    "byte_order": "byte order",
    "any_of": "alternatives",
    "bits": "fields",
    "spans": "ranges",
    "initial": "start value",
    "final_xor": "final xor",
    "reflect_in": "reflected in",
    "reflect_out": "reflected out",
}
_IN_HEX = {"mask", "polynomial", "initial", "final_xor", "constant", "terminator", "own"}
_ENDS = ("lower", "upper")
_UNORDERED = {"tags", "aliases", "over"}


def _label(path: tuple[Step, ...], item: Any) -> str:
    """The path in words."""
    words: list[str] = []
    for place, step in enumerate(path):
        above = path[place - 1] if place else None
        if not isinstance(step, int):
            words.append((_INSIDE if place + 1 < len(path) else _AT_END).get(step, step))
        elif above == "limits":
            words[-1] = f"{_ENDS[step]} limit"
        elif above == "axes":
            words[-1] = f"axis {own_axis_name('', step, len(item['axes']))[1:]}"
        elif above not in _UNORDERED:
            words.append(str(step + 1))
    return " ".join(word for word in words if word)


def _shown(path: tuple[Step, ...], value: Any) -> str:
    if path[-1] in _ADDRESSES:
        return f"0x{int(value):08X}"
    if path[-1] in _IN_HEX and not isinstance(value, str):
        return f"0x{value:X}"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
