"""The three bars for speed, as ratios inside one run: `python tests/bench/bench_figures.py`.

10 000 units of 66 readings, three cycles of eleven points; microseconds a unit, the best of several rounds, in which
what is compared takes turns. Inputs are nominal, or measured, or measured with 5 % of the readings missing.

figures with uncertainties  all figures of a unit, the budgets of its 22 means and of its single readings, and the
                            least-squares line with its uncertainties, against numpy.polyfit of degree 1, unit by
                            unit, without covariance: two coefficients and nothing else
the same with verdicts      and a verdict on ten of them, normal distribution, against the same polyfit
least squares, inference    the line with uncertainties and covariance, against the same polyfit with its covariance
minimax line                against scipy's linprog (HiGHS), unit by unit
"""

import sys
import time
from pathlib import Path

import numpy as np
from scipy.optimize import linprog

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # runs from a checkout that is not installed

from sequencer.evaluation.figures.conformity import judge
from sequencer.evaluation.figures.contributions import from_certificate, from_half_width, from_readings, from_resolution
from sequencer.evaluation.figures.figures import figures
from sequencer.evaluation.figures.lines import fit_line, fit_minimax_line
from sequencer.evaluation.figures.per_point import per_point
from sequencer.evaluation.figures.uncertainty import combine
from sequencer.inputs.decision_rules import DEFAULT_RULE, RULES

UNITS_N, CYCLES_N, POINTS_N = 10_000, 3, 11
RULE = RULES[DEFAULT_RULE]
NOMINAL_PCT = np.linspace(0, 100, POINTS_N)
ROUNDS_N = 15


def best_s(work, *, times):
    """Shortest of several runs: the least disturbed one."""
    took_s = []
    for _ in range(times):
        start_s = time.perf_counter()
        work()
        took_s.append(time.perf_counter() - start_s)
    return min(took_s)


def bench_contributions():
    """What is the same for all units, % of output span."""
    return [
        from_certificate("standard", 0.010, k=2),
        from_half_width("source", 0.020),
        from_half_width("meter", 0.015),
        from_resolution("resolution", 0.001),
        from_half_width("temperature", 0.005),
    ]


def point_budgets(error_pct):
    """Budget of each mean: the scatter of three cycles has two degrees of freedom, so each has a k of its own."""
    spread = per_point(error_pct, axis=1)
    return combine([*bench_contributions(), from_readings("scatter", spread.sd, spread.readings_n)])


def with_budgets(error_pct, x_pct):
    """All figures, the budgets of the 22 means of a unit, and that of a single reading of it."""
    found = figures(error_pct, x_pct)
    sd = found.line.residual_sd
    scatter = from_readings("scatter", sd, found.line.points_n, pooled_sd=sd, pooled_dof=found.line.dof)
    return found, point_budgets(error_pct), combine([*bench_contributions(), scatter])


def with_verdicts(error_pct, x_pct):
    """The same, and a verdict with its probability of conformity on ten figures."""
    found, points, single = with_budgets(error_pct, x_pct)
    values = np.stack(
        [
            found.measured_error.error_pct,
            found.inaccuracy.highest_pct,
            found.inaccuracy.lowest_pct,
            found.hysteresis.hysteresis_pct,
            found.non_repeatability.spread_pct,
            found.independent.deviation_pct,
            found.terminal_based.deviation_pct,
            found.zero_based.deviation_pct,
            found.zero_span.zero_pct,
            found.zero_span.span_pct,
        ]
    )
    worst = np.nanmax(points.U.reshape(len(error_pct), -1), axis=-1)
    return judge(values, np.stack([worst, *[single.U] * 9]), rule=RULE, lower=-0.5, upper=0.5)


def minimax_by_linprog(x, y):
    ones = np.ones_like(x)
    above, below = np.stack([-ones, -x, -ones], axis=1), np.stack([ones, x, -ones], axis=1)
    free = (None, None)
    found = linprog(
        [0, 0, 1],
        A_ub=np.concatenate([above, below]),
        b_ub=np.concatenate([-y, y]),
        bounds=[free, free, (0, None)],
        method="highs",
    )
    return found.x[2]


def main():
    random = np.random.default_rng(20)
    error_pct = random.normal(0, 0.02, (UNITS_N, CYCLES_N, 2, POINTS_N))
    measured_pct = NOMINAL_PCT + random.normal(0, 0.01, error_pct.shape)
    missing_pct = np.where(random.random(error_pct.shape) < 0.05, np.nan, error_pct)
    x = np.tile(NOMINAL_PCT, 2 * CYCLES_N)
    y = error_pct.reshape(UNITS_N, -1)
    plain, covariance, linprog_ = "polyfit", "polyfit with covariance", "linprog"
    loops = {
        plain: (400, lambda: [np.polyfit(x, each, 1) for each in y[:400]]),
        covariance: (400, lambda: [np.polyfit(x, each, 1, cov=True) for each in y[:400]]),
        linprog_: (20, lambda: [minimax_by_linprog(x, each) for each in y[:20]]),
    }
    works, bars = {}, {}
    for name, against, bar, function in [
        ("figures with uncertainties", plain, 4, with_budgets),
        ("the same with verdicts", plain, 4, with_verdicts),
        ("least squares, inference", covariance, 25, fit_line),
        ("minimax line", linprog_, 500, fit_minimax_line),
    ]:
        for kind, inputs, levels in [
            ("nominal inputs", NOMINAL_PCT, error_pct),
            ("measured inputs", measured_pct, error_pct),
            ("measured, 5 % missing", measured_pct, missing_pct),
        ]:
            given = (levels, inputs)
            if function not in {with_budgets, with_verdicts}:
                given = (x if inputs is NOMINAL_PCT else inputs.reshape(UNITS_N, -1), levels.reshape(UNITS_N, -1))
            works[name, kind] = (UNITS_N, lambda function=function, given=given: function(*given))
            # No bar was set for all figures where readings are missing; the ratio is shown all the same.
            is_asked = function not in {with_budgets, with_verdicts} or levels is error_pct
            bars[name, kind] = against, bar if is_asked else None
    took_us = dict.fromkeys([*loops, *works], np.inf)
    for _ in range(ROUNDS_N):
        for name, (units_n, work) in (loops | works).items():
            took_us[name] = min(took_us[name], best_s(work, times=1) / units_n * 1e6)
    print(f"{'':49}{'us':>6}  {'against':24}{'us':>7}{'ratio':>7}{'bar':>5}")
    for (name, kind), (against, bar) in bars.items():
        ratio = took_us[against] / took_us[name, kind]
        verdict = "" if bar is None else f"{bar:5}  {'reached' if ratio >= bar else 'missed'}"
        print(f"{name:27}{kind:22}{took_us[name, kind]:6.2f}  {against:24}{took_us[against]:7.1f}{ratio:7.1f}{verdict}")


if __name__ == "__main__":
    main()
