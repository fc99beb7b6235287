"""Files kept as differences: what comes back is what was given, whatever the format, and hostile ones are refused."""

from __future__ import annotations

import random
import tracemalloc
import zlib
from collections.abc import Iterator
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from zipfile import ZIP_DEFLATED, ZipFile

import pytest
from hypothesis import given, reject
from hypothesis import strategies as st

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import CaldiffError, VaultError
from caldiff.image.model import Format, Image, RecordShape, Segment
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image
from caldiff.vault import difference as difference_module
from caldiff.vault.difference import DEEPEST, Difference, Flat, applied, moved, read_difference
from caldiff.vault.flat import flat_of, written
from caldiff.vault.vault import Vault

BASE = Digest.of(b"base")


@pytest.fixture(scope="module")
def vault() -> Iterator[Vault]:
    with TemporaryDirectory() as folder:
        yield Vault.create(Path(folder) / "v", id="0" * 32)


# ------------------------------------------------------------------------------------------------------ laws of keeping


@given(st.binary(max_size=3000), st.booleans())
def test_any_bytes_come_back(vault: Vault, data: bytes, whole: bool) -> None:
    digest = vault.keep(data, whole=whole)
    assert digest.hex == sha256(data).hexdigest()
    assert vault.fetch(digest) == data


SHAPES: dict[Format, st.SearchStrategy[RecordShape]] = {
    "ihex": st.builds(
        RecordShape,
        length=st.integers(1, 255),
        newline=st.sampled_from(["\n", "\r\n"]),
        upper=st.booleans(),
        entry=st.none() | st.integers(0, 2**32 - 1),
        eof=st.booleans(),
        leading=st.booleans(),
        block=st.none() | st.integers(1, 512),
    ),
    "srec": st.builds(
        RecordShape,
        length=st.integers(1, 250),
        newline=st.sampled_from(["\n", "\r\n"]),
        upper=st.booleans(),
        header=st.none() | st.binary(max_size=40),
        count=st.booleans(),
        entry=st.none() | st.integers(0, 2**32 - 1),
        end=st.booleans(),
    ),
    "titxt": st.builds(
        RecordShape,
        length=st.integers(1, 64),
        address_bits=st.sampled_from([None, 24]),
        newline=st.sampled_from(["\n", "\r\n"]),
        upper=st.booleans(),
    ),
}
SEGMENTS = st.lists(st.tuples(st.integers(0, 300), st.integers(1, 600)), min_size=1, max_size=4)


@st.composite
def image_files(draw: st.DrawFn, like: Image | None = None) -> tuple[bytes, Image]:
    """A file in some format and shape, with gaps where that has them; near another image, or not at all."""
    kind: Format = draw(st.sampled_from(["binary", "ihex", "srec", "titxt"]))
    source = random.Random(draw(st.integers(0, 9)))
    start = 0 if kind == "binary" else draw(st.sampled_from([0, 0x100, 0xFF00, 0x80_0000]))
    parts, at = [], start
    for gap, size in draw(SEGMENTS)[: 1 if kind == "binary" else 4]:
        at += gap + 1
        parts.append(Segment(start=at, data=source.randbytes(size)))
        at += size
    image = Image(segments=tuple(parts))
    if like is not None and draw(st.booleans()) and (kind != "binary" or len(like.segments) == 1):
        image = Image(segments=tuple(Segment(start=s.start, data=changed(s.data, draw)) for s in like.segments))
    data = dump_image(image, format=kind, shape=draw(SHAPES[kind]) if kind in SHAPES else None)
    where = draw(st.sampled_from([0, 0x80_0000])) if kind == "binary" else None
    try:
        return data, read_image(data, start=where, format=kind)
    except CaldiffError:  # some shapes can be written and not be read: an S-record without an end, say
        reject()


def changed(data: bytes, draw: st.DrawFn) -> bytes:
    fresh = bytearray(data)
    for at in draw(st.lists(st.integers(0, len(data) - 1), max_size=5)):
        fresh[at] = draw(st.integers(0, 255))
    return bytes(fresh)


