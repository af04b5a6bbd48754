"""Which lines of a spectrum are those of a pulse train: what belongs to its pulses comes again a pulse rate away.

A train that repeats, whatever modulates its pulses, puts lines of about one height to the side of each multiple of its
rate; so do the images that sampling makes of them. What is added to the pulses stands where it is, and nowhere else.
"""

import itertools
from collections.abc import Sequence

import numpy as np

from sequencer.diagnosis.noise.sines import alias_Hz
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = [
    "is_beaten",
    "is_of_pulses",
    "is_pattern_own",
    "is_swing_own",
    "is_swung",
    "mirrored",
    "stand_alone",
]

_AWAY = (-2, -1, 1, 2)  # multiples of the pulse rate; of a duty of half every second vanishes
_ALIKE = 0.35  # of the height of a line, that it has a pulse rate away
_MIRRORED = 1.5  # times as high may one be as the one on the other side of a multiple
_UNDER = 0.2  # of the height of a line is that of the multiple that it swings about
_ALONE = 3.0  # times as high as the multiples about it
_SWUNG_N, _SWUNG_LEAST, _SWUNG = 6, 0.2, 0.4  # multiples; of the highest one; of the lines that a swing has about it
_PARTED_N = 6  # steps of the spectrum from one line of a swing to the next: nearer ones are not told apart
_OF_SIDES = 0.5  # of the highest line between two multiples is one that counts
_BESIDE_N = 4  # steps of the spectrum: what lies nearer is not told from the multiple itself
_WHOLES_N, _PAIRED = 3, 2.0  # lines that pairs are looked for about; times as high may one of a pair be as the other
_SEEN_N = 2  # steps of the spectrum, that a swing seen by the pulses alone may lie off
_LEAST_ORDER = 3  # lower multiples may well be much higher than the next


def _near(heights: FloatArray, rates_Hz: FloatArray, step_Hz: float) -> tuple[FloatArray, FloatArray]:
    """Height about each frequency, folded at nought and at half the sampling rate, and that beside; as `rates_Hz`."""
    last = len(heights) - 1
    places = np.abs(np.round(rates_Hz / step_Hz).astype(np.int64))
    places = np.clip(np.where(places > last, 2 * last - places, places), 0, last)
    near, beside = (
        np.maximum.reduce([heights[np.clip(places + each, 0, last)] for each in some]) for some in ((-1, 0, 1), (-2, 2))
    )
    return near, beside


def _at(heights: FloatArray, rates_Hz: FloatArray, step_Hz: float) -> FloatArray:
    """Height of a peak about each frequency; 0 where none is: the flank of a line beside is none."""
    near, beside = _near(heights, rates_Hz, step_Hz)
    return np.asarray(np.where(near >= beside, near, 0.0))


def stand_alone(rates_Hz: FloatArray, heights: FloatArray, step_Hz: float, pulse_Hz: float) -> BoolArray:
    """Which multiples of a pulse rate are far higher than those about them: something is added there.

    Args:
        rates_Hz: of lines, shape (m,).
        heights: of the spectrum from 0, shape (n,).
        step_Hz: from one of these to the next.
        pulse_Hz: of the train.
    """
    orders = np.round(rates_Hz / pulse_Hz)
    about = np.maximum.reduce([_at(heights, (orders + each) * pulse_Hz, step_Hz) for each in _AWAY])
    is_high = _at(heights, orders * pulse_Hz, step_Hz) > _ALONE * about
    return np.asarray(is_high & (orders >= _LEAST_ORDER))


