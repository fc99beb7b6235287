"""Policy files -> :class:`Policy`, with everything that is wrong found in one run."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from fractions import Fraction
from functools import partial
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from caldiff.canonical import Digest, canonical_json
from caldiff.definition.json_schema import schema_of
from caldiff.definition.kinds import ADDRESSES
from caldiff.definition.problems import Problem
from caldiff.definition.sections import Section
from caldiff.definition.shelves import read_bytes
from caldiff.definition.strict import Form, read_strictly
from caldiff.errors import CaldiffError, PolicyError
from caldiff.gate.policy import (
    Approvals,
    Change,
    Checksums,
    Codes,
    DefinitionFrom,
    Evidence,
    Identity,
    Limit,
    Most,
    Policy,
    Protected,
    Range,
    Repeats,
    Signed,
    Step,
    Tables,
    Traceability,
    Visited,
)
from caldiff.gate.policy_fields import (
    AXES,
    CODES,
    DEFINITION_FROM,
    POLICY,
    POLICY_SECTIONS,
    RANGE,
    SIGNED,
    STEP,
    VISITED,
)
from caldiff.ledger.entry import KINDS
from caldiff.ledger.finding import LEVELS

if TYPE_CHECKING:
    from caldiff.evidence.channels import Channels

__all__ = ["default_policy", "load_policy", "policy_from_text", "policy_json_schema", "shipped_policies"]

T = TypeVar("T")
Tree = dict[str, Any]
_FORM = b"caldiff policy, form 1\n"
_LARGEST = 2**53 - 1


def shipped_policies() -> Path:
    """The folder of the policies that come with caldiff."""
    return Path(__file__).resolve().parent / "policies"


def default_policy() -> Policy:
    """The strict policy that comes with caldiff."""
    return load_policy(shipped_policies() / "strict.yaml")


def load_policy(path: str | PathLike[str], folders: Iterable[str | PathLike[str]] = ()) -> Policy:
    """The policy in a file; what it extends is looked for beside it, in the folders, then among the shipped ones.

    Raises:
        FileError: the file cannot be read.
        PolicyError: with everything that is wrong in it, in what it extends, and in the channels files that it names.
    """
    file = Path(path)
    return policy_from_text(read_bytes(file), file=str(path), folder=file.parent, folders=folders)


def policy_from_text(
    text: str | bytes,
    *,
    file: str = "policy.yaml",
    folder: Path | None = None,
    folders: Iterable[str | PathLike[str]] = (),
) -> Policy:
    """The policy in a text, as if it stood in ``file`` within ``folder``. Raises PolicyError as :func:`load_policy`."""
    data = text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass")
    given = [*map(Path, folders)]
    beside = _Beside([*([] if folder is None else [folder]), *given])
    form = Form(noun="policy", plural="policies", section=POLICY, check=partial(_faults, beside), error=PolicyError)
    searched = [*given, shipped_policies()]
    return _policy(read_strictly(data, form, file=file, folder=folder, folders=searched).tree, beside)


def policy_json_schema() -> dict[str, Any]:
    """The JSON Schema of a policy file, for editors; ``docs/schemas/policy.schema.json`` is this value."""
    return schema_of(POLICY, POLICY_SECTIONS, title="caldiff policy, format 1")


class _Beside:
    """The channels files that a policy names, in the first of its folders that has one of that name; each read once."""

    def __init__(self, folders: Iterable[Path]) -> None:
        self._folders = tuple(folders)
        self._known: dict[str, Channels] = {}

    def channels(self, name: str) -> Channels:
        """Raises CaldiffError."""
        from caldiff.evidence.channels_file import load_channels  # noqa: PLC0415 - brings numpy, and few ask for it

        if name not in self._known:
            path = next((folder / name for folder in self._folders if (folder / name).is_file()), None)
            if path is None:
                where = " or ".join(str(folder / name) for folder in self._folders)
                raise CaldiffError("there is no such file", expected=where or "a folder to look in")
            self._known[name] = load_channels(path, self._folders)
        return self._known[name]


# -------------------------------------------------------------------------------------- what only the whole can tell


def _faults(beside: _Beside, tree: Tree) -> Iterator[Problem]:
    """What is missing or makes no sense once everything inherited is laid in."""
    for key, section in (("definition", DEFINITION_FROM), ("codes", CODES), ("axes", AXES)):
        if key in tree:
            yield from _lacking(section, tree[key], key)
    for kind, entry in tree.get("signatures", {}).items():
        yield from _lacking(SIGNED, entry, "signatures", kind)
    for name, entry in tree.get("unexplained", {}).get("ranges", {}).items():
        yield from _range_faults(name, entry)
    if "protected" in tree and not {"tags", "regions", "roles"} & set(tree["protected"]):
        yield Problem("this protects nothing", expected="tags, regions or roles", path=("protected",))
    if "identity" in tree and not {"fields", "means"} & set(tree["identity"]):
        yield Problem("this compares nothing", expected="fields or means", path=("identity",))
    yield from _table_faults(tree)
    for sort, entry in tree.get("evidence", {}).items():
        if "visited" in entry:
            yield from _visited_faults(beside, sort, entry["visited"])


def _table_faults(tree: Tree) -> Iterator[Problem]:
    for pattern, entry in tree.get("limits", {}).items():
        yield from _limit_faults(pattern, entry)
    for pattern, entry in tree.get("changes", {}).items():
        yield from _change_faults(pattern, entry)
    for pattern, entry in tree.get("steps", {}).items():
        yield from _lacking(STEP, entry, "steps", pattern)
        yield from _negative(entry, "most", "steps", pattern)


def _lacking(section: Section, entry: Tree, *path: str) -> Iterator[Problem]:
    yield from (section.lacks(key).under(*path) for key in section.placed if key not in entry)


def _range_faults(name: str, entry: Tree) -> Iterator[Problem]:
    path = ("unexplained", "ranges", name)
    yield from _lacking(RANGE, entry, *path)
    if entry.get("at", 0) + entry.get("size", 0) > ADDRESSES:
        yield Problem("the range runs beyond the highest address there can be", path=path)


def _limit_faults(pattern: str, entry: Tree) -> Iterator[Problem]:
    if not (entry.get("definition") or "low" in entry or "high" in entry):
        yield Problem("this limits nothing", expected="low, high, or definition: true", path=("limits", pattern))
    if "low" in entry and "high" in entry and Fraction(entry["low"]) > Fraction(entry["high"]):
        yield Problem(
            "the limits are the wrong way round",
            expected=f"at least {entry['low']}",
            got=entry["high"],
            path=("limits", pattern, "high"),
        )


def _change_faults(pattern: str, entry: Tree) -> Iterator[Problem]:
    if not {"parent", "baseline"} & set(entry):
        yield Problem("this limits nothing", expected="parent or baseline", path=("changes", pattern))
    for side in ("parent", "baseline"):
        most = entry.get(side)
        if most is not None and not most:
            yield Problem("this limits nothing", expected="absolute or percent", path=("changes", pattern, side))
        for key in most or {}:
            yield from _negative(most or {}, key, "changes", pattern, side)


def _visited_faults(beside: _Beside, sort: str, entry: Tree) -> Iterator[Problem]:
    path = ("evidence", sort, "visited")
    yield from _lacking(VISITED, entry, *path)
    if sort == "readback":
        yield Problem("a readback visits no cells", expected="another sort of evidence", path=path)
    if Fraction(entry.get("seconds", 1)) <= 0:
        yield Problem("this asks for nothing", expected="more than 0", got=entry["seconds"], path=(*path, "seconds"))
    if not 0 < Fraction(entry.get("share", 1)) <= 1:
        expected = "more than 0, and at most 1"
        yield Problem("the share is out of range", expected=expected, got=entry["share"], path=(*path, "share"))
    try:
        beside.channels(entry.get("channels", ""))
    except (CaldiffError, OSError, ValueError) as error:
        if "channels" in entry:
            yield Problem(f"the channels file cannot be used: {error}", got=entry["channels"], path=(*path, "channels"))


def _negative(entry: Tree, key: str, *path: str) -> Iterator[Problem]:
    if key in entry and Fraction(entry[key]) < 0:
        yield Problem("a size is not negative", expected="0 or more", got=entry[key], path=(*path, key))


# ----------------------------------------------------------------------------------------------------- the policy


def _policy(tree: Tree, beside: _Beside) -> Policy:
    """The values of a tree without faults."""
    meaning = {key: value for key, value in tree.items() if key not in ("title", "description", "extends")}
    if "evidence" in meaning:
        meaning["evidence"] = {sort: _meant(entry, beside) for sort, entry in meaning["evidence"].items()}
    levels = {"links", "bytes", *tree.get("proof", {}).get("levels", ())}
    return Policy(
        name=tree["name"],
        digest=Digest.of(_FORM, canonical_json(_carried(meaning))),
        title=tree.get("title", ""),
        cautions=tuple(tree.get("cautions", {}).values()),
        traceability=Traceability(**_tuples(tree.get("traceability", {}))),
        proof=tuple(level for level in LEVELS if level in levels),
        definition=_one(tree, "definition", DefinitionFrom),
        signatures=_each(tree, "signatures", _signed),
        repeat=_one(tree, "repeat", Repeats),
        checksums=_one(tree, "checksums", Checksums),
        unexplained=_ranges(tree),
        protected=_one(tree, "protected", Protected),
        codes=_one(tree, "codes", Codes),
        limits=_each(tree, "limits", _limit),
        changes=_each(tree, "changes", _change),
        steps=_each(tree, "steps", _step),
        axes="axes" in tree,
        identity=_one(tree, "identity", Identity),
        evidence=_each(tree, "evidence", partial(_evidence, beside)),
        approval=_one(tree, "approval", Approvals),
    )


def _meant(entry: Tree, beside: _Beside) -> Tree:
    """Evidence with what its channels file says in place of the file's name."""
    if "visited" not in entry:
        return entry
    wanted = entry["visited"]
    return {**entry, "visited": {**wanted, "channels": beside.channels(wanted["channels"]).digest.hex}}


