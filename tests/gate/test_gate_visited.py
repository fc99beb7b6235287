"""Seconds per changed cell: the engine has been where the parent changed something, or the next revision stays here."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from gate_shop import Shop, changed, told
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.definition.catalogue import definition_from_text
from caldiff.errors import PolicyError
from caldiff.gate.case import Bench, Case
from caldiff.gate.policy import Tables, Visited
from caldiff.gate.policy_file import load_policy
from caldiff.gate.rules.every import RULES
from caldiff.gate.verdict import RuleOutcome
from caldiff.ledger.chain import Recorded
from caldiff.ledger.entry import Evidence, Subject

DEFINITION = definition_from_text("""
definition: 1
name: tiny-2
image: {start: 0, size: 256, byte_order: big}
fits: [{at: 0, text: TINY}]
identity: {software: {at: 0x08, text: 4, means: software-version}}
regions:
  - {name: learned, at: 0xD0, size: 0x10, role: volatile}
axes:
  speed: {at: 0x40, type: u8, count: 4, quantity: engine_speed, scaling: {factor: 100, unit: rpm}}
  heat: {at: 0x5C, type: u8, count: 2, quantity: oil, scaling: {unit: degC}}
tables:
  spark:
    {at: 0x44, type: u8, x: speed, y: {list: [1, 2], quantity: load, unit: "1"},
     scaling: {factor: 1/2, offset: -40, unit: degCA}, aliases: [advance]}
  dwell: {at: 0x50, type: u16, x: speed, scaling: {factor: 1/10, unit: ms}}
  lamp: {at: 0x58, type: u8}
  cooler: {at: 0x5A, type: u8, x: heat}
  late: {at: 0xF8, type: u16, x: speed}
""")
"""engine speed at 1000, 2000, 3000, 4000 rpm; spark is stored row by row, load 1 first"""

CHANNELS = """
channels: 1
name: bench
quantities:
  engine_speed: {names: [rpm], unit: rpm}
  load: {names: [load], unit: "1"}
