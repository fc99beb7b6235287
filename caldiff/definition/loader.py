"""YAML files -> the normal form of a definition, with everything that is wrong found in one run."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from os import PathLike
from pathlib import Path
from typing import Any

import attrs

from caldiff.canonical import Digest
from caldiff.definition import checksum_meaning, geometry, meaning
from caldiff.definition.document import MOST_PROBLEMS
from caldiff.definition.extends import Merged, Written, ancestry, merge, written
from caldiff.definition.fields import IMAGE, NAMED
from caldiff.definition.meaning import OPEN, Context, number, within
from caldiff.definition.problems import MOST_KEPT, Problem
from caldiff.definition.shelves import Files, Folders, Shelf, read_bytes
from caldiff.definition.uncollected import uncollected
from caldiff.errors import CaldiffError, DefinitionError

__all__ = ["Loaded", "SourceFile", "load_normal", "normal_from_files", "normal_from_text"]

Entry = dict[str, Any]
_MOST_SEARCHED = 500_000
"""words looked at, all in all, to find those that were meant"""


@attrs.frozen(kw_only=True)
class SourceFile:
    """A file that a definition was read from: its name (what ``extends`` says), its path, the digest of its bytes."""

    name: str
    path: Path
    digest: Digest


@attrs.frozen(kw_only=True)
class Loaded:
    """A definition in normal form.

    Attributes:
        normal: as docs/definition-format.md describes it; of a family, only what is complete already.
        sources: the file itself, then what it extends, nearest first.
        is_family: there is no image frame.
    """

    normal: Entry = attrs.field(repr=False)
    sources: tuple[SourceFile, ...]
    is_family: bool


def load_normal(path: str | PathLike[str], *, folders: Sequence[Path] = ()) -> Loaded:
    """Read a definition file and everything that it extends.

    Args:
        path: of the YAML file.
        folders: where ``extends`` looks, after the folder of the file itself.

    Raises:
        FileError: the file cannot be read.
        DefinitionError: with everything that is wrong in it and in what it extends.
    """
    file = Path(path)
    data = read_bytes(file)
    with uncollected():
        return _load(data, str(path), file.parent, Folders(folders))


def normal_from_text(
    text: str | bytes, *, file: str = "definition.yaml", folder: Path | None = None, folders: Sequence[Path] = ()
) -> Loaded:
    """Read a definition from text, as if it stood in ``file`` within ``folder``. Raises like :func:`load_normal`."""
    data = text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass")
    with uncollected():
        return _load(data, file, folder, Folders(folders))


def normal_from_files(files: Mapping[str, bytes]) -> Loaded:
    """Read the first of some files in memory; what it extends are others of them, as ``NAME.yaml``.

    Raises:
        DefinitionError: with everything that is wrong in it and in what it extends; or there is no file.
    """
    if not files:
        raise DefinitionError([CaldiffError("there is no file to read a definition from")])
    own, data = next(iter(files.items()))
    with uncollected():
        return _load(data, own, None, Files(files))


def _load(data: bytes, file: str, folder: Path | None, shelf: Shelf) -> Loaded:
    """Read by the fast parser; where anything is wrong, all over again by the one that decides and knows the places."""
    for places in (False, True):
        chain = ancestry(written(data, file, folder, places=places), shelf, places=places)
        merged = merge(chain)
        normal, problems = _normal(merged, whole=not any(("extends", "") in w.broken for w in chain))
        if not (problems or merged.problems or any(w.problems for w in chain)):
            return Loaded(normal=normal, sources=tuple(map(_source, chain)), is_family="image" not in normal)
        if all(layer.decided for layer in chain):
            break
    found = [(w, p) for w in chain for p in w.problems] + merged.problems
    raise DefinitionError(_errors(chain, found + [(_culprit(chain, p), p) for p in problems]))


def _source(layer: Written) -> SourceFile:
    path = (layer.folder or Path()) / Path(layer.file).name
    return SourceFile(name=layer.plain["name"], path=path, digest=layer.digest)


def _errors(chain: Sequence[Written], found: Sequence[tuple[Written, Problem]]) -> list[CaldiffError]:
    """Every problem as an error, in the order of files and lines."""
    order = {layer.file: n for n, layer in enumerate(chain)}
    errors = []
    searched = 0
    for layer, problem in found[:MOST_PROBLEMS]:
        searched += len(tuple(problem.words))
        told = problem if searched < _MOST_SEARCHED else attrs.evolve(problem, word=None)
        errors.append(layer.error(told))
    errors.sort(key=lambda e: (order[e.file or ""], e.line or 0, e.column or 0))
    if len(found) > MOST_PROBLEMS:
        errors.append(CaldiffError(f"and {len(found) - MOST_PROBLEMS} problems more", file=chain[0].file))
    return errors


def _culprit(chain: Sequence[Written], problem: Problem) -> Written:
    """The nearest file in which the problem's path leads furthest; for what the whole lacks, the file itself."""
    if problem.whole:
        return chain[0]
    return max(chain, key=lambda layer: layer.find(problem)[1])


