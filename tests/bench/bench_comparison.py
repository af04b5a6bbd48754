"""How often `compare` calls two units different: `python tests/bench/bench_comparison.py [--pairs 300]`.

Pairs of units from the draws of bench_coverage, on one bench: first with one curve (a false alarm, 5 % promised for all
points and their mean together), then with zeros apart by a stated number of standard deviations of a point's difference
(power). Beside the correction that is used stands Holm's, which knows nothing of how the tests hang together.
"""

import argparse
import dataclasses

import bench_coverage
import numpy as np
from bench_coverage import NOISY, QUIET, Case, Unit, sheet_of

from sequencer.diagnosis.comparison_statistics import differences, family_wise, weights_at
from sequencer.evaluation.budget import Basis
from sequencer.evaluation.evaluate import evaluate
from sequencer.evaluation.figures.multiple import holm

CASES = (
    Case(name="n = 2, one cycle", reference=QUIET, meter=NOISY, n=2, cycles=1),
    Case(name="n = 3, 2 cycles", reference=QUIET, meter=NOISY, n=3, cycles=2),
    Case(name="n = 1, 3 cycles", reference=QUIET, meter=NOISY, n=1, cycles=3),
    Case(name="shift between cycles, n = 3, 3 cycles", reference=QUIET, meter=NOISY, n=3, cycles=3, shift_sd=0.03),
    Case(name="shift between cycles, n = 3, 2 cycles", reference=QUIET, meter=NOISY, n=3, cycles=2, shift_sd=0.03),
    Case(name="rounding as large as noise, 2 cycles", reference=QUIET, meter=bench_coverage.TYPICAL, n=3, cycles=2),
)


def tested(case, sheet, unit, apart_mA):
    """Smallest p of all points and their mean, by both corrections; and the standard uncertainty at a point, mA."""
    other = Unit(case, sheet, unit.random)
    other.reference, other.meter = unit.reference, unit.meter  # one bench
    other.coefficients, other.hysteresis = unit.coefficients + np.array([apart_mA, 0, 0]), unit.hysteresis
    stated = (case.reference.stated("input", "reference"), case.meter.stated("output", "meter"))
    found = [evaluate(each.table(), sheet, basis=Basis(statements=stated)) for each in (unit, other)]
    keys = list(zip(found[0].points["point"], found[0].points["direction"], strict=True))
    rows = [np.vstack([each := weights_at(one, keys), each.mean(axis=0)]) for one in found]
    made = differences(*found, tuple(rows), is_same=True)
    level = found[1].points["error_pct"].to_numpy() - found[0].points["error_pct"].to_numpy()
    level = np.append(level, level.mean())
    return np.nanmin(family_wise(level, made)), np.nanmin(holm(made.p(level))), float(made.u[0]) * 16 / 100


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pairs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=5)
    given = parser.parse_args()
    print(f"{'different at 5 %, of ' + str(given.pairs) + ' pairs':<42}{'alike':>8}{'Holm':>8}{'3 u':>8}{'5 u':>8}")
    for case in CASES:
        sheet = sheet_of(case)
        shares = []
        for apart in (0.0, 3.0, 5.0):
            random = np.random.default_rng(given.seed)
            units = (Unit(dataclasses.replace(case), sheet, random) for _ in range(given.pairs))
            u_mA, alarms = 0.0, []
            for unit in units:
                family, one_by_one, u_mA = tested(case, sheet, unit, apart * u_mA)
                alarms.append((family < 0.05, one_by_one < 0.05))
            shares.append(100 * np.mean(alarms, axis=0))
        (alike, by_holm), (three, _), (five, _) = shares
        print(f"{case.name:<42}{alike:8.1f}{by_holm:8.1f}{three:8.1f}{five:8.1f}", flush=True)


if __name__ == "__main__":
    main()