conditions: {gap: 2}
"""
BASE = changed({0x5C: b"\x32\x64"})


def log(*stays: tuple[float, float, float], head: str = "time [s],rpm,load") -> bytes:
    """A log: at each speed and load for so many seconds, a row a second; the row that leaves it counts for nothing."""
    rows, now = [head], 0.0
    for rpm, load, seconds in stays:
        for _ in range(int(seconds)):
            rows.append(f"{now:.1f},{rpm},{load}")
            now += 1
    rows.append(f"{now:.1f},{stays[-1][0]},{stays[-1][1]}")
    return ("\n".join(rows) + "\n").encode()


class Visits(Shop):
    """A shop whose logs are kept, and a policy with its channels file."""

    folder: Path

    def log(self, of: Recorded, data: bytes, *, day: int = 5, name: str = "drive.csv") -> Recorded:
        digest = Digest.of(data)
        self.files[digest] = data
        return self.add(Evidence(of=of.entry.hash, sort="log"), day, subjects=[Subject(name=name, file=digest)])

    def asked(self, first: Recorded, wanted: str, *, least: int = 1) -> RuleOutcome:
        """What the rule says of a revision that is made of ``first`` on day 9."""
        data = changed({0x58: b"\x63"}, self.images[first.entry.hash].image.segments[0].data)
        second = self.revision(first, data, day=9)
        (self.folder / "house.yaml").write_text(
            f"policy: 1\nname: house\nevidence: {{log: {{least: {least}, visited: {{{wanted}}}}}}}\n"
        )
        bench = Bench(source=self, policy=load_policy(self.folder / "house.yaml"))
        outcome = RULES["evidence"](Case(bench=bench, calibration=self.images[second.entry.hash], recorded=second))
        self.recorded.pop()
        return outcome


@pytest.fixture
def shop(tmp_path: Path) -> Visits:
    made = Visits(read_by=DEFINITION)
    made.folder = tmp_path
    (tmp_path / "loggers.yaml").write_text(CHANNELS)
    return made


@pytest.fixture
def first(shop: Visits) -> Recorded:
    """Changed: spark at 1000 rpm and load 1, at 2000 rpm and load 1, and at 4000 rpm and load 2."""
    patches = {0x44: b"\x65", 0x45: b"\x70", 0x4B: b"\x71"}
    return shop.revision(shop.baseline(BASE), changed(patches, BASE), day=2)


ASKED = "channels: loggers.yaml, seconds: 5"


def test_every_changed_cell_was_visited_long_enough(shop: Visits, first: Recorded) -> None:
    shop.log(first, log((1000, 1, 5), (2000, 1, 5), (4000, 2, 5)))
    outcome = shop.asked(first, ASKED)
    assert outcome.outcome == "held"
    assert "3 of 3 cells that entry 1 changed visited for 5 s or more, by channels bench" in outcome.read


def test_too_short_a_stay_is_refused_with_table_and_cells(shop: Visits, first: Recorded) -> None:
    shop.log(first, log((1000, 1, 5), (2000, 1, 4), (3000, 2, 60)))
    outcome = shop.asked(first, ASKED)
    assert outcome.outcome == "refused"
    assert [(r.table, r.sequence, r.address) for r in outcome.refusals] == [("spark", 1, 0x44)]
    assert "2 changed cells of table spark without enough evidence" in told(outcome)
    assert "1 of 3 changed cells visited so long, 2 at all, none for more than 5.0 s" in told(outcome)
    assert shop.asked(first, "channels: loggers.yaml, seconds: 4").outcome == "refused"


@pytest.mark.parametrize(("share", "held"), [("2/3", True), ("0.66", True), ("0.67", False), ("1", False)])
def test_a_share_of_the_changed_cells_may_do(shop: Visits, first: Recorded, share: str, *, held: bool) -> None:
    shop.log(first, log((1000, 1, 5), (2000, 1, 5)))
    assert (shop.asked(first, f"{ASKED}, share: {share}").outcome == "held") == held


def test_logs_add_up_but_one_that_was_recorded_twice_does_not(shop: Visits, first: Recorded) -> None:
    drive = log((1000, 1, 3), (2000, 1, 3), (4000, 2, 3))
    shop.log(first, drive)
    shop.log(first, drive, day=6, name="again.csv")
    assert shop.asked(first, ASKED).outcome == "refused"
    shop.log(first, log((1000, 1, 2), (4000, 2, 2), (2000, 1, 2)), day=7)
    assert shop.asked(first, ASKED).outcome == "held"


def test_a_gap_is_no_time(shop: Visits, first: Recorded) -> None:
    rows = b"time [s],rpm,load\n0,1000,1\n1,2000,1\n2,4000,2\n100,4000,2\n"
    shop.log(first, rows)
    assert shop.asked(first, "channels: loggers.yaml, seconds: 5, share: 0.1").outcome == "refused"


def test_the_conditions_of_the_channels_file_count(shop: Visits, first: Recorded) -> None:
    shop.log(first, log((1000, 1, 5), (2000, 1, 5), (4000, 2, 5)))
    window = "conditions: {gap: 2, windows: {engine_speed: {least: 1500, unit: rpm}}}"
    (shop.folder / "loggers.yaml").write_text(CHANNELS.replace("conditions: {gap: 2}", window))
    outcome = shop.asked(first, ASKED)
    assert "1 changed cell of table spark" in told(outcome)


CELLS = ((1000, 1), (2000, 1), (4000, 2))
"""that the parent changed"""
stay = st.tuples(st.sampled_from([*CELLS, (3000, 1), (4000, 1)]), st.integers(1, 6))
drives = st.lists(st.lists(stay, min_size=1, max_size=5), min_size=1, max_size=3)
shares = st.sampled_from(["0.1", "1/3", "0.5", "2/3", "1"])


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(drives=drives, seconds=st.integers(1, 8), share=shares, lost=st.integers(0, 2))
def test_it_is_held_where_sums_by_hand_say_so_and_fewer_logs_never_help(  # noqa: PLR0913, PLR0917 - what is drawn
    shop: Visits, first: Recorded, drives: list[list[tuple[tuple[int, int], int]]], seconds: int, share: str, lost: int
) -> None:
    del shop.recorded[first.entry.sequence + 1 :]
    files = {log(*((rpm, load, long) for (rpm, load), long in drive)): drive for drive in drives}  # alike counts once
    for number, data in enumerate(files):
        shop.log(first, data, name=f"{number}.csv")
    by_hand = [sum(long for drive in files.values() for place, long in drive if place == cell) for cell in CELLS]
    held = sum(found >= seconds for found in by_hand) >= Fraction(share) * len(CELLS)
    wanted = f"channels: loggers.yaml, seconds: {seconds}, share: {share}"
    assert (shop.asked(first, wanted).outcome == "held") == held
    if not held:
        del shop.recorded[first.entry.sequence + 1 + lost % len(files)]
        assert shop.asked(first, wanted).outcome == "refused"


# -------------------------------------------------------------------------------------------- what proves nothing


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"\x00\xff nothing", ""),
        (b"", ""),
        (log((1000, 1, 9), head="time [s],n,load"), "no channel for engine_speed"),
        (log((1000, 1, 9), head="time [s],rpm,charge"), "no channel for load"),
        (log((1000, 1, 9), head="time [s],rpm [km/h],load"), "engine_speed"),
    ],
)
def test_a_log_that_says_nothing_is_no_evidence_and_the_reason_is_told(
    shop: Visits, first: Recorded, data: bytes, why: str
) -> None:
    shop.log(first, data)
    outcome = shop.asked(first, f"{ASKED}, share: 0.01")
    assert outcome.outcome == "refused"
    assert "0 of 3 changed cells visited; " in told(outcome)
    assert why in told(outcome)
    assert "/tmp" not in told(outcome)  # noqa: S108 - no path is written
    shop.log(first, log((1000, 1, 5), (2000, 1, 5), (4000, 2, 5)), day=6)
    assert shop.asked(first, ASKED).outcome == "held"  # it takes nothing away from a good one either


def test_a_log_of_another_calibration_gives_nothing(shop: Visits, first: Recorded) -> None:
    drive = log((1000, 1, 5), (2000, 1, 5), (4000, 2, 5))
    shop.log(first, b"software version: 9.99\n" + drive)
    outcome = shop.asked(first, ASKED)
    assert outcome.outcome == "refused"
    assert "the log is of software version 9.99" in told(outcome)


def test_a_lost_log_and_none_at_all(shop: Visits, first: Recorded) -> None:
    kept = shop.log(first, log((1000, 1, 5), (2000, 1, 5), (4000, 2, 5)))
    assert kept.entry.file is not None
    shop.lost.add(kept.entry.file)
    outcome = shop.asked(first, ASKED)
    assert [r.text for r in outcome.refusals] == ["evidence is missing: log"]


def test_what_the_parent_did_not_change_need_not_be_visited(shop: Visits) -> None:
    same = shop.revision(shop.baseline(BASE), changed({0xD0: b"\x01"}, BASE), day=2)
    shop.log(same, log((3000, 1, 1)))
    assert shop.asked(same, ASKED).outcome == "held"


def test_tables_that_no_log_can_be_held_against(shop: Visits) -> None:
    first = shop.revision(shop.baseline(BASE), changed({0x58: b"\x01", 0x5A: b"\x07"}, BASE), day=2)
    shop.log(first, log((1000, 1, 9)))
    outcome = shop.asked(first, ASKED)
    assert {r.table for r in outcome.refusals} == {"lamp", "cooler"}
    assert "it has no axes" in told(outcome)
    assert "no channel for oil" in told(outcome)
    assert shop.asked(first, f"{ASKED}, except: [lamp, cooler]").outcome == "held"
    assert shop.asked(first, f"{ASKED}, tables: [advance, dwell]").outcome == "held"


def test_a_table_that_cannot_be_read_is_refused(shop: Visits) -> None:
    first = shop.revision(shop.baseline(BASE), BASE[:0xFA], day=2)
    shop.log(first, log((1000, 1, 9), (2000, 1, 9), (3000, 1, 9), (4000, 1, 9)))
    outcome = shop.asked(first, ASKED)
    assert [r.text for r in outcome.refusals] == ["it cannot be told which cells of table late were visited"]


def test_a_pattern_that_matches_no_table_is_refused(shop: Visits, first: Recorded) -> None:
    shop.log(first, log((1000, 1, 9)))
    outcome = shop.asked(first, f"{ASKED}, tables: [sparks]")
    assert [r.text for r in outcome.refusals] == ["no table is called sparks"]


def test_a_moved_axis_asks_for_the_cells_around_which_the_surface_changed(shop: Visits) -> None:
    first = shop.revision(shop.baseline(BASE), changed({0x42: b"\x23"}, BASE), day=2)  # 3000 rpm is now 3500 rpm
    shop.log(first, log((1000, 1, 9), (2000, 1, 9)))
    outcome = shop.asked(first, f"{ASKED}, share: 0.01, tables: [spark]")
    assert outcome.outcome == "refused"
    shop.log(first, log((3500, 1, 9), (3500, 2, 9)), day=6)
    assert shop.asked(first, f"{ASKED}, tables: [spark]").outcome == "held"


def test_without_a_definition_nobody_knows_what_was_changed(shop: Visits, first: Recorded) -> None:
    shop.read_by = None
    blind = shop.revision(first, changed({0x44: b"\x66"}, BASE), day=3)
    shop.log(blind, log((1000, 1, 9)))
    assert "nothing says which cells entry 2 changed" in told(shop.asked(blind, ASKED))


# ------------------------------------------------------------------------------------------------------ the policy


def policy(folder: Path, wanted: str, sort: str = "log") -> str:
    text = f"policy: 1\nname: house\nevidence: {{{sort}: {{visited: {{{wanted}}}}}}}\n"
    (folder / "house.yaml").write_text(text)
    return text


def test_the_policy_holds_what_the_channels_file_says(shop: Visits) -> None:
    policy(shop.folder, f'{ASKED}, share: 0.9, tables: ["spark*", dwell], except: [spark_idle]')
    found = load_policy(shop.folder / "house.yaml").evidence
    assert found is not None
    wanted = found[0].visited
    assert isinstance(wanted, Visited)
    assert (wanted.seconds, wanted.share) == (Fraction(5), Fraction(9, 10))
    assert wanted.tables == tuple(Tables(pattern=p, excluded=("spark_idle",)) for p in ("dwell", "spark*"))
    assert wanted.channels.digest == Digest.of(CHANNELS.encode())


def test_the_digest_of_the_policy_is_of_the_channels_file_and_all_that_it_extends_too(shop: Visits) -> None:
    policy(shop.folder, ASKED)
    one = load_policy(shop.folder / "house.yaml").digest
    (shop.folder / "other.yaml").write_text(CHANNELS)
    policy(shop.folder, ASKED.replace("loggers", "other"))
    assert load_policy(shop.folder / "house.yaml").digest == one  # what counts is what it says
    (shop.folder / "other.yaml").write_text(CHANNELS.replace("[rpm]", "[rpm, n]"))
    two = load_policy(shop.folder / "house.yaml").digest
    assert two != one
    (shop.folder / "loggers.yaml").write_text(CHANNELS.replace("name: bench", "name: loggers"))
    (shop.folder / "other.yaml").write_text("channels: 1\nname: other\nextends: loggers\n")
    three = load_policy(shop.folder / "house.yaml").digest
    (shop.folder / "loggers.yaml").write_text(CHANNELS.replace("name: bench", "name: loggers").replace("2}", "3}"))
    assert len({one, two, three, load_policy(shop.folder / "house.yaml").digest}) == 4


def test_channels_are_found_in_the_folders_too(shop: Visits, tmp_path_factory: pytest.TempPathFactory) -> None:
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    policy(elsewhere, ASKED)
    assert load_policy(elsewhere / "house.yaml", [shop.folder]).evidence
    with pytest.raises(
        PolicyError, match=r"visited\.channels: the channels file cannot be used: there is no such file"
    ):
        load_policy(elsewhere / "house.yaml")


@pytest.mark.parametrize(
    ("wanted", "sort", "said"),
    [
        ("seconds: 5", "log", "needs the key channels"),
        ("channels: loggers.yaml", "log", "needs the key seconds"),
        ("channels: loggers.yaml, seconds: 0", "log", "seconds: this asks for nothing"),
        ("channels: loggers.yaml, seconds: 5, share: 0", "log", "share: the share is out of range"),
        ("channels: loggers.yaml, seconds: 5, share: 1.1", "log", "share: the share is out of range"),
        ("channels: loggers.yaml, seconds: 5", "readback", "a readback visits no cells"),
        ("channels: house.yaml, seconds: 5", "log", "channels: the channels file cannot be used"),
        ("channels: ., seconds: 5", "log", "there is no such file"),
        ('channels: "a\\0b", seconds: 5', "log", "channels"),
    ],
)
def test_mistakes(shop: Visits, wanted: str, sort: str, said: str) -> None:
    policy(shop.folder, wanted, sort)
    with pytest.raises(PolicyError) as caught:
        load_policy(shop.folder / "house.yaml")
    assert any(said in str(problem) for problem in caught.value.problems), [str(p) for p in caught.value.problems]
    assert all(problem.line for problem in caught.value.problems)
