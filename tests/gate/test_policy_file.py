"""Policy files: read strictly, laid over one another, everything wrong found in one run and said where."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import attrs
import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition import document
from caldiff.errors import FileError, PolicyError
from caldiff.gate.policy import Approvals, Change, Evidence, Limit, Most, Policy, Range, Signed, Step, Tables
from caldiff.gate.policy_fields import POLICY, POLICY_SECTIONS
from caldiff.gate.policy_file import (
    default_policy,
    load_policy,
    policy_from_text,
    policy_json_schema,
    shipped_policies,
)
from caldiff.gate.rules.every import RULES

ROOT = Path(__file__).parents[2]
CHECK = jsonschema.Draft202012Validator(policy_json_schema())
HEAD = "policy: 1\nname: made\n"


def problems(text: str | bytes, **more: Any) -> list[str]:
    with pytest.raises(PolicyError) as caught:
        policy_from_text(text, **more)
    return [f"{error}" + (f" [{error.hint}]" if error.hint else "") for error in caught.value.problems]


def as_json(value: Any) -> Any:
    """A policy as an editor's YAML parser gives it."""
    match value:
        case document.Decimals():
            return float(value)
        case dict():
            return {k: as_json(v) for k, v in value.items()}
        case list():
            return [as_json(v) for v in value]
        case _:
            return value


def valid(text: str) -> bool:
    return CHECK.is_valid(as_json(document.read(document.decoded(text.encode()), places=True).tree))


# ------------------------------------------------------------------------------------------------------------- values


def test_every_value_is_where_it_belongs() -> None:
    text = (
        HEAD
        + """
traceability: {kinds: [baseline, revision], by: file}
proof: {levels: [head]}
signatures: {revision: {roles: [calibrator, approver], people: 2}}
unexplained: {ranges: {late: {at: 0x200, size: 1 KiB, reason: r}, early: {at: 16, size: 1, reason: s}}}
limits: {"boost_*": {low: -1/3, high: 2.5, unit: bar, cells: changed, except: [boost_x], optional: true}}
changes: {spark: {parent: {absolute: 2}, baseline: {percent: 0.1}, words: passed over}}
steps: {spark: {most: 1e-2, along: y}}
axes: {rising: strictly}
evidence: {log: {}, faults: {least: 2, days: 30, first: true}}
approval: {people: 2, roles: [reader], signed: false}
"""
    )
    policy = policy_from_text(text)
    assert policy.traceability.kinds == ("baseline", "revision")
    assert policy.proof == ("links", "bytes", "head")
    assert policy.signatures == (Signed(kind="revision", roles=("calibrator", "approver"), people=2),)
    assert policy.unexplained == (
        Range(name="early", start=16, stop=17, reason="s"),
        Range(name="late", start=0x200, stop=0x600, reason="r"),
    )
    boost = Tables(pattern="boost_*", excluded=("boost_x",), unit="bar", optional=True)
    assert policy.limits == (Limit(tables=boost, low=Fraction(-1, 3), high=Fraction(5, 2), cells="changed"),)
    spark = Tables(pattern="spark", words="passed over")
    most = Most(absolute=Fraction(2)), Most(percent=Fraction(1, 10))
    assert policy.changes == (Change(tables=spark, parent=most[0], baseline=most[1]),)
    assert policy.steps == (Step(tables=Tables(pattern="spark"), most=Fraction(1, 100), along="y"),)
    assert policy.axes
    assert policy.evidence == (Evidence(sort="faults", least=2, days=30, first=True), Evidence(sort="log"))
    assert policy.approval == Approvals(people=2, roles=("reader",), signed=False)
    assert (policy.definition, policy.repeat, policy.checksums, policy.protected, policy.identity) == (None,) * 5


def test_an_empty_policy_still_asks_where_a_file_comes_from() -> None:
    policy = policy_from_text(HEAD)
    assert (policy.traceability.kinds, policy.proof) == (("revision",), ("links", "bytes"))
    assert policy_from_text(HEAD + "proof: {levels: [meaning]}").proof == ("links", "bytes", "meaning")


