"""Drivers made of descriptions: the instrument on its line, and its functions as sources and receivers.

Limits are looked at on each set. What an instrument says of itself (identity, error queue, read-back) is believed over
what it was told.
"""

import re

from instruments import scpi
from instruments.clock import Clock
from instruments.description import Description, Function, RangeEntry, render
from instruments.errors import InstrumentError, LimitError, NoReadingError, NoReplyError, UnsafeError
from instruments.roles import Sample
from instruments.session import Session
from instruments.units import Quantity, Span, magnitude, rescale, show

__all__ = ["DescribedInstrument", "DescribedReceiver", "DescribedSource"]

_MOST_ERRORS = 20
_RECOVERIES = 3


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
        self.active: object = None  # the receiver whose function is selected now
        self._refusal = re.compile(description.refusal) if description.refusal else None

    def meet(self) -> None:
        """Throw away old bytes, identify, clear the error queue; raises InstrumentError if another one answers."""
        self.session.clear()
        self.identity = self._identify()
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
        if self.expected_identity and self.expected_identity.casefold() not in reply.casefold():
            raise InstrumentError(
                f'identifies itself as "{reply}"',
                where=self.session.where,
                command=ask,
                reply=reply,
                allowed=f'an identity with "{self.expected_identity}" in it',
                todo="check which instrument hangs on this resource, or correct the bench file",
            )
        return reply

    def send(self, *commands: str) -> None:
        """Send commands that have no answer."""
        for command in commands:
            self.session.write(command)

    def ask(self, command: str) -> str:
        """The reply to a query; a reply that the description calls a refusal is an InstrumentError."""
        reply = self.session.query(command)
        if self._refusal and self._refusal.fullmatch(reply.strip()):
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
            code, text = scpi.error_entry(reply, where=self.session.where, command=query.ask)
            if str(code) == query.none.lstrip("+"):
                break
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
            if attempt:
                self.session.reopen()
            try:
                self.session.clear()
                if self.description.identify is not None:
                    reply = self._identify()
                    if self.identity and reply != self.identity:
                        raise InstrumentError(
                            f'identifies itself as "{reply}", before as "{self.identity}"', where=self.session.where
                        )
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
        self.instrument.send(*self._spec.select, *self._rendered(entry.select))
        self.instrument.check_errors(after=" ".join((*self._spec.select, *entry.select)))
        if self._spec.settling_after_range_change:
            self._clock.sleep(self._spec.settling_after_range_change)

    def _rendered(self, commands: tuple[str, ...]) -> tuple[str, ...]:
        top = self._entry.range.within(self._spec.wire_unit).top
        return tuple(render(command, range=top, level=top) for command in commands)

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
        self._send_level(level)
        self.instrument.check_errors(after=f"{show(level)} was set")
        self._read_back(level)
        self._level = level
        self._clock.sleep(self._spec.settling)

    def _send_level(self, level: Quantity) -> None:
        assert self._spec.set is not None
        command = render(self._spec.set, level=magnitude(level, self._spec.wire_unit))
        if self._spec.acknowledge is None:
            self.instrument.send(command)
            return
        reply = self.instrument.ask(command).strip()
        if reply != self._spec.acknowledge:
            raise InstrumentError(
                f'answered "{reply}" to {show(level)}',
                where=self.instrument.session.where,
                command=command,
                reply=reply,
                allowed=f'"{self._spec.acknowledge}"',
                todo='check "acknowledge" in the description',
            )

    def _read_back(self, level: Quantity) -> None:
        command = self._spec.read_back
        if command is None:
            return
        reply = self.instrument.ask(command)
        pattern = scpi.reply_pattern("{value}")
        found = scpi.number(reply, pattern, where=self.instrument.session.where, command=command)
        told = magnitude(level, self._spec.wire_unit)
        step = self._spec.resolution(self._entry, self._spec.wire_unit)
        if not abs(found - told) <= max(step, 1e-5 * abs(told), 1e-9 * self._entry.range.width):
            raise InstrumentError(
                f"told {show(level)}, reports {found:g} {self._spec.wire_unit}",
                where=self.instrument.session.where,
                command=command,
                reply=reply,
                todo="check range, lock and unit of the source",
            )

    def make_safe(self) -> None:
        """Bring the output to its safe level and switch it off; sent first, proved after.

        Raises:
            UnsafeError: it could not be proved; somebody must switch off by hand.
        """
        try:
            self._send_safe()
            self._prove_safe()
        except InstrumentError:
            try:
                self.instrument.recover()
                self._send_safe()
                self._prove_safe()
            except InstrumentError as second:
                raise UnsafeError(
                    f"{self.name} could not be brought to its safe level of {show(self.safe_level)}",
                    where=self.instrument.session.where,
                    todo=f"switch it off by hand, now ({second.what})",
                ) from second
        self._is_on = False

    def _send_safe(self) -> None:
        if self.instrument.session.is_suspect and self._spec.acknowledge is not None:
            self.instrument.recover()  # an old answer would be taken for the acknowledgement
        self._send_level(self.safe_level)
        self.instrument.send(*self._spec.off)

    def _prove_safe(self) -> None:
        if self.instrument.session.is_suspect:
            self.instrument.recover()
            self._send_safe()
        self.instrument.check_errors(after="the safe level was set")
        self._read_back(self.safe_level)

    def recover(self) -> None:
        """After a time-out: clear, drain, identify, and set the level again; raises InstrumentError."""
        self.instrument.recover()
        self.instrument.send(*self._spec.select, *self._rendered(self._entry.select))
        self._send_level(self._level)
        if self._is_on:
            self.instrument.send(*self._spec.on)
        self.instrument.check_errors(after="the level was set again")


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
        top = self._entry.range.within(self._spec.wire_unit).top
        commands = tuple(render(each, range=top, level=top) for each in (*self._spec.select, *self._entry.select))
        self.instrument.send(*commands)
        self.instrument.check_errors(after=" ".join(commands))
        self.instrument.active = self
        if self._spec.settling_after_range_change:
            self._clock.sleep(self._spec.settling_after_range_change)
        for _ in range(self._spec.discard_after_range_change):
            try:
                self._one()
            except NoReplyError:
                raise
            except NoReadingError:
                continue  # it is thrown away, whatever it was

    def take_correction(self) -> Sample | None:
        """None: an instrument with an interface corrects nothing."""
        return None

    def wider(self) -> RangeEntry | None:
        """The next wider range of this function; None at the widest."""
        wide = [entry for entry in self._spec.ranges if entry.range.width > self._entry.range.width * (1 + 1e-9)]
        return min(wide, key=lambda entry: entry.range.width, default=None)

    def read(self, *, expected: float | None = None) -> Sample:  # noqa: ARG002  a person's entry is held against it
        """One reading in the unit selected."""
        if self.instrument.active is not self:  # another function of this instrument was used in between
            self._set_up()
        return self._one()

    def _one(self) -> Sample:
        assert self._spec.query is not None
        reply = self.instrument.ask(self._spec.query)
        value = scpi.number(reply, self._pattern, where=self._session.where, command=self._spec.query)
        return Sample(self._factor * value + self._shift, self._clock.now(), reply.strip())

    def recover(self) -> None:
        """After a time-out: clear, drain, identify, set up again; raises InstrumentError."""
        self.instrument.recover()
        self._set_up()
