"""Authorities for trouble codes that a revision switches off, as they are recorded."""

from __future__ import annotations

import pytest
from trace_shop import OWN, TOP_SPEED, Shop, changed, image

from caldiff.errors import UsageError
from caldiff.trace.replay import replay

SWITCH = "tables:\n  monitors: {at: 0x1095, type: u8, scaling: {bits: {cat: 0, lambda: 1}}, codes: {cat: P0420}}\n"


@pytest.fixture
def begun(shop: Shop) -> Shop:
    (shop.definitions / "made-1.yaml").write_text(OWN.replace("tables:\n", SWITCH))
    shop.recorder().baseline("van17", shop.file("stock.bin", image()))
    return shop


def test_an_authority_for_a_code_that_was_switched_off(begun: Shop) -> None:
    path = begun.file("rev.bin", changed(0x1095, 0xFE))
    body = begun.recorder().revision("van17", path, authorities={"P0420": "annex 3"}).entry.body
    assert body.authorities == (("P0420", "annex 3"),)  # type: ignore[union-attr]
    assert replay(begun.vault, begun.vault.chain("van17")) == ()
    # it is off still, against the baseline, in a revision that does not touch it
    later = begun.file("later.bin", changed(0x1095, 0xFE, **{f"a{TOP_SPEED:#x}": 9}))
    assert begun.recorder().revision("van17", later, authorities={"P0420": "annex 3"})


@pytest.mark.parametrize(("byte", "code"), [(0xFE, "P0421"), (0xFD, "P0420"), (0xFE, "P042")])
def test_not_for_one_that_was_not(begun: Shop, byte: int, code: str) -> None:
    path = begun.file("rev.bin", changed(0x1095, byte))
    with pytest.raises(UsageError, match="nor was such a code"):
        begun.recorder().revision("van17", path, authorities={code: "annex 3"})
    assert len(begun.vault.links("van17")) == 1


def test_not_without_a_name(begun: Shop) -> None:
    path = begun.file("rev.bin", changed(0x1095, 0xFE))
    with pytest.raises(UsageError, match="under whose authority"):
        begun.recorder().revision("van17", path, authorities={"P0420": " "})
