"""Lines of a spectrum by where they come from: pulses, mains, and the carrier of an inverter with its sidebands."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.sines import alias_Hz
from sequencer.diagnosis.noise.spectrum import Line

__all__ = [
    "CARRIERS_Hz",
    "Carrier",
    "LEAST_CARRIER_Hz",
    "MAINS_Hz",
    "Origin",
    "carrier_of",
    "is_mirrored",
    "mains_of",
    "origins",
    "place_of",
    "wheel_pulses_of",
]

LEAST_CARRIER_Hz = 800.0
"""An inverter switches faster; pulses and their swings come slower (common practice, no source)."""

CARRIERS_Hz = (2000.0, 16000.0)
"""What an inverter usually switches at (common practice, no source)."""

MAINS_Hz = (50.0, 60.0)
"""What mains may be."""

_OUTPUT_Hz = (1.0, 150.0)  # what an inverter feeds a motor with (common practice, no source)
_MOST_PULSE_ORDER = 200
_OVER_EDGES = 4.0  # times what two edges give; ringing gives more than they do
_RATE_OFF = 1e-4  # that the pulse rate may be wrong by
_MOST_ORDER = 6
_SIDES = 4  # times the output frequency that a sideband lies away at most
_NEXT_SIDE, _CLUSTER = 2.5, 0.01
_UNRESOLVED_WIDTHS, _LEAST_UNRESOLVED = 4.0, 3
_LEAST_LINES = 4  # a carrier with one pair of sidebands may be chance
_MIRRORED = 1.5  # times as strong may one line be as the one on the other side of the pulses
_ALIKE = 2.0  # times as strong may one sideband be as the other
_MAINS_ORDERS = 7
_MAINS_OFF = 0.004  # that a grid may lie away
_MAINS_MOST_OFF = 0.008  # the same, where the record is too short to tell
_WHEEL_WIDTHS = 0.3
_LEAST_COMB, _COMBED = 5, 0.75  # lines, and the share of them on the multiples of a turn
_LEAST_LOW = 2
_LONE = 3.0
_LEAST_SIDE = 0.2  # of the strongest line
_COMB_WIDTHS = 3.0  # widths from one multiple of the turn to the next: else nearly all lines lie on them
_MOST_TEETH = 500
_MOST_OFF = 0.15  # of the pulse rate: a line is no nearer to a multiple by chance than three times in ten


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """A line and where it comes from: "pulses", "wheel", "50 Hz mains", "3 x 60 Hz mains"; "" where it is not known."""

    line: Line
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """Carrier of an inverter.

    Attributes:
        rate_Hz: of the carrier.
        orders: of its multiples that have lines, 1 with them.
        output_Hz: half the distance from sideband to carrier: what the motor is fed with; NaN without sidebands.
        sides: how far sidebands lie away, in output frequencies.
        amplitude: of the strongest of all these lines.
    """

    rate_Hz: float
    orders: tuple[int, ...]
    output_Hz: float
    sides: tuple[int, ...]
    amplitude: float

    def is_of(self, rate_Hz: float) -> bool:
        """Whether pulses of this rate are those of the carrier, or of a sideband next to it."""
        return abs(rate_Hz - self.rate_Hz) < (_NEXT_SIDE * self.output_Hz if self.sides else _CLUSTER * self.rate_Hz)


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
    """The carrier that explains most of some lines, none of them of pulses or mains; None where none has sidebands.

    Args:
        lines: of unknown origin.
        pulse_Hz: of the pulse train; lines as far apart as its multiples are its own. NaN = there is none.
        turn_Hz: of its wheel, alike.
        width_Hz: how near two lines may lie before they are one.
        interval_s: from sample to sample.
        within_Hz: where it must be.
    """
    lines = tuple(each for each in lines if not is_mirrored(each, lines, pulse_Hz, width_Hz))
    rates_Hz = np.array([line.rate_Hz for line in lines])
    best: tuple[int, Carrier] | None = None
    for carrier_Hz in _centres(rates_Hz):
        # Whatever turns has lines to either side of those of its pulses.
        is_pulses = abs(carrier_Hz - np.round(carrier_Hz / pulse_Hz) * pulse_Hz) < 2 * width_Hz
        if is_pulses or not within_Hz[0] <= carrier_Hz <= within_Hz[1]:
            continue
        found = _explained(lines, carrier_Hz, width_Hz, interval_s)
        if found is None or (best is not None and found[0] <= best[0]):
            continue
        turns_n = 2 * found[1].output_Hz / np.array([pulse_Hz, turn_Hz])
        if not (np.abs(turns_n - np.round(turns_n)) * np.array([pulse_Hz, turn_Hz]) < width_Hz).any():
            best = found
    return _unresolved(lines, pulse_Hz, width_Hz, within_Hz) if best is None else best[1]


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
            return Carrier(rate_Hz=first_Hz, orders=(1, 2), output_Hz=math.nan, sides=(), amplitude=amplitude)
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


def _centres(rates_Hz: np.ndarray) -> list[float]:
    """Lines, and the middles of two: a carrier need have no line itself."""
    near = [
        float(first + second) / 2
        for at, first in enumerate(rates_Hz)
        for second in rates_Hz[at + 1 :]
        if abs(first - second) <= 2 * _SIDES * _OUTPUT_Hz[1]
    ]
    return [*rates_Hz.tolist(), *near]


def _explained(
    lines: tuple[Line, ...], carrier_Hz: float, width_Hz: float, interval_s: float
) -> tuple[int, Carrier] | None:
    """How many lines a carrier explains with one output frequency."""
    rates_Hz = np.array([line.rate_Hz for line in lines])
    away_Hz = np.abs(rates_Hz - carrier_Hz)
    best: tuple[int, Carrier] | None = None
    for distance_Hz in np.unique(np.round(away_Hz[(away_Hz > 2 * width_Hz)], 6)).tolist():
        output_Hz = distance_Hz / 2
        pair = [
            [each.amplitude for each in lines if abs(each.rate_Hz - carrier_Hz - sign * distance_Hz) <= width_Hz]
            for sign in (1, -1)
        ]
        if not all(pair) or not 1 / _ALIKE < max(pair[0]) / max(pair[1]) < _ALIKE:
            continue
        if not _OUTPUT_Hz[0] <= output_Hz <= _OUTPUT_Hz[1]:
            continue
        orders, sides, amplitude, many = set(), set(), 0.0, 0
        for line in lines:
            place = place_of(line.rate_Hz, carrier_Hz, output_Hz, width_Hz, interval_s)
            if place is not None:
                orders.add(place[0])
                sides.add(abs(place[1]))
                amplitude, many = max(amplitude, line.amplitude), many + 1
        found = Carrier(
            rate_Hz=carrier_Hz,
            orders=tuple(sorted(orders)),
            output_Hz=output_Hz,
            sides=tuple(sorted(sides - {0})),
            amplitude=amplitude,
        )
        # A lone line shifts the edges of pulses, and so has weak ones beside it.
        is_pair = min(max(pair[0]), max(pair[1])) > _LEAST_SIDE * amplitude
        if is_pair and many >= _LEAST_LINES and (best is None or many > best[0]):
            best = many, found
    return best


def place_of(
    rate_Hz: float, carrier_Hz: float, output_Hz: float, width_Hz: float, interval_s: float
) -> tuple[int, int] | None:
    """Which multiple of the carrier and of the output frequency a line is, images too; None if it is none.

    Args:
        rate_Hz: of the line.
        carrier_Hz: of the inverter.
        output_Hz: what it feeds the motor with.
        width_Hz: how near two lines may lie before they are one.
        interval_s: from sample to sample.
    """
    for order in range(1, _MOST_ORDER + 1):
        for side in range(-_SIDES, _SIDES + 1):
            expected_Hz = order * carrier_Hz + side * output_Hz
            if abs(alias_Hz(expected_Hz, interval_s) - rate_Hz) <= order * width_Hz:
                return order, side
    return None
