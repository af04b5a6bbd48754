"""What all readings of a run share: worked out by hand, and against the covariance matrix written out."""

from math import sqrt

import numpy as np
import pytest

from sequencer.evaluation.budget import Basis, Limits, Statement
from sequencer.evaluation.evaluate import evaluate
from sequencer.readings.csv_import import from_csv

VOLT = """\
type: voltage converter
input: {range: 0 .. 10 V}
output: {range: 0 .. 10 V}
tolerance: 0.2 % of span
"""
EXACT = Limits(of_reading=0.0, floor=0.0)


def stated(tap, instrument="", *, accuracy=EXACT, resolution=0.0, **more):
    return Statement(tap=tap, instrument=instrument or f"{tap} meter", accuracy=accuracy, resolution=resolution, **more)


def cycles_of(*level_V, inputs=(0.0, 2.5, 5.0, 7.5, 10.0)):
    """Rows of a table: each cycle up and down, the output off by a level for each row."""
    way = [*inputs, *inputs[-2::-1]]
    levels = np.broadcast_to(np.array(level_V), (len(level_V),))
    return [(x, f"{x + off:.5f}") for off in levels for x in way[1 if off is not levels[0] else 0 :]]


@pytest.fixture
def found(type_sheet, by_hand):
    def made(rows, first, last, *, text=VOLT, **more):
        sheet = type_sheet(text)
        basis = Basis(statements=(first, last), **more)
        return evaluate(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet, basis=basis)

    return made


def test_a_floor_moves_the_offset_and_hardly_the_gain(found):
    meter = stated("output", accuracy=Limits(of_reading=0.0, floor=0.01))
    made = found(cycles_of(0.0, 0.0), stated("input"), meter)
    # 10 mV of 10 V, rectangular, one error for all readings: 0.9545 * 0.1 % of span, however many there are.
    assert pytest.approx(0.09545, rel=0.01) == made.figure("zero error").U
    assert pytest.approx(0.009545, rel=0.02) == made.figure("offset by least squares").U
    # A hundredth of the variance turns with the range: between the ends at most 2 * sqrt(0.01) of u.
    assert 2 * 2 * 0.1 * 0.1 / sqrt(3) * 1.02 >= made.figure("span error").U
    assert (made.figure("hysteresis").high or 0.0) < 0.001  # none where nothing scatters and nothing was found


def test_a_share_of_the_reading_is_an_error_of_the_gain(found):
    meter = stated("output", accuracy=Limits(of_reading=0.001, floor=0.0))
    made = found(cycles_of(0.0, 0.0), stated("input"), meter)
    assert pytest.approx(0.9545 * 0.001, rel=0.02) == made.figure("gain by least squares").U
    assert pytest.approx(0.0, abs=1e-9) == made.figure("zero error").U
    # Source and meter alike: the sum of two rectangles is a triangle, half width 2 a: k u = 2 a (1 - sqrt(0.0455)).
    both = found(cycles_of(0.0, 0.0), stated("input", accuracy=meter.accuracy), meter)
    assert pytest.approx(2 * 0.001 * (1 - sqrt(0.0455)), rel=0.02) == both.figure("gain by least squares").U


def test_with_both_signs_the_share_turns_with_the_reading_and_the_floor_does_not(found):
    text = VOLT.replace("0 .. 10 V", "-10 .. 10 V")
    meter = stated("output", accuracy=Limits(of_reading=0.001, floor=0.004))
    made = found(cycles_of(0.0, 0.0, inputs=(-10.0, -5.0, 0.0, 5.0, 10.0)), stated("input"), meter, text=text)
    # An error of 0.1 % of each reading is a gain, whatever the floor of 4 mV does to the middle: 20 mV of 20 V.
    assert made.figure("gain by least squares").U >= 0.9545 * 0.001
    middle = made.visits[made.visits["setpoint_pct"] == 50]
    assert middle["U"].to_numpy() == pytest.approx(0.9545 * 0.004, rel=0.01)


def test_one_meter_switched_from_tap_to_tap_cancels_in_one_range_and_not_in_another(found):
    accuracy = Limits(of_reading=0.001, floor=0.0)
    taps = [stated(tap, "meter", accuracy=accuracy, measures="voltage, 0 .. 10 V") for tap in ("input", "output")]
    assert pytest.approx(0.0, abs=1e-9) == found(cycles_of(0.0, 0.0), *taps).figure("gain by least squares").U
    other = stated("output", "meter", accuracy=accuracy, measures="voltage, 0 .. 100 V")
    assert found(cycles_of(0.0, 0.0), taps[0], other).figure("gain by least squares").U > 0.0015


def test_rounding_comes_again_at_each_visit_of_a_setpoint(found):
    meter = stated("output", resolution=0.01)
    few, many = (found(cycles_of(*[0.0] * n), stated("input"), meter) for n in (1, 4))
    # 10 mV of 10 V over root 12 at the lower end, where the average curve has one point: cycles do not average it out.
    for made in (few, many):
        assert pytest.approx(2 * 0.1 / sqrt(12), rel=1e-3) == made.figure("zero error").U


