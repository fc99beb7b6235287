"""A verdict as JUnit XML: a suite for each file, a case for each rule. Also for a gate that met with trouble."""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree as ET

from caldiff.gate.verdict import FileVerdict, Refusal, RuleOutcome, Verdict
from caldiff.render.look import harmless
from caldiff.render.verdict_words import Passed, caution, entry_words, judged, one_line, reasons

__all__ = ["junit_trouble", "verdict_junit"]


def verdict_junit(verdict: Verdict, passed: Sequence[Passed]) -> bytes:
    """The document. What was not judged, the notes and the caution stand in the output of a suite of their own."""
    root = ET.Element("testsuites", name="caldiff gate")
    for file in judged(verdict):
        root.append(_suite(file, verdict))
    _count(root)
    about = ET.SubElement(root, "testsuite", name="about this run", tests="0", failures="0", errors="0", skipped="0")
    lines = [f"{one.path}: not judged, for it is no image: {one.reason}" for one in passed]
    output = "\n".join(harmless(line) for line in (*lines, *verdict.notes, *caution(verdict)))
    ET.SubElement(about, "system-out").text = output
    return _document(root)


def junit_trouble(text: str) -> bytes:
    """The document of a run that came to no answer, so that no older one is taken for it."""
    root = ET.Element("testsuites", name="caldiff gate")
    suite = ET.SubElement(root, "testsuite", name="caldiff gate")
    case = ET.SubElement(suite, "testcase", name="gate", classname="caldiff gate")
    error = ET.SubElement(case, "error", type="trouble", message="the gate came to no answer")
    error.text = _lines(text)
    _count(root)
    return _document(root)


def _suite(file: FileVerdict, verdict: Verdict) -> ET.Element:
    suite = ET.Element("testsuite", name=harmless(file.path))
    properties = ET.SubElement(suite, "properties")
    for name, value in (
        ("policy", verdict.policy),
        ("policy digest", str(verdict.policy_digest)),
        ("vault", verdict.vault),
        ("file digest", "" if file.file is None else str(file.file)),
        ("entry", entry_words(file.unit, file.sequence)),
    ):
        if value:
            ET.SubElement(properties, "property", name=name, value=harmless(value))
    for rule in file.rules:
        if rule.outcome != "refused":
            suite.append(_held(rule, file))
    by_rule: dict[str, list[Refusal]] = {}
    for refusal in reasons(file):
        by_rule.setdefault(refusal.rule, []).append(refusal)
    for name, refusals in by_rule.items():
        suite.append(_refused(name, refusals, file))
    return suite


def _case(rule: str, file: FileVerdict) -> ET.Element:
    return ET.Element("testcase", name=harmless(rule), classname=harmless(file.path))


def _held(rule: RuleOutcome, file: FileVerdict) -> ET.Element:
    case = _case(rule.rule, file)
    if rule.outcome == "not asked":
        ET.SubElement(case, "skipped", message="the policy does not ask for it")
    if rule.read:
        ET.SubElement(case, "system-out").text = harmless(rule.read)
    return case


def _refused(rule: str, refusals: Sequence[Refusal], file: FileVerdict) -> ET.Element:
    case = _case(rule, file)
    first = harmless(refusals[0].text)
    more = f" (and {len(refusals) - 1} more)" if len(refusals) > 1 else ""
    failure = ET.SubElement(case, "failure", type=harmless(rule), message=first + more)
    failure.text = "\n".join(harmless(one_line(refusal)) for refusal in refusals)
    return case


def _count(root: ET.Element) -> None:
    """Set the numbers of cases, failures, errors and cases that were left out, of every suite and of all."""
    totals = {"tests": 0, "failures": 0, "errors": 0}
    for suite in root.iter("testsuite"):
        counts = {
            "tests": len(suite.findall("testcase")),
            "failures": len(suite.findall("testcase/failure")),
            "errors": len(suite.findall("testcase/error")),
        }
        for name, count in counts.items():
            suite.set(name, str(count))
            totals[name] += count
        suite.set("skipped", str(len(suite.findall("testcase/skipped"))))
    for name, count in totals.items():
        root.set(name, str(count))


def _lines(text: str) -> str:
    return "\n".join(harmless(line) for line in text.splitlines())


def _document(root: ET.Element) -> bytes:
    ET.indent(root)
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"
