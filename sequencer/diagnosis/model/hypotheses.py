"""All that could be the matter in one segment, each weighed against the same readings: one cause, two, unknown."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from instruments.texts import is_measurable, sized
from sequencer.diagnosis.model import unknown
from sequencer.diagnosis.model.catalogue import CAUSES
from sequencer.diagnosis.model.cause import Cause
from sequencer.diagnosis.model.fit import Fit, fit
from sequencer.diagnosis.model.healthy_model import healthy, imperfections, is_ordinary
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.likelihood import Likelihood
from sequencer.diagnosis.model.noise_evidence import (
    Scatter,
    heard_at,
    heard_words,
    scatters,
    still_moving,
    within_white,
)
from sequencer.diagnosis.model.pairs import instead_of_a_line, with_scatter
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.two_causes import PairSearch
from sequencer.diagnosis.noise.captured import Heard
from sequencer.diagnosis.noise.kinds import FAULTS, KINDS_BY_NAME
from sequencer.diagnosis.noise.kinds.kind import KindOfNoise

__all__ = ["NOISY_TOO", "TINY_EFFECT", "Base", "base_of", "caused", "of_segment"]

TINY_EFFECT = PRIORS.trying.tiny_effect
"""What accounts for less than this share of the tolerance is never why a unit failed."""

NOISY_TOO = PRIORS.scatter.noisy_too_nats
"""Log probability that beside a cause the readings scatter by more than is ordinary."""

_SHIFTS = frozenset({"zero shift", "span error", "zero and span"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """A segment with what a good unit would make of it.

    Attributes:
        number: index of the segment.
        segment: what was read.
        likelihood: of the means of the visits, if the unit is good.
        loose: the same where the scatter may be more than is ordinary.
        within: log evidence of the readings about these means.
        within_noisy: the same where they scatter by more than is ordinary.
        mean: log evidence of the means.
        largest: largest error of a mean, as a share of the tolerance.
        largest_single: the same of a single reading.
        moving: what a cause gains that foretells how the readings of a visit go on.
        heard: what was captured at its tap, over what it says of a good unit.
    """

    number: int
    segment: Segment
    likelihood: Likelihood
    loose: Likelihood
    within: float
    within_noisy: float
    mean: float
    largest: float
    largest_single: float
    moving: float
    heard: Heard

    @property
    def log_evidence(self) -> float:
        """Of all single readings."""
        return self.mean + self.within

    @property
    def noisy(self) -> float:
        """What a scatter beyond the ordinary gains for a cause, which did not foretell it."""
        return max(max(self.within_noisy - self.within, 0.0) + self.heard.other() + NOISY_TOO, 0.0)

    def own_noise(self, cause: Cause) -> KindOfNoise | None:
        """The kind of noise that a cause makes of itself; None where no capture shows it."""
        kind = next((each for each in FAULTS if each.fault == cause.name), None)
        return None if kind is None or self.heard.showing(kind) is None else kind

    def noisy_with(self, cause: Cause) -> float:
        """The same for a cause that may have predicted the scatter."""
        kind = self.own_noise(cause)
        if kind is None:
            return max(self.noisy, self.moving) if cause.moves_on else self.noisy
        return max(max(self.within_noisy - self.within, 0.0) + self.heard.of(kind), self.noisy)

    @property
    def farthest(self) -> float:
        """How far noise takes a single reading, of the run or of a capture, as a share of the tolerance."""
        return max(self.largest_single, self.heard.largest)


def base_of(number: int, segment: Segment) -> Base:
    """A segment weighed as that of a good unit; `number` is its index."""
    T, is_read = segment.tolerance, segment.is_read
    likelihood = healthy(segment)
    residual = (segment.y - segment.ideal)[is_read]
    single = np.abs(segment.raw - segment.ideal[:, np.newaxis])[is_read]
    return Base(
        number=number,
        segment=segment,
        likelihood=likelihood,
        loose=likelihood.loosened(NOISY_TOO),
        within=within_white(segment),
        within_noisy=within_white(segment, is_noisy=True),
        mean=float(likelihood.weigh(residual).log_likelihood[0]),
        largest=float(np.abs(residual).max()) / T,
        largest_single=float(np.nanmax(single)) / T,
        moving=still_moving(segment),
        heard=heard_at(segment),
    )


def of_segment(base: Base, *, is_alone: bool = True) -> list[Hypothesis]:
    """What could be wrong in one segment; two causes at once only where nothing else is wrong beside it."""
    segment = base.segment
    if max(base.largest, base.farthest) < TINY_EFFECT:
        return []
    if segment.first < 0:
        return [
            _source(cause, base)
            for cause in CAUSES
            if cause.name in _SHIFTS and base.largest >= PRIORS.trying.near_share
        ]
    kinds = []
    if segment.tolerance <= PRIORS.trying.loosest_frac:
        good = base.log_evidence
        kinds = scatters(segment, base.heard, good=good, noisy=good + _noisy_run(base))
    vague = [_noise(base, kinds), _strange(base)]
    vague[1] = replace(vague[1], log_odds=max(vague[1].log_odds, vague[0].log_odds + PRIORS.unknown.stranger_nats))
    if segment.tolerance > PRIORS.trying.loosest_frac:
        return vague
    scattered = [_scatter(kind, base) for kind in kinds]
    found = [*vague, *scattered]
    if max(each.log_odds for each in found) < -PRIORS.trying.sick_nats and base.largest < PRIORS.trying.near_share:
        return found
    singles = [caused(found_, base) for found_ in _fits(base, vague[1].log_odds - base.noisy + base.mean)]
    if segment.is_set_only and not segment.is_cleared:
        found += [_source(cause, base) for cause in CAUSES if cause.name in _SHIFTS]
    found += singles
    if is_alone:
        found += _pairs(singles, base, max(each.log_odds for each in vague))
    if scattered:
        found += with_scatter(
            singles, segment, base.heard, within=base.within, noisy=base.within_noisy, good=base.log_evidence
        )
    return [each for each in found if not _explains_nothing(each, base)]


def _pairs(singles: list[Hypothesis], base: Base, vague: float) -> Iterator[Hypothesis]:
    """Two causes at once; those only where neither one cause nor mere scatter, by its log odds, leaves nothing."""
    segment = base.segment
    # What can stand for many pairs does not end the search for one.
    plain = [each.fit for each in singles if each.fit is not None and not each.fit.cause.is_lone]
    best = max(plain, key=lambda each: each.log_evidence, default=None)
    is_left = (
        best is None
        or best.log_evidence + base.noisy - base.mean < vague + PRIORS.trying.sick_nats
        or best.leaves(segment) >= PRIORS.trying.near_share
        or not is_ordinary(best.misfit, segment)
    )
    pairs = PairSearch(singles, segment, base.loose, base.mean, base.noisy_with)
    if base.largest_single > 1 and is_left:
        yield from pairs.likeliest()
        yield from pairs.with_the_unknown()
    yield from instead_of_a_line(singles, segment, pairs)


def _explains_nothing(found: Hypothesis, base: Base) -> bool:
    """What is left is beyond any noise that is reckoned with: a cause that gives less of it is no likelier for that."""
    if found.predicted is None:
        return False
    left = (base.segment.y - found.predicted)[base.segment.is_read]
    return float(np.median(np.abs(left))) > PRIORS.trying.hopeless_sds * float(np.median(base.segment.noise))


def _fits(base: Base, floor: float) -> Iterator[Fit]:
    """Each cause at each stage that can have it."""
    segment = base.segment
    is_last = segment.last == len(segment.sheet.taps) - 1
    for cause in CAUSES:
        # An instrument that is wrong between two others shows in the next segment too (`_liars`).
        if cause.place == "reading" and not is_last:
            continue
        for stage in segment.stages:
            if cause.may_be(segment, stage):
                found = fit(cause, segment, stage, base.loose, floor=floor)
                floor = max(floor, found.log_evidence)
                yield found


def _noisy_run(base: Base) -> float:
    """Log odds of the run alone, if it has noise of a kind that is not named."""
    segment = base.segment
    loose = Likelihood(segment.noise[segment.is_read], imperfections(segment), width=PRIORS.scatter.loose_log_width)
    mean = float(loose.weigh((segment.y - segment.ideal)[segment.is_read]).log_likelihood[0])
    return mean + max(base.within_noisy, base.within) - base.log_evidence


def _noise(base: Base, kinds: list[Scatter]) -> Hypothesis:
    """Noise of a kind that is none of these."""
    segment = base.segment
    sd = segment.series.sd[segment.after.name]
    text = "noise only"
    check = "Find where the noise comes from before anything is adjusted; a capture at one point tells its kind."
    loudest = base.heard.loudest
    if loudest is not None:
        text += f": {heard_words(loudest, loudest.noise.best)}"
        check = KINDS_BY_NAME[loudest.noise.best.kind].check_sentence
    elif is_measurable(sd):
        text += f": single readings scatter by {sized(sd * abs(segment.after.span), 2)} {segment.after.unit}"
    return Hypothesis(
        name="noise",
        place=segment.name,
        segment=base.number,
        log_odds=_noisy_run(base) + base.heard.other(named={each.kind.name for each in kinds}),
        weight=PRIORS.weights.noise,
        effect=base.farthest,
        text=text,
        check=check,
    )


def _strange(base: Base) -> Hypothesis:
    return Hypothesis(
        name="unknown",
        place=base.segment.name,
        segment=base.number,
        log_odds=unknown.log_evidence(base.segment) - base.mean,
        weight=PRIORS.unknown.weight,
        parameters_n=PRIORS.unknown.parameters_n,
        effect=base.largest,
        text="no cause of the catalogue fits these readings",
        check="Take more points, up and down, and read the taps between.",
    )


def caused(found: Fit, base: Base) -> Hypothesis:
    """A cause with its best sizes, in words."""
    cause, segment, own = found.cause, base.segment, base.own_noise(found.cause)
    return Hypothesis(
        name=cause.name,
        place=segment.place_of(cause.place, found.stage),
        segment=base.number,
        log_odds=found.log_evidence + base.noisy_with(cause) - base.mean,
        weight=cause.weight,
        log_likelihood=found.log_likelihood,
        predicted=found.predicted,
        parameters_n=found.theta.size,
        text=cause.say(found.theta, segment, found.stage),
        check=cause.check_of(segment),
        is_of_bench=cause.is_of_bench,
        contains=cause.contains,
        scale=found.scale,
        effect=segment.largest(found.predicted - segment.ideal) / segment.tolerance,
        scatter="" if own is None else own.fault,
        fits=(found,),
    )


def _source(cause: Cause, base: Base) -> Hypothesis:
    found = caused(fit(replace(cause, place="input"), base.segment, 0, base.likelihood), base)
    return replace(
        found,
        name="source error",
        place="source",
        text=f"its output differs from its setting: {found.text}",
        check="Take what was measured at the first tap as the input, and have the source calibrated.",
        is_of_bench=True,
        contains=(),
    )


def _scatter(found: Scatter, base: Base) -> Hypothesis:
    return Hypothesis(
        name=found.kind.fault,
        place=base.segment.after.name,
        segment=base.number,
        log_odds=found.log_evidence - base.log_evidence,
        weight=found.kind.weight,
        parameters_n=found.sizes_n,
        effect=base.farthest,
        text=found.text,
        check=found.kind.check_sentence,
        is_of_bench=found.kind.is_of_bench,
        scatter=found.kind.fault,
    )
