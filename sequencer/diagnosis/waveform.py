"""What a trace from an oscilloscope says: a pulse train with its faults, or noise with its kind; main lines; words.

A trace in, one typed result out; no instrument, no file.
"""

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from instruments.texts import COMPUTED_DIGITS, json_value
from sequencer.diagnosis.noise.burst import LEAST_N, BurstNoise, noise_of
from sequencer.diagnosis.noise.catalogue import averaging_words, noise_words
from sequencer.diagnosis.noise.pulses import PulseTrain, edges_of, pulse_train
from sequencer.diagnosis.noise.spectrum import Line, main_lines
from sequencer.readings.waveform import TraceFile

__all__ = ["Finding", "TraceResult", "as_json", "findings", "trace_lines", "trace_result"]

_BLOCKS = 4096  # means that a long trace is looked at as
_CLIPPED = 0.01  # share of samples on the last level from which a top is called flat
_FEW_LEVELS = 16  # of a logic analyser: flat by nature
_MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
_MAINS_OFF = 0.004
_RUNOUT_PCT = 0.2  # amplitude of a runout that is worth a line
_SHOWN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceResult:
    """What one trace says.

    Attributes:
        name: of the column or channel.
        unit: of the values, "" if none was written.
        samples_n: used.
        left_out_n: without a number.
        length_s: from first to last sample.
        interval_s: median from sample to sample.
        is_even: one interval throughout; only then is there a spectrum.
        lowest: of the values.
        highest: of the values.
        mean: of the values.
        sd: of the values.
        clipped_pct: samples on a flat top or bottom where the trace seems cut off; 0 if it does not.
        train: None where there is no pulse train, then `no_train` says why.
        bare_n: rising edges that a counter without hysteresis would count; None without a train.
        noise: of the trace as readings, where there is no train; None where it is flat or too short.
        block_n: samples in each reading of `noise`.
        lines: strongest first.
    """

    name: str
    unit: str
    samples_n: int
    left_out_n: int
    length_s: float
    interval_s: float
    is_even: bool
    lowest: float
    highest: float
    mean: float
    sd: float
    clipped_pct: float
    train: PulseTrain | None
    no_train: str
    bare_n: int | None
    noise: BurstNoise | None
    block_n: int
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing seen: what it is, what causes it, what to check next."""

    what: str
    cause: str = ""
    check: str = ""


def trace_result(
    trace: TraceFile,
    *,
    pulses_per_revolution: int | None = None,
    lower: float | None = None,
    upper: float | None = None,
) -> TraceResult:
    """Analyse a trace.

    Args:
        trace: as read.
        pulses_per_revolution: of the wheel; None = not known.
        lower: threshold that arms, in the unit of the trace; None = found.
        upper: threshold that counts; None = found.

    Raises:
        ReadingsError: thresholds were given, and do not lie in the trace.
    """
    values, times_s = trace.values, trace.times_s
    train, reason, bare_n = None, "", None
    try:
        edges = edges_of(values, times_s, lower=lower, upper=upper)
        train = pulse_train(edges, pulses_per_revolution=pulses_per_revolution)
        middle = (edges.lower + edges.upper) / 2
        bare_n = len(edges_of(values, times_s, lower=middle, upper=middle).rising_s)
    except ReadingsError as error:
        if lower is not None or upper is not None:
            raise
        reason = error.what
    noise, block_n = (None, 1) if train is not None else _as_readings(values, times_s, trace.unit)
    return TraceResult(
        name=trace.name,
        unit=trace.unit,
        samples_n=len(values),
        left_out_n=trace.left_out_n,
        length_s=float(times_s[-1] - times_s[0]),
        interval_s=trace.interval_s,
        is_even=trace.is_even,
        lowest=float(values.min()),
        highest=float(values.max()),
        mean=float(values.mean()),
        sd=float(values.std()),
        clipped_pct=_clipped_pct(values, trace.ends),
        train=train,
        no_train=reason,
        bare_n=bare_n,
        noise=noise,
        block_n=block_n,
        lines=main_lines(values, trace.interval_s) if trace.is_even else (),
    )


def _as_readings(values: FloatArray, times_s: FloatArray, unit: str) -> tuple[BurstNoise | None, int]:
    """The noise of a trace, of means of neighbouring samples where it is long; None where it is flat or short."""
    block_n = math.ceil(len(values) / _BLOCKS)
    whole = len(values) // block_n * block_n
    y, t = (each[:whole].reshape(-1, block_n).mean(axis=1) for each in (values, times_s))
    if len(y) < LEAST_N or np.ptp(y) == 0:
        return None, block_n
    gaps = np.diff(np.unique(values))
    resolution = float(gaps.min()) if len(gaps) and block_n == 1 else 0.0
    aperture_s = block_n * float(np.median(np.diff(times_s))) if block_n > 1 else 0.0
    return noise_of(y, t, unit=unit, resolution=resolution, aperture_s=aperture_s), block_n


def _clipped_pct(values: FloatArray, ends: tuple[float, float] | None) -> float:
    """Samples on a flat end, %: at the end of the format, or piled up on the last of many levels."""
    levels, counts = np.unique(values, return_counts=True)
    found = 0.0
    for end, last, before in ((0, 0, 1), (1, -1, -2)):
        share = counts[last] / len(values)
        is_format_end = ends is not None and levels[last] == ends[end]
        is_pile = len(levels) > _FEW_LEVELS and share > _CLIPPED and counts[last] > 10 * counts[before]
        if is_pile or (is_format_end and counts[last] > 1):
            found += 100 * float(share)
    return found


def findings(result: TraceResult) -> tuple[Finding, ...]:
    """What is to be said of a trace, the gravest first."""
    found: list[Finding] = []
    if result.clipped_pct:
        found.append(
            Finding(
                what=f"{result.clipped_pct:.2g} % of the samples lie on a flat end: trace or signal is clipped",
                cause="range of the oscilloscope or card too small, or an output at its rail",
                check="record again in a wider range; what is found below may come from it",
            )
        )
    if result.train is not None:
        found += _of_train(result.train, result)
    elif result.noise is not None:
        kind, *rest = noise_words(result.noise)
        *more, cause, check = rest
        found.append(
            Finding(
                what="; ".join([kind, *more]),
                cause=cause.removeprefix("cause: "),
                check=check.removeprefix("check: "),
            )
        )
    return tuple(found)


def _of_train(train: PulseTrain, result: TraceResult) -> list[Finding]:
    pulses_n = max(round(train.rate_Hz * result.length_s), 1)
    found = []
    if train.extra_n:
        share = 100 * train.extra_n / pulses_n
        found.append(
            Finding(
                what=f"double counts: {train.extra_n} edges too many ({share:.2g} % of the pulses), "
                f"{_time(train.extra_after_s)} after the true one ({_times(train.extra_s)}); "
                f"a counter shows {train.counted_Hz:.6g} Hz",
                cause="ringing or noise on a slow edge, and too little hysteresis in the input",
                check="more hysteresis or a filter, a terminated cable, shield at one end; then count again",
            )
        )
    found += _missing(train, pulses_n)
    mains_Hz = next((each for each in _MAINS_HZ if abs(train.rate_Hz / each - 1) < _MAINS_OFF), None)
    if mains_Hz is not None:
        found.append(
            Finding(
                what=f"the rate of {train.rate_Hz:.4g} Hz is that of mains or twice that",
                cause="mains picked up by an open, unshielded or wrongly grounded input, if nothing turns at that rate",
                check="stop what turns: if the pulses stay, they are mains",
            )
        )
    if train.wheel is not None and train.wheel.is_there and train.wheel.runout_pct > _RUNOUT_PCT:
        found.append(
            Finding(
                what=f"once a revolution the period swings by ±{train.wheel.runout_pct:.2g} % "
                f"({train.wheel.pulses_n} pulses a revolution)",
                cause="an eccentric or loose wheel, or a shaft that is bent or out of line",
                check="dial gauge on the wheel; count over whole revolutions and it cancels",
            )
        )
    elif train.wheel is not None and train.wheel.is_there:
        found.append(
            Finding(
                what=f"the period differs by {train.wheel.spread_pct:.2g} % from tooth to tooth, alike each revolution",
                cause="teeth or marks that are not evenly spaced",
                check="count over whole revolutions and it cancels",
            )
        )
    elif train.repeat_pct > _RUNOUT_PCT:
        found.append(
            Finding(
                what=f"the period swings by ±{train.repeat_pct:.2g} % about every {train.repeat_n:.3g} pulses",
                cause="something that turns or is regulated at that rate; a wheel if it has so many pulses",
                check="give --pulses-per-revolution, or record at another speed: what turns along stays",
            )
        )
    bare_n = result.bare_n or 0
    if bare_n > 1.002 * train.counted_n + 1:
        found.append(
            Finding(
                what=f"a counter without hysteresis would count {bare_n} instead of {train.counted_n} edges",
                cause="noise on the edges as they pass the middle",
                check="an input with hysteresis, set wider than the noise",
            )
        )
    return found or [Finding(what="nothing wrong is seen in the pulses")]


def _missing(train: PulseTrain, pulses_n: int) -> list[Finding]:
    if not train.missing_n:
        return []
    share = 100 * train.missing_n / pulses_n
    if train.wheel is not None and train.wheel.missing_at:
        many = len(train.wheel.missing_at)
        return [
            Finding(
                what=f"{'a pulse is' if many == 1 else f'{many} pulses are'} missing once in {train.wheel.pulses_n} "
                f"pulses, at the same place each time ({train.missing_n} in all): {share:.2g} % low",
                cause="a missing or damaged tooth or mark, or one left out on purpose as an index",
                check="look at the wheel; if it is an index, scale with the pulses that come",
            )
        ]
    return [
        Finding(
            what=f"missing pulses: {train.missing_n} ({share:.2g} % of the pulses; {_times(train.missing_s)})",
            cause="amplitude or width below what the input needs: gap of the pickup, threshold, loose connection",
            check="set the gap; look at amplitude and threshold at the lowest speed; flex the cable while recording",
        )
    ]


def _times(times_s: tuple[float, ...]) -> str:
    said = ", ".join(f"{each:.5g}" for each in times_s[:_SHOWN])
    return f"at {said} s{' ...' if len(times_s) > _SHOWN else ''}"


def _time(time_s: float) -> str:
    for factor, unit in ((1.0, "s"), (1e3, "ms"), (1e6, "us")):
        if time_s * factor >= 0.9995:
            return f"{time_s * factor:.3g} {unit}"
    return f"{time_s * 1e9:.3g} ns"


def trace_lines(result: TraceResult, file: str) -> list[str]:
    """The result as sentences, each to be wrapped where it is shown."""
    unit = f" {result.unit}" if result.unit else ""
    left_out = f", {result.left_out_n} left out" if result.left_out_n else ""
    said = [
        (
            f"{file}: {result.samples_n} samples of {result.name}, every {_time(result.interval_s)}, "
            f"{_time(result.length_s)} in all{left_out}"
        ),
        f"from {result.lowest:.4g} to {result.highest:.4g}{unit}, mean {result.mean:.4g}, sd {result.sd:.3g}",
    ]
    train = result.train
    if train is not None:
        edges = train.edges
        said.append(
            f"pulse train: {train.rate_Hz:.6g} Hz, period {_time(train.period_s)}, jitter {train.jitter_pct:.2g} %, "
            f"duty {100 * train.duty:.3g} %"
        )
        said.append(
            f"levels {edges.low:.3g} and {edges.high:.3g}{unit}, thresholds {edges.lower:.3g} and {edges.upper:.3g}"
        )
    else:
        said.append(f"no pulse train: {result.no_train}")
        if result.block_n > 1:
            said.append(f"looked at as readings, each the mean of {result.block_n} samples")
    if result.noise is not None:
        said.append(averaging_words(result.noise.averaging, unit=result.unit))
    if result.lines:
        lines = ", ".join(f"{line.rate_Hz:.5g} Hz ({line.amplitude:.2g})" for line in result.lines)
        said.append(f"main lines, with amplitude: {lines}")
    elif not result.is_even:
        said.append("no spectrum: the samples are not evenly spaced")
    return said


def as_json(result: TraceResult) -> dict[str, Any]:
    """The result as JSON values; what is not known is null."""
    told: dict[str, Any] = json_value(asdict(result), digits=COMPUTED_DIGITS)
    if result.train is not None:  # the edges themselves are too many
        for name in ("rising_s", "falling_s"):
            del told["train"]["edges"][name]
    return told | {"findings": [asdict(each) for each in findings(result)]}
