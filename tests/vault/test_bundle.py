"""A unit as a single file: what is in it, that it is taken in whole or not at all, and zips that mean harm."""

from __future__ import annotations

import hashlib
import random
import shutil
import warnings
import zipfile
from io import BytesIO
from pathlib import Path

import pytest
from bundle_units import KEY, baseline, changed, note, revision, stock, story, vault_at
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError, VaultError
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image
from caldiff.vault import bundle
from caldiff.vault.bundle import Imported, export_unit, import_unit
from caldiff.vault.files import get, object_name, pack
from caldiff.vault.vault import Vault
from caldiff.vault.zipped import zipped


@pytest.fixture
def vault(tmp_path: Path) -> Vault:
    return vault_at(tmp_path / "vault")


@pytest.fixture
def other(tmp_path: Path) -> Vault:
    return vault_at(tmp_path / "other", "b")


def members(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(BytesIO(data)) as found:
        return {name: found.read(name) for name in found.namelist()}


def everything(vault: Vault) -> dict[str, bytes]:
    root = Path(vault.folder)
    return {str(path.relative_to(root)): path.read_bytes() for path in sorted(root.rglob("*")) if path.is_file()}


# ------------------------------------------------------------------------------------------------------------ there


def test_an_unpacked_export_is_a_vault(vault: Vault, tmp_path: Path) -> None:
    images = story(vault)
    story(vault, "van4", 2)
    with zipfile.ZipFile(BytesIO(export_unit(vault, "van17"))) as found:
        assert found.testzip() is None
        assert {info.compress_type for info in found.infolist()} == {zipfile.ZIP_STORED}
        found.extractall(tmp_path / "there")
    there = Vault.open(tmp_path / "there")
    assert there.units() == ("van17",)
    assert [link.hash for link in there.links("van17")] == [link.hash for link in vault.links("van17")]
    assert [there.fetch(Digest.of(image)) for image in images] == images
    assert there.id not in {vault.id, "a" * 32}
    stem = hashlib.sha256(images[0]).hexdigest()
    assert (tmp_path / "there" / "objects" / stem[:2] / stem).read_bytes() == images[0]


def test_an_export_is_always_the_same(vault: Vault) -> None:
    story(vault)
    first = export_unit(vault, "van17")
    story(vault, "van4", 2)
    assert export_unit(vault, "van17") == first


def test_every_file_goes_with_its_recovery_data(vault: Vault) -> None:
    story(vault)
    names = set(members(export_unit(vault, "van17")))
    bare = {name for name in names if not name.endswith(".mend")}
    assert names == bare | {f"{name}.mend" for name in bare}
    assert len(bare) == 1 + 5 + 4  # the mark, the entries, the images


def test_revisions_go_as_small_as_they_are_kept(vault: Vault) -> None:
    story(vault)
    sizes = {name: len(data) for name, data in members(export_unit(vault, "van17")).items()}
    assert max(size for name, size in sizes.items() if name.endswith(".diff")) < 1000


def test_nothing_of_another_unit_goes_with_it(vault: Vault) -> None:
    """A revision that is kept as a difference against a neighbour's file is exported whole."""
    theirs = stock(1)
    ours = changed(theirs, 5)
    baseline(vault, "van17", theirs)
    vault.keep(stock(2))
    baseline(vault, "van4", stock(2))
    revision(vault, "van4", ours, near=theirs)
    assert vault.form(Digest.of(ours)) == "difference"
    data = export_unit(vault, "van4")
    assert Digest.of(theirs).hex not in "".join(members(data))
    assert theirs not in data
    assert ours in data


def test_what_is_damaged_is_not_exported(vault: Vault) -> None:
    images = story(vault)
    digest = Digest.of(images[0]).hex
    Path(vault.folder, "objects", digest[:2], digest).write_bytes(changed(images[0], 3))
    with pytest.raises(VaultError, match="damaged"):
        export_unit(vault, "van17")
    with pytest.raises(VaultError, match="no unit van4"):
        export_unit(vault, "van4")


# -------------------------------------------------------------------------------------------------------- and back


def test_a_unit_comes_whole_into_another_vault(vault: Vault, other: Vault) -> None:
    images = story(vault)
    story(other, "van4", 2)
    data = export_unit(vault, "van17")
    assert import_unit(other, data) == Imported(unit="van17", entries=5, added=5, files=4, ahead=0)
    assert other.chain("van17").recorded == vault.chain("van17").recorded  # signatures too
    assert [other.fetch(Digest.of(image)) for image in images] == images
    assert [other.form(Digest.of(image)) for image in images] == ["whole", *["difference"] * 3]
    assert [finding for finding in other.byte_findings() if finding.fault] == []


def test_a_second_time_nothing_is_done(vault: Vault, other: Vault) -> None:
    story(vault)
    data = export_unit(vault, "van17")
    import_unit(other, data)
    before = everything(other)
    assert import_unit(other, data) == Imported(unit="van17", entries=5, added=0, files=0, ahead=0)
    assert import_unit(vault, data) == Imported(unit="van17", entries=5, added=0, files=0, ahead=0)
    assert everything(other) == before


def test_a_chain_is_extended_and_never_cut(vault: Vault, other: Vault) -> None:
    images = story(vault)
    old = export_unit(vault, "van17")
    import_unit(other, old)
    revision(vault, "van17", changed(images[-1], 999), near=images[-1], signers=(KEY,))
    note(vault, "van17", "runs better")
    assert import_unit(other, export_unit(vault, "van17")).added == 2
    assert other.chain("van17").recorded == vault.chain("van17").recorded
    before = everything(other)
    assert import_unit(other, old) == Imported(unit="van17", entries=5, added=0, files=0, ahead=2)
    assert everything(other) == before


def test_a_fork_is_refused_and_named(vault: Vault, other: Vault) -> None:
    story(vault)
    import_unit(other, export_unit(vault, "van17"))
    note(vault, "van17", "said here")
    note(other, "van17", "said there")
    note(other, "van17", "and more")
    before = everything(other)
    with pytest.raises(VaultError, match="the chains of van17 part at entry 5") as caught:
        import_unit(other, export_unit(vault, "van17"))
    assert other.links("van17")[5].hash.hex in (caught.value.expected or "")
    assert vault.links("van17")[5].hash.hex in (caught.value.got or "")
    assert everything(other) == before


def test_a_lost_file_comes_back(vault: Vault, other: Vault) -> None:
    images = story(vault)
    data = export_unit(vault, "van17")
    import_unit(other, data)
    digest = Digest.of(images[0]).hex
    Path(other.folder, "objects", digest[:2], digest).unlink()
    assert import_unit(other, data).files == 1
    assert other.fetch(Digest.of(images[0])) == images[0]


def test_units_that_differ_by_case_only_do_not_meet(vault: Vault, other: Vault) -> None:
    story(vault, "VAN17")
    story(other, "van17", 2)
    with pytest.raises(VaultError, match="by case only"):
        import_unit(other, export_unit(vault, "VAN17"))


def test_bases_that_are_kept_otherwise_here(vault: Vault, other: Vault) -> None:
    """The vault that takes a revision in keeps its base as a difference already, so the depths differ."""
    images = story(vault)
    baseline(other, "van4", images[1])
    other.keep(images[0], near={}, image=None)
    import_unit(other, export_unit(vault, "van17"))
    assert [other.fetch(Digest.of(image)) for image in images] == images
    assert [finding for finding in other.byte_findings() if finding.fault] == []


@pytest.mark.parametrize(("stock_at", "revision_at"), [(0x800000, 0x800000), (0x10, 0), (0, 0x10)])
def test_a_difference_stays_one_wherever_raw_binaries_lie(
    vault: Vault, other: Vault, stock_at: int, revision_at: int
) -> None:
    old = stock(1)
    reach = bytes(16) + old + bytes(16)
    new = changed(reach[16 + revision_at - stock_at :][: len(old)], 9)
    travels(vault, other, new, near=read_image(old, format="binary", start=stock_at), start=revision_at)


def test_a_difference_stays_one_in_another_format(vault: Vault, other: Vault) -> None:
    old = stock(1)
    near = read_image(old, format="binary", start=0x800000)
    new = dump_image(read_image(changed(old, 9), format="binary", start=0x800000), format="ihex")
    travels(vault, other, new, near=near)


def travels(vault: Vault, other: Vault, new: bytes, *, near: Image, start: int | None = None) -> None:
    old = bytes(near.segments[0].data)
    baseline(vault, "van17", old)
    image = read_image(new, start=start, format="binary" if start is not None else None)
    vault.keep(new, image=image, near={Digest.of(old): near})
    revision(vault, "van17", new, near=None)
    import_unit(other, export_unit(vault, "van17"))
    name = object_name(Digest.of(new).hex, ".diff")
    assert len(get(other.folder, name)) <= len(get(vault.folder, name)) < 1000
    assert other.fetch(Digest.of(new)) == new


def test_killed_on_the_way_the_next_import_goes_on(vault: Vault, other: Vault, monkeypatch: pytest.MonkeyPatch) -> None:
    story(vault)
    data = export_unit(vault, "van17")

    def put(folder: str, name: str, part: bytes, *, mend: bool = True) -> bool:
        if name.endswith("000003.json.gz"):
            raise KeyboardInterrupt
        return sound(folder, name, part, mend=mend)

    sound = bundle.put
    monkeypatch.setattr(bundle, "put", put)
    with pytest.raises(KeyboardInterrupt):
        import_unit(other, data)
    monkeypatch.undo()
    assert len(other.links("van17")) == 3
    assert import_unit(other, data).added == 2
    assert other.chain("van17").recorded == vault.chain("van17").recorded


# -------------------------------------------------------------------------------------------------------- bad intent


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    made = vault_at(tmp_path_factory.mktemp("exported") / "vault")
    story(made, revisions=1)
    return export_unit(made, "van17")


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Vault:
    return vault_at(tmp_path_factory.mktemp("target") / "vault", "c")


def refused(target: Vault, data: bytes) -> CaldiffError:
    before = everything(target)
    with pytest.raises(CaldiffError) as caught:
        import_unit(target, data)
    assert everything(target) == before
    return caught.value


@pytest.mark.parametrize(
    "name",
    [
        "../escaped",
        "/etc/escaped",
        "units/../../escaped/000000.json.gz",
        "units/van17/../000000.json.gz",
        "units\\van17\\000000.json.gz",
        "C:/escaped",
        "objects/00/" + "11" * 32,
        "objects/11/" + "11" * 32 + ".exe",
        "units/van17/0000000.json.gz",
        "units/van17/00000\u0660.json.gz",
        "vault.json/",
        "vault.json\0more",
        "checkpoints/000001.json.gz",
        ".git/config",
        "",
    ],
)
def test_no_other_names(target: Vault, exported: bytes, name: str) -> None:
    with BytesIO(exported) as out, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with zipfile.ZipFile(out, "a") as made:
            about = zipfile.ZipInfo("x")
            about.filename = name
            made.writestr(about, b"")
        error = refused(target, out.getvalue())
    assert error.reason.startswith(
        ("a file in it does not belong there", "a file stands in it twice", "the zip is broken")
    )


def test_a_zip_bomb(target: Vault, exported: bytes) -> None:
    with BytesIO(exported) as out:
        with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as made:
            made.writestr("objects/11/" + "11" * 32, bytes(1 << 20))
        assert refused(target, out.getvalue()).reason == "a file in it is compressed or locked"


def test_a_file_that_stands_twice(target: Vault, exported: bytes) -> None:
    """One reader would take the first, another the last."""
    with BytesIO(exported) as out, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with zipfile.ZipFile(out, "a") as made:
            made.writestr("vault.json", members(exported)["vault.json"])
        assert refused(target, out.getvalue()).reason == "a file stands in it twice"


def test_gzip_bombs(target: Vault, exported: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    files = members(exported)
    bomb = pack(bytes(40 << 20))
    digest = hashlib.sha256(bytes(40 << 20)).hexdigest()
    monkeypatch.setattr(bundle, "_UNPACKED", 32 << 20)
    assert (
        refused(target, zipped({**files, f"objects/{digest[:2]}/{digest}.gz": bomb})).reason == "the unit is too large"
    )
    lying = bomb[:-4] + bytes(4)
    entry = next(name for name in files if name.startswith("units"))
    refused(target, zipped({**files, entry: lying}))


def test_members_that_share_their_bytes(target: Vault) -> None:
    """A zip whose directory names one place many times unpacks to more than it is."""
    names = [f"objects/11/{'11' * 31}{n:02x}" for n in range(40)]
    with BytesIO() as out:
        with zipfile.ZipFile(out, "w") as made:
            made.writestr("vault.json", bytes(10_000))
            first = made.infolist()[0]
            for name in names:
                about = zipfile.ZipInfo(name)
                about.file_size, about.compress_size, about.CRC = first.file_size, first.compress_size, first.CRC
                about.header_offset = first.header_offset
                made.filelist.append(about)
                made.NameToInfo[name] = about
            made._didModify = True
        data = out.getvalue()
    assert len(data) < 40 * 10_000
    refused(target, data)


@pytest.mark.parametrize("lost", ["vault.json", "units/van17/000000", "units/van17/000001", "objects"])
def test_a_file_that_is_missing(target: Vault, exported: bytes, lost: str) -> None:
    files = members(exported)
    name = next(name for name in files if name.startswith(lost))
    refused(target, zipped({own: data for own, data in files.items() if own != name}))


def test_a_tail_that_is_missing_cannot_be_told(tmp_path: Path, exported: bytes) -> None:
    """Nothing in a chain says how long it is: that is what heads and checkpoints are for."""
    files = members(exported)
    short = {name: data for name, data in files.items() if not name.startswith("units/van17/000002")}
    assert import_unit(vault_at(tmp_path / "short"), zipped(short)).entries == 2


def test_what_no_entry_names_is_not_taken(target: Vault, exported: bytes) -> None:
    foreign = b"foreign"
    digest = hashlib.sha256(foreign).hexdigest()
    error = refused(target, zipped({**members(exported), f"objects/{digest[:2]}/{digest}": foreign}))
    assert error.reason == "a file in it is named by no entry"


def test_two_units(target: Vault, exported: bytes, vault: Vault) -> None:
    story(vault, "van4", 2)
    assert "one unit" in refused(target, zipped({**members(exported), **members(export_unit(vault, "van4"))})).reason


def test_differences_that_go_round_in_a_circle(target: Vault, exported: bytes) -> None:
    files = members(exported)
    diff = next(name for name in files if name.endswith(".diff"))
    (whole,) = (n for n in files if n.startswith("objects") and not n.endswith((".diff", ".mend")))
    head, _, body = files[diff].partition(b"\n")
    base, own = whole.split("/")[-1], diff.split("/")[-1].removesuffix(".diff")
    back = head.replace(base.encode(), own.encode()) + b"\n" + body
    files = {name: data for name, data in files.items() if not name.startswith(whole)}
    refused(target, zipped({**files, f"{whole}.diff": back}))


@pytest.mark.parametrize("start", ["units/van17/000001", "objects", "vault.json"])
def test_errors_name_the_file_in_the_zip(target: Vault, exported: bytes, start: str) -> None:
    files = members(exported)
    name = next(name for name in files if name.startswith(start))
    error = refused(target, zipped({**files, name: changed(files[name], 3)}))
    assert error.file == name


@given(st.binary(max_size=500))
def test_any_bytes(target: Vault, data: bytes) -> None:
    refused(target, data)


@given(st.integers(0, 2**32))
def test_any_damage(target: Vault, exported: bytes, seed: int) -> None:
    """Bytes turned over, cut out, doubled or cut off: it is refused, or it was not in anything that counts."""
    chance = random.Random(seed)
    data = bytearray(exported)
    for _ in range(chance.randint(1, 3)):
        at, size = chance.randrange(len(data)), chance.choice([1, 1, 4, 300])
        part = data[at : at + size]
        how = chance.randrange(5)
        data[at : at + size] = (
            bytes(byte ^ 1 << chance.randrange(8) for byte in part),
            chance.randbytes(len(part)),
            b"",
            part + part,
            part,
        )[how]
        if not how:
            continue
        if how == 4:
            del data[at:]
    root = Path(target.folder).parent / "again"
    shutil.rmtree(root, ignore_errors=True)
    again = vault_at(root, "d")
    try:
        taken = import_unit(again, bytes(data))
    except CaldiffError:
        assert again.units() == ()
        return
    assert (taken.unit, taken.entries) == ("van17", 3)
    assert export_unit(again, "van17")
