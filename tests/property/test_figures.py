"""What must hold for the figures of any unit, whatever was read."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sequencer.evaluation.figures.figures import figures

NOMINAL_PCT = np.linspace(0, 100, 6)
# Levels to 0.001 %, as a meter gives them; now and then a reading is missing.
LEVELS = st.integers(-2000, 2000).map(lambda count: count / 1000)
SOME_MISSING = st.one_of(LEVELS, LEVELS, LEVELS, LEVELS, st.just(np.nan))


def errors(level, *, units_n=2, cycles_n=3):
    return arrays(np.float64, (units_n, cycles_n, 2, 6), elements=level)


def levels_of(found):
    """Every figure in % of output span, by name; shape (units,)."""
    return {
        "measured error": found.measured_error.error_pct,
        "highest": found.inaccuracy.highest_pct,
        "lowest": found.inaccuracy.lowest_pct,
        "hysteresis": found.hysteresis.hysteresis_pct,
        "non-repeatability": found.non_repeatability.spread_pct,
        "independent": found.independent.deviation_pct,
        "terminal-based": found.terminal_based.deviation_pct,
        "zero-based": found.zero_based.deviation_pct,
        "zero": found.zero_span.zero_pct,
        "span": found.zero_span.span_pct,
        "offset": found.line.offset,
        "gain": found.line.gain,
        "u_offset": found.line.u_offset,
        "u_gain": found.line.u_gain,
    }


@given(errors(SOME_MISSING), st.sampled_from([0.5, 2.0, 4.0]))
def test_figures_scale_with_the_errors_of_a_unit(error_pct, factor):
    before = levels_of(figures(error_pct, NOMINAL_PCT))
    after = levels_of(figures(factor * error_pct, NOMINAL_PCT))
    for name, level in before.items():
        # A power of two scales without rounding, so all is the same but where rounding alone is left.
        assert after[name] == pytest.approx(factor * level, rel=1e-9, abs=1e-12, nan_ok=True), name


@given(errors(SOME_MISSING, cycles_n=1))
def test_no_difference_of_the_directions_is_no_hysteresis(error_pct):
    error_pct[:, :, 1] = error_pct[:, :, 0]
    found = figures(error_pct, NOMINAL_PCT).hysteresis
    assert set(found.hysteresis_pct[found.pairs_n > 0]) <= {0.0}
    assert np.isnan(found.hysteresis_pct[found.pairs_n == 0]).all()


@given(errors(LEVELS, units_n=1, cycles_n=1))
def test_the_same_cycle_three_times_is_no_non_repeatability(error_pct):
    found = figures(np.repeat(error_pct, 3, axis=1), NOMINAL_PCT)
    assert found.non_repeatability.spread_pct[0] == 0


@given(errors(SOME_MISSING), st.integers(-50, 50).map(lambda count: count / 10))
def test_a_zero_shift_moves_zero_and_offset_and_leaves_the_rest(error_pct, shift_pct):
    before = levels_of(figures(error_pct, NOMINAL_PCT))
    after = levels_of(figures(error_pct + shift_pct, NOMINAL_PCT))
    for name in ("zero", "offset", "highest", "lowest"):
        assert after[name] == pytest.approx(before[name] + shift_pct, abs=1e-11, nan_ok=True), name
    for name in ("hysteresis", "non-repeatability", "span", "gain", "u_offset", "u_gain"):
        assert after[name] == pytest.approx(before[name], abs=1e-11, nan_ok=True), name
    for name in ("independent", "terminal-based", "zero-based"):
        # Of two deviations equal but for rounding, the sign may be that of either.
        assert np.abs(after[name]) == pytest.approx(np.abs(before[name]), abs=1e-11, nan_ok=True), name


@given(errors(SOME_MISSING), st.integers(-50, 50).map(lambda count: count / 10))
def test_a_span_error_moves_span_and_gain_and_leaves_the_non_linearity(error_pct, span_pct):
    before = levels_of(figures(error_pct, NOMINAL_PCT))
    after = levels_of(figures(error_pct + span_pct * NOMINAL_PCT / 100, NOMINAL_PCT))
    assert after["span"] == pytest.approx(before["span"] + span_pct, abs=1e-11, nan_ok=True)
    assert after["gain"] == pytest.approx(before["gain"] + span_pct / 100, abs=1e-12, nan_ok=True)
    for name in ("zero", "offset", "hysteresis", "non-repeatability"):
        assert after[name] == pytest.approx(before[name], abs=1e-11, nan_ok=True), name
    for name in ("independent", "terminal-based", "zero-based"):
        assert np.abs(after[name]) == pytest.approx(np.abs(before[name]), abs=1e-11, nan_ok=True), name


@given(errors(SOME_MISSING, units_n=4), st.permutations(range(4)))
def test_figures_of_a_unit_do_not_depend_on_the_units_beside_it(error_pct, order):
    together, apart = figures(error_pct, NOMINAL_PCT), figures(error_pct[list(order)], NOMINAL_PCT)
    for name, level in levels_of(together).items():
        assert levels_of(apart)[name].tolist() == pytest.approx(level[list(order)].tolist(), abs=0, nan_ok=True), name
    assert [apart.not_determined(unit) for unit in range(4)] == [together.not_determined(unit) for unit in order]


@given(errors(SOME_MISSING))
def test_the_three_non_linearities_keep_their_order(error_pct):
    # Each line has less freedom than the one before: independent <= zero-based <= terminal-based.
    found = levels_of(figures(error_pct, NOMINAL_PCT))
    independent, zero, terminal = (np.abs(found[name]) for name in ("independent", "zero-based", "terminal-based"))
    is_known = np.isfinite(terminal)
    assert (independent[is_known] <= zero[is_known] + 1e-12).all()
    assert (zero[is_known] <= terminal[is_known] + 1e-12).all()


@given(errors(SOME_MISSING))
def test_what_is_not_a_number_has_its_reason_and_the_rest_has_none(error_pct):
    found = figures(error_pct, NOMINAL_PCT)
    for unit in range(2):
        reasons = {text.split(":")[0] for text in found.not_determined(unit)}
        assert ("hysteresis" in reasons) == np.isnan(found.hysteresis.hysteresis_pct[unit])
        assert ("non-repeatability" in reasons) == np.isnan(found.non_repeatability.spread_pct[unit])
        assert ("non-linearity, independent" in reasons) == np.isnan(found.independent.deviation_pct[unit])
        assert ("non-linearity, terminal-based" in reasons) == np.isnan(found.terminal_based.deviation_pct[unit])
        assert ("non-linearity, zero-based" in reasons) == np.isnan(found.zero_based.deviation_pct[unit])
        assert ("zero error" in reasons) == np.isnan(found.zero_span.zero_pct[unit])
        assert ("span error" in reasons) == np.isnan(found.zero_span.span_pct[unit])
        assert ("gain and offset" in reasons) == np.isnan(found.line.u_gain[unit])
        assert ("measured error" in reasons) == np.isnan(found.measured_error.error_pct[unit])
