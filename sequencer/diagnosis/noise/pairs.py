"""Two kinds of noise at once: one fitted to the readings, the other to what it leaves, and both again in turn."""

import math
from dataclasses import dataclass, replace

import numpy as np

from sequencer.diagnosis.noise.fitting import core
from sequencer.diagnosis.noise.kinds import KINDS, KINDS_BY_NAME
from sequencer.diagnosis.noise.kinds.kind import AWAY_SDS, Burst, BurstFit, KindOfNoise, NoiseKind
from sequencer.diagnosis.noise.kinds.slow import DRIFT
from sequencer.diagnosis.noise.kinds.step import STEP
from sequencer.diagnosis.noise.kinds.white import WHITE
from sequencer.diagnosis.noise.left import chance_of_white
from sequencer.diagnosis.noise.singles import stand_out
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = ["Pair", "likeliest_pair"]

_TRIED_FIRST_N = 3  # of the kinds that may be one of two
_HIDDEN = frozenset({"level step", "drift"})  # what another kind may hide, so always tried
_ODD_P = 1e-3  # chance that what is left is white, below which a second kind is looked for
_PART_N = 2000  # readings of what is left that the second kind is looked for in; its sizes are of all
_FEWEST_HIT = 3  # readings that are thrown or lost: fewer beside another kind are chance
_HITS: tuple[NoiseKind, ...] = ("bursts to one side", "intermittent contact", "unknown")  # what may hit single readings
_NO_MOVE = frozenset({"white noise", "quantisation flicker", "display steps", "double counting"})
_LEVEL_SDS = 4.0  # a reading that near is on a level
_MOVING_N = 3  # kinds that may move all readings beside
_TWO_NATS = 2.0  # that two kinds are rarer than one, beside the choice of the second
_REFINED_N = 4  # pairs whose kinds are fitted in turn, so often at most, and while it gains so many nats
_ROUNDS_N, _LEAST_GAIN = 20, 0.5
_CLEARINGS_N = 5  # times that the readings that stand out are looked for again
_LEAST_N, _LEAST_ON_A_LEVEL = 16, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two kinds together: the first fitted to the readings, the second to what it leaves; evidence of both."""

    first: BurstFit
    second: BurstFit
    log_evidence: float


def likeliest_pair(burst: Burst, fits: list[BurstFit]) -> Pair | None:
    """None where no kind that is likely leaves anything that is not white, or the likeliest needs no second."""
    if _is_enough(burst, max(fits, key=lambda fit: fit.log_evidence)):
        return None
    some = [fit for fit in fits if fit.residual is not None and fit.kind != "white noise"]
    some.sort(key=lambda fit: -fit.log_evidence)
    likely = list(dict.fromkeys(fit.kind for fit in some))[:_TRIED_FIRST_N]
    firsts: list[BurstFit] = []
    for fit in some:
        is_new = fit.kind not in {each.kind for each in firsts}
        if is_new and (fit.kind in likely or fit.kind in _HIDDEN):
            firsts.append(fit)
    steps = sorted((fit for fit in some if fit.kind == "level step"), key=lambda fit: fit.sd)
    firsts += steps[-1:]  # the fewest steps: what comes with one looks like more of them
    found = [pair for first in firsts for pair in _with(burst, first)]
    found.sort(key=lambda pair: -pair.log_evidence)
    starts = [*found[:_REFINED_N], *(_step_on_a_line(burst) if found else ())]
    refined = [each for pair in starts for each in _in_turn(burst, pair)]
    best = max((*found, *refined, *_beside_singles(burst)), key=lambda pair: pair.log_evidence, default=None)
    return None if best is None else _cleared(burst, best)


def _is_enough(burst: Burst, first: BurstFit) -> bool:
    """Whether a kind that bends to nothing else leaves white noise: two others would tell no more."""
    if (
        first.residual is None
        or first.is_left is not None
        or first.kind in _HIDDEN
        or KINDS_BY_NAME[first.kind].is_flexible
    ):
        return False
    return first.kind != "white noise" and _is_white(burst, first)


def _is_white(burst: Burst, first: BurstFit) -> bool:
    """Whether what a kind leaves is white, as far as a second kind would be looked for in it."""
    rest = first.residual
    assert rest is not None, "of a kind that leaves something"
    return chance_of_white(rest, burst.floor, is_cut=first.is_left is not None) > _ODD_P


def _cleared(burst: Burst, pair: Pair) -> Pair:
    """The first fitted again without the readings that the second takes away: its sizes, and what both leave."""
    is_left = pair.second.is_left
    if is_left is None or is_left.sum() < _LEAST_N or pair.first.is_left is not None:
        return pair
    if KINDS_BY_NAME[pair.first.kind].is_flexible:
        return pair
    first = _whole(KINDS_BY_NAME[pair.first.kind], burst.only(is_left))
    if first is None:
        return pair
    level = float(np.median(burst.y))  # the first has all of it now
    return replace(pair, first=first, second=replace(pair.second, residual=first.residual, mean=level, U_mean=0.0))


def _with(burst: Burst, first: BurstFit) -> list[Pair]:
    """The first with the kinds that tell best what it leaves; none where that is white."""
    rest, kind = first.residual, KINDS_BY_NAME[first.kind]
    if rest is None or len(rest) < _LEAST_N or _is_white(burst, first):
        return []
    left = _left(burst, rest, first)
    part = replace(left, y=left.y[:_PART_N], t=left.t[:_PART_N])
    of_part = [fit for other in KINDS if _may_join(kind, other) for fit in _beside(other, part)]
    of_part.sort(key=lambda fit: -fit.log_evidence)
    names = list(dict.fromkeys(fit.kind for fit in of_part))[: 2 if first.kind in _HIDDEN else 1]
    whole = [_beside(KINDS_BY_NAME[name], left) for name in names]
    return [_pair(first, max(some, key=lambda fit: fit.log_evidence), left) for some in whole if some]


def _beside_singles(burst: Burst) -> list[Pair]:
    """What moves all readings, fitted without those that stand out from their neighbours, and what threw these.

    Else what throws single ones far hides the other, which is then told as thrown too.
    """
    is_out = stand_out(burst.y, burst.floor)
    if not is_out.any() or np.count_nonzero(~is_out) < _LEAST_N:
        return []
    kept, found = burst.only(~is_out), []
    names = [kind for kind in KINDS if kind.name not in {*_HITS, *_NO_MOVE} and not kind.is_flexible]
    firsts = {kind.name: fit for kind in names if (fit := _whole(kind, kept)) is not None and not fit.is_once}
    white = max(fit.log_evidence for fit in WHITE.fit_burst(kept))
    some = sorted(firsts.values(), key=lambda fit: -fit.log_evidence)[:_MOVING_N]
    if "level step" in firsts:  # the fewest steps, here too
        some.append(max(STEP.fit_burst(kept), key=lambda fit: fit.sd))
    for first in some:
        if first.log_evidence > white:
            found += _with_singles(burst, KINDS_BY_NAME[first.kind], first, is_out)
    return found


def _with_singles(burst: Burst, kind: KindOfNoise, first: BurstFit, is_out: BoolArray) -> list[Pair]:
    """A kind that was fitted without single readings, and what threw these; none where they tell no kind."""
    for _ in range(_CLEARINGS_N):
        if first.residual is None:
            return []
        kept = burst.only(~is_out)
        rest = _rest(burst.y, ~is_out, kept.y - first.residual)
        if kind.name == "random telegraph":
            rest = _on_levels(burst.y, rest, first)
        # What lies far from it hid among others that do; what does not stands out by what moves all.
        middle, sd = core(rest, burst.floor)
        is_far = np.abs(rest - middle) > AWAY_SDS * sd
        if (is_far == is_out).all():
            break
        is_out = is_far
        if not is_out.any() or np.count_nonzero(~is_out) < _LEAST_N:
            return []
        again = _whole(kind, burst.only(~is_out))
        if again is None:
            return []
        first = again
    else:
        return []
    left = replace(burst, y=rest + np.median(burst.y))
    some = [fit for name in _HITS for fit in KINDS_BY_NAME[name].fit_burst(left)]
    second = max((fit for fit in some if fit.is_left is not None), key=lambda fit: fit.log_evidence, default=None)
    if second is None or first.residual is None:
        return []
    steps_n = np.count_nonzero(np.abs(np.diff(kept.y - first.residual)) > first.sd)
    if kind is STEP and second.kind == "intermittent contact" and steps_n > 1:
        return []  # what went and came back beside a contact is the contact, open for longer
    return [_pair(first, second, replace(kept, y=first.residual))]


def _rest(y: FloatArray, is_kept: BoolArray, moved: FloatArray) -> FloatArray:
    """What is left of all readings where a kind tells some; of the others by the neighbour that leaves less."""
    before = np.maximum(np.cumsum(is_kept) - 1, 0)
    after = np.minimum(before + ~is_kept, len(moved) - 1)
    both = y - np.stack((moved[before], moved[after]))
    return np.asarray(np.where(np.abs(both[0]) <= np.abs(both[1]), both[0], both[1]))


def _on_levels(y: FloatArray, rest: FloatArray, first: BurstFit) -> FloatArray:
    """What is left where a reading that stands out is on the other of two levels for itself."""
    moved = y - rest
    for level in (moved.min(), moved.max()):
        away = y - level
        rest = np.where(np.abs(away) < np.minimum(np.abs(rest), _LEVEL_SDS * first.sd), away, rest)
    return rest


def _pair(first: BurstFit, second: BurstFit, left: Burst) -> Pair:
    """Both together: the second, and what the first costs beside the white noise that it was fitted with.

    Args:
        first: fitted to the readings, or to them without the second.
        second: fitted to the readings without the first.
        left: what the first left where it was fitted.
    """
    white = next(fit.log_evidence for fit in WHITE.fit_burst(left))
    together = first.log_evidence + second.log_evidence - white - math.log(len(KINDS)) - _TWO_NATS
    return Pair(first=first, second=second, log_evidence=together)


def _step_on_a_line(burst: Burst) -> list[Pair]:
    """A drift with a step, both by least squares at once: one fitted without the other takes much of it."""
    y, t, n = burst.y - burst.y.mean(), burst.t - burst.t.mean(), len(burst.y)
    squares = float(t @ t)
    about = y - t * float(y @ t) / squares
    # For a step at each place: what of it no line takes, and how far that goes with what a line leaves.
    above_n = np.arange(n - _LEAST_ON_A_LEVEL, _LEAST_ON_A_LEVEL, -1)
    at = n - above_n
    after = np.cumsum(t[::-1])[::-1][at]
    own = above_n - above_n**2 / n - after**2 / squares
    along = np.cumsum(about[::-1])[::-1][at]
    best = int(np.argmax(along**2 / own))
    step = np.where(np.arange(n) >= at[best], along[best] / own[best], 0.0)
    first = _whole(DRIFT, replace(burst, y=burst.y - step))
    if first is None or first.residual is None:
        return []
    left = _left(burst, first.residual + step, first)
    second = _whole(STEP, left)
    return [] if second is None else [_pair(first, second, _left(burst, first.residual, first))]


def _in_turn(burst: Burst, pair: Pair) -> list[Pair]:
    """Each fitted again to the readings without the other, while that gains; none where one is cut or too flexible."""
    found = [pair]
    kinds = [KINDS_BY_NAME[fit.kind] for fit in (pair.first, pair.second)]
    if any(kind.is_flexible for kind in kinds) or kinds[0] is kinds[1]:
        return []
    left = None if pair.first.residual is None else _left(burst, pair.first.residual, pair.first)
    second: BurstFit | None = pair.second
    for _ in range(_ROUNDS_N):
        if left is None or second is None or second.residual is None or len(second.residual) != len(burst.y):
            break
        part = left.y - second.residual
        without = replace(burst, y=burst.y - part + part.mean())
        first = _whole(kinds[0], without)
        if first is None or first.residual is None:
            break
        alone = _left(burst, first.residual, first)
        left = replace(burst, y=burst.y - without.y + first.residual + np.median(burst.y))
        second = _whole(kinds[1], left)
        if second is None:
            break
        found.append(_pair(first, second, alone))
        if found[-1].log_evidence < found[-2].log_evidence + _LEAST_GAIN:
            break
    return found


def _whole(kind: KindOfNoise, burst: Burst) -> BurstFit | None:
    """The likeliest fit that leaves something of every reading."""
    some = [fit for fit in kind.fit_burst(burst) if fit.residual is not None and fit.is_left is None]
    return max(some, key=lambda fit: fit.log_evidence, default=None)


def _left(burst: Burst, rest: FloatArray, first: BurstFit) -> Burst:
    """What is left, about the middle of the readings."""
    times_s = burst.t if first.is_left is None else burst.t[first.is_left]
    return replace(burst, y=rest + np.median(burst.y), t=times_s)


def _beside(kind: KindOfNoise, left: Burst) -> list[BurstFit]:
    """Fits of a kind to what another one leaves, which tell what they leave themselves, and hit enough readings."""
    return [
        fit
        for fit in kind.fit_burst(left)
        if fit.residual is not None and not fit.is_once and len(left.y) - len(fit.residual) not in range(1, _FEWEST_HIT)
    ]


def _may_join(first: KindOfNoise, other: KindOfNoise) -> bool:
    """Whether a kind may be told beside a first one: no kind beside itself, nor beside one that is much alike.

    What a flexible kind leaves is what is new at each reading: levels are none there, and long tails say that it is
    not of that kind.
    """
    if first is other:
        return False
    if first.is_flexible and (other.has_two_levels or other.name == "unknown"):
        return False
    if "level step" in {first.name, other.name}:
        return not (first.is_flexible or other.is_flexible)
    return not (first.is_slow and other.is_slow) and not (first.has_two_levels and other.has_two_levels)
