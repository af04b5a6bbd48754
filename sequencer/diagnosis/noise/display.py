"""What a display makes of readings: the step that they all are multiples of, and readings that it shows again."""

import math

import numpy as np

from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["coarser_step", "held_n", "moves_by_steps", "shown_step"]

_ROUNDING = 1e-11  # of the largest reading: differences below it are of the arithmetic
_LEAST_STEPS = 1000.0  # roundings: a smaller step is of the arithmetic too
_OFF = 1e-3  # of a step: how near to a whole number of them each difference lies
_TURNS_N = 12  # of Euclid's algorithm; a display needs one or two
_LEAST_LEVELS = 3  # two may lie any distance apart
_NEAR_SHARE, _NEAR_STEPS = (
    0.5,
    2.5,
)  # of the neighbouring levels lie one or two steps apart: else chance makes a divisor

_FEW_LEVELS, _NEARLY = 7, 1.25  # levels whose distances differ by less are of one display
_FACTORS = (10, 100, 2, 4, 5, 20)  # by which the step of a range is coarser
_LEAST_FINE = 3  # moves on the finer range

_STAYS = 0.5  # of a step: a smaller move is none
_SMALL_MOVES = 0.7  # of a step, root mean square from reading to reading: white noise of half a step has as much
_SINGLE_SHARE = 0.8  # of the moves are by one step; two levels farther apart than a step are no stairs

_LEAST_RUNS = 8
_CERTAIN_NATS = 10.0
_USUAL_SHARE = 0.5  # of the runs have one of two neighbouring lengths


def shown_step(values: FloatArray) -> float:
    """Step that all differences between readings are multiples of, unit of the readings; 0 where none is seen.

    Args:
        values: shape (n,), finite.
    """
    rounding = _ROUNDING * float(np.abs(values).max(initial=0.0))
    gaps = np.diff(np.unique(values))
    gaps = gaps[gaps > rounding]
    if len(gaps) < _LEAST_LEVELS - 1:
        return 0.0
    if len(gaps) < _FEW_LEVELS and float(gaps.max()) < _NEARLY * float(gaps.min()):  # in a unit that is corrected
        return float(np.median(gaps))
    step = float(gaps.min())
    for _ in range(_TURNS_N):
        if step < _LEAST_STEPS * rounding:
            return 0.0
        off = np.abs(gaps - step * np.round(gaps / step))
        if (off <= _OFF * step + rounding).all():
            return step if np.mean(gaps < _NEAR_STEPS * step) >= _NEAR_SHARE else 0.0
        step = float(off[off > _OFF * step].min())
    return 0.0


def coarser_step(values: FloatArray, step: float) -> tuple[int, slice] | None:
    """How many times as coarse the step is in one stretch of the readings, and where; None where it stays.

    A meter that changes its range shows only each tenth step there; by chance a tenth of its moves would be so.

    Args:
        values: shape (n,), finite, in the order taken.
        step: that they are all multiples of, from the first one on; 0 = none is known.
    """
    if not step:
        return None
    moves = np.diff(np.round((values - values[0]) / step)).astype(np.int64)
    for factor in _FACTORS:
        is_fine = moves % factor != 0
        ends = np.concatenate(([-1], np.flatnonzero(is_fine), [len(moves)]))
        at = int(np.argmax(np.diff(ends)))
        stretch = slice(int(ends[at]) + 1, int(ends[at + 1]) + 1)
        moved_n = int(np.count_nonzero(moves[stretch.start : stretch.stop - 1]))
        is_long = moved_n * math.log(factor) > _CERTAIN_NATS + math.log(len(values) * len(_FACTORS))
        if is_long and np.count_nonzero(is_fine) >= _LEAST_FINE:
            return factor, stretch
    return None


def moves_by_steps(values: FloatArray, step: float) -> bool:
    """Whether readings stay on a step, and leave it for the next: what moves is coarser shown than it scatters.

    Args:
        values: shape (n,), finite, in the order taken.
        step: that they are multiples of; 0 = none is known.
    """
    if not step:
        return False
    moved = np.abs(np.diff(values)) / step
    is_move = moved > _STAYS
    if not is_move.any() or math.sqrt(float(np.mean(moved**2))) > _SMALL_MOVES:
        return False
    return float(np.mean(moved[is_move] < 2 - _STAYS)) >= _SINGLE_SHARE


def held_n(values: FloatArray) -> int:
    """For how many readings a display holds each value that it shows; 1 where it does not.

    Readings that stay by chance, or on one of a few levels, stay for lengths of a geometric distribution; a display
    that is slower than it is read holds each for one of two neighbouring lengths.

    Args:
        values: shape (n,), finite, in the order taken.
    """
    changes = np.flatnonzero(np.diff(values) != 0)
    lengths = np.diff(changes)  # the first and the last run are cut
    if len(lengths) < _LEAST_RUNS:
        return 1
    counts = np.append(np.bincount(lengths), 0)
    pairs = counts[:-1] + counts[1:]
    pairs[:2] = 0
    held = int(pairs.argmax())
    usual, n = int(pairs[held]), len(lengths)
    if usual < _USUAL_SHARE * n:
        return 1
    leaves = n / float(lengths.sum())
    is_usual = (lengths == held) | (lengths == held + 1)
    log_chance = math.log(leaves) + (float(lengths[is_usual].mean()) - 1) * math.log1p(-leaves)
    gained = usual * (math.log(usual / n / 2) - log_chance) - math.log(len(pairs))
    if usual < n:
        gained += (n - usual) * math.log1p(-usual / n)
    return round(float(np.median(lengths))) if gained > _CERTAIN_NATS else 1
