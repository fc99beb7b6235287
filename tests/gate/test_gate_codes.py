"""Switched-off trouble codes before the gate: each needs an authority of its own. All made up by hand."""

from __future__ import annotations

import pytest
from gate_shop import TINY, WARMER, Shop, changed, told

from caldiff.definition.catalogue import definition_from_text
from caldiff.errors import PolicyError
from caldiff.gate.policy import Codes
from caldiff.gate.policy_file import default_policy, policy_from_text
from caldiff.gate.verdict import RuleOutcome

LISTED = definition_from_text(
    TINY.replace("bits: {a: 0, b: 1}}", "bits: {a: 0, b: 1}}, codes: {a: P0420, b: [P0171, P0172]}")
)
ASKED = "codes: {off: authority}"
OFF = changed({0x59: b"\x00"})  # the stock has flag a set
OTHER = changed({0x59: b"\x02"})


def ask(data: bytes, policy: str = ASKED, **authorities: str) -> RuleOutcome:
    shop = Shop(read_by=LISTED)
    return shop.ask("codes", policy, shop.revision(shop.baseline(), data, authorities=authorities))


def test_a_code_that_is_switched_off_needs_an_authority_of_its_own() -> None:
    assert ask(WARMER).outcome == "held"
    outcome = ask(OFF)
    assert [(r.text, r.table, r.address) for r in outcome.refusals] == [
        ("P0420 was switched off without an authority", "switches", 0x59)
    ]
    assert "a of table switches, and entry 1 names no authority for P0420" in told(outcome)
    assert outcome.read == "3 codes that the definition lists"
    assert ask(OFF, P0420="annex 3").outcome == "held"
    assert ask(OFF, P0420=" ").outcome == "refused"
    assert ask(OFF, P0171="annex 3", switches="annex 3", emissions="annex 3").outcome == "refused"


def test_switching_on_needs_none() -> None:
    assert ask(changed({0x59: b"\x03"})).outcome == "held"
    assert [r.text[:5] for r in ask(OTHER).refusals] == ["P0420"]


def test_who_answers_for_it() -> None:
    def through(second: bytes, **authorities: str) -> list[int | None]:
        shop = Shop(read_by=LISTED)
        first = shop.revision(shop.baseline(), OFF, authorities=authorities)
        return [r.sequence for r in shop.ask("codes", ASKED, shop.revision(first, second, day=3)).refusals]

    still_off = changed({0x59: b"\x00", 0x44: b"\x65"})
    assert through(still_off) == [1]
    assert through(still_off, P0420="annex 3") == []
    assert through(WARMER) == []  # on again


def test_what_cannot_be_told_is_refused() -> None:
    shop = Shop(read_by=None)
    assert shop.ask("codes", ASKED, shop.revision(shop.baseline(), WARMER)).outcome == "refused"
    shop = Shop()
    revision = shop.revision(shop.baseline(), WARMER)
    assert shop.ask("codes", ASKED, revision).read == "the definition lists no codes"
    assert shop.ask("codes", ASKED, revision).outcome == "held"
    assert shop.ask("codes", "codes: {off: authority, unlisted: refused}", revision).outcome == "refused"
    assert shop.ask("codes", "axes: {rising: strictly}", revision).outcome == "not asked"


def test_codes_that_only_the_definition_of_the_stock_lists_count_too() -> None:
    shop = Shop(read_by=LISTED)
    stock = shop.baseline()
    text = TINY.replace("text: TINY", "text: TINZ").replace("tiny-1", "lax")  # its own definition lists none
    shop.read_by = definition_from_text(text)
    revision = shop.revision(stock, changed({0x59: b"\x00", 0x03: b"Z"}))
    assert "table switches" in told(shop.ask("codes", ASKED, revision))


def test_the_key_in_a_policy() -> None:
    assert default_policy().codes == Codes(off="authority", unlisted="accepted")
    assert policy_from_text("policy: 1\nname: own\nextends: strict\ncodes: null\n").codes is None
    for wrong in ("codes: {}", "codes: {unlisted: refused}", "codes: {off: accepted}"):
        with pytest.raises(PolicyError):
            policy_from_text(f"policy: 1\nname: own\n{wrong}\n")
