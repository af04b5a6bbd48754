"""All that could be the matter, each weighed against the same readings: healthy, one cause, two, unknown."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from instruments.datasheet import DataSheet
from instruments.texts import is_measurable, sized
from sequencer.diagnosis.model.catalogue import CAUSES
from sequencer.diagnosis.model.cause import Cause
from sequencer.diagnosis.model.fit import Fit, fit
from sequencer.diagnosis.model.healthy_model import healthy, imperfections, is_ordinary, segment_between, segments_of
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.likelihood import Likelihood, logsumexp
from sequencer.diagnosis.model.noise_evidence import Scatter, heard_at, heard_words, quiet, scatters, within_white
from sequencer.diagnosis.model.pairs import with_a_second, with_scatter
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series
from sequencer.diagnosis.model.slips import Slip, slips
from sequencer.diagnosis.model.transcription import Column, columns
from sequencer.diagnosis.model.unknown import unknown
from sequencer.diagnosis.noise.captured import Heard
from sequencer.diagnosis.noise.kinds import FAULTS, KINDS_BY_NAME
from sequencer.diagnosis.noise.kinds.kind import KindOfNoise
from sequencer.evaluation.budget import Basis
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["TINY_EFFECT", "Weighing", "weighing"]

TINY_EFFECT = PRIORS.trying.tiny_effect
"""What accounts for less than this share of the tolerance is never why a unit failed."""

_NOISY_TOO = PRIORS.scatter.noisy_too_nats
_SHIFTS = frozenset({"zero shift", "span error", "zero and span"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighing:
    """Segments of a chain with the likelihoods of a good unit, and every hypothesis."""

    segments: tuple[Segment, ...]
    likelihoods: tuple[Likelihood, ...]
    hypotheses: tuple[Hypothesis, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Base:
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
    heard: Heard

    @property
    def log_evidence(self) -> float:
        """Of all single readings."""
        return self.mean + self.within

    @property
    def noisy(self) -> float:
        """What a scatter beyond the ordinary gains for a cause, which did not foretell it."""
        return max(max(self.within_noisy - self.within, 0.0) + self.heard.other() + _NOISY_TOO, 0.0)

    def own_noise(self, cause: Cause) -> KindOfNoise | None:
        """The kind of noise that a cause makes of itself; None where no capture shows it."""
        kind = next((each for each in FAULTS if each.fault == cause.name), None)
        return None if kind is None or self.heard.showing(kind) is None else kind

    def noisy_with(self, cause: Cause) -> float:
        """The same for a cause that may have predicted the scatter."""
        kind = self.own_noise(cause)
        if kind is None:
            return self.noisy
        return max(max(self.within_noisy - self.within, 0.0) + self.heard.of(kind), self.noisy)

    @property
    def farthest(self) -> float:
        """How far noise takes a single reading, of the run or of a capture, as a share of the tolerance."""
        return max(self.largest_single, self.heard.largest)


_UNREAD = Hypothesis(
    name="unknown", place="", segment=-1, log_odds=0.0, weight=1.0,
    text="no reading bears on it", check="Read the output beside the input.",
)  # fmt: skip


def weighing(series: Series, sheet: DataSheet, type_sheet: TypeSheet, basis: Basis) -> Weighing:
    """Every hypothesis for the readings of a unit.

    Args:
        series: the readings.
        sheet: of the unit.
        type_sheet: its tolerances.
        basis: what is stated of the instruments; resolutions are taken from it.
    """
    bases = _bases(segments_of(series, sheet, type_sheet, basis))
    segments = [base.segment for base in bases]
    found = [hypothesis for base in bases for hypothesis in _of_segment(base)]
    if not bases:
        found = [_UNREAD]
    for before, after in pairwise(bases):
        if min(before.largest, after.largest) >= PRIORS.trying.near_share:
            around = segment_between(series, sheet, type_sheet, basis, before.segment.first, after.segment.last)
            found += _liars(before, after, _base(-1, around))
    if series.is_keyed:
        found += _transcribed(bases, lambda meant: _bases(segments_of(meant, sheet, type_sheet, basis)))
    return Weighing(
        segments=tuple(segments), likelihoods=tuple(base.likelihood for base in bases), hypotheses=tuple(found)
    )


def _bases(segments: Iterable[Segment]) -> list[_Base]:
    return [_base(number, each) for number, each in enumerate(each for each in segments if each.is_read.any())]


def _base(number: int, segment: Segment) -> _Base:
    T, is_read = segment.tolerance, segment.is_read
    likelihood = healthy(segment)
    residual = (segment.y - segment.ideal)[is_read]
    single = np.abs(segment.raw - segment.ideal[:, np.newaxis])[is_read]
    return _Base(
        number=number,
        segment=segment,
        likelihood=likelihood,
        loose=likelihood.loosened(_NOISY_TOO),
        within=within_white(segment),
        within_noisy=within_white(segment, is_noisy=True),
        mean=float(likelihood.weigh(residual).log_likelihood[0]),
        largest=float(np.abs(residual).max()) / T,
        largest_single=float(np.nanmax(single)) / T,
        heard=heard_at(segment),
    )


def _of_segment(base: _Base) -> list[Hypothesis]:
    """What could be wrong in one segment."""
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
    singles = [_caused(found_, base) for found_ in _fits(base, vague[1].log_odds - base.noisy + base.mean)]
    found += singles
    # Two at once only where neither one cause nor mere scatter leaves nothing to explain.
    best = max(singles, key=lambda each: each.log_odds, default=vague[0])
    is_left = best.log_odds < max(each.log_odds for each in vague) + PRIORS.trying.sick_nats or not is_ordinary(
        best.scale, segment
    )
    if base.largest_single > 1 and is_left:
        found += with_a_second(singles, segment, base.loose, base.mean - base.noisy)
    if scattered:
        found += with_scatter(singles, segment, base.heard, log_evidence=base.log_evidence, noisy=base.noisy)
    return [each for each in found if not _explains_nothing(each, base)]


def _explains_nothing(found: Hypothesis, base: _Base) -> bool:
    """What is left is beyond any noise that is reckoned with: a cause that gives less of it is no likelier for that."""
    if found.predicted is None:
        return False
    left = (base.segment.y - found.predicted)[base.segment.is_read]
    return float(np.median(np.abs(left))) > PRIORS.trying.hopeless_sds * float(np.median(base.segment.noise))


def _fits(base: _Base, floor: float) -> Iterator[Fit]:
    """Each cause at each stage that can have it."""
    segment = base.segment
    is_last = segment.last == len(segment.sheet.taps) - 1
    for cause in CAUSES:
        # An instrument that is wrong between two others shows in the next segment too (`_liars`).
        if cause.place == "reading" and not is_last:
            continue
        for stage in segment.stages:
            if cause.applies(segment, stage):
                found = fit(cause, segment, stage, base.loose, floor=floor)
                floor = max(floor, found.log_evidence)
                yield found


def _noisy_run(base: _Base) -> float:
    """Log odds of the run alone, if it has noise of a kind that is not named."""
    segment = base.segment
    loose = Likelihood(segment.noise[segment.is_read], imperfections(segment), width=PRIORS.scatter.loose_log_width)
    mean = float(loose.weigh((segment.y - segment.ideal)[segment.is_read]).log_likelihood[0])
    return mean + max(base.within_noisy, base.within) - base.log_evidence


def _noise(base: _Base, kinds: list[Scatter]) -> Hypothesis:
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


def _strange(base: _Base) -> Hypothesis:
    return Hypothesis(
        name="unknown",
        place=base.segment.name,
        segment=base.number,
        log_odds=unknown(base.segment) - base.mean,
        weight=PRIORS.unknown.weight,
        parameters_n=PRIORS.unknown.parameters_n,
        effect=base.largest,
        text="no cause of the catalogue fits these readings",
        check="Take more points, up and down, and read the taps between.",
    )


def _caused(found: Fit, base: _Base) -> Hypothesis:
    cause, segment = found.cause, base.segment
    return Hypothesis(
        name=cause.name,
        place=segment.after.name if cause.place == "reading" else segment.sheet.stages[found.stage].name,
        segment=base.number,
        log_odds=found.log_evidence + base.noisy_with(cause) - base.mean,
        weight=cause.weight,
        log_likelihood=found.log_likelihood,
        predicted=found.predicted,
        parameters_n=found.theta.size,
        text=cause.say(found.theta, segment, found.stage),
        check=cause.check,
        is_of_bench=cause.is_of_bench,
        contains=cause.contains,
        scale=found.scale,
        effect=float(np.abs(found.predicted - segment.ideal)[segment.is_read].max()) / segment.tolerance,
        explains_scatter=base.own_noise(cause) is not None,
        fit=found,
    )


def _source(cause: Cause, base: _Base) -> Hypothesis:
    found = _caused(fit(replace(cause, place="input"), base.segment, 0, base.likelihood), base)
    return replace(
        found,
        name="source error",
        place="source",
        text=f"its output differs from its setting: {found.text}",
        check="Take what was measured at the first tap as the input, and have the source calibrated.",
        is_of_bench=True,
        contains=(),
    )


def _scatter(found: Scatter, base: _Base) -> Hypothesis:
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
        explains_scatter=True,
    )


def _transcribed(bases: list[_Base], weighed: Callable[[Series], list[_Base]]) -> Iterator[Hypothesis]:
    """Slips in a column or in single cells: all readings as they were meant, whatever the unit may have besides.

    No factor stretches the evidence: the digits are the same, whatever unit stands above them.

    Args:
        bases: of the readings as they were written.
        weighed: the same of others.
    """
    good = sum(base.log_evidence for base in bases)

    def told(slip: Slip | Column, log_odds: float, weight: float) -> Hypothesis:
        return Hypothesis(
            name=slip.name,
            place=slip.tap,
            segment=bases[-1].number,
            log_odds=log_odds,
            weight=weight,
            text=slip.text,
            check=slip.check,
            is_of_bench=True,
        )

    segment = bases[-1].segment if bases else None
    if segment is None:
        return
    for column in columns(segment.series, segment.sheet):
        yield told(column, _besides(weighed(column.series)) - good, PRIORS.weights.column)
    if max(base.largest_single for base in bases) < PRIORS.trying.near_share:
        return
    for slip in slips([base.segment for base in bases], lambda meant: _besides(weighed(meant))):
        yield told(slip, _with_a_fault(weighed(slip.series)) - slip.cost - good, PRIORS.weights.slip)


def _besides(bases: list[_Base]) -> float:
    """Log evidence of readings of a good unit, or of one that has something unknown."""
    return sum(
        max(max(each.mean, unknown(each.segment) + _NOISY_TOO) + each.within, _quiet(each.segment)) for each in bases
    )


def _quiet(segment: Segment) -> float:
    """Held against kinds of noise, which believe in less scatter than a good unit is given, readings are as quiet."""
    return quiet(segment) if segment.first >= 0 else -np.inf


def _with_a_fault(bases: list[_Base]) -> float:
    """The same, of a good unit or of one with a fault of the catalogue."""
    if max(base.largest for base in bases) < PRIORS.trying.near_share:
        return _besides(bases)
    good = sum(base.log_evidence for base in bases)
    faults = [each for base in bases for each in _of_segment(base)]
    weights = np.array([each.weight for each in faults])
    odds = np.log(weights / weights.sum()) + np.array([each.log_odds for each in faults])
    return max(_besides(bases), good + float(logsumexp(np.append(odds, 0.0))) - float(np.log(2)))


def _liars(before: _Base, after: _Base, around: _Base) -> Iterator[Hypothesis]:
    """A tap between two others whose instrument alone is wrong: around it the chain is in order."""
    segment = before.segment
    chain = around.log_evidence - before.log_evidence - after.log_evidence
    tap = segment.after.name
    if segment.first >= 0:
        for cause in CAUSES:
            if cause.place == "reading" and cause.applies(segment, segment.last - 1):
                found = fit(cause, segment, segment.last - 1, before.likelihood)
                hypothesis = _caused(found, before)
                yield replace(hypothesis, log_odds=found.log_evidence + before.within + chain)
    yield Hypothesis(
        name="instrument",
        place=tap,
        segment=before.number,
        log_odds=unknown(segment) + before.within + chain,
        weight=PRIORS.weights.instrument,
        parameters_n=PRIORS.unknown.parameters_n,
        text=f'what reads the tap "{tap}" disagrees with all others, which agree with each other',
        check=f'Read the tap "{tap}" with a second instrument.',
        is_of_bench=True,
    )
