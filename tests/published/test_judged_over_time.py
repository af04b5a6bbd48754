"""Control limits, outliers, drift and calibration intervals against handbook examples.

Sources, and how each figure was verified, in `shared/published/history/*.yaml`.
"""

import math

import numpy as np
import pytest
import yaml

from instruments.errors import ReadingsError
from instruments.shipped import shipped
from sequencer.history import control
from sequencer.history.control import chart, limits_of
from sequencer.history.drift_line import drift_line
from sequencer.history.interval import Staircase, exponential, reliability, staircase
from sequencer.history.outliers import critical, outliers

FOLDER = shipped("shared", "published", "history")


def told(name):
    return yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))


def test_individuals_and_moving_range_of_the_flow_rate():
    known = told("individuals-and-moving-range")
    found = limits_of(np.array(known["data"]))
    exact = known["recomputed"]["limits_d2_exact"]
    assert found.centre == pytest.approx(known["recomputed"]["mean"], rel=1e-9)
    assert found.sigma == pytest.approx(known["recomputed"]["sigma_d2_exact"], rel=1e-9)
    assert (found.upper, found.lower) == (pytest.approx(exact["upper"], rel=1e-9), pytest.approx(exact["lower"]))
    assert found.range_upper == pytest.approx(known["recomputed"]["moving_range_upper_limit_D4_exact"], rel=1e-9)
    # As printed, with d2 rounded to 1.128: 2.660 mean ranges from the centre.
    rounded = found.centre + 3 * found.sigma * (2 / math.sqrt(math.pi)) / 1.128
    assert rounded == pytest.approx(float(known["published"]["upper"]), abs=5e-5)


def test_the_constants_of_the_chart():
    rows = {row[0]: row for row in np.loadtxt(FOLDER / "control-chart-constants.csv", delimiter=",", skiprows=1)}
    assert pytest.approx(rows[2][1], abs=1e-9) == control._D2
    assert pytest.approx(rows[2][6], abs=1e-8) == control._D4


@pytest.mark.parametrize("row", told("average-run-length")["shewhart"][:4], ids=lambda row: str(row["shift_in_sigma"]))
def test_runs_until_a_shift_is_seen(row):
    # The chart with known limits, rule of 3 sigma alone: drawn 4000 times; within four standard errors of the theory.
    found = control.Chart(centre=0.0, sigma=1.0, n=10**6)
    random = np.random.default_rng(4)
    lengths = []
    for _ in range(4000):
        seen, length = False, 0
        while not seen:
            values = random.standard_normal(400) + row["shift_in_sigma"]
            out = (values > found.upper) | (values < found.lower)
            seen = bool(out.any())
            length += int(out.argmax()) + 1 if seen else len(values)
        lengths.append(length)
    assert np.mean(lengths) == pytest.approx(row["arl"], abs=4 * np.std(lengths) / math.sqrt(len(lengths)))


def test_rules_name_the_value_that_breaks_them():
    base = np.array([0.0, 1, -1, 0.5, -0.5, 1, 0, -1, 0.5, -0.5])
    found, signals = chart(np.append(base, 9.0), base_n=10)
    # 9.5 from its neighbour: 3.267 mean ranges of 1.278 are 4.17 (by hand), so both charts are out.
    assert [(each.place, each.rule) for each in signals] == [(10, "beyond 3 sigma"), (10, control.BEYOND_RANGE)]
    one_side = np.append(base, np.full(9, found.centre + 0.5 * found.sigma))
    _, signals = chart(one_side, base_n=10)
    assert [each.place for each in signals] == [18]
    assert "9 in a row" in signals[0].rule
    jump = np.append(base, [found.centre - 2.9 * found.sigma, found.centre + 2.9 * found.sigma])
    _, signals = chart(jump, base_n=10)
    assert [(each.place, each.rule) for each in signals] == [(11, "moving range beyond its limit")]
    with pytest.raises(ReadingsError, match="too few"):
        chart(base, base_n=5)


