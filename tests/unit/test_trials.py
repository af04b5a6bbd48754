"""Trials through the unit's own characteristic, against numbers that need none."""

from math import sqrt

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from sequencer.core import by_trials, load_bench, plan, run
from sequencer.evaluation.budget import Basis, Limits, Statement
from sequencer.evaluation.evaluate import evaluate
from sequencer.evaluation.monte_carlo import trials
from sequencer.readings.csv_import import from_csv

PULSE = """\
type: pulse rate converter
input: {range: 0 .. 1000 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
FLOW = PULSE.replace("0 .. 1000 Hz", "0 .. 100 mbar") + "characteristic: square root\n"
VOLT = PULSE.replace("0 .. 1000 Hz", "0 .. 10 V").replace("4 .. 20 mA", "0 .. 10 V")


def stated(tap, instrument, half_width=0.0, **more):
    return Statement(
        tap=tap, instrument=instrument, accuracy=Limits(of_reading=0.0, floor=half_width), resolution=0.0, **more
    )


@pytest.fixture
def tried(type_sheet, by_hand):
    def made(text, rows, first, last, *, limit=10_000_000, correlations=(), coverage=0.9545):
        sheet = type_sheet(text)
        table = from_csv(by_hand("input;output", rows), sheet.datasheet())
        basis = Basis(statements=(first, last), correlations=correlations, coverage=coverage)
        evaluation = evaluate(table, sheet, basis=basis)
        found = trials(evaluation, sheet.datasheet(), limit=limit)
        return evaluation, None if found.worst is None else found.worst.result

    return made


def half_interval_of_normal_and_rectangular(sigma, half_width, probability):
    """Half width that holds a share of the sum of a normal and a rectangular quantity, by quadrature of their sum."""

    def inside(reach):
        def of(shift):
            return stats.norm.cdf((reach - shift) / sigma) - stats.norm.cdf((-reach - shift) / sigma)

        return integrate.quad(of, -half_width, half_width)[0] / (2 * half_width) - probability

    return optimize.brentq(inside, 0, 10 * (sigma + half_width))


def test_a_linear_unit_gives_the_interval_of_a_normal_and_a_rectangular_quantity(tried):
    # Certificate at the output: U = 4 uA, k = 2. Accuracy of the input: 0.5 Hz, 16 uA/Hz, so 8 uA.
    certified = stated("output", "m", certificate=Limits(of_reading=0.0, floor=0.004))
    _, found = tried(PULSE, [(0, 4.0), (500, 12.016), (1000, 20.0)], stated("input", "f", 0.5), certified)
    half = half_interval_of_normal_and_rectangular(0.002, 0.008, 0.9545)
    assert found.is_stable
    assert found.estimate == pytest.approx(0.016, abs=found.steady_to)
    assert found.u == pytest.approx(sqrt(0.002**2 + 0.008**2 / 3), abs=found.steady_to)
    assert found.symmetric == pytest.approx((0.016 - half, 0.016 + half), abs=2 * found.steady_to)
    # The first order takes the sum for what it is, a rectangle and a normal quantity: k = 1.7, not 2.
    assert found.first_order == pytest.approx((0.016 - half, 0.016 + half), abs=1e-6)
    assert found.is_first_order_valid


def test_where_the_normal_part_rules_the_first_order_agrees(tried):
    certified = stated("output", "m", certificate=Limits(of_reading=0.0, floor=0.02))
    _, found = tried(PULSE, [(0, 4.0), (500, 12.016), (1000, 20.0)], stated("input", "f", 0.05), certified)
    assert found.is_first_order_valid
    assert "it may be used" in found.comparison


def test_near_zero_of_a_root_the_first_order_misleads(tried):
    # 0.01 mbar of 100 is read, give or take 0.01: the flow lies anywhere from 0 to 1.414 %, ideal 1 %.
    rows = [(0.01, 4.2), (25, 12.0), (100, 20.0)]
    evaluation, found = tried(FLOW, rows, stated("input", "p", 0.01), stated("output", "m", 1e-6))
    assert evaluation.worst["setpoint_pct"] == pytest.approx(0.01)
    # Error 4.2 - (4 + 16 sqrt(x / 100)), x uniform from 0 to 0.02: mean 0.2 - 16 * 2/3 * sqrt(0.0002).
    assert found.estimate == pytest.approx(0.2 - 16 * 2 / 3 * sqrt(0.0002), abs=2 * found.steady_to)
    # Symmetric ends: x at 2.275 % and 97.725 % of its range.
    ends = [0.2 - 16 * sqrt(0.0002 * share) for share in (0.97725, 0.02275)]
    assert found.symmetric == pytest.approx(ends, abs=4 * found.steady_to)
    assert not found.is_first_order_valid
    assert "misleads" in found.comparison
    # First order: 16 mA / 2 / sqrt(0.0001) a range, so 8 mA/mbar; 0.01 mbar is 0.08 mA.
    assert found.first_order_u == pytest.approx(0.08 / sqrt(3), rel=1e-3)


@pytest.mark.parametrize(("coefficient", "u"), [(1.0, 0.0), (-1.0, 0.02 / sqrt(3)), (0.5, 0.01 / sqrt(3))])
def test_what_one_calibrator_does_at_both_ends_is_drawn_once(tried, coefficient, u):
    # 10 mV at either end through a gain of 1: u^2 = 2 (1 - r) (10 mV)^2 / 3. The meter's last digit lets it not vanish.
    ends = stated("input", "c", 0.01), stated("output", "c", 0.01, allowances=(("drift", 0.001),))
    rows = [(0, 0.0), (5, 5.01), (10, 10.0)]
    evaluation, found = tried(VOLT, rows, *ends, correlations=(("c", "c", coefficient),))
    expected = sqrt(u**2 + 0.001**2 / 3)
    assert evaluation.budget.u[evaluation.worst_index] == pytest.approx(expected, rel=1e-9)
    assert found.first_order_u == pytest.approx(expected, rel=1e-6)
    assert found.u == pytest.approx(expected, rel=0.01)


def test_one_seed_gives_one_result_and_the_coverage_is_that_asked_for(tried):
    ends = stated("input", "f", 0.5), stated("output", "m", 0.004)
    rows = [(0, 4.0), (500, 12.016), (1000, 20.0)]
    one, other = (tried(PULSE, rows, *ends, limit=20_000, coverage=0.9)[1] for _ in range(2))
    assert one == other
    assert one.probability == 0.9
    assert one.trials_n <= 20_000


def test_without_an_uncertainty_there_is_nothing_to_try(tried, type_sheet, by_hand):
    unknown = Statement(tap="output", instrument="m", accuracy=None, resolution=0.0)
    assert tried(PULSE, [(0, 4.0), (500, 12.016), (1000, 20.0)], stated("input", "f", 0.5), unknown)[1] is None
    sheet = type_sheet(PULSE)
    evaluation = evaluate(from_csv(by_hand("input;output", [(0, 4.0), (1000, 20.0)]), sheet.datasheet()), sheet)
    found = trials(evaluation, sheet.datasheet(), limit=20_000)
    assert (found.worst, found.farthest, found.points_n) == (None, None, 0)
    assert found.sentences == ("No uncertainty is known, so there is nothing to try.",)


def test_the_point_where_the_first_order_is_farthest_off_is_named_though_another_error_is_worst(type_sheet, by_hand):
    # 0.16 mbar of 100, give or take 0.16: there the root bends. At 25 and 100 mbar it is as good as straight.
    sheet = type_sheet(FLOW)
    table = from_csv(by_hand("input;output", [(0.16, 4.64), (25, 12.03), (100, 20.0)]), sheet.datasheet())
    certified = stated("output", "m", certificate=Limits(of_reading=0.0, floor=0.004))
    evaluation = evaluate(table, sheet, basis=Basis(statements=(stated("input", "p", 0.16), certified)))
    found = trials(evaluation, sheet.datasheet(), limit=2_000_000)
    assert (found.worst.place, found.farthest.place) == ("25 % upscale, cycle 1", "0.16 % upscale, cycle 1")
    assert found.points_n == 3
    assert found.worst.result.estimate == pytest.approx(0.03, abs=1e-3)
    assert found.farthest.result.symmetric == pytest.approx(
        [0.64 - 16 * sqrt(0.0032 * share) for share in (0.97725, 0.02275)], abs=0.004
    )
    first, second = found.sentences
    assert first.startswith("At the worst error, 25 % upscale, cycle 1: ")
    assert second.startswith("Of all 3 points the first order lies farthest off at 0.16 % upscale, cycle 1: ")
    assert "misleads" in second


def test_a_record_is_tried_from_what_it_holds(tmp_path):
    done = run(plan("pt100-to-current", load_bench("simulated")), serial="T-1", results=tmp_path, operator=Yes())
    found = by_trials(done.record.folder, limit=200_000).content.trials.worst.result
    evaluation = done.evaluation
    assert found.estimate == pytest.approx(evaluation.worst["error"], abs=found.first_order_u / 10)
    assert found.first_order_u == pytest.approx(evaluation.budget.u[evaluation.worst_index], rel=1e-3)
    assert np.isfinite(found.symmetric).all()


class Yes:
    def ask(self, question):
        assert question.text
        return "yes"
