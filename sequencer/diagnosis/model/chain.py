"""What is wrong over the whole chain: each stage by itself, or together with a tap between two that is misread.

Between taps that were read the stages are independent, except for what an instrument that misreads a tap does to both
its neighbours. So the chain is cut into runs of segments, each healthy or wrong in one of its ways, and all cuts are
summed, forward and backward.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from instruments.datasheet import DataSheet, FloatArray
from sequencer.diagnosis.model import unknown
from sequencer.diagnosis.model.as_meant import as_meant
from sequencer.diagnosis.model.catalogue import CAUSES
from sequencer.diagnosis.model.cause import Cause
from sequencer.diagnosis.model.fit import fit
from sequencer.diagnosis.model.healthy_model import segment_between, segments_of
from sequencer.diagnosis.model.hypotheses import Base, base_of, caused, of_segment
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.likelihood import Likelihood
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Act, Equation, Segment
from sequencer.diagnosis.model.series import Series
from sequencer.evaluation.budget import Basis
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["Way", "Weighing", "likeliest", "log_sums", "weighing"]


_SAME = 1e-9  # of the largest reading: what arithmetic leaves


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How a run of neighbouring segments can be wrong.

    Attributes:
        first: index of its first segment.
        end: index behind its last one.
        parts: what is wrong: one hypothesis, or a tap that is misread and a fault in one of the stages beside it.
        log_odds: of all of it, against segments that are all healthy.
    """

    first: int
    end: int
    parts: tuple[Hypothesis, ...]
    log_odds: float


@dataclass(frozen=True, kw_only=True)
class Weighing:
    """Segments of a chain with the likelihoods of a good unit, and every way in which they can be wrong.

    Attributes:
        segments: of the chain, in order; behind them those that join two around a tap that may be misread.
        likelihoods: of a good unit, one for each of the segments.
        chain_n: how many of the segments are the chain.
        ways: of all runs.
    """

    segments: tuple[Segment, ...]
    likelihoods: tuple[Likelihood, ...]
    chain_n: int
    ways: tuple[Way, ...]

    @cached_property
    def hypotheses(self) -> tuple[Hypothesis, ...]:
        """Every part of every way, once."""
        return tuple({id(part): part for way in self.ways for part in way.parts}.values())

    def remains(self, found: Hypothesis) -> float:
        """The largest error of a mean that it leaves, as fraction of the span; 0 where a good unit has as much."""
        if found.predicted is None:
            return 0.0
        segment = self.segments[found.segment]
        left = segment.largest(segment.y - found.predicted)
        return left if left > PRIORS.trying.near_share * segment.tolerance else 0.0

    def log_priors(self) -> list[float]:
        """Log prior of each way beside the others: as its causes are common, and rarer for each place that is wrong."""
        weights = sum(way.parts[0].weight for way in self.ways if len(way.parts) == 1)
        rarer = float(np.log(PRIORS.chain.another))
        return [
            sum(float(np.log(part.weight / weights)) for part in way.parts) + rarer * (len(way.parts) - 1)
            for way in self.ways
        ]


_UNREAD = Hypothesis(
    name="unknown", place="", segment=-1, log_odds=0.0, weight=1.0,
    text="no reading bears on it", check="Read the output beside the input.",
)  # fmt: skip


def weighing(series: Series, sheet: DataSheet, type_sheet: TypeSheet, basis: Basis) -> Weighing:
    """Every way in which a unit can be wrong, weighed against its readings.

    Args:
        series: the readings.
        sheet: of the unit.
        type_sheet: its tolerances.
        basis: what is stated of the instruments; resolutions are taken from it.
    """
    bases = _bases(series, sheet, type_sheet, basis)
    ways = [
        Way(first=base.number, end=base.number + 1, parts=(found,), log_odds=found.log_odds)
        for base in bases
        for found in of_segment(base)
    ]
    arounds: list[Base] = []
    for before, after in pairwise(bases):
        if min(before.largest, after.largest) >= PRIORS.trying.near_share:
            also_read = _only_where(series, before.segment.after.name, after.segment.after.name)
            segment = segment_between(also_read, sheet, type_sheet, basis, before.segment.first, after.segment.last)
            around = base_of(len(bases) + len(arounds), segment)
            arounds.append(around)
            ways += _misread(before, after, around)
    if series.is_keyed:
        for found in as_meant(bases, lambda meant: _bases(meant, sheet, type_sheet, basis)):
            ways.append(Way(first=0, end=len(bases), parts=(found,), log_odds=found.log_odds))
    all_bases = [*bases, *arounds]
    return Weighing(
        segments=tuple(base.segment for base in all_bases),
        likelihoods=tuple(base.likelihood for base in all_bases),
        chain_n=max(len(bases), 1),
        ways=tuple(ways) if bases else (Way(first=0, end=1, parts=(_UNREAD,), log_odds=0.0),),
    )


