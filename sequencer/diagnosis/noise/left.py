"""Whether what a kind of noise leaves is white, by tests that belong to no kind, and what their p value is worth."""

import math

import numpy as np
from scipy import stats

from sequencer.diagnosis.noise.sines import false_alarm
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["chance_of_white", "unlisted"]

_LEAST_N = 20  # readings: fewer say nothing by these tests
_FLOORS = 3.0  # what is left and no larger than so many floors is rounding
_MOST_LAGS, _LAG_SHARE = 20, 5  # of the autocorrelation: so many, and a fifth of the readings
_BLOCKS_N = 8  # whose loudness is compared
_SHAPED_N = 2000  # readings that the shape is seen from: more would tell what no fit is meant to be good to
_LEAST_P = 1e-300


def chance_of_white(rest: FloatArray, floor: float, *, is_cut: bool = False) -> float:
    """Probability that white normal noise looks as odd as this; 1 where there is too little to look at.

    Neighbours and lags (Ljung and Box 1978), shape (D'Agostino and Pearson 1973), a line (largest of the periodogram),
    and whether loud readings stand together (the same lags, and Kruskal and Wallis 1952, of the ranks of their sizes);
    the smallest of the five p values times five (Bonferroni). All from memory.

    Args:
        rest: shape (n,), what a kind leaves, in the order taken.
        floor: smallest noise that is believed, same unit.
        is_cut: readings were cut before, so that the shape is no more that of all.
    """
    n = len(rest)
    about = rest - rest.mean() if n else rest
    square = float(about @ about)
    if n < _LEAST_N or square <= n * (_FLOORS * floor) ** 2:
        return 1.0
    ranks = stats.rankdata(np.abs(about)) / (n + 1) - 0.5
    blocks = np.array_split(ranks, _BLOCKS_N)
    between = sum(len(block) * float(block.mean()) ** 2 for block in blocks) / float(ranks.var())
    power = np.abs(np.fft.rfft(about)[1 : (n + 1) // 2]) ** 2
    found = [
        _alike(about),
        _alike(ranks),
        float(stats.chi2.sf(between, _BLOCKS_N - 1)),
        false_alarm(min(2 * float(power.max()) / n / square, 1.0), n, n // 2),
    ]
    if not is_cut:
        found.append(float(stats.normaltest(about[:: math.ceil(n / _SHAPED_N)]).pvalue))
    return float(max(min(len(found) * min(found), 1.0), _LEAST_P))


def _alike(values: FloatArray) -> float:
    """P value of the first neighbours and of all lags together, the smaller one times two."""
    n = len(values)
    lags = min(_MOST_LAGS, n // _LAG_SHARE)
    about = values - values.mean()
    square = float(about @ about)
    shares = np.array([float(about[lag:] @ about[:-lag]) for lag in range(1, lags + 1)]) / square
    weighed = n * (n + 2) * shares**2 / (n - np.arange(1, lags + 1))
    return float(min(2 * min(stats.chi2.sf(weighed[0], 1), stats.chi2.sf(weighed.sum(), lags)), 1.0))


def unlisted(p: float, before: float) -> float:
    """Probability that readings are of no kind of the list, by what the likeliest one leaves.

    Odds of at most 1 / (-e p ln p) speak for anything else (Sellke, Bayarri and Berger 2001, calibration of p values,
    from memory), none where p is above 1 / e.

    Args:
        p: that what is left is white.
        before: the same probability before these readings.
    """
    odds = before / (1 - before)
    if p < 1 / math.e:
        odds /= -math.e * p * math.log(p)
    return odds / (1 + odds)
