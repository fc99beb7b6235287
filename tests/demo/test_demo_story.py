"""What happens in the story, listed by hand: which tables, how many cells, which byte, and the fate of every byte."""

from __future__ import annotations

from fractions import Fraction

import pytest

from caldiff.definition.definition import Definition
from caldiff.demo.story import Story
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration
from caldiff.table.decode import decode

UNEXPLAINED = 0x0083A51C
CORRECTION = 0x00882D04  # gas_volume_correction in wren4-2.10.yaml
SPEED_16 = (600, 800, 1000, 1250, 1500, 1750, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500)


def differing(before: Image, after: Image) -> list[int]:
    start, stop = before.start, before.stop
    a, b = before.read(start, stop - start), after.read(start, stop - start)
    return [start + i for i in range(stop - start) if a[i] != b[i]]


def compared(before: Image, after: Image, old: Definition, new: Definition) -> Comparison:
    return compare(
        Calibration(label="before", image=before, definition=old),
        Calibration(label="after", image=after, definition=new),
    )


@pytest.fixture(scope="module")
def to_first(story: Story, old: Definition) -> Comparison:
    return compared(story.stock, story.first, old, old)


@pytest.fixture(scope="module")
def to_second(story: Story, old: Definition) -> Comparison:
    return compared(story.first, story.second, old, old)


@pytest.fixture(scope="module")
def to_third(story: Story, old: Definition) -> Comparison:
    return compared(story.second, story.third, old, old)


def states(comparison: Comparison) -> dict[str, tuple[str, int]]:
    return {t.name: (t.state, t.cells) for t in comparison.tables}


def checksums(comparison: Comparison) -> dict[str, tuple[str, bool]]:
    """State after, and whether it was forgotten."""
    return {d.name: (d.after.status if d.after else "", d.forgotten) for d in comparison.checksums}


# --------------------------------------------------------------------------------------------- stock to revision 1


def test_first_tables(to_first: Comparison) -> None:
    assert states(to_first) == {
        "conversion_label": ("changed", 27),  # 30 characters over "none" and spaces: an o and two spaces stay
        "gas_switches": ("changed", 1),
        "idle_target_gas": ("changed", 3),  # 60, 80, 110 degC
        "ignition_base_gas": ("changed", 24),  # 6 speeds x 4 loads
    }
    assert to_first.axes == ()
    assert to_first.identity == ()
    # the word over the other checksums follows the one of the calibration
    assert checksums(to_first) == {"calibration": ("valid", False), "checks": ("valid", False)}


def test_first_bytes(story: Story) -> None:
    stock, first = story.stock, story.first
    advanced = [0x008821C0 + 16 * load + speed for load in (4, 5, 6, 7) for speed in (4, 5, 6, 7, 8, 9)]
    found = [a for a in differing(stock, first) if 0x008821C0 <= a < 0x00882280]
    assert found == advanced
    # 2 degrees in steps of half a degree
    assert {first.read(a, 1)[0] - stock.read(a, 1)[0] for a in advanced} == {4}


def test_first_fates(to_first: Comparison, story: Story) -> None:
    fates = to_first.fates
    assert (fates.identity, fates.volatile, fates.unexplained) == (0, 0, 0)
    assert fates.total == len(differing(story.stock, story.first))
    stored = [a for a in differing(story.stock, story.first) if 0x008BFFFC <= a < 0x008C0100]
    assert fates.checksum == len(stored) > 0


# ---------------------------------------------------------------------------------------- revision 1 to revision 2


def test_second_tables(to_second: Comparison) -> None:
    found = states(to_second)
    # Rows 60 and 70 % became 62.5 and 75 %. Where a surface falls or climbs by a raw step and more, all 2 x 16 moved.
    assert found == {
        "exhaust_temperature": ("changed", 32),
        "gas_injector_characteristic": ("changed", 12),
        "gas_volume_correction": ("changed", 16),  # see test_second_correction
        "ignition_base_gas": ("changed", 32),
        "ignition_base_petrol": ("changed", 32),
        "knock_threshold": ("axis", 0),
        "lambda_target_gas": ("axis", 0),
        "lambda_target_petrol": ("changed", 16),
        "torque_best": ("changed", 32),
        "warm_up_gas": ("changed", 5),  # -30, -20, -10, 0, 10 degC
    }


