"""``Entry`` <-> payload: an in-toto Statement (v1) in canonical JSON. One entry has one payload, byte for byte."""

from __future__ import annotations

from typing import Any, get_args

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import LedgerError
from caldiff.ledger.entry import Body, Draft, Entry, Subject
from caldiff.ledger.form import form_of
from caldiff.ledger.link import PREDICATE_TYPE, STATEMENT_TYPE, Link, check_unit, opened, stand_in
from caldiff.ledger.plain import LARGEST

__all__ = ["place", "read_entry"]

_BODIES = {body.kind: body for body in get_args(Body)}


def place(draft: Draft, *, unit: str, sequence: int, previous: Digest | None) -> tuple[Entry, bytes]:
    """Give an entry its place in a chain: the entry, and the payload that is it.

    The entry is read back from the payload, so nothing is ever written that cannot be read. Pairs come back by key.

    Args:
        draft: what is recorded.
        unit: the chain's.
        sequence: of the entry, from 0.
        previous: hash of the entry before; None for the first.

    Raises:
        LedgerError: it cannot be an entry at this place, or it is too large.
    """
    payload = _payload(draft, check_unit(unit), sequence, previous)
    if len(payload) > LARGEST:
        raise LedgerError("the entry is too large", expected=f"at most {LARGEST} bytes", got=f"{len(payload)} bytes")
    return read_entry(payload), payload


def read_entry(payload: bytes) -> Entry:
    """The entry that a payload is.

    Raises:
        LedgerError: it is none: no canonical JSON, an unknown or missing key, a value of the wrong type, or a value
            that is written out where it is left out.
    """
    link, predicate = opened(payload)
    entry = _entry(link, predicate)
    if _payload(entry.draft, entry.unit, entry.sequence, entry.previous) != payload:
        raise LedgerError(
            f"the {link.kind} is not written in its one form", hint="A value at its default has to be left out"
        )
    return entry


def _entry(link: Link, predicate: dict[str, Any]) -> Entry:
    text = form_of(str)
    draft = Draft(
        body=form_of(_BODIES[link.kind]).read(predicate[link.kind], link.kind),
        time=link.time,
        author=text.read(predicate.get("author", ""), "author"),
        message=text.read(predicate.get("message", ""), "message"),
        subjects=tuple(Subject(name=name, file=file) for name, file in link.subjects),
    )
    return Entry(unit=link.unit, sequence=link.sequence, previous=link.previous, draft=draft, hash=link.hash)


def _payload(draft: Draft, unit: str, sequence: int, previous: Digest | None) -> bytes:
    body = draft.body
    kind: Any = type(body)
    files = [(subject.name, subject.file) for subject in draft.subjects]
    subjects = files or [stand_in(unit, getattr(body, "of", None), previous)]
    words = {"author": draft.author, "message": draft.message}
    predicate = {
        "unit": unit,
        "sequence": sequence,
        "previous": None if previous is None else previous.hex,
        "kind": body.kind,
        "time": draft.time,
        "files": len(files),
        body.kind: form_of(kind).write(body),
        **{name: text for name, text in words.items() if text},
    }
    statement = {
        "_type": STATEMENT_TYPE,
        "subject": [{"name": name, "digest": {"sha256": file.hex}} for name, file in subjects],
        "predicateType": PREDICATE_TYPE,
        "predicate": predicate,
    }
    try:
        return canonical_json(statement)
    except (TypeError, ValueError) as error:
        raise LedgerError("the entry holds what cannot be recorded", got=str(error)) from None