@given(st.data())
def test_images_of_every_format_and_shape_come_back_against_any_base(vault: Vault, data: st.DataObject) -> None:
    base, base_image = data.draw(image_files())
    mine, image = data.draw(image_files(like=base_image))
    more, third = data.draw(image_files(like=image))
    first = vault.keep(base, image=base_image, whole=True)
    second = vault.keep(mine, image=image, near={first: base_image})
    last = vault.keep(more, image=third, near={second: image, first: base_image})
    assert [vault.fetch(one) for one in (first, second, last)] == [base, mine, more]
    assert dict(vault.fetch_many([last, first, second, last])) == {first: base, second: mine, last: more}


# ------------------------------------------------------------------------------------------------------- what is chosen


def binary(seed: int, size: int = 50_000) -> bytes:
    return random.Random(seed).randbytes(size)


def poked(data: bytes, *places: int) -> bytes:
    fresh = bytearray(data)
    for at in places:
        fresh[at] ^= 0xA5
    return bytes(fresh)


@pytest.mark.parametrize("kind", ["binary", "ihex", "srec", "titxt"])
def test_a_revision_costs_about_its_changes(vault: Vault, kind: Format) -> None:
    image = Image.of(binary(ord(kind[0])), start=0 if kind == "binary" else 0x8000)
    stock = dump_image(image, format=kind)
    revision = dump_image(image.patched({image.start + 999: b"abc"}), format=kind)
    base = vault.keep(stock, whole=True)
    digest = vault.keep(revision, image=read_image(revision), near={base: read_image(stock)})
    assert (vault.form(base), vault.form(digest)) == ("whole", "difference")
    assert size_of(vault, digest) < 400
    assert vault.fetch(digest) == revision


def size_of(vault: Vault, digest: Digest) -> int:
    return next(Path(vault.folder).rglob(f"{digest.hex}.diff")).stat().st_size


def test_the_base_that_makes_the_smallest_is_taken(vault: Vault) -> None:
    stock = binary(11)
    parent = poked(stock, *range(0, 50_000, 500))
    child = poked(parent, 7)
    near = {vault.keep(one, whole=True): read_image(one) for one in (stock, parent)}
    digest = vault.keep(child, image=read_image(child), near=near)
    assert difference(vault, digest).base == Digest.of(parent)


def difference(vault: Vault, digest: Digest) -> Difference:
    return read_difference(next(Path(vault.folder).rglob(f"{digest.hex}.diff")).read_bytes())


def test_the_depth_is_bounded(vault: Vault) -> None:
    files = [binary(12)]
    vault.keep(files[0], whole=True)
    for n in range(2 * DEEPEST + 3):
        files.append(poked(files[-1], n * 10))
        near = {Digest.of(one): read_image(one) for one in (files[-2], files[0])}
        vault.keep(files[-1], image=read_image(files[-1]), near=near)
    depths = [difference(vault, Digest.of(one)).depth for one in files[1:]]
    assert depths == [*range(1, 17), *range(1, 17), 1, 2, 3]
    assert all(vault.fetch(Digest.of(one)) == one for one in files)


def test_without_another_base_a_deep_one_is_passed_over(vault: Vault) -> None:
    files = [binary(13)]
    vault.keep(files[0], whole=True)
    for n in range(DEEPEST + 1):
        files.append(poked(files[-1], n * 10))
        vault.keep(files[-1], image=read_image(files[-1]), near={Digest.of(files[-2]): read_image(files[-2])})
    assert vault.form(Digest.of(files[-2])) == "difference"
    assert vault.form(Digest.of(files[-1])) == "whole"


@pytest.mark.parametrize("kind", ["binary", "ihex"])
def test_an_image_that_a_zip_only_stores_costs_its_changes_and_the_zip_around_it(vault: Vault, kind: Format) -> None:
    image = Image.of(binary(20 + len(kind)), start=0 if kind == "binary" else 0x8000)
    stock = dump_image(image, format=kind)
    changed_file = dump_image(image.patched({image.start + 999: b"abc"}), format=kind)
    again = dump_image(image.patched({image.start + 999: b"abd"}), format=kind)
    room = BytesIO()
    with ZipFile(room, "w") as packed:
        packed.writestr("rev.img", changed_file)
        packed.writestr("readme.txt", "invented")
    base = vault.keep(stock, whole=True)
    middle = vault.keep(room.getvalue(), image=read_image(changed_file), near={})
    assert vault.form(middle) != "difference"
    room.write(b"\0")
    zipped = room.getvalue() + b"the end"
    near = read_image(stock)
    digest = vault.keep(zipped, image=read_image(changed_file), near={base: near})
    assert vault.form(digest) == "difference"
    assert size_of(vault, digest) < 1000
    assert vault.fetch(digest) == zipped
    # and what differs from that one has nothing around it
    last = vault.keep(again, image=read_image(again), near={digest: read_image(changed_file)})
    assert (difference(vault, last).base, difference(vault, last).before) == (digest, 0)
    assert dict(vault.fetch_many([last, digest])) == {last: again, digest: zipped}


