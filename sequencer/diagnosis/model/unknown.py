"""How likely readings are that follow nothing known: any curve, any walk, any one place that is out each time."""

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.healthy_model import imperfections
from sequencer.diagnosis.model.likelihood import Likelihood, logsumexp
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.smooth import smooth

__all__ = ["log_evidence"]

# How large it is, in tolerances; over which parts of the range its curve changes; steps of its walk.
_SIZES = np.array([1.0, 3.0, 10.0, 30.0, 100.0])
_LENGTHS = (0.07, 0.15, 0.4)
_WALK_N = 15


def log_evidence(segment: Segment) -> float:
    """Log evidence of the means of the visits, whatever the shape of the error and however large."""
    frac, way = segment.ideal[segment.is_read], segment.series.direction[segment.is_read]
    # A curve that is smooth nowhere, but that comes again.
    every = np.eye(segment.places.max() + 1)[segment.places]
    # Or that wanders with time.
    steps = np.tril(np.ones((frac.size, frac.size)))[:, :: frac.size // _WALK_N + 1]
    found = [
        _about(segment, size * shape)
        for shape, sizes in (
            *((smooth(frac, way, length=length, way_share=PRIORS.unknown.way_share), _SIZES) for length in _LENGTHS),
            (every, _SIZES),
            (steps / np.sqrt(steps.shape[1]), _SIZES[::2]),
        )
        for size in segment.tolerance * sizes
    ]
    # Or one place, out by as much at each visit: a disturbance that comes by chance does not come back to it.
    again = every[:, every.sum(axis=0) > 1].T[:, :, np.newaxis]
    if len(again):
        found += [
            float(logsumexp(np.array([_about(segment, size * one) for one in again])) - np.log(len(again)))
            for size in segment.tolerance * _SIZES
        ]
    return float(logsumexp(np.array(found) - np.log(len(found))))


def _about(segment: Segment, shape: FloatArray) -> float:
    """With an error of this shape, one standard deviation a column; shape (visits that were read, columns)."""
    columns = np.concatenate((imperfections(segment), shape), axis=1)
    likelihood = Likelihood(segment.noise[segment.is_read], columns, width=PRIORS.unknown.log_width)
    return float(likelihood.weigh((segment.y - segment.ideal)[segment.is_read]).log_likelihood[0])
