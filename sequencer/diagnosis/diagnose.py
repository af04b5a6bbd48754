"""From readings to findings: a ranked list of causes with weights, the evidence, and the next check."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sequencer.diagnosis.model.hypotheses import TINY_EFFECT, Weighing, weighing
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.likelihood import logsumexp
from sequencer.diagnosis.model.series import series_of
from sequencer.evaluation.budget import Basis
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["Finding", "Findings", "diagnose"]

# How probable a healthy unit is, by the verdict on it (trade practice, no source).
_HEALTHY = {"pass": 0.98, "conditional pass": 0.9, "conditional fail": 0.3, "fail": 0.02, "not determinable": 0.3}
_SMALL_EFFECT = 0.8
_ALIKE_NATS = 1.5
_LEAST_SHARE = 1e-4
_ALIKE_DISTANCE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Causes not distinguishable with these readings, the most probable one first.

    Attributes:
        weight: probability that one of them is the cause.
        causes: the members, each with its own share.
        shares: probability of each.
    """

    weight: float
    causes: tuple[Hypothesis, ...]
    shares: tuple[float, ...]

    @property
    def best(self) -> Hypothesis:
        """The most probable member."""
        return self.causes[0]

    @property
    def names(self) -> tuple[str, ...]:
        """The causes by name, each once."""
        return tuple(dict.fromkeys(each.name for each in self.causes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is the matter with a unit, ranked."""

    ranked: tuple[Finding, ...]
    weighing: Weighing


def diagnose(table: pd.DataFrame, type_sheet: TypeSheet, *, result: str, basis: Basis | None = None) -> Findings:
    """Ranked causes for the readings of one unit.

    Args:
        table: tidy, of one unit.
        type_sheet: what the unit should do.
        result: of the verdict: pass, conditional pass, conditional fail, fail, not determinable.
        basis: what is stated of the instruments.
    """
    sheet = type_sheet.datasheet()
    found = weighing(series_of(table, sheet), sheet, type_sheet, basis or Basis())
    return Findings(ranked=_ranked(found, _HEALTHY[result]), weighing=found)


def _ranked(found: Weighing, healthy: float) -> tuple[Finding, ...]:
    hypotheses = list(found.hypotheses)
    weights = np.array([each.weight for each in hypotheses])
    log_prior = np.log((1 - healthy) * weights / weights.sum())
    log_posterior = log_prior + np.array([each.log_odds for each in hypotheses])
    no_fault = Hypothesis(
        name="no fault",
        place="",
        segment=-1,
        log_odds=0.0,
        weight=0.0,
        log_likelihood=np.nan,
        predicted=None,
        parameters_n=0,
        text="nothing beyond what a good unit does",
        check="",
    )
    hypotheses.append(no_fault)
    log_posterior = np.append(log_posterior, np.log(healthy))
    posterior = np.exp(log_posterior - logsumexp(log_posterior))
    # What stays within the tolerance is no fault, whatever its shape; and it is not why a unit failed.
    is_small = np.array([each.effect < (_SMALL_EFFECT if healthy > 0.5 else TINY_EFFECT) for each in hypotheses])
    if healthy > 0.5:
        posterior[-1] += posterior[is_small].sum()
    posterior[is_small] = 0.0
    posterior /= posterior.sum()
    order = np.argsort(-posterior)
    findings: list[Finding] = []
    taken: set[int] = set()
    for index in order:
        if int(index) in taken or posterior[index] < 1e-4:
            continue
        members = [int(index)]
        members += [
            int(other)
            for other in order
            if int(other) != int(index)
            and int(other) not in taken
            and posterior[other] > _LEAST_SHARE * posterior[index]
            and _is_alike(hypotheses[index], hypotheses[other], found)
        ]
        taken.update(members)
        members.sort(key=lambda each: -posterior[each])
        shares = tuple(float(posterior[each]) for each in members)
        findings.append(Finding(weight=sum(shares), causes=tuple(hypotheses[each] for each in members), shares=shares))
    findings.sort(key=lambda each: -each.weight)
    return tuple(findings)


def _is_alike(one: Hypothesis, other: Hypothesis, found: Weighing) -> bool:
    """No reading tells the two apart: as likely, and the same at each visit within the measurement."""
    if one.segment != other.segment or one.predicted is None or other.predicted is None:
        return False
    if one.name in other.contains:
        return False
    segment, likelihood = found.segments[one.segment], found.likelihoods[one.segment]
    means = np.stack((one.predicted, other.predicted))[:, segment.is_read]
    if float((likelihood.whitened(means[0] - means[1], 1.0) ** 2).sum()) > _ALIKE_DISTANCE**2:
        return False
    # By one measure for both: each cause's own covariance is an approximation where it holds or amplifies.
    first, second = likelihood.weigh(segment.y[segment.is_read] - means).log_likelihood
    return bool(abs(first - second) < _ALIKE_NATS)
