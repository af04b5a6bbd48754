"""What is said of the lines of an inverter in a trace, and of lines that may be images."""

import math

from instruments.texts import sized
from sequencer.diagnosis.noise.inverter import CARRIERS_Hz
from sequencer.diagnosis.noise.lattice import Carrier, LEAST_CARRIER_Hz
from sequencer.diagnosis.noise.spectrum import Line
from sequencer.diagnosis.trace_words import Finding, images_words, is_image, time_words
from sequencer.diagnosis.traced import TraceResult

__all__ = ["of_drive"]

_UPPER_BAND = 0.25  # of the sampling rate, from which on a line may well be an image
_QUIET = 0.05  # of the swing
_JUMPS = 0.3  # of an interval that sampling may displace an edge by
_WORTH = 0.01  # of the swing, from which on a line is worth a word
_SHOWN = 3
_HUMP = 2.0  # times the frequency that bursts ring with


def of_drive(result: TraceResult) -> list[Finding]:
    """Lines of an inverter, and lines that may be images."""
    found, carrier = [], result.carrier
    if carrier is not None:
        found.append(
            Finding(
                what=_carrier_words(carrier, result),
                cause="the pulse-width modulation of a drive, coupled into pickup, cable or supply",
                check="record with the drive off and compare (livezero trace off.csv on.csv); change the carrier "
                "frequency, and the lines move; shielded motor cable, output filter, another route",
            )
        )
    if carrier is None:
        found += _of_lines(result)
    return found


def _of_lines(result: TraceResult) -> list[Finding]:
    """Lines that no inverter tells: added to the pulses, or images of faster ones."""
    sampling_Hz, unit = 1 / result.interval_s, f" {result.unit}" if result.unit else ""
    high = [each for each in result.unknown if each.rate_Hz * result.interval_s > _UPPER_BAND]
    # Edges that jump from sample to sample have images of their own; hash on slow ones only looks like it.
    edges = None if result.train is None else result.train.edges
    is_jumping = edges is not None and edges.timing_s > _JUMPS * result.interval_s
    is_coarse = is_jumping and edges is not None and edges.hash_height < _QUIET * (edges.high - edges.low)
    strong = [
        each
        for each in result.unknown
        if edges is not None and each.rate_Hz > LEAST_CARRIER_Hz and each.amplitude > _WORTH * (edges.high - edges.low)
    ]
    strong = [each for each in strong if not _is_of_bursts(each, result)]
    if is_jumping and result.train is not None:  # their own images may have no name, where hash hides those beside them
        strong, high = ([each for each in some if not is_image(each, result.train, result)] for some in (strong, high))
    shown = (strong or ([] if is_coarse else high))[:_SHOWN]
    if not shown:
        return []
    images = ""
    if not is_coarse and (shown[0] in high or images_words(shown[0].rate_Hz, result.interval_s)):
        faster = ", ".join(f"{sized(sampling_Hz + sign * shown[0].rate_Hz, 5)}" for sign in (-1, 1))
        images = f"may be images of faster ones ({faster} Hz ...)"
    at = ", ".join(f"{sized(each.rate_Hz, 5)}" for each in shown)
    lines = f"the line{'s' if len(shown) > 1 else ''} at {at} Hz"
    added = f"up to ±{sized(shown[0].amplitude, 2)}{unit}, {'are' if len(shown) > 1 else 'is'} added to the pulses"
    return [
        Finding(
            what=f"{lines} {images}" if not strong else f"{lines}, {added}" + (f"; they {images}" if images else ""),
            cause="something that switches or swings at that rate, such as the carrier of an inverter"
            + (", or faster than half the sampling rate" if images else ""),
            check="record with the drive off and compare (livezero trace off.csv on.csv)"
            + (f"; record faster than {sized(4 * sampling_Hz)} samples a second, and images move" if images else ""),
        )
    ]


def _is_of_bursts(line: Line, result: TraceResult) -> bool:
    """Whether a line lies where bursts ring, which are told as such: what comes irregularly has a hump of lines."""
    bursts = None if result.hash is None else result.hash.bursts
    return bursts is not None and 1 / _HUMP < line.rate_Hz / bursts.rings_Hz < _HUMP


def _carrier_words(carrier: Carrier, result: TraceResult) -> str:
    unit = f" {result.unit}" if result.unit else ""
    multiples = ", ".join(f"{sized(each * carrier.rate_Hz, 4)}" for each in carrier.orders if each > 1)
    also = f" and its multiples ({multiples} Hz)" if multiples else ""
    images = images_words(carrier.rate_Hz, result.interval_s)
    faster = sized(2 * CARRIERS_Hz[1], 2)
    alias = (
        f"; or a carrier at {images}, of which these are images at {sized(1 / result.interval_s)} samples a second: "
        f"record faster than {faster} a second to tell which"
        if images
        else ""
    )
    if not math.isnan(carrier.rings_Hz) and not carrier.sides:
        return (
            f"bursts between the pulses, {sized(carrier.rate_Hz, 5)} a second, regularly, that ring at about "
            f"{sized(carrier.rings_Hz, 2)} Hz: lines at multiples of their rate, up to "
            f"±{sized(carrier.amplitude, 2)}{unit}; not tied to the edges"
        )
    rings = (
        f"; they are strongest about {sized(carrier.rings_Hz, 2)} Hz: short bursts that ring so at each switching, not "
        "tied to the edges"
        if not math.isnan(carrier.rings_Hz)
        else ""
    )
    sides = (
        f"with sidebands of twice the output frequency of {sized(carrier.output_Hz)} Hz"
        if carrier.sides
        else f"with sidebands that {time_words(result.length_s)} do not part"
    )
    return (
        f"lines of an inverter: carrier of {sized(carrier.rate_Hz, 5)} Hz{also}, {sides}, up to "
        f"±{sized(carrier.amplitude, 2)}{unit}" + rings + alias
    )
