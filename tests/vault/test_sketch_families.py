"""Nearest images by their sketches: held against a plain comparison of every block with every kept image."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest
from bundle_units import time_of, vault_at
from hypothesis import given, settings
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.errors import VaultError
from caldiff.image.model import Image
from caldiff.ledger.entry import Baseline, Draft, ImageFacts, Subject
from caldiff.vault.alike import Alike
from caldiff.vault.index import Index
from caldiff.vault.sketch import BLOCK
from caldiff.vault.vault import Vault

START = 0x4000


def stock(seed: int, blocks: int = 40) -> bytes:
    return random.Random(seed).randbytes(blocks * BLOCK)


def edited(data: bytes, *blocks: int, by: int = 1) -> bytes:
    out = bytearray(data)
    for block in blocks:
        out[block * BLOCK + 7] ^= by
    return bytes(out)


def image(data: bytes, start: int = START) -> Image:
    return Image.of(data, start=start)


def record(vault: Vault, unit: str, data: bytes, *, start: int = START) -> Digest:
    """A unit with this image; its content digest."""
    content = image(data, start).content
    facts = ImageFacts(format="binary", size=len(data), start=start, content=content)
    subject = Subject(name=f"{unit}.bin", file=vault.keep(data))
    vault.append(unit, Draft(body=Baseline(image=facts), time=time_of(0), subjects=(subject,)))
    return content


IMAGES = {
    "one": stock(1),
    "one-near": edited(stock(1), 3),
    "one-far": edited(stock(1), *range(9)),
    "two": stock(2),
    "two-near": edited(stock(2), 0, 39),
    "small": stock(3, 1),
    "erased": b"\xff" * 8 * BLOCK,
}


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    vault = vault_at(tmp_path_factory.mktemp("kept") / "vault")
    for unit, data in IMAGES.items():
        record(vault, unit, data)
    return Path(vault.folder)


@pytest.fixture
def vault(kept: Path, tmp_path: Path) -> Vault:
    shutil.copytree(kept, tmp_path / "vault")
    return Vault.open(tmp_path / "vault")


@pytest.fixture
def index(vault: Vault, tmp_path: Path) -> Index:
    made = Index.open(tmp_path / "cache", vault)
    made.update()
    return made


def units(index: Index, data: bytes, count: int = 9) -> list[tuple[str, int, int]]:
    found = Alike(index).nearest(image(data), count)
    return [(index.by_content(one.content)[0].unit, one.differing, one.same) for one in found]


def test_the_nearest_come_first_and_what_shares_nothing_does_not(index: Index) -> None:
    assert Alike(index).fill() == 0
    assert units(index, stock(1)) == [("one", 0, 40), ("one-near", 1, 39), ("one-far", 9, 31)]
    assert units(index, edited(stock(1), 3, 4)) == [("one-near", 1, 39), ("one", 2, 38), ("one-far", 7, 33)]
    assert sorted(units(index, edited(stock(2), 0))) == [("two", 1, 39), ("two-near", 1, 39)]
    assert len(units(index, edited(stock(2), 0), 1)) == 1
    assert units(index, stock(9)) == []
    assert units(index, b"\xff" * 8 * BLOCK) == []
    assert units(index, b"\0" * 8 * BLOCK) == []
    assert units(index, b"") == []


def test_what_shares_nothing_is_not_told_even_of_a_family_that_is_like_it(index: Index) -> None:
    """The one block that is shared is one in which two of the three images of the family differ from the first."""
    Alike(index).fill()
    asked = stock(9)[: 3 * BLOCK] + stock(1)[3 * BLOCK : 4 * BLOCK] + stock(9)[4 * BLOCK :]
    assert units(index, asked) == [("one", 39, 1)]


def test_images_that_are_alike_take_what_they_differ_by(index: Index) -> None:
    Alike(index).fill()
    rows = index.base.execute("SELECT base IS NULL, length(data) FROM sketch ORDER BY length(data)").fetchall()
    bases = [size for whole, size in rows if whole]
    members = [size for whole, size in rows if not whole]
    assert (len(bases), len(members)) == (4, 3)
    assert max(members) < 100 < sorted(bases)[-2]


def test_it_is_filled_once_and_kept(
    index: Index, vault: Vault, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    far: list[tuple[int, int]] = []
    Alike(index).fill(progress=lambda done, of: far.append((done, of)))
    assert far == [(n, 7) for n in range(8)]
    monkeypatch.setattr(Vault, "fetch_many", None)
    again = Index.open(tmp_path / "cache", vault)
    again.update()
    assert Alike(again).fill() == 0
    assert units(again, stock(2), 1) == [("two", 0, 40)]


def test_an_image_at_hand_need_not_be_restored(index: Index, monkeypatch: pytest.MonkeyPatch) -> None:
    alike = Alike(index)
    for data in IMAGES.values():
        alike.learn(image(data))
        alike.learn(image(data))
    monkeypatch.setattr(Vault, "fetch_many", None)
    assert alike.fill() == 0
    assert units(index, stock(2), 1) == [("two", 0, 40)]


def test_what_cannot_be_restored_is_counted_and_tried_again(index: Index, monkeypatch: pytest.MonkeyPatch) -> None:
    real = Vault.fetch_many

    def failing(self: Vault, digests: list[Digest]) -> object:
        for digest, data in real(self, digests):
            yield digest, VaultError("damaged") if digest == Digest.of(stock(1)) else data

    monkeypatch.setattr(Vault, "fetch_many", failing)
    assert Alike(index).fill() == 1
    assert [unit for unit, *_ in units(index, stock(1))] == ["one-near", "one-far"]
    monkeypatch.undo()
    assert Alike(index).fill() == 0
    assert units(index, stock(1), 1) == [("one", 0, 40)]


def test_an_image_that_no_entry_names_any_more_is_not_told(index: Index, vault: Vault) -> None:
    Alike(index).fill()
    shutil.rmtree(Path(vault.folder) / "units" / "one")
    index.update()
    assert [unit for unit, *_ in units(index, stock(1))] == ["one-near", "one-far"]


def test_the_same_bytes_elsewhere_are_not_alike(index: Index) -> None:
    Alike(index).fill()
    assert Alike(index).nearest(image(stock(1), START + BLOCK), 9) == ()
    # half a block further they share no block either
    assert Alike(index).nearest(image(stock(1), START + BLOCK // 2), 9) == ()


def plain(one: bytes, other: bytes) -> int:
    """Blocks that differ, by slicing."""
    size = max(len(one), len(other))
    cut = [(one[at : at + BLOCK], other[at : at + BLOCK]) for at in range(0, size, BLOCK)]
    return sum(a != b for a, b in cut)


@settings(max_examples=15)
@given(
    st.lists(
        st.tuples(st.integers(1, 3), st.lists(st.integers(0, 29), max_size=12), st.integers(1, 3)),
        min_size=1,
        max_size=12,
    ),
    st.tuples(st.integers(1, 3), st.lists(st.integers(0, 29), max_size=12), st.integers(1, 3)),
)
def test_distances_are_those_of_a_plain_comparison(
    kept: list[tuple[int, list[int], int]], asked: tuple[int, list[int], int]
) -> None:
    """Over a database of its own, whatever the order in which images came."""
    index = Index.__new__(Index)
    from caldiff.vault.index import _opened  # noqa: PLC0415 - only here

    index.base = _opened(None)
    alike = Alike(index)
    made = {image(edited(stock(seed, 30), *blocks, by=by)).content: edited(stock(seed, 30), *blocks, by=by)
            for seed, blocks, by in kept}  # fmt: skip
    for number, (content, data) in enumerate(made.items()):
        index.base.execute(
            "INSERT INTO entry (unit, sequence, bytes, changed, content) VALUES ('u', ?, 0, 0, ?)",
            (number, bytes.fromhex(content.hex)),
        )
        alike.learn(image(data))
    seed, blocks, by = asked
    wanted = edited(stock(seed, 30), *blocks, by=by)
    found = {one.content: one.differing for one in alike.nearest(image(wanted), 99)}
    apart = {content: plain(wanted, data) for content, data in made.items()}
    assert found == {content: far for content, far in apart.items() if far < 30}