def _bases(series: Series, sheet: DataSheet, type_sheet: TypeSheet, basis: Basis) -> list[Base]:
    segments = [each for each in segments_of(series, sheet, type_sheet, basis) if each.is_read.any()]
    return [base_of(number, segment) for number, segment in enumerate(segments)]


def _only_where(series: Series, tap: str, other: str) -> Series:
    """The readings of the other tap only where this one was read: more readings are no argument for an explanation."""
    value = np.where(np.isfinite(series.value[tap]), series.value[other], np.nan)
    return replace(series, value=series.value | {other: value})


def _misread(before: Base, after: Base, around: Base) -> Iterator[Way]:
    """A tap between two others that is misread: both its neighbours are in order, or one is wrong in its own way."""
    of_both = before.log_evidence + after.log_evidence
    besides = sorted(of_segment(around, is_alone=False), key=lambda each: -each.log_odds - np.log(each.weight))
    tried = (None, *besides[: PRIORS.chain.besides_n])
    alike: dict[str, list[tuple[tuple[Hypothesis, ...], float]]] = {}
    for parts, evidence in (*_passed(before, after, around, tried), *_seen_by_both(before, after, tried)):
        alike.setdefault(parts[0].name, []).append((parts, evidence - of_both))
    for found in alike.values():
        # One cause, whatever is wrong beside it: with the sizes that suit the readings best.
        best = max(found, key=lambda each: each[1])[0][0]
        for parts, odds in found:
            yield Way(first=before.number, end=after.number + 1, parts=(best, *parts[1:]), log_odds=odds)


def _reading_causes(segment: Segment) -> Iterator[Cause]:
    """What can be wrong with what reads the tap behind a segment; none where it is the source alone."""
    for cause in CAUSES if segment.first >= 0 else ():
        if cause.place == "reading" and cause.applies(segment, segment.last - 1):
            yield cause


def _passed(
    before: Base, after: Base, around: Base, besides: Sequence[Hypothesis | None]
) -> Iterator[tuple[tuple[Hypothesis, ...], float]]:
    """What says nothing of the signal at the tap, so that the readings past it are all there is; with all evidence."""
    segment, tap = before.segment, before.segment.after.name
    causes = [cause for cause in _reading_causes(segment) if _undone(cause, segment) is None]
    nearer = after if segment.first < 0 or after.segment.tolerance < segment.tolerance else before
    instrument = Hypothesis(
        name="instrument",
        place=tap,
        segment=nearer.number,
        log_odds=0.0,
        weight=PRIORS.weights.instrument,
        parameters_n=PRIORS.unknown.parameters_n,
        text=f'what reads the tap "{tap}" disagrees with the taps around it',
        check=f'Read the tap "{tap}" with a second instrument.',
        is_of_bench=True,
    )
    strange = unknown.log_evidence(nearer.segment)
    plain = list(_lies(causes, before, ()))
    for beside in besides:
        rest = () if beside is None else (beside,)
        past = around.log_evidence + sum(each.log_odds for each in rest)
        # What comes to the tap has the fault of a stage before it, and is misread then.
        ahead = [each for each in (() if beside is None else beside.fits) if each.stage in segment.stages]
        acts = [each.cause.act(each.theta[np.newaxis], segment, each.stage) for each in ahead]
        lies = list(_lies(causes, before, acts)) if acts else plain
        for lie, evidence in (*lies, (instrument, strange)):
            yield (lie, *rest), evidence + before.within + past


def _lies(causes: Sequence[Cause], before: Base, ahead: Sequence[Act]) -> Iterator[tuple[Hypothesis, float]]:
    """Ways in which the tap is misread, behind what is wrong before it, with all evidence of its readings."""
    segment = before.segment
    for cause in causes:
        found = fit(cause, segment, segment.last - 1, before.likelihood, ahead)
        yield caused(found, before), found.log_evidence


