"""Other YAML files read as strictly as definitions, such as policies: small ones, all by the parser with places."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import attrs

from caldiff.canonical import Digest
from caldiff.definition.ancestor import ENDING, ancestor
from caldiff.definition.document import MOST_PROBLEMS, Place, decoded, read
from caldiff.definition.extends import laid
from caldiff.definition.kinds import is_name
from caldiff.definition.problems import Problem, Wrong, as_error
from caldiff.definition.sections import Section
from caldiff.definition.shelves import read_bytes
from caldiff.errors import CaldiffError, FileError, ProblemsError

__all__ = ["Form", "Strict", "read_strictly"]

Tree = dict[str, Any]
_MOST_ANCESTORS = 32


@attrs.frozen(kw_only=True)
class Form:
    """A sort of file.

    Attributes:
        noun: what messages call it, which is also the key that gives its version, such as ``policy``.
        plural: of the noun.
        section: what may stand in it.
        check: what only the whole can tell, given the file laid over all that it extends.
        error: raised with everything that is wrong.
        own: keys that are not inherited.
    """

    noun: str
    plural: str
    section: Section
    error: type[ProblemsError]
    check: Callable[[Tree], Iterable[Problem]] = lambda _: ()
    own: tuple[str, ...] = ("name", "title", "description", "extends")


@attrs.frozen(kw_only=True)
class Strict:
    """What a file says, laid over what it extends; ``sources``: names and digests of all files, the own one first."""

    tree: Tree = attrs.field(repr=False)
    sources: tuple[tuple[str, Digest], ...]


@attrs.define(eq=False)
class _Layer:
    """One file by itself."""

    file: str
    digest: Digest
    folder: Path | None
    tree: Tree = attrs.Factory(dict)
    places: Place | None = None
    problems: list[Problem] = attrs.Factory(list)

    def find(self, problem: Problem) -> tuple[Place, int]:
        """Where the problem's path leads in this file, and for how many steps."""
        return self.places.find(problem.path, at_key=problem.at_key) if self.places else (Place(1, 1), 0)

    def error(self, problem: Problem) -> CaldiffError:
        """The problem with its place in this file, and the word that was probably meant."""
        line, column = problem.line, problem.column
        if line is None and self.places:
            place, _ = self.find(problem)
            line, column = place.line, place.column
        return as_error(problem, file=self.file, line=line, column=column)


def read_strictly(
    data: bytes, form: Form, *, file: str, folder: Path | None = None, folders: Sequence[Path] = ()
) -> Strict:
    """Read a file of that form and everything that it extends, and find everything that is wrong in one run.

    Args:
        data: the bytes of the file.
        form: what sort of file it is.
        file: what messages call it.
        folder: where it stands, and where ``extends`` looks first.
        folders: where ``extends`` looks then.

    Raises:
        ProblemsError: of the form's own class, with all problems and their places.
    """
    chain = [_layer(data, form, file, folder)]
    names = [str(chain[0].tree.get("name", ""))]
    while name := chain[-1].tree.get("extends"):
        names.append(name)
        try:
            chain.append(_ancestor(names, form, chain[-1].folder, folders))
        except Wrong as wrong:
            chain[-1].problems += wrong.under("extends")
            break
    tree = _merged(chain, form)
    if not any(layer.problems for layer in chain):
        for problem in form.check(tree):
            _culprit(chain, problem).problems.append(problem)
    errors = [layer.error(problem) for layer in chain for problem in _in_order(layer)]
    if errors:
        more = len(errors) - MOST_PROBLEMS
        told = errors[:MOST_PROBLEMS]
        raise form.error([*told, CaldiffError(f"and {more} problems more", file=file)] if more > 0 else told)
    return Strict(tree=tree, sources=tuple((str(layer.tree.get("name", "")), layer.digest) for layer in chain))


def _layer(data: bytes, form: Form, file: str, folder: Path | None) -> _Layer:
    found = _Layer(file=file, digest=Digest.of(data), folder=folder)
    try:
        document = read(decoded(data, what=form.noun), places=True, what=form.noun)
        found.places, found.problems = document.places, document.problems
        # What is wrong in one place shall not hide that there is no such file to extend.
        names = {key: document.tree.get(key) for key in ("name", "extends")}
        found.tree = {key: name for key, name in names.items() if is_name(name)}
        found.tree = form.section.read(document.tree)
    except Wrong as wrong:
        found.problems += wrong.problems
    return found


def _ancestor(names: Sequence[str], form: Form, beside: Path | None, folders: Sequence[Path]) -> _Layer:
    """The last of the names, read; the others are those on the way to it."""
    name = names[-1]
    if name in names[:-1]:
        raise Wrong(f"the {form.plural} extend one another in a ring", got=" -> ".join(names))
    if len(names) - 1 > _MOST_ANCESTORS:
        raise Wrong(f"too many {form.plural} extend one another", expected=f"at most {_MOST_ANCESTORS}")
    searched = [one for one in (beside, *folders) if one is not None]
    path = ancestor(name, None, searched)
    if path is None:
        raise Wrong(
            f"there is no {form.noun} {name}",
            expected=" or ".join(str(one / f"{name}{ENDING}") for one in searched) or "a folder to look in",
            word=name,
            words={p.stem for one in searched if one.is_dir() for p in one.glob(f"*{ENDING}")},
            hint=f"put the file beside this one, or in a folder where {form.plural} are found",
        )
    try:
        found = _layer(read_bytes(path), form, str(path), path.parent)
    except FileError as error:
        raise Wrong(error.reason, got=str(path)) from None
    own = found.tree.get("name", name)
    if own != name:
        reason = f"the file is not called after its {form.noun}"
        found.problems.append(Problem(reason, expected=name, got=str(own), path=("name",)))
    return found


def _merged(chain: Sequence[_Layer], form: Form) -> Tree:
    """Every file laid over its ancestors, key by key; a null takes away."""
    tree: Tree = {}
    for layer in reversed(chain):
        below = {key: value for key, value in tree.items() if key not in form.own and key != form.noun}
        tree = laid(below, layer.tree, (), layer.problems, nulls=True)
    return tree


def _culprit(chain: Sequence[_Layer], problem: Problem) -> _Layer:
    """The nearest file in which the problem's path leads furthest."""
    return max(chain, key=lambda layer: layer.find(problem)[1])


def _in_order(layer: _Layer) -> list[Problem]:
    """The problems of a file as they stand in it."""

    def place(problem: Problem) -> tuple[int, int]:
        if problem.line is not None:
            return problem.line, problem.column or 0
        found, _ = layer.find(problem)
        return found.line, found.column

    return sorted(layer.problems, key=place)
