"""Whether a step response gives the truth: `python tests/bench/bench_step_response.py [--records 100] [CASE ...]`.

Each record is made by matrix exponentials, its readings as means over their aperture by one state more, and shares no
formula with what judges it. For each case: how often the right system was chosen, what was said against the figures,
and of each figure its bias and spread in % of the truth, the worst, and how often one and two standard uncertainties
held the truth (nominal 68 and 95 %).

Asked: a time constant of five intervals within 3 %, with 0.1 % of noise and digits of 0.05 % of the step.
"""

import argparse
import math
import sys
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.linalg import expm

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # runs from a checkout that is not installed

from sequencer.evaluation.figures.step_response import StepRecord, step_response

EVERY_S = 0.02


def first(tau):
    """State space of a lag."""
    return np.array([[-1 / tau]]), np.array([1 / tau]), np.array([1.0])


def second(wn, zeta):
    """State space of a second order."""
    return np.array([[0, 1], [-wn * wn, -2 * zeta * wn]]), np.array([0, wn * wn]), np.array([1.0, 0])


@dataclass(frozen=True, kw_only=True)
class Case:
    """A system, how it is recorded, and what is true of it."""

    system: tuple
    name: str
    truth: dict = field(default_factory=dict)
    dead: float = 0.0
    n: int = 80
    noise: float = 0.001
    digit: float = 0.0005


def lag(tau, dead=0.0, **recorded):
    """A first order with its closed figures."""
    name = "first order with dead time" if dead else "first order"
    truth = {
        "tau": tau, "T63": dead + tau, "rise": tau * math.log(9), "settling": dead + tau * math.log(100),
    } | ({"dead_time": dead} if dead else {})  # fmt: skip
    return Case(system=first(tau), name=name, truth=truth, dead=dead, **recorded)


# Figures of the second order: shared/published/dynamics/step-response-figures.yaml.
CASES = {
    "five intervals": lag(0.1),
    "five, dead time": lag(0.1, 0.05),
    "three, dead time": lag(0.06, 0.1),
    "two intervals": lag(0.04),
    "one interval": lag(0.02),
    "noise 1 %": lag(0.1, noise=0.01),
    "noise 5 %": lag(0.1, noise=0.05),
    "digits alone": lag(0.1, noise=0.0001),
    "coarse digits": lag(0.1, digit=0.01),
    "damping 0.5": Case(
        system=second(10, 0.5), name="second order", n=120,
        truth={"zeta": 0.5, "rise": 0.1637572947, "settling": 0.8780564724, "overshoot": 0.1630335348},
    ),
    "damping 0.5, dead time": Case(
        system=second(10, 0.5), name="second order with dead time", n=120, dead=0.07,
        truth={"zeta": 0.5, "dead_time": 0.07, "settling": 0.9480564724, "overshoot": 0.1630335348},
    ),
    "damping 2": Case(
        system=second(10, 2.0), name="second order", n=160, truth={"rise": 0.8229235182, "settling": 1.746478396},
    ),
    "damping 1, dead time": Case(
        system=second(20, 1.0), name="second order with dead time", n=120, dead=0.05,
        truth={"dead_time": 0.05, "rise": 3.357908561 / 20, "settling": 0.05 + 6.638352068 / 20},
    ),
}  # fmt: skip


def recorded(case, seed):
    """Times and readings of 10 to 90 % of 4 .. 20 mA, or of half as much downwards; the step falls anywhere."""
    (a, b, c), rng = case.system, np.random.default_rng([seed, len(case.name)])
    order = len(b)
    whole = np.zeros((order + 2, order + 2))
    whole[:order, :order], whole[:order, order], whole[order + 1, :order] = a, b, c
    start = np.zeros(order + 2)
    start[order] = 1

    def area(at_s):
        return (expm(whole * (at_s - case.dead)) @ start)[-1] if at_s > case.dead else 0.0

    first_s = EVERY_S * (1 + rng.random())
    times = np.r_[EVERY_S * np.arange(-11, 1), first_s + EVERY_S * np.arange(case.n)]
    parts = np.array([(area(at) - area(at - EVERY_S)) / EVERY_S for at in times])
    parts = np.round((parts + rng.normal(0, case.noise, len(parts))) / case.digit) * case.digit
    low, step = (5.6, 12.8) if seed % 2 else (18.4, -6.4)
    return times, low + step * parts, case.digit * abs(step)


def figures(case, seed):
    """System, doubts, and of each figure its error in parts of the truth and in standard uncertainties."""
    times, values, digit = recorded(case, seed)
    answer = step_response(
        StepRecord(times_s=times, values=values, aperture_s=EVERY_S, resolution=digit, hold_s=0.3, held_at=(3.8, 20.5))
    )
    found = {}
    for name, true in case.truth.items():
        for origin, source in (("", answer.fitted), ("readings: ", answer.direct)):
            parameters = getattr(source, "parameters", {})
            known = parameters.get(name) or getattr(source, name, None)
            if known is not None and known.is_known:
                found[origin + name] = (known.value / true - 1, (known.value - true) / known.u)
    return answer.fitted.name if answer.fitted else "none", [each.kind for each in answer.doubts], found


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--records", type=int, default=100)
    parser.add_argument("cases", nargs="*", default=list(CASES))
    asked = parser.parse_args()
    for name in asked.cases:
        case = CASES[name]
        told = [figures(case, seed) for seed in range(asked.records)]
        right = sum(system == case.name for system, _, _ in told)
        doubts = Counter(kind for _, kinds, _ in told for kind in kinds)
        print(f"{name}: right system {100 * right / len(told):.0f} %; said: {dict(doubts) or 'nothing'}")
        for figure in dict.fromkeys(key for _, _, found in told for key in found):
            errors, sizes = np.array([found[figure] for _, _, found in told if figure in found]).T
            off_pct, held = 100 * errors, [100 * np.mean(np.abs(sizes) < k) for k in (1, 2)]
            print(
                f"  {figure:20s} {len(errors):4d} told, bias {off_pct.mean():+.3f} %, spread {off_pct.std():.3f} %, "
                f"worst {np.abs(off_pct).max():.2f} %; held {held[0]:.0f} and {held[1]:.0f} %"
            )


if __name__ == "__main__":
    main()
