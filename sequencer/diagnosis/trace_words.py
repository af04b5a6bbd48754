"""Words that all that is said of a trace has in common: times, thresholds, names of lines."""

from dataclasses import dataclass

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.edges import Edges
from sequencer.diagnosis.noise.inverter import CARRIERS_Hz
from sequencer.diagnosis.noise.lattice import place_of
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.spectrum import Line
from sequencer.diagnosis.traced import TraceResult

__all__ = [
    "Finding",
    "counter_words",
    "images_words",
    "is_image",
    "jitter_words",
    "levels_words",
    "line_name",
    "line_names",
    "time_words",
    "times_words",
]

_SHOWN = 3
_MOST_ORDER = 40
_KEPT = 0.7  # of the height of high pulses is that of low ones, where there are levels
_MOST_IMAGE_ORDER = 200
_NEAR = 0.004  # of a frequency: as near as grids hold theirs


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing seen: what it is, what causes it, what to check next."""

    what: str
    cause: str = ""
    check: str = ""


def counter_words(edges: Edges, unit: str) -> str:
    """Thresholds, and what was done to the trace before they were set."""
    return (
        f"thresholds {sized(edges.lower)} and {sized(edges.upper)}{unit and f' {unit}'}"
        + (f", about a baseline that moves by {sized(edges.baseline, 2)}" if edges.baseline else "")
        + (f", after a mean over {time_words(edges.filter_s)}" if edges.filter_s else "")
    )


def levels_words(edges: Edges, unit: str) -> str:
    """The two levels of a trace; of pulses that grow or shrink, which keep none, from and to which height they go."""
    heights = np.maximum(edges.rises, edges.falls)[1:-1]
    lowest, highest = np.quantile(heights, (0.1, 0.9)) if len(heights) else (0.0, 0.0)
    if lowest < _KEPT * highest:
        low, high = (sized(float(each)) for each in (heights.min(), heights.max()))
        return f"pulses of {low} to {high}{unit and f' {unit}'} from bottom to top"
    return f"levels {sized(edges.low)} and {sized(edges.high)}{unit and f' {unit}'}"


def line_names(result: TraceResult) -> tuple[str, ...]:
    """What each main line is by its frequency: pulses, wheel, mains, inverter, a multiple; "" if none of them."""
    return tuple(line_name(line, result) for line in result.lines)


def line_name(line: Line, result: TraceResult) -> str:
    """The same of any line of a trace."""
    origins = {each.line.rate_Hz: each.name for each in result.origins}
    name, train, carrier = origins.get(line.rate_Hz, ""), result.train, result.carrier
    if name == "pulses" and train is not None:
        order = _order(line.rate_Hz, train.rate_Hz)
        if order:
            return "the pulses" if order == 1 else f"{order} x the pulses"
        return f"{'an image' if is_image(line, train, result) else 'a sideband'} of the pulses"
    if not result.lines:
        return name
    strongest_Hz = result.lines[0].rate_Hz
    multiple = _order(line.rate_Hz, strongest_Hz)
    # The fifth of ten a second lies at 50 Hz too.
    is_own = train is None and not origins.get(strongest_Hz)
    if name and not (is_own and multiple > 1):
        return name
    if carrier is not None and carrier.sides:
        place = place_of(line.rate_Hz, carrier.rate_Hz, carrier.output_Hz, 1 / result.length_s, result.interval_s)
        if place is not None:
            return _inverter_name(*place)
    of = "the pulses" if origins.get(strongest_Hz) == "pulses" else "line 1"
    return f"{multiple} x {of}" if multiple > 1 else ""


def _inverter_name(order: int, side: int) -> str:
    carrier = "the carrier" if order == 1 else f"{order} x the carrier"
    output = "its output" if abs(side) == 1 else f"{abs(side)} x its output"
    return f"{carrier} of an inverter" + (f" {'+' if side > 0 else '-'} {output}" if side else "")


def _order(rate_Hz: float, first_Hz: float) -> int:
    """Which multiple of a frequency another one is; 0 if none."""
    order = round(rate_Hz / first_Hz)
    return order if 1 <= order <= _MOST_ORDER and abs(rate_Hz / (order * first_Hz) - 1) < _NEAR else 0


def is_image(line: Line, train: PulseTrain, result: TraceResult) -> bool:
    """Whether a multiple of the pulse rate beyond half the sampling rate shows as this line, and may be as high."""
    orders = np.arange(1, _MOST_IMAGE_ORDER + 1)
    turns = orders * train.rate_Hz * result.interval_s
    images_Hz = np.abs(turns - np.round(turns)) / result.interval_s
    is_near = np.abs(images_Hz - line.rate_Hz) < 1 / result.length_s
    # A pulse of two levels has 2 / (pi k) of its swing at most in the multiple k: no image is higher.
    return bool((is_near & (turns > 0.5) & (line.amplitude * orders <= train.edges.height)).any())


def images_words(rate_Hz: float, interval_s: float) -> str:
    """Carriers of an inverter that samples so far apart show as this line; "" where there is none."""
    sampling_Hz = 1 / interval_s
    orders = range(1, int(CARRIERS_Hz[1] / sampling_Hz) + 2)
    faster_Hz = [order * sampling_Hz + sign * rate_Hz for order in orders for sign in (-1, 1)]
    usual_Hz = [each for each in faster_Hz if CARRIERS_Hz[0] <= each <= CARRIERS_Hz[1]]
    if not usual_Hz:
        return ""
    said = ", ".join(sized(each, 5) for each in usual_Hz[:_SHOWN])
    return f"{said}{' ...' if len(usual_Hz) > _SHOWN else ''} Hz"


def jitter_words(jitter_pct: float, floor_pct: float) -> str:
    """Jitter of a period; what is no more than the samples tell, or any clock keeps, is told as that."""
    return f"{sized(jitter_pct, 2)} %" if jitter_pct > floor_pct else f"below {floor_pct:.1g} %"


def times_words(times_s: tuple[float, ...]) -> str:
    """The first times of some."""
    said = ", ".join(sized(each, 5) for each in times_s[:_SHOWN])
    return f"at {said} s{' ...' if len(times_s) > _SHOWN else ''}"


def time_words(time_s: float) -> str:
    """A time in s, ms, us or ns."""
    for factor, unit in ((1.0, "s"), (1e3, "ms"), (1e6, "us")):
        if time_s * factor >= 0.9995:
            return f"{sized(time_s * factor)} {unit}"
    return f"{sized(time_s * 1e9)} ns"
