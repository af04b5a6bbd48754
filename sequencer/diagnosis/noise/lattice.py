"""Lines of an inverter: at multiples of its carrier and output frequency about these, and how well that tells them."""

import math
from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.sines import alias_Hz
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["Carrier", "LEAST_CARRIER_Hz", "Lattice", "OUTPUT_Hz", "place_of"]

LEAST_CARRIER_Hz = 800.0
"""An inverter switches faster; pulses and their swings come slower (common practice, no source)."""

OUTPUT_Hz = (1.0, 150.0)
"""What an inverter feeds a motor with (common practice, no source)."""

_ORDERS_N = 30  # multiples of the carrier: what rings at each switching has most about the frequency that it rings with
_SIDES_N = 24  # times the output frequency that a sideband lies away at most
_SIDES_LOW, _SIDES_ORDER = 3, 1.4  # the same of the multiple 0, and of each more
_RIGHT = 0.9  # of them are as they should be
_NAMED_N = 6  # the same of what is named
_FOLDS_N = 2  # times the sampling rate, of whose images a line may be one
_SUM_OF_ORDERS = sum(1 / each for each in range(1, _ORDERS_N + 1))  # the n-th is as likely as 1 / n
_FOLDED = 2.0  # nats that a line is less likely an image, for each time that it is folded
_TRIED_N, _FITTED_N = 16, 40  # strongest lines that pairs of sidebands are looked for among; candidates that are fitted
_ALIKE = 3.0  # times as strong may one sideband be as the other
_OFF, _OFF_ORDER = 0.35, 0.15  # widths that a line may lie off, and with each order by as much of that more
_FITS_N = 3
_PAIRED, _LONE = 0.7, 1.5  # nats for a sideband that has one on the other side, and against one that has none
_SKIPPED = 8.0  # nats against a carrier of which every second, or third, multiple has lines
_SECOND = 20.0  # nats against a carrier of which the second multiple is the stronger, with a line that it lacks
_LEAST_LINES = 3
_RINGS = 4  # multiple from which on the highest lines are of bursts
_NEXT_SIDE, _CLUSTER = 2.5, 0.01  # output frequencies, and of the carrier: what is counted as its pulses
_LEAST_SHARE = 0.4  # of the power of all lines, that an inverter has to tell


def _chances() -> FloatArray:
    """Logarithm of how likely each side of each multiple is, shape (multiples, sides from 0); both from 0.

    A bridge that is modulated evenly has even sides about odd multiples and odd ones about even multiples, and as many
    more as the multiple is high; what is not quite even has some of the others (Holmes and Lipo 2003, from memory).
    """
    order, side = np.arange(_ORDERS_N + 1)[:, None], np.arange(_SIDES_N + 2)
    widest = _SIDES_LOW + _SIDES_ORDER * order
    is_right = (order + side) % 2 == 1
    found = np.where(is_right, _RIGHT, 1 - _RIGHT) / (widest + 1) * np.ones_like(side)
    found[1, :5] = (0.3, 0.02, 0.25, 0.01, 0.05)  # the first two multiples are a table of their own
    found[2, :5] = (0.1, 0.3, 0.03, 0.1, 0.02)
    found[:, -1] = 1e-30  # too far
    return np.asarray(np.log(np.where(side <= widest, found, 1e-30)))


