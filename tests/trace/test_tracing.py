"""What a file is said to be, by the entries of a made-up shop, whose story is told below; images of 8 KiB."""

from __future__ import annotations

import gzip
import os
import random
import shutil
import threading
import zipfile
from io import BytesIO
from pathlib import Path
from typing import Any

import attrs
import pytest
import trace_shop
from trace_shop import FUEL, LEARNED, NOTHING, OWN, SPARK, START, Shop

from caldiff.canonical import Digest
from caldiff.definition.catalogue import Catalogue
from caldiff.errors import CaldiffError, DoesNotFitError, FileError
from caldiff.image.limits import Limits
from caldiff.image.model import Image
from caldiff.image.writing import dump_image
from caldiff.table.opening import open_calibration
from caldiff.trace import tracing
from caldiff.trace.tracing import Traced, Tracer, trace
from caldiff.vault.index import Index
from caldiff.vault.vault import Vault

REST = random.Random(7).randbytes(15 * 512)


def image(**facts: Any) -> bytes:
    """The shop's image, and behind it what no definition knows."""
    return trace_shop.image(**facts) + REST


def changed(address: int, byte: int, **more: Any) -> bytes:
    return image(**{f"a{address:#x}": byte, **more})


REVISION = changed(FUEL, 11)
LATER = changed(FUEL, 11, **{f"a{SPARK:#x}": 60})
READBACK = changed(FUEL, 11, **{f"a{LEARNED:#x}": 7})
OTHER = image(vin=b"00WREN4V5N0000018")
LOG = b"time,rpm\n0.0,900\n0.1,910\n"


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """van-17: 0 stock, 1 revision, 2 delivery, 3 readback, 4 log, 5 later revision; van-18: 0 the stock of another."""
    shop = Shop(tmp_path_factory.mktemp("told"))
    (shop.definitions / "made-1.yaml").write_text(OWN.replace("size: 512,", "size: 8 KiB,"))
    recorder = shop.recorder()
    recorder.baseline("van-17", shop.file("stock.bin", image()))
    recorder.revision(
        "van-17",
        shop.file("rev1.bin", REVISION),
        parent=None,
        made_from=[shop.file("set.json", b"{}\n")],
        message="more",
    )
    recorder.delivery("van-17", of="1", to="the owner")
    recorder.readback("van-17", shop.file("back.bin", READBACK))
    recorder.evidence("van-17", [shop.file("log.csv", LOG)], of="1", sort="log", facts={})
    recorder.revision("van-17", shop.file("rev2.bin", LATER), parent="1", authorities={})
    recorder.baseline("van-18", shop.file("stock18.bin", OTHER))
    return shop.folder


@attrs.frozen
class Desk:
    """Where files arrive and are traced."""

    folder: Path
    vault: Vault
    definitions: Path

    def file(self, name: str, data: bytes) -> Path:
        path = self.folder / name
        path.write_bytes(data)
        return path

    def index(self) -> Index:
        made = Index.open(self.folder / "cache", self.vault)
        made.update()
        return made

    def trace(self, source: Any, **facts: Any) -> Traced:
        """A file, or bytes that arrive as one."""
        if isinstance(source, bytes):
            source = self.file("arrived", source)
        known = {"index": self.index(), "catalogue": Catalogue([self.definitions])}
        return trace(source, **(known | facts))


@pytest.fixture
def desk(told: Path, tmp_path: Path) -> Desk:
    shutil.copytree(told / "vault", tmp_path / "vault")
    return Desk(tmp_path, Vault.open(tmp_path / "vault"), told / "definitions")


def places(traced: Traced) -> list[tuple[str, int, str]]:
    return [(match.unit, match.sequence, match.how) for match in traced.matches]


def as_hex(data: bytes) -> bytes:
    return dump_image(Image.of(data, start=START), format="ihex")


def zipped(data: bytes) -> bytes:
    room = BytesIO()
    with zipfile.ZipFile(room, "w") as made:
        made.writestr("final2_NEW.bin", data)
    return room.getvalue()


