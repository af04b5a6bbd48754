"""Whether the weights of the findings are frequencies, by tables of `foreign_tables`, which shares nothing with them.

Right by family: good, no fault above 50 %; single faults, the name or one that leaves the same readings, and no second
half that is not there; double, both in the first candidate; chain2, both stages, no third from 50 % on; unknown,
"unknown" or noise, or below 60 %, or a name that would do. Reliability counts every leading candidate by itself: a pair
is right if both halves are, causes that no reading can tell apart if any of them is.
"""

import argparse
import math
import multiprocessing
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from foreign_tables import FAMILIES, Fault, Table, tables

from sequencer.core import load
from sequencer.diagnosis.account import Candidate
from sequencer.diagnosis.examine import examine
from sequencer.readings.csv_import import from_csv

SEQUENCE = "sequence: foreign\ntype sheet: unit.yaml\ncautions: [none]\nsteps:\n  - traverse: {points: 11}\n"
BINS = (0.0, 0.5, 0.6, 0.9, 0.99, 1.0)
NONE = "no fault"
VAGUE = frozenset({"unknown", "noise", NONE})
LEAST = 1e-4  # a weight of 1 that is wrong would cost infinity


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A leading candidate: its names, where, its weight, and whether what it claims is true."""

    names: tuple[str, ...]
    place: str
    weight: float
    is_true: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What was said of one table; `is_lost` where it was refused, or the examination failed."""

    family: str
    number: int
    is_right: bool
    said: tuple[Said, ...]
    text: str
    cost_s: float
    is_lost: bool = False


def is_at(fault: Fault, place: str) -> bool:
    return not fault.places or place in fault.places


def holds(name: str, place: str, truth: Table) -> bool:
    """Whether a claim is true: one name, or every half of two of which at least one is a fault drawn."""
    here = [each for each in (*truth.faults, *truth.besides) if is_at(each, place)]
    if name in truth.whole or (name == NONE and not truth.faults):
        return True
    parts = name.split(" + ")
    drawn = [part for part in parts if any(part in each.accepted for each in here)]
    # The second half may sit in another stage of what was not read in between.
    return bool(drawn) and all(part in truth.also or part in drawn for part in parts)


def claims(candidate: Candidate) -> list[tuple[str, str]]:
    """Its names with their places."""
    return [(each.name, each.place) for each in candidate.members] or [
        (each, candidate.place) for each in candidate.names
    ]


def names_it(candidate: Candidate, fault: Fault) -> bool:
    return any(
        is_at(fault, place) and any(part in fault.accepted for part in name.split(" + "))
        for name, place in claims(candidate)
    )


def names_both(candidate: Candidate, truth: Table) -> bool:
    """A pair among its names with a half for each fault; or one name that does for the two."""
    first, second = truth.faults
    for name, _ in claims(candidate):
        one, _, other = name.partition(" + ")
        if name in truth.whole:
            return True
        if (one in first.accepted and other in second.accepted) or (one in second.accepted and other in first.accepted):
            return True
    return False


def is_true(candidate: Candidate, truth: Table) -> bool:
    return any(holds(name, place, truth) for name, place in claims(candidate))


def is_right(truth: Table, leading: Sequence[Candidate]) -> bool:
    """Whether the case counts as right, by the rule of its family."""
    faulty = [each for each in leading if each.names and each.names[0] != NONE]
    if truth.family == "good":
        return not any(each.weight > 0.5 and not is_true(each, truth) for each in faulty)
    if truth.family == "unknown":
        first = faulty[0] if faulty else None
        return first is None or first.weight < 0.6 or first.names[0] in VAGUE or is_true(first, truth)
    if truth.family == "double":
        return bool(faulty) and names_both(faulty[0], truth)
    if truth.family == "chain2":
        third = [each for each in faulty if not any(is_at(one, each.place) for one in truth.faults)]
        found = all(any(names_it(each, fault) for each in faulty) for fault in truth.faults)
        return found and not any(each.weight >= 0.5 for each in third)
    found = any(names_it(each, truth.faults[0]) for each in faulty)
    return found and all(is_true(each, truth) for each in faulty)


