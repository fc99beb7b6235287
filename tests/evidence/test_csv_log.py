"""Logs as text: every way of writing one that we know of, and that reading by columns says what reading by lines does.

How loggers write is common practice, no source. Figures are expected as Python's own ``float`` reads them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from caldiff.errors import CaldiffError, EvidenceError, UsageError
from caldiff.evidence import cells, csv_log
from caldiff.evidence.log import Log, open_log

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def write(text: str | bytes, name: str = "log.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        return path

    return write


def read(log: Log, *names: str, rows: int = 65_536) -> dict[str, list[float | None]]:
    """The whole log; None for blank."""
    blocks = list(log.blocks(names or None, rows=rows))
    columns = {"": np.concatenate([b.time for b in blocks])} if blocks else {}
    for name in blocks[0].values if blocks else ():
        columns[name] = np.concatenate([b.values[name] for b in blocks])
    return {name: [None if math.isnan(v) else v for v in column.tolist()] for name, column in columns.items()}


def told(log: Log) -> list[str]:
    return [str(repair) for repair in log.repairs]


PLAIN = {"": [0.0, 0.5, 1.0], "n": [800.0, 810.0, 820.0], "T": [1.5, -2.25, None]}


@pytest.mark.parametrize(
    "text",
    [
        "time [s],n [rpm],T [degC]\n0,800,1.5\n0.5,810,-2.25\n1.0,820,\n",
        "time (s);n (rpm);T (degC)\r\n0;800;1,5\r\n0,5;810;-2,25\r\n1,0;820;\r\n",
        "\ufefftime\tn\tT\ns\trpm\tdegC\n0\t800\t1.5\n0.5\t810\t-2.25\n1.0\t820\t\n",
        '"time","n","T"\n"s","rpm","degC"\n"0","800","1,5"\n"0,5","810","-2,25"\n"1,0","820",""\n',
        '"time"|"n"|"T"\n[s]|[rpm]|[degC]\n0|800|1.5\n0.5|810|-2.25\n1.0|820|\n',
        'time [s];n [rpm];T [degC]\n0;800;1,5\n"0,5";"810";"-2,25"\n"1,0";820;""\n',
        "time [ms],n [rpm],T [degC]\n1000,800,1.5\n1500,810,-2.25\n2000,820,\n",
        "time [min],n [rpm],T [degC]\n0,800,1.5\n0.0083333333333333333,810,-2.25\n0.016666666666666667,820,\n",
        "Zeit;n [rpm];T [degC]\n12:59:59,500;800;1,5\n13:00:00,000;810;-2,25\n13:00:00,500;820;\n",
        (
            "time,n [rpm],T [degC]\n2026-03-12T06:41:00Z,800,1.5\n2026-03-12T06:41:00.5Z,810,-2.25\n"
            "2026-03-12T08:41:01+02:00,820,\n"
        ),
        "time [s],n [rpm],T [degC],\n0,800,1.5,\n0.5,810,-2.25,\n1.0,820,,\n",
        "time [s],n [rpm],T [degC]\n0,800,1.5,\n0.5,810,-2.25,\n1.0,820,,\n",
        "time [s],n [rpm],T [degC]\n\n 0 , 800 , 1.5 \n0.5,8.1e2,-2.25\n\n1.0,+820,nan\n",
        "time [s],n [rpm],T [degC]\r0,800,1.5\r0.5,810,-2.25\r1.0,820,\r",
    ],
)
def test_one_log_written_in_many_ways(write: Write, text: str) -> None:
    for data in (text.encode(), text.lstrip("\ufeff").encode("utf-16")):
        log = open_log(write(data))
        found = read(log)
        assert found[""] == pytest.approx(PLAIN[""], abs=1e-9)
        assert found["n"] == PLAIN["n"]
        assert found["T"] == PLAIN["T"]
        assert [(info.name, info.unit) for info in log.channels if info.name] == [("n", "rpm"), ("T", "degC")]
        assert told(log) == []


def test_windows_letters_in_the_heading_are_said(write: Write) -> None:
    log = open_log(write("time [s],T [°C]\n0,1\n1,2\n".encode("cp1252")))
    assert log.channels[0].unit == "°C"
    assert told(log) == ["heading is not UTF-8, read as Windows-1252: 1"]


def test_what_stands_above_the_heading(write: Write) -> None:
    text = "# calibration id: W4-0210-C\n// VIN = WRENDEMO17\nstarted;2026-03-12T08:41:00+02:00\n----\n\n"
    text += "time [s];n\n0;1\n1;2\n"
    log = open_log(write(text))
    assert log.identity == (
        ("calibration id", "W4-0210-C"),
        ("VIN", "WRENDEMO17"),
        ("started", "2026-03-12T08:41:00+02:00"),
    )
    assert log.start == "2026-03-12T06:41:00Z"
    assert told(log) == ["line above the rows that says nothing known, passed over: 1, in line 4"]
    assert read(log)["n"] == [1.0, 2.0]


@pytest.mark.parametrize("start", ["2026-03-12T06:41:00", "12.03.2026", "2026-13-45T06:41:00Z", ""])
def test_a_start_without_a_zone_is_none(write: Write, start: str) -> None:
    assert open_log(write(f"# started: {start}\ntime [s],n\n0,1\n1,2\n")).start is None


def test_the_same_name_twice(write: Write) -> None:
    log = open_log(write("time [s],n [rpm],n [1/s],n [rpm]\n0,1,2,3\n1,4,5,6\n"))
    assert [info.name for info in log.channels] == ["n", "n [1/s]", "n [rpm]"]
    assert read(log, "n [1/s]")["n [1/s]"] == [2.0, 5.0]


# ------------------------------------------------------------------------------------------- what is repaired, dropped


def test_everything_dropped_is_counted_with_its_first_line(write: Write) -> None:
    text = "time [s],n,T\n0,1,10\n0.1,2\n0.2,3,4,5\n,4,10\n0.4,x,10\n0.5,6,inf\n0.6,y,10\n0.7,8,10\nrubbish\n"
    text += "0.8,9,1"  # it has no end: who knows whether the 1 was a 10
    log = open_log(write(text))
    assert read(log) == {
        "": [0.0, 0.4, 0.5, 0.6, 0.7],
        "n": [1.0, None, 6.0, None, 8.0],
        "T": [10.0, 10.0, None, 10.0, 10.0],
    }
    assert told(log) == [
        "line with too few fields, dropped: 2, first in line 3",
        "line with too many fields, dropped: 1, in line 4",
        "row without a time, dropped: 1, in line 5",
        "cell that is no figure, left blank in n: 2, first in line 6",
        "cell that is no figure, left blank in T: 1, in line 7",
        "last line cut off, dropped: 1, in line 11",
    ]


def test_reading_again_counts_nothing_twice_and_forgets_nothing(write: Write) -> None:
    log = open_log(write("time [s],n,T\n0,x,1\n1,2,y\n"))
    read(log, "n")
    read(log, "T")
    read(log, "T")
    assert told(log) == [
        "cell that is no figure, left blank in n: 1, in line 2",
        "cell that is no figure, left blank in T: 1, in line 3",
    ]


def test_zeros_that_a_dying_logger_leaves(write: Write) -> None:
    log = open_log(write(b"time [s],n\n0,1\n1,2\n2," + b"\0" * 3_000_000))
    assert read(log)["n"] == [1.0, 2.0]
    assert told(log) == ["last line cut off, dropped: 1, in line 4"]


@pytest.mark.parametrize(
    ("times", "expected", "said"),
    [
        ([5, 6, 7], [0, 1, 2], []),
        ([0, 1, 1, 2], [0, 1, 1, 2], ["time stamp repeated, the row above counts for no time: 1, in line 4"]),
        ([0, 2, 1, 3], [0, 2, 3], ["row dropped, its time lies before that of the row above: 1, in line 4"]),
        ([0, 2, 1], [0, 2], ["row dropped, its time lies before that of the row above: 1, in line 4"]),
        (
            [0, 30, *range(20)],
            [0, 30, *range(3630, 3650)],
            ["clock set back, the log goes on after a gap: 1, in line 4"],
        ),
        (
            [0, 1, 900, *range(2, 22)],
            [0, 1, 900, *range(4500, 4520)],
            ["clock set back, the log goes on after a gap: 1, in line 5"],
        ),
    ],
)
def test_time_stamps_never_fall(write: Write, times: list[float], expected: list[float], said: list[str]) -> None:
    log = open_log(write("time [s],n\n" + "".join(f"{t},1\n" for t in times)))
    assert read(log)[""] == expected
    assert told(log) == said


def test_rows_that_lie_back_wait_from_piece_to_piece(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    times = [0, 50, 10, 20, 60, *range(30)]
    text = "time [s],n\n" + "".join(f"{t},{n}\n" for n, t in enumerate(times))
    whole = read(open_log(write(text)))
    monkeypatch.setattr(csv_log, "_PIECE", 16)
    assert read(open_log(write(text))) == whole
    assert whole["n"] == [0, 1, 4, *range(5, 35)]
    assert whole[""] == [0, 50, 60, *range(3660, 3690)]


def test_clock_times_pass_midnight_and_a_hiccup_does_not(write: Write) -> None:
    text = "clock,n\n" + "".join(f"{t},1\n" for t in ("23:59:59.8", "00:00:00.1", "23:59:59.9", "00:00:00.3"))
    log = open_log(write(text), time="clock")
    assert read(log)[""] == pytest.approx([0.0, 0.3, 0.5], abs=1e-9)
    assert told(log) == [
        "clock passed midnight: 2, first in line 3",
        "row dropped, its time lies before that of the row above: 1, in line 4",
    ]


# ------------------------------------------------------------------------------------------------------------ refusals


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        ("", {}, "this is no log that can be read"),
        ("hello\nworld\n", {}, "this is no log that can be read"),
        ("0,1\n1,2\n", {}, "the log has no heading"),
        ("a,b\n0,1\n1,2\n", {}, "no column is known to be the time"),
        ("a,b\n0,1\n1,2\n", {"time": "c"}, "the log has no column c"),
        ("time,b\n0,1\n50,2\n100,3\n", {}, "the time column time does not say its unit"),
        ("time [fortnights],b\n0,1\n50,2\n", {}, "in a unit that is not known"),
        ("time [s];b\n0,5;1.5\n1,5;2.5\n", {}, "decimal points and with decimal commas"),
    ],
)
def test_what_leaves_it_open_is_refused(write: Write, text: str, options: dict[str, str], said: str) -> None:
    with pytest.raises(EvidenceError, match=said) as caught:
        open_log(write(text), **options)
    assert caught.value.file is not None


def test_what_is_stated_settles_it(write: Write) -> None:
    assert read(open_log(write("a,b\n0,1\n50,2\n"), time="a", time_unit="ms"))[""] == [0.0, 0.05]
    assert read(open_log(write("stamp,time,b\n0,7,1\n50,8,2\n"), time=("stamp",), time_unit="ms"))[""] == [0.0, 0.05]
    log = open_log(write("time [s];b\n0;1.5\n1;2,5\n"), decimal=",")
    assert read(log)["b"] == [None, 2.5]
    with pytest.raises(UsageError):
        open_log(write("time,b\n0,1\n"), time_unit="weeks")


def test_seconds_are_taken_where_nothing_else_can_be_meant_and_said(write: Write) -> None:
    log = open_log(write("time,b\n0.00,1\n0.05,2\n0.10,3\n"))
    assert told(log) == ["time column says no unit, seconds taken: 1, in line 1"]


def test_a_line_without_end_is_refused_in_bounded_memory(write: Write) -> None:
    with pytest.raises(EvidenceError, match="too long"):
        read(open_log(write(b"time [s],n\n0,1\n1,2\n" + b"7" * 5_000_000)))


def test_no_such_channel_and_no_such_file(write: Write, tmp_path: Path) -> None:
    with pytest.raises(EvidenceError, match="no channel m") as caught:
        open_log(write("time [s],n\n0,1\n1,2\n")).blocks(["m"])
    assert caught.value.expected == "one of n"
    with pytest.raises(CaldiffError, match="cannot be read"):
        open_log(tmp_path / "none.csv")


# --------------------------------------------------------------------------------------- by columns and one by one

FIGURES = st.one_of(
    st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**8), max_value=10**8, places=3).map(str),
    st.integers(-(10**20), 10**20).map(str),
    st.floats(allow_nan=False).map(repr),
    st.text("0123456789.,+-eE nax_", max_size=19),
    st.sampled_from(
        [
            "",
            " ",
            ".",
            "-",
            "+",
            "-.5",
            "5.",
            "nan",
            "1e5",
            "0012",
            "123456789012345.6",
            "999999999999999.9",
            "--1",
            "1-",
        ]
    ),
)


@given(st.lists(FIGURES, min_size=1, max_size=30), st.sampled_from([b".", b","]))
def test_columns_say_what_single_cells_say(texts: list[str], decimal: bytes) -> None:
    exact = [cells.number(text.encode(), decimal) for text in texts]
    found, odd = cells.numbers(*laid(texts), decimal)
    for text, one, many, left in zip(texts, exact, found.tolist(), odd.tolist(), strict=True):
        assert left or repr(one) == repr(many), text


def test_more_digits_than_divide_exactly_are_left() -> None:
    found, odd = cells.numbers(*laid(["999999999999999.9", "99999999999999.9"]), b".")
    assert odd.tolist() == [True, False]
    assert found[1] == float("99999999999999.9")


@given(st.lists(st.decimals(min_value=-(10**6), max_value=10**6, places=4).map(str), min_size=1, max_size=30))
def test_plain_figures_are_the_nearest_doubles_and_none_is_left(texts: list[str]) -> None:
    found, odd = cells.numbers(*laid(texts), b".")
    assert not odd.any()
    assert found.tolist() == [float(text) for text in texts]


CLOCKS = st.one_of(
    st.times().map(str),
    st.datetimes().map(str),
    st.from_regex(r"[0-9]{2}:[0-9]{2}:[0-9]{2}[.,][0-9]{0,10}", fullmatch=True),
    st.text("0123456789:., -T", max_size=15),
)


@given(st.lists(CLOCKS, min_size=1, max_size=20))
def test_columns_of_clock_times_say_what_single_ones_say(texts: list[str]) -> None:
    exact = [cells.clock(text.encode()) for text in texts]
    (days, seconds), odd = cells.clocks(*laid(texts))
    for text, one, day, second, left in zip(texts, exact, days, seconds, odd, strict=True):
        assert left or one == (day, second), text


def laid(texts: list[str]) -> tuple[cells.Bytes, cells.Ints, cells.Ints]:
    ends = np.cumsum([len(text) + 1 for text in texts]) - 1
    starts = np.concatenate([[0], ends[:-1] + 1])
    return np.frombuffer("".join(f"{text}\n" for text in texts).encode(), np.uint8), starts, ends


ROW = st.lists(FIGURES.map(lambda text: text.replace(",", "")), min_size=1, max_size=4).map(",".join)
LINES = st.lists(
    st.one_of(
        st.tuples(st.integers(0, 60), FIGURES, FIGURES).map(lambda t: f"{t[0]},{t[1]},{t[2]}"),
        ROW,
        st.tuples(st.integers(0, 60), st.text('0123456789",;x', max_size=8)).map(lambda t: f'{t[0]},"{t[1]}",1'),
    ),
    max_size=40,
)


@given(LINES, st.integers(12, 200), st.integers(1, 50))
def test_pieces_and_blocks_of_any_size_say_the_same_as_one_by_one(
    tmp_path_factory: pytest.TempPathFactory, lines: list[str], piece: int, rows: int
) -> None:
    path = tmp_path_factory.mktemp("log") / "log.csv"
    text = "time [s],n,T\n0,1,2\n" + "".join(f"{line}\n" for line in lines)
    path.write_text(text, encoding="utf-8")
    whole = open_log(path, decimal=".")
    expected = read(whole)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_log, "_PIECE", piece)
        # Everything goes the exact way: no cell is plain, so each is read alone.
        patch.setattr(cells, "numbers", lambda _t, start, _e, _d: (np.zeros(len(start)), np.ones(len(start), np.bool_)))
        slow = open_log(path, decimal=".")
        assert read(slow, rows=rows) == expected
    assert told(slow) == told(whole)
    assert all(len(block.time) <= rows for block in slow.blocks(rows=rows))


# ------------------------------------------------------------------------------------------------------------- hostile

SEED = b'# id: x\ntime [s];n [rpm];"T"\n0;1,5;2\n0,5;3;"4"\n1;5;6\n'


MUTATED = st.tuples(st.integers(0, len(SEED)), st.binary(max_size=8), st.integers(0, 9)).map(
    lambda t: SEED[: t[0]] + t[1] + SEED[t[0] + t[2] :]
)


@given(st.one_of(st.binary(max_size=300), MUTATED))
@settings(max_examples=150)
def test_any_bytes_raise_only_our_errors(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "fuzz.csv"
    path.write_bytes(data)
    try:
        log = open_log(path)
        blocks = list(log.blocks())
    except CaldiffError:
        return
    assert all((np.diff(block.time) >= 0).all() for block in blocks)
    assert not any(np.isinf(column).any() for block in blocks for column in block.values.values())


def test_the_digest_is_that_of_the_file(write: Write) -> None:
    # printf 'time [s],n\n0,1\n' | sha256sum (GNU coreutils)
    log = open_log(write("time [s],n\n0,1\n"))
    assert log.file.hex == SUM
    assert log.name == "log.csv"


SUM = "26b9de72b999cf91081c379d5c955cd2ff7e657b4bdf09dadff90284aa6bf42f"