def test_an_image_that_a_zip_deflates_is_kept_as_it_came(vault: Vault) -> None:
    stock = binary(31)
    room = BytesIO()
    with ZipFile(room, "w", ZIP_DEFLATED) as packed:
        packed.writestr("rev.bin", poked(stock, 9))
    base = vault.keep(stock, whole=True)
    image = read_image(room.getvalue())
    assert image.source is not None
    assert image.source.container == "zip"
    digest = vault.keep(room.getvalue(), image=image, near={base: read_image(stock)})
    assert (vault.form(digest), vault.fetch(digest)) == ("whole", room.getvalue())
    # a base all the same
    mine = poked(stock, 10)
    last = vault.keep(mine, image=read_image(mine), near={digest: image})
    assert (vault.form(last), vault.fetch(last)) == ("difference", mine)


def test_a_base_that_is_not_what_it_is_said_to_be_does_no_harm(vault: Vault) -> None:
    stock = binary(14)
    base = vault.keep(stock, whole=True)
    mine = poked(stock, 5)
    digest = vault.keep(mine, image=read_image(mine), near={base: read_image(poked(stock, 9))})
    assert vault.fetch(digest) == mine
    assert vault.form(digest) == "whole"


def test_a_base_that_is_not_kept_is_passed_over(vault: Vault) -> None:
    mine = binary(15)
    digest = vault.keep(mine, image=read_image(mine), near={BASE: read_image(poked(mine, 5))})
    assert (vault.form(digest), vault.fetch(digest)) == ("whole", mine)


def test_an_image_that_is_not_the_file_is_not_used(vault: Vault) -> None:
    stock = binary(16)
    base = vault.keep(stock, whole=True)
    mine = poked(stock, 5)
    digest = vault.keep(mine, image=read_image(poked(mine, 6)), near={base: read_image(stock)})
    assert (vault.form(digest), vault.fetch(digest)) == ("whole", mine)


def test_a_raw_binary_may_lie_anywhere(vault: Vault) -> None:
    """A hex file of the same image at 0x800000, against the binary that says no address, and back."""
    plain = binary(17)
    stock = read_image(plain, start=0x80_0000)
    base = vault.keep(plain, whole=True)
    text = dump_image(stock.patched({0x80_0003: b"xyz"}), format="ihex")
    first = vault.keep(text, image=read_image(text), near={base: stock})
    mine = poked(plain, 40)
    second = vault.keep(mine, image=read_image(mine, start=0x80_0000), near={first: read_image(text)})
    assert (vault.form(first), vault.form(second)) == ("difference", "difference")
    assert (vault.fetch(first), vault.fetch(second)) == (text, mine)


def test_text_is_gzipped_and_noise_is_not(vault: Vault) -> None:
    text = b"time,rpm,load\n" * 500
    assert vault.form(vault.keep(text)) == "gzip"
    assert vault.form(vault.keep(binary(18))) == "whole"
    assert vault.form(vault.keep(text, whole=True)) == "whole"
    assert vault.fetch(Digest.of(text)) == text


# ------------------------------------------------------------------------------------------------------- taking apart


def runs(gaps: list[int], lengths: list[int]) -> bytes:
    """Numbers below 256, so that the three upper planes are 0."""
    upper = bytes(3 * len(gaps))
    return len(gaps).to_bytes(4, "little") + bytes(gaps) + upper + bytes(lengths) + upper


def body(plain: bytes) -> bytes:
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
    return deflate.compress(plain) + deflate.flush()


def line(**more: object) -> bytes:
    head = {"caldiff": "difference", "version": 1, "base": BASE.hex, "like": "binary", "depth": 1, "format": "binary"}
    return canonical_json({**head, "size": 6, **more}) + b"\n"


def flat(data: bytes, *layout: tuple[int, int]) -> Flat:
    return Flat(layout=layout or ((0, len(data)),), data=bytearray(data))


