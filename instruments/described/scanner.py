"""A scanner on its line: one set of channels closed at a time, break before make, and proved before anything is read.

A reading behind a relay that did not move would stand in the record of another unit. So where the description has a
"closed query", what was closed before and what is closed now is asked at each change.
"""

import re

from instruments.clock import Clock
from instruments.commands import with_channels
from instruments.described.instrument import DescribedInstrument
from instruments.description import Scanner
from instruments.errors import InstrumentError, NoReadingError

__all__ = ["NOT_CONNECTED", "DescribedScanner"]

NOT_CONNECTED = "not connected"
"""Of a reading that was not taken, since the scanner did not connect its unit."""

_STATES = re.compile(r"[+]?[01](?:\s*,\s*[+]?[01])*")


class DescribedScanner:
    """Connects one unit after another by closing its channels.

    Args:
        instrument: the scanner.
        clock: waits until the contacts have come to rest.
    """

    def __init__(self, *, instrument: DescribedInstrument, clock: Clock) -> None:
        spec = instrument.description.connects
        assert spec is not None
        self.instrument = instrument
        self.name = instrument.name
        self._spec: Scanner = spec
        self._clock = clock
        self._closed: tuple[str, ...] = ()
        self._doubtful: tuple[str, ...] = ()  # told to open, and not seen open yet

    def connect(self, channels: tuple[str, ...]) -> None:
        """Open what is closed and close these; at once where they are closed already.

        Raises:
            NoReadingError: "not connected": they are not closed, or others are still; nothing is to be read.
            CommunicationLostError: no answer, or it lost its power.
        """
        if channels == self._closed and not self._doubtful:
            return
        others = tuple(each for each in (*self._doubtful, *self._closed) if each not in channels)
        self._closed, self._doubtful = (), tuple(dict.fromkeys((*self._doubtful, *self._closed, *channels)))
        opened = (with_channels(self._spec.open, others),) if others else ()
        closed = with_channels(self._spec.close, channels)
        try:
            self.instrument.send(*opened, closed)
        except InstrumentError as error:
            raise self._failed(error, closed) from error
        self._clock.sleep(self._spec.takes)
        self._prove(others, channels, after=closed)
        self._closed, self._doubtful = channels, ()

    def open_all(self) -> None:
        """Open every channel; raises InstrumentError."""
        self.instrument.send(self._spec.open_all)
        self.instrument.check_errors(after=self._spec.open_all)
        self._clock.sleep(self._spec.takes)
        self._closed, self._doubtful = (), ()

    def recover(self) -> None:
        """After touch was lost: back on its line, identified, everything open; raises InstrumentError."""
        self.instrument.recover()
        self.instrument.set_up_again()
        self.open_all()

    def _prove(self, opened: tuple[str, ...], closed: tuple[str, ...], *, after: str) -> None:
        query = self._spec.closed_query
        if query is None:
            try:
                self.instrument.check_errors(after=after)
            except InstrumentError as error:
                raise self._failed(error, after) from error
            self.instrument.check_power()
            return
        ask = with_channels(query, (*opened, *closed))
        reply = self.instrument.ask(ask).strip()
        if not _STATES.fullmatch(reply):
            raise self.instrument.out_of_step(ask, reply, allowed="0 or 1 for each channel")
        states = [int(each) for each in reply.split(",")]
        if states == [0] * len(opened) + [1] * len(closed):
            return
        self.instrument.check_power()  # one that was switched off and on has everything open
        failed: InstrumentError | None = None
        try:
            self.instrument.check_errors(after=after)  # why, and so that it is not taken for the next one's
        except InstrumentError as error:
            failed = error
        raise NoReadingError(
            NOT_CONNECTED, where=self.instrument.session.where, command=after, reply=failed.reply if failed else reply
        ) from failed

    def _failed(self, error: InstrumentError, command: str) -> InstrumentError:
        """A refusal of this one channel list is no fault of the bench; what lost touch is passed on."""
        if type(error) is not InstrumentError:
            return error
        return NoReadingError(NOT_CONNECTED, where=self.instrument.session.where, command=command, reply=error.reply)
