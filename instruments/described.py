"""Drivers made of descriptions: the instrument on its line, and its functions as sources and receivers.

Limits are looked at on each set. What an instrument says of itself (identity, error queue, read-back) is believed over
what it was told.
"""

import contextlib
import re

from instruments import scpi
from instruments.clock import Clock
from instruments.description import Description, Function, RangeEntry, as_sent, render
from instruments.errors import InstrumentError, LimitError, NoReadingError, UnsafeError
from instruments.roles import Sample
from instruments.session import Session
from instruments.units import Quantity, Span, magnitude, rescale, show

__all__ = ["DescribedInstrument", "DescribedReceiver", "DescribedSource"]

_MOST_ERRORS = 20
_RECOVERIES = 3
_NEVER = r"(?!)"  # a pattern that nothing fits


class DescribedInstrument:
    """An instrument on its line: identity, error queue, recovery. Its functions are used through it.

    Args:
        name: on the bench.
        description: what it can do and how it is talked to.
        session: its line.
        expected_identity: text that its identity must hold; "" takes any.
    """

    def __init__(self, *, name: str, description: Description, session: Session, expected_identity: str) -> None:
        self.name = name
        self.description = description
        self.session = session
        self.expected_identity = expected_identity
        self.identity = ""
        self.was_met = False  # it answered once, as the instrument it should be
        self.active: object = None  # the receiver whose function is selected now
        self._refusal = re.compile(description.refusal or _NEVER)

    def meet(self) -> None:
        """Throw away old bytes, identify, clear the error queue; raises InstrumentError if another one answers."""
        self.session.clear()
        self.identity = self._identify()
        self.was_met = True
        self.session.is_suspect = False
        self.send(*self.description.clear)

    def set_up(self) -> None:
        """Send the set-up, wait until it is done, and look for errors; raises InstrumentError."""
        self.send(*self.description.prepare)
        if self.description.ready is not None:
            self.session.query(self.description.ready)
        self.check_errors()

    def _identify(self) -> str:
        ask = self.description.identify
        if ask is None:
            return ""
        reply = self.session.query(ask).strip()
        if not reply:
            raise InstrumentError("does not identify itself", where=self.session.where, command=ask)
        if self.expected_identity and self.expected_identity.casefold() not in reply.casefold():
            raise InstrumentError(
                f'identifies itself as "{reply}"',
                where=self.session.where,
                command=ask,
                reply=reply,
                allowed=f'an identity with "{self.expected_identity}" in it',
                todo="check which instrument hangs on this resource, or correct the bench file",
            )
        if self.identity and reply != self.identity:
            raise InstrumentError(
                f'identifies itself as "{reply}", before as "{self.identity}"', where=self.session.where, command=ask
            )
        return reply

    def close(self) -> None:
        """Give the front panel back and close the line, whether that works or not."""
        with contextlib.suppress(InstrumentError):  # the session told the journal; the line is given up anyhow
            self.send(*self.description.release)
        self.session.close()

    def send(self, *commands: str) -> None:
        """Send commands; each waits for its acknowledgement where the instrument gives one."""
        acknowledge = self.description.acknowledge
        for command in commands:
            if acknowledge is None:
                self.session.write(command)
                continue
            reply = self.ask(command).strip()
            if reply != acknowledge:
                raise InstrumentError(
                    f'answered "{reply}"',
                    where=self.session.where,
                    command=command,
                    reply=reply,
                    allowed=f'"{acknowledge}"',
                    todo='check "acknowledge" in the description',
                )

    def send_at_once(self, *commands: str) -> None:
        """Send commands and wait for nothing; `recover` throws away what is said to them."""
        for command in commands:
            self.session.write(command)
        if self.description.acknowledge is not None:
            self.session.is_suspect = True

    def ask(self, command: str) -> str:
        """The reply to a query; a reply that the description calls a refusal is an InstrumentError."""
        reply = self.session.query(command)
        if self._refusal.fullmatch(reply.strip()):
            raise InstrumentError(
                f'refused: "{reply.strip()}"',
                where=self.session.where,
                command=command,
                reply=reply,
                todo="look the refusal up in the manual of the instrument",
            )
        return reply

    def check_errors(self, *, after: str = "") -> None:
        """Empty the error queue; raises InstrumentError with what was in it."""
        query = self.description.error_query
        if query is None:
            return
        found: list[str] = []
        for _ in range(_MOST_ERRORS):
            reply = self.session.query(query.ask).strip()
            rest = reply.removeprefix("+").removeprefix(query.none)
            if rest != reply.removeprefix("+") and not rest[:1].isalnum():  # 0 is none, 01 is not
                break
            code, text = scpi.error_entry(reply, where=self.session.where, command=query.ask)
            found.append(f"{code}, {text}" if text else str(code))
        if found:
            raise InstrumentError(
                f"reports {'; '.join(found)}" + (f" after {after}" if after else ""),
                where=self.session.where,
                command=after,
                reply="; ".join(found),
                todo="check the command in the description against the manual of the instrument",
            )

    def recover(self) -> None:
        """After a time-out: clear, drain, identify. The late answer is gone once the identity has come.

        Raises:
            InstrumentError: it does not come back, or another instrument answers.
        """
        last: InstrumentError | None = None
        for attempt in range(_RECOVERIES):
            try:
                if attempt:
                    self.session.reopen()
                self.session.clear()
                self._identify()
                self.send(*self.description.clear)
                self.session.is_suspect = False
                self.active = None
            except InstrumentError as error:
                last = error
                continue
            return
        assert last is not None
        raise InstrumentError(
            f"does not come back ({last.what})", where=self.session.where, todo="check power and cable"
        ) from last


