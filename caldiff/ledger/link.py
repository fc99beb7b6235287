"""``Link``: what of an entry makes the chain, read cheaply. Walking, restoring and appending need no more than this."""

from __future__ import annotations

import re
from collections.abc import Mapping

from caldiff.canonical import Digest
from caldiff.errors import LedgerError
from caldiff.ledger.plain import LARGEST, plain
from caldiff.value import Plain

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

__all__ = ["PREDICATE_TYPE", "STATEMENT_TYPE", "TIME", "Link", "check_unit", "opened", "read_link", "stand_in"]

STATEMENT_TYPE = "https://in-toto.io/Statement/v1"
PREDICATE_TYPE = "https://caldiff.invalid/ledger/entry/v1"
"""A name, never an address: nothing resolves below ``.invalid`` (RFC 2606)."""

_KINDS = {"baseline", "repeat", "revision", "delivery", "readback", "evidence", "approval", "note", "return"}
_FILELESS = {"approval", "note"}
_REFS = ("of", "parent", "baseline")
_UNIT = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,62}[A-Za-z0-9_-])?", re.ASCII)
TIME = re.compile(r"[0-9]{4}-[01][0-9]-[0-3][0-9]T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]Z", re.ASCII)
"""How a time is written. That there is such a day is for :mod:`caldiff.ledger.entry` to see."""
_HEX = re.compile(r"[0-9a-f]{64}", re.ASCII)
_ALWAYS = ("unit", "sequence", "previous", "kind", "time", "files")
_AT_TIMES = ("author", "message")


class Link(Plain):
    """What of an entry makes the chain.

    Attributes:
        unit, sequence, previous, kind, time: as in :class:`caldiff.ledger.entry.Entry`.
        hash: SHA-256 of the payload.
        subjects: name and digest of its files.
        refs: the entries that it names, by ``of``, ``parent`` and ``baseline``, as far as its kind has them.
        payload: the bytes that it was read from.
    """

    __slots__ = ("hash", "kind", "payload", "previous", "refs", "sequence", "subjects", "time", "unit")
    unit: str
    sequence: int
    previous: Digest | None
    kind: str
    time: str
    hash: Digest
    subjects: tuple[tuple[str, Digest], ...]
    refs: Mapping[str, Digest]
    payload: bytes

    def __init__(  # noqa: PLR0913 - one keyword an attribute
        self,
        *,
        unit: str,
        sequence: int,
        previous: Digest | None,
        kind: str,
        time: str,
        hash: Digest,  # noqa: A002 - what it is
        subjects: tuple[tuple[str, Digest], ...],
        refs: Mapping[str, Digest],
        payload: bytes,
    ) -> None:
        self._set(unit=unit, sequence=sequence, previous=previous, kind=kind, time=time, hash=hash)
        self._set(subjects=subjects, refs=refs, payload=payload)

    def __hash__(self) -> int:
        return hash((Link, self.hash))

    def __repr__(self) -> str:
        return f"<Link {self.sequence} of {self.unit}: {self.kind}, {self.hash.short}>"


def read_link(payload: bytes) -> Link:
    """The link that a payload makes. What the entry says beyond that is not looked at.

    Raises:
        LedgerError: the payload is no entry.
    """
    return opened(payload)[0]


def check_unit(unit: str) -> str:
    """The id of a unit, as it was given.

    Raises:
        LedgerError: it is none.
    """
    if not _UNIT.fullmatch(unit):
        raise LedgerError(
            f"{unit[:80]!r} is no id of a unit",
            expected="1 to 64 letters, digits, '.', '_' and '-', that begin with a letter or digit and end with no dot",
        )
    return unit


def opened(payload: bytes) -> tuple[Link, dict[str, Any]]:
    """The link, and the predicate that it was read from: its body stands under the name of its kind, unchecked.

    Raises:
        LedgerError: the payload is no entry.
    """
    statement = plain(payload, what="entry", most=LARGEST)
    _keys(statement, "the statement", ("_type", "subject", "predicateType", "predicate"))
    _same(statement["_type"], STATEMENT_TYPE, "_type")
    _same(statement["predicateType"], PREDICATE_TYPE, "predicateType")
    predicate = statement["predicate"]
    kind = predicate.get("kind") if isinstance(predicate, dict) else None
    if not isinstance(kind, str) or kind not in _KINDS:
        raise LedgerError("the entry is of no known kind", expected=", ".join(sorted(_KINDS)), got=_seen(kind))
    _keys(predicate, "the predicate", (*_ALWAYS, kind), _AT_TIMES)
    body = predicate[kind]
    if not isinstance(body, dict):
        raise LedgerError(f"{kind} is of the wrong type", expected="an object", got=_seen(body))
    link = Link(
        unit=_unit(predicate["unit"]),
        sequence=_count(predicate["sequence"], "sequence"),
        previous=None if predicate["previous"] is None else _digest(predicate["previous"], "previous"),
        kind=kind,
        time=_time(predicate["time"]),
        hash=Digest.of(payload),
        subjects=_subjects(statement["subject"]),
        refs={name: _digest(body[name], f"{kind}.{name}") for name in _REFS if body.get(name) is not None},
        payload=payload,
    )
    return _placed(link, _count(predicate["files"], "files")), predicate


