"""Intermittent contact: a few readings lie at zero signal, at a rail or anywhere; the rest are right."""

import math

import numpy as np
import numpy.typing as npt

from instruments.texts import sized
from sequencer.diagnosis.noise.densities import log_mixture, log_normal
from sequencer.diagnosis.noise.fitting import (
    climb,
    core,
    cost,
    cost_of_place,
    cost_of_size,
    expanded_of_mean,
    share_of,
    show,
)
from sequencer.diagnosis.noise.kinds.kind import AWAY_SDS, FAR_FRAC, Burst, BurstFit, KindOfNoise, Run, RunFit
from sequencer.diagnosis.noise.kinds.telegraph import log_chain
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["CONTACT", "log_lost"]

_ANYWHERE = 0.02  # of the readings that are lost: they lie anywhere, caught while the contact moved
_MOST_SHARE = 0.5  # lost; where more are, the unit is dead and now and then alive

# In a burst.
_NEAR_RAIL = 0.003  # of the largest reading: how far from zero an open input reads
_START_LOGITS = (-4.0, -1.0)  # of twice the share lost: 1 % and 13 %
_DROPPED_SDS = 6.0  # beyond it a reading has dropped out, when what is left is looked at
# A place that the readings name: how near it is to the rest, how narrow and how wide, as shares of the largest reading.
_LEAST_DROP, _FINEST_PLACE, _WIDEST_PLACE = 0.02, 1e-5, 0.05
_FEWEST_LOST = 2  # readings; one names no place
_FEWEST_PARTS, _LEAST_SIGNAL = 3, 0.5  # readings that are lost in part; signal, of the range of the readings
_PLACES_N = 3  # zero, elsewhere, or anywhere: a choice
_FEWEST_IN_A_ROW, _STAYS = 2, (1.5, 3.0, 8.0, 25.0)  # readings that a contact stays open, on average
_FAR_NATS = 300.0  # a reading that cannot be lost

# In a run, as fractions of span.
_SHARES = np.array([0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.35])
_BEYOND_FRAC, _FARTHEST_FRAC = 0.008, 1.5  # a rail lies so far beyond the range, and no farther
_RAILS_N = 4  # tried; more places than that are no rail
_RAIL_SDS, _RAIL_FRAC = 3, 0.004  # a rail is that wide
_LOST_WITHIN = 1.5  # where a reading that is caught in between may lie
# A rail that the readings themselves name might have been anywhere: places that it is chosen from.
_RAIL_PLACES = _LOST_WITHIN / 0.01
_ONE_PLACE_FRAC = 0.02  # readings that lie that near each other went to one place
_CURRENTS = frozenset({"A", "mA", "uA"})
_NOTHING, _MOST_DRIVEN = 0.01, 1.5  # of the largest reading: what an open loop reads at most, and a supply drives
_DIGITS_OF_TOLERANCE = 100  # a place is told to a hundredth of the tolerance


