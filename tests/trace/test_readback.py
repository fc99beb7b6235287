"""What was read out of a unit, in a shop made up for it (trace_shop.py)."""

from __future__ import annotations

from typing import Any

import pytest
from trace_shop import FUEL, LEARNED, NOTHING, OWN, SPARK, Shop, changed, image

from caldiff.definition.catalogue import Catalogue
from caldiff.errors import CaldiffError, UsageError
from caldiff.image.limits import Limits
from caldiff.trace.arriving import Opening
from caldiff.trace.readback import ReadBack, recognise
from caldiff.trace.replay import replay
from caldiff.trace.tracing import Tracer
from caldiff.vault.index import Index

REV = changed(FUEL, 11)
LATER = changed(FUEL, 12)


@pytest.fixture
def told(shop: Shop) -> Shop:
    """Stock, two revisions, the first of which was delivered; and another unit."""
    recorder = shop.recorder()
    recorder.baseline("van17", shop.file("stock.bin", image()))
    recorder.revision("van17", shop.file("rev.bin", REV))
    recorder.delivery("van17", of="1", to="the owner")
    recorder.revision("van17", shop.file("later.bin", LATER))
    recorder.baseline("van18", shop.file("other.bin", changed(SPARK, 99, vin=b"00WREN4V5N0000018")))
    return shop


def read(shop: Shop, data: bytes, **options: Any) -> ReadBack:
    catalogue = Catalogue([shop.definitions])
    index = Index.open(None, shop.vault)
    index.update()
    opening = Opening(catalogue=catalogue, definition=None, start=None, format=None, limits=Limits())
    tracer = Tracer(index=index, catalogue=catalogue, nearest=1)
    return recognise(shop.vault, "van17", shop.file("read.bin", data), tracer=tracer, opening=opening, **options)


def with_byte(data: bytes, address: int, byte: int) -> bytes:
    at = address - 0x1000
    return data[:at] + bytes([byte]) + data[at + 1 :]


def test_equal(told: Shop) -> None:
    found = read(told, REV)
    assert (found.verdict, found.sound, found.expected.sequence, found.moved) == ("equal", True, 1, ())


def test_equal_save_for_volatile_regions(told: Shop) -> None:
    found = read(told, with_byte(with_byte(REV, LEARNED, 7), LEARNED + 9, 8))
    assert (found.verdict, found.sound) == ("volatile", True)
    (moved,) = found.moved
    assert (moved.region, moved.bytes, moved.tables) == ("learned", 2, ())
    assert [(e.start, e.stop) for e in moved.extents] == [(LEARNED, LEARNED + 1), (LEARNED + 9, LEARNED + 10)]


def test_tables_in_a_volatile_region_are_decoded_and_volatile_all_the_same(shop: Shop) -> None:
    trim = "tables:\n  trim: {type: i8, at: 0x1104}\n"
    (shop.definitions / "made-1.yaml").write_text(OWN.replace("tables:\n", trim))
    recorder = shop.recorder()
    recorder.baseline("van17", shop.file("stock.bin", image()))
    data = with_byte(image(), 0x1104, 3)
    found = read(shop, data)
    assert found.verdict == "volatile"
    assert [(t.name, t.state) for t in found.moved[0].tables] == [("trim", "changed")]
    # what is recorded finds the same, and a replay agrees
    entry = recorder.readback("van17", shop.file("read.bin", data)).entry
    assert entry.body.finding == "volatile"  # type: ignore[union-attr]
    assert replay(shop.vault, shop.vault.chain("van17")) == ()


def test_another_revision_of_this_unit(told: Shop) -> None:
    found = read(told, LATER)
    assert (found.verdict, found.sound) == ("own", False)
    assert found.own is not None
    assert (found.own[0].sequence, found.own[1]) == (3, "content")
    assert [t.name for t in found.comparison.tables] == ["fuel"]
    learned = read(told, with_byte(LATER, LEARNED, 7))
    assert learned.own is not None
    assert (learned.own[0].sequence, learned.own[1]) == (3, "stable")
    assert read(told, LATER, of="3").verdict == "equal"


def test_back_to_stock(told: Shop) -> None:
    found = read(told, image())
    assert found.own is not None
    assert (found.verdict, found.own[0].kind) == ("own", "baseline")


def test_another_units_file(told: Shop) -> None:
    found = read(told, changed(SPARK, 99, vin=b"00WREN4V5N0000018"))
    assert (found.verdict, [(m.unit, m.sequence) for m in found.foreign]) == ("foreign", [("van18", 0)])
    unknown = read(told, changed(SPARK, 98, vin=b"00WREN4V5N0000019"))  # no vault has it, but it says whose it is
    assert (unknown.verdict, unknown.foreign) == ("foreign", ())


def test_other_software(told: Shop) -> None:
    newer = OWN.replace("made-1", "made-2").replace('"MADE 1"', '"MADE 2"')
    (told.definitions / "made-2.yaml").write_text(newer)
    found = read(told, image(software=b"MADE 2"))
    assert (found.verdict, found.comparison.across) == ("software", True)


def test_changes_that_nobody_recorded(told: Shop) -> None:
    found = read(told, changed(FUEL, 13))
    assert (found.verdict, found.sound, found.own, found.foreign) == ("unknown", False, None, ())
    assert [(t.name, t.cells) for t in found.comparison.tables] == [("fuel", 1)]
    assert found.comparison.fates.unexplained == 0
    hidden = read(told, with_byte(REV, NOTHING, 1))
    assert (hidden.verdict, hidden.comparison.fates.unexplained) == ("unknown", 1)
    assert hidden.nearest is None  # what should have been there is the nearest


def test_one_byte_beside_volatile_ones_is_a_stranger(told: Shop) -> None:
    found = read(told, with_byte(with_byte(REV, LEARNED, 7), NOTHING, 1))
    assert (found.verdict, found.sound, found.moved[0].bytes) == ("unknown", False, 1)


def test_what_was_read_before_is_said(told: Shop) -> None:
    odd = changed(FUEL, 13)
    told.recorder().readback("van17", told.file("first.bin", odd))
    found = read(told, odd)
    assert found.verdict == "unknown"
    assert found.notes == ("the very file is recorded as entry 4, a readback of 2026-03-11",)


def test_nothing_is_recorded_by_looking(told: Shop) -> None:
    before = told.objects(), len(told.vault.links("van17"))
    read(told, LATER)
    assert (told.objects(), len(told.vault.links("van17"))) == before


def test_a_note_is_in_no_unit(told: Shop) -> None:
    told.recorder().note("van17", message="words")
    with pytest.raises(UsageError):
        read(told, LATER, of="head")


def test_agrees_with_what_is_recorded(told: Shop) -> None:
    findings = {"equal": "equal", "volatile": "volatile"}
    for data in (REV, with_byte(REV, LEARNED, 7), LATER, changed(FUEL, 13), with_byte(REV, NOTHING, 1)):
        found = read(told, data)
        body = told.recorder().readback("van17", told.file("again.bin", data)).entry.body
        assert body.finding == findings.get(found.verdict, "other")  # type: ignore[union-attr]


def test_no_image(told: Shop) -> None:
    with pytest.raises(CaldiffError):
        read(told, b"")
