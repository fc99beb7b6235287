"""A vault made, opened, added to and read: what is in the folder, and what is refused in which words."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
from hashlib import sha256
from pathlib import Path

import pytest
from bundle_units import KEY, baseline, changed, facts, note, revision, stock, story, time_of, vault_at
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError, LedgerError, VaultError
from caldiff.image.reading import read_image
from caldiff.ledger.entry import Approval, Baseline, Changes, DefinitionFact, Draft, ImageFacts, Note, Revision, Subject
from caldiff.ledger.link import Link
from caldiff.vault.files import pack, unpack
from caldiff.vault.vault import Vault, read_mark


@pytest.fixture
def vault(tmp_path: Path) -> Vault:
    return vault_at(tmp_path / "v")


def names(vault: Vault) -> set[str]:
    return {str(p.relative_to(vault.folder)) for p in Path(vault.folder).rglob("*") if p.is_file()}


# ------------------------------------------------------------------------------------------------------ making, opening


def test_what_a_new_vault_is(vault: Vault) -> None:
    assert names(vault) == {"vault.json", "vault.json.mend", ".gitattributes"}
    assert (Path(vault.folder) / "vault.json").read_bytes() == b'{"caldiff":"vault","id":"%s","version":1}\n' % (
        b"a" * 32
    )
    assert Vault.open(vault.folder).id == "a" * 32
    assert vault.units() == ()
    assert list(vault.byte_findings()) == []


def test_every_file_of_a_story_is_where_the_page_says(vault: Vault) -> None:
    images = story(vault)
    first = sha256(images[0]).hexdigest()
    expected = {"vault.json", ".gitattributes", *(f"units/van17/00000{n}.json.gz" for n in range(5))}
    expected |= {f"objects/{first[:2]}/{first}"}
    expected |= {f"objects/{d[:2]}/{d}.diff" for d in (sha256(i).hexdigest() for i in images[1:])}
    assert names(vault) == expected | {f"{name}.mend" for name in expected - {".gitattributes"}}


def test_a_baseline_is_proven_without_us(vault: Vault) -> None:
    """By the very command that the page on the vault gives."""
    images = story(vault)
    page = (Path(__file__).parents[2] / "docs" / "vault.md").read_text(encoding="utf-8")
    command = page.split("```sh\ncd vault\n")[1].split("\n```")[0]
    first = Digest.of(images[0]).hex
    for state in ("sound", "DAMAGED"):
        done = subprocess.run(command, shell=True, cwd=vault.folder, capture_output=True, text=True, check=True)  # noqa: S602 - our own page
        assert done.stdout == f"{state} {first}\n"
        path = Path(vault.folder, "objects", first[:2], first)
        path.write_bytes(changed(path.read_bytes(), 5) if state == "sound" else images[0])
    path = next(p for p in Path(vault.folder, "objects").rglob("*") if p.is_file() and not p.suffix)
    said = subprocess.run(["sha256sum", path], capture_output=True, text=True, check=True).stdout.split()[0]
    assert said == path.name
    assert path.read_bytes() == images[0]


def test_an_entry_is_read_without_us(vault: Vault) -> None:
    story(vault)
    envelope = json.loads(gzip.decompress(Path(vault.folder, "units/van17/000001.json.gz").read_bytes()))
    assert envelope["payloadType"] == "application/vnd.in-toto+json"
    assert [s["keyid"] for s in envelope["signatures"]] == [KEY.public.keyid]


def test_a_folder_in_use_is_no_place_for_one(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("dear")
    with pytest.raises(VaultError, match="not empty"):
        vault_at(tmp_path)
    vault_at(tmp_path / "v")
    with pytest.raises(VaultError, match="a vault already"):
        vault_at(tmp_path / "v")
    with pytest.raises(VaultError, match="no folder"):
        vault_at(tmp_path / "letter.txt")


def test_a_repository_is_a_place_for_one(tmp_path: Path) -> None:
    (tmp_path / ".git").mkdir()
    (tmp_path / ".gitattributes").write_text("mine\n")
    vault_at(tmp_path)
    assert (tmp_path / ".gitattributes").read_text() == "mine\n"


@pytest.mark.parametrize("text", ["", "a" * 31, "A" * 32, "a" * 33, "../" + "a" * 29])
def test_an_id_that_is_none_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(VaultError, match="no id"):
        Vault.create(tmp_path / "v", id=text)
    assert not (tmp_path / "v").exists()


def test_what_is_no_vault_is_not_opened(tmp_path: Path) -> None:
    with pytest.raises(VaultError, match="is no vault"):
        Vault.open(tmp_path)
    with pytest.raises(VaultError, match="is no vault"):
        Vault.open(tmp_path / "nowhere")


def test_a_damaged_mark_opens_as_it_was_and_nothing_is_written(vault: Vault) -> None:
    """A digit of the id flipped leaves a good vault.json, which only the recovery data tells from the right one."""
    mark = Path(vault.folder, "vault.json")
    bad = mark.read_bytes().replace(b"aaa", b"aba")
    mark.write_bytes(bad)
    assert Vault.open(vault.folder).id == "a" * 32
    assert mark.read_bytes() == bad
    mark.write_bytes(b"")
    assert Vault.open(vault.folder).id == "a" * 32
    mark.unlink()
    assert Vault.open(vault.folder).id == "a" * 32
    Path(vault.folder, "vault.json.mend").unlink()
    mark.write_bytes(b"x")
    with pytest.raises(VaultError, match=r"vault\.json is damaged"):
        Vault.open(vault.folder)


@given(
    st.one_of(
        st.binary(max_size=100),
        st.recursive(st.none() | st.integers() | st.text(), st.lists).map(
            lambda value: json.dumps(value).encode() + b"\n"
        ),
    )
)
def test_any_bytes_are_no_mark(data: bytes) -> None:
    assert read_mark(data) is None


@pytest.mark.parametrize("version", ["true", "2", "1.0", '"1"', "null"])
def test_a_mark_of_another_version_is_none(version: str) -> None:
    assert read_mark(b'{"caldiff":"vault","id":"%s","version":%s}\n' % (b"a" * 32, version.encode())) is None
    assert read_mark(b'{"caldiff":"vault","id":"%s","version":1}\n' % (b"a" * 32)) == "a" * 32


# ----------------------------------------------------------------------------------------------------------- appending


def test_entries_follow_one_another(vault: Vault) -> None:
    story(vault)
    links = vault.links("van17")
    assert [(link.sequence, link.kind) for link in links] == [
        (0, "baseline"),
        (1, "revision"),
        (2, "revision"),
        (3, "revision"),
        (4, "note"),
    ]
    assert [link.previous for link in links] == [None, *(link.hash for link in links[:-1])]
    assert [one.entry.hash for one in vault.chain("van17").recorded] == [link.hash for link in links]
    assert vault.link("van17", 2) == links[2]
    assert vault.units() == ("van17",)


def test_what_is_returned_is_what_is_kept(vault: Vault) -> None:
    baseline(vault, "van17", stock(1))
    recorded = note(vault, "van17", "hello", signers=(KEY,))
    assert vault.chain("van17").head == recorded
    assert KEY.public.verify(recorded.envelope.signatures[0].sig, recorded.envelope.signed)


def test_an_entry_of_files_that_are_not_kept_is_refused(vault: Vault) -> None:
    data = stock(2)
    subject = Subject(name="read.bin", file=Digest.of(data))
    draft = Draft(body=Baseline(image=facts(data)), time=time_of(0), subjects=(subject,))
    with pytest.raises(VaultError, match=r"does not hold: read\.bin"):
        vault.append("van17", draft)
    vault.keep(data)
    definition = DefinitionFact(
        name="wren4", digest=Digest.of(b"d"), files=(Subject(name="w.yaml", file=Digest.of(b"w")),)
    )
    image = ImageFacts(format="binary", size=1, start=0, content=Digest.of(b"c"), definition=definition)
    with pytest.raises(VaultError, match=r"does not hold: w\.yaml"):
        vault.append("van17", Draft(body=Baseline(image=image), time=time_of(0), subjects=(subject,)))
    assert vault.units() == ()


def test_what_a_revision_was_made_with_has_to_be_kept_too(vault: Vault) -> None:
    data = stock(2)
    first = baseline(vault, "van17", data).entry.hash
    none = Changes(raw=Digest.of(b""))
    body = Revision(
        image=facts(data),
        parent=first,
        baseline=first,
        against_parent=none,
        against_baseline=none,
        made_from=(Subject(name="set.json", file=Digest.of(b"s")),),
    )
    with pytest.raises(VaultError, match=r"set\.json"):
        vault.append("van17", Draft(body=body, time=time_of(1), subjects=(Subject(name="r", file=Digest.of(data)),)))


def test_a_chain_begins_with_a_baseline(vault: Vault) -> None:
    with pytest.raises(CaldiffError, match=r"(?i)baseline|first"):
        vault.append("van17", Draft(body=Note(), time=time_of(0), message="hello"))
    assert vault.units() == ()
    assert not Path(vault.folder, "units").exists()


def test_an_entry_names_only_earlier_ones_of_its_chain(vault: Vault) -> None:
    other = baseline(vault, "other", stock(3)).entry.hash
    baseline(vault, "van17", stock(1))
    with pytest.raises(VaultError, match="no earlier one of this chain"):
        vault.append("van17", Draft(body=Approval(of=other), time=time_of(1)))
    own = vault.links("van17")[0].hash
    with pytest.raises(VaultError, match="wrong kind"):
        vault.append("van17", Draft(body=Approval(of=own), time=time_of(1)))
    assert len(vault.links("van17")) == 1


def test_the_newest_entry_can_be_insisted_on(vault: Vault) -> None:
    first = baseline(vault, "van17", stock(1)).entry.hash
    draft = Draft(body=Note(), time=time_of(1), message="one")
    vault.append("van17", draft, expect=first)
    with pytest.raises(VaultError, match="another one by now"):
        vault.append("van17", draft, expect=first)
    with pytest.raises(VaultError, match="another one by now"):
        vault.append("new", draft, expect=first)
    assert len(vault.links("van17")) == 2


def test_a_number_that_another_took_is_left_to_it(vault: Vault, monkeypatch: pytest.MonkeyPatch) -> None:
    baseline(vault, "van17", stock(1))
    once = []
    real = Vault.chain_so_far

    def late(self: Vault, unit: str) -> tuple[Link, ...]:
        links = real(self, unit)
        if not once:
            once.append(1)
            note(vault, "van17", "the other's")
        return links

    monkeypatch.setattr(Vault, "chain_so_far", late)
    vault.append("van17", Draft(body=Note(), time=time_of(2), message="mine"))
    assert [e.draft.message for e in vault.chain("van17").entries] == ["", "the other's", "mine"]


@pytest.mark.parametrize("unit", ["", ".", "..", "a/b", "../x", "a.", "ü", "a" * 65, "a\0b"])
def test_a_unit_by_an_impossible_name_is_refused(vault: Vault, unit: str) -> None:
    vault.keep(stock(1))
    subject = Subject(name="r", file=Digest.of(stock(1)))
    with pytest.raises(LedgerError):
        vault.append(unit, Draft(body=Baseline(image=facts(stock(1))), time=time_of(0), subjects=(subject,)))
    with pytest.raises(LedgerError):
        vault.links(unit)
    assert not Path(vault.folder, "units").exists()


def test_two_units_do_not_differ_by_case_only(vault: Vault) -> None:
    baseline(vault, "Van17", stock(1))
    with pytest.raises(VaultError, match="Van17 is there already"):
        baseline(vault, "van17", stock(1))


def test_a_damaged_newest_entry_stops_the_chain_and_is_left_as_it_is(vault: Vault) -> None:
    story(vault)
    head = Path(vault.folder, "units/van17/000004.json.gz")
    for bad in (b"", head.read_bytes()[:-3], head.read_bytes()[:40] + b"?" + head.read_bytes()[41:]):
        head.write_bytes(bad)
        with pytest.raises(VaultError) as caught:
            note(vault, "van17", "more")
        assert caught.value.file == str(head)
        assert head.read_bytes() == bad
    assert not Path(vault.folder, "units/van17/000005.json.gz").exists()


def test_a_gap_stops_the_chain(vault: Vault) -> None:
    story(vault)
    Path(vault.folder, "units/van17/000002.json.gz").unlink()
    with pytest.raises(VaultError, match="entry 2 is missing"):
        note(vault, "van17", "more")
    with pytest.raises(VaultError, match="entry 2 is missing"):
        vault.chain("van17")


def test_recovery_data_that_a_killed_process_left_out_is_made_by_the_next_entry(vault: Vault) -> None:
    story(vault)
    mend = Path(vault.folder, "units/van17/000004.json.gz.mend")
    was = mend.read_bytes()
    mend.unlink()
    findings = list(vault.byte_findings())
    assert [(f.file, f.fault) for f in findings] == [("units/van17/000004.json.gz.mend", False)]
    note(vault, "van17", "more")
    assert mend.read_bytes() == was
    assert list(vault.byte_findings()) == []


def test_recovery_data_that_a_killed_process_left_out_is_made_by_keeping_again(vault: Vault) -> None:
    digest = vault.keep(stock(1))
    mend = next(Path(vault.folder, "objects").rglob("*.mend"))
    was = mend.read_bytes()
    mend.unlink()
    assert {f.fault for f in vault.byte_findings()} == {False}
    assert vault.keep(stock(1)) == digest
    assert mend.read_bytes() == was


def test_units_that_are_not_there(vault: Vault) -> None:
    story(vault)
    with pytest.raises(VaultError, match="no unit van18") as caught:
        vault.links("van18")
    assert caught.value.expected == "van17"
    with pytest.raises(VaultError, match="lacks this file"):
        vault.link("van17", 17)
    chain, findings = vault.survey("van18")
    assert chain is None
    assert findings[0].fault


# -------------------------------------------------------------------------------------------------------------- files


def test_what_is_not_kept(vault: Vault) -> None:
    missing = Digest.of(b"nothing")
    with pytest.raises(VaultError, match="does not hold"):
        vault.fetch(missing)
    assert (vault.holds(missing), vault.form(missing)) == (False, None)
    [(digest, error)] = vault.fetch_many([missing])
    assert digest == missing
    assert isinstance(error, VaultError)


def as_they_are(vault: Vault) -> dict[str, tuple[int, int]]:
    """Which file each is, and when it was written."""
    found = {name: Path(vault.folder, name).stat() for name in names(vault)}
    return {name: (about.st_ino, about.st_mtime_ns) for name, about in found.items()}


def test_keeping_again_changes_nothing(vault: Vault) -> None:
    story(vault)
    before = as_they_are(vault)
    for digest in {d for link in vault.links("van17") for _, d in link.subjects}:
        vault.keep(vault.fetch(digest))
    assert as_they_are(vault) == before


def test_a_kept_difference_may_be_wanted_whole(vault: Vault) -> None:
    images = story(vault)
    digest = Digest.of(images[2])
    assert vault.form(digest) == "difference"
    vault.keep(images[2], whole=True)
    assert vault.form(digest) == "whole"
    assert vault.fetch(digest) == images[2]
    assert vault.fetch(Digest.of(images[3])) == images[3]


def test_a_circle_of_differences_is_told(vault: Vault) -> None:
    one, other = Digest(hex="1" * 64), Digest(hex="2" * 64)
    for digest, base in ((one, other), (other, one)):
        path = Path(vault.folder, "objects", digest.hex[:2], f"{digest.hex}.diff")
        path.parent.mkdir(parents=True)
        head = {"base": base.hex, "caldiff": "difference", "depth": 2, "format": "binary", "like": "binary"}
        path.write_bytes(json.dumps({**head, "size": 5, "version": 1}).encode() + b"\n\3\0")
    with pytest.raises(VaultError, match="does not agree"):
        vault.fetch(one)
    got = dict(vault.fetch_many([one, other]))
    assert set(got) == {one, other}
    assert all(isinstance(error, VaultError) for error in got.values())
    assert {f.file for f in vault.byte_findings() if f.fault and f.file} >= {
        f"objects/{d.hex[:2]}/{d.hex}.diff" for d in (one, other)
    }


def test_restoring_imports_nothing_heavy(vault: Vault) -> None:
    images = story(vault)
    digest = Digest.of(images[-1]).hex
    program = (
        "import sys\nfrom caldiff.canonical import Digest\nfrom caldiff.vault.vault import Vault\n"
        f"vault = Vault.open({vault.folder!r})\nvault.links('van17')\n"
        f"assert len(vault.fetch(Digest(hex={digest!r}))) == {len(images[-1])}\n"
        "heavy = {'numpy', 'zfec', 'cryptography', 'sqlite3', 'yaml', 'caldiff.ledger.entry', 'caldiff.image.model'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60)
    assert said.stdout == "[]\n"


def test_a_pipe_in_a_files_place_is_told_and_not_waited_for(vault: Vault) -> None:
    story(vault)
    head = Path(vault.folder, "units/van17/000004.json.gz")
    head.unlink()
    os.mkfifo(head)
    with pytest.raises(VaultError, match="no regular file"):
        vault.links("van17")
    assert vault.survey("van17")[1]
    assert "units/van17/000004.json.gz" in {f.file for f in vault.byte_findings()}


# --------------------------------------------------------------------------------------------------------------- gzip


@given(st.binary(max_size=2000))
def test_gzip_comes_back_and_any_gzip_reads_it(data: bytes) -> None:
    packed = pack(data)
    assert unpack(packed) == data
    assert gzip.decompress(packed) == data
    assert packed[:10].hex() == "1f8b08000000000000ff"


@given(st.binary(max_size=200), st.integers(0, 2000), st.integers(0, 7))
def test_a_flipped_bit_is_refused_or_changes_nothing(data: bytes, at: int, bit: int) -> None:
    packed = bytearray(pack(data))
    packed[at % len(packed)] ^= 1 << bit
    try:
        assert unpack(bytes(packed)) == data
    except VaultError:
        return


@given(st.binary(max_size=100))
def test_any_bytes_are_no_gzip(data: bytes) -> None:
    with pytest.raises(VaultError):
        unpack(b"\x1f\x8b\x08\0\0\0\0\0\0\xff" + data)
    with pytest.raises(VaultError):
        unpack(data)


def test_a_bomb_is_refused() -> None:
    with pytest.raises(VaultError, match="more than it may"):
        unpack(pack(bytes(2000)), most=1999)
    assert unpack(pack(bytes(2000)), most=2000) == bytes(2000)
    with pytest.raises(VaultError, match="follows"):
        unpack(pack(b"x") + b"y")
    with pytest.raises(VaultError, match="too early"):
        unpack(pack(b"x")[:-1])


def test_images_of_a_story_come_in_one_go(vault: Vault) -> None:
    images = story(vault)
    changed_again = changed(images[-1], 9)
    revision(vault, "van17", changed_again, near=images[-1])
    everything = {Digest.of(one): one for one in (*images, changed_again)}
    assert dict(vault.fetch_many(everything)) == everything
    assert read_image(changed_again).size == 20_000
