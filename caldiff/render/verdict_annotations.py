"""A verdict as workflow annotations: lines that a CI runner shows beside the files of a change.

``::error file=PATH,title=RULE::MESSAGE``, where ``%``, carriage return and line feed of the message, and of a property
also colon and comma, are written as ``%25`` and so on. Form and escapes are those of the registry's package
``@actions/core`` (``lib/command.js``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from caldiff.gate.verdict import Verdict
from caldiff.render.look import harmless
from caldiff.render.verdict_words import Passed, caution, headline, judged, one_line, reasons, tame

__all__ = ["verdict_annotations"]


def verdict_annotations(verdict: Verdict, passed: Sequence[Passed]) -> str:
    """An error for every reason, a notice for what was not judged, and the answer at the end."""
    return "\n".join(_lines(verdict, passed)) + "\n"


def _lines(verdict: Verdict, passed: Sequence[Passed]) -> Iterator[str]:
    for file in judged(verdict):
        for refusal in reasons(file):
            yield _line("error", one_line(refusal), file=file.path, title=f"caldiff gate: {refusal.rule}")
    for one in passed:
        yield _line("notice", f"not judged, for it is no image: {one.reason}", file=one.path, title="caldiff gate")
    for note in verdict.notes:
        yield _line("notice", note, title="caldiff gate")
    text = " ".join((f"{headline(verdict)}; policy {verdict.policy}.", *caution(verdict)))
    yield _line("notice" if verdict.accepted else "error", text, title="caldiff gate")


def _line(command: str, message: str, **properties: str) -> str:
    told = ",".join(f"{name}={_property(text)}" for name, text in properties.items())
    return f"::{command} {told}::{_data(message)}"


def _data(text: str) -> str:
    return tame(text).replace("%", "%25")  # line ends are shown already, not kept


def _property(text: str) -> str:
    safe = harmless(text).replace("##", r"#\x23")  # two colons are no harm here, and a path is to come out as it is
    return safe.replace("%", "%25").replace(":", "%3A").replace(",", "%2C")
