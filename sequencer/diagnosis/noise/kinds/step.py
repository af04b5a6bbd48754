"""Level step: the readings stay on one level, and from a moment on upon another; three times at most."""

import itertools
import math

import numpy as np

from sequencer.diagnosis.noise.fitting import cost, gaussian_of, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["STEP"]

_MOST_STEPS = 3  # more are jumps between levels
_LEAST_N = 4  # readings on a level


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    """One step, two, three, by the splits that leave least; () where the readings are few or do not differ."""
    y, n = burst.y, len(burst.y)
    if np.ptp(y) == 0 or n < 2 * _LEAST_N:
        return ()
    ends, found = [0, n], []
    for many in range(1, _MOST_STEPS + 1):
        at = _split(y, ends)
        if at is None:
            break
        ends = sorted([*ends, at])
        levels = [float(y[begin:end].mean()) for begin, end in itertools.pairwise(ends)]
        rest = y - np.repeat(levels, np.diff(ends))
        squares = float(rest @ rest)
        sd = max(math.sqrt(squares / max(n - 1 - many, 1)), burst.floor)
        logs = gaussian_of(squares, n, sd) - cost(1 + many, n) - many * math.log(n)
        found.append(
            BurstFit(
                kind="level step",
                log_evidence=logs,
                words=_words(burst, ends, levels, sd),
                residual=rest,
                sd=sd,
                size=levels[-1] - levels[0],
            )
        )
    return tuple(found)


def _split(y: FloatArray, ends: list[int]) -> int | None:
    """Where to cut one of the parts so that least is left; None where all are too short."""
    best: tuple[float, int] | None = None
    for begin, end in itertools.pairwise(ends):
        part = y[begin:end] - y[begin:end].mean()
        if len(part) < 2 * _LEAST_N:
            continue
        below_n = np.arange(1, len(part))
        # Two means take as much from the squares as the sum up to the cut tells, since the whole has none.
        taken = np.cumsum(part)[:-1] ** 2 * (1 / below_n + 1 / (len(part) - below_n))
        inner = taken[_LEAST_N - 1 : len(taken) - _LEAST_N + 1]
        at = int(np.argmax(inner))
        if best is None or inner[at] > best[0]:
            best = float(inner[at]), begin + at + _LEAST_N
    return None if best is None else best[1]


def _words(burst: Burst, ends: list[int], levels: list[float], sd: float) -> str:
    unit, steps = burst.unit, []
    for at, before, after in zip(ends[1:-1], levels[:-1], levels[1:], strict=True):
        steps.append(f"from {show(before, unit, 6)} to {show(after, unit, 6)} at reading {burst.place(at)}")
    return f"the level goes {', then '.join(steps)}; on each level sd {show(sd, unit)}"


STEP = KindOfNoise(
    name="level step",
    cause="something that switched or was moved: a range, a relay, a load, a contact that came to rest, or the input",
    check="see what happened at that moment; what was read before and after belongs to two levels, and no mean to both",
    fit_burst=_fit_burst,
    has_two_levels=True,
    is_slow=True,
    spoils_the_mean=True,
    may_come_with_drive=True,
)