def test_the_digest_is_of_the_meaning() -> None:
    plain = policy_from_text(HEAD + "repeat: {least: 2}\naxes: {rising: strictly}\n")
    other = policy_from_text(
        "# words\nname: made\npolicy: 1\ntitle: T\naxes:\n  rising: strictly\nrepeat: {least: 0x2}"
    )
    assert plain.digest == other.digest
    assert policy_from_text(HEAD + "repeat: {least: 3}\naxes: {rising: strictly}\n").digest != plain.digest
    # golden, by printf and sha256sum over the form written by hand:
    # caldiff policy, form 1\n{"axes":{"rising":"strictly"},"name":"made","policy":1,"repeat":{"least":2}}
    assert plain.digest.hex == "6a0a17ef7d74407cc0b0f09594201fee5b62308e630c3e2f95d9cbae7870e6ca"


# ------------------------------------------------------------------------------------------------------- the default


def test_the_default_policy_is_strict() -> None:
    policy = default_policy()
    asked = {
        field.name
        for field in attrs.fields(Policy)
        if field.name in RULES and getattr(policy, field.name) not in (None, False)
    }
    assert set(RULES) - asked == {"changes", "steps"}  # no number is right for every engine
    assert policy.protected is not None
    # the cautionary tags of the design
    assert set(policy.protected.tags) == {
        "emissions", "torque-monitoring", "over-temperature", "speed-limit", "immobiliser",
    }  # fmt: skip
    assert policy.approval == Approvals(people=2)
    words = " ".join(policy.cautions)
    for caution in ("own bench", "emissions and vehicle law", "Licensed people decide"):
        assert caution in words


def test_the_default_policy_is_valid_for_editors_and_in_the_package() -> None:
    assert valid((shipped_policies() / "strict.yaml").read_text(encoding="utf-8"))
    assert shipped_policies().is_relative_to(ROOT / "caldiff")


# ------------------------------------------------------------------------------------------------------------ extends


def test_a_house_policy_is_laid_over_the_shipped_one(tmp_path: Path) -> None:
    (tmp_path / "house.yaml").write_text(
        "policy: 1\nname: house\nextends: strict\ncautions: {own: Ours.}\nevidence: {faults: null}\n"
        "approval: {people: 3}\nrepeat: null\n",
        encoding="utf-8",
    )
    (tmp_path / "van.yaml").write_text(
        "policy: 1\nname: van\nextends: house\nsteps: {a: {most: 1}}\n", encoding="utf-8"
    )
    van, strict = load_policy(tmp_path / "van.yaml"), default_policy()
    assert (van.name, van.title, van.repeat) == ("van", "", None)
    assert van.cautions == (*strict.cautions, "Ours.")
    assert van.approval == Approvals(people=3)
    assert [one.sort for one in van.evidence or ()] == ["log"]
    assert van.signatures == strict.signatures


def test_where_extends_looks(tmp_path: Path) -> None:
    for folder, least in (("beside", 2), ("given", 3)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "base.yaml").write_text(
            f"policy: 1\nname: base\nrepeat: {{least: {least}}}\n", encoding="utf-8"
        )
    (tmp_path / "given" / "strict.yaml").write_text("policy: 1\nname: strict\nrepeat: {least: 4}\n", encoding="utf-8")
    given_folder = [tmp_path / "given"]

    def least(text: str, folder: Path | None) -> int | None:
        policy = policy_from_text(HEAD + text, folder=folder, folders=given_folder)
        return policy.repeat.least if policy.repeat else None

    assert least("extends: base", tmp_path / "beside") == 2
    assert least("extends: base", None) == 3
    assert least("extends: strict", tmp_path / "beside") == 4


def test_what_extends_nothing_or_itself(tmp_path: Path) -> None:
    assert problems(HEAD + "extends: stric")[0].endswith("[did you mean strict?]")
    (tmp_path / "a.yaml").write_text("policy: 1\nname: a\nextends: b\n", encoding="utf-8")
    (tmp_path / "b.yaml").write_text("policy: 1\nname: b\nextends: a\n", encoding="utf-8")
    with pytest.raises(PolicyError, match="in a ring") as caught:
        load_policy(tmp_path / "a.yaml")
    assert caught.value.got == "a -> b -> a"
    (tmp_path / "c.yaml").write_text("policy: 1\nname: d\n", encoding="utf-8")
    assert "the file is not called after its policy" in problems(HEAD + "extends: c", folder=tmp_path)[0]