# ------------------------------------------------------------------------------------------------------ known files


def test_a_file_is_told_byte_for_byte_with_all_entries_it_belongs_to(desk: Desk) -> None:
    """The delivery is of the same file; the readback holds the same but for what the controller learned."""
    traced = desk.trace(REVISION)
    assert places(traced) == [("van-17", 1, "file"), ("van-17", 2, "file"), ("van-17", 3, "stable")]
    assert traced.known
    assert traced.file == Digest.of(REVISION)
    assert [match.latest for match in traced.matches] == [5, 5, 5]
    first, delivery, _ = traced.matches
    assert first.hash == desk.vault.links("van-17")[1].hash
    assert (first.name, first.role, first.entry.draft.message) == ("rev1.bin", "subject", "more")
    assert set(delivery.numbers.values()) == {1}
    assert (traced.nearest, traced.calibration, traced.reason, traced.notes, traced.more) == ((), None, "", (), 0)


@pytest.mark.parametrize("pack", [gzip.compress, zipped, as_hex, lambda data: gzip.compress(as_hex(data))])
def test_the_same_content_in_another_file(desk: Desk, pack: Any) -> None:
    assert places(desk.trace(pack(LATER))) == [("van-17", 5, "content")]
    assert places(desk.trace(pack(OTHER))) == [("van-18", 0, "content")]


def test_a_raw_binary_is_looked_for_wherever_images_start(desk: Desk) -> None:
    """No definition is at hand that would say where it lies."""
    packed = gzip.compress(LATER)
    empty = Catalogue([desk.folder])
    assert places(desk.trace(packed, catalogue=empty)) == [("van-17", 5, "content")]
    assert places(desk.trace(packed, catalogue=empty, start=START)) == [("van-17", 5, "content")]
    assert places(desk.trace(packed, catalogue=empty, start=0)) == []


def test_volatile_regions_aside(desk: Desk) -> None:
    learned = changed(FUEL, 11, **{f"a{LEARNED:#x}": 99, f"a{LEARNED + 31:#x}": 98})
    wanted = [("van-17", 1, "stable"), ("van-17", 3, "stable")]
    assert places(desk.trace(learned)) == wanted
    assert places(desk.trace(as_hex(learned))) == wanted
    beyond = changed(FUEL, 11, **{f"a{LEARNED + 32:#x}": 99})
    assert places(desk.trace(beyond)) == []


def test_volatile_regions_by_the_definition_that_was_kept(desk: Desk) -> None:
    """The shop has none at hand any more; and it is opened once only."""
    learned = changed(FUEL, 11, **{f"a{LEARNED:#x}": 99})
    empty = Catalogue([desk.folder])
    index = desk.index()
    wanted = [("van-17", 1, "stable"), ("van-17", 3, "stable")]
    assert places(desk.trace(learned, catalogue=empty, index=index)) == wanted
    shutil.rmtree(Path(desk.vault.folder) / "objects")
    assert places(desk.trace(learned, catalogue=empty, index=index)) == wanted


def test_a_definition_that_is_lost_is_no_error(desk: Desk) -> None:
    learned = changed(FUEL, 11, **{f"a{LEARNED:#x}": 99})
    shutil.rmtree(Path(desk.vault.folder) / "objects")
    traced = desk.trace(learned, catalogue=Catalogue([desk.folder]))
    assert (places(traced), traced.nearest) == ([], ())
    assert traced.notes == (
        "5 images of the vault cannot be restored, and one may be nearer; 'caldiff verify' says more",
    )


def test_evidence_and_other_recorded_files(desk: Desk, told: Path) -> None:
    log, made_from = desk.trace(LOG), desk.trace(b"{}\n")
    assert places(log) == [("van-17", 4, "file")]
    assert log.matches[0].entry.kind == "evidence"
    assert [(m.sequence, m.role, m.name) for m in made_from.matches] == [(1, "made from", "set.json")]
    definition = desk.trace(told / "definitions" / "made-1.yaml")
    assert [(m.unit, m.sequence) for m in definition.matches] == [
        *(("van-17", n) for n in (0, 1, 3, 5)),
        ("van-18", 0),
    ]
    assert {(m.role, m.name) for m in definition.matches} == {("definition", "made-1.yaml")}