def test_the_outlier_of_the_handbook():
    known = told("grubbs-outlier")
    (found,) = outliers(np.array(known["data"]))
    assert (found.place, found.statistic) == (7, pytest.approx(known["recomputed"]["statistic"], rel=1e-9))
    assert found.critical == pytest.approx(known["recomputed"]["critical_two_sided"], rel=1e-9)
    assert critical(8, sides=1) == pytest.approx(known["recomputed"]["critical_one_sided"], rel=1e-9)


# Rosner (1983), data and printed statistics of the NIST/SEMATECH e-Handbook, 1.3.5.17.3, from memory; what is
# computed from the recalled data agrees with the recalled statistics (3.118, 2.942, 3.179): very likely right.
ROSNER = """-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70 1.76 1.77 1.81
1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54 2.62 2.64 2.90 2.92 2.92 2.93 3.21
3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01"""


def test_three_outliers_that_hide_each_other():
    values = np.array([float(each) for each in ROSNER.split()])
    found = outliers(values)
    assert [round(each.statistic, 3) for each in found] == [3.119, 2.943, 3.179]  # printed cut, not rounded
    assert [round(each.critical, 3) for each in found] == [3.159, 3.151, 3.144]
    assert sorted(values[each.place] for each in found) == [5.34, 5.42, 6.01]


def test_no_outlier_is_found_in_five_of_a_hundred_good_samples():
    random = np.random.default_rng(6)
    any_found = np.mean([bool(outliers(random.standard_normal(20))) for _ in range(2000)])
    assert any_found == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 2000))


def lake():
    year, level = np.loadtxt(FOLDER / "linear-drift-lake-huron.csv", delimiter=",", skiprows=1).T
    return year - 1874, level


def test_a_line_whose_neighbours_hang_together_is_widened():
    known = told("linear-drift-lake-huron")["recomputed"]
    found = drift_line(*lake())
    assert found.slope == pytest.approx(known["slope"], rel=1e-9)
    assert found.lag1 == pytest.approx(known["lag1_autocorrelation_of_residuals"], rel=1e-9)
    assert found.at(0.0) == pytest.approx(known["intercept_at_t0"], rel=1e-12)
    # Plain standard error 0.0040; with errors that hang together Brockwell and Davis give 0.0081 (from memory).
    assert found.u > 0.0081
    assert any("hang together" in each for each in found.said)


def test_the_drift_of_the_example_and_where_it_meets_the_limit():
    known = told("calibration-interval")["drift"]
    result = known["result"]
    found = drift_line(*(np.array(each, dtype=float) for each in known["data_made_up"].values()))
    assert found.slope == pytest.approx(result["slope"], rel=1e-9)
    assert found.at(0.0) == pytest.approx(result["intercept"], rel=1e-9)
    assert found.u_single == pytest.approx(result["residual_sd"], rel=1e-9)
    assert found.k(0.95) == pytest.approx(result["t_quantile"], rel=1e-9)
    low, middle, high = result["prediction_at_last_plus_12"]
    assert found.at(60.0) == pytest.approx(middle, rel=1e-9)
    assert found.U_single(60.0) == pytest.approx((high - low) / 2, rel=1e-9)
    assert found.reaches(known["permitted_error"], 48.0) == pytest.approx(
        result["prediction_bound_reaches_limit_at"], rel=1e-9
    )


def test_adjustments_break_the_line():
    t = np.array([0.0, 1.0, 1.0, 2.0, 2.0, 3.0])
    e = np.array([0.0, 0.2, -0.1, 0.1, 0.0, 0.2])  # drifts 0.2 a year, set back twice
    found = drift_line(t, e, u=np.full(6, 0.01), piece=np.array([0, 0, 1, 1, 2, 2]))
    assert found.slope == pytest.approx(0.2, abs=1e-12)
    # Three differences of two readings each, over a year: u = 0.01 sqrt(2) / sqrt(3), by hand.
    assert found.u == pytest.approx(0.01 * math.sqrt(2 / 3), rel=1e-12)
    assert found.at(4.0) == pytest.approx(0.4, abs=1e-12)
    whole = drift_line(t, e, u=np.full(6, 0.01))
    assert abs(whole.slope) < 0.1  # through all, the adjustments hide the drift


