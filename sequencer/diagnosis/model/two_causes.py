"""Two causes at once: which two, with the sizes that suit the readings best together."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.catalogue import CAUSES
from sequencer.diagnosis.model.cause import Cause
from sequencer.diagnosis.model.fit import Fit, Screening, again, beside, exactly, fit
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.likelihood import Likelihood, logsumexp
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import WAYS, Act, Segment
from sequencer.diagnosis.model.smooth import smooth

__all__ = ["TRIMS", "Pair", "PairSearch", "posterior"]

TRIMS = ("zero shift", "span error")
"""What a trim of the last stage takes away."""
_FIRSTS_N, _ALONE_N, _SECONDS_N, _SETTLED_N, _TURNS_N, _WITH_UNKNOWN_N = 3, 3, 4, 6, 6, 4
_SHOWS_N = 2  # readings: what one alone shows is a slip
_SMALL_TRIM = 1e-4  # of the span
_SENSORS = frozenset({"hysteresis", "backlash", "bow", "s shape"})


def posterior(found: Hypothesis) -> float:
    """Log posterior, less a constant."""
    return found.log_odds + float(np.log(found.weight))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two causes of a segment with the sizes that suit the readings best together.

    Attributes:
        one: with its sizes, what they cost, and no allowance for an equation that holds in the main.
        other: the same.
        whole: the second once more, with the allowance that the rougher of both asks for.
    """

    one: Fit
    other: Fit
    whole: Fit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tried:
    """A cause that may be one of two.

    Attributes:
        evidence: log evidence, alone, beside another one as it stands, or beside any line.
        cause: which.
        stage: where it sits.
    """

    evidence: float
    cause: Cause
    stage: int

    @property
    def posterior(self) -> float:
        """Log posterior, less a constant."""
        return self.evidence + float(np.log(self.cause.weight))


