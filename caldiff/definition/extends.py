"""Definition files, each read by itself, then laid over what it extends."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import attrs

from caldiff.canonical import Digest
from caldiff.definition.document import MOST_BYTES, Document, Place, decoded, read
from caldiff.definition.fields import DEFINITION, NAMED
from caldiff.definition.kinds import NAME
from caldiff.definition.problems import MOST_KEPT, Problem, Wrong, intended
from caldiff.errors import CaldiffError, FileError

__all__ = ["ENDING", "Merged", "Written", "ancestor", "ancestry", "merge", "read_bytes", "written"]

ENDING = ".yaml"
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
        steps_written = "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in problem.path)
        return CaldiffError(
            f"{steps_written.lstrip('.')}: {problem.reason}" if steps_written else problem.reason,
            file=self.file,
            line=line,
            column=column,
            expected=problem.expected,
            got=problem.got,
            hint=(intended(problem.word, problem.words) if problem.word else None) or problem.hint,
        )


def read_bytes(path: Path) -> bytes:
    """The bytes of a definition file, one more than may be at most.

    Raises:
        FileError: it cannot be read.
    """
    try:
        if not path.is_file():
            raise FileError("there is no such file" if not path.exists() else "this is no file", file=path)
        with path.open("rb") as stream:
            return stream.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        raise FileError(f"the file cannot be read: {getattr(error, 'strerror', None) or error}", file=path) from None


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


def ancestry(own: Written, folders: Sequence[Path], *, places: bool = False) -> list[Written]:
    """The file and what it extends, nearest first. A problem on the way is noted where ``extends`` stands."""
    chain = [own]
    names = [own.plain.get("name", "")]
    while name := chain[-1].plain.get("extends"):
        names.append(name)
        try:
            chain.append(_ancestor(names, chain[-1].folder, folders, places=places))
        except Wrong as wrong:
            chain[-1].problems += wrong.under("extends")
            chain[-1].broken.add(("extends", ""))
            break
    return chain


def ancestor(name: str, beside: Path | None, folders: Sequence[Path]) -> Path | None:
    """The file that ``extends: NAME`` means: ``NAME.yaml`` in the folder ``beside``, else in the first that has it."""
    paths = (folder / f"{name}{ENDING}" for folder in (beside, *folders) if folder is not None)
    return next((path for path in paths if path.exists()), None)


def _ancestor(names: Sequence[str], beside: Path | None, folders: Sequence[Path], *, places: bool) -> Written:
    """The last of the names, read; the others are those on the way to it."""
    name = names[-1]
    if name in names[:-1]:
        raise Wrong("the definitions extend one another in a ring", got=" -> ".join(names))
    if len(names) - 1 > _MOST_ANCESTORS:
        raise Wrong("too many definitions extend one another", expected=f"at most {_MOST_ANCESTORS}")
    path = ancestor(name, beside, folders)
    if path is None:
        searched = [folder for folder in (beside, *folders) if folder is not None]
        near = {p.stem for folder in searched if folder.is_dir() for p in folder.glob(f"*{ENDING}")}
        raise Wrong(
            f"there is no definition {name}",
            expected=" or ".join(str(folder / f"{name}{ENDING}") for folder in searched) or "a folder to look in",
            word=name,
            words=near,
            hint="put the file beside this one, or in a folder where definitions are found",
        )
    try:
        found = written(read_bytes(path), str(path), path.parent, places=places)
    except FileError as error:
        raise Wrong(error.reason, got=str(path)) from None
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
        merged.plain = _laid(merged.plain, layer.plain, (), problems, nulls=layer.nulls)
        for section, entries in layer.sections.items():
            below = merged.sections[section]
            if not below and not layer.nulls:
                merged.sections[section] = dict(entries)
                continue
            for name, entry in entries.items():
                below[name] = _laid(below.get(name, {}), entry, (section, name), problems, nulls=layer.nulls)
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


def _laid(below: Entry, above: Entry, path: tuple[str, ...], problems: list[Problem], *, nulls: bool) -> Entry:
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
            found[key] = _laid(inside, value, (*path, str(key)), problems, nulls=nulls)
        else:
            found[key] = value
    return found
