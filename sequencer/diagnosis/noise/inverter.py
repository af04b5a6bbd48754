"""Lines of a spectrum by where they come from: pulses, mains, and the carrier of an inverter with its sidebands."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.lattice import Carrier, Lattice, LEAST_CARRIER_Hz, OUTPUT_Hz
from sequencer.diagnosis.noise.spectrum import Line

__all__ = [
    "CARRIERS_Hz",
    "MAINS_Hz",
    "Origin",
    "carrier_of",
    "is_mirrored",
    "mains_of",
    "origins",
    "suppressed",
    "wheel_pulses_of",
]

CARRIERS_Hz = (1500.0, 17000.0)
"""What an inverter usually switches at (common practice, no source)."""

MAINS_Hz = (50.0, 60.0)
"""What mains may be."""

_MOST_PULSE_ORDER = 200
_OVER_EDGES = 4.0  # times what two edges give; ringing gives more than they do
_RATE_OFF = 1e-4  # that the pulse rate may be wrong by
_EVEN_N, _LEAST_EVEN, _MOST_OF = 10, 4, 0.8  # strongest lines; multiples; of the power of these lines
_UNRESOLVED_WIDTHS, _LEAST_UNRESOLVED = 4.0, 3
_LEAST_GAIN = 3.0  # nats, from which on chance does not tell the lines as well
_MIRRORED = 1.5  # times as strong may one line be as the one on the other side of the pulses
_NEARLY_ALL = 0.8  # of the power: a phase that swings until its own line vanishes has six tenths in two lines at most
_APART_WIDTHS = 3.0  # widths from one to the other
_FAR = 5.0  # times their distance, that they lie away from nought: pulses may have most in two of their first multiples
_BETWEEN = 0.2  # of their height may a line between them have
_MAINS_ORDERS = 7
_MAINS_OFF = 0.004  # that a grid may lie away
_MAINS_MOST_OFF = 0.008  # the same, where the record is too short to tell
_WHEEL_WIDTHS = 0.3
_LEAST_COMB, _COMBED = 5, 0.75  # lines, and the share of them on the multiples of a turn
_LEAST_LOW = 2
_LONE = 3.0
_COMB_WIDTHS = 3.0  # widths from one multiple of the turn to the next: else nearly all lines lie on them
_MOST_TEETH = 500
_MOST_OFF = 0.15  # of the pulse rate: a line is no nearer to a multiple by chance than three times in ten


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """A line and where it comes from: "pulses", "wheel", "50 Hz mains", "3 x 60 Hz mains"; "" where it is not known."""

    line: Line
    name: str


def mains_of(rate_Hz: float, width_Hz: float, *, most_order: int = _MAINS_ORDERS) -> str:
    """Which mains a line is, "" if none: to 0.4 %, or to what the length of the record tells, 0.8 % at most."""
    for mains_Hz in MAINS_Hz:
        for order in range(1, most_order + 1):
            off_Hz = max(_MAINS_OFF, min(width_Hz / (order * mains_Hz), _MAINS_MOST_OFF)) * order * mains_Hz
            if abs(rate_Hz - order * mains_Hz) <= off_Hz:
                return f"{mains_Hz:g} Hz mains" if order == 1 else f"{order} x {mains_Hz:g} Hz mains"
    return ""


def origins(
    lines: tuple[Line, ...], pulse_Hz: float, swing: float, turn_Hz: float, width_Hz: float, interval_s: float
) -> tuple[Origin, ...]:
    """Where each line comes from.

    Args:
        lines: of a spectrum.
        pulse_Hz: of the pulse train; NaN = there is none.
        swing: how far its pulses go up in a period.
        turn_Hz: of a wheel whose pulses are not all alike; NaN = there is none.
        width_Hz: how near two lines may lie before they are one.
        interval_s: from sample to sample; multiples of the pulse rate appear as images too.
    """
    orders = np.arange(1, _MOST_PULSE_ORDER + 1)
    turns = orders * pulse_Hz * interval_s
    pulses_Hz = np.abs(turns - np.round(turns)) / interval_s
    # A pulse of two levels has 2 / (pi k) of its swing at most in the multiple k: no image is higher.
    most = swing / orders
    off_Hz = width_Hz + _RATE_OFF * orders * pulse_Hz

    def name_of(line: Line) -> str:
        is_near = (turns > 0.5) & (np.abs(pulses_Hz - line.rate_Hz) <= off_Hz) & (line.amplitude <= most)
        order = np.round(line.rate_Hz / pulse_Hz)
        least_Hz = min(width_Hz + _RATE_OFF * order * pulse_Hz, _MOST_OFF * pulse_Hz)
        is_low = line.amplitude * order <= _OVER_EDGES * swing
        if is_low and abs(line.rate_Hz - order * pulse_Hz) <= least_Hz:
            return "pulses"
        turns_n = line.rate_Hz / turn_Hz
        if abs(turns_n - np.round(turns_n)) * turn_Hz < _WHEEL_WIDTHS * width_Hz:
            return "wheel"
        return mains_of(line.rate_Hz, width_Hz) or ("pulses" if is_near.any() else "")

    return tuple(Origin(line=line, name=name_of(line)) for line in lines)


def carrier_of(
    lines: tuple[Line, ...],
    pulse_Hz: float,
    turn_Hz: float,
    width_Hz: float,
    interval_s: float,
    *,
    within_Hz: tuple[float, float] = (LEAST_CARRIER_Hz, math.inf),
) -> Carrier | None:
    """The carrier that tells best where some lines lie, none of them of pulses or mains; None where chance may.

    Args:
        lines: of unknown origin.
        pulse_Hz: of the pulse train; lines as far apart as its multiples are its own. NaN = there is none.
        turn_Hz: of its wheel, alike.
        width_Hz: how near two lines may lie before they are one.
        interval_s: from sample to sample.
        within_Hz: where it must be.
    """
    lattice = Lattice(
        rates_Hz=np.array([line.rate_Hz for line in lines]),
        sizes=np.array([line.amplitude for line in lines]),
        width_Hz=width_Hz,
        interval_s=interval_s,
    )
    best = lattice.best(*within_Hz)
    if best is not None and best[1] > _LEAST_GAIN:
        carrier = best[0]
        # Whatever turns has lines as far apart as its pulses and its turns.
        apart_Hz = np.array([pulse_Hz, turn_Hz])
        turns_n = 2 * carrier.output_Hz / apart_Hz
        if not (np.abs(turns_n - np.round(turns_n)) * apart_Hz < width_Hz / 2).any():
            return carrier
    return _unresolved(lines, pulse_Hz, width_Hz, within_Hz) or _even(lattice, pulse_Hz, within_Hz)


def suppressed(lines: Sequence[Line], power: float, width_Hz: float) -> Carrier | None:
    """A carrier that is not there itself: two lines of about one height are nearly all; None where they are not.

    What beats so has no pulses: it fades to nothing, and comes back the other way round.

    Args:
        lines: of a spectrum, strongest first.
        power: sum of the squares of the amplitudes of all sines that make the trace.
        width_Hz: how near two lines may lie before they are one.
    """
    if len(lines) < 2:
        return None
    first, second = lines[:2]
    rate_Hz, away_Hz = (first.rate_Hz + second.rate_Hz) / 2, abs(first.rate_Hz - second.rate_Hz) / 2
    height = math.hypot(first.amplitude, second.amplitude)
    if first.amplitude > _MIRRORED * second.amplitude or height**2 < _NEARLY_ALL * power:
        return None
    is_usual = OUTPUT_Hz[0] <= away_Hz / 2 <= OUTPUT_Hz[1] and rate_Hz >= max(LEAST_CARRIER_Hz, _FAR * 2 * away_Hz)
    is_between = any(abs(each.rate_Hz - rate_Hz) < width_Hz and each.amplitude > _BETWEEN * height for each in lines)
    if not is_usual or is_between or 2 * away_Hz < _APART_WIDTHS * width_Hz:
        return None
    return Carrier(
        rate_Hz=rate_Hz,
        orders=(1,),
        loudest=1,
        output_Hz=away_Hz / 2,
        sides=(2,),
        amplitude=first.amplitude,
        height=height,
    )


def _unresolved(
    lines: Sequence[Line], pulse_Hz: float, width_Hz: float, within_Hz: tuple[float, float]
) -> Carrier | None:
    """A carrier whose sidebands the record is too short to part: lines close together, and more at twice their rate."""
    rising = sorted(lines, key=lambda each: each.rate_Hz)
    clusters: list[list[Line]] = []
    for line in rising:
        near = clusters and line.rate_Hz - clusters[-1][-1].rate_Hz < _UNRESOLVED_WIDTHS * width_Hz
        clusters[-1].append(line) if near else clusters.append([line])
    middles = [
        (sum(each.rate_Hz * each.amplitude for each in some) / sum(each.amplitude for each in some), some)
        for some in clusters
    ]
    for first_Hz, some in middles:
        is_pulses = abs(first_Hz - np.round(first_Hz / pulse_Hz) * pulse_Hz) < 2 * width_Hz
        others = [
            other
            for at_Hz, other in middles
            if abs(at_Hz - 2 * first_Hz) < _UNRESOLVED_WIDTHS * width_Hz and len(some) + len(other) >= _LEAST_UNRESOLVED
        ]
        if others and within_Hz[0] <= first_Hz <= within_Hz[1] and not is_pulses:
            amplitude = max(each.amplitude for each in (*some, *others[0]))
            height = math.sqrt(sum(each.amplitude**2 for each in (*some, *others[0])))
            return Carrier(
                rate_Hz=first_Hz,
                orders=(1, 2),
                loudest=1,
                output_Hz=math.nan,
                sides=(),
                amplitude=amplitude,
                height=height,
            )
    return None


def _even(lattice: Lattice, pulse_Hz: float, within_Hz: tuple[float, float]) -> Carrier | None:
    """What switches evenly and rings each time: lines at high multiples of one rate, and at none of its own.

    A carrier that is always there and swells with some beat has lines as far apart, and is no multiple of that.
    """
    rates_Hz, sizes, width_Hz = lattice.rates_Hz[:_EVEN_N], lattice.sizes[:_EVEN_N], lattice.width_Hz
    if len(rates_Hz) < _LEAST_EVEN:
        return None
    for apart_Hz in np.abs(rates_Hz[1:] - rates_Hz[0]).tolist():
        loudest = round(rates_Hz[0] / apart_Hz)
        is_pulses = abs(apart_Hz - np.round(apart_Hz / pulse_Hz) * pulse_Hz) < 2 * width_Hz
        if loudest < _LEAST_EVEN or is_pulses or not within_Hz[0] <= apart_Hz <= within_Hz[1]:
            continue
        rate_Hz = float(rates_Hz[0]) / loudest
        orders = np.round(rates_Hz / rate_Hz)
        told = np.abs(rates_Hz - orders * rate_Hz) < width_Hz * (1 + np.abs(orders - loudest) / loudest)
        told &= orders > 0
        many = len(np.unique(orders[told]))
        if many >= _LEAST_EVEN and float((sizes[told] ** 2).sum()) > _MOST_OF * float((sizes**2).sum()):
            return Carrier(
                rate_Hz=float(orders[told] @ rates_Hz[told] / (orders[told] @ orders[told])),
                orders=tuple(np.unique(orders[told]).astype(int).tolist()),
                loudest=loudest,
                output_Hz=math.nan,
                sides=(),
                amplitude=float(sizes[told].max()),
                height=float(np.sqrt((sizes[told] ** 2).sum())),
            )
    return None


def wheel_pulses_of(lines: Sequence[Line], pulse_Hz: float, width_Hz: float) -> int | None:
    """Pulses of a wheel whose turns nearly all of some lines are multiples of; None where there is no such wheel.

    Args:
        lines: of a spectrum, none of them the pulses' own.
        pulse_Hz: of the pulse train.
        width_Hz: how near two lines may lie before they are one.
    """
    rates_Hz = np.array([each.rate_Hz for each in lines])
    # A wheel has lines about the pulses themselves; an inverter's may lie on some comb by chance.
    if len(lines) < _LEAST_COMB or np.count_nonzero(rates_Hz < 2 * pulse_Hz) < _LEAST_LOW:
        return None
    # One far above all others shifts the edges, which have its differences to the pulses then.
    first, second = sorted((each.amplitude for each in lines), reverse=True)[:2]
    if first > _LONE * second:
        return None
    most_n = min(int(pulse_Hz / (_COMB_WIDTHS * width_Hz)), _MOST_TEETH)
    for pulses_n in range(2, most_n + 1):
        turn_Hz = pulse_Hz / pulses_n
        off_Hz = np.abs(rates_Hz - np.round(rates_Hz / turn_Hz) * turn_Hz)
        if float(np.mean(off_Hz < _WHEEL_WIDTHS * width_Hz)) > _COMBED:
            return pulses_n
    return None


def is_mirrored(line: Line, lines: Sequence[Line], pulse_Hz: float, off_Hz: float) -> bool:
    """Whether one as strong lies as far on the other side of the pulses: their own rate swings, nothing is added."""
    mirror_Hz = 2 * np.round(line.rate_Hz / pulse_Hz) * pulse_Hz - line.rate_Hz
    return any(
        abs(each.rate_Hz - mirror_Hz) < 2 * off_Hz and 1 / _MIRRORED < each.amplitude / line.amplitude < _MIRRORED
        for each in lines
        if each is not line
    )
