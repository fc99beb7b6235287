"""Finding schemes: images whose checksums were set by a known scheme must give it back, and noise must give nothing.

The images are invented: random bytes with an erased stretch, a revision changes some bytes of two ranges.
"""

from __future__ import annotations

import random
from itertools import pairwise
from math import log2
from typing import Any

import pytest

from caldiff.checksum.correct import correct
from caldiff.checksum.find import Candidate, Found, find
from caldiff.checksum.odds import said_by_one, said_by_others
from caldiff.checksum.state import states
from caldiff.crc import catalogue
from caldiff.definition.checksums import Adler32, Checksum, Coverage, Span, StoredField, Sum, Xor
from caldiff.definition.model import TYPES, Region
from caldiff.errors import UsageError
from caldiff.image.model import Image

START = 0x00800000
SIZE = 0x2000
CRC32, CRC16 = catalogue()["CRC-32/ISO-HDLC"], catalogue()["CRC-16/IBM-3740"]
SUM16 = Sum(word=TYPES["u16"], byte_order="big", bits=16)
REGIONS = [
    Region(name="program", start=START, size=0xC00, role="code"),
    Region(name="calibration", start=START + 0x1000, size=0x800, role="calibration"),
    Region(name="sums", start=START + 0x1F00, size=0x100, role="checksum"),
]


def family(count: int, *checksums: Checksum) -> list[Image]:
    """A stock image and its revisions, checksums set."""
    rnd = random.Random(count)
    stock = bytearray(rnd.randbytes(SIZE))
    stock[0x400:0x600] = b"\xff" * 0x200
    found = []
    for number in range(count):
        data = bytearray(stock)
        for _ in range(20 * bool(number)):
            data[rnd.choice([rnd.randrange(0x1100, 0x1300), rnd.randrange(0x100, 0x200)])] = rnd.randrange(256)
        found.append(correct(Image.of(bytes(data), start=START), checksums))
    return found


def scheme(method: Any, start: int, stop: int, at: int, size: int, **other: Any) -> Checksum:
    order = other.pop("order", "big")
    coverage = Coverage(spans=(Span(start=START + start, stop=START + stop),), own=other.pop("own", "skip"))
    fields = [StoredField(at=START + at, size=size, byte_order=order)]
    if "complement" in other:
        fields.append(StoredField(at=START + other.pop("complement"), size=size, byte_order=order, inverted=True))
    if "copy" in other:
        fields.append(StoredField(at=START + other.pop("copy"), size=size, byte_order=order))
    return Checksum(name="found_1", method=method, coverage=coverage, fields=tuple(fields), **other)


def around(checksum: Checksum) -> list[Region]:
    """The region that the checksum covers: to search but that one is quicker."""
    at = checksum.coverage.spans[0].start
    return [r for r in REGIONS if r.start <= at < r.stop]


def best(found: Found) -> Candidate:
    assert found.finished
    assert found.candidates
    return found.candidates[0]


SCHEMES = {
    "a CRC over all but the last word": (scheme(CRC32, 0x1000, 0x17FC, 0x17FC, 4), "whole"),
    "a CRC of 64 bits": (scheme(catalogue()["CRC-64/XZ"], 0x1000, 0x1800, 0x1800, 8, order="little"), "whole"),
    "a CRC in the region for checksums": (scheme(CRC16, 0x1000, 0x1800, 0x1F20, 2, order="little"), "whole"),
    "a CRC behind a prefix": (
        scheme(catalogue()["CRC-32/MPEG-2"], 0x1000, 0x1434, 0x1434, 4, order="little"),
        "prefix",
    ),
    "a CRC of a prefix, anywhere": (scheme(catalogue()["CRC-32/ISCSI"], 0x1000, 0x1500, 0x1A04, 4), "anywhere"),
    "a CRC inside, counted as erased": (scheme(CRC32, 0x1000, 0x1800, 0x1004, 4, own=0xFF), "whole"),
    "a CRC inside, counted as zero": (scheme(CRC32, 0x1000, 0x1800, 0x1004, 4, own=0), "whole"),
    "a CRC inside, passed over": (scheme(CRC32, 0x1000, 0x1800, 0x1010, 4), "whole"),
    "a sum and its complement": (scheme(SUM16, 0, 0xC00, 0x1F40, 2, complement=0x1F42), "whole"),
    "a sum and a copy": (
        scheme(Sum(word=TYPES["u32"], byte_order="little", bits=32), 0, 0xC00, 0x1F40, 4, copy=0x1F80),
        "whole",
    ),
    "a sum inside, counted as erased": (
        scheme(Sum(word=TYPES["u32"], byte_order="big", bits=32), 0, 0xC00, 0x10, 4, own=0xFF),
        "whole",
    ),
    "an exclusive or": (scheme(Xor(word=TYPES["u32"], byte_order="big"), 0x1000, 0x17FC, 0x17FC, 4), "whole"),
    "Adler-32": (scheme(Adler32(), 0x1000, 0x1800, 0x1800, 4), "whole"),
    "a compensation word of a sum": (
        scheme(Sum(word=TYPES["u32"], byte_order="big", bits=32), 0x1000, 0x1800, 0x1000, 4, constant=0xCAFE0123),
        "whole",
    ),
}