def _selecting(function: Function, entry: RangeEntry) -> tuple[str, ...]:
    """The commands that take a function and a range of it."""
    top = entry.range.within(function.wire_unit).top
    return tuple(render(command, range=top) for command in (*function.select, *entry.select))


class DescribedSource:
    """One function of an instrument that sets.

    Args:
        instrument: the instrument.
        function: name of the function in its description.
        limits: ranges, each with its reason, outside of which nothing is ever sent.
        safe_level: what the output is left at.
        clock: waits for the source's own settling.
    """

    is_keyed = False

    def __init__(
        self,
        *,
        instrument: DescribedInstrument,
        function: str,
        limits: tuple[tuple[str, Span], ...],
        safe_level: Quantity,
        clock: Clock,
    ) -> None:
        self.instrument = instrument
        self.name = instrument.name
        self.function = function
        self.safe_level = safe_level
        self._spec: Function = instrument.description.functions[function]
        self._limits = limits
        self._clock = clock
        self._entry: RangeEntry = self._spec.ranges[0]
        self._level = safe_level
        self._is_on = False

    def select(self, entry: RangeEntry) -> None:
        """Take the range; the output is off."""
        self._entry = entry
        commands = _selecting(self._spec, entry)
        self.instrument.send(*commands)
        self.instrument.check_errors(after=" ".join(commands))
        self._clock.sleep(self._spec.settling_after_range_change)

    def energise(self) -> None:
        """Switch the output on at the level set last."""
        self._is_on = True  # before it is sent: from here on it must be made safe
        self.instrument.send(*self._spec.on)
        self.instrument.check_errors(after=" ".join(self._spec.on))

    def set(self, level: Quantity) -> None:
        """Set a level.

        Raises:
            LimitError: outside the range of the source, or the limits of bench or unit; nothing was sent.
            InstrumentError: refused, reported in the error queue, or read back as something else.
        """
        value = magnitude(level, self._spec.unit, where=self.name)
        for reason, limit in (("range of the source", self._entry.range), *self._limits):
            if not limit.within(self._spec.unit).holds(value):  # NaN is refused too
                raise LimitError(
                    f"{show(level)} refused: outside the {reason}",
                    where=self.name,
                    allowed=str(limit),
                    todo="correct the setpoints, or the limits in bench file or type sheet",
                )
        self._refuse_if_coarse(level)
        if self.instrument.session.is_suspect:
            self.recover()
        self._level = level  # before it is sent: `recover` must not go back to the level before
        self.instrument.send(self._setting(level))
        self.instrument.check_errors(after=f"{show(level)} was set")
        self._read_back(level)
        self._clock.sleep(self._spec.settling)

    def _setting(self, level: Quantity) -> str:
        assert self._spec.set is not None
        return render(self._spec.set, level=magnitude(level, self._spec.wire_unit))

    def _tolerance(self, told: float) -> float:
        """How far a number on the wire may be from what was meant."""
        step = self._spec.resolution(self._entry, self._spec.wire_unit)
        return max(step, 1e-5 * abs(told), 1e-9 * self._entry.range.within(self._spec.wire_unit).width)

    def _refuse_if_coarse(self, level: Quantity) -> None:
        assert self._spec.set is not None
        told = magnitude(level, self._spec.wire_unit)
        left = as_sent(self._spec.set, told)
        if not abs(left - told) <= self._tolerance(told):
            raise LimitError(
                f"{show(level)} refused: its format would send {left:g} {self._spec.wire_unit}",
                where=self.name,
                todo='give "{level}" in the description more digits, such as "{level:.6E}"',
            )

    def _read_back(self, level: Quantity) -> None:
        command = self._spec.read_back
        if command is None:
            return
        reply = self.instrument.ask(command)
        pattern = scpi.reply_pattern(self._spec.reply)
        found = scpi.number(reply, pattern, where=self.instrument.session.where, command=command)
        told = magnitude(level, self._spec.wire_unit)
        if not abs(found - told) <= self._tolerance(told):
            raise InstrumentError(
                f"told {show(level)}, reports {found:g} {self._spec.wire_unit}",
                where=self.instrument.session.where,
                command=command,
                reply=reply,
                todo="check range, lock and unit of the source",
            )

    def make_safe(self) -> None:
        """Bring the output to its safe level and switch it off; sent before anything else, proved after.

        Raises:
            UnsafeError: it could not be proved; somebody must switch off by hand.
            InstrumentError: the same of an instrument that never answered, so that nothing was energised from here.
        """
        commands = (self._setting(self.safe_level), *self._spec.off)
        try:
            if self.instrument.session.is_suspect:  # an old answer would be taken for the proof
                self.instrument.send_at_once(*commands)
                self.instrument.recover()
            self._leave_safe(commands)
        except InstrumentError:
            try:
                self.instrument.recover()
                self._leave_safe(commands)
            except InstrumentError as second:
                if not self.instrument.was_met:
                    raise InstrumentError(
                        second.what,
                        where=second.where,
                        todo="check power and cable; nothing was energised from here, yet look whether it is on",
                    ) from second
                raise UnsafeError(
                    f"{self.name} could not be brought to its safe level of {show(self.safe_level)}",
                    where=self.instrument.session.where,
                    todo=f"switch it off by hand, now ({second.what})",
                ) from second
        self._is_on = False
        self._level = self.safe_level

    def _leave_safe(self, commands: tuple[str, ...]) -> None:
        self.instrument.send(*commands)
        self.instrument.check_errors(after="the safe level was set")
        self._read_back(self.safe_level)

    def recover(self) -> None:
        """After a time-out: clear, drain, identify, and set the level again; raises InstrumentError."""
        self.instrument.recover()
        self.instrument.send(*_selecting(self._spec, self._entry), self._setting(self._level))
        if self._is_on:
            self.instrument.send(*self._spec.on)
        self.instrument.check_errors(after="the level was set again")
        self._read_back(self._level)
        self._clock.sleep(self._spec.settling)


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
        self._factor, self._shift = 1.0, 0.0
        self._pattern = scpi.reply_pattern(self._spec.reply)
        self._overload = re.compile(self._spec.overload or _NEVER)
        self._session = instrument.session

    @property
    def takes_s(self) -> float:
        """How long one reading takes, by the description."""
        return self._spec.takes

    def select(self, entry: RangeEntry, unit: str) -> None:
        """Take function and range, wait, and throw away the readings that the description calls not yet right."""
        self._entry = entry
        self._factor, self._shift = rescale(self._spec.wire_unit, unit)
        self._set_up()

    def _set_up(self) -> None:
        commands = _selecting(self._spec, self._entry)
        self.instrument.send(*commands)
        self.instrument.check_errors(after=" ".join(commands))
        self.instrument.active = self
        self._clock.sleep(self._spec.settling_after_range_change)
        for _ in range(self._spec.discard_after_range_change):
            with contextlib.suppress(NoReadingError):  # it is thrown away, whatever it was
                self._one()

    def take_correction(self) -> Sample | None:
        """None: an instrument with an interface corrects nothing."""
        return None

    def wider(self) -> RangeEntry | None:
        """The next wider range of this function; None at the widest."""
        wide = [entry for entry in self._spec.ranges if entry.range.width > self._entry.range.width * (1 + 1e-9)]
        return min(wide, key=lambda entry: entry.range.width, default=None)

    def read(self, *, expected: float | None = None) -> Sample:  # noqa: ARG002  a person's entry is held against it
        """One reading in the unit selected; after a time-out or a reply without sense the line is cleared first."""
        if self._session.is_suspect:
            self.recover()
        elif self.instrument.active is not self:  # another function of this instrument was used in between
            self._set_up()
        return self._one()

    def _one(self) -> Sample:
        assert self._spec.query is not None
        reply = self.instrument.ask(self._spec.query)
        if self._overload.fullmatch(reply.strip()):
            raise NoReadingError("overload", where=self._session.where, command=self._spec.query, reply=reply)
        try:
            value = scpi.number(reply, self._pattern, where=self._session.where, command=self._spec.query)
        except NoReadingError as error:
            if error.kind in {"empty", "garbled"}:  # a line cut in two would put every later reply one behind
                self._session.is_suspect = True
            raise
        return Sample(self._factor * value + self._shift, self._clock.now(), reply.strip())

    def recover(self) -> None:
        """After a time-out: clear, drain, identify, set up again; raises InstrumentError."""
        self.instrument.recover()
        self._set_up()
