"""Two causes at once that one explains as well, and causes with scatter about them."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from sequencer.diagnosis.model.catalogue import CAUSES
from sequencer.diagnosis.model.healthy_model import is_ordinary
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.noise_evidence import Scatter, scatters
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.two_causes import TRIMS, PairSearch, posterior
from sequencer.diagnosis.noise.captured import Heard

__all__ = ["instead_of_a_line", "with_scatter"]

_LINE = "zero and span"
_CAUSES = frozenset(cause.name for cause in CAUSES)


def instead_of_a_line(singles: Sequence[Hypothesis], segment: Segment, pairs: PairSearch) -> Iterator[Hypothesis]:
    """Each cause at the bench or in the wiring that leaves the same straight line with a trim of the unit beside it.

    Zero and span together take any line for their own. Each suspect comes once, with the likelier of the two trims.

    Args:
        singles: causes that were fitted alone.
        segment: what was read.
        pairs: of its causes.
    """
    leading = max(singles, key=posterior, default=None)
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
    trims = [cause for cause in CAUSES if cause.name in TRIMS]
    for _, suspect in outside:
        if suspect.cause.name not in named and any(suspect.cause.sizes_at(segment, suspect.stage).is_free):
            both = max((pairs.joined(pairs.with_a_trim(suspect, trim)) for trim in trims), key=posterior)
            if _is_near(both, line, segment):
                yield both


def _is_near(one: Hypothesis, other: Hypothesis, segment: Segment) -> bool:
    assert one.predicted is not None
    assert other.predicted is not None
    return bool(np.nanmax(np.abs(one.predicted - other.predicted)) < PRIORS.pairs.apart_share * segment.tolerance)


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
    first = max((each for each in singles if each.fit is not None), key=posterior, default=None)
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
        fits=(),
    )