def _evidence(beside: _Beside, sort: str, entry: Tree) -> Evidence:
    return Evidence(
        sort=sort,
        visited=_visited(entry["visited"], beside) if "visited" in entry else None,
        **{key: value for key, value in entry.items() if key != "visited"},
    )


def _visited(entry: Tree, beside: _Beside) -> Visited:
    patterns, excluded = entry.get("tables", ["*"]), tuple(entry.get("except", ()))
    return Visited(
        channels=beside.channels(entry["channels"]),
        seconds=Fraction(entry["seconds"]),
        share=Fraction(entry.get("share", 1)),
        tables=tuple(Tables(pattern=pattern, excluded=excluded) for pattern in sorted(patterns)),
    )


def _carried(value: Any) -> Any:
    """The value as JSON carries it: integers beyond 53 bits as text."""
    match value:
        case dict():
            return {key: _carried(item) for key, item in value.items()}
        case list():
            return [_carried(item) for item in value]
        case int() if not isinstance(value, bool) and abs(value) > _LARGEST:
            return str(value)
        case _:
            return value


def _tuples(entry: Mapping[str, Any]) -> Tree:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in entry.items()}


def _one(tree: Tree, key: str, make: Callable[..., T]) -> T | None:
    return make(**_tuples(tree[key])) if key in tree else None


