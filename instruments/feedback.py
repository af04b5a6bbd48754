"""What a second instrument says of a source that was told to go off: it reads the same tap.

A source is found out where, for as long as it is watched, the reading stays what it was with the level that was set
last. Any other reading says nothing of it: an open input floats or discharges, a unit may drive its own input, a loop
may have a supply of its own. What counts is what the reader itself showed at levels of this run: its zero error, its
gain, a shunt and the loading of the source are in that. A reader that cannot decide says nothing.
"""

import contextlib
from typing import Literal

from instruments.clock import Clock
from instruments.described.receiver import DescribedReceiver
from instruments.described.source import DescribedSource
from instruments.errors import InstrumentError, UnsafeError
from instruments.units import Quantity, is_alike, magnitude, show

__all__ = ["Feedback", "Word"]

Word = Literal["safe", "on", ""]

# An input that discharges by itself has moved by more than _SAME_FRAC in this time, unless it takes minutes.
_WATCHED_S = 3.0
_TIMES = 10  # and for so many times what source and reader take: a vent is slow, a reader averages
_PAUSE_S = 0.2
_SAME_FRAC = 0.01  # of the spread of the readings
_APART_FRAC = 0.1  # of the spread of the levels: a level so near to the safe one proves no lie
_FEWEST = 3  # levels: two are always on one line


class Feedback:
    """A reader of a tap that a source drives: what it showed at which level, and what it says of "off".

    Args:
        source: drives the tap.
        receiver: reads it.
        clock: of the bench.
    """

    def __init__(self, source: DescribedSource, receiver: DescribedReceiver, clock: Clock) -> None:
        self.source = source
        self.receiver = receiver
        self._clock = clock
        self._seen: dict[float, float] = {}  # reading by level
        self._strayed: float | None = None  # last reading, where it was not the one of the level confirmed

    def take(self, reading: float) -> None:
        """A reading of the tap, with the source on at the level that it confirmed last.

        One that contradicts what was shown before is no sign of how the reader shows a level: the source may stick.
        """
        if not self.source.is_on:
            return
        level = self._number(self.source.confirmed)
        if self._has_followed and not self._is_near(reading, level):
            self._strayed = reading
        else:
            self._seen[level], self._strayed = reading, None

    def hear(self, tap: str) -> bool:
        """True if the reader proves that the source, which was made safe, is.

        Args:
            tap: where both are, for the error.

        Raises:
            UnsafeError: it stays where it was, or did and is not proved since; its own word counts no more.
        """
        source = self.source
        word = self.word()
        what = source.disbelieved if word == "" else ""
        if word == "on":
            says = "says that it is off" if source.proves_safe else "was told to go off"
            at = " or ".join(dict.fromkeys(map(show, source.stood_at)))
            as_ = f"as with {at} set" if self._strayed is None else f"as before, with {at} set"
            what = f'{source.name} {says}, yet {self.receiver.name} reads the tap "{tap}" {as_}'
        if what != source.disbelieved:
            with contextlib.suppress(InstrumentError):  # no mark can be made: it is said all the same
                source.disbelieve(what)
        if what:
            todo = "switch it off by hand, now; then find out which of the two is wrong"
            raise UnsafeError(what, where=source.instrument.session.where, todo=todo)
        source.stood_at = ()
        return word == "safe"

    def word(self) -> Word:
        """Whether the tap is at the safe level, or as it was with the level set last; "" where that is not told.

        A source that cannot prove itself is watched until it is safe, any other until it has moved. One that has not
        moved is told once more: a command may have been lost.

        Raises:
            UnsafeError: told once more, it could not be made safe.
        """
        instrument = self.receiver.instrument
        if not self._has_followed or not instrument.is_set_up:
            return ""
        lasts = [level for level in map(self._number, self.source.stood_at) if self._is_apart(level)]
        stays_at = [self._shown(level) for level in lasts] + ([] if self._strayed is None else [self._strayed])
        if not (self.source.stood_at and (stays_at or not self.source.proves_safe)):
            return ""
        try:
            if instrument.session.is_suspect:  # a signal came into an exchange of it
                self.receiver.recover()
            return self._watched(stays_at)
        except InstrumentError:  # no answer, no reading, another instrument: it says nothing
            return ""

    def _watched(self, stays_at: list[float]) -> Word:
        watched_s = _WATCHED_S + _TIMES * (self.source.settling_s + self.receiver.takes_s)
        begin_s, raws, stays = self._clock.now(), list[str](), bool(stays_at)
        while True:
            reading = self.receiver.read()
            raws.append(reading.raw)
            if self._is_near(reading.value, self._number(self.source.safe_level)):
                return "safe"
            stays = stays and any(self._is_same(reading.value, shown) for shown in stays_at)
            if self._clock.now() - begin_s >= watched_s or not (stays or not self.source.proves_safe):
                break
            if stays and len(raws) == 1:
                self.source.make_safe()
            self._clock.sleep(_PAUSE_S)
        # A counter without a signal may show its last count for ever, a display that is stuck whatever it showed: the
        # same digits, time after time.
        is_stale = len(set(raws)) == 1 and (is_alike(self.source.unit, "Hz") or self._strayed is not None)
        return "on" if stays and not is_stale else ""

    def _number(self, level: Quantity) -> float:
        return magnitude(level, self.source.unit)

    def _is_apart(self, level: float) -> bool:
        return abs(level - self._number(self.source.safe_level)) >= _APART_FRAC * (max(self._seen) - min(self._seen))

    @property
    def _has_followed(self) -> bool:
        """True if it showed at least three levels on one line: it is alive, connected, and has enough digits."""
        return len(self._seen) >= _FEWEST and all(self._is_near(found, level) for level, found in self._seen.items())

    def _is_near(self, reading: float, level: float) -> bool:
        """True if a reading is what the tap shows at a level."""
        return self._is_same(reading, self._shown(level))

    def _shown(self, level: float) -> float:
        """What the tap shows at a level, by the line through the outermost that were seen."""
        low, high = min(self._seen), max(self._seen)
        return self._seen[low] + self._rise * (level - low) / (high - low)

    def _is_same(self, reading: float, other: float) -> bool:
        return self._rise != 0.0 and abs(reading - other) <= _SAME_FRAC * abs(self._rise)

    @property
    def _rise(self) -> float:
        return self._seen[max(self._seen)] - self._seen[min(self._seen)]
