"""Definition files, each read by itself, then laid over what it extends."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import attrs

from caldiff.canonical import Digest
from caldiff.definition.document import Document, Place, decoded, read
from caldiff.definition.fields import DEFINITION, NAMED
from caldiff.definition.kinds import NAME
from caldiff.definition.problems import MOST_KEPT, Problem, Wrong, as_error
from caldiff.definition.shelves import Shelf
from caldiff.errors import CaldiffError

__all__ = ["Merged", "Written", "ancestry", "laid", "merge", "written"]

_MOST_ANCESTORS = 32
_LISTS = ("regions", "checksums")

Entry = dict[str, Any]


@attrs.define(eq=False)
class Written:
    """One file, its entries read, nothing merged.

    Attributes:
        file: the path as the caller gave it, for messages.
        plain: the keys that are no section of named entries.
        sections: entries by section and name; ``broken`` those that could not be read, ``unread`` what stands in those
            of them that may name others.
        numbers: position of an entry in ``regions`` and ``checksums``, by section and name.
        nulls: a null stands somewhere.
    """

    file: str
    digest: Digest
    folder: Path | None = None
    plain: Entry = attrs.Factory(dict)
    sections: dict[str, dict[str, Entry]] = attrs.Factory(lambda: {name: {} for name in NAMED})
    broken: set[tuple[str, str]] = attrs.Factory(set)
    unread: dict[tuple[str, str], Entry] = attrs.Factory(dict)
    numbers: dict[tuple[str, str], int] = attrs.Factory(dict)
    nulls: bool = False
    problems: list[Problem] = attrs.Factory(list)
    places: Place | None = None
    decided: bool = True
    """read by the parser that decides"""

    def find(self, problem: Problem) -> tuple[Place, int]:
        """Where the problem's path leads in this file, and for how many steps."""
        path = problem.path
        if len(path) > 1 and path[0] in _LISTS and isinstance(path[1], str):
            path = (path[0], self.numbers.get((path[0], path[1]), -1), *path[2:])
        return self.places.find(path, at_key=problem.at_key) if self.places else (Place(1, 1), 0)

    def error(self, problem: Problem) -> CaldiffError:
        """The problem as an error in this file, with its line and column, and the word that was probably meant."""
        line, column = problem.line, problem.column
        if line is None and self.places:
            place, steps = self.find(problem)
            if problem.whole and steps < len(problem.path):  # inherited, so what brings it in is to blame
                place, _ = self.places.find(("extends",))
            line, column = place.line, place.column
        return as_error(problem, file=self.file, line=line, column=column)


def written(data: bytes, file: str, folder: Path | None, *, places: bool = False) -> Written:
    """What one file says by itself, with all problems that are its own; ``places`` as for :func:`document.read`."""
    found = Written(file=file, digest=Digest.of(data), folder=folder)
    try:
        document = read(decoded(data), places=places)
    except Wrong as wrong:
        found.problems += wrong.problems
        found.broken.add(("extends", ""))  # what it would have brought is not known
        return found
    found.nulls, found.places, found.decided = document.nulls, document.places, document.places is not None
    found.problems += document.problems
    _read_keys(found, document)
    return found


def _read_keys(found: Written, document: Document) -> None:
    for key, value in document.tree.items():
        if key not in DEFINITION.readers:
            found.problems.append(DEFINITION.unknown(key))
        elif key in _LISTS and isinstance(value, list):
            _read_list(found, key, value)
        elif key in NAMED and isinstance(value, dict):
            _read_entries(found, key, value)
        else:
            _read_plain(found, key, value)
    found.problems += [DEFINITION.lacks(key) for key in DEFINITION.always if key not in document.tree]


def _read_plain(found: Written, key: str, value: object) -> None:
    try:
        found.plain[key] = DEFINITION.readers[key](value)
    except Wrong as wrong:
        found.problems += wrong.under(key)
        found.broken.add((key, ""))


def _read_entries(found: Written, section: str, entries: Entry) -> None:
    reader, into = NAMED[section].read, found.sections[section]
    name_of = NAME.read
    for name, entry in entries.items():
        if len(found.problems) > MOST_KEPT:
            return
        try:
            name_of(name)
            into[name] = reader(entry)
        except Wrong as wrong:
            key_is_bad = not isinstance(entry, dict) or all(not p.path for p in wrong.problems)
            problems = [attrs.evolve(p, at_key=p.at_key or key_is_bad) for p in wrong.problems]
            found.problems += [p.under(section, name) for p in problems]
            found.broken.add((section, name))
            if section in {"axes", "tables"} and isinstance(entry, dict):
                found.unread[section, name] = entry