@pytest.mark.parametrize("name", SCHEMES)
def test_a_scheme_is_found(name: str) -> None:
    wanted, kind = SCHEMES[name]
    images = family(3, wanted)
    elsewhere = wanted.fields[0].at >= START + 0x1F00
    found = best(find(images, REGIONS if elsewhere else around(wanted)))
    assert (found.kind, found.images) == (kind, 3)
    assert set(found.checksum.fields) == set(wanted.fields)
    assert (found.checksum.method, found.checksum.coverage) == (wanted.method, wanted.coverage)
    assert found.checksum.constant == wanted.constant
    assert found.chance < 1e-5
    assert {s.status for i in images for s in states(i, [found.checksum])} == {"valid"}


def test_two_schemes_in_one_image() -> None:
    one, two = scheme(CRC32, 0x1000, 0x17FC, 0x17FC, 4), scheme(SUM16, 0, 0xBFE, 0xBFE, 2)
    images = [correct(image, [one]) for image in family(3, two)]
    found = find(images, REGIONS).candidates
    assert {(c.checksum.method, c.checksum.fields) for c in found[:2]} == {(s.method, s.fields) for s in (one, two)}


def test_one_image_is_enough_for_a_wide_one() -> None:
    wanted = scheme(CRC32, 0x1000, 0x17FC, 0x17FC, 4)
    found = best(find(family(1, wanted), around(wanted)))
    assert (found.checksum, found.images, found.said) == (wanted, 1, 32)


def test_more_images_say_more() -> None:
    wanted = scheme(CRC16, 0x1000, 0x1800, 0x1F20, 2)
    chances = [best(find(family(count, wanted), REGIONS)).chance for count in (2, 3)]
    assert chances[0] > chances[1]


def test_a_compensation_word_of_a_crc() -> None:
    """Start and final xor do not tell in a constant: any CRC of the polynomial and direction says the same."""
    wanted = scheme(CRC32, 0x1000, 0x1800, 0x17FC, 4, constant=0x12345678)
    images = family(3, wanted)
    found = best(find(images, around(wanted))).checksum
    assert (found.coverage, found.fields) == (wanted.coverage, wanted.fields)
    assert found.method.polynomial == CRC32.polynomial  # type: ignore[union-attr]
    assert {s.status for i in images for s in states(i, [found])} == {"valid"}


@pytest.mark.parametrize("count", [1, 3])
def test_noise_gives_nothing_sure(count: int) -> None:
    found = find(family(count), REGIONS)
    assert all(c.chance > 0.01 for c in found.candidates)


def test_the_odds_are_those_of_chance() -> None:
    """Over families of noise, candidates with a chance of up to one come about as often as the odds say.

    Kinds and widths have odds of their own: five widths and three kinds may each bring some.
    """
    runs = [find([Image.of(random.Random(n).randbytes(0x400), start=START)], _small()) for n in range(8)]
    expected = 15 * len(runs)
    assert sum(len(run.candidates) for run in runs) < expected
    surprising = sum(c.chance < 0.02 for run in runs for c in run.candidates)
    assert surprising <= 5


def _small() -> list[Region]:
    return [Region(name="all", start=START, size=0x400, role="calibration")]


def test_equal_images_say_so() -> None:
    (image,) = family(1, scheme(CRC32, 0x1000, 0x17FC, 0x17FC, 4))
    found = find([image, image], REGIONS)
    assert best(found).images == 1
    assert found.notes == ("all the images hold the same: several that differ tell chance from truth",)


def test_it_can_be_stopped() -> None:
    calls: list[tuple[int, int]] = []

    def go_on(done: int, total: int) -> bool:
        calls.append((done, total))
        return len(calls) < 10

    found = find(family(2), REGIONS, go_on=go_on)
    assert not found.finished
    assert len(calls) == 10
    assert calls[0][0] == 0
    assert all(one[0] < two[0] <= two[1] for one, two in pairwise(calls))


def test_progress_ends_at_the_end() -> None:
    calls: list[tuple[int, int]] = []

    def go_on(done: int, total: int) -> bool:
        calls.append((done, total))
        return True

    find(family(1), REGIONS, go_on=go_on)
    assert calls[-1][0] == calls[-1][1]


