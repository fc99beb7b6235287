"""Verdicts to be shown: one made by hand, and any that can be, with hostile text wherever text comes from outside."""

from __future__ import annotations

from collections.abc import Callable

from hypothesis import example
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.gate.verdict import FileVerdict, Refusal, RuleOutcome, Verdict
from caldiff.render.verdict_words import Passed

HOSTILE = (
    "::error file=x::boo",
    "\n::add-mask::secret",
    "\r\n##[error]boo",
    "##teamcity[buildStatus status='SUCCESS']",
    "%0A::notice::%25",
    "a|b\\|c\\",
    "`code` ``more`` ```",
    "```\n</details>\n# Head",
    "<script>alert(1)</script><img src=x onerror=alert(1)>&amp;",
    "[link](https://evil.invalid) ![picture](https://evil.invalid/x.png) [a]: https://evil.invalid",
    "www.evil.invalid https://evil.invalid someone@evil.invalid @everyone #1",
    "{0} {placeholder} {{",
    "*strong* _em_ ~~gone~~ - [ ] task",
    "\x1b[31mred\x1b]8;;https://evil.invalid\x07",
    "\x00\x0b\ufffe\udcff\u202e\u200b",
    "]]>--><![CDATA[ <!ENTITY x 'y'>",
    f"{'x' * 97} ``` {'y' * 98} <b>out</b>",  # three backticks on a line of their own
    "  padded  ",
    "",
)
BASE = Verdict(
    policy="house",
    policy_digest=Digest.of(b"the policy"),
    vault="shop-vault",
    files=(
        FileVerdict(
            path="out/van17_rev2.s19",
            file=Digest.of(b"van17_rev2.s19"),
            unit="van17",
            sequence=3,
            rules=(
                RuleOutcome(rule="traceability", outcome="held", read="entry 3 of van17, byte for byte"),
                RuleOutcome(
                    rule="unexplained",
                    outcome="refused",
                    read="4 bytes",
                    refusals=(
                        Refusal(
                            rule="unexplained",
                            text="4 bytes changed that no definition explains",
                            found="0x00881040 to 0x00881043",
                            wanted="a definition that explains them, or the range in the policy's list",
                            address=0x00881040,
                            unit="van17",
                            sequence=3,
                        ),
                        Refusal(rule="unexplained", text="and one more", table="ignition_base"),
                    ),
                ),
                RuleOutcome(rule="approval", outcome="not asked"),
            ),
        ),
        FileVerdict(
            path="out/van17_rev1.hex",
            file=Digest.of(b"van17_rev1.hex"),
            unit="van17",
            sequence=2,
            rules=(RuleOutcome(rule="traceability", outcome="held", read="entry 2 of van17, by its content"),),
        ),
    ),
    notes=("the vault keeps no checkpoint",),
)
PASSED = (Passed(path="out/readme.txt", reason="this is no image but plain text"),)

texts = st.lists(st.sampled_from(HOSTILE) | st.text(max_size=12), max_size=3).map("".join)
names = st.sampled_from(["traceability", "image", "limits"]) | texts
units = st.none() | st.sampled_from(["van17", "v-1"])
refusals = st.builds(
    Refusal,
    rule=names,
    text=texts,
    found=texts,
    wanted=texts,
    address=st.none() | st.integers(0, 2**64 - 1),
    table=st.none() | texts,
    unit=units,
    sequence=st.none() | st.integers(0, 10**6),
)
rules = st.builds(
    RuleOutcome,
    rule=names,
    outcome=st.sampled_from(["held", "held", "refused", "not asked"]),
    read=texts,
    refusals=st.just(()) | st.lists(refusals, max_size=2).map(tuple),
)
files = st.builds(
    FileVerdict,
    path=texts,
    file=st.none() | st.binary(max_size=4).map(Digest.of),
    unit=units,
    sequence=st.none() | st.integers(0, 99),
    rules=st.lists(rules, max_size=4).map(tuple),
)
verdicts = st.builds(
    Verdict,
    policy=texts,
    policy_digest=st.just(Digest.of(b"policy")),
    vault=texts,
    files=st.lists(files, max_size=4).map(tuple),
    notes=st.lists(texts, max_size=2).map(tuple),
)
passed = st.lists(st.builds(Passed, path=texts, reason=texts), max_size=2)


def everywhere(text: str) -> tuple[Verdict, list[Passed]]:
    """A verdict, and what was passed over, with the same text in all that may come from outside."""
    refusal = Refusal(rule=text, text=text, found=text, wanted=text, table=text, unit="van17", address=1)
    rules = (RuleOutcome(rule=text, outcome="refused", read=text, refusals=(refusal,)),)
    files = (FileVerdict(path=text, unit="van17", rules=rules), FileVerdict(path=text + text))
    verdict = Verdict(policy=text, policy_digest=Digest.of(b"p"), vault=text, files=files, notes=(text,))
    return verdict, [Passed(path=text, reason=text)]


def hostile(test: Callable[..., None]) -> Callable[..., None]:
    """Try a property of a verdict with every hostile text, whatever else is drawn."""
    for text in HOSTILE:
        verdict, beside = everywhere(text)
        test = example(verdict=verdict, beside=beside)(test)
    return test