def log_lost(value: FloatArray, rail: float, blur: float, width: float) -> FloatArray:
    """A reading that an open contact sends to a rail, or somewhere within `width`."""
    there = log_normal(value - rail, blur) + math.log1p(-_ANYWHERE)
    return np.logaddexp(there, math.log(_ANYWHERE / width))


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    """Lost to zero, and to a place that the readings name; each reading for itself, or several in a row."""
    y, floor = burst.y, burst.floor
    middle, beneath = core(y, floor)
    largest = float(np.abs(y).max())
    width = max(largest + float(np.ptp(y)), 10 * floor)
    # In series with a loop it takes current away.
    is_possible = burst.unit not in _CURRENTS or np.abs(y) < abs(middle) + _DROPPED_SDS * beneath
    at_zero = log_lost(y, 0.0, max(_NEAR_RAIL * largest, floor), width)
    fits = [_lost_to(burst, np.where(is_possible, at_zero, -np.inf), 0.0)]
    far = y[(np.abs(y - middle) > max(_DROPPED_SDS * beneath, _LEAST_DROP * largest)) & is_possible]
    if _FEWEST_LOST <= len(far) < _MOST_SHARE * len(y):
        place, blur = core(far, max(floor, _FINEST_PLACE * largest))
        if blur < _WIDEST_PLACE * largest:  # also near zero: an open input has an offset, and less noise than a signal
            there = np.where(is_possible, log_lost(y, place, blur, width), -np.inf)
            chosen = cost_of_place(width, blur / math.sqrt(len(far))) + cost(1, len(far) + 1)
            is_zero = abs(place) <= _NEAR_RAIL * largest
            fits.append(_lost_to(burst, there, chosen, 0.0 if is_zero else place))
    # Half open, it leaves any part of the signal.
    part_n = np.count_nonzero(far * np.sign(middle) > 0)
    if abs(middle) > _LEAST_SIGNAL * float(np.ptp(y)) and part_n >= _FEWEST_PARTS:
        is_part = (np.abs(y) < abs(middle)) & (y * middle > -_NEAR_RAIL * largest * abs(middle))
        part = np.where(is_part, -math.log(abs(middle) * (1 + _NEAR_RAIL)), -np.inf)
        fits.append(_lost_to(burst, part, 0.0, words=" in part, to anywhere between nothing and all of the signal"))
    return tuple(fits)


def _lost_to(burst: Burst, lost: FloatArray, chosen: float, place: float = 0.0, words: str = "") -> BurstFit:
    """The fit of one density of what is lost; `chosen`: what it costs that the readings named it."""
    y, floor = burst.y, burst.floor
    middle, beneath = core(y, floor)

    def likelihood(at: FloatArray) -> float:
        usual = log_normal(y - at[0], math.hypot(math.exp(at[1]), floor))
        return float(log_mixture(_MOST_SHARE * share_of(at[2]), usual, lost).sum())

    best, at = max(
        (climb(likelihood, (middle, math.log(beneath), start), (beneath, 0.3, 1.0)) for start in _START_LOGITS),
        key=lambda fit: fit[0],
    )
    sd, share = math.hypot(math.exp(at[1]), floor), _MOST_SHARE * share_of(at[2])
    best += _in_a_row(log_normal(y - at[0], sd), lost, share)
    # Shares of each order alike, as in a run; k readings that are lost tell it to 1 / sqrt(k) of itself.
    chosen += cost_of_size(1.0, 1 / math.sqrt(max(share * len(y), 1.0)), float(_SHARES[0] / _SHARES[-1]), 1.0)
    is_left = np.abs(y - at[0]) < max(_DROPPED_SDS * sd, float(np.median(np.abs(y - at[0]))))
    where = f", to about {show(place, burst.unit)}" if place else words
    return BurstFit(
        kind="intermittent contact",
        log_evidence=best - cost(1, len(y)) - chosen - math.log(_PLACES_N),
        words=f"{sized(100 * share, 2)} % of the readings drop out{where}",
        residual=y[is_left] - y[is_left].mean(),
        is_left=is_left,
        sd=sd,
        share=share,
        mean=float(y[is_left].mean()),
        U_mean=expanded_of_mean(float(y[is_left].std()), int(is_left.sum())),
    )


def _in_a_row(usual: FloatArray, lost: FloatArray, share: float) -> float:
    """What is gained if a contact stays open for several readings; 0 where nothing is."""
    is_lost = lost > usual
    if np.count_nonzero(is_lost[1:] & is_lost[:-1]) < _FEWEST_IN_A_ROW:
        return 0.0
    alone = float(log_mixture(share, usual, lost).sum())
    finite = np.maximum(lost, usual - _FAR_NATS)
    stays = [
        log_chain(usual, finite, share / (1 - share) / stay, 1 / stay) for stay in _STAYS if share / (1 - share) < stay
    ]
    return max(max(stays) - alone - math.log(len(_STAYS)), 0.0)


