"""Which definition fits, what is said when none or several do, and where a raw binary is put."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.definition.definition import Definition
from caldiff.definition.model import Fit, Frame, IdentityField, Pattern
from caldiff.errors import DefinitionMissingError, DoesNotFitError
from caldiff.image.model import Format, Image, Source
from caldiff.table.fit import choose, fits, fitting, mismatches, place, require

START = 0x80_0000


def text(written: str) -> Pattern:
    value = written.encode()
    return Pattern(
        value=value.replace(b"?", b"\x00"), mask=bytes(0 if c == ord("?") else 255 for c in value), text=True
    )


def reader(name: str, *conditions: Fit, size: int = 64) -> Definition:
    return Definition.of(name=name, frame=Frame(start=START, size=size, byte_order="big"), fits=conditions)


WREN_10 = reader("wren-10", Fit(at=START + 4, any_of=(text("WREN4"),)), Fit(at=START + 10, any_of=(text("10"),)))
WREN_1X = reader("wren-1x", Fit(at=START + 4, any_of=(text("WREN4"),)), Fit(at=START + 10, any_of=(text("1?"),)))
WREN_20 = reader("wren-20", Fit(at=START + 4, any_of=(text("WREN4"),)), Fit(at=START + 10, any_of=(text("20"),)))
ROBIN = reader("robin", Fit(at=START, any_of=(Pattern(value=b"\x40\x1f", mask=b"\xf0\xff"),)))
DATA = b"\x00\x01\x02\x03WREN4\x0010" + bytes(52)


def read(data: bytes, *, format_: Format = "binary", start: int = 0) -> Image:
    """An image as reading a file gives it."""
    source = Source(name="read.bin", format=format_, file=Digest.of(data), size=len(data))
    return Image.of(data, start=start, source=source)


def test_all_conditions_must_hold() -> None:
    image = Image.of(DATA, start=START)
    assert fits(WREN_10, image)
    assert mismatches(WREN_10, image) == ()
    (failure,) = mismatches(WREN_20, image)
    assert (failure.at, failure.expected, failure.got) == (START + 10, '"20"', '"10"')
    assert failure.text == 'expected "20" at 0x0080000A, got "10"'


def test_wildcards_halves_and_alternatives() -> None:
    assert fits(WREN_1X, Image.of(DATA, start=START))
    (failure,) = mismatches(ROBIN, Image.of(DATA, start=START))
    assert (failure.expected, failure.got) == ("4? 1F", "00 01")
    assert fits(ROBIN, Image.of(b"\x4b\x1f", start=START))
    several = reader("several", Fit(at=START, any_of=(text("ROW"), text("EU "))))
    assert fits(several, Image.of(b"EU ", start=START))
    assert mismatches(several, Image.of(b"US\x01", start=START))[0].expected == '"EU " or "ROW"'
    assert mismatches(several, Image.of(b"US\x01", start=START))[0].got == r'"US\x01"'


@pytest.mark.parametrize("at", [START, START + 6, START + 8])
def test_a_failure_does_not_show_what_identifies_somebody(at: int) -> None:
    vin = IdentityField(name="vin", at=START + 3, size=6, kind="text", byte_order="big", personal=True)
    frame = Frame(start=START, size=64, byte_order="big")
    fit = Fit(at=at, any_of=(text("XXXX"),))
    (failure,) = mismatches(Definition.of(name="d", frame=frame, fits=[fit], identity=[vin]), read(DATA, start=START))
    assert failure.got == "bytes that identify somebody, not shown"
    beside = Fit(at=START + 9, any_of=(text("XXXX"),))
    (shown,) = mismatches(Definition.of(name="d", frame=frame, fits=[beside], identity=[vin]), read(DATA, start=START))
    assert shown.got == r'"\x0010\x00"'


def test_conditions_on_absent_bytes_do_not_hold() -> None:
    part = Image.of(DATA[16:], start=START + 16)
    failures = mismatches(WREN_10, part)
    assert [f.got for f in failures] == [None, None]
    assert failures[0].text == 'expected "WREN4" at 0x00800004, the image has no bytes there'
    cut = Image.of(DATA[:11], start=START)
    assert [f.at for f in mismatches(WREN_10, cut)] == [START + 10]


def test_a_definition_without_conditions_fits_nothing() -> None:
    (failure,) = mismatches(reader("bare"), Image.of(DATA, start=START))
    assert failure.condition is None
    assert "definition without any" in failure.text


@given(st.binary(min_size=1, max_size=4), st.binary(min_size=4, max_size=4), st.binary(max_size=8))
def test_patterns_against_a_plain_loop(value: bytes, mask: bytes, data: bytes) -> None:
    pattern = Pattern(value=value, mask=mask[: len(value)])
    image = Image.of(data, start=START)
    expected = len(data) > len(value) and all((data[i + 1] ^ value[i]) & mask[i] == 0 for i in range(len(value)))
    assert fits(reader("p", Fit(at=START + 1, any_of=(pattern,))), image) == expected


# -------------------------------------------------------------------------------------------------------------- choice


def test_exactly_one_fits() -> None:
    image = Image.of(DATA, start=START)
    assert choose([WREN_20, ROBIN, WREN_10], image) is WREN_10
    assert fitting([WREN_20, ROBIN], image) == ()
    assert fitting([WREN_1X, ROBIN, WREN_10], image) == (WREN_1X, WREN_10)


def test_several_fit() -> None:
    with pytest.raises(DefinitionMissingError, match="2 definitions fit this image: wren-10, wren-1x") as caught:
        choose([WREN_10, WREN_1X, ROBIN], Image.of(DATA, start=START))
    assert caught.value.hint == "name the one to use, or make their `fits` exclude one another"


def test_none_fits_and_the_nearest_is_said() -> None:
    with pytest.raises(DefinitionMissingError, match=r"no definition fits this image \(2 tried\)") as caught:
        choose([ROBIN, WREN_20], read(DATA))
    assert (
        caught.value.hint
        == 'nearest is wren-20: expected "20" at 0x0080000A, got "10"; add a definition for this software version'
    )
    assert caught.value.file == "read.bin"
    with pytest.raises(DefinitionMissingError) as caught:
        choose([ROBIN], Image.of(DATA, start=START))
    assert caught.value.hint is not None
    assert "none of their conditions holds; tried robin" in caught.value.hint
    with pytest.raises(DefinitionMissingError, match="no definition to choose from"):
        choose([], Image.of(DATA, start=START))


def test_a_partial_image_is_told_so() -> None:
    """A file of the calibration area alone may be read well, but nothing proves what it is."""
    part = Image.of(DATA[:9], start=START)
    with pytest.raises(DefinitionMissingError) as caught:
        choose([WREN_10, ROBIN], part)
    assert caught.value.hint is not None
    assert caught.value.hint.endswith("the image lacks bytes that say which software it is; use a complete read")


def test_a_definition_by_name_must_fit() -> None:
    assert require(WREN_10, read(DATA)).start == START
    with pytest.raises(DoesNotFitError, match="wren-20 does not fit") as caught:
        require(WREN_20, read(DATA))
    error = caught.value
    assert (error.file, error.address, error.expected, error.got) == ("read.bin", START + 10, '"20"', '"10"')


# ----------------------------------------------------------------------------------------------------------- placing


def test_a_raw_binary_goes_to_the_frame() -> None:
    placed = place(read(DATA), WREN_10)
    assert (placed.start, placed.read(START, len(DATA))) == (START, DATA)
    assert place(placed, WREN_10) is placed
    assert choose([WREN_10, ROBIN], read(DATA)) is WREN_10
    assert place(read(DATA[:20]), WREN_10).start == START


@pytest.mark.parametrize(
    "image",
    [
        read(DATA + b"\x00"),
        read(DATA, start=0x100),
        read(DATA, format_="ihex"),
        Image.of(DATA),
    ],
)
def test_anything_else_stays_where_it_is(image: Image) -> None:
    """Larger than the frame; placed by its reader; addresses of its own; made in memory."""
    assert place(image, WREN_10) is image
