"""Causes with a memory: what came before decides; and lag, which time decides."""

from collections.abc import Callable

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import sized
from sequencer.diagnosis.causes.lines import is_last_stage, pct
from sequencer.diagnosis.model.cause import Cause, Sizes, discrete, sizes
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Equation, Segment

__all__ = ["CAUSES", "scan"]


# Where play is looked for within itself at the first reading; how near its side exercise leaves it, in halves.
_PLACES, _TAKEN_UP = (1.0, 0.3, -0.4, -0.95), 0.05


def scan(step: Callable[[FloatArray, FloatArray], FloatArray], x: FloatArray, begin: FloatArray) -> FloatArray:
    """The state after each visit: shape (candidates, visits) from inputs of (candidates or 1, visits)."""
    state = np.broadcast_to(begin, max(begin.size, len(x)))
    out = np.empty((state.size, x.shape[1]))
    for index in range(x.shape[1]):
        now = x[:, index]
        state = np.where(np.isfinite(now), step(state, now), state)
        out[:, index] = state
    return out


def _play(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    half = theta[:, 0] / 2

    def equation(x: FloatArray) -> FloatArray:
        return scan(lambda y, now: np.minimum(np.maximum(y, now - half), now + half), x, x[:, 0] + half * theta[:, 1])

    return equation


def _play_sizes(segment: Segment, _stage: int) -> Sizes:
    """How wide, and where within it the first reading finds it, -1 to 1."""
    widths = sizes((0.6 * segment.tolerance, 0.3, 14, True))
    width, at = np.meshgrid(widths.start[:, 0], _PLACES, indexing="ij")

    def log_prior(theta: FloatArray) -> FloatArray:
        # Exercise that ends on the way down takes it up on that side; else it may be anywhere.
        taken_up = np.exp(-0.5 * ((theta[:, 1] - 1) / _TAKEN_UP) ** 2) / (_TAKEN_UP * np.sqrt(np.pi / 2))
        return np.asarray(widths.log_prior(theta[:, :1]) + np.log(0.5 * taken_up + 0.25))

    return Sizes(
        start=np.stack((width.ravel(), at.ravel()), axis=1),
        log_prior=log_prior,
        is_free=(True, True),
        low=(*widths.low, -1.0),
        high=(*widths.high, 1.0),
    )


def _stuck(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    width = theta[:, 0]

    def equation(x: FloatArray) -> FloatArray:
        begin = x[:, 0] + np.zeros_like(width)
        return scan(lambda held, now: np.where(np.abs(now - held) > width, now, held), x, begin)

    return equation


def _lens(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    way = segment.series.direction

    def equation(y: FloatArray) -> FloatArray:
        inside = np.where((y > 0) & (y < 1), y * (1 - y), 0.0)
        return y - way * theta[:, :1] * 2 * inside

    return equation


def _lag(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    """First order between visits: each is read a dwell after the input moved, the one before where it then stood."""
    series = segment.series
    since_s = np.diff(series.at_s, prepend=series.at_s[0])
    since_s[0] = np.median(since_s[1:]) if since_s.size > 1 else 1.0
    kept = np.exp(-np.maximum(since_s, 0.0)[np.newaxis, :] / theta[:, :1])

    def equation(y: FloatArray) -> FloatArray:
        target, remains = np.broadcast_arrays(y, kept)
        out = np.empty(target.shape)
        state = np.broadcast_to(theta[:, 1], len(target))
        for index in range(target.shape[1]):
            now = np.where(np.isfinite(target[:, index]), target[:, index], state)
            state = now + (state - now) * remains[:, index]
            out[:, index] = state
        return out

    return equation


def _lag_sizes(segment: Segment, _stage: int) -> Sizes:
    since = np.diff(segment.series.at_s)
    usual = float(np.median(since)) if since.size else 1.0
    # A loop that was off before the run began stood at 0 mA.
    return sizes((usual / 12, usual * 20, 20, True), (-0.3, 1.1, 2, False))


def _stale(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    again = segment.series.is_again
    is_fresh_again = theta[:, :1] > 0

    def equation(value: FloatArray) -> FloatArray:
        before = np.concatenate((value[:, :1], value[:, :-1]), axis=1)
        held = before.copy()
        for index in np.flatnonzero(again):
            held[:, index] = held[:, index - 1] if index else value[:, 0]
            if index + 1 < value.shape[1]:
                held[:, index + 1] = value[:, index]
        return np.where(is_fresh_again, before, held)

    return equation


def _has_directions(segment: Segment, _stage: int) -> bool:
    way = segment.series.direction
    return bool((way > 0).any() and (way < 0).any())


CAUSES: tuple[Cause, ...] = (
    Cause(
        name="hysteresis",
        place="output",
        make=_lens,
        sizes=lambda s, _k: sizes((0.6 * s.tolerance, 0.3, 12, True), signed=(True,)),
        say=lambda t, s, k: f"down lies {pct(t[0])} of span above up at mid-range, alike at the ends",
        check="Double the dwell: a lag shrinks, hysteresis stays. It cannot be trimmed away.",
        applies=_has_directions,
        linear=(0,),
        rough=PRIORS.fitting.rough,
    ),
    Cause(
        name="backlash",
        place="output",
        make=_play,
        sizes=_play_sizes,
        say=lambda t, s, k: f"play of {100 * t[0]:.3g} % of span, taken up after each reversal",
        check="Compare the difference up to down at 10 % and 50 %: alike is play, a lens is elastic hysteresis.",
        applies=_has_directions,
        rough=PRIORS.fitting.rough,
    ),
    Cause(
        name="dead band",
        place="input",
        make=_play,
        sizes=_play_sizes,
        say=lambda t, s, k: f"no answer to less than {100 * t[0]:.3g} % of span after a reversal",
        check="Small steps at 10, 50 and 90 %: no answer, then an answer.",
        applies=_has_directions,
        weight=0.8,
        rough=PRIORS.fitting.rough,
    ),
    Cause(
        name="stiction",
        place="input",
        make=_stuck,
        sizes=lambda _s, _k: sizes((0.01, 0.6, 160, False)),
        say=lambda t, s, k: f"holds until the input has moved by more than {100 * t[0]:.3g} %, then jumps",
        check="A slow ramp: look for steps in the output.",
        has_steps=True,
    ),
    Cause(
        name="lag",
        place="output",
        make=_lag,
        sizes=_lag_sizes,
        say=lambda t, s, k: _lag_text(t, s),
        linear=(1,),
        check="Double the dwell: a lag shrinks by itself squared, hysteresis stays. Read the damping.",
        moves_on=True,
        weight=2.0,
        rough=PRIORS.fitting.rough_in_time,
    ),
    Cause(
        name="stale reading",
        place="reading",
        make=_stale,
        sizes=lambda _s, _k: discrete(np.array([0.0, 1.0])),
        say=lambda t, s, k: "each reading belongs to the point before: an old value is handed out",
        check="Read twice without moving the input: the second is right. Look at trigger, buffer and averaging.",
        applies=is_last_stage,
        is_of_bench=True,
    ),
)


def _lag_text(theta: FloatArray, segment: Segment) -> str:
    if segment.series.has_times:
        return f"still moving when it is read: a time constant of about {sized(theta[0])} s"
    return f"still moving when it is read: a time constant of about {sized(theta[0], 2)} dwells"
