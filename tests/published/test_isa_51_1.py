"""Worked calibration table of ANSI/ISA-51.1, figure by figure, with its traps.

Table and results are recalled from memory, not read; see `shared/published/isa-51-1/isa-51-1-worked-table.yaml`. The
recomputed figures, to more digits than printed, stand in the same file.
"""

import csv

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.curves import average_curve
from sequencer.evaluation.figures.figures import figures
from sequencer.evaluation.figures.hysteresis import hysteresis
from sequencer.evaluation.figures.lines import fit_line

FOLDER = shipped("shared", "published", "isa-51-1")
NOMINAL_PCT = np.linspace(0, 100, 11)
CYCLE_OF = {"up0": 0, "down1": 0, "up1": 1, "down2": 1, "up2": 2, "down3": 2, "up3": 3}
# Figures are printed to 0.01 %.
HALF_DIGIT = 0.005


@pytest.fixture(scope="module")
def facts():
    return yaml.safe_load((FOLDER / "isa-51-1-worked-table.yaml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def published(facts):
    return facts["published"]


@pytest.fixture(scope="module")
def recomputed(facts):
    return facts["recomputed"]


@pytest.fixture(scope="module")
def error_pct():
    """One unit; the downscale traverse that follows an upscale one is in the same cycle; no upscale at 0 %."""
    errors = np.full((1, 4, 2, 11), np.nan)
    with (FOLDER / "isa-51-1-worked-table.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            direction = ("up", "down").index(row["direction"])
            point = int(row["input_pct_span"]) // 10
            errors[0, CYCLE_OF[row["traverse"]], direction, point] = float(row["error_pct_output_span"])
    assert np.isfinite(errors).sum() == 61
    return errors


@pytest.fixture(scope="module")
def table(error_pct):
    return figures(error_pct, NOMINAL_PCT, standard="ISA-51.1-1979", dead_band_pct=0.10)


def test_average_curve(error_pct, recomputed):
    expected = [level for _, level in recomputed["average_curve_pct"]]
    assert average_curve(error_pct)[0] == pytest.approx(expected, abs=1e-12)


def test_inaccuracy_is_of_single_readings(table, published):
    assert table.inaccuracy.highest_pct[0] == published["measured_accuracy_pct"]["max_positive"]
    assert table.inaccuracy.lowest_pct[0] == published["measured_accuracy_pct"]["max_negative"]
    assert table.inaccuracy.lowest_at_pct[0] == 70


def test_measured_error_is_of_the_mean_of_a_direction(table, recomputed):
    # Column means: -0.30 at 70 % upscale is the largest.
    assert table.measured_error.error_pct[0] == pytest.approx(-0.30, abs=1e-12)
    assert (table.measured_error.at_pct[0], table.measured_error.direction[0]) == (70, 0)
    for direction, name in enumerate(("average_up_pct", "average_down_pct")):
        expected = [np.nan if level is None else level for _, level in recomputed[name]]
        found = table.measured_error.by_direction_pct[0, direction]
        assert found == pytest.approx(expected, abs=1e-12, nan_ok=True)


def test_hysteresis_pairs_an_upscale_traverse_with_the_downscale_one_that_follows(table, published, recomputed):
    assert table.hysteresis.with_dead_band_pct[0] == pytest.approx(
        published["hysteresis_plus_dead_band_pct"], abs=HALF_DIGIT
    )
    expected = recomputed["hysteresis_by_pairing"]["upscale_then_following_downscale"]
    assert table.hysteresis.with_dead_band_pct[0] == pytest.approx(expected, abs=1e-12)


def test_the_dead_band_is_taken_off_by_isa_and_left_in_by_iec(table, error_pct, published):
    assert table.hysteresis.hysteresis_pct[0] == pytest.approx(published["hysteresis_pct"], abs=HALF_DIGIT)
    by_iec = hysteresis(error_pct, NOMINAL_PCT, dead_band_pct=0.10, standard="IEC 61298-2:2008")
    assert by_iec.hysteresis_pct[0] == pytest.approx(published["hysteresis_plus_dead_band_pct"], abs=HALF_DIGIT)


def test_trap_other_pairings_give_another_hysteresis(error_pct, recomputed):
    shifted = error_pct.copy()
    shifted[:, :-1, 0] = error_pct[:, 1:, 0]
    shifted[:, -1, 0] = np.nan
    wrong = hysteresis(shifted, NOMINAL_PCT)
    expected = recomputed["hysteresis_by_pairing"]["downscale_then_following_upscale"]
    assert wrong.hysteresis_pct[0] == pytest.approx(expected, abs=1e-12)
    from_averages = np.nanmax(
        np.abs(np.diff(figures(error_pct, NOMINAL_PCT).measured_error.by_direction_pct[0], axis=0))
    )
    assert from_averages == pytest.approx(recomputed["hysteresis_from_averages_pct"], abs=1e-12)


def test_repeatability(table, published):
    assert table.non_repeatability.spread_pct[0] == pytest.approx(published["repeatability_pct"], abs=1e-12)
    assert (table.non_repeatability.cycles_n[0], table.non_repeatability.fewest_cycles_n[0]) == (4, 3)


def test_independent_linearity_is_that_of_the_minimax_line(table, published, recomputed):
    found = table.independent
    assert found.deviation_pct[0] == pytest.approx(published["linearity_independent_pct"], abs=HALF_DIGIT)
    assert found.deviation_pct[0] == pytest.approx(recomputed["independent_half_band"], abs=1e-12)
    assert found.line_offset_pct[0] == pytest.approx(recomputed["independent_line"]["offset_pct"], abs=1e-12)
    assert found.line_gain[0] == pytest.approx(recomputed["independent_line"]["slope_pct_per_pct"], abs=1e-12)
    assert found.at_pct[0] == 30


def test_trap_the_least_squares_line_gives_another_linearity(error_pct, recomputed):
    curve_pct = average_curve(error_pct)[0]
    line = fit_line(NOMINAL_PCT, curve_pct)
    worst = np.abs(curve_pct - line.predict(NOMINAL_PCT).level).max()
    assert worst == pytest.approx(recomputed["least_squares_line_max_abs_dev"], abs=1e-12)


def test_terminal_based_linearity(table, published, recomputed):
    assert table.terminal_based.deviation_pct[0] == pytest.approx(-published["linearity_terminal_based_pct"], abs=1e-12)
    assert table.terminal_based.at_pct[0] == recomputed["terminal_at_input_pct"]


def test_zero_based_linearity(table, published, recomputed):
    # 0.20 or 0.21 in memory: the computed 0.2139 is what is asked.
    assert table.zero_based.deviation_pct[0] == pytest.approx(published["linearity_zero_based_pct"], abs=HALF_DIGIT)
    assert table.zero_based.deviation_pct[0] == pytest.approx(recomputed["zero_based_max_abs_dev"], abs=1e-12)
    assert table.zero_based.line_gain[0] == pytest.approx(recomputed["zero_based_slope"], abs=1e-12)


def test_zero_and_span_error_use_the_one_direction_read_at_an_end(table):
    # Mean of the downscale readings at 0 %, -0.05, and of the upscale readings at 100 %, +0.10.
    assert table.zero_span.zero_pct[0] == pytest.approx(-0.05, abs=1e-12)
    assert table.zero_span.span_pct[0] == pytest.approx(0.15, abs=1e-12)


def test_everything_is_determined_and_says_whose_definition_it_follows(table):
    assert table.not_determined(0) == ()
    assert table.hysteresis.definition.startswith("ISA-51.1-1979 (from memory)")
    assert "less the dead band" in table.hysteresis.definition