def test_readings_that_scatter_more_than_stated_widen_the_drift():
    t, e = np.arange(6.0), np.array([0.0, 0.3, -0.3, 0.3, -0.3, 0.0])
    stated = drift_line(t, e, u=np.full(6, 0.01))
    free = drift_line(t, e)
    assert stated.u == pytest.approx(free.u, rel=1e-12)
    assert stated.birge > 10


def test_where_the_drift_bends_it_is_the_slope_at_the_last_reading():
    # 0.005 t^2: the slope at 6 is 2 x 0.005 x 6 (closed form).
    t = np.arange(7.0)
    found = drift_line(t, 0.005 * t**2, u=np.full(7, 0.003))
    assert found.slope == pytest.approx(0.06, rel=1e-6)
    assert found.at(8.0) == pytest.approx(0.005 * 64, rel=1e-6)
    # u of the end slope of a parabola through seven points: numpy's covariance of a polynomial about the last one.
    _, cov = np.polyfit(t - 6, 0.005 * t**2, 2, w=np.full(7, 1 / 0.003), cov="unscaled")
    assert found.u == pytest.approx(math.sqrt(cov[1, 1]), rel=1e-6)
    assert found.u_mean(8.0) == pytest.approx(math.sqrt(np.array([4, 2, 1]) @ cov @ np.array([4, 2, 1])), rel=1e-6)


def test_jumps_and_drifts_are_told_apart_on_drawn_readings():
    random = np.random.default_rng(11)
    t, held, seen, false = np.arange(10.0), 0, 0, 0
    for _ in range(200):
        scatter = 0.01 * random.standard_normal(10)
        jump = 0.2 * (t > random.integers(1, 8))
        with_one = drift_line(t, 0.03 * t + jump + scatter, u=np.full(10, 0.01))
        seen += bool(with_one.jumps)
        held += abs(with_one.slope - 0.03) <= with_one.U()
        false += bool(drift_line(t, 0.03 * t + scatter, u=np.full(10, 0.01)).jumps)
    assert seen >= 195
    assert false <= 4
    assert held >= 180


def test_one_reading_a_piece_tells_no_drift():
    with pytest.raises(ReadingsError, match="nothing adjusted between"):
        drift_line(np.array([0.0, 1.0]), np.array([0.0, 1.0]), piece=np.array([0, 1]))


@pytest.mark.parametrize("name", ["staircase", "staircase_with_cap"])
def test_the_staircase(name):
    known = told("calibration-interval")[name]
    found = staircase(known["as_found"], known["start"], rule=Staircase(**known["factors"]))
    assert list(found) == pytest.approx(known["intervals_after_each"], rel=1e-12)


@pytest.mark.parametrize(
    ("found", "lasted", "after"),
    [
        (["in"] * 4, [12] * 4, [15, 15, 15, 15]),  # 12 months were kept: no result speaks for more than one step
        (["in", "in"], [12, 15], [15, 18.75]),
        (["in", "in"], [12, 2], [15, 15]),  # looked at early: that shortens nothing
        (["out", "in", "in"], [12, 12, 12], [7.2, 9, 11.25]),  # good once after it was out: step by step
        (["out"], [6], [3.6]),  # out after 6 of 12
        (["between"], [12], [12]),
    ],
)
def test_the_staircase_goes_by_how_long_the_unit_was_away(found, lasted, after):
    # By hand from the factors 1.25 and 0.6, from 12 months; common practice, no source.
    assert list(staircase(found, 12, lasted=lasted)) == pytest.approx(after, rel=1e-12)


def test_the_share_found_in_tolerance():
    for row in told("calibration-interval")["reliability"]:
        found = reliability(row["within"], row["of"])
        assert found.observed == pytest.approx(row["observed"], rel=1e-9)
        assert [found.low, found.high] == pytest.approx(row["clopper_pearson_90"], rel=1e-9)


def test_the_interval_for_a_target_reliability():
    for row in told("calibration-interval")["exponential"]:
        assert exponential(row["old"], row["observed"], row["target"]) == pytest.approx(row["new"], rel=1e-9)
    assert exponential(12, 1.0, 0.95) == math.inf