def test_no_more_candidates_than_wanted() -> None:
    one, two = scheme(CRC32, 0x1000, 0x17FC, 0x17FC, 4), scheme(CRC32, 0, 0xBFC, 0xBFC, 4)
    images = [correct(image, [one]) for image in family(2, two)]
    assert len(find(images, REGIONS, most=1).candidates) == 1


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(UsageError, match="no image"):
        find([], REGIONS)
    with pytest.raises(UsageError, match="no region of 16 bytes"):
        find(family(1), [Region(name="x", start=START, size=8, role="code")])
    with pytest.raises(UsageError, match="no region of 16 bytes"):
        find(family(1), [Region(name="x", start=0, size=64, role="code")])
    with pytest.raises(UsageError, match="no address in common"):
        find([Image.of(b"a" * 64), Image.of(b"a" * 64, start=64)], REGIONS)


def test_regions_left_out_are_named() -> None:
    regions = [*REGIONS, Region(name="elsewhere", start=0, size=64, role="code")]
    assert find(family(1), regions).notes == ("not in all the images, or shorter than 16 bytes: elsewhere",)


WIDE = Sum(word=TYPES["u32"], byte_order="big", bits=32)


@pytest.mark.parametrize(("constant", "complement"), [(0, "twos"), (0xFFFFFFFF, "ones")])
def test_one_image_is_enough_for_a_constant_that_suggests_itself(constant: int, complement: str) -> None:
    """A word that brings a sum to 0 or to all ones is a complement of the rest: said as the plainer value."""
    wanted = scheme(WIDE, 0x1000, 0x1800, 0x17FC, 4, constant=constant)
    found = [c.checksum for c in find(family(1, wanted), around(wanted)).candidates if c.sure]
    assert found[0].constant is None
    assert found[0].method.complement == complement  # type: ignore[union-attr]
    assert found[0].fields == wanted.fields
    other = scheme(WIDE, 0x1000, 0x1800, 0x17FC, 4, constant=0x12345678)
    assert not any(c.sure for c in find(family(1, other), around(wanted)).candidates)


@pytest.mark.parametrize("at", [0x1000, 0x17FC])
def test_the_word_is_looked_for_at_the_edges(at: int) -> None:
    wanted = scheme(WIDE, 0x1000, 0x1800, at, 4, constant=0xCAFE0123)
    assert best(find(family(3, wanted), around(wanted))).checksum.fields == wanted.fields


def test_a_constant_over_a_prefix() -> None:
    """What follows the constant differs between the images, so that no longer prefix will do."""
    wanted = scheme(WIDE, 0x1000, 0x1400, 0x13FC, 4, constant=0xCAFE0123)
    images = family(3, wanted)
    images = [
        correct(image.patched({START + 0x1400: bytes([n]) * 4}), [wanted]) for n, image in enumerate(images, start=1)
    ]
    found = best(find(images, around(wanted)))
    assert (found.kind, found.checksum.coverage, found.checksum.constant) == ("prefix", wanted.coverage, 0xCAFE0123)


def test_a_place_that_ends_with_the_region_may_be_inside() -> None:
    """Counted as erased, at the very end: not the same as the prefix before it."""
    wanted = scheme(CRC32, 0x1000, 0x1800, 0x17FC, 4, own=0xFF)
    found = best(find(family(3, wanted), around(wanted))).checksum
    assert (found.coverage, found.fields) == (wanted.coverage, wanted.fields)


# ---------------------------------------------------------------------------------------------------------------- odds


def test_a_sum_says_no_more_than_it_can_reach() -> None:
    """256 bytes add up to some 2**12 values about their middle: 8 bits a byte and half a bit for every doubling."""
    wide = Sum(word=TYPES["u8"], byte_order="big", bits=32)
    assert said_by_one(wide, 256) == 8 + log2(256) / 2
    assert said_by_one(SUM16, 256) == 16
    assert said_by_one(CRC32, 256) == 32


def test_a_small_step_says_little() -> None:
    assert said_by_others(SUM16, [100, 101]) == 1
    assert said_by_others(SUM16, [0, 0xFFFF]) == 1
    assert said_by_others(SUM16, [0, 0x8000]) == 16
    assert said_by_others(CRC16, [100, 101, 102]) == 32
    assert said_by_others(CRC16, [100, 101, 100]) == 16


def test_halves_are_looked_at_one_by_one() -> None:
    """Adler-32 over 4 bytes: each half has 8 bits and half a bit for every doubling; from 0x00010002 to 0x00010003."""
    assert said_by_one(Adler32(), 4) == 2 * (8 + log2(4) / 2)
    assert said_by_one(Adler32(), 2**30) == 32
    assert said_by_others(Adler32(), [0x00010002, 0x00010003]) == 1
    assert said_by_others(Adler32(), [0x00010000, 0x00030000]) == 2
    assert said_by_others(Xor(word=TYPES["u32"], byte_order="big"), [0xFF, 0xF0]) == 4


def test_erased_memory_says_nothing() -> None:
    """The exclusive or of an even run of erased words stands right behind it, as does any other erased word."""
    image = Image.of(b"\xff" * 0x1004 + random.Random(1).randbytes(0x1000), start=START)
    region = Region(name="r", start=START, size=0x1004, role="calibration")
    assert not any(c.sure for c in find([image], [region]).candidates)
