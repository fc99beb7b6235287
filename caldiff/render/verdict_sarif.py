"""A verdict as SARIF 2.1.0 (an OASIS standard): a result for each reason. Also for a gate that met with trouble."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from typing import Any
from urllib.parse import quote

from caldiff.canonical import Digest, canonical_json
from caldiff.gate.verdict import FileVerdict, Refusal, Verdict
from caldiff.render.document import integer, sound
from caldiff.render.look import harmless
from caldiff.render.verdict_words import Passed, caution, entry_words, judged, one_line, reasons

__all__ = ["sarif_trouble", "verdict_sarif"]

_SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
_Json = dict[str, Any]


def verdict_sarif(verdict: Verdict, passed: Sequence[Passed], *, version: str) -> _Json:
    """The log of one run. ``version`` is caldiff's."""
    files = judged(verdict)
    names = (name for f in files for name in (*(r.rule for r in f.rules), *(r.rule for r in reasons(f))))
    rules = {name: n for n, name in enumerate(dict.fromkeys(map(harmless, names)))}
    artifacts = {_uri(file.path): _artifact(file) for file in files}  # once each, if one was named twice
    places = {uri: n for n, uri in enumerate(artifacts)}
    told = [f"{one.path}: not judged, for it is no image: {one.reason}" for one in passed]
    notes = [_notification("note", text) for text in (*told, *verdict.notes, *caution(verdict))]
    return _log(
        version,
        rules,
        invocation={"executionSuccessful": True, "toolExecutionNotifications": notes},
        artifacts=list(artifacts.values()),
        results=list(_results(files, rules, places)),
        properties={
            "accepted": verdict.accepted,
            "policy": sound(verdict.policy),
            "policyDigest": str(verdict.policy_digest),
            "vault": sound(verdict.vault),
        },
    )


def sarif_trouble(text: str, *, version: str) -> _Json:
    """The log of a run that came to no answer, so that no older one is taken for it."""
    lines = "; ".join(text.splitlines())
    invocation = {"executionSuccessful": False, "toolExecutionNotifications": [_notification("error", lines)]}
    return _log(version, {}, invocation=invocation)


def _log(version: str, rules: dict[str, int], *, invocation: _Json, **parts: Any) -> _Json:
    described = [{"id": harmless(name), "shortDescription": {"text": _message(f"Rule {name}")}} for name in rules]
    driver = {"name": "caldiff gate", "version": version, "rules": described}
    # The results are whole as they stand: without them this is a run that found nothing, which an error denies.
    run = {"tool": {"driver": driver}, "invocations": [invocation], "results": [], **parts}
    return {"$schema": _SCHEMA, "version": "2.1.0", "runs": [run]}


def _notification(level: str, text: str) -> _Json:
    return {"level": level, "message": {"text": _message(text)}}


def _artifact(file: FileVerdict) -> _Json:
    hashes = {} if file.file is None else {"hashes": {"sha-256": file.file.hex}}
    properties = {"accepted": file.accepted, "entry": entry_words(file.unit, file.sequence)}
    return {"location": {"uri": _uri(file.path)}, **hashes, "properties": properties}


def _results(files: Sequence[FileVerdict], rules: dict[str, int], places: dict[str, int]) -> Iterator[_Json]:
    for file in files:
        uri = _uri(file.path)
        for refusal in reasons(file):
            rule = harmless(refusal.rule)
            yield {
                "ruleId": rule,
                "ruleIndex": rules[rule],
                "kind": "fail",
                "level": "error",
                "message": {"text": _message(one_line(refusal))},
                "locations": [_location(uri, places[uri], refusal)],
                "partialFingerprints": {"reason/v1": _fingerprint(uri, refusal)},
            }


def _location(uri: str, index: int, refusal: Refusal) -> _Json:
    physical: _Json = {"artifactLocation": {"uri": uri, "index": index}}
    if refusal.address is not None and isinstance(integer(refusal.address), int):
        physical["address"] = {"absoluteAddress": refusal.address}
    logical = (
        {} if refusal.table is None else {"logicalLocations": [{"name": harmless(refusal.table), "kind": "variable"}]}
    )
    return {"physicalLocation": physical, **logical}


def _fingerprint(uri: str, refusal: Refusal) -> str:
    """The same reason for the same file has the same fingerprint, whatever numbers stand in its words."""
    about = [harmless(text) for text in (refusal.rule, refusal.table or "", refusal.unit or "")]
    return Digest.of(canonical_json([uri, str(refusal.address), *about])).hex


def _uri(path: str) -> str:
    """A path as a URI reference (RFC 3986): relative where the path is, of bytes where it is no text."""
    return ("file://" if path.startswith("/") else "") + quote(os.fsencode(path))


def _message(text: str) -> str:
    """Harmless text as a message (sections 3.11.5 and 3.11.6): no placeholder in braces, no link in brackets."""
    safe = harmless(text).replace("\\", "\\\\").replace("[", "\\[").replace("]", "\\]")
    return safe.replace("{", "{{").replace("}", "}}")
