"""What an entry records of an image and of its changes. Expected values by hand."""

from __future__ import annotations

import hashlib
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.crc import catalogue
from caldiff.definition.catalogue import definition_from_text
from caldiff.definition.checksums import Checksum, Coverage, Span, StoredField
from caldiff.definition.definition import Definition
from caldiff.definition.model import Frame, Region
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison, Extents
from caldiff.errors import UsageError
from caldiff.image.model import Image, Segment
from caldiff.image.reading import read_image
from caldiff.ledger.entry import ChecksumFact, IdentityFact, Subject
from caldiff.table.calibration import Calibration
from caldiff.table.personal import Key
from caldiff.trace.facts import changes, image_facts, stable_digest
from caldiff.trace.raw import bytes_by_region

TEXT = """
definition: 1
name: made-up
image: {start: 0x100, size: 256, byte_order: big}
fits:
  - {at: 0x100, text: "MADE"}
identity:
  software: {at: 0x100, text: 4}
  vin: {at: 0x110, text: 17, personal: true}
regions:
  - {name: program, at: 0x180, size: 16, role: code}
  - {name: calibration, at: 0x130, size: 80, role: calibration}
  - {name: learned, at: 0x1C0, size: 8, role: volatile}
  - {name: kept, at: 0x1C8, size: 8, role: volatile}
scalings:
  half: {unit: "%", factor: 1/2}
axes:
  speed: {at: 0x130, type: u8, count: 4, scaling: half}
tables:
  fuel: {at: 0x134, type: u8, x: speed, scaling: half, tags: [fuel, mixture]}
  spark: {at: 0x138, type: u8, x: speed, scaling: half, tags: [ignition]}
  top_speed: {at: 0x140, type: u8, scaling: half, tags: [speed-limit]}
"""
DEFINITION = definition_from_text(TEXT)
DATA = b"MADE".ljust(16, b"\xff") + b"00WREN4V5N0000017".ljust(32, b"\xff") + bytes([10, 20, 30, 40]).ljust(208, b"\0")


def opened(data: bytes = DATA, definition: Definition | None = DEFINITION) -> Calibration:
    image = read_image(data, name="folder/stock.bin", start=0x100)
    return Calibration(label="stock.bin", image=image, definition=definition)


def changed(**at: int) -> Calibration:
    """The data with bytes at ``a0x…`` set."""
    data = bytearray(DATA)
    for address, byte in at.items():
        data[int(address[1:], 16) - 0x100] = byte
    return opened(bytes(data))


# -------------------------------------------------------------------------------------------------- of one image


def test_facts_of_a_file() -> None:
    files = (Subject(name="made-up.yaml", file=Digest.of(b"x")),)
    key = Key(b"sixteen bytes and some more")
    facts = image_facts(opened(), files=files, key=key)
    assert (facts.format, facts.container, facts.size, facts.start) == ("binary", None, 256, 0x100)
    content = b"caldiff image content, form 1\n" + (0x100).to_bytes(8, "big") + (256).to_bytes(8, "big") + DATA
    assert facts.content.hex == hashlib.sha256(content).hexdigest()
    assert facts.definition is not None
    assert (facts.definition.name, facts.definition.digest, facts.definition.files) == (
        "made-up",
        DEFINITION.digest,
        files,
    )
    assert facts.identity == (
        IdentityFact(name="software", means="free", text="MADE"),
        IdentityFact(
            name="vin",
            means="free",
            text="*************0017",
            personal=True,
            match=key.digest("field vin", "00WREN4V5N0000017"),
        ),
    )
    assert facts.checksums == ()


def test_without_a_key_nothing_to_match_a_person_by() -> None:
    facts = image_facts(opened(), files=None, key=None)
    assert [fact.match for fact in facts.identity] == [None, None]
    assert "WREN4V5N" not in repr(facts)


def test_without_a_definition_only_what_the_file_says() -> None:
    facts = image_facts(opened(definition=None), files=None, key=None)
    assert (facts.stable, facts.definition, facts.identity, facts.checksums) == (None, None, (), ())


def test_checksums_with_their_state() -> None:
    checksum = Checksum(
        name="whole",
        method=catalogue()["CRC-32/ISO-HDLC"],
        coverage=Coverage(spans=(Span(start=0, stop=9),)),
        fields=(StoredField(at=16, size=4, byte_order="big"),),
    )
    definition = Definition.of(name="d", frame=Frame(start=0, size=32, byte_order="big"), checksums=[checksum])
    # the published check value of this CRC: of the digits 1 to 9
    for stored, status in ((bytes.fromhex("CBF43926"), "valid"), (bytes(4), "stale")):
        image = read_image(b"123456789".ljust(16, b"\0") + stored, name="a.bin")
        facts = image_facts(Calibration(label="a", image=image, definition=definition), files=(), key=None)
        assert facts.checksums == (ChecksumFact(name="whole", status=status),)