# ------------------------------------------------------------------------------------------------------- working out


def _normal(merged: Merged, *, whole: bool) -> tuple[Entry, list[Problem]]:
    """The normal form and what only the whole can tell. Without the ``whole`` (an ancestor is missing), as a family."""
    plain = merged.plain
    problems: list[Problem] = []
    image = _image(plain, problems)
    context = Context(
        byte_order=plain.get("image", {}).get("byte_order", "big"),
        erased=plain.get("image", {}).get("erased", 0xFF),
        family=("image" not in plain and ("image", "") not in merged.broken) or not whole,
        known={s: set(entries) | {n for t, n in merged.broken if t == s} for s, entries in merged.sections.items()},
    )
    normal: Entry = {"definition": 1, "name": plain.get("name", ""), **meaning.texts(plain, "title")}
    if image:
        normal["image"] = image
    _fits(context, plain, normal, problems)
    work: dict[str, Callable[[Context, str, Entry], Entry]] = {
        "identity": lambda c, _, e: meaning.identity(c, e),
        "scalings": _scaling,
        "axes": _axis,
        "tables": geometry.table,
        "regions": _region,
        "checksums": lambda c, _, e: checksum_meaning.checksum(c, e),
    }
    for section in NAMED:
        entries = _worked(context, section, merged, work[section], problems)
        if entries:
            normal[section] = entries if section not in ("regions", "checksums") else _listed(section, entries)
    for (section, name), entry in merged.unread.items():
        context.found = []
        context.references(entry)
        problems += [p.under(section, name) for p in context.found if p is not OPEN]
    problems += checksum_meaning.circles(normal.get("checksums", ()))
    return normal, problems


def _worked(
    context: Context,
    section: str,
    merged: Merged,
    work: Callable[[Context, str, Entry], Entry],
    problems: list[Problem],
) -> dict[str, Entry]:
    """All entries of a section in normal form; those with problems are left out and told."""
    found: dict[str, Entry] = {}
    broken = {name for s, name in merged.broken if s == section}
    for name, entry in merged.sections[section].items():
        if name in broken:
            continue
        if len(problems) > MOST_KEPT:
            break
        context.found = []
        done = work(context, name, entry)
        if context.found:
            problems += [p.under(section, name) for p in context.found if p is not OPEN]
        else:
            found[name] = done
    return found


def _listed(section: str, entries: dict[str, Entry]) -> list[Entry]:
    """Regions by address, checksums by name: their order in the file means nothing."""
    if section == "regions":
        return sorted(entries.values(), key=lambda e: (int(e["start"]), int(e["size"]), e["name"]))
    return [entries[name] for name in sorted(entries)]


def _scaling(context: Context, name: str, entry: Entry) -> Entry:
    found, need = meaning.scaling(context, entry)
    if not context.found:
        context.needs[name] = need
    return found


def _region(context: Context, name: str, entry: Entry) -> Entry:
    found = meaning.region(context, entry)
    if not context.found:
        context.regions[name] = (entry["at"], entry["size"])
    return found


def _axis(context: Context, name: str, entry: Entry) -> Entry:
    found, length, counted = geometry.axis(context, entry)
    if not context.found:
        context.lengths[name] = (length, counted)
    return found


def _image(plain: Entry, problems: list[Problem]) -> Entry | None:
    image = plain.get("image")
    if image is None:
        return None
    missing = [IMAGE.lacks(key).under("image") for key in IMAGE.placed if key not in image]
    problems += missing
    if missing:
        return None
    context = Context()
    within(context, image["start"], image["start"] + image["size"], "image")
    problems += context.found
    found = {"start": number(image["start"]), "size": number(image["size"]), "byte_order": image["byte_order"]}
    return found | ({"erased": image["erased"]} if image.get("erased", 0xFF) != 0xFF else {})  # noqa: PLR2004 - a byte


def _fits(context: Context, plain: Entry, normal: Entry, problems: list[Problem]) -> None:
    context.found = []
    sound = [(n, entry) for n, entry in enumerate(plain.get("fits", ())) if _sound(entry)]
    done = [meaning.fit(context, entry, n) for n, entry in sound]
    problems += [p.under("fits") for p in context.found]
    if done:
        normal["fits"] = sorted(done, key=lambda f: (int(f["at"]), str(f["any_of"])))


def _sound(entry: Entry) -> bool:
    """Whether a condition has all its values; where it lacks one, that was told when the file was read."""
    values = [*entry.values(), *(v for value in entry.values() if isinstance(value, list) for v in value)]
    return "at" in entry and len(entry) > 1 and None not in values