def is_of_pulses(rates_Hz: FloatArray, heights: FloatArray, step_Hz: float, pulse_Hz: float) -> BoolArray:
    """Which lines beside the multiples of a pulse rate belong to the pulses; shape of `rates_Hz`.

    Args:
        rates_Hz: of lines, shape (m,).
        heights: of the spectrum from 0, shape (n,).
        step_Hz: from one of these to the next.
        pulse_Hz: of the train.
    """
    own = _at(heights, rates_Hz, step_Hz)
    away = np.stack([_at(heights, rates_Hz + each * pulse_Hz, step_Hz) for each in _AWAY])
    comes_again = ((away > _ALIKE * own) & (_ALIKE * away < own)).any(axis=0)
    whole_Hz = np.round(rates_Hz / pulse_Hz) * pulse_Hz
    mirror = _at(heights, 2 * whole_Hz - rates_Hz, step_Hz)
    is_mirrored = (mirror < _MIRRORED * own) & (own < _MIRRORED * mirror)
    is_mirrored &= _at(heights, whole_Hz, step_Hz) > _UNDER * own
    is_mirrored &= ~stand_alone(rates_Hz, heights, step_Hz, pulse_Hz)
    return np.asarray(comes_again | is_mirrored)


def is_swing_own(
    heights: FloatArray, step_Hz: float, pulse_Hz: float, swing_Hz: float, swing: float, *, is_of_height: bool = False
) -> bool:
    """Whether a swing of the pulses has its lines about those of them; what only shifts their edges has none.

    Args:
        heights: of the spectrum from 0, shape (n,).
        step_Hz: from one of these to the next.
        pulse_Hz: of the train.
        swing_Hz: how often the period swings, or the height.
        swing: amplitude of that, as a share of the period, or of the height.
        is_of_height: it is the height.

    A phase that swings by b has a line of J1(k b), nearly k b / 2, of the multiple k to each side of it; a height that
    swings by m has m / 2 of every one.
    """
    if swing_Hz < _BESIDE_N * step_Hz or pulse_Hz - swing_Hz < _BESIDE_N * step_Hz:
        return True
    orders = np.arange(1.0, _SWUNG_N + 1)
    orders = orders[orders * pulse_Hz + swing_Hz < (len(heights) - 1) * step_Hz]
    pulses = _at(heights, orders * pulse_Hz, step_Hz)
    is_high = pulses > _SWUNG_LEAST * pulses.max(initial=0.0)
    orders, pulses = orders[is_high], pulses[is_high]
    if not len(orders):
        return True
    depth = np.full(len(orders), swing) if is_of_height else np.minimum(orders * swing * pulse_Hz / swing_Hz, 1.0)
    lower, upper = (_near(heights, orders * pulse_Hz + sign * swing_Hz, step_Hz)[0] for sign in (-1, 1))
    # One side alone is a line that lies there by chance.
    return float(np.median(np.sqrt(lower * upper) / (pulses * depth / 2))) > _SWUNG


def is_beaten(swing_Hz: float, added_Hz: Sequence[float], pulse_Hz: float, step_Hz: float) -> bool:
    """Whether pulses take lines that are added to them, or the beats of these, for a swing of this rate.

    Args:
        swing_Hz: how often height or speed swings.
        added_Hz: of the lines.
        pulse_Hz: of the train: it sees what is faster as an image.
        step_Hz: how near two rates may lie before they are one.
    """
    beats_Hz = [abs(first - second) for first, second in itertools.combinations(added_Hz, 2)]
    return any(abs(alias_Hz(each, 1 / pulse_Hz) - swing_Hz) < _SEEN_N * step_Hz for each in (*added_Hz, *beats_Hz))


def mirrored(rates_Hz: FloatArray, heights: FloatArray, step_Hz: float, most_Hz: float) -> FloatArray:
    """Where lines are that some added ones have on the other side of a stronger one, pulses or not; shape (k,).

    A line of the pulses may lie so near that it hides one of a pair.

    Args:
        rates_Hz: of lines that are added, strongest first.
        heights: of the spectrum from 0.
        step_Hz: from one of these to the next.
        most_Hz: that the two of a pair lie away from the one between them.
    """
    found: list[float] = []
    last_Hz = (len(heights) - 1) * step_Hz
    for at, whole_Hz in enumerate(rates_Hz[:_WHOLES_N].tolist()):
        beside_Hz = rates_Hz[at + 1 :][np.abs(rates_Hz[at + 1 :] - whole_Hz) < most_Hz]
        # What lies beyond the spectrum shows as an image only.
        beside_Hz = beside_Hz[np.abs(2 * whole_Hz - beside_Hz - last_Hz / 2) < last_Hz / 2]
        places_Hz = 2 * whole_Hz - beside_Hz
        is_known = (np.abs(rates_Hz - places_Hz[:, None]) < _PARTED_N / 2 * step_Hz).any(axis=1)
        own, other = (_at(heights, each, step_Hz) for each in (beside_Hz, places_Hz))
        found += places_Hz[~is_known & (own < _PAIRED * other) & (other < _PAIRED * own)].tolist()
    return np.unique(found)