class PairSearch:
    """Pairs of causes in one segment.

    Args:
        singles: causes that were fitted alone.
        segment: what was read.
        likelihood: of a good unit.
        mean: log evidence of a good unit.
        noisy: what each cause gains by the scatter of the single readings.
    """

    def __init__(
        self,
        singles: Sequence[Hypothesis],
        segment: Segment,
        likelihood: Likelihood,
        mean: float,
        noisy: Callable[[Cause], float] = lambda _: 0.0,
    ) -> None:
        # What stands alone is no part of a pair.
        self._singles = [each.fit for each in singles if each.fit is not None and not each.fit.cause.is_lone]
        self._number = singles[0].segment if singles else 0
        self._segment, self._likelihood, self._mean, self._noisy = segment, likelihood, mean, noisy

    def likeliest(self) -> Iterator[Hypothesis]:
        """The best first causes, each with the best second ones; the best pair by its other names too."""
        turned: list[tuple[float, Fit, Fit]] = []
        for first in self._firsts():
            for second in _differing(self._seconds(first), _SECONDS_N):
                other = self._beside(first, second)
                one = self._again(first, other)
                other = self._again(other, one)
                turned.append((self._log_posterior(one, other), one, other))
        best: tuple[float, Pair] | None = None
        for _, one, other in sorted(turned, key=lambda each: -each[0])[:_SETTLED_N]:
            pair = self.settled(one, other)
            if self._is_beneath(pair.one, pair.other):
                continue
            found = self.joined(pair)
            if best is None or posterior(found) > best[0]:
                best = posterior(found), pair
            yield found
        if best is not None:
            yield from self._by_other_names(*best)

    def _by_other_names(self, reached: float, pair: Pair) -> Iterator[Hypothesis]:
        """The best pair by other names; where one of these is likelier, that one by its own other names too."""
        found = list(self._as_good(pair))
        yield from (each for each, _ in found)
        top, as_pair = max(found, key=lambda each: posterior(each[0]), default=(None, pair))
        if top is not None and posterior(top) > reached + PRIORS.pairs.same_nats:
            named = {each.name for each, _ in found}
            yield from (each for each, _ in self._as_good(as_pair) if each.name not in named)

    def with_the_unknown(self) -> Iterator[Hypothesis]:
        """The likeliest causes, each with a smooth error beside it that no cause explains, of any size that matters."""
        segment = self._segment
        frac, way = segment.ideal[segment.is_read], segment.series.direction[segment.is_read]
        prior = PRIORS.unknown
        shapes = [smooth(frac, way, length=length, way_share=prior.way_share) for length in prior.beside_lengths]
        ranked = sorted(self._singles, key=lambda each: -each.log_evidence - np.log(each.cause.weight))
        for each in ranked[:_WITH_UNKNOWN_N]:
            fits = [
                again(each, segment, self._likelihood.freed(size * segment.tolerance * shape))
                for shape in shapes
                for size in prior.beside_sizes
            ]
            evidence = logsumexp(np.array([one.log_evidence for one in fits])) - np.log(len(fits))
            best = max(fits, key=lambda one: one.log_evidence)
            left = best.leaves(segment) * segment.tolerance
            if left > _beneath(best) * self._effect(best):
                yield self._beside_the_unknown(best, float(evidence))

    def _beside_the_unknown(self, found: Fit, log_evidence: float) -> Hypothesis:
        segment, cause = self._segment, found.cause
        return Hypothesis(
            name=" + ".join(sorted((cause.name, "unknown"))),
            place=segment.place_of(cause.place, found.stage),
            segment=self._number,
            log_odds=log_evidence + self._noisy(cause) - self._mean,
            weight=PRIORS.pairs.rarer * cause.weight * PRIORS.unknown.beside_weight,
            predicted=found.predicted,
            parameters_n=found.theta.size + PRIORS.unknown.parameters_n,
            text=f"{cause.say(found.theta, segment, found.stage)}; and a curve that no cause of the catalogue has",
            check=cause.check_of(segment),
            contains=(cause.name, *cause.contains),
            scale=found.scale,
            effect=segment.largest(found.predicted - segment.ideal) / segment.tolerance,
        )

    @staticmethod
    def _log_posterior(one: Fit, other: Fit) -> float:
        weights = np.log(one.cause.weight * other.cause.weight)
        return float(other.log_evidence + _cost(one) + weights)

    def _firsts(self) -> list[Fit]:
        """The likeliest where zero and span may be wrong beside them, and the likeliest as they stand."""
        freed = dict(self._beside_a_line())
        found = [
            exactly(each.cause, self._segment, each.stage, freed[each]) for each in _differing(list(freed), _FIRSTS_N)
        ]
        named = {each.cause.name for each in found}
        alone = [_Tried(evidence=each.log_evidence, cause=each.cause, stage=each.stage) for each in self._singles]
        kept = {(each.cause, each.stage) for each in _differing(alone, _ALONE_N) if each.cause.name not in named}
        return found + [each for each in self._singles if (each.cause, each.stage) in kept]

    def _beside_a_line(self) -> Iterator[tuple[_Tried, Likelihood]]:
        segment, stage = self._segment, self._segment.last - 1
        size = PRIORS.pairs.trim_frac / _SMALL_TRIM
        trims = [cause.act(np.array([[_SMALL_TRIM]]), segment, stage) for cause in CAUSES if cause.name in TRIMS]
        screening = Screening(segment, ())
        for each in self._singles:
            freed = beside(each, segment, self._likelihood, trims, size=size)
            evidence = screening.of(each.cause, each.stage, freed)
            yield _Tried(evidence=evidence, cause=each.cause, stage=each.stage), freed

    def _seconds(self, one: Fit) -> list[_Tried]:
        """What may be wrong beside a cause, as it stands."""
        screening = Screening(self._segment, (self.act(one),))
        causes = [(cause, each.stage) for each in self._singles for cause in _as_second(each.cause, one.cause)]
        evidence = screening.of_each(causes, self._likelihood)
        return [
            _Tried(evidence=each, cause=cause, stage=stage)
            for each, (cause, stage) in zip(evidence, causes, strict=True)
        ]

    def act(self, found: Fit) -> Act:
        """A cause with its sizes as it acts."""
        return found.cause.act(found.theta[np.newaxis], self._segment, found.stage)

    def _beside(self, one: Fit, tried: _Tried) -> Fit:
        return exactly(tried.cause, self._segment, tried.stage, self._likelihood, (self.act(one),))

    def _again(self, found: Fit, other: Fit) -> Fit:
        likelihood, acts = self._likelihood, (self.act(other),)
        return exactly(found.cause, self._segment, found.stage, likelihood, acts, start=found.theta)

    def settled(self, one: Fit, other: Fit) -> Pair:
        """Both causes fitted in turn, each beside the other, until neither gains."""
        reached = other.log_likelihood
        for _ in range(_TURNS_N):
            one = self._again(one, other)
            other = self._again(other, one)
            if other.log_likelihood < reached + PRIORS.pairs.gain_nats:
                break
            reached = other.log_likelihood
        return self._whole(one, other)

    def with_a_trim(self, suspect: Fit, trim: Cause) -> Pair:
        """A cause with a trim of the last stage beside it: fitted with the trim left free, then both in turn."""
        segment, stage = self._segment, self._segment.last - 1
        act = trim.act(np.array([[_SMALL_TRIM]]), segment, stage)
        freed = beside(suspect, segment, self._likelihood, (act,), size=PRIORS.pairs.trim_frac / _SMALL_TRIM)
        one = exactly(suspect.cause, segment, suspect.stage, freed)
        return self.settled(one, exactly(trim, segment, stage, self._likelihood, (self.act(one),)))

    def _whole(self, one: Fit, other: Fit) -> Pair:
        rough = max((one.cause.rough, other.cause.rough), key=lambda each: sum(part.odds for part in each))
        acts = (self.act(one),)
        whole = fit(other.cause, self._segment, other.stage, self._likelihood, acts, start=other.theta, rough=rough)
        return Pair(one=one, other=other, whole=whole)

    def _as_good(self, pair: Pair) -> Iterator[tuple[Hypothesis, Pair]]:
        """A pair with either of the two by other names: what fits as well beside the other one."""
        for kept, left in ((pair.one, pair.other), (pair.other, pair.one)):
            tried = self._seconds(kept)
            here = [each.posterior for each in tried if each.cause.name == left.cause.name]
            least = max(here, default=np.inf) - PRIORS.pairs.as_good_nats
            for each in tried:
                if each.posterior > least and each.cause.name not in {kept.cause.name, left.cause.name}:
                    named = self._beside(kept, each)
                    if not self._is_beneath(kept, named):
                        found = self._named(pair, kept, named)
                        yield self.joined(found), found

    def _named(self, pair: Pair, kept: Fit, named: Fit) -> Pair:
        """The same by another name: an equation that holds in the main does so by both, where both leave as much."""
        if abs(named.log_likelihood - pair.other.log_likelihood) > PRIORS.pairs.as_good_nats:
            return self._whole(kept, named)
        gained = pair.whole.log_evidence - pair.other.log_evidence
        return Pair(one=kept, other=named, whole=replace(named, log_evidence=named.log_evidence + gained))

    def _is_beneath(self, one: Fit, other: Fit) -> bool:
        """One of them is no more than the other one's equation may be off, or shows only where that jumps."""
        sizes = [self._effect(each) for each in (one, other)]
        larger = max((one, other), key=lambda each: sizes[each is other])
        if min(sizes) < _beneath(larger) * max(sizes):
            return True
        both = self._segment.predict((self.act(one), self.act(other)))[0]
        return not all(self._shows(both, each) for each in (one, other))

    def _effect(self, found: Fit) -> float:
        """The largest that a cause does alone, as fraction of the span."""
        return self._segment.largest(self._segment.predict((self.act(found),))[0] - self._segment.ideal)

    def _shows(self, both: FloatArray, one: Fit) -> bool:
        """What stands beside a cause changes several readings where that cause does not jump or rise at once."""
        segment, is_read = self._segment, self._segment.is_read
        moved = segment.predict((self.act(one),), moved=segment.small_step * WAYS)
        up, at, down = np.broadcast_to(moved, (3, is_read.size))[:, is_read]
        swing = np.maximum(np.abs(up - at), np.abs(at - down))
        is_even = swing <= PRIORS.amplified.singular * max(float(np.median(swing)), segment.small_step)
        changed = np.abs(both[is_read] - at)
        return int((changed[is_even] > PRIORS.trying.tiny_effect * segment.tolerance).sum()) >= _SHOWS_N

    def joined(self, pair: Pair) -> Hypothesis:
        """Both as one explanation."""
        segment, one, other, whole = self._segment, pair.one, pair.other, pair.whole
        texts = [each.cause.say(each.theta, segment, each.stage) for each in (one, other)]
        names = sorted((one.cause.name, other.cause.name))
        lead = one if one.cause.is_outside else other
        sits = next((each for each in (lead, one, other) if each.cause.place != "reading"), lead)
        return Hypothesis(
            name=" + ".join(names),
            place=segment.place_of(sits.cause.place, sits.stage),
            segment=self._number,
            log_odds=whole.log_evidence + _cost(one) + max(map(self._noisy, (one.cause, other.cause))) - self._mean,
            weight=PRIORS.pairs.rarer * one.cause.weight * other.cause.weight,
            log_likelihood=whole.log_likelihood,
            predicted=whole.predicted,
            parameters_n=one.theta.size + other.theta.size,
            text=f"{texts[0]}; and {texts[1]}",
            check=lead.cause.check_of(segment),
            is_of_bench=one.cause.is_of_bench and other.cause.is_of_bench,
            contains=tuple(dict.fromkeys((*names, *one.cause.contains, *other.cause.contains))),
            scale=whole.scale,
            effect=segment.largest(whole.predicted - segment.ideal) / segment.tolerance,
            fits=(one, other),
        )


