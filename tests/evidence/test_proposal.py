"""Corrections: by hand, against SciPy's least squares, and round by round on an engine whose error is known."""

from __future__ import annotations

import attrs
import numpy as np
import numpy.typing as npt
import pytest
from scipy.interpolate import RegularGridInterpolator
from scipy.optimize import lsq_linear
from small_engine import DEFINITION, Made, cut, having, rows, small

from caldiff.errors import TableError, UsageError
from caldiff.evidence.proposal import propose, quantities_for
from caldiff.evidence.proposed import Restraint
from caldiff.table.calibration import Calibration

Floats = npt.NDArray[np.float64]

ENGINE = small()
FREE = Restraint(bound=0.9, thin=0.0, least=0.0)
SPEED, LOAD = np.array([1000.0, 2000, 4000]), np.array([0.0, 50])


def test_one_sample_on_a_breakpoint() -> None:
    # lambda 1.03 against 1.000: 3 % more is needed, and the table says 2 %: (1.02 * 1.03 - 1) * 100 = 5.06, stored 5.1.
    engine = having(ENGINE, "fuel", [[2, 2, 2], [2, 2, 2]])
    made = rows(step=4.0, speed=[2000.0], load=[0.0], **{"lambda": [1.03]})
    found = propose([made], engine, tables=["fuel"], restraint=FREE)["fuel"]
    (cell,) = found.cells
    assert (cell.index, cell.raw, cell.physical) == ((0, 1), (20, 51), (2.0, 5.1))
    assert (cell.seconds, cell.samples, cell.bounded, cell.limited) == (4, 1, False, False)
    assert cell.measured == pytest.approx(1.03)
    assert cell.factor == pytest.approx(1.03)
    assert cell.spread == pytest.approx(0, abs=1e-9)
    assert np.isnan(found.measured[1, 0])


def test_thin_evidence_is_believed_in_part_and_the_bound_holds() -> None:
    # 6 s with thin at 2: 6/8 of 8 % is 6 %; the bound leaves 5 %. 2 s: half of 8 %. 0.5 s: below the least.
    made = Made(np.array([0.0, 6, 8]), np.array([6.0, 2, 0.5]), {"speed": SPEED, "lambda": np.full(3, 1.08)})
    restraint = Restraint(bound=0.05, thin=2.0, least=1.0)
    found = propose([made], ENGINE, tables=["scale"], restraint=restraint)["scale"]
    np.testing.assert_allclose(found.factor, [1.05, 1.04, 1.0])
    assert found.bounded.tolist() == [True, False, False]
    assert found.physical.tolist() == [1.05, 1.04, 1.0]
    assert [c.index for c in found.cells] == [(0,), (1,)]


def test_the_tables_own_limits_hold_and_a_cell_beyond_them_is_left_alone() -> None:
    engine = having(ENGINE, "fuel", [[9, 9, 9], [9, 9, 9]])
    assert engine.definition is not None
    beyond = attrs.evolve(
        engine, image=engine.image.patched({0: (150).to_bytes(2, "big")})
    )  # 15 %, over the limit of 10
    made = rows(step=9.0, speed=[1000.0, 2000], load=[0.0, 0], **{"lambda": [0.9, 1.2]})
    found = propose([made], beyond, restraint=FREE)["fuel"]
    assert found.physical[0].tolist() == [15, 10, 9]
    assert found.limited[0].tolist() == [False, True, False]


def test_the_type_holds_where_there_are_no_limits() -> None:
    engine = having(ENGINE, "scale", [65.0, 1, 1])
    made = rows(step=9.0, speed=[1000.0], **{"lambda": [1.2]})
    found = propose([made], engine, tables=["scale"], restraint=FREE)["scale"]
    assert found.limited.tolist() == [True, False, False]
    assert found.raw[0] == 65535


def test_the_target_is_interpolated_where_the_engine_ran() -> None:
    # Wanted 1.0 at 1000 rpm and 0.9 at 2000: at 1500 it is 0.95, and 0.95 was measured.
    engine = having(ENGINE, "wanted", [[1.0, 0.9, 0.9], [1.0, 0.9, 0.9]])
    made = rows(step=9.0, speed=[1500.0], load=[20.0], **{"lambda": [0.95]})
    found = propose([made], engine, tables=["fuel"], restraint=FREE)["fuel"]
    np.testing.assert_allclose(found.measured[:, :2], 1.0)
    assert not found.changed.any()


def test_what_no_table_corrects_is_left_out_and_counted() -> None:
    made = rows(step=9.0, speed=[1000.0] * 4, **{"lambda": [1.1, 3.0, np.nan, np.inf]})
    found = propose([made], ENGINE, tables=["scale"], restraint=FREE)["scale"]
    assert (found.total, found.incredible) == (9, 9)
    assert found.measured[0] == pytest.approx(1.1)


def test_tables_without_evidence_say_why() -> None:
    found = propose([rows(speed=[1000.0], load=[0.0])], ENGINE)
    assert {t.name: t.reason for t in found.left_out} == {
        "fuel": "no channel for lambda",
        "scale": "no channel for lambda",
    }
    far = propose([rows(speed=[1000.0], **{"lambda": [9.0]})], ENGINE, tables=["scale"])
    assert far.left_out[0].reason == "no sample has a credible ratio"