def test_runs_by_hand() -> None:
    """Two runs: after 1 byte, 2 bytes; after 1 more, 1 byte. Added modulo 256."""
    read = read_difference(line() + body(runs([1, 1], [2, 1]) + bytes([1, 255, 16])))
    assert applied(read, flat(bytes([10, 255, 7, 30, 0xF8, 60]))).data == bytes([10, 0, 6, 30, 8, 60])


def test_segments_by_hand() -> None:
    """A base at 2..5 moved by 8 to 10..13; the file has 9..11 and 13..14: 0 where the base has none."""
    read = read_difference(line(segments=[[9, 3], [13, 2]], move=8) + body(runs([4], [1]) + b"\7"))
    result = applied(read, flat(b"abcd", (2, 4)))
    assert (result.layout, result.data) == (((9, 3), (13, 2)), b"\0abd\7")


def test_the_form_does_not_change(vault: Vault) -> None:
    """Golden: the first line and the runs of a difference, byte for byte save for how they deflate."""
    stock = binary(19)
    base = vault.keep(stock, whole=True)
    mine = bytes([*stock[:3], (stock[3] + 2) % 256, (stock[4] + 3) % 256, *stock[5:]])
    digest = vault.keep(mine, image=read_image(mine), near={base: read_image(stock)})
    head, _, runs = next(Path(vault.folder).rglob(f"{digest.hex}.diff")).read_bytes().partition(b"\n")
    assert head.decode() == (
        f'{{"base":"{base.hex}","caldiff":"difference","depth":1,"format":"binary","like":"binary","size":50000,"version":1}}'
    )
    assert zlib.decompress(runs, -15) == bytes.fromhex("01000000 03000000 02000000 0203")


layouts = st.lists(st.tuples(st.integers(1, 6), st.integers(1, 6)), min_size=1, max_size=5)


@given(layouts, layouts, st.integers(-9, 9))
def test_moving_agrees_with_moving_byte_by_byte(
    old: list[tuple[int, int]], new: list[tuple[int, int]], move: int
) -> None:
    ours, theirs = laid(old), laid(new)
    size = sum(n for _, n in ours)
    base = flat(bytes(range(1, size + 1)), *ours)
    cells = dict(zip((a + move for s, n in ours for a in range(s, s + n)), base.data, strict=True))
    expected = bytes(cells.get(a, 0) for s, n in theirs for a in range(s, s + n))
    assert moved(base, theirs, move).data == expected


def laid(gaps: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    parts, at = [], 0
    for gap, size in gaps:
        parts.append((at + gap, size))
        at += gap + size
    return tuple(parts)


# ------------------------------------------------------------------------------------------------------- hostile ones

GOOD = body(runs([0], [1]) + b"\1")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\n",
        b"null\n" + GOOD,
        b"[" * 100_000,
        line(more=1) + GOOD,
        line(version=2) + GOOD,
        line(version=True) + GOOD,
        line(depth=0) + GOOD,
        line(depth=17) + GOOD,
        line(depth="1") + GOOD,
        line(base="00") + GOOD,
        line(base=None) + GOOD,
        line(base=["0"] * 64) + GOOD,
        line(like="exe") + GOOD,
        line(like=["binary"]) + GOOD,
        line(format="elf") + GOOD,
        line(size=0) + GOOD,
        line(size=2**40) + GOOD,
        line(shape={}) + GOOD,
        line(format="ihex", shape=[]) + GOOD,
        line(move=-(2**53) + 1).replace(b"991", b"999") + GOOD,
        line(before=-1) + GOOD,
        line(before=1) + GOOD,
        line(after=1 << 20) + GOOD,
        line(after=True) + GOOD,
        line(segments=[]) + GOOD,
        line(segments=[[0]]) + GOOD,
        line(segments=[[0, 0]]) + GOOD,
        line(segments=[[0, 4], [4, 1]]) + GOOD,
        line(segments=[[9, 4], [4, 1]]) + GOOD,
        line(segments=[[0, 64 << 20], [2**40, 64 << 20]]) + GOOD,
        line(segments=[[-1, 4]]) + GOOD,
        line(segments={"0": 4}) + GOOD,
        line() + GOOD[:-1],
        line() + GOOD + b"\0",
        line() + b"noise",
        line() + body(b""),
        line() + body(b"\1\0\0\0"),
        line() + body(runs([0], [1])[:-1]),
        line() + body(runs([0], [2]) + b"\1"),
        line() + body(runs([0], [1]) + b"\1\1"),
        line() + body(runs([6], [1]) + b"\1"),
        line() + body(b"\xff" * 99),
        line() + body(b"\1\0\1\0" + bytes(8 * 65_537)),
        line() + body(b"\1\0\0\0" + b"\xff" * 8 + b"\1"),
    ],
)
def test_what_makes_no_sense_is_refused(data: bytes) -> None:
    with pytest.raises(VaultError):
        written(applied(read_difference(data), flat(b"sixsix")), read_difference(data))


