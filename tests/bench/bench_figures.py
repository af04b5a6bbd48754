"""Speed of the batched lines, as ratios inside one run: `python tests/bench/bench_figures.py`.

Least squares with full inference against a loop of numpy.polyfit with its covariance; minimax line against scipy's
linprog (HiGHS); all figures of many units in one call.
"""

import sys
import time
from pathlib import Path

import numpy as np
from scipy.optimize import linprog

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # runs from a checkout that is not installed

from sequencer.figures.figures import figures
from sequencer.figures.lines import fit_line, fit_minimax_line

UNITS_N, CYCLES_N, POINTS_N = 10_000, 3, 11


def best_s(work, *, times):
    """Shortest of several runs: the least disturbed one."""
    took_s = []
    for _ in range(times):
        start_s = time.perf_counter()
        work()
        took_s.append(time.perf_counter() - start_s)
    return min(took_s)


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
    nominal_pct = np.linspace(0, 100, POINTS_N)
    error_pct = random.normal(0, 0.1, (UNITS_N, CYCLES_N, 2, POINTS_N))
    x = np.tile(nominal_pct, 2 * CYCLES_N)
    y = error_pct.reshape(UNITS_N, -1)
    x_measured = x + random.normal(0, 0.01, y.shape)
    missing = np.where(random.random(y.shape) < 0.05, np.nan, y)
    some = slice(0, 400)
    few = slice(0, 100)

    polyfit_s = best_s(lambda: [np.polyfit(x, each, 1, cov=True) for each in y[some]], times=3) / 400
    plain_s = best_s(lambda: [np.polyfit(x, each, 1) for each in y[some]], times=3) / 400
    linprog_s = best_s(lambda: [minimax_by_linprog(x, each) for each in y[few]], times=2) / 100
    print(f"{UNITS_N} units x {y.shape[1]} readings, per unit")
    for name, inputs, readings in [
        ("shared inputs", x, y),
        ("measured inputs", x_measured, y),
        ("measured inputs, 5 % missing", x_measured, missing),
    ]:
        line_s = best_s(lambda: fit_line(inputs, readings), times=5) / UNITS_N  # noqa: B023
        minimax_s = best_s(lambda: fit_minimax_line(inputs, readings), times=5) / UNITS_N  # noqa: B023
        print(
            f"{name:30s} least squares {line_s * 1e6:6.2f} us: polyfit loop with covariance {polyfit_s / line_s:5.0f},"
            f" without {plain_s / line_s:5.0f}; minimax {minimax_s * 1e6:6.2f} us: linprog {linprog_s / minimax_s:6.0f}"
        )
    all_s = best_s(lambda: figures(error_pct, nominal_pct), times=3) / UNITS_N
    print(f"{'all figures':30s} {all_s * 1e6:6.2f} us")


if __name__ == "__main__":
    main()