def test_it_is_the_matrix_written_out(found):
    random = np.random.default_rng(8)
    rows = [(x, f"{x + random.normal(0, 0.002):.5f}") for _ in range(3) for x in (0, 2.5, 5, 7.5, 10, 7.5, 5, 2.5)]
    meter = stated("output", accuracy=Limits(of_reading=0.0002, floor=0.001), resolution=0.001)
    known = found([*rows, (0, "0.00000")], stated("input"), meter).known.covariance
    n = len(known.scatter)
    scattered = np.diag(known.scatter)
    for cycle in np.unique(known.cycle):
        here = np.outer(known.cycle == cycle, known.cycle == cycle)
        # What a cycle shares beside its part of the scatter; it may be below nothing, as an estimate.
        scattered += here * (known.between - known.scatter.mean() / known.visits_n)
    # One reading stands beside the cycles, which are not quite of one size: what is left of that is 2e-3.
    matrix = known.factors.T @ known.factors + scattered
    weights = np.vstack([np.ones(n) / n, random.normal(0, 1, (3, n))])
    assert known.of(weights).u == pytest.approx(np.sqrt(np.einsum("fi,ij,fj->f", weights, matrix, weights)), rel=3e-3)
    own, shared = known.draws(40_000, np.random.default_rng(1), is_sure=True)
    drawn = np.cov((own + shared).T)
    assert np.sqrt(np.einsum("fi,ij,fj->f", weights, drawn, weights)) == pytest.approx(known.of(weights).u, rel=0.03)


def test_a_shift_between_cycles_is_named_and_is_in_each_uncertainty(found):
    meter = stated("output", resolution=0.0001)
    still = found(cycles_of(0.0001, 0.0, 0.0002), stated("input"), meter)
    moved = found(cycles_of(0.01, 0.0, -0.01), stated("input"), meter)
    assert any("a shift from cycle to cycle" in each for each in moved.tests)
    # Cycles off by 10, 0 and -10 mV: the standard deviation of one is 10 mV, with two degrees of freedom t is 4.53.
    assert moved.visits["U"].to_numpy() == pytest.approx(4.527 * 0.01, rel=0.01)
    assert still.visits["U"].max() < 0.002
    assert moved.figure("span error").U < 0.01  # it is the same at both ends


def test_without_a_statement_offset_and_gain_say_that_they_have_scatter_alone(type_sheet, by_hand):
    sheet = type_sheet(VOLT)
    made = evaluate(from_csv(by_hand("input;output", cycles_of(0.001, 0.0)), sheet.datasheet()), sheet)
    for name in ("offset by least squares", "gain by least squares"):
        figure = made.figure(name)
        assert figure.U is None
        assert figure.u_scatter is not None
        assert "nothing is stated of the instruments" in figure.remark


def test_a_straight_unit_is_not_doubted_and_a_bent_one_is(found):
    random = np.random.default_rng(4)
    meter = stated("output", accuracy=Limits(of_reading=0.001, floor=0.01), resolution=0.0001)
    doubted = {0.0: 0, 0.02: 0}
    for bend in doubted:
        for _ in range(40):
            way = [0, 2.5, 5, 7.5, 10, 7.5, 5, 2.5] * 2 + [0]
            rows = [(x, f"{x + bend * x * (10 - x) / 25 + random.normal(0, 0.002):.5f}") for x in way]
            made = found(rows, stated("input"), meter)
            doubted[bend] += any("farther off the line" in each for each in made.tests)
    assert doubted[0.0] <= 6  # 5 % of 40, three standard deviations more
    assert doubted[0.02] == 40


def test_a_size_that_may_be_nothing_has_no_sign(found):
    random = np.random.default_rng(3)
    meter = stated("output", accuracy=Limits(of_reading=0.0, floor=0.02), resolution=0.0001)
    rows = [
        (x, f"{x + 0.004 + random.normal(0, 0.001):.5f}") for _ in range(2) for x in (0, 2.5, 5, 7.5, 10, 7.5, 5, 2.5)
    ]
    error = found(rows, stated("input"), meter).figure("measured error")
    # 4 mV found, and the meter may be 20 mV off to either side.
    assert error.value == pytest.approx(0.05, abs=0.03)
    assert error.low == pytest.approx(-error.high)
    assert error.high > 0.9545 * 0.2


def test_a_shift_is_no_hysteresis_and_no_bend(found):
    meter = stated("output", resolution=0.0001)
    random = np.random.default_rng(5)
    rows = [(x, f"{float(y) + random.normal(0, 0.0005):.5f}") for x, y in cycles_of(0.03, 0.0, -0.03)]
    made = found(rows, stated("input"), meter)
    assert made.figure("hysteresis").high < 0.03  # % of span; the cycles lie 0.3 % apart
    assert not any("farther off the line" in each for each in made.tests)
