"""A function that reads: one reading at a time, in the unit asked for.

It judges no reading; an overload or a reply without sense is an error, never a number.
"""

import contextlib
import re

from instruments import scpi
from instruments.clock import Clock
from instruments.described.instrument import DescribedInstrument
from instruments.described.talk import NEVER, fits
from instruments.description import LONGEST_WORD
from instruments.entry import Doubting
from instruments.errors import InputError, InstrumentError, NoReadingError, OutOfStepError, PowerCycledError, shortened
from instruments.functions import Function, RangeEntry
from instruments.roles import Sample
from instruments.texts import to_digits

__all__ = ["DescribedReceiver"]

# How far over its range an instrument may still read, as a share of its width (common practice, no source).
_OVER_RANGE = 0.2
# An answer in less than this share of what a reading takes was not measured now; mains of 60 Hz ask for 0.83 of 50 Hz.
_HASTY_FRAC = 0.5


class DescribedReceiver:
    """One function of an instrument that reads.

    Args:
        instrument: the instrument.
        function: name of the function in its description.
        clock: waits after a range change, and gives the time of each reading.
    """

    is_keyed = False

    def __init__(self, *, instrument: DescribedInstrument, function: str, clock: Clock) -> None:
        self.instrument = instrument
        self.name = instrument.name
        self.function = function
        self._spec: Function = instrument.description.functions[function]
        self._clock = clock
        self._entry: RangeEntry = self._spec.ranges[0]
        self._unit = self._spec.unit
        self._pattern = scpi.reply_pattern(self._spec.reply, decimal=self._spec.decimal)
        self._overload = re.compile(self._spec.overload or NEVER)
        self._session = instrument.session
        self._hasty_n = 0  # readings in a row that came sooner than one can be taken

    @property
    def takes_s(self) -> float:
        """How long one reading takes, by the description."""
        return self._spec.takes

    def select(self, entry: RangeEntry, unit: str) -> None:
        """Take function and range, wait, and throw away the readings that the description calls not yet right."""
        self._entry = entry
        self._unit = unit
        self._set_up()

    def _set_up(self) -> None:
        commands = self._spec.selecting(self._entry)
        self.instrument.send(*commands)
        self.instrument.check_errors(after=" ".join(commands))
        self.instrument.active = self
        if (reply := self._selected_otherwise()) is not None:
            raise InstrumentError(
                f'was set to the function "{self.function}", but reports "{shortened(reply)}"',
                where=self._session.where,
                reply=reply,
                todo='check "select" and "select query" in the description against the manual of the instrument',
            )
        self._clock.sleep(self._spec.settling_after_range_change)
        for _ in range(self._spec.discard_after_range_change):
            with contextlib.suppress(NoReadingError):  # it is thrown away, whatever it was
                self._one()

    def check(self) -> None:
        """Asks what a reading is no answer to, so that the one before is known to have been its own.

        Raises:
            PowerCycledError: the instrument was switched off and on; silent where it cannot tell.
            OutOfStepError: the answer belongs to another question.
        """
        self.instrument.check_power()
        if self.instrument.description.event_status is not None:
            return
        if self._spec.select_query is None:
            self.instrument.check_identity()
        elif self.instrument.active is self and self._selected_otherwise() is not None:
            self.instrument.forget()
            raise PowerCycledError(
                "no longer has its function selected",
                where=self._session.where,
                todo="find out why it lost its power, or who changed its function",
            )

    def _selected_otherwise(self) -> str | None:
        """What the instrument says is selected where it is not this function; None if it is, or is not known."""
        query = self._spec.select_query
        if query is None:
            return None
        reply = self.instrument.ask(query.ask).strip()
        return None if re.fullmatch(query.reply, reply[:LONGEST_WORD]) else reply

    def take_correction(self) -> Sample | None:
        """None: an instrument with an interface corrects nothing."""
        return None

    def wider(self) -> RangeEntry | None:
        """The next wider range of this function; None at the widest."""
        wide = [entry for entry in self._spec.ranges if entry.range.width > self._entry.range.width * (1 + 1e-9)]
        return min(wide, key=lambda entry: entry.range.width, default=None)

    def read(self, *, expected: float | None = None, doubt: Doubting | None = None) -> Sample:  # noqa: ARG002
        """One reading in the unit selected; after a time-out or a reply without sense the line is cleared first.

        Raises OutOfStepError for one that comes sooner than it can be taken: it was measured before. Where the next one
        does too, on a line that was cleared and identified, the instrument is faster than its description says.
        """
        if self._session.is_suspect:
            self.instrument.recover(is_patient=False)
            self._set_up_again()
        elif self.instrument.active is not self:  # another function of this instrument was used in between
            self._set_up()
        began_s = self._clock.now()
        try:
            sample = self._one()
        finally:
            self.instrument.heed()  # nothing is driven on that cannot be read
        took_s = self._clock.now() - began_s
        if self._hasty_n < 2:  # it is not yet known to be so fast
            self._hasty_n = self._hasty_n + 1 if took_s < _HASTY_FRAC * self.takes_s else 0
            if self._hasty_n == 1:
                self._session.is_suspect = True
                raise OutOfStepError(
                    f"answered in {took_s:.2g} s, and a reading takes {self.takes_s:g} s by its description",
                    where=self._session.where,
                    command=self._spec.query or "",
                    reply=sample.raw,
                    todo='if the instrument is as fast as that, correct "takes" in the description',
                )
        return sample

    def _one(self) -> Sample:
        """Raises NoReadingError for a number beyond the range too: no such signal can be read there."""
        assert self._spec.query is not None
        self._make_ready()
        with self.instrument.ahead(self._spec.query):
            reply = self.instrument.ask(self._spec.query)
            if fits(self._overload, reply):
                raise self._no_reading("overload", reply)
            try:
                found = scpi.taken(reply, self._pattern, where=self._session.where, command=self._spec.query)
            except NoReadingError as error:
                if error.kind in {"empty", "garbled"}:  # a line cut in two would put every later reply one behind
                    self._session.is_suspect = True
                raise
        return Sample(self._level(found, reply), self._clock.now(), reply.strip(), self._warning(found, reply))

    def _make_ready(self) -> None:
        """Start a reading where it does not start with its question, and wait until it is ready."""
        self.instrument.send(*self._spec.trigger)
        self._clock.sleep(self._spec.wait)
        poll = self._spec.poll
        if poll is None:
            return
        until_s, pattern = self._clock.now() + poll.at_most, re.compile(poll.until)
        while not fits(pattern, reply := self.instrument.ask(poll.ask)):
            if self._clock.now() >= until_s:
                raise NoReadingError("not ready", where=self._session.where, command=poll.ask, reply=reply)
            self._clock.sleep(poll.every)

    def _level(self, found: scpi.Taken, reply: str) -> float:
        """A number on the wire as a level in the unit asked for."""
        spec, entry = self._spec, self._entry
        try:
            factor, shift = spec.from_wire(entry, spec.unit, said_in=found.unit)
        except InputError as error:  # no unit, or of something else
            self._session.is_suspect = True
            raise self._no_reading("garbled", reply) from error
        if not entry.range.within(spec.unit).holds(factor * found.value + shift, slack=_OVER_RANGE):
            raise self._no_reading("overload", reply)  # also what is said in place of infinity, such as 4.0E+30
        factor, shift = spec.from_wire(entry, self._unit, said_in=found.unit)
        # 0.0040001 A is 4.0001 mA, and not 4.000100000000001 mA; a reading in the unit asked for stays as it was said.
        if (factor, shift) == (1.0, 0.0):
            return found.value
        return to_digits(factor * found.value + shift, scale=abs(factor * found.value) + abs(shift))

    def _warning(self, found: scpi.Taken, reply: str) -> str:
        """What the status says of a good reading; raises NoReadingError where it says that it is none."""
        status = self._spec.status
        if status is None or re.fullmatch(status.good, found.status[:LONGEST_WORD]):
            return ""
        if found.status not in status.warnings:
            raise self._no_reading("not valid", reply)
        return status.warnings[found.status]

    def _no_reading(self, kind: str, reply: str) -> NoReadingError:
        return NoReadingError(kind, where=self._session.where, command=self._spec.query or "", reply=reply)

    def recover(self) -> None:
        """After touch was lost: clear, drain, identify, set up again; raises InstrumentError."""
        self.instrument.recover()
        self._set_up_again()

    def _set_up_again(self) -> None:
        self.instrument.set_up_again()
        self._set_up()
