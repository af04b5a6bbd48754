"""Speed of figures with their uncertainties, as ratios inside one run: `python tests/bench/bench_uncertainty.py`.

The parts, and the verdicts; the bars themselves stand in `bench_figures.py`.
All figures of 10 000 units of 66 readings, a budget for each of their 220 000 means and one for each figure, and the
verdicts, against a loop of numpy.polyfit with its covariance, which gives one line with two uncertainties, and against
the same work unit by unit.
"""

import sys
from pathlib import Path

import numpy as np
from bench_figures import RULE, best_s, point_budgets, with_verdicts
from odrpack import odr_fit

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # runs from a checkout that is not installed

from sequencer.evaluation.figures.conformity import judge
from sequencer.evaluation.figures.errors_in_variables import fit_line_with_uncertainties
from sequencer.evaluation.figures.figures import figures
from sequencer.evaluation.figures.lines import fit_line
from sequencer.evaluation.figures.student import coverage_factor

UNITS_N, CYCLES_N, POINTS_N = 10_000, 3, 11


def line_by_odrpack(x, y):
    return odr_fit(
        lambda at, beta: beta[0] + beta[1] * at, x, y, np.array([0.0, 0.0]), weight_x=0.02**-2, weight_y=0.02**-2
    )


def main():
    random = np.random.default_rng(20)
    nominal_pct = np.linspace(0, 100, POINTS_N)
    error_pct = random.normal(0, 0.02, (UNITS_N, CYCLES_N, 2, POINTS_N))
    x = np.tile(nominal_pct, 2 * CYCLES_N)
    y = error_pct.reshape(UNITS_N, -1)
    few = slice(0, 200)

    loop_s = best_s(lambda: [np.polyfit(x, each, 1, cov=True) for each in y[few]], times=3) / 200
    single_s = best_s(lambda: [with_verdicts(each[None], nominal_pct) for each in error_pct[few]], times=2) / 200
    odr_s = best_s(lambda: [line_by_odrpack(x, each) for each in y[few]], times=2) / 200
    print(f"{UNITS_N} units x {y.shape[1]} readings, per unit; numpy.polyfit with covariance {loop_s * 1e6:.1f} us")
    dof = random.uniform(2, 200, UNITS_N)
    for name, work in [
        ("all figures, budgets, verdicts", lambda: with_verdicts(error_pct, nominal_pct)),
        ("of it: figures", lambda: figures(error_pct, nominal_pct)),
        ("of it: budgets of 22 means", lambda: point_budgets(error_pct)),
        ("of it: ten verdicts", lambda: judge(y[:, :10], 0.05, rule=RULE, lower=-0.5, upper=0.5)),
        ("ten verdicts, few dof (Student t)", lambda: judge(y[:, :10], 0.05, rule=RULE, lower=-0.5, upper=0.5, dof=9)),
        ("line, uncertainty from scatter", lambda: fit_line(x, y)),
        ("line, both axes uncertain", lambda: fit_line_with_uncertainties(x, y, u_x=0.02, u_y=0.02)),
        ("coverage factor", lambda: coverage_factor(0.9545, dof)),
    ]:
        took_s = best_s(work, times=5) / UNITS_N
        print(f"{name:34s} {took_s * 1e6:7.2f} us: polyfit loop {loop_s / took_s:6.1f} times as long")
    whole_s = best_s(lambda: with_verdicts(error_pct, nominal_pct), times=5) / UNITS_N
    line_s = best_s(lambda: fit_line_with_uncertainties(x, y, u_x=0.02, u_y=0.02), times=5) / UNITS_N
    print(f"the same figures, budgets and verdicts unit by unit: {single_s / whole_s:.0f} times as long")
    print(f"a loop of odrpack for the line with both axes uncertain: {odr_s / line_s:.0f} times as long")


if __name__ == "__main__":
    main()
