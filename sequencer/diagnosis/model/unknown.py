"""How likely readings are that follow nothing known."""

import numpy as np

from sequencer.diagnosis.model.healthy_model import imperfections
from sequencer.diagnosis.model.likelihood import Likelihood, logsumexp
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment

__all__ = ["unknown"]

# What is unknown: how large it is, in tolerances; orders of its curve, of both ways and of each; how far out it is
# looked at; steps of its walk; decimals by which places are one.
_SIZES = np.array([1.0, 3.0, 10.0, 30.0, 100.0])
_ORDER, _ORDER_OF_WAY, _FAR_OUT, _WALK_N, _PLACE_DIGITS = 6, 4, 1.5, 15, 4


def unknown(segment: Segment) -> float:
    """Log evidence of readings that follow nothing known: any smooth curve, one for each way, of any size."""
    y = np.clip(2 * segment.ideal - 1, -_FAR_OUT, _FAR_OUT)[segment.is_read]
    way = segment.series.direction[segment.is_read]
    noise = segment.noise[segment.is_read]
    curves = np.polynomial.legendre.legvander(y, _ORDER)
    both = np.concatenate(
        (curves, PRIORS.unknown.way_share * way[:, np.newaxis] * curves[:, : _ORDER_OF_WAY + 1]), axis=1
    )
    residual = (segment.y - segment.ideal)[segment.is_read]
    # A curve that no polynomial follows, but that comes again.
    _, place = np.unique(np.round(segment.series.setpoint[segment.is_read], _PLACE_DIGITS), return_inverse=True)
    every = np.eye(place.max() + 1)[place]
    # Or that wanders with time.
    steps = np.tril(np.ones((residual.size, residual.size)))[:, :: residual.size // _WALK_N + 1]
    found = []
    for shape, octaves in ((both, _SIZES), (every, _SIZES), (steps / np.sqrt(steps.shape[1]), _SIZES[::2])):
        for size in segment.tolerance * octaves:
            columns = np.concatenate((imperfections(segment), size * shape), axis=1)
            found.append(Likelihood(noise, columns, width=PRIORS.unknown.log_width).weigh(residual).log_likelihood[0])
    return float(logsumexp(np.array(found) - np.log(len(found))))