def test_second_axis_moved_once(to_second: Comparison) -> None:
    (axis,) = to_second.axes
    assert axis.name == "load_12"
    assert axis.changed.tolist() == [False] * 7 + [True, True] + [False] * 3
    assert (axis.before.physical[7:9].tolist(), axis.after.physical[7:9].tolist()) == ([60, 70], [62.5, 75])
    assert axis.tables == (
        "exhaust_temperature",
        "gas_volume_correction",
        "ignition_base_gas",
        "ignition_base_petrol",
        "knock_threshold",
        "lambda_target_gas",
        "lambda_target_petrol",
        "torque_best",
    )


def test_second_surfaces(to_second: Comparison) -> None:
    surfaces = {t.name: t.surface.changed for t in to_second.tables if t.surface is not None}
    assert surfaces == {
        "exhaust_temperature": False,
        "gas_volume_correction": False,
        "ignition_base_gas": True,  # refitted, and later by 1.5 degrees at 75 %
        "ignition_base_petrol": False,
        "knock_threshold": True,  # forgotten: the same volts at other loads
        "lambda_target_gas": False,  # level up to 80 %
        "lambda_target_petrol": True,  # its knee at 70 % has no breakpoint any more
        "torque_best": False,
    }


def test_second_correction(story: Story) -> None:
    """1.5 + 5 % * load * bump(speed), stored in quarters: reckoned here once more, in exact fractions."""
    changed = 0
    for row, before, after in ((7, Fraction(60), Fraction(125, 2)), (8, Fraction(70), Fraction(75))):
        for column, speed in enumerate(SPEED_16):
            bump = 1 / (1 + Fraction(speed - 3000, 2500) ** 2)
            raw = [round((Fraction(3, 2) + 5 * load / 100 * bump) * 4) for load in (before, after)]
            at = CORRECTION + 16 * row + column
            assert [story.first.read(at, 1)[0], story.second.read(at, 1)[0]] == raw
            changed += raw[0] != raw[1]
    assert changed == 16


def test_second_fates(to_second: Comparison, story: Story) -> None:
    fates = to_second.fates
    assert fates.volatile == 36 + 2  # learned trims and an hour counter
    assert (fates.identity, fates.unexplained) == (0, 0)
    assert fates.total == len(differing(story.first, story.second))


# ---------------------------------------------------------------------------------------- revision 2 to revision 3


def test_third_tables(to_third: Comparison) -> None:
    assert states(to_third) == {
        "diagnosis_enables": ("changed", 1),
        "over_temperature_torque": ("changed", 5),  # 112, 115, 118, 121, 125 degC
    }


def test_third_byte_that_nothing_explains(to_third: Comparison, story: Story) -> None:
    (extent,) = to_third.unexplained
    assert (extent.start, extent.size, extent.region, extent.role) == (UNEXPLAINED, 1, "program", "code")
    assert story.third.read(UNEXPLAINED, 1)[0] == story.second.read(UNEXPLAINED, 1)[0] ^ 0x08


def test_third_fates(to_third: Comparison, story: Story) -> None:
    fates = to_third.fates
    # one byte of flags, five of the curve, one of program, and the checksums
    assert (fates.cell, fates.identity, fates.volatile, fates.unexplained) == (6, 0, 0, 1)
    # whoever changed the byte corrected what can be reckoned; the signature they could not
    assert checksums(to_third) == {
        "calibration": ("valid", False),
        "checks": ("valid", False),
        "program": ("valid", False),
        "signature": ("not verifiable", True),
    }
    assert fates.total == len(differing(story.second, story.third))


def test_third_flag(story: Story, old: Definition) -> None:
    before, after = (decode(i, old, "diagnosis_enables") for i in (story.second, story.third))
    assert (int(before.raw), int(after.raw)) == (0x0F07, 0x0E07)


# -------------------------------------------------------------------------------------------- to the newer software


def test_newer_software(story: Story, old: Definition, new: Definition) -> None:
    comparison = compared(story.stock, story.newer, old, new)
    found = {t.name: t.state for t in comparison.tables}
    assert comparison.across
    assert {f.field.name for f in comparison.identity} == {"software", "calibration_id", "made"}
    assert {n for n, s in found.items() if s == "added"} == {"gas_blend_step", "lambda_refill"}
    assert {n for n, s in found.items() if s == "removed"} == {"lambda_sensor_curve"}
    assert {n for n, s in found.items() if s == "resized"} == {"pedal_torque"}
    assert {n for n, s in found.items() if s == "changed"} >= {
        "idle_target_petrol",
        "ignition_base_gas",
        "speed_limit_soft",
        "warm_up_gas",
    }
    assert comparison.fates.total == len(differing(story.stock, story.newer))
