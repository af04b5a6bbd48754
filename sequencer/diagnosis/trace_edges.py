"""Pulses of a trace as it is, or, where they are told better so, without strong hum or a baseline that wanders."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.edges import Edges, edges_of
from sequencer.diagnosis.noise.hum import hum_rates, without_hum
from sequencer.diagnosis.noise.inverter import mains_of
from sequencer.diagnosis.noise.pulses import PulseTrain, pulse_train
from sequencer.diagnosis.noise.rhythm import LEAST_N
from sequencer.diagnosis.noise.spectrum import Line, less_mean
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["Given", "Pulsed", "given_of", "pulses_by", "pulses_in"]

_STEADIED_PERIODS = 5.0  # that a running mean is taken over: a pulse that is missing hardly moves it
_WANDERS = 0.3  # of the height of pulses: a baseline that moves by more may displace edges
_MOST_STEADIED_N = 2**22  # samples: of more a running mean takes too much room
_JUDGED_N = 2**20  # samples that tell whether pulses are told better without hum
_ALIKE = 0.005  # of a rate
_MULTIPLE, _MOST_MULTIPLE = 0.01, 12  # pulses that keep time with mains are not told from its multiples
_OF_HUM = 0.2  # of the hum from end to end: what rides on pulses at the rate of mains and is lower is their hash
_SURER = 0.5  # times the jitter
_NEAR = 0.1  # of a rate
_STEADIER = 0.7  # times the jitter


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulsed:
    """What the pulses of a trace are.

    Attributes:
        values: that they are found in, shape (n,).
        edges: as thresholds find them; None where there are none.
        train: None where there is no pulse train, then `no_train` says why.
        no_train: "" where there is one.
        hum_moved: from end to end, by hum that is taken out; 0 = none is.
        hums: lines of that hum.
    """

    values: FloatArray
    edges: Edges | None
    train: PulseTrain | None
    no_train: str
    hum_moved: float = 0.0
    hums: tuple[Line, ...] = ()

    def about(self, moved: float) -> "Pulsed":
        """The same, of a trace that a baseline was taken out of, which moves so far from end to end."""
        assert self.train is not None
        edges = replace(self.train.edges, baseline=max(self.train.edges.baseline, moved))
        return replace(self, edges=edges, train=replace(self.train, edges=edges))


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """Thresholds that were given.

    Attributes:
        lower: that arms.
        upper: that counts.
        is_swapped: they were given in the wrong order.
        is_inside: both lie in the trace.
        suited: lower and upper one that would do, where these do not lie in it; None where none are found.
        suited_Hz: rate that is counted with those; NaN without any.
    """

    lower: float
    upper: float
    is_swapped: bool
    is_inside: bool
    suited: tuple[float, float] | None = None
    suited_Hz: float = math.nan


def given_of(
    values: FloatArray, times_s: FloatArray, thresholds: tuple[float | None, float | None], lines: Sequence[Line]
) -> Given | None:
    """Thresholds that were given, and others where these do not lie in the trace; None where none were.

    Args:
        values: shape (n,), no NaN.
        times_s: shape (n,), rising.
        thresholds: as they were given; None = found, or as the other one.
        lines: of the trace, strongest first.
    """
    ends = [each for each in thresholds if each is not None]
    if not ends:
        return None
    given = Given(
        lower=min(ends),
        upper=max(ends),
        is_swapped=len(ends) > 1 and ends[0] > ends[1],
        is_inside=bool(values.min() < min(ends) and max(ends) < values.max()),
    )
    if given.is_inside:
        return given
    train = pulses_in(values, times_s, lines, pulses_per_revolution=None).train
    if train is None or train.edges.baseline or train.edges.filter_s:
        return given
    return replace(given, suited=(train.edges.lower, train.edges.upper), suited_Hz=train.rate_Hz)


def pulses_by(
    values: FloatArray,
    times_s: FloatArray,
    thresholds: tuple[float | None, float | None],
    *,
    pulses_per_revolution: int | None,
) -> Pulsed:
    """Edges, the train that they are, and why they are none; as far as there are such.

    Args:
        values: shape (n,), no NaN.
        times_s: shape (n,), rising.
        thresholds: lower and upper one; None = found.
        pulses_per_revolution: of the wheel; None = not known.

    """
    edges = None
    try:
        edges = edges_of(values, times_s, lower=thresholds[0], upper=thresholds[1])
        train = pulse_train(edges, pulses_per_revolution=pulses_per_revolution)
        return Pulsed(values=values, edges=edges, train=train, no_train="")
    except ReadingsError as error:
        return Pulsed(values=values, edges=edges, train=None, no_train=error.what)


def pulses_in(
    values: FloatArray, times_s: FloatArray, lines: Sequence[Line], *, pulses_per_revolution: int | None
) -> Pulsed:
    """Pulses by thresholds that are found, in the trace as it is, or without what stands in their way.

    Args:
        values: shape (n,), no NaN.
        times_s: shape (n,), rising.
        lines: of the trace, strongest first.
        pulses_per_revolution: of the wheel; None = not known.
    """

    def found(cleaned: FloatArray) -> Pulsed:
        return pulses_by(cleaned, times_s[: len(cleaned)], (None, None), pulses_per_revolution=pulses_per_revolution)

    hum_Hz = hum_rates(lines, float(np.ptp(values)), float(times_s[-1] - times_s[0]))
    # What is better is told by the beginning of a long trace; all of it is looked at once.
    judged_n = _JUDGED_N if hum_Hz else len(values)
    raw = found(values[:judged_n])
    if judged_n < len(values) and _has_few(raw):
        judged_n, raw = len(values), found(values)
    if _has_few(raw):
        return raw  # few pulses have multiples at mains too, which are no hum
    if hum_Hz:
        cleaned, moved = without_hum(values, times_s, hum_Hz)
        without = found(cleaned[:judged_n])
        is_better = without.train is not None and _is_better_without(raw.train, without.train, hum_Hz[0], moved)
        # A baseline that moves is followed by the swings of a trace, of which a long one has too many.
        is_easier = judged_n < len(values) and raw.train is not None and raw.train.edges.baseline > 0
        if is_better or (is_easier and without.train is not None and not _keeps_time(without.train.rate_Hz, hum_Hz[0])):
            rates_Hz = np.array([each.rate_Hz for each in lines])
            hums = tuple(lines[int(np.argmin(np.abs(rates_Hz - each)))] for each in hum_Hz)
            without = found(cleaned) if judged_n < len(values) else without
            if without.train is not None:
                return replace(without.about(moved), hum_moved=moved, hums=hums)
        del cleaned, without
    if judged_n < len(values):
        raw = found(values)
    if raw.train is None or len(values) > _MOST_STEADIED_N:
        return raw
    return _steadied(raw, raw.train, times_s, found)


def _steadied(raw: Pulsed, train: PulseTrain, times_s: FloatArray, found: Callable[[FloatArray], Pulsed]) -> Pulsed:
    """Pulses about a running mean, where the baseline wanders and they are told better without; else as they are."""
    values = raw.values
    steadied = less_mean(
        values, round(_STEADIED_PERIODS * len(values) / train.rate_Hz / float(times_s[-1] - times_s[0]))
    )
    moved = float(np.ptp(values - steadied))
    if moved > _WANDERS * train.edges.height:
        without = found(steadied)
        if without.train is not None and _is_steadier(train, without.train):
            return without.about(moved)
    return raw


def _has_few(pulsed: Pulsed) -> bool:
    """Whether there are edges, and too few of them for a train."""
    return pulsed.train is None and pulsed.edges is not None and len(pulsed.edges.rising_s) < LEAST_N


def _is_better_without(raw: PulseTrain | None, cleaned: PulseTrain, hum_Hz: float, moved: float) -> bool:
    """Whether the pulses of a trace whose hum is taken out are rather the true ones.

    Args:
        raw: of the trace as it is; None = none is seen.
        cleaned: of the trace without hum.
        hum_Hz: of the hum.
        moved: by the hum, from end to end.
    """
    if cleaned.edges.filter_s or _keeps_time(cleaned.rate_Hz, hum_Hz):
        return False
    if raw is None:
        return True
    if cleaned.marks is not None and raw.marks is None:
        return False  # what was taken out was of the pulses: it is lacking between them
    before, after = (each.extra_n + each.missing_n for each in (raw, cleaned))
    is_alike = abs(cleaned.rate_Hz / raw.rate_Hz - 1) < _ALIKE
    if raw.marks is not None and cleaned.marks is None and is_alike and after <= before:
        return True  # what made the marks uneven is out
    if _keeps_turn(hum_Hz, raw):
        return False
    if is_alike:
        return after < before or bool(raw.edges.filter_s)
    is_doubtful = bool(mains_of(raw.rate_Hz, raw.rate_Hz / raw.counted_n)) or bool(raw.edges.filter_s)
    is_surer = after < before or cleaned.scatter_pct < _SURER * raw.scatter_pct
    return (is_doubtful or is_surer) and after <= before and cleaned.edges.height > _OF_HUM * moved


def _is_steadier(raw: PulseTrain, cleaned: PulseTrain) -> bool:
    """Whether pulses about a baseline that wanders, which is taken out, are told better."""
    before, after = (each.extra_n + each.missing_n for each in (raw, cleaned))
    if cleaned.marks is not None and raw.marks is None:
        return False
    if cleaned.edges.filter_s > raw.edges.filter_s or abs(cleaned.rate_Hz / raw.rate_Hz - 1) > _NEAR:
        return False
    return after < before or (after == before and cleaned.scatter_pct < _STEADIER * raw.scatter_pct)


def _keeps_turn(hum_Hz: float, raw: PulseTrain) -> bool:
    """Whether hum is a multiple of the turns of a wheel that lacks a tooth or is uneven, as the record tells them."""
    if raw.marks is not None:
        turn_Hz = raw.rate_Hz / raw.marks.every_n
    elif raw.wheel is not None and raw.wheel.missing_at:
        turn_Hz = raw.rate_Hz / raw.wheel.pulses_n
    else:
        return False
    return abs(hum_Hz / turn_Hz - round(hum_Hz / turn_Hz)) * turn_Hz < 1 / raw.edges.length_s


def _keeps_time(rate_Hz: float, hum_Hz: float) -> bool:
    """Whether a rate is a multiple of that of hum, or a part of it."""
    turns = max(rate_Hz, hum_Hz) / min(rate_Hz, hum_Hz)
    return turns < _MOST_MULTIPLE and abs(turns - round(turns)) < _MULTIPLE * turns