def result_of(truth: Table, number: int, folder: Path) -> Result:
    """The findings of a table, and what they cost in processor time."""
    (folder / "unit.yaml").write_text(truth.sheet)
    (folder / "foreign.yaml").write_text(SEQUENCE)
    (folder / "table.csv").write_text(truth.csv)
    sheet = load(folder / "foreign.yaml").sheet
    began_s = time.process_time()
    try:
        found = examine(from_csv(folder / "table.csv", sheet.datasheet(), serial="GF-104"), sheet).findings
    except Exception as error:  # noqa: BLE001 (whatever it is, the table was not examined, and that is what counts)
        text = f"{truth.text} -> {type(error).__name__}: {error}"
        return Result(family=truth.family, number=number, is_right=False, said=(), text=text, cost_s=0.0, is_lost=True)
    cost_s = time.process_time() - began_s
    assert found is not None
    leading = found.leading if found.is_fault else found.ranking[:1]
    return Result(
        family=truth.family,
        number=number,
        is_right=is_right(truth, leading),
        said=tuple(
            Said(names=each.names, place=each.place, weight=each.weight, is_true=is_true(each, truth))
            for each in leading
        ),
        text=truth.text,
        cost_s=cost_s,
    )


def results_of(task: tuple[str, int, int]) -> list[Result]:
    """Those of a family: its name, how many, the seed."""
    family, each, seed = task
    with tempfile.TemporaryDirectory() as name:
        return [result_of(truth, number, Path(name)) for number, truth in enumerate(tables(seed, each, family))]


def score(said: Said) -> float:
    """Logarithm of the weight that was given to what is true."""
    return math.log(max(said.weight if said.is_true else 1 - said.weight, LEAST))


def print_families(results: Sequence[Result]) -> None:
    heads = ("tables", "right", "share", "log score", "claims", "true", "weight")
    print(f"{'family':14} {' '.join(f'{each:>9}' for each in heads)}")
    for family in (*dict.fromkeys(each.family for each in results), "all"):
        of = [each for each in results if family in {each.family, "all"}]
        said = [one for each in of for one in each.said]
        right = sum(each.is_right for each in of)
        means = (
            np.mean(values or [math.nan])
            for values in ([score(one) for one in said], [one.is_true for one in said], [one.weight for one in said])
        )
        log_score, true, weight = means
        print(
            f"{family:14} {len(of):9} {right:9} {right / len(of):9.0%} {log_score:9.3f} {len(said):9} "
            f"{true:9.1%} {weight:9.1%}"
        )
    print(f"not examined at all: {sum(each.is_lost for each in results)}")


def print_reliability(title: str, said: Sequence[Said]) -> None:
    print(f"\n{title}\n{'weight':>14} {'claims':>6} {'mean':>7} {'true':>7}")
    which = np.digitize([each.weight for each in said], BINS[1:-1])
    for index in range(len(BINS) - 1):
        here = [each for each, place in zip(said, which, strict=True) if place == index]
        if here:
            print(
                f"{f'{BINS[index]:.0%} to {BINS[index + 1]:.0%}':>14} {len(here):6} "
                f"{np.mean([each.weight for each in here]):7.1%} {np.mean([each.is_true for each in here]):7.1%}"
            )


def print_wrong(results: Sequence[Result]) -> None:
    """A line a wrong case: the truth, then what was said."""
    for each in results:
        if not each.is_right:
            said = "; ".join(f"{' / '.join(one.names)} at {one.place} {one.weight:.1%}" for one in each.said)
            print(f"{each.family} {each.number}: {each.text} -> {said or 'nothing'}")


def print_cost(results: Sequence[Result]) -> None:
    cost_s = np.array([each.cost_s for each in results])
    worst = results[int(cost_s.argmax())]
    print(
        f"\nprocessor time a table: median {np.median(cost_s):.2f} s, 95 % {np.quantile(cost_s, 0.95):.2f} s, "
        f"worst {cost_s.max():.2f} s ({worst.family} {worst.number})"
    )


def main() -> None:
    """Print the scores by family, the reliability and the cost."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=61298)
    parser.add_argument("--each", type=int, default=20, help="tables of each family")
    parser.add_argument("--family", choices=FAMILIES, action="append", help="only this one; may be given again")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--show", action="store_true", help="print every wrong case")
    options = parser.parse_args()
    tasks = [(family, options.each, options.seed) for family in options.family or FAMILIES]
    with multiprocessing.Pool(options.jobs) as pool:
        results = [each for some in pool.imap(results_of, tasks, chunksize=1) for each in some]
    if options.show:
        print_wrong(results)
    print(f"{len(results)} tables, seed {options.seed}")
    print_families(results)
    said = [one for each in results for one in each.said]
    print_reliability("leading findings", [each for each in said if NONE not in each.names])
    print_reliability('"no fault"', [each for each in said if NONE in each.names])
    print_cost(results)


if __name__ == "__main__":
    main()
