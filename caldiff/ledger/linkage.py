"""Does a chain hold together, and which entry does a word name: both told from links alone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from caldiff.canonical import Digest
from caldiff.errors import LedgerError
from caldiff.ledger.link import Link

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, Protocol, TypeVar

    from caldiff.ledger.finding import Finding

    class Mark(Protocol):
        """What an entry is known by. ``Link`` and ``Entry`` both have it."""

        @property
        def sequence(self) -> int:
            """From 0."""

        @property
        def kind(self) -> str:
            """Of the entry."""

        @property
        def hash(self) -> Digest:
            """Of the payload."""

    M = TypeVar("M", bound=Mark)


__all__ = ["linkage", "named"]

_ANY = frozenset({"baseline", "repeat", "revision", "delivery", "readback", "evidence", "approval", "note", "return"})
_IMAGES = frozenset({"baseline", "repeat", "revision", "readback"})
_RAN = _IMAGES | {"delivery", "return"}
_MAY_NAME: Mapping[tuple[str, str], frozenset[str]] = {
    ("repeat", "baseline"): frozenset({"baseline"}),
    ("revision", "parent"): _IMAGES,
    ("revision", "baseline"): frozenset({"baseline"}),
    ("delivery", "of"): frozenset({"revision"}),
    ("readback", "of"): _IMAGES,
    ("evidence", "of"): _RAN,
    ("approval", "of"): frozenset({"revision"}),
    ("note", "of"): _ANY,
    ("return", "baseline"): frozenset({"baseline"}),
}
"""The kinds of entry that an entry of a kind may name, by attribute."""

_SHORTEST = 8
"""Digits of a hash that may stand for it. Fewer digits are a number in the chain."""


def linkage(unit: str, links: Sequence[Link]) -> tuple[Finding, ...]:
    """What is wrong with a chain by itself: nothing, if there is no fault among the findings.

    Args:
        unit: the id under which the chain is kept.
        links: as they are kept, in that order.
    """
    if not links:
        return (_finding(text="there is no entry", unit=unit, hint="Look for the chain's first files"),)
    return tuple(_linkage(unit, links))


def _linkage(unit: str, links: Sequence[Link]) -> Iterator[Finding]:
    before: Link | None = None
    known: dict[Digest, Link] = {}
    for link in links:
        yield from _place(unit, link, before)
        yield from _names(unit, link, known)
        known.setdefault(link.hash, link)
        before = link


def _place(unit: str, link: Link, before: Link | None) -> Iterator[Finding]:
    """What is wrong between an entry and the one before it."""
    expected = 0 if before is None else before.sequence + 1
    if link.unit != unit:
        yield _fault(unit, link, "the entry belongs to another unit", expected=unit, got=link.unit)
    if link.sequence > expected:
        last = link.sequence - 1
        missing = f"entry {expected} is missing" if expected == last else f"entries {expected} to {last} are missing"
        yield _finding(text=missing, unit=unit, sequence=expected, hint="Look for it in another copy of the vault")
    elif link.sequence < expected:
        yield _fault(unit, link, "the entry stands out of its order", expected=str(expected), got=str(link.sequence))
    elif before is None and link.kind != "baseline":
        yield _fault(unit, link, "a chain begins with a baseline read", expected="baseline", got=link.kind)
    elif before is not None and link.previous != before.hash:
        yield _fault(
            unit,
            link,
            "the entry does not follow the one before it, so one of the two was put there later",
            expected=str(before.hash),
            got=str(link.previous),
        )
    if before is not None and link.time < before.time:
        yield _finding(
            text="the entry is dated before the one that it follows",
            fault=False,
            unit=unit,
            sequence=link.sequence,
            expected=f"{before.time} or later",
            got=link.time,
        )


def _names(unit: str, link: Link, known: Mapping[Digest, Link]) -> Iterator[Finding]:
    """What is wrong with the entries that an entry names."""
    for name, digest in link.refs.items():
        named = known.get(digest)
        allowed = _MAY_NAME.get((link.kind, name), frozenset())
        if named is None:
            text = f"the {link.kind} names an entry as its {_spoken(name)} that is no earlier one of this chain"
            yield _fault(unit, link, text, got=str(digest))
        elif named.kind not in allowed:
            text = f"the {link.kind} names an entry of the wrong kind as its {_spoken(name)}"
            yield _fault(unit, link, text, expected=" or ".join(sorted(allowed)), got=f"{named.kind} {named.sequence}")
    if link.kind == "revision":
        stock = _stock_of(link.refs.get("parent"), known)
        if stock is not None and stock != link.refs.get("baseline"):
            text = "the revision names another baseline than the one that its parent descends from"
            yield _fault(unit, link, text, expected=str(stock), got=str(link.refs.get("baseline")))


def _stock_of(start: Digest | None, known: Mapping[Digest, Link]) -> Digest | None:
    """The baseline that an entry descends from, None where the way to it is broken."""
    at = known.get(start) if start is not None else None
    while at is not None and at.kind == "readback":
        earlier = known.get(at.refs["of"]) if "of" in at.refs else None
        at = earlier if earlier is not None and earlier.sequence < at.sequence else None
    if at is None:
        return None
    return at.hash if at.kind == "baseline" else at.refs.get("baseline")


def _spoken(name: str) -> str:
    return "subject" if name == "of" else name


def _finding(**facts: Any) -> Finding:
    from caldiff.ledger.finding import Finding  # noqa: PLC0415 - a chain that holds has none to make

    return Finding(level="links", **facts)


def _fault(unit: str, link: Link, text: str, *, expected: str | None = None, got: str | None = None) -> Finding:
    return _finding(text=text, unit=unit, sequence=link.sequence, expected=expected, got=got)


def named(marks: Sequence[M], text: str) -> M:
    """The entry that a word names.

    Args:
        marks: the entries of a chain, in its order.
        text: a sequence number; ``baseline``, the newest of that kind; ``latest``, the newest revision; ``head``, the
            newest entry; or a hash, of which at least 8 digits.

    Raises:
        LedgerError: no entry is named so, or several are.
    """
    found = _named(marks, text.strip().lower().removeprefix("sha256:"))
    if len(found) == 1:
        return found[0]
    if found:
        several = ", ".join(f"{mark.sequence} ({mark.kind})" for mark in found[:8])
        raise LedgerError(f"{text[:80]!r} names several entries", got=several, hint="Give more of the hash")
    raise LedgerError(f"no entry is named {text[:80]!r}", expected=_candidates(marks))


def _named(marks: Sequence[M], word: str) -> list[M]:
    if word == "head":
        return list(marks[-1:])
    if word in {"baseline", "latest"}:
        kind = "revision" if word == "latest" else word
        return [mark for mark in marks if mark.kind == kind][-1:]
    if len(word) >= _SHORTEST:
        return [mark for mark in marks if mark.hash.hex.startswith(word)]
    return [mark for mark in marks if word.isascii() and word.isdigit() and mark.sequence == int(word)]


def _candidates(marks: Sequence[Mark]) -> str:
    """What would have named one."""
    if not marks:
        return "nothing, for there is no entry"
    kinds = {mark.kind for mark in marks}
    words = [word for word, kind in (("baseline", "baseline"), ("latest", "revision")) if kind in kinds]
    numbers = f"a number from {marks[0].sequence} to {marks[-1].sequence}"
    return ", ".join([*words, "head", numbers, f"or {_SHORTEST} digits of a hash"])
