"""Confusion matrix of the findings over the fleet of simulated units; `--each 6` takes some minutes on two cores.

How the weights do on tables that no equation of the package made is told by `bench_foreign.py`.

Right first: the true cause is among the causes of the first finding, which are those that no reading can tell apart.
Among two: it is among those of the first two findings. Two causes at once ("a + b") where one was drawn are not right.
Cost is processor time, also as a ratio to one evaluation of the same unit in the same run. Default seed: not one of
development.
"""

import argparse
import multiprocessing
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from fleet import CAUSES, Unit, prepared, units

from sequencer.diagnosis.diagnose import diagnose

GOOD = "no fault"
# In the fleet's words and in those of the findings.
TOLD = {"": GOOD, "copied readings": "copied reading"}
LEAST = 1e-4  # what is given to a cause that is not named
BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What was said of one unit, (names, weight) of each finding, the first one first; and what it cost."""

    cause: str
    sequence: str
    findings: tuple[tuple[tuple[str, ...], float], ...]
    diagnose_s: float
    evaluate_s: float

    def is_among(self, first_n: int) -> bool:
        return any(self.cause in names for names, _ in self.findings[:first_n])

    @property
    def first(self) -> str:
        """What it was taken for."""
        return self.findings[0][0][0]


def result_of(unit: Unit) -> Result:
    """The findings of a unit, and what they cost."""
    planned, basis = prepared(unit.sequence)
    began_s = time.process_time()
    verdict = unit.evaluation.verdict
    judged_s = time.process_time()
    found = diagnose(unit.table, planned.sequence.sheet, result=verdict.result, basis=basis)
    return Result(
        cause=TOLD.get(unit.cause, unit.cause),
        sequence=unit.sequence,
        findings=tuple((each.names, each.weight) for each in found.ranked),
        diagnose_s=time.process_time() - judged_s,
        evaluate_s=judged_s - began_s,
    )


def results_of(task: tuple[str, int, int]) -> list[Result]:
    """Those of one cause: its name, how many units, the seed."""
    cause, each, seed = task
    return [result_of(unit) for unit in units(cause, each=each, seed=seed)]


def share(part: int, whole: int) -> str:
    return f"{part}/{whole} = {part / whole:.1%}" if whole else "0/0"


def print_causes(results: Sequence[Result]) -> None:
    """A line a cause, then the totals."""
    print(f"{'cause':32} {'drawn':>5} {'first':>5} {'two':>4}  taken for")
    for cause in dict.fromkeys(each.cause for each in results):
        of = [each for each in results if each.cause == cause]
        wrong = Counter(each.first for each in of if not each.is_among(1))
        print(
            f"{cause:32} {len(of):5} {sum(each.is_among(1) for each in of):5} {sum(each.is_among(2) for each in of):4}"
            f"  {', '.join(f'{name} {count}' for name, count in wrong.most_common())}".rstrip()
        )
    bad, good = ([each for each in results if (each.cause == GOOD) is is_good] for is_good in (False, True))
    alarms = [each for each in good if any(weight > 0.5 and GOOD not in names for names, weight in each.findings)]
    print(f"\nfaults: right first {share(sum(each.is_among(1) for each in bad), len(bad))}")
    print(f"faults: among the first two {share(sum(each.is_among(2) for each in bad), len(bad))}")
    print(f"faults: first of the first finding {share(sum(each.first == each.cause for each in bad), len(bad))}")
    named = [len(each.findings[0][0]) for each in bad]
    print(f"faults: causes in the first finding: mean {np.mean(named or [0]):.1f}, most {max(named, default=0)}")
    print(f"good units with a finding above 50 %: {share(len(alarms), len(good))}")


def print_calibration(results: Sequence[Result]) -> None:
    """Whether findings are right as often as their weights say; every finding of every unit counts."""
    given = [(weight, each.cause in names) for each in results for names, weight in each.findings]
    sure = [is_right for weight, is_right in given if weight >= 0.9]
    told = [max(LEAST, sum(weight for names, weight in each.findings if each.cause in names)) for each in results]
    print(f"\nlog score: {np.mean(np.log(np.minimum(told, 1.0))):.3f} a unit; 0 = sure and right each time")
    print(f"findings of 90 % and more: right {share(sum(sure), len(sure))}")
    print(f"{'weight':>14} {'findings':>9} {'mean':>7} {'right':>7}")
    which = np.digitize([weight for weight, _ in given], BINS[1:-1])
    for index in range(len(BINS) - 1):
        here = [each for each, place in zip(given, which, strict=True) if place == index]
        if here:
            weights, rights = zip(*here, strict=True)
            print(
                f"{f'{BINS[index]:.0%} to {BINS[index + 1]:.0%}':>14} {len(here):9} {np.mean(weights):7.1%} "
                f"{np.mean(rights):7.1%}"
            )


def print_groups(results: Sequence[Result]) -> None:
    """Which causes were named together in a first finding, with shares of the units so named."""
    pairs = Counter(pair for each in results for pair in combinations(sorted(each.findings[0][0]), 2))
    print("\nnamed together in the first finding, not separable")
    for (one, other), count in pairs.most_common():
        print(f"{count:5}  {one} / {other}")


def print_cost(results: Sequence[Result]) -> None:
    """Processor time of the findings of a unit."""
    cost_s = np.array([each.diagnose_s for each in results])
    ratio = cost_s / np.array([each.evaluate_s for each in results])
    slowest = results[int(cost_s.argmax())]
    print(
        f"\nprocessor time a unit: median {np.median(cost_s):.2f} s, 95 % {np.quantile(cost_s, 0.95):.2f} s, "
        f"worst {cost_s.max():.2f} s ({slowest.cause}, {slowest.sequence})"
    )
    print(f"as a ratio to one evaluation: median {np.median(ratio):.1f}, worst {ratio.max():.1f}")


def main() -> None:
    """Print the matrix and its figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=6, help="units of each cause, ten times as many good ones")
    parser.add_argument("--seed", type=int, default=20264, help="of the fleet")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--cause", default="", help=f'only causes whose name contains this; good units: "{GOOD}"')
    options = parser.parse_args()
    tasks = [(cause, options.each, options.seed) for cause in CAUSES if options.cause in TOLD.get(cause, cause)]
    with multiprocessing.Pool(options.jobs) as pool:
        results = [each for some in pool.imap(results_of, tasks, chunksize=1) for each in some]
    print(f"{len(results)} units, {options.each} a cause, seed {options.seed}")
    print_causes(results)
    print_calibration(results)
    print_groups(results)
    print_cost(results)


if __name__ == "__main__":
    main()
