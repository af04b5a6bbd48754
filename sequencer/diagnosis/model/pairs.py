"""Two causes at once: where one alone leaves structure, and where two may stand behind what one explains."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from sequencer.diagnosis.model.catalogue import CAUSES
from sequencer.diagnosis.model.cause import Cause
from sequencer.diagnosis.model.fit import Fit, fit, screened
from sequencer.diagnosis.model.healthy_model import is_ordinary
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.likelihood import Likelihood
from sequencer.diagnosis.model.noise_evidence import Scatter, scatters
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.noise.captured import Heard

__all__ = ["instead_of_a_line", "with_a_second", "with_scatter"]

_FIRSTS_N, _SECONDS_N, _TURNS_N = 4, 4, 6
_LINE, _TRIMS = "zero and span", ("zero shift", "span error")
_CAUSES = frozenset(cause.name for cause in CAUSES)
_SENSORS = frozenset({"hysteresis", "backlash", "bow", "s shape"})


def with_a_second(
    singles: Sequence[Hypothesis], segment: Segment, likelihood: Likelihood, mean: float
) -> Iterator[Hypothesis]:
    """The best single causes of a segment, each with a second one beside it.

    Args:
        singles: causes that were fitted alone.
        segment: what was read.
        likelihood: of a good unit.
        mean: log evidence of a good unit.
    """
    for first in _best(singles, _FIRSTS_N, apart=PRIORS.pairs.apart_share * segment.tolerance):
        assert first.fit is not None
        one = first.fit
        act = one.cause.act(one.theta[np.newaxis], segment, one.stage)
        seconds = [
            (screened(cause, segment, stage, likelihood, (act,)), cause, stage)
            for cause in _beside(one.cause)
            for stage in segment.stages
            if (cause.place != "reading" or segment.last == len(segment.sheet.taps) - 1)
            and cause.may_be(segment, stage)
        ]
        for _, cause, stage in _differing(seconds, _SECONDS_N):
            other = fit(cause, segment, stage, likelihood, (act,))
            yield _joined(first, *_settled(one, other, segment, likelihood), segment, mean)


def instead_of_a_line(
    singles: Sequence[Hypothesis], segment: Segment, likelihood: Likelihood, mean: float
) -> Iterator[Hypothesis]:
    """Each cause at the bench or in the wiring that leaves the same straight line with a trim of the unit beside it.

    Zero and span together take any line for their own. Each suspect comes once, with the likelier of the two trims.

    Args:
        singles: causes that were fitted alone.
        segment: what was read.
        likelihood: of a good unit.
        mean: log evidence of a good unit.
    """
    leading = max(singles, key=_posterior, default=None)
    lines = (each for each in singles if each.name == _LINE and each.fit and each.fit.stage == segment.last - 1)
    line = next(lines, None)
    if leading is None or line is None or leading.parameters_n < line.parameters_n:
        return
    if not _is_near(leading, line, segment):
        return
    outside = [(each, each.fit) for each in singles if each.fit is not None and each.fit.cause.is_outside]
    # What leaves the line all by itself is named already, and what is a part of it too.
    near = [fit.cause for each, fit in outside if _is_near(each, line, segment)]
    named = {name for cause in near for name in (cause.name, *cause.contains)}
    trims = [cause for cause in CAUSES if cause.name in _TRIMS]
    for alone, suspect in outside:
        if suspect.cause.name not in named and any(suspect.cause.sizes(segment, suspect.stage).is_free):
            fitted = [_beside_a_trim(suspect, trim, segment, likelihood) for trim in trims]
            both = max((_joined(alone, *each, segment, mean) for each in fitted), key=_posterior)
            if _is_near(both, line, segment):
                yield both


def _is_near(one: Hypothesis, other: Hypothesis, segment: Segment) -> bool:
    assert one.predicted is not None
    assert other.predicted is not None
    return bool(np.nanmax(np.abs(one.predicted - other.predicted)) < PRIORS.pairs.apart_share * segment.tolerance)


def _posterior(found: Hypothesis) -> float:
    """Log posterior, less a constant."""
    return found.log_odds + float(np.log(found.weight))


def _beside_a_trim(suspect: Fit, trim: Cause, segment: Segment, likelihood: Likelihood) -> tuple[Fit, Fit]:
    """A cause with a trim of the last stage beside it: fitted with the trim left free, then both in turn."""
    stage = segment.last - 1
    moved = segment.predict((trim.act(np.array([[PRIORS.pairs.trim_frac]]), segment, stage),))[0] - segment.ideal
    one = fit(suspect.cause, segment, suspect.stage, likelihood.freed(moved[segment.is_read]))
    act = one.cause.act(one.theta[np.newaxis], segment, one.stage)
    return _settled(one, fit(trim, segment, stage, likelihood, (act,)), segment, likelihood)


def _beside(first: Cause) -> Iterator[Cause]:
    """What may be wrong beside a cause; what a sensor does of itself may come before a range that is wrong."""
    for cause in CAUSES:
        if cause.name != first.name:
            yield cause
            if cause.name in _SENSORS and first.place == "input":
                yield replace(cause, place="sensor")


def _differing(seconds: list[tuple[float, Cause, int]], count: int) -> list[tuple[float, Cause, int]]:
    """The likeliest, one for each equation: causes of one equation are as likely to the last digit."""
    found: list[tuple[float, Cause, int]] = []
    for each in sorted(seconds, key=lambda each: (-each[0], -each[1].weight)):
        if all(abs(each[0] - other[0]) > PRIORS.pairs.same_nats for other in found):
            found.append(each)
    return found[:count]


def _settled(one: Fit, other: Fit, segment: Segment, likelihood: Likelihood) -> tuple[Fit, Fit]:
    """Both causes fitted in turn, each beside the other, until neither gains."""
    reached = other.log_likelihood
    for _ in range(_TURNS_N):
        acts = [each.cause.act(each.theta[np.newaxis], segment, each.stage) for each in (one, other)]
        one = fit(one.cause, segment, one.stage, likelihood, (acts[1],), start=one.theta)
        act = one.cause.act(one.theta[np.newaxis], segment, one.stage)
        other = fit(other.cause, segment, other.stage, likelihood, (act,), start=other.theta)
        if other.log_likelihood < reached + PRIORS.pairs.gain_nats:
            break
        reached = other.log_likelihood
    return one, other


def _joined(first: Hypothesis, one: Fit, other: Fit, segment: Segment, mean: float) -> Hypothesis:
    texts = [each.cause.say(each.theta, segment, each.stage) for each in (one, other)]
    names = sorted((one.cause.name, other.cause.name))
    cost = one.log_evidence - one.log_likelihood  # of the first one's parameters
    return replace(
        first,
        name=" + ".join(names),
        log_odds=other.log_evidence + min(cost, 0.0) - mean,
        weight=PRIORS.pairs.rarer * one.cause.weight * other.cause.weight,
        log_likelihood=other.log_likelihood,
        predicted=other.predicted,
        parameters_n=one.theta.size + other.theta.size,
        text=f"{texts[0]}; and {texts[1]}",
        check=(one if one.cause.is_outside else other).cause.check_of(segment),
        is_of_bench=one.cause.is_of_bench and other.cause.is_of_bench,
        contains=tuple(dict.fromkeys((*names, *one.cause.contains, *other.cause.contains))),
        scale=other.scale,
        fit=None,
    )


def with_scatter(
    singles: Sequence[Hypothesis], segment: Segment, captured: Heard, *, within: float, noisy: float, good: float
) -> Iterator[Hypothesis]:
    """The best single cause of a segment, and what predicts the same, with each kind of scatter about it.

    Args:
        singles: causes that were fitted alone.
        segment: what was read.
        captured: at its tap.
        within: log evidence of the readings about the means of their visits, with white noise.
        noisy: the same with noise beyond the ordinary.
        good: log evidence of a good unit, of all single readings.
    """
    first = max((each for each in singles if each.fit is not None), key=_posterior, default=None)
    # What lags moves in a visit, and is no scatter.
    if first is None or first.fit is None or first.effect < PRIORS.pairs.least_effect or first.name == "lag":
        return
    cost = min(first.fit.log_evidence - first.fit.log_likelihood, 0.0)  # of the sizes of the cause
    beside = first.fit.log_evidence - cost + within
    kinds = scatters(segment, captured, good=beside, noisy=beside + max(noisy - within, 0.0), about=first.fit.predicted)
    # A cause that leaves what no good bench has is believed only beside a kind that a capture names. What moves the
    # means by itself, as double counting does, stands among the single causes with its noise.
    is_left = not is_ordinary(first.scale, segment)
    kinds = [
        each
        for each in kinds
        if each.kind.fault not in _CAUSES and not (is_left and captured.showing(each.kind) is None)
    ]
    # What predicts the same leaves the same scatter.
    for each in singles:
        if each.fit is not None and _is_near(each, first, segment):
            gain = each.fit.log_evidence - first.fit.log_evidence + cost - good
            yield from (_scattered(each, kind, kind.log_evidence + gain) for kind in kinds)


def _scattered(first: Hypothesis, found: Scatter, log_odds: float) -> Hypothesis:
    return replace(
        first,
        name=" + ".join(sorted((first.name, found.kind.fault))),
        log_odds=log_odds,
        weight=PRIORS.pairs.rarer * first.weight * found.kind.weight,
        parameters_n=first.parameters_n + found.sizes_n,
        text=f"{first.text}; and {found.text}",
        check=f"{found.kind.check_sentence} {first.check}",
        is_of_bench=first.is_of_bench and found.kind.is_of_bench,
        contains=(first.name, found.kind.fault, *first.contains),
        scatter=found.kind.fault,
        fit=None,
    )


def _best(singles: Sequence[Hypothesis], count: int, *, apart: float = 0.0) -> list[Hypothesis]:
    """The likeliest causes, each once; predictions at least so far apart, as fraction."""
    found: dict[str, tuple[Hypothesis, Fit]] = {}
    for each in sorted(singles, key=lambda each: -each.log_odds):
        if each.fit is None or each.name in found:
            continue
        one = each.fit.predicted
        if all(np.nanmax(np.abs(one - other.predicted)) >= apart for _, other in found.values()):
            found[each.name] = each, each.fit
    return [each for each, _ in found.values()][:count]