def _seen_by_both(
    before: Base, after: Base, besides: Sequence[Hypothesis | None]
) -> Iterator[tuple[tuple[Hypothesis, ...], float]]:
    """A misreading that shows in both stages beside the tap: its sizes from the one, the other as these leave it."""
    segment = before.segment
    within = before.within + after.within
    for cause in _reading_causes(segment):
        undone = _undone(cause, segment)
        if undone is None:
            continue
        looks = ((before, cause, segment.last - 1), (after, undone, segment.last))
        fits = [fit(as_seen, base.segment, stage, base.likelihood) for base, as_seen, stage in looks]
        for beside in besides:
            if beside is None:
                shown = int(after.segment.tolerance < segment.tolerance)
            elif beside.fit is not None:  # what is wrong beside it hides its sizes in that stage
                shown = int(beside.fit.stage in segment.stages)
            else:
                continue
            found, (base, _, stage), (left, as_left, at) = fits[shown], looks[shown], looks[1 - shown]
            lie = caused(replace(found, cause=cause), base)
            lie = replace(lie, place=segment.after.name, text=cause.say(found.theta, segment, stage))
            act = as_left.act(found.theta[np.newaxis], left.segment, at)
            if (
                beside is not None
                and beside.fit is not None
                and not beside.fit.cause.may_be(left.segment, beside.fit.stage)
            ):
                continue
            if beside is None or beside.fit is None:
                rest = (left.segment.y - left.segment.predict((act,)))[:, left.segment.is_read]
                yield (lie,), found.log_evidence + within + float(left.likelihood.weigh(rest).log_likelihood[0])
            else:
                too = fit(beside.fit.cause, left.segment, beside.fit.stage, left.loose, (act,))
                yield (lie, caused(too, left)), found.log_evidence + within + too.log_evidence


def _undone(cause: Cause, segment: Segment) -> Cause | None:
    """What is misread at the tap before a stage, as what the stage is given in truth; None where nothing tells that."""
    if cause.is_behind:
        return None

    def make(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
        shown = cause.make(theta, segment, segment.last - 1)

        def truth(value: FloatArray) -> FloatArray:
            offset = shown(np.zeros_like(value))
            return (value - offset) / (shown(np.ones_like(value)) - offset)

        return truth

    start = cause.sizes_at(segment, segment.last - 1).start
    value = np.nan_to_num(segment.after.value(segment.y))[np.newaxis]
    shown = cause.make(start, segment, segment.last - 1)(np.broadcast_to(value, (len(start), value.size)))
    with np.errstate(invalid="ignore", divide="ignore"):
        back = make(start, segment, 0)(shown)
    # Readings of which many mean the same cannot be read backwards.
    is_whole = np.allclose(back, value, atol=_SAME * float(np.abs(value).max()))
    return replace(cause, place="misread", make=make) if is_whole else None


def log_sums(spans: Sequence[tuple[int, int, float]], length: int) -> tuple[FloatArray, FloatArray]:
    """Log sums over all cuts of the segments before, and from, each joint between two of them.

    Args:
        spans: first and end of each run that is wrong, and its log weight; a healthy segment weighs 1.
        length: how many segments.

    Returns:
        Two arrays of shape (length + 1,): over the segments before each joint, and over those from it.
    """
    forward, backward = np.zeros(length + 1), np.zeros(length + 1)
    for joint in range(1, length + 1):
        into = [forward[first] + weight for first, end, weight in spans if end == joint]
        forward[joint] = np.logaddexp.reduce([forward[joint - 1], *into])
    for joint in range(length - 1, -1, -1):
        onward = [weight + backward[end] for first, end, weight in spans if first == joint]
        backward[joint] = np.logaddexp.reduce([backward[joint + 1], *onward])
    return forward, backward


def likeliest(spans: Sequence[tuple[int, int, float]], length: int) -> tuple[int, ...]:
    """Indices of the runs that are wrong in the likeliest cut of all, in order; arguments as those of `log_sums`."""
    best: list[tuple[float, tuple[int, ...]]] = [(0.0, ())]
    for joint in range(1, length + 1):
        into = [
            (best[first][0] + weight, (*best[first][1], index))
            for index, (first, end, weight) in enumerate(spans)
            if end == joint
        ]
        best.append(max((best[joint - 1], *into), key=lambda each: each[0]))
    return best[length][1]