def test_a_problem_is_told_in_the_file_that_it_stands_in(tmp_path: Path) -> None:
    (tmp_path / "base.yaml").write_text("policy: 1\nname: base\nlimits: {a: {low: 5}}\nrepat: {}\n", encoding="utf-8")
    found = problems(HEAD + "extends: base\nlimits:\n  a: {high: x}\n", folder=tmp_path, file="own.yaml")
    assert found[0].startswith("own.yaml:5:13: limits.a.high: the value cannot be read")
    assert found[1].startswith(f"{tmp_path / 'base.yaml'}:4:1: repat: a policy has no such key")
    (tmp_path / "base.yaml").write_text("policy: 1\nname: base\nlimits: {a: {low: 5}}\n", encoding="utf-8")
    (only,) = problems(HEAD + "extends: base\nlimits:\n  a: {high: 4}\n", folder=tmp_path, file="own.yaml")
    assert only == "own.yaml:5:13: limits.a.high: the limits are the wrong way round (expected at least 5, got 4)"


def test_a_file_that_is_not_there() -> None:
    with pytest.raises(FileError):
        load_policy("nowhere/policy.yaml")


# ----------------------------------------------------------------------------------------------------------- mistakes

MISTAKES = [
    ("polcy: 1", "3:1: polcy: a policy has no such key [did you mean policy?]"),
    ("approval: {poeple: 2}", "3:12: approval.poeple: an approval has no such key [did you mean people?]"),
    ("proof: {levels: [sigs]}", "3:18: proof.levels[1]: this word is not known here"),
    ("proof: {levels: []}", "3:17: proof.levels: the list has the wrong length"),
    ("traceability: {kinds: [revison]}", "[did you mean revision?]"),
    ("signatures: {revisions: {roles: [reader]}}", "[did you mean revision?]"),
    ("signatures: {revision: {}}", "3:24: signatures.revision: who signs needs the key roles"),
    ("signatures: {revision: {roles: [boss]}}", "signatures.revision.roles[1]: this word is not known here"),
    ("repeat: {least: 0}", "3:17: repeat.least: the number is out of range"),
    ("repeat: {least: null}", "nothing is inherited here that null could take away"),
    ("repeat: null", "nothing is inherited here that null could take away"),
    ("unexplained: {ranges: {a: {at: 1, size: 1}}}", "a range needs the key reason"),
    ("unexplained: {ranges: {a: {at: 1, size: 1, reason: ''}}}", "the text is empty"),
    ("unexplained: {ranges: {a: {at: 0xFFFFFFFFFFFFFFFF, size: 2, reason: r}}}", "beyond the highest address"),
    ("protected: {}", "3:12: protected: this protects nothing"),
    ("protected: {untagged: accepted}", "this protects nothing"),
    ("identity: {}", "this compares nothing"),
    ("identity: {means: [chassis]}", "identity.means[1]: this word is not known here"),
    ("limits: {a: {}}", "3:13: limits.a: this limits nothing"),
    ("limits: {a: {definition: false}}", "this limits nothing"),
    ("limits: {a: {low: high}}", "3:19: limits.a.low: the value cannot be read"),
    ("limits: {'a b': {low: 1}}", "this is no pattern"),
    ("changes: {a: {}}", "this limits nothing"),
    ("changes: {a: {parent: {}}}", "3:23: changes.a.parent: this limits nothing"),
    ("changes: {a: {parent: {percent: -1}}}", "3:33: changes.a.parent.percent: a size is not negative"),
    ("steps: {a: {along: x}}", "a limit of steps needs the key most"),
    ("steps: {a: {most: -1}}", "a size is not negative"),
    ("axes: {}", "axes needs the key rising"),
    ("axes: {rising: true}", "this word is not known here"),
    ("evidence: {'': {}}", "the text is empty"),
    ("evidence: {log: {days: 0}}", "the number is out of range"),
    ("approval: {signed: yes}", "3:20: approval.signed: the value cannot be read"),
    ("definition: {}", "where the definition is known from needs the key known"),
    ("cautions: {a: null}", "nothing is inherited here that null could take away"),
    ("extends: strict\ntitle: null", "title: nothing is inherited here that null could take away"),
    ("name: other", "3:1: the key name stands here twice"),
    ("repeat: &a {}", "anchors are not part of the format"),
    ("title: !!str x", "tags are not part of the format"),
    ("--- {}", "a second document begins here"),
]


