"""What changed in the meaning of a definition. The only module that uses DeepDiff, and only when something changed."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any, Literal

import attrs

from caldiff.definition.compiled import Records
from caldiff.definition.definition import Definition
from caldiff.definition.normal import (
    Normal,
    normal_axis,
    normal_checksum,
    normal_fit,
    normal_frame,
    normal_identity,
    normal_region,
    normal_scaling,
    normal_table,
)

__all__ = ["Change", "DefinitionComparison", "Difference", "compare_definitions"]

Kind = Literal["added", "removed", "moved", "changed"]
Step = str | int
Items = dict[str, Any]

_ADDRESSES = ("at", "start")


@attrs.frozen(kw_only=True)
class Difference:
    """One value that differs within an object.

    Attributes:
        path: keys and positions from the object down, in its normal form.
        before, after: JSON values; None where there is none.
    """

    path: tuple[Step, ...]
    before: Any
    after: Any

    @property
    def text(self) -> str:
        """The difference as a line, such as ``scaling factor: 1/4 -> 1/2``."""
        label = " ".join(_words(self.path)) or "meaning"
        if self.before is None:
            return f"{label}: now {_shown(self.path, self.after)}"
        if self.after is None:
            return f"{label}: no longer {_shown(self.path, self.before)}"
        return f"{label}: {_shown(self.path, self.before)} -> {_shown(self.path, self.after)}"


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
    title = {"title": definition.title} if definition.title else {}
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
    return json.loads(item) if isinstance(item, bytes) else item


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
            places = [Difference(path=p, before=before[p], after=after[p]) for p in before if before[p] != after[p]]
            yield Change(kind="moved", section=section, name=name, differences=tuple(places), affects=affected(name))
        elif name in differing:
            yield Change(
                kind="changed", section=section, name=name, differences=tuple(deep[name]), affects=affected(name)
            )


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


def _differences(pairs: Mapping[str, tuple[Any, Any]]) -> dict[str, list[Difference]]:
    """What differs within each pair, in order of path."""
    found: dict[str, list[Difference]] = {name: [] for name in pairs}
    if not pairs:
        return found
    from deepdiff import DeepDiff  # noqa: PLC0415 - it takes longer to import than most definitions to compare
    from deepdiff.helper import notpresent  # noqa: PLC0415

    old, new = ({name: pair[side] for name, pair in pairs.items()} for side in (0, 1))
    for levels in DeepDiff(old, new, view="tree", threshold_to_diff_deeper=0).values():
        for level in levels:
            name, *path = level.path(output_format="list")
            before, after = (None if value is notpresent else value for value in (level.t1, level.t2))
            found[name].append(Difference(path=tuple(path), before=before, after=after))
    for differences in found.values():
        differences.sort(key=lambda d: [(isinstance(step, str), str(step).zfill(6)) for step in d.path])
    return found


# ------------------------------------------------------------------------------------------------------------- words

_SILENT = {"cells", "linear", "rational", "lookup"}
_WORDS = {"at": "address", "start": "address", "byte_order": "byte order", "any_of": "pattern", "points": "point"}


def _words(path: tuple[Step, ...]) -> Iterator[str]:
    for step in path:
        if isinstance(step, int):
            yield str(step + 1)
        elif step not in _SILENT:
            yield _WORDS.get(step, step)


def _shown(path: tuple[Step, ...], value: Any) -> str:
    if path and path[-1] in _ADDRESSES:
        return f"0x{int(value):08X}"
    if isinstance(value, str):
        return value
    return json.dumps(value, ensure_ascii=False)
