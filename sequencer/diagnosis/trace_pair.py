"""Two traces of one signal side by side: drive off and on, before and after a filter, shield at one end or at both."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from instruments.texts import COMPUTED_DIGITS, json_value, sized
from sequencer.diagnosis.noise.edges import rising_edges
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.spectrum import amplitude_at, evenly, main_lines
from sequencer.diagnosis.noise.wild import wild_samples, without_wild
from sequencer.diagnosis.trace_words import line_name
from sequencer.diagnosis.traced import TraceResult, trace_result
from sequencer.diagnosis.waveform import as_json
from sequencer.readings.waveform import TraceFile

__all__ = ["ChangedLine", "TracePair", "pair_json", "pair_lines", "trace_pair"]

_LINES_N = 40  # of each trace that are looked at
_SHOWN_N = 6
_DOUBTFUL = 0.1  # of the edges are too many
_CHANGED = 1.5  # times as large: less is not worth a line
_WORTH = 0.005  # of the larger range


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedLine:
    """A line that is not alike in both.

    Attributes:
        rate_Hz: where.
        amplitudes: of the first and of the second trace, unit of the traces.
        name: where it comes from; "" where it is not known.
    """

    rate_Hz: float
    amplitudes: tuple[float, float]
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TracePair:
    """Two traces and what changed from the first to the second.

    Attributes:
        first: what the first is.
        second: what the second is.
        thresholds: lower and upper one that both are counted with; None where none are given or found.
        counts_per_s: rising edges in a second of each, with these; NaN without.
        bare_per_s: the same without hysteresis, at the middle between them.
        hash_heights: highest swing that is no pulse, peak to peak; NaN where nothing tells pulses.
        lines: that changed, the largest change first; () where a spectrum lacks.
    """

    first: TraceResult
    second: TraceResult
    thresholds: tuple[float, float] | None
    counts_per_s: tuple[float, float]
    bare_per_s: tuple[float, float]
    hash_heights: tuple[float, float]
    lines: tuple[ChangedLine, ...]


def trace_pair(
    first: TraceFile,
    second: TraceFile,
    *,
    pulses_per_revolution: int | None = None,
    thresholds: tuple[float, float] | None = None,
) -> TracePair:
    """Set two traces side by side.

    Args:
        first: as read; the quiet one, or what was before.
        second: of the same signal.
        pulses_per_revolution: of the wheel; None = not known.
        thresholds: lower and upper one, in the unit of the traces; None = as found in the first that has pulses.

    Raises:
        ReadingsError: the units differ.
    """
    if first.unit != second.unit:
        raise ReadingsError(
            f'the traces are in "{first.unit}" and "{second.unit}"', todo="record both with one probe and scale"
        )
    if thresholds is not None:
        thresholds = min(thresholds), max(thresholds)
    lower, upper = thresholds or (None, None)
    results = tuple(
        trace_result(each, pulses_per_revolution=pulses_per_revolution, lower=lower, upper=upper)
        for each in (first, second)
    )
    if thresholds is None:
        found = [each.edges for each in results if each.train is not None and each.edges is not None]
        fixed = [each for each in found if not each.baseline]
        thresholds = (fixed[0].lower, fixed[0].upper) if fixed else None
    cleaned = tuple(_without_wild(each) for each in (first, second))
    counts, bare = (math.nan, math.nan), (math.nan, math.nan)
    if thresholds is not None:
        middle = (thresholds[0] + thresholds[1]) / 2
        counts = _per_s(cleaned[0], *thresholds), _per_s(cleaned[1], *thresholds)
        bare = _per_s(cleaned[0], middle, middle), _per_s(cleaned[1], middle, middle)
    heights = [math.nan if each.train is None else each.train.edges.hash_height for each in results]
    return TracePair(
        first=results[0],
        second=results[1],
        thresholds=thresholds,
        counts_per_s=counts,
        bare_per_s=bare,
        hash_heights=(heights[0], heights[1]),
        lines=_changed(cleaned, results),
    )


def _without_wild(trace: TraceFile) -> tuple[FloatArray, FloatArray]:
    return without_wild(trace.values, wild_samples(trace.values)), trace.times_s


def _per_s(trace: tuple[FloatArray, FloatArray], lower: float, upper: float) -> float:
    """Rising edges in a second, from the first to the last; none where the trace does not reach the thresholds."""
    values, times_s = trace
    if not values.min() < lower <= upper < values.max():
        return 0.0
    rising_s = rising_edges(values, times_s, lower, upper)
    return (len(rising_s) - 1) / float(rising_s[-1] - rising_s[0]) if len(rising_s) > 1 else 0.0


def _changed(
    traces: tuple[tuple[FloatArray, FloatArray], ...], results: tuple[TraceResult, ...]
) -> tuple[ChangedLine, ...]:
    """Lines of either that are not alike in both, below half of the slower sampling rate."""
    grids = [evenly(*each) for each in traces]
    if grids[0] is None or grids[1] is None:
        return ()
    most_Hz = min(0.5 / each[1] for each in grids if each is not None)
    width_Hz = 1 / min(each.length_s for each in results)
    least = _WORTH * max(float(np.ptp(each[0])) for each in traces)
    found: list[ChangedLine] = []
    for grid, result in zip(grids, results, strict=True):
        assert grid is not None
        for line in main_lines(*grid, most=_LINES_N):
            if line.rate_Hz > most_Hz or any(abs(line.rate_Hz - each.rate_Hz) < 2 * width_Hz for each in found):
                continue
            one, other = (amplitude_at(*each, line.rate_Hz, width_Hz) for each in grids if each is not None)
            name = line_name(line, result)
            # Thresholds within the hash count that too, and what is a multiple of its pulses by chance is no pulses'.
            is_doubtful = result.train is not None and result.train.extra_n > _DOUBTFUL * result.train.counted_n
            name = "" if is_doubtful and name.endswith("the pulses") else name
            if name.endswith(" x the pulses") and _is_added((one, other), grids, result.train, width_Hz):
                name = f"added at {name}"
            if max(one, other) > max(least, _CHANGED * min(one, other)):
                found.append(ChangedLine(rate_Hz=line.rate_Hz, amplitudes=(one, other), name=name))
    found.sort(key=lambda each: -abs(each.amplitudes[1] - each.amplitudes[0]))
    return tuple(found)


def _is_added(
    amplitudes: tuple[float, float],
    grids: Sequence[tuple[FloatArray, float] | None],
    train: PulseTrain | None,
    width_Hz: float,
) -> bool:
    """Whether a multiple of the pulses grows or shrinks as the pulses themselves do not."""
    if train is None:
        return False
    one, other = (amplitude_at(*each, train.rate_Hz, width_Hz) for each in grids if each is not None)
    change = amplitudes[1] * one / max(amplitudes[0] * other, 1e-300)
    return not 1 / _CHANGED < change < _CHANGED


def pair_lines(pair: TracePair) -> list[str]:
    """What changed, as sentences."""
    unit = f" {pair.first.unit}" if pair.first.unit else ""
    rates = ["no pulse train" if each.train is None else f"{sized(each.train.rate_Hz, 6)} Hz" for each in _both(pair)]
    said = [
        f"pulses: {rates[0]} -> {rates[1]}",
        f"sd: {sized(pair.first.sd)} -> {sized(pair.second.sd)}{unit}",
    ]
    if not any(map(math.isnan, pair.hash_heights)):
        said.append(f"hash, peak to peak: {sized(pair.hash_heights[0], 2)} -> {sized(pair.hash_heights[1], 2)}{unit}")
    if pair.thresholds is not None:
        lower, upper = pair.thresholds
        said.append(
            f"a counter with thresholds of {sized(lower)} and {sized(upper)}{unit} shows {_change(pair.counts_per_s)} "
            f"a second; without hysteresis {_change(pair.bare_per_s)}"
        )
    for each in pair.lines[:_SHOWN_N]:
        one, other = each.amplitudes
        name = f" ({each.name})" if each.name else ""
        said.append(
            f"line at {sized(each.rate_Hz, 5)} Hz{name}: ±{sized(one, 2)} -> ±{sized(other, 2)}{unit}, "
            + _times(one, other)
        )
    if not pair.lines:
        both = pair.first.is_even and pair.second.is_even
        said.append("no line changed" if both else "no spectrum: the samples are not evenly spaced")
    return said


def _both(pair: TracePair) -> tuple[TraceResult, TraceResult]:
    return pair.first, pair.second


def _change(counts: tuple[float, float]) -> str:
    one, other = counts
    share = f" ({sized(100 * (other / one - 1), 2, is_signed=True)} %)" if one > 0 and other != one else ""
    return f"{sized(one, 6)} -> {sized(other, 6)}{share}"


def _times(one: float, other: float) -> str:
    """How many times a line grew, or what is left of it."""
    if other >= one:
        return "not there before" if one < 0.01 * other else f"{sized(other / one, 2)} times"
    return "gone" if other < 0.01 * one else f"{sized(100 * other / one, 2)} % left"


def pair_json(pair: TracePair) -> dict[str, Any]:
    """The pair as JSON values; what is not known is null."""
    rest = {name: getattr(pair, name) for name in ("thresholds", "counts_per_s", "bare_per_s", "hash_heights")}
    told: dict[str, Any] = json_value(rest | {"lines": [asdict(each) for each in pair.lines]}, digits=COMPUTED_DIGITS)
    return {"first": as_json(pair.first), "second": as_json(pair.second)} | told
