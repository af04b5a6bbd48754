"""What follows nothing known, against scipy; and what comes again at one place, which no chance does."""

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal
from segments import UP_DOWN, segment_with

from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.model import unknown
from sequencer.diagnosis.model.healthy_model import imperfections
from sequencer.readings.csv_import import from_csv

T = 0.002
SHEET = """\
type: level converter
input: {range: 0 .. 100 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""


def test_one_place_is_weighed_as_scipy_does():
    # 70 % is out by 10 tolerances, up and down.
    off = np.where(np.isclose(UP_DOWN, 0.7), 10 * T, 0.0) + np.random.default_rng(3).normal(0, 1e-4, UP_DOWN.size)
    segment = segment_with(UP_DOWN + off, tolerance=T, noise=1e-4)
    good = imperfections(segment)
    scales = np.geomspace(0.2, 60, 30)
    prior = -0.5 * (np.log(scales) / 2.0) ** 2
    prior -= logsumexp(prior)
    here = np.isclose(UP_DOWN, 0.7).astype(float)

    def log_density(size):
        each = [
            multivariate_normal(
                np.zeros(off.size), scale**2 * 1e-8 * np.eye(off.size) + good @ good.T + size**2 * np.outer(here, here)
            ).logpdf(off)
            for scale in scales
        ]
        return logsumexp(each + prior)

    # Five sizes each of three lengths, of a curve that is smooth nowhere and of one place, and three of a walk are
    # tried, each as likely; of one place any of the ten visited twice.
    least = logsumexp([log_density(size * T) for size in (1, 3, 10, 30, 100)]) - np.log(28 * 10)
    # The other shapes explain one place so badly that they add next to nothing.
    assert unknown.log_evidence(segment) == pytest.approx(least, abs=0.3)


def found(type_sheet, by_hand, errors_pct, cycles=1):
    """`errors_pct`: by % of the input and direction, in % of span, beside the last digit of a meter."""
    sheet = type_sheet(SHEET)
    rng = np.random.default_rng(8)
    order = [(pct, "up") for pct in range(0, 101, 10)] + [(pct, "down") for pct in range(90, -1, -10)]
    rows = [
        (pct, f"{4 + 0.16 * (pct + errors_pct.get((pct, way), 0.0) + rng.normal(0, 0.002)):.4f}")
        for _ in range(cycles)
        for pct, way in order
    ]
    return examine(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet)


@pytest.mark.parametrize(
    ("errors_pct", "cycles"),
    [
        pytest.param({(70, "up"): 0.315, (70, "down"): 0.310}, 1, id="70 %, once each way"),
        pytest.param({(70, "up"): -0.8, (70, "down"): -0.805}, 1, id="70 %, below"),
        pytest.param({(30, "up"): 0.315, (30, "down"): 0.310}, 3, id="30 %, three cycles"),
        pytest.param({(0, "up"): 6.25, (0, "down"): 6.25}, 1, id="1 mA at 0 %"),
        pytest.param({(0, "up"): 6.25, (0, "down"): 6.25}, 2, id="1 mA at 0 %, two cycles"),
    ],
)
def test_one_place_that_is_out_alike_each_time_is_no_chance(type_sheet, by_hand, errors_pct, cycles):
    result = found(type_sheet, by_hand, errors_pct, cycles)
    assert result.evaluation.verdict.result == "fail"
    # An end of the range that stays above what is due is held there, as far as these readings tell.
    held = {"output limit"} if (0, "up") in errors_pct else set()
    assert set(result.findings.names) <= {"unknown", "missing code"} | held
    assert "inverter" not in result.findings.cause


@pytest.mark.parametrize(
    "errors_pct",
    [
        pytest.param({(30, "up"): 0.9, (70, "down"): 0.5, (20, "down"): 1.4}, id="at three places, one way each"),
        pytest.param(
            {(30, "up"): 0.4, (30, "down"): 1.9, (80, "down"): 1.1}, id="twice at one place, by other amounts"
        ),
    ],
)
def test_readings_thrown_here_and_there_are_still_by_chance(type_sheet, by_hand, errors_pct):
    assert found(type_sheet, by_hand, errors_pct).findings.names == ("inverter pickup",)
