"""Every YAML example of the page on policies is read, and every key of the form stands on it."""

from __future__ import annotations

import re
from pathlib import Path

from caldiff.demo.logs import demo_logs
from caldiff.gate.policy_fields import POLICY, POLICY_SECTIONS
from caldiff.gate.policy_file import default_policy, policy_from_text
from caldiff.gate.trust_file import trust_from_text

PAGE = (Path(__file__).parents[2] / "docs/policy.md").read_text(encoding="utf-8")
BLOCKS: list[str] = re.findall(r"^```yaml\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
HEAD = "policy: 1\nname: page\n"


def test_every_block_is_read(tmp_path: Path) -> None:
    assert len(BLOCKS) == 16
    whole = [block for block in BLOCKS if block.startswith(("policy: 1", "trust: 1"))]
    assert len(whole) == 3
    (tmp_path / "channels.yaml").write_bytes(demo_logs()["channels.yaml"])
    visits = policy_from_text(whole[1], folder=tmp_path).evidence
    assert visits is not None
    assert [one.sort for one in visits if one.visited] == ["log"]
    house = policy_from_text(whole[0])
    assert [one.sort for one in house.evidence or ()] == ["log"]
    assert house.cautions[:-1] == default_policy().cautions
    assert trust_from_text(whole[2]).keys[0].roles == ("calibrator", "approver")
    for block in BLOCKS:
        if block not in whole:
            policy_from_text(HEAD + block)


def test_the_parts_together_are_one_policy_and_ask_every_rule() -> None:
    parts = [block for block in BLOCKS if not block.startswith(("policy: 1", "trust: 1"))]
    policy = policy_from_text(HEAD + "".join(parts))
    assert None not in (
        policy.definition, policy.signatures, policy.repeat, policy.checksums, policy.unexplained, policy.protected,
        policy.limits, policy.changes, policy.steps, policy.identity, policy.evidence, policy.approval,
    )  # fmt: skip
    assert policy.axes


def test_every_key_stands_on_the_page() -> None:
    keys = {field.key for section in (POLICY, *POLICY_SECTIONS) for field in section.fields} - {"size", "at"}
    words = set(re.findall(r"[a-z_]+", PAGE))
    assert keys <= words