def stand_in(unit: str, of: Digest | None, previous: Digest | None) -> tuple[str, Digest]:
    """The subject of an entry without files, since an in-toto Statement needs one: the entry that it is about.

    Raises:
        LedgerError: it is about none, and none is before it.
    """
    about = of or previous
    if about is None:
        raise LedgerError("an entry without files cannot be the first", hint="Record the baseline read first")
    return f"entry of {unit}", about


def _placed(link: Link, files: int) -> Link:
    """The link, whose files are there, once its place and they agree with what it is."""
    if (link.sequence == 0) != (link.previous is None):
        raise LedgerError("the first entry, and only that, has none before it", got=f"sequence {link.sequence}")
    if files:
        if files != len(link.subjects):
            raise LedgerError("not every subject is a file", expected=f"{files} subjects", got=str(len(link.subjects)))
        return link
    if link.kind not in _FILELESS:
        raise LedgerError(f"the {link.kind} has no file", hint="Only an approval and a note may do without")
    if link.subjects != (stand_in(link.unit, link.refs.get("of"), link.previous),):
        raise LedgerError("the subject is not the entry that this one is about", got=f"{link.subjects[0][0]!r}")
    return Link(**{name: getattr(link, name) for name in Link.__slots__} | {"subjects": ()})


def _subjects(value: object) -> tuple[tuple[str, Digest], ...]:
    if not isinstance(value, list) or not value:
        raise LedgerError("subject is of the wrong type", expected="a list of files", got=_seen(value))
    found = []
    for item in value:
        _keys(item, "a subject", ("name", "digest"))
        _keys(item["digest"], "the digest of a subject", ("sha256",))
        if not isinstance(item["name"], str):
            raise LedgerError("the name of a subject is of the wrong type", expected="text", got=_seen(item["name"]))
        found.append((item["name"], _digest(item["digest"]["sha256"], "the digest of a subject")))
    if len(set(found)) != len(found):
        raise LedgerError("a file stands twice among the subjects")
    return tuple(found)


def _keys(value: object, what: str, needed: tuple[str, ...], at_times: tuple[str, ...] = ()) -> None:
    if not isinstance(value, dict):
        raise LedgerError(f"{what} is of the wrong type", expected="an object", got=_seen(value))
    if missing := [key for key in needed if key not in value]:
        raise LedgerError(f"{what} lacks {', '.join(missing)}")
    if unknown := [key for key in value if key not in needed and key not in at_times]:
        raise LedgerError(f"{what} has an unknown key", got=_seen(unknown[0]), expected=", ".join(needed + at_times))


def _same(value: object, expected: str, what: str) -> None:
    if value != expected:
        raise LedgerError(f"{what} is another one", expected=expected, got=_seen(value))


def _count(value: object, what: str) -> int:
    if type(value) is not int or value < 0:
        raise LedgerError(f"{what} is of the wrong type", expected="a whole number from 0 on", got=_seen(value))
    return value


def _digest(value: object, what: str) -> Digest:
    if not isinstance(value, str) or not _HEX.fullmatch(value):
        raise LedgerError(f"{what} is no SHA-256", expected="64 lower-case hexadecimal digits", got=_seen(value))
    return Digest(hex=value)


def _unit(value: object) -> str:
    if not isinstance(value, str):
        raise LedgerError("unit is of the wrong type", expected="text", got=_seen(value))
    return check_unit(value)


def _time(value: object) -> str:
    if not isinstance(value, str) or not TIME.fullmatch(value):
        raise LedgerError("time is no time in UTC", expected="a form like 2026-03-11T09:30:00Z", got=_seen(value))
    return value


def _seen(value: object) -> str:
    """A value as an error shows it."""
    match value:
        case dict():
            return "an object"
        case list():
            return "a list"
        case _:
            return f"{value!r:.80}"