def test_no_more_entries_are_told_than_one_can_read(desk: Desk, told: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tracing, "_MOST", 2)
    traced = desk.trace(told / "definitions" / "made.yaml")
    assert (len(traced.matches), traced.more) == (2, 3)


def test_an_image_that_is_open_already(desk: Desk) -> None:
    catalogue = Catalogue([desk.definitions])
    file = open_calibration(desk.file("a.gz", gzip.compress(LATER)), catalogue=catalogue)
    assert places(desk.trace(file)) == [("van-17", 5, "content")]
    exact = open_calibration(desk.file("a.bin", LATER), catalogue=catalogue)
    assert places(desk.trace(exact)) == [("van-17", 5, "file")]
    memory = attrs.evolve(exact, image=Image.of(changed(FUEL, 77), start=START))
    stranger = desk.trace(memory)
    assert (places(stranger), stranger.nearest[0].sequence) == ([], 0)


def test_a_pipe_is_read_once(desk: Desk) -> None:
    path = desk.folder / "pipe"
    for data, wanted in ((REVISION, "file"), (as_hex(REVISION), "content")):
        os.mkfifo(path)
        writer = threading.Thread(target=path.write_bytes, args=(data,))
        writer.start()
        assert desk.trace(path).matches[0].how == wanted
        writer.join()
        path.unlink()


# -------------------------------------------------------------------------------------------------------- strangers


def test_a_stranger_is_told_how_far_it_is_and_in_what(desk: Desk) -> None:
    """By hand: against the later revision one cell and the checksum's four bytes differ, or fewer of those four."""
    stranger = changed(FUEL, 11, **{f"a{SPARK:#x}": 60, f"a{FUEL + 1:#x}": 99, f"a{NOTHING:#x}": 1})
    traced = desk.trace(stranger)
    assert (traced.known, traced.reason, traced.notes) == (False, "", ())
    assert traced.calibration is not None
    assert traced.calibration.definition is not None
    assert traced.calibration.definition.name == "made-1"
    near = traced.nearest[0]
    assert [(n.unit, n.sequence) for n in traced.nearest] == [("van-17", 5), ("van-17", 1), ("van-17", 0)]
    assert [(t.name, t.cells) for t in near.comparison.tables] == [("fuel", 1)]
    assert (near.comparison.fates.cell, near.comparison.fates.unexplained) == (1, 1)
    assert near.comparison.fates.total == sum(a != b for a, b in zip(stranger, LATER, strict=True))
    assert [n.comparison.fates.total for n in traced.nearest] == [
        sum(a != b for a, b in zip(stranger, other, strict=True)) for other in (LATER, REVISION, image())
    ]
    assert near.others == 0


def test_the_nearest_is_the_nearest_by_bytes(desk: Desk) -> None:
    """Their blocks alone would not tell them apart."""
    draw = random.Random(1)
    known = {("van-17", 0): image(), ("van-17", 1): REVISION, ("van-17", 3): READBACK, ("van-17", 5): LATER}
    known |= {("van-18", 0): OTHER}
    for _ in range(5):
        stranger = bytearray(draw.choice(list(known.values())))
        for at in draw.sample(range(0x50, 512), 3):
            stranger[at] ^= 0x5A
        traced = desk.trace(bytes(stranger))
        apart = sorted(sum(a != b for a, b in zip(stranger, data, strict=True)) for data in known.values())
        assert [near.comparison.fates.total for near in traced.nearest] == apart[:3]