def is_pattern_own(heights: FloatArray, step_Hz: float, pulse_Hz: float, gaps: FloatArray) -> bool:
    """Whether gaps that repeat have their lines between the multiples of the pulse rate; shifted edges have none.

    Args:
        heights: of the spectrum from 0, shape (n,).
        step_Hz: from one of these to the next.
        pulse_Hz: of the train.
        gaps: that repeat, as shares of their mean, shape (k,).

    The multiple q of the turn has |sum exp(-2 pi i q t)| over the places t of the marks in a turn, times what one pulse
    has there, which neighbours share.
    """
    every_n = len(gaps)
    if pulse_Hz / every_n < _BESIDE_N * step_Hz:
        return True
    multiples = np.arange(1, min(_SWUNG_N * every_n, int((len(heights) - 1) * step_Hz / pulse_Hz * every_n)) + 1)
    due = np.abs(np.exp(-2j * np.pi * np.outer(multiples, np.cumsum(gaps)) / every_n).mean(axis=1))
    found = _near(heights, multiples * pulse_Hz / every_n, step_Hz)[0]
    ratios = []
    for order in range(1, len(multiples) // every_n):
        sides = slice((order - 1) * every_n, (order + 1) * every_n)  # a multiple of the pulse rate, and those about it
        own_due, own_found = due[sides], found[sides]
        is_whole = np.arange(2 * every_n) % every_n == every_n - 1
        is_side = ~is_whole & (own_due > _OF_SIDES * own_due[~is_whole].max())  # however small: noise is no less
        whole_due = float(own_due[is_whole].max())
        if whole_due > _UNDER:
            per_due = float(own_found[is_whole].max()) / whole_due
            ratios.append(float(np.median(own_found[is_side] / own_due[is_side])) / max(per_due, 1e-300))
    return not ratios or float(np.median(ratios)) > _SWUNG


def is_swung(
    rates_Hz: FloatArray, heights: FloatArray, step_Hz: float, pulse_Hz: float, swing_Hz: float, swing: float
) -> BoolArray:
    """Which lines a swing of the period puts about the multiples of the pulse rate; shape of `rates_Hz`.

    Args:
        rates_Hz: of lines, shape (m,).
        heights: of the spectrum from 0, shape (n,).
        step_Hz: from one of these to the next.
        pulse_Hz: of the train.
        swing_Hz: how often the period swings.
        swing: amplitude of that, as a share of the period.

    Of a multiple whose phase swings by b they reach b + 1 lines to each side (Carson 1922, from memory), and where b is
    small they are b / 2 of it; what is twice as high is something else.
    """
    orders = np.round(rates_Hz / pulse_Hz)
    away_Hz = np.abs(rates_Hz - orders * pulse_Hz)
    phase = orders * swing * pulse_Hz / swing_Hz
    is_within = away_Hz <= (phase + 1.5) * swing_Hz
    own, whole = (_near(heights, each, step_Hz)[0] for each in (rates_Hz, orders * pulse_Hz))
    is_within &= (phase > 1) | (own < phase * whole)
    if swing_Hz > _PARTED_N * step_Hz:
        sides = np.round(away_Hz / swing_Hz)
        is_within &= np.abs(away_Hz - sides * swing_Hz) <= (1 + sides / 2) * step_Hz
    return np.asarray(is_within & (orders > 0))