def _beneath(found: Fit) -> float:
    """What is smaller than this share of its effect is not told beside a cause."""
    rough = found.cause.rough
    if rough is PRIORS.fitting.rough_in_time:
        return PRIORS.pairs.beneath_in_time
    return PRIORS.pairs.beneath_share if rough is PRIORS.fitting.rough else 0.0


def _cost(found: Fit) -> float:
    """Of the sizes of a cause, as log."""
    return min(found.log_evidence - found.log_likelihood, 0.0)


def _as_second(cause: Cause, first: Cause) -> Iterator[Cause]:
    """How a cause may stand beside a first one; what a sensor does of itself may come before a range that is wrong."""
    if cause.name in {first.name, *first.contains} or first.name in cause.contains:
        return
    if cause.jumps and first.jumps:  # two of them stand for any readings
        return
    yield cause
    if cause.name in _SENSORS and first.place == "input":
        yield replace(cause, place="sensor")


def _differing(found: Sequence[_Tried], count: int) -> list[_Tried]:
    """The likeliest, one for each equation: causes of one equation are as likely to the last digit."""
    kept: list[_Tried] = []
    for each in sorted(found, key=lambda each: -each.posterior):
        if len(kept) == count:
            break
        if all(
            abs(each.evidence - other.evidence) > PRIORS.pairs.same_nats and each.cause.name != other.cause.name
            for other in kept
        ):
            kept.append(each)
    return kept