def test_how_many_are_compared_is_the_callers_choice(desk: Desk) -> None:
    stranger = changed(FUEL, 99)
    assert [len(desk.trace(stranger, nearest=n).nearest) for n in (0, 1, 2)] == [0, 1, 2]
    assert desk.trace(stranger, nearest=0).calibration is not None


def test_another_vehicle_is_said_in_the_comparison(desk: Desk) -> None:
    traced = desk.trace(image(vin=b"00WREN4V5N0000019"))
    assert {near.unit for near in traced.nearest[:2]} == {"van-17", "van-18"}
    assert "vehicle" in traced.nearest[0].comparison.otherness


def test_several_entries_of_one_content_are_told_as_one(desk: Desk) -> None:
    shop_file = desk.file("repeat.hex", as_hex(image()))
    from caldiff.trace.recording import Recorder  # noqa: PLC0415 - only here

    recorder = Recorder(vault=desk.vault, time="2026-03-12T09:30:00Z", catalogue=Catalogue([desk.definitions]))
    recorder.repeat("van-17", shop_file)
    near = desk.trace(image(**{f"a{NOTHING:#x}": 1})).nearest[0]
    assert (near.sequence, near.others, near.comparison.fates.total) == (0, 1, 1)


def test_a_definition_that_is_asked_for(desk: Desk) -> None:
    definition = Catalogue([desk.definitions]).by_name("made-1")
    tracer = Tracer(index=desk.index(), catalogue=Catalogue([desk.folder]))
    path = desk.file("stranger.bin", changed(FUEL, 99))
    found = tracer.trace(path, definition=definition)
    assert found.calibration is not None
    assert found.calibration.definition == definition
    with pytest.raises(DoesNotFitError):
        tracer.trace(desk.file("other.bin", b"\0" * 8192), definition=definition)


def test_without_a_definition_that_of_the_kept_image_reads_both(desk: Desk) -> None:
    traced = desk.trace(changed(FUEL, 99), catalogue=Catalogue([desk.folder]))
    assert [t.name for t in traced.nearest[0].comparison.tables] == ["fuel"]
    assert traced.calibration is not None
    assert traced.calibration.image.start == START
    strange = bytearray(changed(FUEL, 99))
    strange[:6] = b"NOBODY"
    bare = desk.trace(bytes(strange), catalogue=Catalogue([desk.folder]))
    near = bare.nearest[0].comparison
    assert (near.after.definition, near.tables, near.fates.unexplained > 6) == (None, (), True)


def test_what_is_like_nothing(desk: Desk) -> None:
    traced = desk.trace(bytes(range(256)) * 20)
    assert (traced.known, traced.nearest, traced.reason) == (False, (), "")
    assert traced.calibration is not None


def test_what_is_no_image_is_a_stranger_all_the_same(desk: Desk) -> None:
    for data, words in (
        (b"only words, and no image at all\n", "this is no image but plain text"),
        (b"", "the file is empty"),
        (b":0312340061626390\n:00000001FF\n", "checksum"),
    ):
        traced = desk.trace(data)
        assert (traced.known, traced.nearest, traced.calibration) == (False, (), None)
        assert words in traced.reason
        assert traced.file == Digest.of(data)


def test_a_file_beyond_the_limit_is_still_told_byte_for_byte(desk: Desk) -> None:
    limits = Limits(size=64, span=64)
    assert places(desk.trace(LATER, limits=limits)) == [("van-17", 5, "file")]
    stranger = desk.trace(changed(FUEL, 99), limits=limits)
    assert (stranger.known, stranger.reason) == (False, "the file is larger than the limit")


# ------------------------------------------------------------------------------------------------- doubt and damage


def entry_file(desk: Desk, sequence: int) -> Path:
    return Path(desk.vault.folder) / "units" / "van-17" / f"{sequence:06}.json.gz"


def test_damage_is_told_where_it_may_hide_an_answer(desk: Desk) -> None:
    path = entry_file(desk, 5)
    data = path.read_bytes()
    path.write_bytes(data[:90] + bytes([data[90] ^ 4]) + data[91:])
    traced = desk.trace(LATER)
    assert not traced.known
    assert traced.notes[0].startswith("an entry of van-17 cannot be read")
    assert traced.notes[1].startswith("the vault keeps this very file")
    assert desk.trace(OTHER).notes == ()