def test_an_image_that_came_from_no_file() -> None:
    with pytest.raises(UsageError, match="came from no file"):
        image_facts(Calibration(label="x", image=Image.of(DATA), definition=None), files=None, key=None)


def regions(*spans: tuple[int, int]) -> Definition:
    parts = [Region(name=f"r{n}", start=a, size=b - a, role="volatile") for n, (a, b) in enumerate(spans)]
    return Definition.of(name="d", frame=Frame(start=0, size=256, byte_order="big"), regions=parts)


@given(
    spans=st.lists(st.tuples(st.integers(0, 90), st.integers(1, 30)).map(lambda s: (s[0], s[0] + s[1])), max_size=4),
    parts=st.dictionaries(st.integers(0, 9).map(lambda n: 10 * n), st.binary(min_size=1, max_size=10), min_size=1),
)
def test_the_stable_digest_is_that_of_the_bytes_outside_volatile_regions(
    spans: list[tuple[int, int]], parts: dict[int, bytes]
) -> None:
    image = Image(segments=tuple(Segment(start=at, data=data) for at, data in parts.items()))
    left = {
        s.start + n: byte
        for s in image
        for n, byte in enumerate(s.data)
        if not any(start <= s.start + n < stop for start, stop in spans)
    }
    wanted = Image(segments=tuple(Segment(start=at, data=bytes([byte])) for at, byte in left.items()))
    assert stable_digest(image, regions(*spans)) == wanted.content


def test_only_volatile_bytes_leave_the_stable_digest_alone() -> None:
    stock = stable_digest(opened().image, DEFINITION)
    assert stable_digest(changed(a0x1C0=9, a0x1CF=1).image, DEFINITION) == stock
    assert stable_digest(changed(a0x1BF=9).image, DEFINITION) != stock
    assert stable_digest(changed(a0x1D0=9).image, DEFINITION) != stock
    assert opened().image.content != stock


# ------------------------------------------------------------------------------------------------------ of changes


def test_nothing_changed() -> None:
    found = changes(compare(opened(), opened()))
    assert (found.bytes, found.cells, found.tables, found.tags, found.regions) == (0, 0, (), (), ())
    assert found.raw.hex == hashlib.sha256(b"caldiff raw changes, form 1\n" + bytes(8)).hexdigest()


def test_counts_by_fate_by_table_and_by_region() -> None:
    now = changed(a0x134=1, a0x135=1, a0x140=1, a0x150=1, a0x181=1, a0x1C1=1, a0x1F0=1, a0x110=0x31)
    found = changes(compare(opened(), now))
    assert (found.cell, found.checksum, found.identity, found.volatile, found.unexplained) == (3, 0, 1, 1, 3)
    assert (found.bytes, found.cells, found.code) == (8, 3, 1)
    assert found.tables == (("fuel", 2), ("top_speed", 1))
    assert found.tags == ("fuel", "mixture", "speed-limit")
    assert found.regions == ("calibration", "learned", "program")
    assert (found.axes, found.replaced) == ((), False)


def test_a_moved_axis_brings_the_tags_of_what_hangs_on_it() -> None:
    found = changes(compare(opened(), changed(a0x131=21)))
    assert (found.axes, found.tables) == (("speed",), (("fuel", 0), ("spark", 0)))
    assert found.tags == ("fuel", "ignition", "mixture")


def test_tags_of_tables_that_cannot_be_decoded() -> None:
    cut = Calibration(label="cut", image=opened().image[0x100:0x136], definition=DEFINITION)
    found = changes(compare(opened(), cut))
    assert dict(found.tables) == {"fuel": 0, "spark": 0, "top_speed": 0}
    assert found.tags == ("fuel", "ignition", "mixture", "speed-limit")


def test_tags_of_tables_that_cannot_be_decoded_on_either_side() -> None:
    was, now = (
        Calibration(label="cut", image=side.image[0x100:0x136], definition=DEFINITION)
        for side in (opened(), changed(a0x134=1))
    )
    found = changes(compare(was, now))
    assert (found.tables, found.unexplained) == ((("fuel", 0),), 1)
    assert found.tags == ("fuel", "mixture")


def test_across_two_definitions_tags_of_both_sides_count() -> None:
    other = definition_from_text(TEXT.replace("tags: [ignition]", "tags: [torque]").replace("name: made-up", "name: b"))
    now = changed(a0x138=1)
    found = changes(compare(opened(), Calibration(label="b", image=now.image, definition=other)))
    assert found.replaced
    assert dict(found.tables)["spark"] == 1
    assert {"ignition", "torque"} <= set(found.tags)


def test_extents_as_arrays_and_one_by_one() -> None:
    comparison: Comparison = compare(opened(), changed(a0x134=1, a0x135=1, a0x181=1, a0x1F0=1))
    assert isinstance(comparison.extents, Extents)
    assert bytes_by_region(comparison.extents) == bytes_by_region(tuple(comparison.extents))


def test_facts_of_an_image_load_no_array_library() -> None:
    code = "import caldiff.trace.facts, sys; raise SystemExit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
