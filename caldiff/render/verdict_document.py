"""A verdict as a JSON document; docs/schemas/verdict.json is its schema."""

from __future__ import annotations

from collections.abc import Sequence

from caldiff.gate.verdict import FileVerdict, Refusal, Verdict
from caldiff.render.document import Json, document, integer, sound
from caldiff.render.verdict_words import CAUTION, Passed, reasons

__all__ = ["verdict_document"]


def verdict_document(verdict: Verdict, passed: Sequence[Passed]) -> Json:
    """The answer, every file with every rule, and what was not judged."""
    return document(
        "verdict",
        {
            "accepted": verdict.accepted,
            "policy": {"name": sound(verdict.policy), "digest": str(verdict.policy_digest)},
            "vault": sound(verdict.vault),
            "files": [_file(file) for file in verdict.files],
            "passed_over": [{"path": sound(one.path), "reason": sound(one.reason)} for one in passed],
            "notes": [sound(note) for note in verdict.notes],
            "caution": CAUTION,
        },
    )


def _file(file: FileVerdict) -> Json:
    return {
        "path": sound(file.path),
        "accepted": file.accepted,
        "file": None if file.file is None else str(file.file),
        "unit": file.unit,
        "sequence": file.sequence,
        "refusals": [_refusal(refusal) for refusal in reasons(file)],
        "rules": [{"rule": sound(r.rule), "outcome": r.outcome, "read": sound(r.read)} for r in file.rules],
    }


def _refusal(refusal: Refusal) -> Json:
    return {
        "rule": sound(refusal.rule),
        "text": sound(refusal.text),
        "found": sound(refusal.found),
        "wanted": sound(refusal.wanted),
        "address": None if refusal.address is None else integer(refusal.address),
        "table": None if refusal.table is None else sound(refusal.table),
        "unit": refusal.unit,
        "sequence": refusal.sequence,
    }
