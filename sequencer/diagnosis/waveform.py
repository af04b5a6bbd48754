"""What a trace from an oscilloscope says: a pulse train with its faults, or noise with its kind; main lines; words.

A trace in, one typed result out; no instrument, no file.
"""

from dataclasses import asdict
from typing import Any

from instruments.texts import COMPUTED_DIGITS, json_value, sized
from sequencer.diagnosis.noise.catalogue import averaging_words, noise_words
from sequencer.diagnosis.noise.rhythm import LEAST_N as LEAST_EDGES
from sequencer.diagnosis.trace_drive import of_drive
from sequencer.diagnosis.trace_given import given_lines, of_given
from sequencer.diagnosis.trace_pulses import bounce_finding, of_train
from sequencer.diagnosis.trace_words import (
    Finding,
    counter_words,
    jitter_words,
    levels_words,
    line_names,
    time_words,
    times_words,
)
from sequencer.diagnosis.traced import TraceResult, trace_result

__all__ = ["Finding", "TraceResult", "as_json", "findings", "trace_lines", "trace_result"]


def findings(result: TraceResult) -> tuple[Finding, ...]:
    """What is to be said of a trace, the gravest first."""
    found: list[Finding] = []
    if result.clipped_pct:
        found.append(
            Finding(
                what=f"{sized(result.clipped_pct, 2)} % of the samples lie on a flat end: trace or signal is clipped",
                cause="range of the oscilloscope or card too small, or an output at its rail",
                check="record again in a wider range; what is found below may come from it",
            )
        )
    if result.wild_s:
        found.append(
            Finding(
                what=f"{len(result.wild_s)} sample{'' if len(result.wild_s) == 1 else 's'} far outside all others "
                f"({times_words(result.wild_s)}), left out of all that follows",
                cause="a fault of the record, or a spike from something that switched",
                check="record again; if it comes back, look for what switches at that moment",
            )
        )
    if result.train is not None:
        told = of_train(result.train, result)
        if not told:
            told = [Finding(what="nothing wrong is seen in the pulses")]
        found += told
    elif result.given is not None and not result.given.is_inside:
        found += of_given(result)
    elif result.bounce is not None:
        found.append(bounce_finding(result.bounce, f"; {result.no_train}"))
    elif result.edges is not None and len(result.edges.rising_s) < LEAST_EDGES:
        found.append(
            Finding(
                what=result.no_train,
                cause="the record is short beside the time from pulse to pulse, or what turns stood still",
                check="record longer, or at a higher speed",
            )
        )
    elif result.is_flat:
        found.append(_flat(result))
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
    return (*found, *of_drive(result))


def _flat(result: TraceResult) -> Finding:
    unit = f" {result.unit}" if result.unit else ""
    moved = result.highest - result.lowest
    moves = f", but for its last digits ({sized(moved, 2)}{unit} from end to end)" if moved else ""
    return Finding(
        what=f"flat: one level of {sized(result.mean, 4)}{unit} throughout{moves}; "
        f"no pulse in {time_words(result.length_s)}",
        cause="what turns stands still, the trace is not connected, the output is stuck, or the record is too short",
        check="record longer; check probe, range, supply of the pickup; turn the shaft by hand and see a level change",
    )


def trace_lines(result: TraceResult, file: str) -> list[str]:
    """The result as sentences, each to be wrapped where it is shown."""
    unit = f" {result.unit}" if result.unit else ""
    left_out = f", {result.left_out_n} without a number (empty or overload), left out" if result.left_out_n else ""
    said = [
        (
            f"{file}: {result.samples_n} samples of {result.name}, every {time_words(result.interval_s)}, "
            f"{time_words(result.length_s)} in all{left_out}"
        ),
        (
            f"from {sized(result.lowest, 4)} to {sized(result.highest, 4)}{unit}, "
            f"mean {sized(result.mean, 4)}, sd {sized(result.sd)}"
        ),
    ]
    said += given_lines(result)
    if result.unrecorded_n:
        many = f"{result.unrecorded_n} stretch{'' if result.unrecorded_n == 1 else 'es'}"
        said.append(f"{many} not recorded, {time_words(result.unrecorded_s)} in all: no pulse is missing there")
    if result.lacking_n:
        said.append(
            f"the file was cut off: {result.lacking_n} of {result.lacking_n + result.samples_n + result.left_out_n} "
            "samples that it speaks of are not there"
        )
    train = result.train
    if train is not None:
        edges = train.edges
        said.append(
            f"pulse train: {sized(train.rate_Hz, 6)} Hz, period {time_words(1 / train.rate_Hz)}, "
            f"jitter {jitter_words(train.jitter_pct, train.jitter_floor_pct)}, duty {sized(100 * train.duty)} %"
        )
        said.append(f"{levels_words(edges, result.unit)}, {counter_words(edges, result.unit)}")
        room = edges.lowest_top - edges.highest_bottom
        said.append(
            f"hash up to {sized(edges.hash_height, 2)}{unit} peak to peak; between bottoms and tops of the pulses lie "
            f"{sized(room)}{unit}"
        )
    else:
        said.append(f"no pulse train: {result.no_train}")
        if result.edges is not None and (result.given is None or result.given.is_inside):
            counted_n = len(result.edges.rising_s)
            edge = "edge" if counted_n == 1 else "edges"
            said.append(f"a counter with {counter_words(result.edges, result.unit)} counts {counted_n} {edge}")
        if result.block_n > 1:
            said.append(f"looked at as readings, one for {result.block_n} samples")
    if result.noise is not None:
        said.append(averaging_words(result.noise.averaging, unit=result.unit))
    if result.lines:
        lines = ", ".join(
            f"{sized(line.rate_Hz, 5)} Hz ({sized(line.amplitude, 2)}{name and f', {name}'})"
            for line, name in zip(result.lines, line_names(result), strict=True)
        )
        said.append(f"main lines, with amplitude: {lines}")
    elif not result.is_even:
        said.append("no spectrum: the samples are not evenly spaced")
    return said


def as_json(result: TraceResult) -> dict[str, Any]:
    """The result as JSON values; what is not known is null."""
    told: dict[str, Any] = json_value(asdict(result), digits=COMPUTED_DIGITS)
    for holder in (told, told["train"] or {}):  # the edges themselves are too many
        for name in ("rising_s", "falling_s", "rises", "falls", "steady_s", "unrecorded_s"):
            (holder.get("edges") or {}).pop(name, None)
    return told | {"findings": [asdict(each) for each in findings(result)]}