def _each(tree: Tree, key: str, make: Callable[[str, Tree], T]) -> tuple[T, ...] | None:
    """One value an entry, by name; None where there is none."""
    entries = tree.get(key, {})
    return tuple(make(name, entries[name]) for name in sorted(entries)) or None


def _ranges(tree: Tree) -> tuple[Range, ...] | None:
    if "unexplained" not in tree:
        return None
    entries = tree["unexplained"].get("ranges", {})
    found = (Range(name=n, start=e["at"], stop=e["at"] + e["size"], reason=e["reason"]) for n, e in entries.items())
    return tuple(sorted(found, key=lambda r: (r.start, r.stop, r.name)))


def _tables(pattern: str, entry: Tree) -> Tables:
    known = {key: entry[key] for key in ("unit", "optional", "words") if key in entry}
    return Tables(pattern=pattern, excluded=tuple(entry.get("except", ())), **known)


def _number(entry: Tree, key: str) -> Fraction | None:
    return Fraction(entry[key]) if key in entry else None


def _signed(kind: str, entry: Tree) -> Signed:
    return Signed(kind=next(known for known in KINDS if known == kind), **_tuples(entry))


def _limit(pattern: str, entry: Tree) -> Limit:
    return Limit(
        tables=_tables(pattern, entry),
        low=_number(entry, "low"),
        high=_number(entry, "high"),
        defined=entry.get("definition", False),
        cells=entry.get("cells", "all"),
    )


def _change(pattern: str, entry: Tree) -> Change:
    sides = {
        side: Most(absolute=_number(entry[side], "absolute"), percent=_number(entry[side], "percent"))
        for side in ("parent", "baseline")
        if side in entry
    }
    return Change(tables=_tables(pattern, entry), **sides)


def _step(pattern: str, entry: Tree) -> Step:
    return Step(
        tables=_tables(pattern, entry),
        most=Fraction(entry["most"]),
        along=entry.get("along", "any"),
        cells=entry.get("cells", "all"),
    )
