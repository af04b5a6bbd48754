"""What reads one unit of several: a receiver behind the scanner, or one at a tap that all units share.

Each unit has its own range: one that overloads the meter takes a wider one for itself alone. Connecting, selecting and
reading go over the lines of the receiver and scanner that all have in common, which recover once, for all.
"""

from collections import deque
from collections.abc import Callable, Mapping
from functools import partial

from instruments.benchmodel import Units
from instruments.clock import Clock
from instruments.described import DescribedScanner
from instruments.entry import Doubting
from instruments.functions import RangeEntry
from instruments.roles import Receiver, Sample

__all__ = ["Places", "SeenReceiver", "SharedReceiver", "SharedTap"]

_TOGETHER_S = 10.0
"""So far apart one reading of a tap that all units share may serve them: what is set there stands, and it is looked at
after each point whether it does (no source)."""


class SharedReceiver:
    """A receiver that several units use, and the range it stands in.

    Args:
        receiver: as the bench has it.
        ranges: of its function, to choose a wider one from.
    """

    def __init__(self, receiver: Receiver, ranges: tuple[RangeEntry, ...]) -> None:
        self.receiver = receiver
        self.ranges = ranges
        self._stands: tuple[RangeEntry, str] | None = None

    def take(self, entry: RangeEntry, unit: str) -> None:
        """Select function, range and unit, where the receiver stands in others."""
        if self._stands != (entry, unit):
            self._stands = None
            self.receiver.select(entry, unit)
            self._stands = entry, unit


class SharedTap:
    """The readings of a tap that all units share: one serves all that are read within ten seconds."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._samples: deque[tuple[int, RangeEntry, Sample]] = deque(maxlen=64)
        self._n = 0

    def moved(self) -> None:
        """The input leaves its level: what was read before serves nobody any more."""
        self._samples.clear()

    def sample(self, after_n: int, entry: RangeEntry, read: Callable[[], Sample]) -> tuple[int, Sample]:
        """The first reading after the one of that number that is recent and in that range, else a new one.

        Returns:
            With its number.
        """
        now_s = self._clock.now()
        for number, stood, sample in self._samples:
            if number > after_n and stood == entry and now_s - sample.at_s <= _TOGETHER_S:
                return number, sample
        sample = read()
        self._n += 1
        self._samples.append((self._n, entry, sample))
        return self._n, sample


class SeenReceiver:
    """A receiver as one unit sees it; no reading comes to it twice.

    Args:
        shared: the receiver.
        connect: closes the channels of the unit; raises as `DescribedScanner.connect`.
        tap: the readings of a tap that all units share; None = a tap of this unit alone.
    """

    def __init__(self, shared: SharedReceiver, *, connect: Callable[[], None], tap: SharedTap | None) -> None:
        self._shared = shared
        self._connect = connect
        self._tap = tap
        self._taken_n = 0
        self._entry = shared.ranges[0]
        self._unit = ""
        self.name = shared.receiver.name
        self.function = shared.receiver.function
        self.is_keyed = shared.receiver.is_keyed

    def select(self, entry: RangeEntry, unit: str) -> None:
        """The range of this unit, taken once it is read."""
        self._entry, self._unit = entry, unit

    def read(self, *, expected: float | None = None, doubt: Doubting | None = None) -> Sample:
        """One reading of this unit; raises as `Receiver.read`, and NoReadingError where it cannot be connected."""

        def read() -> Sample:
            self._shared.take(self._entry, self._unit)
            return self._shared.receiver.read(expected=expected, doubt=doubt)

        if self._tap is None:
            self._connect()
            return read()
        self._taken_n, sample = self._tap.sample(self._taken_n, self._entry, read)
        return sample

    def check(self) -> None:
        """As of the receiver."""
        self._shared.receiver.check()

    def take_correction(self) -> Sample | None:
        """As of the receiver."""
        return self._shared.receiver.take_correction()

    def wider(self) -> RangeEntry | None:
        """The next wider range than this unit stands in; None at the widest."""
        width = self._entry.range.width * (1 + 1e-9)
        wide = [each for each in self._shared.ranges if each.range.width > width]
        return min(wide, key=lambda each: each.range.width, default=None)

    def recover(self) -> None:
        """Once for all units."""
        self._shared.receiver.recover()


class Places:
    """Several units on the bench: what connects each, and its receivers.

    Args:
        units: of the bench file.
        scanner: connects them.
        first_tap: that the source drives.
        ranges: of the function that reads a tap, by tap.
        clock: of the bench.
    """

    def __init__(
        self,
        units: Units,
        scanner: DescribedScanner,
        *,
        first_tap: str,
        ranges: Mapping[str, tuple[RangeEntry, ...]],
        clock: Clock,
    ) -> None:
        self._units = units
        self.scanner = scanner
        self._first_tap = first_tap if units.driven == "together" else ""
        self._ranges = ranges
        self._tap = SharedTap(clock)
        self._shared: dict[str, SharedReceiver] = {}

    def connect(self, place: int | None) -> None:
        """Close the channels of a place, the first unless it is named; raises as `DescribedScanner.connect`."""
        self.scanner.connect(self._units.channels[self._units.places[0] if place is None else place])

    def moved(self) -> None:
        """The input leaves its level."""
        self._tap.moved()

    def receivers(self, place: int | None, receivers: Mapping[str, Receiver]) -> Mapping[str, Receiver]:
        """The receivers of the bench, by tap, as the unit at a place sees them."""
        for tap, receiver in receivers.items():
            self._shared.setdefault(tap, SharedReceiver(receiver, self._ranges[tap]))
        return {
            tap: SeenReceiver(
                shared, connect=partial(self.connect, place), tap=self._tap if tap == self._first_tap else None
            )
            for tap, shared in self._shared.items()
        }