def _read_list(found: Written, section: str, entries: list[Any]) -> None:
    reader, into = NAMED[section].read, found.sections[section]
    for number, entry in enumerate(entries):
        if len(found.problems) > MOST_KEPT:
            return
        name = entry.get("name") if isinstance(entry, dict) else None
        try:
            read_entry = reader(entry)
        except Wrong as wrong:
            found.problems += wrong.under(section, number)
            if isinstance(name, str):
                found.broken.add((section, name))
            continue
        if name is None or name in into:
            reason = "another one has this name" if name else "the name is missing"
            found.problems.append(Problem(reason, got=name, path=(section, number, "name")))
            continue
        into[name] = read_entry
        found.numbers[section, name] = number


# --------------------------------------------------------------------------------------------------------- ancestors


def ancestry(own: Written, shelf: Shelf, *, places: bool = False) -> list[Written]:
    """The file and what it extends, nearest first. A problem on the way is noted where ``extends`` stands."""
    chain = [own]
    names = [own.plain.get("name", "")]
    while name := chain[-1].plain.get("extends"):
        names.append(name)
        try:
            chain.append(_ancestor(names, chain[-1].folder, shelf, places=places))
        except Wrong as wrong:
            chain[-1].problems += wrong.under("extends")
            chain[-1].broken.add(("extends", ""))
            break
    return chain


def _ancestor(names: Sequence[str], beside: Path | None, shelf: Shelf, *, places: bool) -> Written:
    """The last of the names, read; the others are those on the way to it."""
    name = names[-1]
    if name in names[:-1]:
        raise Wrong("the definitions extend one another in a ring", got=" -> ".join(names))
    if len(names) - 1 > _MOST_ANCESTORS:
        raise Wrong("too many definitions extend one another", expected=f"at most {_MOST_ANCESTORS}")
    file = shelf.find(name, beside)
    found = written(file.data, file.file, file.folder, places=places)
    own = found.plain.get("name", name)
    if own != name:
        found.problems.append(
            Problem("the file is not called after its definition", expected=name, got=own, path=("name",))
        )
    return found


# ----------------------------------------------------------------------------------------------------------- merging


@attrs.define
class Merged:
    """All files laid over one another. ``problems`` belong to the file of that position in the chain."""

    plain: Entry
    sections: dict[str, dict[str, Entry]]
    broken: set[tuple[str, str]]
    problems: list[tuple[Written, Problem]]
    unread: dict[tuple[str, str], Entry] = attrs.Factory(dict)


def merge(chain: Sequence[Written]) -> Merged:
    """Lay each file over its ancestors: mappings key by key, null takes away, all else replaces (as in RFC 7396)."""
    merged = Merged(plain={}, sections={name: {} for name in NAMED}, broken=set(), problems=[])
    for layer in reversed(chain):
        problems: list[Problem] = []
        _remove(merged, layer, problems)
        merged.plain = laid(merged.plain, layer.plain, (), problems, nulls=layer.nulls)
        for section, entries in layer.sections.items():
            below = merged.sections[section]
            if not below and not layer.nulls:
                merged.sections[section] = dict(entries)
                continue
            for name, entry in entries.items():
                below[name] = laid(below.get(name, {}), entry, (section, name), problems, nulls=layer.nulls)
        merged.broken |= layer.broken
        merged.unread |= layer.unread
        merged.problems += [(layer, p) for p in problems]
    return merged


def _remove(merged: Merged, layer: Written, problems: list[Problem]) -> None:
    for section, names in layer.plain.pop("remove", {}).items():
        inherited = merged.sections[section]
        for number, name in enumerate(names or ()):
            if inherited.pop(name, None) is None and (section, name) not in merged.broken:
                problems.append(
                    Problem(
                        f"there is no inherited {name} to remove",
                        path=("remove", section, number),
                        word=name,
                        words=inherited,
                    )
                )


def laid(below: Entry, above: Entry, path: tuple[str, ...], problems: list[Problem], *, nulls: bool) -> Entry:
    """One mapping laid over another."""
    if not below and not nulls:
        return above
    found = dict(below)
    for key, value in above.items():
        if value is None:
            if found.pop(key, None) is None:
                problems.append(
                    Problem(
                        "nothing is inherited here that null could take away",
                        path=(*path, str(key)),
                        at_key=True,
                        hint="give a value, or take the line away",
                    )
                )
        elif isinstance(value, dict):
            under = found.get(key)
            inside = under if isinstance(under, dict) else {}
            found[key] = laid(inside, value, (*path, str(key)), problems, nulls=nulls)
        else:
            found[key] = value
    return found
