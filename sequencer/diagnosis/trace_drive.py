"""What is said of the lines of an inverter in a trace, and of lines that may be images."""

from instruments.texts import sized
from sequencer.diagnosis.noise.inverter import Carrier
from sequencer.diagnosis.trace_words import Finding, images_words, time_words
from sequencer.diagnosis.traced import TraceResult

__all__ = ["of_drive"]

_UPPER_BAND = 0.25  # of the sampling rate, from which on a line may well be an image
_QUIET = 0.05  # of the swing
_JUMPS = 0.3  # of an interval that sampling may displace an edge by
_SHOWN = 3


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
    high = [each for each in result.unknown if each.rate_Hz * result.interval_s > _UPPER_BAND]
    # Edges that jump from sample to sample have images of their own; hash on slow ones only looks like it.
    edges = None if result.train is None else result.train.edges
    is_jumping = edges is not None and edges.timing_s > _JUMPS * result.interval_s
    is_coarse = is_jumping and edges is not None and edges.hash_height < _QUIET * (edges.high - edges.low)
    if high and carrier is None and not is_coarse:
        sampling_Hz = 1 / result.interval_s
        found.append(
            Finding(
                what=f"the lines at {', '.join(f'{each.rate_Hz:.5g}' for each in high[:_SHOWN])} Hz may be images of "
                f"faster ones ({sampling_Hz - high[0].rate_Hz:.5g}, {sampling_Hz + high[0].rate_Hz:.5g} Hz ...)",
                cause="something faster than half the sampling rate, such as the carrier of an inverter",
                check=f"record faster than {sized(4 * sampling_Hz)} samples a second, or at another rate: images move",
            )
        )
    return found


def _carrier_words(carrier: Carrier, result: TraceResult) -> str:
    unit = f" {result.unit}" if result.unit else ""
    multiples = ", ".join(f"{each * carrier.rate_Hz:.4g}" for each in carrier.orders if each > 1)
    also = f" and its multiples ({multiples} Hz)" if multiples else ""
    images = images_words(carrier.rate_Hz, result.interval_s)
    alias = f"; or, as images of these, a carrier at {images}: record faster" if images else ""
    sides = (
        f"with sidebands of twice the output frequency of {sized(carrier.output_Hz)} Hz"
        if carrier.sides
        else f"with sidebands that {time_words(result.length_s)} do not part"
    )
    return (
        f"lines of an inverter: carrier of {carrier.rate_Hz:.5g} Hz{also}, {sides}, up to "
        f"±{sized(carrier.amplitude, 2)}{unit}" + alias
    )