def test_a_depth_that_does_not_fall_is_refused(vault: Vault) -> None:
    """Else a chain could be as long as whoever wrote it liked."""
    files = [binary(40)]
    vault.keep(files[0], whole=True)
    for n in range(2):
        files.append(poked(files[-1], n))
        vault.keep(files[-1], image=read_image(files[-1]), near={Digest.of(files[-2]): read_image(files[-2])})
    last = Digest.of(files[-1])
    path = next(Path(vault.folder).rglob(f"{last.hex}.diff"))
    was = path.read_bytes()
    assert b'"depth":2' in was
    path.write_bytes(was.replace(b'"depth":2', b'"depth":1'))
    with pytest.raises(VaultError, match="does not agree"):
        vault.fetch(last)
    restored = dict(vault.fetch_many([Digest.of(one) for one in files]))
    assert isinstance(restored.pop(last), VaultError)
    assert list(restored.values()) == files[:2]
    path.write_bytes(was)


def test_a_base_too_large_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    read = read_difference(line() + GOOD)
    monkeypatch.setattr(difference_module, "LARGEST", 6)
    applied(read, flat(b"sixsix"))
    with pytest.raises(VaultError, match="larger than"):
        applied(read, flat(b"sevense"))


def test_a_bomb_is_refused_in_bounded_memory() -> None:
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
    bomb = b"".join([deflate.compress(bytes(1 << 20)) for _ in range(100)]) + deflate.flush()
    tracemalloc.start()
    try:
        with pytest.raises(VaultError):
            applied(read_difference(line() + bomb), flat(b"sixsix"))
        assert tracemalloc.get_traced_memory()[1] < 8 << 20
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    "shape",
    [
        {"length": 0},
        {"length": -5},
        {"length": True},
        {"length": "32"},
        {"length": 1},
        {"block": 1},
        {"newline": "x" * 1000},
        {"header": "zz"},
        {"header": 5},
        {"address_bits": 7},
        {"strange": 1},
        {"entry": -1},
    ],
)
def test_a_shape_that_makes_no_sense_is_refused(shape: dict[str, object]) -> None:
    read = read_difference(line(format="ihex", size=150_000, shape=shape) + body(bytes(4)))
    with pytest.raises(VaultError):
        written(flat(bytes(50_000)), read)


@given(st.binary(max_size=200))
def test_any_bytes_are_refused_or_make_bytes(data: bytes) -> None:
    for whole in (data, line() + data, line() + body(data), line(format="srec", size=40) + body(data)):
        try:
            read = read_difference(whole)
            written(applied(read, flat(b"sixsix")), read)
        except CaldiffError:
            continue


@given(st.data())
def test_a_mutated_difference_gives_nothing_or_the_same(vault: Vault, data: st.DataObject) -> None:
    """Whatever becomes of the file, fetch gives the right bytes or an error."""
    base, base_image = data.draw(image_files())
    mine, image = data.draw(image_files(like=base_image))
    first = vault.keep(base, image=base_image, whole=True)
    digest = vault.keep(mine, image=image, near={first: base_image})
    if vault.form(digest) != "difference":
        return
    path = next(Path(vault.folder).rglob(f"{digest.hex}.diff"))
    was = path.read_bytes()
    bad = bytearray(was)
    for _ in range(data.draw(st.integers(1, 3))):
        bad[data.draw(st.integers(0, len(bad) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(bad)
    try:
        assert vault.fetch(digest) == mine
    except VaultError:
        return
    finally:
        path.write_bytes(was)


def test_any_file_is_no_image_of_a_format_it_is_not() -> None:
    with pytest.raises(VaultError):
        flat_of(b"no records", "ihex")
