"""Cuts a chain into segments between the taps that were read, and says what is ordinary in each."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from instruments.datasheet import DataSheet, FloatArray, Tap
from sequencer.diagnosis.model.fit import amplified
from sequencer.diagnosis.model.likelihood import Likelihood
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series, moving
from sequencer.evaluation.budget import Basis
from sequencer.inputs.tolerance import half_width
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["healthy", "imperfections", "is_ordinary", "segment_between", "segments_of"]

# A tolerance is averaged over so many inputs; digits are looked for to the sixth, and are there to this part of one.
_INPUTS_N, _DIGITS_N, _DIGIT_SLACK = 11, 7, 1e-3
_TINY, _TINY_S = 1e-300, 1e-9


def segments_of(series: Series, sheet: DataSheet, type_sheet: TypeSheet, basis: Basis) -> Iterator[Segment]:
    """The source alone, where its output was read, and the stages between each two taps that were read."""
    read = [
        index
        for index, tap in enumerate(sheet.taps)
        if tap.name in series.value and np.isfinite(series.value[tap.name]).any()
    ]
    if read and read[0] == 0:
        yield segment_between(series, sheet, type_sheet, basis, -1, 0)
        for before, after in pairwise(read):
            yield segment_between(series, sheet, type_sheet, basis, before, after)
        return
    # Nothing reads the input: the setting of the source stands for it.
    for before, after in pairwise((0, *read)):
        yield segment_between(series, sheet, type_sheet, basis, before, after)


def segment_between(
    series: Series, sheet: DataSheet, type_sheet: TypeSheet, basis: Basis, before: int, after: int
) -> Segment:
    """The stages between two taps, by index; -1 before = the source alone."""
    bench = PRIORS.bench
    tap = sheet.taps[after]
    tolerance, width = bench.set_by_hand_frac if series.is_keyed else bench.source_frac, None
    if before >= 0:
        read = series.value.get(sheet.taps[before].name, series.setpoint)
        tolerance, width = _tolerance(sheet, type_sheet, before, after, read)
    count = np.maximum(np.isfinite(series.raw[tap.name]).sum(axis=1), 1)
    resolution = _resolution(basis, series, tap, tolerance=tolerance)
    variance = np.full(series.visits_n, (tolerance / bench.least_part) ** 2 + resolution**2 / 12)
    if series.sd[tap.name] == 0 and series.raw[tap.name].shape[1] < 2:
        variance += (tolerance / bench.read_once_part) ** 2
    # Scatter within a visit, but never more than is ordinary: what is more is to be explained, not assumed.
    variance += min(series.sd[tap.name], tolerance * bench.noisy_share) ** 2 / count
    if before >= 0 and sheet.taps[before].name in series.sd:
        variance += min(series.sd[sheet.taps[before].name], tolerance * bench.noisy_share) ** 2 / count
    if before < 0 and series.is_keyed:
        variance += tolerance**2
    raw = series.raw[tap.name]
    variance += np.where(moving(raw), bench.moving_widths * raw.std(axis=1), 0.0) ** 2
    if after == len(sheet.taps) - 1:
        variance += np.minimum(series.to_go, bench.to_go_share * tolerance) ** 2 / bench.to_go_sds**2
    found = Segment(
        sheet=sheet,
        series=series,
        first=before,
        last=after,
        tolerance=tolerance,
        noise=np.sqrt(variance),
        resolution=resolution,
        allowed=width,
        is_cleared=bool(basis.bench_cleared) and after == len(sheet.taps) - 1,
    )
    step = _stated(basis, sheet.taps[before]) if before >= 0 else 0.0
    if before > 0:  # what is set is set to a round number; what is read on the way is read to its digits
        step = _resolution(basis, series, sheet.taps[before], tolerance=tolerance)
    if not step:
        return found
    # What reads the input resolves it in steps too; they come out as the characteristic carries them.
    carried = step * np.nan_to_num(found.ideal_swing / found.small_step)
    return replace(found, noise=np.sqrt(variance + carried**2 / 12))


def _tolerance(
    sheet: DataSheet, type_sheet: TypeSheet, before: int, after: int, read: FloatArray
) -> tuple[float, FloatArray]:
    """Half width between two taps as fraction of the span at the second: the mean over the range, and at each visit.

    Of stages that each have a tolerance of their own, what they may have together: the root of the sum of squares. Else
    that of the whole unit.
    """
    stated = type_sheet.stage_tolerances[before:after]
    parts = [(own, index, index + 1) for index, own in enumerate(stated, start=before) if own is not None]
    if len(parts) < len(stated) or not stated:
        parts = [(type_sheet.tolerance, before, len(sheet.taps) - 1)]
    x = sheet.taps[before].value(np.concatenate((np.linspace(0, 1, _INPUTS_N), read)))
    widths = []
    for allowed, first, last in parts:
        value = sheet.ideal(x, first=before, last=first) if first > before else x
        widths.append(half_width(allowed, sheet, value, first=first, last=last) / abs(sheet.taps[last].span))
    width = np.sqrt(sum(each**2 for each in widths))
    return float(np.nanmean(width[:_INPUTS_N])), width[_INPUTS_N:]


def _written(series: Series, tap: Tap) -> float:
    """The digits that a person wrote down, as fraction of the span; 0 where nobody did."""
    if not series.is_keyed:
        return 0.0
    raw = series.raw[tap.name]
    value = tap.value(raw[np.isfinite(raw)])
    for digits in range(_DIGITS_N):
        step = 10.0**-digits
        if np.abs(value / step - np.round(value / step)).max(initial=0.0) < _DIGIT_SLACK:
            return step / abs(tap.span)
    return 0.0


def _resolution(basis: Basis, series: Series, tap: Tap, *, tolerance: float) -> float:
    """Resolution of what reads a tap, as fraction of its span, stated or as written down; 0 where nothing tells."""
    if tap.name in series.resolution:
        return series.resolution[tap.name]
    return _stated(basis, tap) or min(_written(series, tap), PRIORS.bench.coarse_share * tolerance)


def _stated(basis: Basis, tap: Tap) -> float:
    """Resolution that is stated of what reads a tap, as fraction of its span; 0 where none is."""
    stated = next((each for each in basis.statements if each.tap == tap.name), None)
    if stated is None or not stated.resolution:
        return 0.0
    ends = tap.to_signal(np.array([tap.low, tap.high]))
    return float(stated.resolution / max(abs(ends[1] - ends[0]), _TINY))


def imperfections(segment: Segment) -> FloatArray:
    """One column for each ordinary imperfection, one standard deviation each."""
    # Far outside the range, where a slip of a unit puts an input, no unit follows, and arithmetic fails.
    y, way = np.clip(segment.ideal, -1.0, 2.0), segment.series.direction
    good = PRIORS.good
    arch = 4 * y * (1 - y)
    time = segment.series.at_s - segment.series.at_s.mean()
    time = time / max(float(np.abs(time).max()), _TINY_S)
    shares = (
        good.zero * np.ones_like(y),
        good.span * y,
        good.bow * arch,
        good.lens * way * np.clip(arch, 0, None) / 2,
        good.s_shape * np.sin(2 * np.pi * y),
        good.drift * time,
        # What was left to go when it was read: behind on the way up, ahead on the way down.
        np.where(segment.series.is_again, 0.0, good.to_go * way),
    )
    named = np.stack(shares, axis=1)[segment.is_read]
    return np.asarray(segment.tolerance * np.concatenate((named, good.any_shape * segment.smooth), axis=1))


def is_ordinary(scale: float, segment: Segment) -> bool:
    """Whether scatter that is left, in units of what was expected, is no more than a good unit and bench have."""
    usual = float(np.median(segment.noise[segment.is_read]))
    return scale < max(PRIORS.bench.noisy_share * segment.tolerance / usual, PRIORS.bench.any_scale)


def healthy(segment: Segment) -> Likelihood:
    """Of a good unit, at the visits that were read."""
    # How a source was set scatters as it likes where a person or its resolution sets it: what it gave was measured.
    most = np.inf if segment.first < 0 else segment.tolerance * PRIORS.bench.noisy_share
    plain = Likelihood(segment.noise[segment.is_read], imperfections(segment), most=most)
    return amplified(segment, (), plain) or plain
