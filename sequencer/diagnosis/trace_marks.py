"""What is said of marks that are placed unevenly, where all pulses are there."""

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.marks import Marks
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.trace_words import Finding

__all__ = ["marks_finding"]

_LISTED_N = 8  # gaps that are told one by one
_NAMED_N = 4  # marks out of place that are told one by one
_OUT = 0.2  # of the farthest one


def marks_finding(train: PulseTrain, marks: Marks) -> Finding:
    """How the gaps repeat, and what a counter makes of it."""
    every_n = marks.every_n
    turn_Hz = train.rate_Hz / every_n
    low, high = (sized(100 / float(each) - 100, 2) for each in (marks.gaps.max(), marks.gaps.min()))
    wheel = train.wheel
    if wheel is not None and wheel.is_given and wheel.pulses_n % every_n == 0:
        times = wheel.pulses_n // every_n
        turn = "a revolution" if times == 1 else f"{times} times a revolution"
    else:
        turn = f"{sized(turn_Hz, 5)} times a second, which is how fast it turns if a revolution has {every_n} pulses"
    return Finding(
        what=f"the marks are unevenly spaced, all of them there: the gaps repeat every {every_n} pulses ({turn}), "
        f"{_gaps_words(marks)}; a counter that averages over whole turns of {every_n} pulses reads "
        f"{sized(train.rate_Hz, 6)} Hz, one that times single periods jumps by {low} to +{high} %",
        cause="teeth or marks that are not evenly placed, on purpose or not",
        check=f"count over whole revolutions, or a multiple of {every_n} pulses, and it cancels",
    )


def _gaps_words(marks: Marks) -> str:
    shares = [sized(100 * each) for each in marks.gaps.tolist()]
    if len(shares) <= _LISTED_N:
        return f"{', '.join(shares[:-1])} and {shares[-1]} % of the mean"
    said = f"from {sized(100 * float(marks.gaps.min()))} to {sized(100 * float(marks.gaps.max()))} % of the mean"
    out = np.flatnonzero(np.abs(marks.late) > _OUT * np.abs(marks.late).max())
    if len(out) > _NAMED_N:
        return said
    away = [
        f"{sized(100 * abs(each), 2)} % of a gap too {'late' if each > 0 else 'early'}"
        for each in marks.late[out].tolist()
    ]
    many = "one mark comes" if len(out) == 1 else f"{len(out)} marks come"
    return f"{said}: {many} {', '.join(away)}"
