"""What commands say about the demo, against its story (caldiff/demo/story.py) and what follows from it by hand."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from caldiff.definition.catalogue import shipped_folder

STOCK, REV1, REV2, REV3, NEWER = (
    "van17_stock_read.bin",
    "van17_rev1.hex",
    "van17_rev2.s19",
    "van17_rev3.zip",
    "van17_read_after_update.hex",
)
Run = Callable[..., Any]


def section(text: str, start: str) -> str:
    """From a line that begins so to the next empty line."""
    return text[text.index(f"\n{start}") + 1 :].partition("\n\n")[0]


def test_a_curve_is_shown_before_and_after(call: Run) -> None:
    assert section(call(STOCK, REV1).out, "idle_target_gas") == (
        "idle_target_gas  Idle speed wanted, gas  [gas, idle]\n"
        "    curve 10, rpm. 3 of 10 cells raised: +60 (+7.8 to +7.9%).\n"
        "                Coolant, degC →\n"
        "                 60   80  110\n"
        "        before  772  760  760\n"
        "         after  832  820  820\n"
        "    difference  +60  +60  +60"
    )


def test_a_flag_is_named(call: Run) -> None:
    assert section(call(STOCK, REV1).out, "gas_switches").endswith("\n    now on: gas_allowed")
    assert section(call(REV2, REV3).out, "diagnosis_enables").endswith("\n    now off: catalyst_monitor")


def test_what_must_not_be_overlooked_is_marked(call: Run) -> None:
    out = call(REV2, REV3).out
    assert "\n! code         the program itself changed: 1 byte in program\n" in out
    assert "\n! caution      emissions: diagnosis_enables\n" in out
    assert "\n! caution      over-temperature: over_temperature_torque\n" in out
    assert "\n! unexplained  1 byte in 1 run" in out
    assert "! " not in call(STOCK, REV1).out


def test_tables_that_only_follow_their_axis_are_one_line_until_asked_for(call: Run) -> None:
    short, whole = call(REV1, REV2).out, call(REV1, REV2, "--all").out
    assert "\ntorque_best" not in short
    assert "torque_best; --all shows the cells" in " ".join(short.split())
    assert "\ntorque_best" in whole
    assert "62.5 (was 60.0)" in whole
    assert "surface the same" in section(short, "load_12")


def test_a_series_names_the_image_that_set_each_value(call: Run) -> None:
    out = call(STOCK, REV1, REV2, REV3).out
    assert section(out, "idle_target_gas").splitlines()[-1].split() == ["set", "in", "B", "B", "B"]
    assert section(out, "warm_up_gas").splitlines()[-1].split() == ["set", "in", "C", "C", "C", "C", "C"]
    assert "B: 24 cells; C: 32 cells" in section(out, "ignition_base_gas")
    assert [line for line in out.splitlines() if len(line) > 80] == []
    order = [
        out.index(title) for title in ("─ A → B ─", "─ B → C ─", "─ C → D ─", "─ Against the first ─", "─ Tables ─")
    ]
    assert order == sorted(order)


def test_a_series_that_comes_back(call: Run) -> None:
    out = call(STOCK, REV1, STOCK).out
    assert "A → C   the same bytes at the same addresses" in out
    assert section(out, "idle_target_gas").splitlines()[1] == "    curve 10, rpm. B: 3 cells; C: 3 cells"
    assert "C C C" in " ".join(section(out, "idle_target_gas").split())


def test_other_software_is_compared_by_name(call: Run) -> None:
    out = call(STOCK, NEWER).out
    assert "\n! identity     Software version: " in out
    assert "\n─── Only in B " in out
    assert out.index("! identity") < out.index("  tables ")


def test_show_lists_and_shows_tables(call: Run) -> None:
    listed = call("show", STOCK, "--tag", "emissions").out
    assert "diagnosis_enables" in listed
    assert "idle_target_gas" not in listed
    assert "more do not match --table and --tag" in listed
    shown = call("show", STOCK, "idle_target_gas").out
    assert shown.splitlines()[-1].split()[-2:] == ["760", "760"]
    many = call("show", STOCK, "idle_*").out
    assert many.count("Idle speed wanted") >= 2


def test_show_has_the_same_width_everywhere(call: Run) -> None:
    for arguments in (["show", STOCK], ["show", STOCK, "*"], ["identify", STOCK, REV3], ["definition", "list"]):
        out = call(*arguments, "--width", "60").out
        assert [line for line in out.splitlines() if len(line) > 60] == []


def test_without_a_definition_no_table_is_shown(call: Run) -> None:
    answer = call("show", "README.txt", "anything", "--format", "binary")
    assert answer.status == 2
    assert "no definition fits this image" in answer.err


def test_identify_says_what_is_nearest(call: Run, tmp_path: Any) -> None:
    answer = call("identify", "README.txt", STOCK)
    assert answer.status == 2
    assert "README.txt" in answer.err
    assert "read by wren4-2.10" in answer.out
    empty = tmp_path / "zeros.bin"
    empty.write_bytes(bytes(1 << 20))
    assert "! no definition fits" in call("identify", str(empty)).out


def test_check_finds_nothing_wrong_with_what_is_shipped(call: Run) -> None:

    answer = call("definition", "check", *map(str, sorted(shipped_folder().glob("*.yaml"))))
    assert answer.status == 0
    assert "error" not in answer.out


def test_definitions_compared_by_meaning(call: Run) -> None:
    out = call("definition", "compare", "wren4-2.10", "wren4-2.30").out
    assert "* learned changed\n      size: 4096 -> 8192" in out
    assert call("definition", "compare", "wren4-2.10", "wren4-2.10").out.startswith("The same meaning")


@pytest.mark.parametrize("show", ["both", "before", "after", "difference", "percent"])
def test_ways_of_showing_keep_the_width(call: Run, show: str) -> None:
    out = call(REV1, REV2, "--show", show, "--all").out
    assert [line for line in out.splitlines() if len(line) > 80] == []
