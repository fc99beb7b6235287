"""What is recorded for what, and what is refused. Expected values by hand from the made-up shop's definition."""

from __future__ import annotations

import gzip
import os
import threading
from pathlib import Path

import pytest
from trace_shop import FUEL, LEARNED, NOTHING, OWN, PROGRAM, START, TOP_SPEED, Shop, changed, image

from caldiff.canonical import Digest
from caldiff.definition.catalogue import Catalogue, definition_from_text
from caldiff.errors import (
    CaldiffError,
    DefinitionMissingError,
    FileError,
    ImageError,
    LedgerError,
    UsageError,
    VaultError,
)
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image
from caldiff.ledger.entry import (
    Approval,
    Baseline,
    ChecksumFact,
    Delivery,
    Evidence,
    Note,
    Readback,
    Repeat,
    Return,
    Revision,
    Subject,
)
from caldiff.ledger.signing import PrivateKey
from caldiff.table.personal import Key
from caldiff.trace.kept import calibration_of, definition_of


def hexed(data: bytes) -> bytes:
    """The same content as Intel HEX."""
    return dump_image(read_image(data, start=START), format="ihex")


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A shop with unit van17: the stock, and a revision of one fuel cell."""
    shop = Shop(tmp_path_factory.mktemp("first"))
    shop.recorder().baseline("van17", shop.file("stock.bin", image()))
    shop.recorder().revision("van17", shop.file("rev1.bin", changed(FUEL, 60)))
    return shop


@pytest.fixture
def begun(first: Shop, tmp_path: Path) -> Shop:
    """The same, to go on with."""
    return Shop.copied(first, tmp_path / "shop")


# --------------------------------------------------------------------------------------------------------- baseline


def test_a_baseline(shop: Shop) -> None:
    recorded = shop.recorder().baseline("van17", shop.file("stock.bin", image()), message="as it came")
    entry = recorded.entry
    assert (entry.unit, entry.sequence, entry.previous, entry.kind) == ("van17", 0, None, "baseline")
    assert (entry.draft.author, entry.draft.message) == ("somebody", "as it came")
    assert entry.draft.subjects == (Subject(name="stock.bin", file=Digest.of(image())),)
    assert isinstance(entry.body, Baseline)
    facts = entry.body.image
    assert (facts.format, facts.size, facts.start) == ("binary", 512, START)
    assert facts.checksums == (ChecksumFact(name="calibration", status="valid"),)
    assert [(f.name, f.text, f.match) for f in facts.identity] == [
        ("software", "MADE 1", None),
        ("hardware", "HW-1", None),
        ("vin", "*************0017", None),
    ]
    assert shop.vault.fetch(Digest.of(image())) == image()
    assert shop.vault.form(Digest.of(image())) == "whole"


def test_the_definition_is_kept_with_what_it_extends_and_reads_years_later(shop: Shop) -> None:
    recorded = shop.recorder().baseline("van17", shop.file("stock.bin", image()))
    for path in shop.definitions.iterdir():
        path.unlink()
    assert recorded.entry.image is not None
    fact = recorded.entry.image.definition
    assert fact is not None
    assert [subject.name for subject in fact.files] == ["made-1.yaml", "made.yaml"]
    assert shop.vault.fetch(fact.files[0].file) == OWN.encode()
    assert definition_of(shop.vault, fact).digest == fact.digest
    read = calibration_of(shop.vault, recorded)
    assert read["fuel"].physical.tolist() == [25.0, 25.5, 26.0, 26.5]
    assert read.image.start == START


@pytest.mark.parametrize(
    ("name", "pack", "facts"),
    [
        ("stock.hex", hexed, ("ihex", None)),
        ("stock.bin.gz", lambda data: gzip.compress(data, mtime=0), ("binary", "gzip")),
    ],
)
def test_bytes_as_they_came(shop: Shop, name: str, pack: object, facts: tuple[str, str | None]) -> None:
    data: bytes = pack(image())  # type: ignore[operator]
    recorded = shop.recorder().baseline("van17", shop.file(name, data))
    assert recorded.entry.file == Digest.of(data)
    assert shop.vault.fetch(Digest.of(data)) == data
    found = recorded.entry.image
    assert found is not None
    assert (found.format, found.container, found.size, found.start) == (*facts, len(data), START)
    assert found.content == read_image(image(), start=START).content
    assert calibration_of(shop.vault, recorded).image.content == found.content


def test_where_no_definition_fits_there_are_bytes_only(shop: Shop) -> None:
    data = image(software=b"OTHER0")
    shop.recorder().baseline("van17", shop.file("stock.bin", data))
    recorded = shop.recorder().revision("van17", shop.file("rev.bin", data[:-1] + b"0"))
    facts = recorded.entry.image
    assert facts is not None
    assert (facts.definition, facts.stable, facts.identity, facts.start) == (None, None, (), 0)
    assert isinstance(recorded.entry.body, Revision)
    assert (recorded.entry.body.against_parent.unexplained, recorded.entry.body.against_parent.regions) == (1, ())


def test_a_definition_that_was_made_in_memory_cannot_be_kept(shop: Shop) -> None:
    other = definition_from_text(OWN.replace("name: made-1", "name: made-2"), folders=[shop.definitions])
    with pytest.raises(DefinitionMissingError, match="definition made-2 came from no file"):
        shop.recorder(definition=other).baseline("van17", shop.file("stock.bin", image()))
    assert (shop.vault.units(), shop.objects()) == ((), set())


def test_a_key_lets_a_shop_match_what_is_personal(shop: Shop) -> None:
    key = Key(b"sixteen bytes and some more")
    entry = shop.recorder(key=key).baseline("van17", shop.file("stock.bin", image())).entry
    assert entry.image is not None
    assert entry.image.identity[2].match == key.digest("vin", "00WREN4V5N0000017")


def test_the_author_signs(shop: Shop) -> None:
    signer = PrivateKey.of_seed(bytes(32))
    recorded = shop.recorder(signers=[signer]).baseline("van17", shop.file("stock.bin", image()))
    (signature,) = recorded.envelope.signatures
    assert signature.keyid == signer.keyid
    assert signer.public.verify(signature.sig, recorded.envelope.signed)


def test_a_baseline_is_there_already(begun: Shop) -> None:
    recorder = begun.recorder()
    for another in (False, True):
        with pytest.raises(UsageError) as caught:
            recorder.baseline("van17", begun.file("again.bin", image()), another=another)
        assert caught.value.reason == "this read is recorded as a baseline already"
        assert caught.value.got == "the content of entry 0 (baseline)"
        assert caught.value.hint == "if the unit was read a second time, record it as a repeat"
    with pytest.raises(UsageError, match="baseline already") as caught:
        recorder.baseline("van17", begun.file("again.bin", changed(LEARNED, 1)), another=True)
    assert caught.value.got == "the content, volatile regions aside, of entry 0 (baseline)"
    with pytest.raises(UsageError, match="no read of the stock but a revision") as caught:
        recorder.baseline("van17", begun.file("again.bin", changed(FUEL, 60)), another=True)
    assert caught.value.got == "the content of entry 1 (revision)"
    with pytest.raises(UsageError, match="unit van17 has a baseline read already") as caught:
        recorder.baseline("van17", begun.file("other.bin", changed(FUEL, 99)))
    assert "another baseline" in (caught.value.hint or "")
    assert len(begun.vault.chain("van17").recorded) == 2


def test_another_baseline_of_other_stock_software(begun: Shop) -> None:
    entry = begun.recorder().baseline("van17", begun.file("new.bin", changed(PROGRAM, 1)), another=True).entry
    assert (entry.sequence, entry.kind) == (2, "baseline")
    later = begun.recorder().revision("van17", begun.file("rev2.bin", changed(PROGRAM, 1, a0x1084=60))).entry
    assert isinstance(later.body, Revision)
    assert (later.body.parent, later.body.baseline) == (entry.hash, entry.hash)
    assert later.body.against_baseline.tables == (("fuel", 1),)


# ----------------------------------------------------------------------------------------------------------- repeat


@pytest.mark.parametrize(
    ("data", "confirms"), [(image(), True), (changed(LEARNED, 0), True), (changed(FUEL, 0), False)]
)
def test_a_repeat_confirms_the_baseline_but_for_what_is_volatile(begun: Shop, data: bytes, *, confirms: bool) -> None:
    body = begun.recorder().repeat("van17", begun.file("second.bin", data)).entry.body
    assert isinstance(body, Repeat)
    assert body.baseline == begun.vault.chain("van17").recorded[0].entry.hash
    assert body.confirms == confirms


def test_a_repeat_of_what_is_no_baseline(begun: Shop) -> None:
    with pytest.raises(UsageError) as caught:
        begun.recorder().repeat("van17", begun.file("second.bin", image()), baseline="1")
    assert (caught.value.reason, caught.value.expected, caught.value.got) == (
        "this is no baseline",
        "entry 0",
        "entry 1 (revision)",
    )


# --------------------------------------------------------------------------------------------------------- revision


def test_a_revision_against_its_parent_and_the_baseline(begun: Shop) -> None:
    data = changed(FUEL, 60, a0x1090=99, a0x1041=7, a0x11F0=0)
    change_set = begun.file("changes.json", b"{}")
    recorded = begun.recorder().revision(
        "van17",
        begun.file("rev2.bin", data),
        authorities={"speed-limit": "the owner", "program": "the works"},
        made_from=[change_set],
        message="faster",
    )
    chain = begun.vault.chain("van17")
    body = recorded.entry.body
    assert isinstance(body, Revision)
    assert (body.baseline, body.parent) == (chain.recorded[0].entry.hash, chain.recorded[1].entry.hash)
    against = body.against_parent
    assert (against.tables, against.tags, against.regions) == (
        (("top_speed", 1),),
        ("speed-limit",),
        ("calibration", "program"),
    )
    assert (against.cell, against.checksum, against.unexplained, against.code) == (1, 4, 2, 1)
    assert body.against_baseline.tables == (("fuel", 1), ("top_speed", 1))
    assert body.authorities == (("program", "the works"), ("speed-limit", "the owner"))
    assert body.made_from == (Subject(name="changes.json", file=Digest.of(b"{}")),)
    assert begun.vault.fetch(Digest.of(b"{}")) == b"{}"
    assert begun.vault.fetch(Digest.of(data)) == data


@pytest.mark.parametrize("parent", ["0", "baseline"])
def test_a_parent_that_is_named(begun: Shop, parent: str) -> None:
    body = begun.recorder().revision("van17", begun.file("rev2.bin", changed(FUEL, 61)), parent=parent).entry.body
    assert isinstance(body, Revision)
    assert body.parent == body.baseline
    assert body.against_parent == body.against_baseline


def test_a_delivery_stands_for_its_revision_as_a_parent(begun: Shop) -> None:
    begun.recorder().delivery("van17", of="1", to="the workshop")
    body = begun.recorder().revision("van17", begun.file("rev2.bin", changed(FUEL, 61)), parent="2").entry.body
    assert isinstance(body, Revision)
    assert body.parent == begun.vault.chain("van17").recorded[1].entry.hash


def test_a_readback_as_a_parent_leads_to_the_baseline(begun: Shop) -> None:
    begun.recorder().readback("van17", begun.file("back.bin", changed(LEARNED, 1, a0x1084=60)))
    body = begun.recorder().revision("van17", begun.file("rev2.bin", changed(FUEL, 61)), parent="head").entry.body
    assert isinstance(body, Revision)
    assert body.baseline == begun.vault.chain("van17").recorded[0].entry.hash
    assert (body.against_parent.volatile, body.against_baseline.volatile) == (1, 0)


def test_a_revision_that_changes_nothing(begun: Shop) -> None:
    for name, data, how in (
        ("same.bin", changed(FUEL, 60), "is the very file"),
        ("same.hex", hexed(changed(FUEL, 60)), "has the very content"),
    ):
        with pytest.raises(UsageError) as caught:
            begun.recorder().revision("van17", begun.file(name, data))
        assert caught.value.reason == "a revision that changes nothing is none"
        assert caught.value.got == f"what {how} of its parent, entry 1 (revision)"
    back = begun.recorder().revision("van17", begun.file("back.bin", image()))
    assert back.entry.sequence == 2  # what goes back to an older content changes something


def test_another_vehicle_is_recorded_as_what_it_is(begun: Shop) -> None:
    data = image(vin=b"00WREN4V5N0000025")
    entry = begun.recorder().revision("van17", begun.file("rev2.bin", data)).entry
    assert entry.image is not None
    assert entry.image.identity[2].text == "*************0025"
    assert isinstance(entry.body, Revision)
    assert entry.body.against_baseline.identity == 2


def test_a_parent_that_is_not_there(begun: Shop) -> None:
    path = begun.file("rev2.bin", changed(FUEL, 61))
    for word in ("7", "deadbeefdead", "nonsense"):
        with pytest.raises(LedgerError, match=f"no entry is named '{word}'"):
            begun.recorder().revision("van17", path, parent=word)
    begun.recorder().note("van17", message="words")
    with pytest.raises(UsageError, match="a revision is made from an image") as caught:
        begun.recorder().revision("van17", path, parent="head")
    assert caught.value.got == "entry 2 (note)"


def test_an_authority_for_what_did_not_change(begun: Shop) -> None:
    path = begun.file("rev2.bin", changed(TOP_SPEED, 99))
    with pytest.raises(UsageError) as caught:
        begun.recorder().revision("van17", path, authorities={"speed-limits": "the owner"})
    assert caught.value.reason == (
        "nothing changed that has the tag 'speed-limits' or lies in a region of that name, nor was such a code "
        "switched off"
    )
    assert caught.value.expected == "calibration, fuel, speed-limit"
    assert caught.value.hint == "did you mean speed-limit?"
    with pytest.raises(UsageError, match="under whose authority"):
        begun.recorder().revision("van17", path, authorities={"speed-limit": "  "})


def test_a_better_definition_is_no_other_software(begun: Shop) -> None:
    path = begun.definitions / "made-1.yaml"
    path.write_text(OWN.replace("tables:\n", f"tables:\n  extra: {{at: {NOTHING:#x}, type: u8}}\n"))
    entry = begun.recorder().revision("van17", begun.file("rev2.bin", changed(FUEL, 60, a0x11F0=3))).entry
    assert isinstance(entry.body, Revision)
    assert not entry.body.against_parent.replaced
    assert entry.body.against_parent.tables == (("extra", 1),)
    assert entry.body.against_parent.unexplained == 0


def test_other_software_is_compared_by_name(begun: Shop) -> None:
    newer = OWN.replace("made-1", "made-2").replace('"MADE 1"', '"MADE 2"')
    (begun.definitions / "made-2.yaml").write_text(newer)
    entry = begun.recorder().revision("van17", begun.file("rev2.bin", image(software=b"MADE 2", a0x1084=61))).entry
    assert isinstance(entry.body, Revision)
    assert entry.body.against_parent.replaced
    assert entry.body.against_parent.tables == (("fuel", 1),)


def test_a_machine_without_the_definition_takes_the_one_that_was_kept(begun: Shop) -> None:
    entry = begun.recorder(catalogue=Catalogue()).revision("van17", begun.file("rev2.bin", changed(FUEL, 61))).entry
    assert entry.image is not None
    assert entry.image.definition == begun.vault.chain("van17").recorded[0].entry.image.definition  # type: ignore[union-attr]
    assert isinstance(entry.body, Revision)
    assert entry.body.against_parent.tables == (("fuel", 1),)


def test_a_raw_binary_that_nothing_fits_lies_where_its_parent_does(begun: Shop) -> None:
    entry = begun.recorder().revision("van17", begun.file("rev2.bin", image(software=b"BROKEN", a0x1084=60))).entry
    assert entry.image is not None
    assert (entry.image.definition, entry.image.start) == (None, START)
    assert isinstance(entry.body, Revision)
    assert entry.body.against_parent.bytes == 6  # every letter of the software, and nothing else


# ------------------------------------------------------------------------------------------- delivery and readback


def test_a_delivery_of_the_revisions_own_file(begun: Shop) -> None:
    entry = begun.recorder().delivery("van17", of="latest", to="the workshop").entry
    assert entry.body == Delivery(of=begun.vault.chain("van17").recorded[1].entry.hash, to="the workshop")
    assert entry.draft.subjects == begun.vault.chain("van17").recorded[1].entry.draft.subjects


def test_a_delivery_in_another_format_and_under_another_name(begun: Shop) -> None:
    data = hexed(changed(FUEL, 60))
    entry = begun.recorder().delivery("van17", of="1", to="x", path=begun.file("van.hex", data)).entry
    assert isinstance(entry.body, Delivery)
    assert entry.body.image is not None
    assert (entry.body.image.format, entry.file) == ("ihex", Digest.of(data))
    assert begun.vault.fetch(Digest.of(data)) == data
    renamed = begun.recorder().delivery("van17", of="1", to="x", path=begun.file("final2.bin", changed(FUEL, 60))).entry
    assert isinstance(renamed.body, Delivery)
    assert renamed.body.image is None
    assert renamed.draft.subjects[0].name == "final2.bin"


def test_a_delivery_of_something_else(begun: Shop) -> None:
    kept = begun.objects()
    with pytest.raises(UsageError) as caught:
        begun.recorder().delivery("van17", of="1", to="x", path=begun.file("final.bin", changed(FUEL, 61)))
    assert caught.value.reason == "the file has other content than the revision that is delivered"
    assert (caught.value.expected or "").endswith("as entry 1 (revision)")
    with pytest.raises(UsageError, match="only a revision is delivered") as caught:
        begun.recorder().delivery("van17", of="baseline", to="x")
    assert (caught.value.expected, caught.value.got) == ("one of the revisions 1", "entry 0 (baseline)")
    with pytest.raises(UsageError, match="goes to somebody"):
        begun.recorder().delivery("van17", of="1", to=" ")
    assert begun.objects() == kept


@pytest.mark.parametrize(
    ("data", "finding"),
    [
        (changed(FUEL, 60), "equal"),
        (hexed(changed(FUEL, 60)), "equal"),
        (changed(FUEL, 60, a0x1100=3), "volatile"),
        (image(), "other"),
    ],
)
def test_a_readback(begun: Shop, data: bytes, finding: str) -> None:
    begun.recorder().delivery("van17", of="1", to="x")
    body = begun.recorder().readback("van17", begun.file("back.bin", data)).entry.body
    assert isinstance(body, Readback)
    assert (body.finding, body.of) == (finding, begun.vault.chain("van17").recorded[1].entry.hash)


def test_what_should_be_in_the_unit(begun: Shop) -> None:
    recorder, chain = begun.recorder(), begun.vault.chain("van17")
    stock, first = (one.entry.hash for one in chain.recorded)
    back = begun.file("back.bin", image())
    assert recorder.readback("van17", back).entry.body.of == first  # type: ignore[union-attr]
    recorder.revision("van17", begun.file("rev2.bin", changed(FUEL, 61)))
    recorder.delivery("van17", of="1", to="x")
    assert recorder.readback("van17", back).entry.body.of == first  # type: ignore[union-attr] # delivered, though older
    recorder.returned("van17")
    assert recorder.readback("van17", back).entry.body.of == stock  # type: ignore[union-attr]
    assert recorder.readback("van17", back, of="1").entry.body.of == first  # type: ignore[union-attr]
    recorder.note("van17", message="words")
    with pytest.raises(UsageError, match="only an image can be in a unit"):
        recorder.readback("van17", back, of="head")


# ----------------------------------------------------------------------------------------------------- all the rest


def test_evidence(begun: Shop) -> None:
    begun.recorder().delivery("van17", of="1", to="x")
    files = [begun.file("drive.csv", b"time,speed\n"), begun.file("codes.txt", b"P0171\n")]
    entry = begun.recorder().evidence("van17", files, sort="log", facts={"odometer": "120341 km", "air": "4 C"}).entry
    assert entry.body == Evidence(
        of=begun.vault.chain("van17").recorded[1].entry.hash,
        sort="log",
        facts=(("air", "4 C"), ("odometer", "120341 km")),
    )
    assert [s.name for s in entry.draft.subjects] == ["drive.csv", "codes.txt"]
    assert begun.vault.fetch(Digest.of(b"P0171\n")) == b"P0171\n"


def test_evidence_that_is_none(begun: Shop) -> None:
    log = begun.file("drive.csv", b"time,speed\n")
    record = begun.recorder().evidence
    with pytest.raises(UsageError, match="evidence is files"):
        record("van17", [], sort="log")
    with pytest.raises(UsageError, match="what sort"):
        record("van17", [log], sort=" ")
    with pytest.raises(UsageError, match="the file is empty"):
        record("van17", [begun.file("empty.csv", b"")], sort="log")
    with pytest.raises(UsageError, match=r"two files are called drive\.csv"):
        record("van17", [log, begun.file("other/drive.csv", b"x")], sort="log")
    with pytest.raises(FileError):
        record("van17", [begun.folder / "nowhere.csv"], sort="log")
    assert len(begun.vault.chain("van17").recorded) == 2
    record("van17", [log], sort="log")
    with pytest.raises(UsageError, match=r"recorded already, as entry 2 \(evidence\)"):
        record("van17", [log], sort="log")
    record("van17", [log], sort="log", of="0")


def test_approval_note_and_return(begun: Shop) -> None:
    stock, first = (one.entry for one in begun.vault.chain("van17").recorded)
    assert begun.recorder().approval("van17", of="latest").entry.body == Approval(of=first.hash)
    assert begun.recorder().note("van17", of="0", message="kept cold").entry.body == Note(of=stock.hash)
    note = begun.recorder().note("van17", paths=[begun.file("mail.txt", b"hello")]).entry
    assert (note.body, [s.name for s in note.draft.subjects]) == (Note(), ["mail.txt"])
    back = begun.recorder().returned("van17", message="sold").entry
    assert (back.body, back.draft.subjects) == (Return(baseline=stock.hash), stock.draft.subjects)
    with pytest.raises(UsageError, match="only a revision is approved"):
        begun.recorder().approval("van17", of="0")
    with pytest.raises(UsageError, match="says nothing"):
        begun.recorder().note("van17", message=" ")
    with pytest.raises(UsageError, match="no baseline"):
        begun.recorder().returned("van17", baseline="1")


# ----------------------------------------------------------------------------------------------- whatever goes wrong


def test_a_unit_that_is_not_there(begun: Shop) -> None:
    path = begun.file("rev2.bin", changed(FUEL, 61))
    for unit, hint in (
        ("van71", "did you mean van17?"),
        ("VAN17", "did you mean van17?"),
        ("tractor", "a unit begins with its baseline read: record that"),
    ):
        with pytest.raises(UsageError) as caught:
            begun.recorder().revision(unit, path)
        assert (caught.value.reason, caught.value.hint) == (f"the vault has no unit {unit}", hint)
    with pytest.raises(LedgerError, match="no id of a unit"):
        begun.recorder().revision("../van17", path)
    with pytest.raises(VaultError, match="differs by case only"):
        begun.recorder().baseline("Van17", path)
    with pytest.raises(LedgerError, match="no id of a unit"):
        begun.recorder().baseline("a/b", path)


def test_a_file_that_is_no_image_leaves_nothing_behind(begun: Shop) -> None:
    kept = begun.objects()
    for name, data in (("a.txt", b"plain words, nothing else\n" * 9), ("cut.hex", hexed(image())[:-12]), ("no", b"")):
        with pytest.raises(ImageError):
            begun.recorder().revision("van17", begun.file(name, data))
    with pytest.raises(FileError):
        begun.recorder().revision("van17", begun.folder / "nowhere.bin")
    assert begun.objects() == kept


def test_a_name_that_cannot_be_recorded_is_told_before_anything_is_kept(begun: Shop) -> None:
    kept = begun.objects()
    with pytest.raises(LedgerError, match="cannot be recorded as the name of a file") as caught:
        begun.recorder().revision("van17", begun.file("rev\n2.bin", changed(FUEL, 61)))
    assert caught.value.file == str(begun.folder / "in" / "rev\n2.bin")
    assert begun.objects() == kept


def test_a_time_that_is_none(shop: Shop) -> None:
    for time in ("yesterday", "2026-03-11 09:30", "2026-03-11T09:30:00+01:00", "2026-02-30T00:00:00Z"):
        with pytest.raises(CaldiffError):
            shop.recorder(time=time)


def test_a_unit_that_somebody_was_killed_at_the_first_entry_of(shop: Shop) -> None:
    (shop.folder / "vault" / "units" / "van17").mkdir(parents=True)
    with pytest.raises(CaldiffError):
        shop.recorder().repeat("van17", shop.file("stock.bin", image()))
    assert shop.recorder().baseline("van17", shop.file("stock.bin", image())).entry.sequence == 0


def test_a_damaged_chain_takes_nothing_more(begun: Shop) -> None:
    entry = begun.folder / "vault" / "units" / "van17" / "000000.json.gz"
    entry.write_bytes(entry.read_bytes()[:-3])
    with pytest.raises(CaldiffError):
        begun.recorder().revision("van17", begun.file("rev2.bin", changed(FUEL, 61)))


def test_definitions_that_both_fit_have_to_be_chosen_from(shop: Shop) -> None:
    (shop.definitions / "twin.yaml").write_text(OWN.replace("name: made-1", "name: twin"))
    path = shop.file("stock.bin", image())
    with pytest.raises(DefinitionMissingError, match="2 definitions fit"):
        shop.recorder().baseline("van17", path)
    entry = shop.recorder(definition=shop.definitions / "twin.yaml").baseline("van17", path).entry
    assert entry.image is not None
    assert entry.image.definition is not None
    assert entry.image.definition.name == "twin"


def test_a_pipe_can_be_recorded(begun: Shop, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.bin"
    os.mkfifo(pipe)
    threading.Thread(target=lambda: pipe.write_bytes(changed(FUEL, 61)), daemon=True).start()
    entry = begun.recorder().revision("van17", pipe).entry
    assert entry.file == Digest.of(changed(FUEL, 61))
