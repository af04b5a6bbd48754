"""The uncertainty of the worst error by trials (JCGM 101) beside the first order, through the unit's characteristic.

It draws what the budget states, and computes the error anew each time: near 0 of a square root, or through a sensor's
curve, that shows where the first order misleads.
"""

from dataclasses import replace

import numpy as np

from instruments.datasheet import DataSheet, FloatArray
from sequencer.budget import correlated_pairs
from sequencer.evaluation import Evaluation
from sequencer.figures.montecarlo import MonteCarlo, propagate

__all__ = ["trials"]

_LEAST_TRIALS = 20_000


def trials(evaluation: Evaluation, sheet: DataSheet, *, limit: int, seed: int = 1) -> MonteCarlo | None:
    """Trials of the error at the worst point.

    Args:
        evaluation: with a budget.
        sheet: the unit.
        limit: trials after which the adaptive procedure gives up; at least 20 000 are allowed.
        seed: same seed, same result.

    Returns:
        None where no uncertainty is known at that point. Where a bench states a correlation, what two quantities share
        is drawn once; between 0 and 1 their sum is then no longer rectangular.
    """
    stated, at = evaluation.budget, evaluation.worst_index
    if stated is None or at is None or not np.isfinite(stated.U[at]):
        return None
    first, last = sheet.taps[0], sheet.taps[-1]
    shape = stated.U.shape
    lines = tuple(
        replace(
            line,
            u=np.asarray(np.broadcast_to(line.u, shape)[at]),
            sensitivity=np.asarray(1.0),
            dof=np.asarray(np.broadcast_to(line.dof, shape)[at]),
        )
        for line in stated.contributions
    )
    by_tap = {each.tap: each for each in evaluation.basis.statements}
    stated_pairs = {(one, other): coefficient for one, other, coefficient in evaluation.basis.correlations}
    places = {line.name: number for number, line in enumerate(lines)}
    shared = [
        (places[one], places[other], coefficient)
        for (one, other), coefficient in correlated_pairs(
            lines, by_tap[first.name], by_tap[last.name], stated_pairs
        ).items()
        if lines[places[one]].u > 0
    ]
    is_input = [line.name.startswith(f"{first.name}: ") for line in lines]
    # Scatter and settling are stated of the value, everything else of the signal that carries it.
    is_value = [line.kind == "A" or line.name.startswith("settling") for line in lines]
    visit = evaluation.worst
    assert visit is not None
    into = float(first.to_signal(np.array(float(visit["input"]))))
    out = float(last.to_signal(np.array(float(visit["output"]))))

    def error(*independent: FloatArray) -> FloatArray:
        drawn = list(independent)
        for one, other, coefficient in shared:
            common = drawn[one] * (lines[other].u / lines[one].u)
            drawn[other] = coefficient * common + np.sqrt(1 - coefficient**2) * drawn[other]

        def moved(at_input: bool, of_value: bool) -> FloatArray:  # noqa: FBT001  two plain selections
            chosen = [
                draw
                for draw, one, other in zip(drawn, is_input, is_value, strict=True)
                if (one, other) == (at_input, of_value)
            ]
            return np.asarray(np.sum(chosen, axis=0)) if chosen else np.zeros_like(drawn[0])

        x = first.to_value(into + moved(True, False)) + moved(True, True)
        y = last.to_value(out + moved(False, False)) + moved(False, True)
        return np.asarray(y - sheet.ideal(x))

    return propagate(
        error,
        [0.0] * len(lines),
        lines,
        seed=seed,
        probability=evaluation.basis.coverage,
        trials_limit=max(limit, _LEAST_TRIALS),
    )
