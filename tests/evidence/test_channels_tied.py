"""Channels files, and the tie of a log's channels to the definition's quantities."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from caldiff.demo.logs import demo_logs
from caldiff.errors import CaldiffError, ChannelsError, EvidenceError
from caldiff.evidence.channels import Channels, tie
from caldiff.evidence.channels_file import channels_from_text, channels_json_schema, load_channels
from caldiff.evidence.conditions import Steady, Window
from caldiff.evidence.log import Log, open_log

SCHEMA = Path(__file__).parents[2] / "docs/schemas/channels.schema.json"
HEAD = "channels: 1\nname: shop\n"


def channels(text: str) -> Channels:
    return channels_from_text(HEAD + text)


def log(folder: Path, heading: str) -> Log:
    path = folder / "log.csv"
    row = ",".join("1" for _ in heading.split(","))
    path.write_text(f"time [s],{heading}\n0,{row}\n1,{row}\n", encoding="utf-8")
    return open_log(path)


def test_a_whole_file() -> None:
    found = channels(
        """
        title: Our two loggers
        time: {names: [stamp], unit: ms}
        units: {Umdr: rpm}
        quantities:
          speed: {names: [n, "engine speed"], unit: rpm}
          lambda:
            - {names: [lambda*]}
            - {names: [AFR], unit: kg/kg, stoichiometric: 15.5}
        conditions:
          gap: 0.5
          after: 60
          windows: {coolant: {least: 70, greatest: 110.5, unit: degC}}
          steady: {speed: {within: 50, for: 2.5}}
        """.replace("\n        ", "\n")
    )
    assert (found.name, found.title, found.time_names, found.time_unit) == ("shop", "Our two loggers", ("stamp",), "ms")
    speed, lambdas = dict(found.quantities)["speed"], dict(found.quantities)["lambda"]
    assert [source.names for source in (*speed, *lambdas)] == [("n", "engine speed"), ("lambda*",), ("AFR",)]
    assert lambdas[1].stoichiometric == Fraction(31, 2)
    assert (found.conditions.gap, found.conditions.after) == (Fraction(1, 2), 60)
    assert found.conditions.windows == (
        Window(quantity="coolant", least=Fraction(70), greatest=Fraction(221, 2), unit="degC"),
    )
    assert found.conditions.steady == (Steady(quantity="speed", within=Fraction(50), seconds=Fraction(5, 2)),)


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("quantites: {}", 3, "no such key"),
        ("quantities: {n: {}}", 3, "needs the key names"),
        ("quantities:\n  n: {names: [n], unti: rpm}", 4, "no such key"),
        ("quantities:\n  n: {names: []}", 4, "wrong length"),
        ("quantities:\n  n:\n    - {names: [n]}\n    - {unit: rpm}", 6, "needs the key names"),
        ("quantities:\n  n: {names: [n], stoichiometric: 0}", 4, "no ratio of masses"),
        ("quantities:\n  n: {names: [n], unit: null}", 4, "nothing is inherited"),
        ("conditions: {gap: 0}", 3, "out of range"),
        ("conditions: {gap: 4000}", 3, "out of range"),
        ("conditions: {windows: {n: {}}}", 3, "bounds nothing"),
        ("conditions: {windows: {n: {least: 2, greatest: 1}}}", 3, "wrong way round"),
        ("conditions: {steady: {n: {within: -1, for: 2}}}", 3, "not negative"),
        ("conditions: {steady: {n: {within: 1, for: 0}}}", 3, "out of range"),
        ("time: {unit: weeks}", 3, "not known here"),
        ("name: twice", 3, "twice"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(text: str, line: int, said: str) -> None:
    with pytest.raises(ChannelsError) as caught:
        channels(text)
    assert said in caught.value.reason
    assert caught.value.line == line
    assert isinstance(caught.value, EvidenceError)


def test_one_file_over_another(tmp_path: Path) -> None:
    (tmp_path / "shop.yaml").write_text(HEAD + "quantities: {n: {names: [n], unit: rpm}, p: {names: [p]}}\n")
    own = tmp_path / "van.yaml"
    own.write_text("channels: 1\nname: van\nextends: shop\nquantities: {p: null, n: {names: [rpm]}}\n")
    found = dict(load_channels(own).quantities)
    assert list(found) == ["n"]
    assert (found["n"][0].names, found["n"][0].unit) == (("rpm",), None)


def test_the_schema_is_committed_and_takes_the_demo() -> None:
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    assert schema == channels_json_schema()
    jsonschema.validate(yaml.safe_load(demo_logs()["channels.yaml"]), schema)


@given(st.text(max_size=200))
def test_any_text_raises_only_our_errors(text: str) -> None:
    with pytest.raises(CaldiffError):
        channels_from_text(text)


# ------------------------------------------------------------------------------------------------------------- the tie


def test_called_so_goes_before_fitting_a_pattern(tmp_path: Path) -> None:
    found = tie(channels("quantities: {n: {names: [n, 'n*']}}"), log(tmp_path, "n_target [rpm],N [rpm]"), {"n": "rpm"})
    assert found.of("n").channel == "N"


def test_names_with_brackets_are_names(tmp_path: Path) -> None:
    found = tie(channels("quantities: {n: {names: ['v [km/h]']}}"), log(tmp_path, "v [km/h],v [mph]"), {"n": None})
    assert (found.of("n").channel, found.of("n").unit) == ("v", "km/h")


def test_several_that_may_be_meant_are_refused_until_one_is_chosen(tmp_path: Path) -> None:
    shop, source = channels("quantities: {n: {names: [n, rpm]}}"), log(tmp_path, "rpm [rpm],n [1/min]")
    with pytest.raises(EvidenceError, match="several channels may measure n") as caught:
        tie(shop, source, {"n": "rpm"})
    assert caught.value.got == "rpm, n"
    assert tie(shop, source, {"n": "rpm"}, choose={"n": "rpm"}).of("n").channel == "rpm"
    with pytest.raises(EvidenceError, match="no channel x"):
        tie(shop, source, {"n": "rpm"}, choose={"n": "x"})


def test_what_is_missing_is_listed_or_refused_with_candidates(tmp_path: Path) -> None:
    shop = channels("quantities: {coolant: {names: [coolant temp]}}")
    source = log(tmp_path, "collant temp [degC],n [rpm]")
    found = tie(shop, source, {"coolant": "degC", "altitude": "m"})
    assert [(m.quantity, m.listed, m.near) for m in found.missing] == [
        ("coolant", True, ("collant temp",)),
        ("altitude", False, ()),
    ]
    assert "coolant" not in found
    with pytest.raises(EvidenceError, match="no channel of the log measures coolant") as caught:
        tie(shop, source, {"coolant": "degC"}, needed=["coolant"])
    assert caught.value.expected == "maybe collant temp"
    assert "collant temp, n;" in (caught.value.hint or "")
    with pytest.raises(EvidenceError, match="measures coolant"):
        found.of("coolant")


@pytest.mark.parametrize(
    ("heading", "source", "wanted", "factor"),
    [
        ("AFR [kg/kg]", "{names: [afr], stoichiometric: 15.5}", "1", Fraction(2, 31)),
        ("AFR", "{names: [afr], unit: kg/kg, stoichiometric: 15.5}", "1", Fraction(2, 31)),
        ("AFR [lambda]", "{names: [afr], unit: kg/kg, stoichiometric: 15.5}", "1", 1),
        ("AFR [1]", "{names: [afr], unit: kg/kg, stoichiometric: 15.5}", "kg/kg", Fraction(31, 2)),
        ("AFR [g/g]", "{names: [afr], stoichiometric: 15.5}", "kg/kg", 1),
    ],
)
def test_lambda_of_a_ratio_of_masses(tmp_path: Path, heading: str, source: str, wanted: str, factor: Fraction) -> None:
    found = tie(channels(f"quantities: {{lambda: {source}}}"), log(tmp_path, heading), {"lambda": wanted}).of("lambda")
    assert found.conversion.factor == factor
    assert found.stoichiometric == (None if factor == 1 else Fraction(31, 2))


@pytest.mark.parametrize(
    ("heading", "source", "said"),
    [
        ("AFR [kg/kg]", "{names: [afr]}", "do not measure the same"),
        ("AFR", "{names: [afr], stoichiometric: 15.5}", "the channel AFR does not say its unit"),
        ("AFR [frobs]", "{names: [afr]}", "the unit frobs is not known"),
    ],
)
def test_no_lambda_without_a_stated_ratio(tmp_path: Path, heading: str, source: str, said: str) -> None:
    shop, source_log = channels(f"quantities: {{lambda: {source}}}"), log(tmp_path, heading)
    with pytest.raises(EvidenceError, match=said):
        tie(shop, source_log, {"lambda": "1"})


def test_units_that_the_shop_explains_or_that_nobody_says(tmp_path: Path) -> None:
    source = log(tmp_path, "n [Umdr],m")
    shop = channels("units: {Umdr: rpm}\nquantities: {n: {names: [n]}, m: {names: [m]}}")
    assert tie(shop, source, {"n": "1/min", "m": None}).of("m").unit is None
    assert tie(shop, source, {"n": "1/min"}).of("n").conversion.same
    with pytest.raises(EvidenceError, match="the channel m does not say its unit"):
        tie(shop, source, {"m": "rpm"})


# ------------------------------------------------------------------------------------------------------- the demo's own

WANTED = {"engine_speed": "rpm", "load": "%", "coolant_temperature": "degC", "lambda": "1"}


@pytest.mark.parametrize(
    ("name", "rows", "said", "first"),
    [
        ("van17_drive_town.csv", 24000, [], [827, 17.7, 14.9, 0.985]),
        (
            "van17_drive_motorway.csv",
            24000,
            ["clock passed midnight: 1, in line 10803"],
            [817, 17.4, (105.7 - 32) * 5 / 9, 15.36 / 15.5],
        ),
        (
            "van17_drive_hills.csv",
            23998,
            [
                "row dropped, its time lies before that of the row above: 1, in line 7003",
                "last line cut off, dropped: 1, in line 24001",
            ],
            [825, 17.8, 72, 0.993],
        ),
    ],
)
def test_the_demo_reads_perfectly(tmp_path: Path, name: str, rows: int, said: list[str], first: list[float]) -> None:
    for file, data in demo_logs().items():
        (tmp_path / file).write_bytes(data)
    shop = load_channels(tmp_path / "channels.yaml")
    found = shop.open(tmp_path / name)
    ties = tie(shop, found, WANTED, needed=WANTED)
    blocks = list(found.blocks([ties.of(quantity).channel for quantity in WANTED]))
    time = np.concatenate([block.time for block in blocks])
    assert len(time) == rows
    assert np.allclose(np.diff(time)[:7000], 0.05, rtol=0, atol=1e-9)
    read = [ties.of(q).conversion.apply(blocks[0].values[ties.of(q).channel][:1])[0] for q in WANTED]
    assert read == pytest.approx(first, abs=1e-12)
    assert [str(repair) for repair in found.repairs] == said