def test_a_hit_that_the_vault_does_not_confirm_is_not_told(desk: Desk) -> None:
    """An index that names the wrong entries: for a file, a content and a stable digest."""
    index = desk.index()
    raw = {name: bytes.fromhex(Digest.of(data).hex) for name, data in {"ours": LATER, "theirs": OTHER}.items()}
    index.base.execute("UPDATE file SET digest = ? WHERE digest = ?", (b"x" * 32, raw["theirs"]))
    index.base.execute("UPDATE file SET digest = ? WHERE digest = ?", (raw["theirs"], raw["ours"]))
    traced = desk.trace(OTHER, index=index)
    assert ("van-17", 5, "file") not in places(traced)
    index = desk.index()
    content = Image.of(OTHER, start=START).content
    index.base.execute("UPDATE entry SET content = ?, stable = ?", [bytes.fromhex(content.hex)] * 2)
    assert places(desk.trace(gzip.compress(OTHER), index=index)) == [("van-18", 0, "content")]


def test_a_unit_whose_entry_is_not_as_the_index_knew_is_read_again(desk: Desk) -> None:
    """A hash that is another one: what is true is found on the second look."""
    index = desk.index()
    index.base.execute("UPDATE entry SET hash = ? WHERE unit = 'van-17'", (bytes(32),))
    assert places(desk.trace(LATER, index=index)) == [("van-17", 5, "file")]


def test_a_file_that_changes_while_it_is_read_is_trouble(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    path = desk.file("moving.bin", changed(FUEL, 99))
    real = Index.troubled

    def meanwhile(self: Index) -> Any:
        path.write_bytes(changed(FUEL, 98))
        return real(self)

    monkeypatch.setattr(Index, "troubled", meanwhile)
    with pytest.raises(FileError, match="changed while it was read"):
        desk.trace(path)


def test_a_file_that_cannot_be_read_is_trouble(desk: Desk) -> None:
    for path in (desk.folder / "none", desk.folder, Path("bad\0name")):
        with pytest.raises(FileError, match="cannot be read"):
            desk.trace(path)


def test_a_kept_image_that_is_damaged_is_not_compared_with(desk: Desk) -> None:
    for path in (Path(desk.vault.folder) / "objects").rglob(f"{Digest.of(OTHER).hex}*"):
        path.unlink()
    traced = desk.trace(changed(FUEL, 99))
    assert {near.unit for near in traced.nearest} == {"van-17"}
    assert traced.notes == (
        "an image of the vault cannot be restored, and one may be nearer; 'caldiff verify' says more",
    )


def test_arbitrary_bytes_raise_nothing_of_their_own(desk: Desk) -> None:
    """Mutated files of the vault, and noise."""
    draw = random.Random(2)
    index = desk.index()
    seeds = [image(), as_hex(image()), gzip.compress(image()), zipped(image()), LOG]
    for _ in range(60):
        data = bytearray(draw.choice(seeds))
        for _ in range(draw.randrange(4)):
            data[draw.randrange(len(data))] = draw.randrange(256)
        cut = bytes(data[: draw.randrange(len(data) + 1)]) if draw.random() < 0.3 else bytes(data)
        try:
            traced = desk.trace(cut, index=index)
        except CaldiffError:
            continue
        assert traced.file == Digest.of(cut)
        assert traced.known or traced.reason or traced.calibration is not None


def test_an_empty_vault_knows_nobody(tmp_path: Path) -> None:
    desk = Desk(tmp_path, Vault.create(tmp_path / "vault", id="0" * 32), tmp_path)
    traced = desk.trace(image())
    assert (traced.known, traced.nearest, traced.notes) == (False, (), ())
    assert repr(traced).endswith("a stranger, 0 near>")