def test_tables_that_answer_for_the_same_ratio_are_warned_of() -> None:
    made = rows(step=9.0, speed=[1000.0], load=[0.0], **{"lambda": [1.1]})
    both = propose([made], ENGINE)
    assert "fuel and scale all correct lambda" in both.cautions[-1]
    assert "Nothing was written" in both.cautions[0]
    assert not any("all correct" in c for c in propose([made], ENGINE, tables=["fuel"]).cautions)


def test_what_is_needed_with_its_units() -> None:
    assert quantities_for(ENGINE, ["scale"]) == {"speed": "rpm", "lambda": ""}
    assert quantities_for(ENGINE) == {"speed": "rpm", "load": "%", "lambda": "1"}


def test_usage() -> None:
    with pytest.raises(TableError, match="no table 'fule'"):
        propose([], ENGINE, tables=["fule"])
    with pytest.raises(UsageError, match="what 'curve' corrects"):
        propose([], ENGINE, tables=["curve"])
    with pytest.raises(UsageError, match="no table of definition"):
        propose(
            [],
            small(
                DEFINITION.replace("corrects", "description")
                .replace("{measured: lambda, target: wanted, as: percent}", "a")
                .replace("{measured: lambda, target: 1}", "b")
            ),
        )
    for wrong in ({"bound": 0.0}, {"bound": 1.0}, {"thin": -1.0}, {"least": float("nan")}, {"credible": (1.1, 1.4)}):
        with pytest.raises(UsageError):
            propose([], ENGINE, restraint=Restraint(**wrong))


# ----------------------------------------------------------------------------------------------------- a known engine


class Engine:
    """Runs as the table says, times an error; the sensor adds noise."""

    def __init__(self, *, noise: float, samples: int, seed: int = 5) -> None:
        random = np.random.default_rng(seed)
        self.speed, self.load = random.uniform(900, 4100, samples), random.uniform(-2, 52, samples)
        self.noise = random.normal(0, noise, samples)
        held = np.stack([np.clip(self.load, 0, 50), np.clip(self.speed, 1000, 4000)], axis=1)
        self.weights = np.stack(
            [RegularGridInterpolator((LOAD, SPEED), one.reshape(2, 3))(held) for one in np.eye(6)], axis=1
        )

    def run(self, multiplier: Floats, needed: Floats) -> Made:
        """Lambda is what is needed over what is delivered; ``needed`` per sample, ``multiplier`` per cell."""
        lean = needed / (self.weights @ multiplier.ravel())
        return rows(step=0.05, speed=self.speed, load=self.load, **{"lambda": lean + self.noise})


def multiplier(engine: Calibration) -> Floats:
    return 1 + engine["fuel"].physical / 100


def test_the_factor_of_a_cell_is_the_least_squares_fit_of_that_cell() -> None:
    # scipy.optimize.lsq_linear: minimise the sum of share * seconds * (factor - ratio)**2 for every cell.
    drive = Engine(noise=0.02, samples=300)
    made = drive.run(np.ones(6), 1 + 0.05 * np.sin(drive.speed))
    found = propose(cut(made, 70, 71, 200), ENGINE, tables=["fuel"], restraint=FREE)["fuel"]
    for cell in range(6):
        root = np.sqrt(drive.weights[:, cell] * 0.05)
        theirs = lsq_linear(root[:, None], root * made.values["lambda"]).x[0]
        assert found.measured.ravel()[cell] == pytest.approx(theirs, abs=1e-9)
    np.testing.assert_allclose(found.seconds.ravel(), drive.weights.sum(axis=0) * 0.05)
    assert found.samples.ravel().tolist() == np.count_nonzero(drive.weights > 0, axis=0).tolist()


def test_rounds_without_restraint_approach_the_least_squares_surface() -> None:
    # What is needed bends between the breakpoints, so no table has it everywhere: scipy.optimize.lsq_linear says which
    # table comes closest. A cell is stored in steps of 0.1 %, so that the rounds end within a step or so of it.
    drive = Engine(noise=0.0, samples=2000)
    needed = 1 + 0.04 * np.sin(drive.speed / 900) * drive.load / 50
    engine = ENGINE
    for _ in range(60):
        made = drive.run(multiplier(engine), needed)
        engine = having(engine, "fuel", propose([made], engine, tables=["fuel"], restraint=FREE)["fuel"].physical)
    best = lsq_linear(drive.weights, needed).x.reshape(2, 3)
    np.testing.assert_allclose(multiplier(engine), best, atol=0.0025)


def test_three_rounds_find_a_known_error_within_the_noise() -> None:
    # Ten minutes at 20 Hz, noise of 1 % on lambda, an error of up to 6 %, held back as by default.
    drive = Engine(noise=0.01, samples=12_000)
    truth = np.array([[0.97, 1.0, 1.02], [1.01, 1.04, 1.06]])
    needed, engine, errors = drive.weights @ truth.ravel(), ENGINE, []
    for _ in range(3):
        made = drive.run(multiplier(engine), needed)
        engine = having(engine, "fuel", propose([made], engine, tables=["fuel"])["fuel"].physical)
        errors.append(np.abs(multiplier(engine) / truth - 1).max())
    assert errors[0] > errors[1] > errors[2]
    assert errors[2] < 0.01  # the noise of one sample
