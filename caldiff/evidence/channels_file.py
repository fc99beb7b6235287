"""Channels files -> :class:`Channels`, with everything that is wrong found in one run."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from os import PathLike
from pathlib import Path
from typing import Any

from caldiff.canonical import Digest
from caldiff.definition.json_schema import schema_of
from caldiff.definition.problems import Problem
from caldiff.definition.shelves import read_bytes
from caldiff.definition.strict import Form, read_strictly
from caldiff.errors import ChannelsError
from caldiff.evidence.channels import Channels, Source
from caldiff.evidence.channels_fields import CHANNELS, CHANNELS_SECTIONS
from caldiff.evidence.conditions import GAP, Conditions, Steady, Window

__all__ = ["channels_from_text", "channels_json_schema", "load_channels"]

Tree = dict[str, Any]
_LONGEST = 86_400
"""seconds that a condition may reach"""
_LONGEST_GAP = 600
"""seconds; well below what is put where a clock was set back"""


def load_channels(path: str | PathLike[str], folders: Iterable[str | PathLike[str]] = ()) -> Channels:
    """The channels file at a path; what it extends is looked for beside it, then in the folders.

    Raises:
        FileError: the file cannot be read.
        ChannelsError: with everything that is wrong in it and in what it extends.
    """
    file = Path(path)
    return channels_from_text(read_bytes(file), file=str(path), folder=file.parent, folders=folders)


def channels_from_text(
    text: str | bytes,
    *,
    file: str = "channels.yaml",
    folder: Path | None = None,
    folders: Iterable[str | PathLike[str]] = (),
) -> Channels:
    """The channels file in a text, as if it stood in ``folder``. Raises ChannelsError as :func:`load_channels`."""
    data = text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass")
    form = Form(noun="channels", plural="channels files", section=CHANNELS, check=_faults, error=ChannelsError)
    found = read_strictly(data, form, file=file, folder=folder, folders=[*map(Path, folders)])
    digests = [digest for _, digest in found.sources]
    whole = digests[0] if len(digests) == 1 else Digest.of(*(bytes.fromhex(digest.hex) for digest in digests))
    return _channels(found.tree, whole)


def channels_json_schema() -> dict[str, Any]:
    """The JSON Schema of a channels file, for editors; ``docs/schemas/channels.schema.json`` is this value."""
    return schema_of(CHANNELS, CHANNELS_SECTIONS, title="caldiff channels, format 1")


def _faults(tree: Tree) -> Iterator[Problem]:
    """What makes no sense once everything inherited is laid in."""
    for quantity, sources in tree.get("quantities", {}).items():
        for source in sources:
            if "stoichiometric" in source and Fraction(source["stoichiometric"]) <= 0:
                path = ("quantities", quantity)
                yield _problem("this is no ratio of masses", "more than 0", source["stoichiometric"], *path)
    conditions = tree.get("conditions", {})
    if "gap" in conditions:
        yield from _seconds(conditions["gap"], "conditions", "gap", most=_LONGEST_GAP)
    if "after" in conditions:
        yield from _seconds(conditions["after"], "conditions", "after", zero=True)
    for quantity, window in conditions.get("windows", {}).items():
        yield from _window_faults(window, "conditions", "windows", quantity)
    for quantity, steady in conditions.get("steady", {}).items():
        yield from _steady_faults(steady, "conditions", "steady", quantity)


def _window_faults(window: Tree, *path: str) -> Iterator[Problem]:
    if not {"least", "greatest"} & set(window):
        yield Problem("this bounds nothing", expected="least or greatest", path=path)
    elif {"least", "greatest"} <= set(window) and Fraction(window["least"]) > Fraction(window["greatest"]):
        expected = f"at least {window['least']}"
        yield _problem("the bounds are the wrong way round", expected, window["greatest"], *path, "greatest")


def _steady_faults(steady: Tree, *path: str) -> Iterator[Problem]:
    if Fraction(steady["within"]) < 0:
        yield _problem("a width is not negative", "0 or more", steady["within"], *path, "within")
    yield from _seconds(steady["for"], *path, "for")


def _problem(reason: str, expected: str, got: str, *path: str) -> Problem:
    return Problem(reason, expected=expected, got=got, path=path)


def _seconds(value: str, *path: str, zero: bool = False, most: int = _LONGEST) -> Iterator[Problem]:
    number = Fraction(value)
    if not 0 <= number <= most or (number == 0 and not zero):
        expected = f"{'0' if zero else 'more than 0'}, and at most {most} seconds"
        yield Problem("the time is out of range", expected=expected, got=value, path=path)


def _channels(tree: Tree, digest: Digest) -> Channels:
    time = tree.get("time", {})
    return Channels(
        name=tree["name"],
        digest=digest,
        title=tree.get("title", ""),
        time_names=tuple(time.get("names", ())),
        time_unit=time.get("unit"),
        decimal=tree.get("decimal"),
        spellings=tuple(sorted(tree.get("units", {}).items())),
        quantities=tuple((name, tuple(map(_source, sources))) for name, sources in tree.get("quantities", {}).items()),
        conditions=_conditions(tree.get("conditions", {})),
    )


def _source(entry: Tree) -> Source:
    return Source(names=tuple(entry["names"]), unit=entry.get("unit"), stoichiometric=_number(entry, "stoichiometric"))


def _conditions(entry: Tree) -> Conditions:
    windows = entry.get("windows", {})
    return Conditions(
        gap=Fraction(entry["gap"]) if "gap" in entry else GAP,
        after=Fraction(entry.get("after", 0)),
        windows=tuple(
            Window(
                quantity=name,
                least=_number(window, "least"),
                greatest=_number(window, "greatest"),
                unit=window.get("unit"),
            )
            for name, window in windows.items()
        ),
        steady=tuple(
            Steady(
                quantity=name,
                within=Fraction(steady["within"]),
                seconds=Fraction(steady["for"]),
                unit=steady.get("unit"),
            )
            for name, steady in entry.get("steady", {}).items()
        ),
    )


def _number(entry: Tree, key: str) -> Fraction | None:
    return Fraction(entry[key]) if key in entry else None
