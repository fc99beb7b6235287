"""A table's part in the work, in normal form: what it corrects, which trouble codes it switches."""

from __future__ import annotations

from collections.abc import Iterable
from math import prod
from typing import Any

from caldiff.definition.meaning import Context

__all__ = ["purpose"]

Entry = dict[str, Any]


def purpose(context: Context, entry: Entry, found: Entry) -> None:
    """Add ``corrects`` and ``codes`` to the normal form of a table whose kind and cells are worked out."""
    if "corrects" in entry:
        _correction(context, entry["corrects"], found)
    if "codes" in entry:
        _codes(context, entry, found)


def _correction(context: Context, entry: Entry, found: Entry) -> None:
    target = entry["target"]
    if (target[0].isalpha() or target[0] == "_") and target not in context.known["tables"]:
        context.dangling("tables", "table", target, "corrects", "target")
    if target == "0":
        context.wrong("nothing can be held against a target of 0", path=("corrects", "target"))
    if found.get("kind") in {"flags", None}:
        context.wrong("flags are no factor", path=("corrects",), at_key=True, open=True)
    found["corrects"] = {key: value for key, value in entry.items() if (key, value) != ("as", "factor")}


def _codes(context: Context, entry: Entry, found: Entry) -> None:
    written = entry["codes"]
    if isinstance(written, dict):
        _known_flags(context, entry, written)
        pairs: Iterable[tuple[str, Any]] = written.items()
    else:
        cells = prod(found["cells"]["shape"]) if "shape" in found.get("cells", {}) else 1
        if "cells" in found and len(written) != cells:
            context.wrong(
                "the codes do not go with the cells",
                path=("codes",),
                expected=f"{cells}, one for each cell",
                got=str(len(written)),
            )
        pairs = ((str(n), value) for n, value in enumerate(written))
    found["codes"] = {flag: [value] if isinstance(value, str) else value for flag, value in pairs}


def _known_flags(context: Context, entry: Entry, written: Entry) -> None:
    flags = context.flags(entry)
    if flags is None:
        context.wrong(
            "codes by flag are for a table whose scaling has bits",
            path=("codes",),
            at_key=True,
            open=True,
            hint="for a block, list the codes of each cell in order",
        )
        return
    for flag in written:
        if flag not in flags:
            context.wrong(
                f"the scaling has no flag {flag}", path=("codes", flag), at_key=True, word=flag, words=sorted(flags)
            )