def _fit_run(run: Run) -> RunFit | None:
    """None where all readings of a visit are lost together, where none is, or most are."""
    value, is_possible = run.raw[run.has], _is_possible(run)
    is_lost = (np.abs(run.away) > run.least_away) & is_possible
    lost = int(is_lost.sum())
    if run.goes_with_the_point or not 0 < lost < _MOST_SHARE * run.away.size:
        return None
    if lost == 1 and float(value[is_lost][0]) > 1 + _BEYOND_FRAC:  # one reading alone: a limit, or a slip
        return None
    beyond = value[is_lost & ((value < -_BEYOND_FRAC) | (value > 1 + _BEYOND_FRAC)) & (value < _FARTHEST_FRAC)]
    rails = (run.zero_level, *np.unique(np.round(beyond, 2))[:_RAILS_N])
    best: tuple[float, float, float] = (-np.inf, 0.0, 0.0)
    every = []
    for sd in run.sds:
        usual = log_normal(run.away, sd)
        for rail in rails:
            gone = log_lost(value, rail, max(_RAIL_SDS * sd, _RAIL_FRAC), _LOST_WITHIN)
            gone = np.where(is_possible & (np.abs(run.away) >= max(AWAY_SDS * sd, FAR_FRAC)), gone, -np.inf)
            both = log_mixture(_SHARES[:, np.newaxis], usual, gone).sum(axis=1)
            named = 0.0 if rail == run.zero_level else np.log(_RAIL_PLACES)
            both -= np.log(_SHARES.size * run.sds.size * len(rails)) + named
            every.append(both)
            index = int(both.argmax())
            if both[index] > best[0]:
                best = (float(both[index]), float(_SHARES[index]), float(rail))
    return RunFit(
        theta=(best[1], best[2]),
        log_evidence=float(np.logaddexp.reduce(np.concatenate(every))),
        text=f"{lost} of {run.away.size} readings go to {_where(run, value[is_lost])}, the rest are right",
        share=best[1],
    )


def _is_possible(run: Run) -> npt.NDArray[np.bool_]:
    """Whether an open contact can give a reading; shape (n,).

    In series with a loop it takes current away, and no loop drives one backwards; open before the unit, at a sensor, it
    sends the output beyond its range, but no supply drives it far beyond. A voltage may go anywhere.
    """
    value = run.raw[run.has]
    if run.unit not in _CURRENTS:
        return np.ones_like(value, dtype=bool)
    level, top = run.low + run.span * value, max(run.low, run.low + run.span)
    is_less = (level > -_NOTHING * top) & (level < level - run.span * run.away)
    is_beyond = (level > top + _BEYOND_FRAC * abs(run.span)) & (level < _MOST_DRIVEN * top)
    return np.asarray(is_less | is_beyond)


def _where(run: Run, lost: FloatArray) -> str:
    """Where readings went, in words, to the digits that count: an open input reads 0 mA, not 2.2e-16 mA."""
    digits = int(np.ceil(np.log10(_DIGITS_OF_TOLERANCE / (run.tolerance * abs(run.span)))))
    ends = (lost.min(), lost.max()) if np.ptp(lost) >= _ONE_PLACE_FRAC else ((lost.min() + lost.max()) / 2,)
    told = [sized(round(run.low + run.span * float(each), digits) + 0.0) for each in ends]
    return f"{' to '.join(told)} {run.unit}" if len(told) > 1 else f"about {told[0]} {run.unit}"


CONTACT = KindOfNoise(
    name="intermittent contact",
    cause="a terminal, crimp or connector that opens for moments",
    check="tap and flex each terminal while reading; make the connection again",
    fit_burst=_fit_burst,
    fit_run=_fit_run,
    fault="intermittent contact",
    weight=1.5,  # contacts are what fails most in the field (trade practice, no source)
    spoils_the_mean=True,
)
