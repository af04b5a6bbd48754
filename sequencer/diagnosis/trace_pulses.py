"""What is said of a pulse train: pulses too many or missing, speed, wheel, mains, hash."""

import math

from instruments.texts import sized
from sequencer.diagnosis.noise.bounces import Bounce
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.rests import Rest
from sequencer.diagnosis.trace_hash import narrow_s, of_hash, of_wander
from sequencer.diagnosis.trace_jitter import of_jitter
from sequencer.diagnosis.trace_mains import of_mains
from sequencer.diagnosis.trace_wheel import of_wheel
from sequencer.diagnosis.trace_words import Finding, time_words, times_words
from sequencer.diagnosis.traced import TraceResult

__all__ = ["bounce_finding", "of_train"]

_RUNS_ONE_WAY = 0.7  # of the range of the rate lies between its begin and its end
_FEWEST_SAMPLES, _FEW_SAMPLES, _ENOUGH_SAMPLES = 4.0, 6.0, 20.0  # in a period
_WORTH = 0.01  # of the swing, from which on a line is worth a word


def of_train(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """What is wrong with the pulses and the wheel, and what lies between the pulses."""
    pulses_n = max(round(train.rate_Hz * result.length_s), 1)
    few = _of_few_samples(train, result)
    if 1 / train.rate_Hz / result.interval_s < _FEWEST_SAMPLES:
        return few  # what else is seen is the sampling's
    return [
        *few,
        *_extra(train, pulses_n),
        *_missing(train, pulses_n, result),
        *_of_rests(train),
        *_of_speed(train, result),
        *of_wander(train, result),
        *of_mains(train, result),
        *of_wheel(train, result),
        *of_jitter(train, result),
        *of_hash(train, result),
    ]


def _extra(train: PulseTrain, pulses_n: int) -> list[Finding]:
    if not train.extra_n:
        return []
    if train.bounce is not None:
        shown = f"; a counter shows {sized(train.counted_Hz, 6)} instead of {sized(train.rate_Hz, 6)} Hz"
        return [bounce_finding(train.bounce, shown, rests_s=narrow_s(train))]
    share = train.extra_n / pulses_n
    many = f"{sized(100 * share, 2)} % of the pulses" if share < 1 else f"{sized(share, 2)} a pulse"
    return [
        Finding(
            what=f"double counts: {train.extra_n} edges too many ({many}), "
            f"{time_words(train.extra_after_s)} after the true one ({times_words(train.extra_s)}); "
            f"a counter shows {sized(train.counted_Hz, 6)} Hz",
            cause="ringing or noise on a slow edge, and too little hysteresis in the input",
            check="more hysteresis or a filter, a terminated cable, shield at one end; then count again",
        )
    ]


def bounce_finding(bounce: Bounce, after: str, *, rests_s: float = math.nan) -> Finding:
    """A contact that bounces.

    Args:
        bounce: of the trace.
        after: what is said after its sizes.
        rests_s: how long it is closed or open at least; NaN where it is not known.
    """
    shorter = "" if math.isnan(rests_s) else f", which must be shorter than the contact rests ({time_words(rests_s)})"
    return Finding(
        what=f"contact bounce: {sized(bounce.bounces_n, 2)} edges too many at a pulse, over at most "
        f"{time_words(bounce.lasts_s)}{after}",
        cause="a contact (reed, relay, switch) that opens and closes again before it rests",
        check=f"debounce: take an edge once it lasted {time_words(1.5 * bounce.lasts_s)}{shorter}; a worn contact "
        "bounces longer",
    )


def _of_rests(train: PulseTrain) -> list[Finding]:
    if not train.rests:
        return []
    return [
        Finding(
            what="; ".join(_rest_words(each) for each in train.rests)
            + f"; {sized(train.rate_Hz, 4)} Hz is the rate between",
            cause="what turns stands still, or the signal is gone meanwhile: supply, plug or cable of the pickup",
            check="see whether it turns; if it does, flex cable and plug while recording, and measure the supply",
        )
    ]


def _rest_words(rest: Rest) -> str:
    if rest.is_first:
        after = time_words(rest.end_s - rest.begin_s)
        return f"the pulses begin at {sized(rest.end_s, 4)} s only, {after} after the record"
    if rest.is_last:
        return (
            f"the pulses stop at {sized(rest.begin_s, 4)} s: none in the last {time_words(rest.end_s - rest.begin_s)}"
        )
    return f"the pulses stop at {sized(rest.begin_s, 4)} s and come again at {sized(rest.end_s, 4)} s"


def _of_few_samples(train: PulseTrain, result: TraceResult) -> list[Finding]:
    samples_n = 1 / train.rate_Hz / result.interval_s
    if samples_n >= _FEW_SAMPLES:
        return []
    return [
        Finding(
            what=f"only {sized(samples_n, 2)} samples a period: edges between two samples are not seen, so rate and "
            "faults are not sure, and the rate may be that of an image",
            cause="the sampling rate is low beside the rate of the pulses",
            check=f"record faster than {sized(_ENOUGH_SAMPLES * train.rate_Hz, 2)} samples a second",
        )
    ]


def _of_speed(train: PulseTrain, result: TraceResult) -> list[Finding]:
    if not train.is_changing or not result.is_speed_own:
        return []
    moved, range_Hz = train.ends_Hz - train.begins_Hz, train.fastest_Hz - train.slowest_Hz
    if train.swing_pct:
        how = (
            f"swings by ±{sized(train.swing_pct, 2)} %, between {sized(train.slowest_Hz, 4)} and "
            f"{sized(train.fastest_Hz, 4)} Hz, once in {time_words(train.swing_every_s)} "
            f"({sized(1 / train.swing_every_s)} Hz, about every {sized(train.rate_Hz * train.swing_every_s)} pulses)"
        )
    elif abs(moved) < _RUNS_ONE_WAY * range_Hz:
        how = f"moves between {sized(train.slowest_Hz, 4)} and {sized(train.fastest_Hz, 4)} Hz"
    else:
        how = f"{'rises' if moved > 0 else 'falls'} from {sized(train.begins_Hz, 4)} to {sized(train.ends_Hz, 4)} Hz"
    share = f", by {sized(100 * range_Hz / train.fastest_Hz, 2)} % of its highest" if not train.swing_pct else ""
    return [
        Finding(
            what=f"the speed changes while it is recorded: the rate {how}{share}; "
            f"{sized(train.rate_Hz, 4)} Hz is its mean",
            cause="what turns runs up or down, or is regulated",
            check="record at a steady speed if it should be one; jitter and wheel are told about the changing speed",
        )
    ]


def _missing(train: PulseTrain, pulses_n: int, result: TraceResult) -> list[Finding]:
    if not train.missing_n:
        return []
    share = 100 * train.missing_n / pulses_n
    if train.wheel is not None and train.wheel.missing_at:
        many = len(train.wheel.missing_at)
        least = (
            2 * train.edges.hash_height / train.edges.height
            if result.hash is None
            else (2 * result.hash.height / train.edges.height)
        )
        left = (
            f"; what comes there has {sized(100 * result.gap_share, 2)} % of the height of the rest"
            if result.gap_share > max(least, _WORTH)
            else ""
        )
        return [
            Finding(
                what=f"{'a pulse is' if many == 1 else f'{many} pulses are'} missing once in {train.wheel.pulses_n} "
                f"pulses, at the same place each time ({train.missing_n} in all): {sized(share, 2)} % low{left}",
                cause="a missing or damaged tooth or mark, or one left out on purpose as an index",
                check="look at the wheel; if it is an index, scale with the pulses that come",
            )
        ]
    return [
        Finding(
            what=f"missing pulses: {train.missing_n} ({sized(share, 2)} % of the pulses; "
            f"{times_words(tuple(each + train.period_s for each in train.missing_s))})",
            cause="amplitude or width below what the input needs: gap of the pickup, threshold, loose connection",
            check="set the gap; look at amplitude and threshold at the lowest speed; flex the cable while recording",
        )
    ]
