"""Readings that a person wrote down as they were meant: what a slip explains of them, against all else."""

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from sequencer.diagnosis.model import unknown
from sequencer.diagnosis.model.hypotheses import NOISY_TOO, Base, of_segment
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.likelihood import logsumexp
from sequencer.diagnosis.model.noise_evidence import quiet
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series
from sequencer.diagnosis.model.slips import Slip, slips
from sequencer.diagnosis.model.transcription import Column, columns

__all__ = ["as_meant"]


def as_meant(bases: Sequence[Base], weighed: Callable[[Series], Sequence[Base]]) -> Iterator[Hypothesis]:
    """Slips in a column or in single cells: all readings as they were meant, whatever the unit may have besides.

    Args:
        bases: of the readings as they were written.
        weighed: the same of others.
    """
    good = sum(base.log_evidence for base in bases)

    def told(slip: Slip | Column, log_odds: float, weight: float) -> Hypothesis:
        return Hypothesis(
            name=slip.name,
            place=slip.tap,
            segment=bases[-1].number,
            log_odds=log_odds,
            weight=weight,
            text=slip.text,
            check=slip.check,
            is_of_bench=True,
        )

    segment = bases[-1].segment if bases else None
    if segment is None:
        return
    for column in columns(segment.series, segment.sheet):
        odds = _besides(weighed(column.series)) + column.stretch_nats - good
        yield told(column, odds, PRIORS.weights.column)
    if max(base.largest_single for base in bases) < PRIORS.trying.near_share:
        return
    for slip in slips([base.segment for base in bases], lambda meant: _besides(weighed(meant))):
        yield told(slip, _with_a_fault(weighed(slip.series)) - slip.cost - good, PRIORS.weights.slip)


def _besides(bases: Sequence[Base]) -> float:
    """Log evidence of readings of a good unit, or of one that has something unknown."""
    return sum(_besides_one(each) for each in bases)


def _besides_one(base: Base) -> float:
    strange = max(base.mean, unknown.log_evidence(base.segment) + NOISY_TOO)
    return max(strange + base.within, _quiet(base.segment))


def _quiet(segment: Segment) -> float:
    """Held against kinds of noise, which believe in less scatter than a good unit is given, readings are as quiet."""
    return quiet(segment) if segment.first >= 0 else -np.inf


def _with_a_fault(bases: Sequence[Base]) -> float:
    """The same, of a good unit or of one with a fault of the catalogue."""
    if max(base.largest for base in bases) < PRIORS.trying.near_share:
        return _besides(bases)
    good = sum(base.log_evidence for base in bases)
    faults = [each for base in bases for each in of_segment(base, is_alone=False)]
    weights = np.array([each.weight for each in faults])
    odds = np.log(weights / weights.sum()) + np.array([each.log_odds for each in faults])
    return max(_besides(bases), good + float(logsumexp(np.append(odds, 0.0))) - float(np.log(2)))