@pytest.mark.parametrize(("line", "said"), MISTAKES, ids=[line for line, _ in MISTAKES])
def test_mistakes(line: str, said: str) -> None:
    found = problems(HEAD + line + "\n")
    assert any(said in one for one in found), found


@pytest.mark.parametrize(
    "text", ["", "[]", "5", "policy: 2\nname: a", "name: a", "policy: 1", "definition: 1\nname: a"]
)
def test_what_is_no_policy(text: str) -> None:
    assert problems(text)


def test_all_problems_at_once_in_the_order_of_lines() -> None:
    found = problems("policy: 2\nname: 5\nrepeat: {least: 0}\naxs: {}\n")
    assert [int(one.split(":")[1]) for one in found] == [1, 2, 3, 4]


def test_every_section_is_reachable_and_closed() -> None:
    schema = policy_json_schema()
    reachable = set(re.findall(r"#/\$defs/(\w+)", json.dumps(schema)))
    assert reachable == {section.name for section in POLICY_SECTIONS} == set(schema["$defs"])
    assert all(section["additionalProperties"] is False for section in (schema, *schema["$defs"].values()))


# ---------------------------------------------------------------------------------------------------------- the schema


def test_the_schema_is_a_schema_and_the_committed_file_is_it() -> None:
    jsonschema.Draft202012Validator.check_schema(policy_json_schema())
    committed = (ROOT / "docs/schemas/policy.schema.json").read_text(encoding="utf-8")
    assert json.loads(committed) == policy_json_schema(), "write it again: see docs/policy.md"


def test_every_key_is_described_for_people() -> None:
    for section in (POLICY, *POLICY_SECTIONS):
        for field in section.fields:
            assert field.doc.endswith("."), (section.name, field.key)


STRUCTURAL = ["this limits nothing", "null could take away", "protects nothing", "compares nothing", "negative",
              "highest address", "needs the key", "twice", "not part", "second document"]  # fmt: skip


@pytest.mark.parametrize("line", [line for line, said in MISTAKES if not any(word in said for word in STRUCTURAL)])
def test_structural_mistakes_are_refused_by_the_schema_too(line: str) -> None:
    assert not valid(HEAD + line + "\n")


# -------------------------------------------------------------------------------------------------------------- fuzz


def reads(text: bytes) -> Policy | None:
    try:
        return policy_from_text(text)
    except PolicyError:
        return None


@given(st.binary(max_size=300))
def test_any_bytes_are_a_policy_or_a_policy_error(data: bytes) -> None:
    reads(data)


STRICT = (shipped_policies() / "strict.yaml").read_bytes()


@given(data=st.data())
def test_a_mutated_policy_is_a_policy_or_a_policy_error(data: st.DataObject) -> None:
    text = bytearray(STRICT)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        size = data.draw(st.integers(0, 9))
        text[at : at + size] = data.draw(st.binary(max_size=9) | st.sampled_from([b"null", b"{}", b"[", b"- ", b": "]))
    reads(bytes(text))


words = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-9, 2**70)
    | st.sampled_from(["*", "all", "revision", "1/2", "x", "1e999", ""]),
    lambda inner: (
        st.lists(inner, max_size=2)
        | st.dictionaries(
            st.sampled_from([f.key for s in POLICY_SECTIONS for f in s.fields] + ["*"]), inner, max_size=3
        )
    ),
    max_leaves=6,
)


@given(st.dictionaries(st.sampled_from([f.key for f in POLICY.fields]), words, max_size=4))
def test_what_the_reader_accepts_is_valid(tree: dict[str, Any]) -> None:
    text = json.dumps({"policy": 1, "name": "made"} | tree)
    if reads(text.encode()) is not None:
        assert valid(text)