_CHANCES = _chances()


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """Carrier of an inverter.

    Attributes:
        rate_Hz: of the carrier.
        orders: of its multiples that have lines.
        loudest: multiple that the strongest line lies about: what rings at each switching is far up.
        output_Hz: half the distance from sideband to carrier: what the motor is fed with; NaN without sidebands.
        sides: how far sidebands lie away, in output frequencies.
        amplitude: of the strongest of all these lines.
        height: of all of them, the root of the sum of their squares.
    """

    rate_Hz: float
    orders: tuple[int, ...]
    loudest: int
    output_Hz: float
    sides: tuple[int, ...]
    amplitude: float
    height: float

    @property
    def rings_Hz(self) -> float:
        """What swings shortly at each switching; NaN where the lines are those of a carrier that is always there."""
        return self.loudest * self.rate_Hz if self.loudest >= _RINGS else math.nan

    def is_of(self, rate_Hz: float) -> bool:
        """Whether pulses of this rate are those of the carrier, or of a sideband next to it."""
        return abs(rate_Hz - self.rate_Hz) < (_NEXT_SIDE * self.output_Hz if self.sides else _CLUSTER * self.rate_Hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lattice:
    """Lines that an inverter may tell.

    Attributes:
        rates_Hz: strongest first, shape (n,).
        sizes: their amplitudes, shape (n,).
        width_Hz: how near two lines may lie before they are one.
        interval_s: from sample to sample; multiples beyond half the sampling rate show as images.
    """

    rates_Hz: FloatArray
    sizes: FloatArray
    width_Hz: float
    interval_s: float

    def best(self, least_Hz: float, most_Hz: float) -> tuple[Carrier, float] | None:
        """The inverter that tells the lines best, and how many nats better than chance; None where none tells some.

        Each line that it foretells is held against one that may lie anywhere, and both its frequencies cost what it
        takes to name them.

        Args:
            least_Hz: of the carrier.
            most_Hz: of the carrier.
        """
        carriers_Hz, outputs_Hz = self._candidates()
        is_usual = (carriers_Hz >= least_Hz) & (carriers_Hz <= most_Hz)
        carriers_Hz, outputs_Hz = carriers_Hz[is_usual], outputs_Hz[is_usual]
        gains = self._places(carriers_Hz, outputs_Hz)[0].sum(axis=1)
        likely = np.argsort(-gains, kind="stable")[:_FITTED_N]
        found = [self._fitted(float(carriers_Hz[at]), float(outputs_Hz[at])) for at in likely]
        told = [each for each in found if each is not None]
        return max(told, key=lambda each: each[1], default=None)

    def _candidates(self) -> tuple[FloatArray, FloatArray]:
        """Carriers and output frequencies that two lines, about alike, lie evenly to both sides of a multiple of."""
        f, a = self.rates_Hz[:_TRIED_N], self.sizes[:_TRIED_N]
        first, second = np.triu_indices(len(f), 1)
        centres_Hz, away_Hz = (f[first] + f[second]) / 2, np.abs(f[first] - f[second]) / 2
        kept = (a[first] < _ALIKE * a[second]) & (away_Hz > 2 * self.width_Hz)
        orders, sides = (each.ravel() for each in np.meshgrid(np.arange(1, _ORDERS_N + 1), (1, 2, 3, 4)))
        carriers_Hz, outputs_Hz = (centres_Hz[kept][:, None] / orders).ravel(), (away_Hz[kept][:, None] / sides).ravel()
        is_usual = (outputs_Hz >= OUTPUT_Hz[0]) & (outputs_Hz <= OUTPUT_Hz[1]) & (carriers_Hz >= LEAST_CARRIER_Hz)
        return carriers_Hz[is_usual], outputs_Hz[is_usual]

    def _places(
        self, carriers_Hz: FloatArray, outputs_Hz: FloatArray
    ) -> tuple[FloatArray, IntArray, IntArray, FloatArray]:
        """What each inverter tells of each line: nats gained, order, side, the line unfolded; shape (inverters, n)."""
        turns = np.arange(_FOLDS_N + 1) / self.interval_s
        unfolded_Hz = np.concatenate((turns[:, None] + self.rates_Hz, turns[1:, None] - self.rates_Hz)).T
        carrier_Hz, output_Hz = carriers_Hz[:, None, None], outputs_Hz[:, None, None]
        order = np.clip(np.round(unfolded_Hz / carrier_Hz), 1, _ORDERS_N).astype(np.int64)
        side = np.round((unfolded_Hz - order * carrier_Hz) / output_Hz)
        off_Hz = np.abs(unfolded_Hz - order * carrier_Hz - side * output_Hz)
        side = np.clip(side, -_SIDES_N - 1, _SIDES_N + 1).astype(np.int64)
        most_Hz = _OFF * self.width_Hz * (1 + _OFF_ORDER * order)
        worth = np.log(0.5 / self.interval_s / (2 * most_Hz)) + _CHANCES[order, np.abs(side)]
        worth -= np.log(order * _SUM_OF_ORDERS) + _FOLDED * np.round(unfolded_Hz * self.interval_s)
        gains = np.where(off_Hz <= most_Hz, np.maximum(worth, 0.0), 0.0)
        at = np.argmax(gains, axis=2)[:, :, None]
        lines = np.broadcast_to(unfolded_Hz, gains.shape)
        return tuple(np.take_along_axis(each, at, axis=2)[:, :, 0] for each in (gains, order, side, lines))  # type: ignore[return-value]

    def _told_by(self, carrier_Hz: float, output_Hz: float) -> tuple[FloatArray, IntArray, IntArray, FloatArray]:
        """The same of one inverter; each of shape (n,)."""
        gains, orders, sides, lines_Hz = self._places(np.array([carrier_Hz]), np.array([output_Hz]))
        return gains[0], orders[0], sides[0], lines_Hz[0]

    def _fitted(self, carrier_Hz: float, output_Hz: float) -> tuple[Carrier, float] | None:
        """The inverter near these that tells the lines best, and nats gained; None where it tells too little."""
        for _ in range(_FITS_N):
            gains, orders, sides, lines_Hz = self._told_by(carrier_Hz, output_Hz)
            told = gains > 0
            weights = 1 / (1 + _OFF_ORDER * orders[told])
            basis = np.stack((orders[told], sides[told]), axis=1) * weights[:, None]
            if np.count_nonzero(told) < _LEAST_LINES or np.linalg.matrix_rank(basis) < 2:
                return None
            carrier_Hz, output_Hz = np.linalg.lstsq(basis, lines_Hz[told] * weights, rcond=None)[0].tolist()
        gains, orders, sides, _ = self._told_by(carrier_Hz, output_Hz)
        told = gains > 0
        power = self.sizes**2
        if (
            np.count_nonzero(told) < _LEAST_LINES
            or power[told].sum() < _LEAST_SHARE * power.sum()
            or not sides[told].any()
        ):
            return None
        named = sum(math.log(each / (2 * _OFF * self.width_Hz)) for each in (0.5 / self.interval_s, OUTPUT_Hz[1]))
        carrier = Carrier(
            rate_Hz=carrier_Hz,
            orders=tuple(np.unique(orders[told]).tolist()),
            loudest=int(orders[np.argmax(np.where(told, power, 0.0))]),
            output_Hz=abs(output_Hz),
            sides=tuple(np.unique(np.abs(sides[told & (sides != 0)])).tolist()),
            amplitude=float(self.sizes[told].max()),
            height=float(np.sqrt(power[told].sum())),
        )
        # Sidebands come in pairs: what has none on the other side is rather some other line.
        places = set(zip(orders[told].tolist(), sides[told].tolist(), strict=True))
        paired_n = sum((order, -side) in places for order, side in places if side)
        lone_n = sum(side != 0 for _, side in places) - paired_n
        even = _PAIRED * paired_n - _LONE * lone_n
        # Every second multiple alone is rather a carrier of twice the rate.
        skipped = _SKIPPED if np.gcd.reduce(orders[told]) > 1 else 0.0
        # So is one whose strongest line lies where an even bridge has none about its second multiple.
        strongest = int(np.argmax(np.where(told, power, 0.0)))
        skipped += _SECOND if orders[strongest] == 2 and sides[strongest] % 2 == 0 else 0.0
        return carrier, float(gains.sum()) + even - skipped - named


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
    for order in range(1, _ORDERS_N + 1):
        for side in range(-_NAMED_N, _NAMED_N + 1):
            expected_Hz = order * carrier_Hz + side * output_Hz
            if abs(alias_Hz(expected_Hz, interval_s) - rate_Hz) <= _OFF * (1 + _OFF_ORDER * order) * width_Hz:
                return order, side
    return None
