"""From readings to findings: a ranked list of causes with weights, the evidence, and the next check."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.chain import Weighing, likeliest, log_sums, weighing
from sequencer.diagnosis.model.hypotheses import TINY_EFFECT
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.series import series_of
from sequencer.evaluation.budget import Basis
from sequencer.evaluation.certificates import with_certified
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["Finding", "Findings", "diagnose"]

# How probable a healthy unit is, by the verdict on it (trade practice, no source).
_HEALTHY = {"pass": 0.98, "conditional pass": 0.9, "conditional fail": 0.3, "fail": 0.02, "not determinable": 0.3}
_SMALL_EFFECT = 0.8
_ALIKE_NATS = 1.5
_LEAST_SHARE = 1e-4
_LEAST_WEIGHT = 1e-4
_ALIKE_DISTANCE = 2.0
_SURE_OF_A_PART = 0.99
_NO_FAULT = Hypothesis(
    name="no fault", place="", segment=-1, log_odds=0.0, weight=0.0, parameters_n=0,
    text="nothing beyond what a good unit does", check="",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Causes not distinguishable with these readings, the commonest first.

    Attributes:
        weight: probability that one of them is the cause.
        causes: the members, each with its own share.
        shares: probability of each.
        first: index of the first segment that they explain.
        end: index behind the last one.
    """

    weight: float
    causes: tuple[Hypothesis, ...]
    shares: tuple[float, ...]
    first: int = 0
    end: int = 1

    @property
    def best(self) -> Hypothesis:
        """The commonest member."""
        return self.causes[0]

    @property
    def names(self) -> tuple[str, ...]:
        """The causes by name, each once."""
        return tuple(dict.fromkeys(each.name for each in self.causes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is the matter with a unit.

    Attributes:
        ranked: the most probable first; causes at several places can all be sure.
        leading: those of the likeliest explanation of the whole chain, in its order.
        weighing: what they come from.
    """

    ranked: tuple[Finding, ...]
    leading: tuple[Finding, ...]
    weighing: Weighing

    def rivals(self, of: Finding) -> tuple[Finding, ...]:
        """What else could explain the same part of the chain, the most probable first."""
        return tuple(
            each
            for each in self.ranked
            if not any(each is other for other in self.leading) and each.first < of.end and of.first < each.end
        )


def diagnose(table: pd.DataFrame, type_sheet: TypeSheet, *, result: str, basis: Basis | None = None) -> Findings:
    """Ranked causes for the readings of one unit.

    Args:
        table: tidy, of one unit.
        type_sheet: what the unit should do.
        result: of the verdict: pass, conditional pass, conditional fail, fail, not determinable.
        basis: what is stated of the instruments.
    """
    basis = basis or Basis()
    sheet = with_certified(type_sheet.datasheet(), basis.statements)
    found = weighing(series_of(table, sheet), sheet, type_sheet, basis)
    return _findings(found, _HEALTHY[result])


def _findings(found: Weighing, healthy: float) -> Findings:
    hypotheses = found.hypotheses
    number = {id(each): index for index, each in enumerate(hypotheses)}
    members = [[number[id(part)] for part in way.parts] for way in found.ways]
    # What stays within the tolerance is no fault, whatever its shape; and it is not why a unit failed.
    least = _SMALL_EFFECT if healthy > 0.5 else TINY_EFFECT
    # Of a passed unit an instrument is not doubted for what the stage that it stands behind may have of itself.
    is_small = [each.effect < (1.0 if each.is_of_bench and healthy > 0.5 else least) for each in hypotheses]
    is_idle = [all(is_small[each] for each in parts) for parts in members]
    spans = _spans(found, [idles and healthy <= 0.5 for idles in is_idle])
    of_ways, good = _posterior(spans, is_idle, found.chain_n, healthy)
    shares = np.zeros(len(hypotheses))
    for parts, share in zip(members, of_ways, strict=True):
        for each in parts:
            shares[each] += 0.0 if is_small[each] else share
    runs = [(way.first, way.end) for way in found.ways]
    reached = [_runs(index, members, runs) for index in range(len(hypotheses))]
    groups = _groups(hypotheses, shares, reached, found)
    ranked = []
    for group in groups:
        # A way that takes two causes of a group counts once.
        has_any = [any(each in group and not is_small[each] for each in parts) for parts in members]
        # While more than noise remains, something else is the matter too.
        most = _SURE_OF_A_PART if found.remains(hypotheses[group[0]]) else 1.0
        weight = min(float(of_ways[has_any].sum()), most)
        ranked.append(_finding(hypotheses, shares, group, reached[group[0]], weight=weight))
    ranked.append(Finding(weight=good, causes=(_NO_FAULT,), shares=(good,), end=found.chain_n))
    ranked.sort(key=lambda each: -each.weight)
    leading: tuple[Finding, ...] = ()
    if ranked[0].best is not _NO_FAULT:
        leading = _leading(ranked, spans, members, hypotheses, found.chain_n)
    return Findings(ranked=tuple(ranked), leading=leading or (ranked[0],), weighing=found)


def _spans(found: Weighing, is_out: Sequence[bool]) -> list[tuple[int, int, float]]:
    """Each way as `log_sums` takes it; those that are out weigh nothing."""
    rarer = float(np.log(PRIORS.chain.another))
    return [
        (way.first, way.end, -np.inf if out else float(prior) + rarer + way.log_odds)
        for way, prior, out in zip(found.ways, found.log_priors(), is_out, strict=True)
    ]


def _posterior(
    spans: Sequence[tuple[int, int, float]], is_idle: Sequence[bool], length: int, healthy: float
) -> tuple[FloatArray, float]:
    """Probability of each way, whatever else is wrong beside it, and that nothing is wrong that shows."""
    # Weights say "and another place": of the first one the prior is that of a unit that is not healthy.
    first = float(np.log1p(-healthy) - np.log(PRIORS.chain.another))
    before, after = log_sums(spans, length)
    idle, _ = log_sums([span for span, idles in zip(spans, is_idle, strict=True) if idles], length)
    good, total = (np.logaddexp(np.log(healthy), first + _log_less_one(float(each[-1]))) for each in (idle, before))
    of_ways = np.exp([first + before[start] + weight + after[end] - total for start, end, weight in spans])
    return of_ways, float(np.exp(good - total))


def _log_less_one(log_sum: float) -> float:
    """Logarithm of a sum less its healthy term, which weighs 1."""
    return float(log_sum + np.log(-np.expm1(-log_sum))) if log_sum > 0 else -np.inf


def _runs(
    hypothesis: int, members: Sequence[Sequence[int]], runs: Sequence[tuple[int, int]]
) -> frozenset[tuple[int, int]]:
    """The runs of segments that it explains."""
    return frozenset(run for run, parts in zip(runs, members, strict=True) if hypothesis in parts)


def _groups(
    hypotheses: Sequence[Hypothesis],
    shares: FloatArray,
    reached: Sequence[frozenset[tuple[int, int]]],
    found: Weighing,
) -> list[list[int]]:
    """Causes that these readings cannot tell apart together: the most probable groups first, in each the commonest."""
    order = np.argsort(-shares)
    groups: list[list[int]] = []
    taken: set[int] = set()
    for index in map(int, order):
        if index in taken or shares[index] < _LEAST_WEIGHT:
            continue
        group = [index]
        group += [
            other
            for other in map(int, order)
            if other != index
            and other not in taken
            and shares[other] > _LEAST_SHARE * shares[index]
            and reached[index] == reached[other]
            and _is_alike(hypotheses[index], hypotheses[other], found)
        ]
        taken.update(group)
        # Where readings cannot tell, how often the trade meets a cause orders them.
        groups.append(sorted(group, key=lambda each: (-hypotheses[each].weight, -shares[each])))
    return groups


def _finding(
    hypotheses: Sequence[Hypothesis],
    shares: FloatArray,
    group: Sequence[int],
    reached: frozenset[tuple[int, int]],
    *,
    weight: float,
) -> Finding:
    return Finding(
        weight=weight,
        causes=tuple(hypotheses[each] for each in group),
        shares=tuple(float(shares[each]) for each in group),
        first=min(first for first, _ in reached),
        end=max(end for _, end in reached),
    )


def _leading(
    ranked: Sequence[Finding],
    spans: Sequence[tuple[int, int, float]],
    members: Sequence[Sequence[int]],
    hypotheses: Sequence[Hypothesis],
    length: int,
) -> tuple[Finding, ...]:
    """The findings of the likeliest explanation of the whole chain, in its order."""
    of = {id(cause): place for place, each in enumerate(ranked) for cause in each.causes}
    sums: dict[tuple[int, int, tuple[int, ...]], float] = {}
    for (first, end, weight), parts in zip(spans, members, strict=True):
        places = tuple(of[id(hypotheses[part])] for part in parts if id(hypotheses[part]) in of)
        if places:
            key = (first, end, places)
            sums[key] = float(np.logaddexp(sums.get(key, -np.inf), weight))
    keys = list(sums)
    chosen = likeliest([(first, end, sums[first, end, places]) for first, end, places in keys], length)
    return tuple(ranked[place] for index in chosen for place in keys[index][2])


def _is_alike(one: Hypothesis, other: Hypothesis, found: Weighing) -> bool:
    """No reading tells the two apart: as likely, and the same at each visit within the measurement."""
    if one.segment != other.segment or one.predicted is None or other.predicted is None:
        return False
    if one.name in other.contains or one.scatter != other.scatter or one.is_partly_unknown != other.is_partly_unknown:
        return False
    segment, likelihood = found.segments[one.segment], found.likelihoods[one.segment]
    means = np.stack((one.predicted, other.predicted))[:, segment.is_read]
    if float((likelihood.whitened(means[0] - means[1], 1.0) ** 2).sum()) > _ALIKE_DISTANCE**2:
        return False
    # By one measure for both: each cause's own covariance is an approximation where it holds or amplifies.
    first, second = likelihood.weigh(segment.y[segment.is_read] - means).log_likelihood
    return bool(abs(first - second) < _ALIKE_NATS)
