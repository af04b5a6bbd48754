"""Answers of linear systems to a step, against figures computed elsewhere with 30 to 40 digits.

Formulas from memory, figures recomputed by their makers: `shared/published/dynamics/step-response-figures.yaml` and
`step-response-window-and-sampling.yaml`.
"""

import math

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.step_direct import direct_figures, levels_of
from sequencer.evaluation.figures.step_fit import Trace
from sequencer.evaluation.figures.step_models import crossing_s, first_order, overshoot_frac, second_order, settling_s
from sequencer.evaluation.figures.step_response import StepRecord, step_response

T63 = 1 - math.exp(-1)


def facts(name):
    return yaml.safe_load(shipped("shared", "published", "dynamics", name).read_text(encoding="utf-8"))


FIGURES, SEEN = facts("step-response-figures.yaml"), facts("step-response-window-and-sampling.yaml")
TABLE = FIGURES["second_order"]["table"]


@pytest.mark.parametrize("row", TABLE, ids=[f"damping {row['zeta']}" for row in TABLE])
def test_a_second_order_rises_settles_and_swings_over(row):
    shape = second_order(1.0, row["zeta"])
    # Ten digits are printed; at a damping of 1 the two roots are held apart by 1e-4, which shifts times by 1e-7.
    within = 3e-7 if row["zeta"] == 1 else 6e-9
    assert 100 * overshoot_frac(shape) == pytest.approx(row["overshoot_pct"], abs=6e-9)
    assert crossing_s(shape, 0.9) - crossing_s(shape, 0.1) == pytest.approx(row["wn_t_rise_10_90"], abs=within)
    for band in (1, 2, 5):
        assert settling_s(shape, band / 100) == pytest.approx(row[f"wn_t_settle_{band}pct"], abs=within)


def test_a_first_order_takes_its_known_times():
    shape = first_order(2.0, dead_s=0.5)
    known = FIGURES["first_order"]
    assert crossing_s(shape, T63) == pytest.approx(0.5 + 2 * known["t_63.2"], abs=1e-12)
    assert crossing_s(shape, 0.9) - crossing_s(shape, 0.1) == pytest.approx(2 * known["t_10_90_over_tau"], abs=1e-11)
    for name, folds in known["settle_over_tau"].items():
        assert settling_s(shape, float(name.removesuffix("pct")) / 100) == pytest.approx(0.5 + 2 * folds, abs=1e-10)


@pytest.mark.parametrize("row", SEEN["first_order_with_window"], ids=lambda row: f"window {row['window']}")
def test_a_first_order_is_seen_through_a_window(row):
    shape = first_order(row["tau"], dead_s=row["dead_time"])
    times = np.array([each["t"] for each in row["values"]])
    assert shape.seen(times, row["window"]) == pytest.approx([each["y"] for each in row["values"]], abs=1e-11)
    # A source that ramps as long cannot be told apart from a window.
    assert shape.seen(times, 0.0, row["window"]) == pytest.approx([each["y"] for each in row["values"]], abs=1e-11)


@pytest.mark.parametrize("row", SEEN["two_time_constants"], ids=lambda row: f"{row['tau_1']} and {row['tau_2']} s")
def test_two_time_constants(row):
    shape = second_order(1 / row["wn"], row["zeta"])
    within = 3e-7 if row["zeta"] == 1 else 1e-9
    assert crossing_s(shape, T63) == pytest.approx(row["t_63_2"], abs=within)
    assert crossing_s(shape, 0.1) == pytest.approx(row["t_10"], abs=within)
    assert settling_s(shape, 0.01) == pytest.approx(row["settle_1pct"], abs=within)


@pytest.mark.parametrize("row", SEEN["underdamped_with_window"], ids=lambda row: f"damping {row['zeta']}")
def test_a_window_takes_height_off_a_swing(row):
    shape = second_order(1 / row["wn"], row["zeta"])
    peak = float(shape.seen(np.array([row["peak_time"]]), row["window"])[0])
    assert 100 * (peak - 1) == pytest.approx(row["overshoot_pct"], abs=1e-9)
    assert 100 * overshoot_frac(shape) == pytest.approx(row["true"]["overshoot_pct"], abs=1e-9)
    assert settling_s(shape, 0.01) == pytest.approx(row["true"]["settle_1pct"], abs=1e-9)


@pytest.mark.parametrize("row", SEEN["sampled_first_order"], ids=lambda row: f"every {row['interval']} s")
def test_figures_straight_from_samples_are_those_of_straight_lines_between_them(row):
    times = row["first_sample_after_step"] + row["interval"] * np.arange(250)
    values = 1 - np.exp(-np.maximum(times - row["dead_time"], 0) / row["tau"])
    trace = Trace(times_s=np.r_[-0.2, -0.1, 0, times[times > 0]], values=np.r_[0, 0, 0, values[times > 0]])
    found = direct_figures(trace, levels_of(trace, hold_s=1.0), band_frac=0.01, hold_s=1.0)
    # At its end the record is 1e-11 of the step away from where it goes, so that digits are those that are printed.
    assert found.settling.value == pytest.approx(row["settle_1pct_linear_interpolation"], abs=1e-8)
    assert found.rise.value == pytest.approx(row["rise_10_90_linear_interpolation"], abs=1e-8)


@pytest.mark.parametrize("row", SEEN["first_order_with_window"], ids=lambda row: f"window {row['window']}")
def test_a_fit_to_samples_without_noise_gives_the_system_back(row):
    tau, dead, window = row["tau"], row["dead_time"], row["window"]
    times = np.r_[-0.3, -0.2, -0.1, 0.0, 0.013 + 0.1 * tau * np.arange(1, 140)]
    u = times - dead  # the closed form of the source, under "rule"
    filling = (u - tau * (1 - np.exp(-np.maximum(u, 0) / tau))) / window
    full = 1 - tau / window * (np.exp(-(u - window) / tau) - np.exp(-u / tau))
    values = np.where(u <= 0, 0.0, np.where(u < window, filling, full))
    answer = step_response(StepRecord(times_s=times, values=values, aperture_s=window, hold_s=tau))
    assert answer.fitted.name == ("first order with dead time" if dead else "first order")
    assert answer.fitted.parameters["tau"].value == pytest.approx(tau, rel=1e-6)
    assert answer.fitted.T63.value == pytest.approx(row["true_t_63_2"], rel=1e-6)
    assert answer.fitted.rise.value == pytest.approx(row["true_rise_10_90"], rel=1e-6)
