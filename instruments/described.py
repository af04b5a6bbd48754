"""Drivers made of descriptions: the instrument on its line, and its functions as sources and receivers.

Limits are looked at on each set. What an instrument says of itself (identity, error queue, read-back, power on) is
believed over what it was told. What only some instruments have (device clear, event status, output query) is used where
the description states it, and never needed.
"""

import contextlib
import itertools
import re

from instruments import scpi
from instruments.clock import Clock
from instruments.description import Description, Function, RangeEntry, as_sent, render
from instruments.entry import Doubting
from instruments.errors import (
    InstrumentError,
    LimitError,
    NoReadingError,
    OutOfStepError,
    PowerCycledError,
    UnsafeError,
    WrongInstrumentError,
    shortened,
)
from instruments.roles import Sample
from instruments.session import Session
from instruments.units import Quantity, Span, magnitude, rescale, show, without_rest

__all__ = ["DescribedInstrument", "DescribedReceiver", "DescribedSource"]

_MOST_ERRORS = 20
_RECOVERIES = 3  # at least so often, and for at least so long: a switch or a server needs time to start anew
_RECOVERY_S = 10.0
_PAUSE_S = 0.5
_POWER_ON = 128  # bit 7 of the standard event status register, IEEE 488.2-1992, 11.5.1 (from memory)
_NUMBER = scpi.reply_pattern("{value}")
_NEVER = r"(?!)"  # a pattern that nothing fits
_LONGEST_WORD = 200  # what a pattern of a description is held against; longer replies are no word of refusal


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
        self.has_output = False  # one of its functions is used as a source
        self.is_set_up = False  # its set-up was sent, and it has not lost its settings since
        self.resets_n = 0  # how often it was noticed that it had lost its settings
        self.active: object = None  # the receiver whose function is selected now
        self._refusal = re.compile(description.refusal or _NEVER)

    def meet(self, *, at_once: tuple[str, ...] = ()) -> None:
        """Throw away old bytes, identify, clear the error queue.

        Args:
            at_once: commands sent as soon as it has said who it is.

        Raises:
            WrongInstrumentError: another one answers; nothing else was sent.
            InstrumentError: it does not answer.
        """
        self.session.clear()
        self._identify()
        self.session.is_suspect = False
        self.send(*at_once)
        self.send(*self.description.clear)
        self._was_switched_on()  # before this it is no matter

    def set_up(self) -> None:
        """Send the set-up, wait until it is done, and look for errors; raises InstrumentError."""
        self.send(*self.description.prepare)
        if self.description.ready is not None:
            self.session.query(self.description.ready)
        self.check_errors()
        self.is_set_up = True

    def _identify(self) -> None:
        ask = self.description.identify
        if ask is None:
            self.was_met = True
            return
        reply = self.session.query(ask).strip()
        if not reply:
            raise InstrumentError("does not identify itself", where=self.session.where, command=ask)
        if self.expected_identity and self.expected_identity.casefold() not in reply.casefold():
            raise WrongInstrumentError(
                f'identifies itself as "{shortened(reply)}"',
                where=self.session.where,
                command=ask,
                reply=reply,
                allowed=f'an identity with "{self.expected_identity}" in it',
                todo="check which instrument hangs on this resource, or correct the bench file",
            )
        if self.identity and reply != self.identity:
            raise WrongInstrumentError(
                f'identifies itself as "{shortened(reply)}", before as "{shortened(self.identity)}"',
                where=self.session.where,
                command=ask,
            )
        self.identity = reply
        self.was_met = True

    def check_power(self) -> None:
        """Raises PowerCycledError if it was switched off and on; silent where it cannot tell."""
        if self._was_switched_on():
            self.forget()
            raise PowerCycledError(
                "was switched off and on, and has lost its settings",
                where=self.session.where,
                todo="look why it lost its power",
            )

    def _was_switched_on(self) -> bool:
        """Reading the register clears it."""
        ask = self.description.event_status
        if ask is None:
            return False
        return bool(int(self.ask_number(ask, _NUMBER)) & _POWER_ON)

    def forget(self) -> None:
        """Its settings are lost."""
        self.resets_n += 1
        self.is_set_up = False
        self.active = None

    def close(self) -> None:
        """Give the front panel back and close the line, whether that works or not."""
        if self.was_met:
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
                    f'answered "{shortened(reply)}"',
                    where=self.session.where,
                    command=command,
                    reply=reply,
                    allowed=f'"{acknowledge}"',
                    todo='check "acknowledge" in the description',
                )

    def _send_blind(self, *commands: str) -> None:
        """Send commands and wait for nothing; clearing throws away what is said to them."""
        for command in commands:
            self.session.write(command)

    def ask(self, command: str) -> str:
        """The reply to a query; a reply that the description calls a refusal is an InstrumentError."""
        reply = self.session.query(command)
        if _fits(self._refusal, reply):
            raise InstrumentError(
                f'refused: "{shortened(reply.strip())}"',
                where=self.session.where,
                command=command,
                reply=reply,
                todo="look the refusal up in the manual of the instrument",
            )
        return reply

    def ask_number(self, command: str, pattern: re.Pattern[str]) -> float:
        """The number that answers a query about the instrument itself; raises OutOfStepError if it is none."""
        try:
            return scpi.number(self.ask(command), pattern, where=self.session.where, command=command)
        except NoReadingError as error:
            self.session.is_suspect = True
            raise OutOfStepError(
                "answered by something else",
                where=error.where,
                command=command,
                reply=error.reply,
                allowed="a number",
                todo=error.todo,
            ) from error

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
            try:
                code, text = scpi.error_entry(reply, where=self.session.where, command=query.ask)
            except OutOfStepError:
                self.session.is_suspect = True
                raise
            found.append(f"{code}, {text}" if text else str(code))
        if found:
            raise InstrumentError(
                f"reports {'; '.join(found)}" + (f" after {after}" if after else ""),
                where=self.session.where,
                command=after,
                reply="; ".join(found),
                todo=self.session.hint or "check the command in the description against the manual of the instrument",
            )

    def recover(self, *, at_once: tuple[str, ...] = ()) -> None:
        """After touch was lost: clear, drain, identify; opened again where that fails, within a bound of time.

        The late answer is gone once the identity has come. Whether the settings are lost as well is looked at; the
        set-up is sent by whoever needs it (`set_up_again`).

        Args:
            at_once: commands sent before anything else, at each attempt; nothing they are answered is taken.

        Raises:
            InstrumentError: it does not come back, or another instrument answers.
        """
        begin_s = self.session.clock.now()
        for attempt in itertools.count(1):
            try:
                if attempt > 1:
                    self.session.reopen()
                self._send_blind(*at_once)
                self.session.clear()
                self._identify()
                if self._was_switched_on():
                    self.forget()
                self.send(*self.description.clear)
            except InstrumentError as error:
                is_over = self.session.clock.now() - begin_s >= _RECOVERY_S or isinstance(error, WrongInstrumentError)
                if is_over and attempt >= _RECOVERIES:
                    raise InstrumentError(
                        f"does not come back ({error.what})", where=self.session.where, todo="check power and cable"
                    ) from error
                self.session.clock.sleep(_PAUSE_S)
            else:
                break
        self.session.is_suspect = False
        self.active = None
        if self.description.event_status is None and not self.has_output:
            self.is_set_up = False  # it cannot tell; a source looks for itself, since a set-up may move its output

    def set_up_again(self) -> None:
        """Send the set-up if the settings are lost; raises InstrumentError."""
        if not self.is_set_up:
            self.set_up()


def _fits(pattern: re.Pattern[str], reply: str) -> bool:
    return len(reply) <= _LONGEST_WORD and pattern.fullmatch(reply.strip()) is not None


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
        self._level = self._level_before = safe_level  # told last, and confirmed last
        self._is_on = False
        self._has_driven = False
        self._resets_n = instrument.resets_n
        instrument.has_output = True

    def select(self, entry: RangeEntry) -> None:
        """Take the range; the output is off."""
        self._entry = entry
        self._resets_n = self.instrument.resets_n
        commands = _selecting(self._spec, entry)
        self.instrument.send(*commands)
        self.instrument.check_errors(after=" ".join(commands))
        self._clock.sleep(self._spec.settling_after_range_change)

    def energise(self) -> None:
        """Switch the output on at the level set last."""
        self._is_on = self._has_driven = True  # before it is sent: from here on it must be made safe
        self.instrument.send(*self._spec.on)
        self.instrument.check_errors(after=" ".join(self._spec.on))
        self.check()

    def set(self, level: Quantity) -> None:
        """Set a level.

        Raises:
            LimitError: outside the range of the source, or the limits of bench or unit; nothing was sent.
            OutOfTouchError: no answer, no connection, or its settings are lost; `recover`.
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
            was_on = self._is_on
            if self.recover() and was_on:
                raise self._lost()
        self._level, self._has_driven = level, True
        self.instrument.send(self._setting(level))
        self.instrument.check_errors(after=f"{show(level)} was set")
        self._read_back(level)
        self._level_before = level
        self.check()
        self._clock.sleep(self._spec.settling)

    def check(self) -> None:
        """Raises PowerCycledError if its output no longer stands as it was set; silent where it cannot be told."""
        self.instrument.check_power()
        if not self._is_on:
            return
        must_look = self.instrument.description.event_status is None and self._can_tell
        if self.instrument.resets_n != self._resets_n or (must_look and not self._stands()):
            raise self._lost()

    @property
    def _can_tell(self) -> bool:
        """True if the instrument can say that its output still stands."""
        spec = self._spec
        # The level alone does not tell that an output was switched off with it.
        shown = spec.output_query is not None if spec.on else spec.read_back is not None
        return shown or self.instrument.description.event_status is not None

    def _stands(self) -> bool:
        """True if everything that can be asked says that the output is on at a level it was told."""
        if self.instrument.resets_n != self._resets_n or not self._can_tell or self._says_off():
            return False
        found = self._told_back()
        return found is None or self._is_near(found, self._level) or self._is_near(found, self._level_before)

    def _says_off(self) -> bool:
        query = self._spec.output_query
        return query is not None and bool(
            re.fullmatch(query.off, self.instrument.ask(query.ask).strip(), re.IGNORECASE)
        )

    def _lost(self) -> PowerCycledError:
        return PowerCycledError(
            "its output no longer stands as it was set",
            where=self.instrument.session.where,
            todo="look why it lost its power, or who switched it off",
        )

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
        found = self._told_back()
        if found is not None and not self._is_near(found, level):
            self.instrument.check_power()  # which would be why
            raise InstrumentError(
                f"told {show(level)}, reports {found:g} {self._spec.wire_unit}",
                where=self.instrument.session.where,
                command=self._spec.read_back or "",
                todo="check range, lock and unit of the source",
            )

    def _told_back(self) -> float | None:
        """The level that the source reports, in its wire unit; None where it reports none."""
        command = self._spec.read_back
        if command is None:
            return None
        return self.instrument.ask_number(command, scpi.reply_pattern(self._spec.reply))

    def _is_near(self, found: float, level: Quantity) -> bool:
        told = magnitude(level, self._spec.wire_unit)
        return abs(found - told) <= self._tolerance(told)

    def make_safe(self) -> None:
        """Bring the output to its safe level and switch it off; sent before anything else, proved after.

        An instrument that never answered is asked first who it is: another one is sent nothing, a silent one is told
        all the same. One that was driven from here is told before it is asked, whoever answers there by now: the wires
        to the unit still hang on it, and a level that is safe hurts nobody.

        Raises:
            UnsafeError: it could not be proved; somebody must switch off by hand.
            InstrumentError: the same of an instrument that never answered, so that nothing was energised from here.
        """
        commands = (self._setting(self.safe_level), *self._spec.off)
        at_once = commands if self._has_driven else ()
        try:
            if not self.instrument.was_met:
                self.instrument.meet(at_once=commands)
            elif self.instrument.session.is_suspect:  # an old answer would be taken for the proof
                self.instrument.recover(at_once=at_once)
            self._leave_safe(commands)
        except InstrumentError as first:
            try:
                if not self.instrument.was_met and not isinstance(first, WrongInstrumentError):
                    at_once = commands
                self.instrument.recover(at_once=at_once)
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
        self._level = self._level_before = self.safe_level

    def _leave_safe(self, commands: tuple[str, ...]) -> None:
        self.instrument.send(*commands)
        self.instrument.check_errors(after="the safe level was set")
        self._read_back(self.safe_level)
        if self._spec.output_query is not None and not self._says_off():
            raise InstrumentError(
                "was switched off, and does not say so",
                where=self.instrument.session.where,
                command=self._spec.output_query.ask,
                todo="check the output query in the description",
            )

    def recover(self) -> bool:
        """After touch was lost: clear, drain, identify, and look whether the output still stands; it is not moved.

        Returns:
            True if the output is off: one that does not stand as it was set, or of which that cannot be told, was made
            safe and set up again. It is for the caller to set a level and to energise.

        Raises:
            InstrumentError: it does not come back, or another instrument answers.
            UnsafeError: the output no longer stands, and cannot be made safe.
        """
        self.instrument.recover()
        if self._is_on and self._stands():
            return False
        self.make_safe()
        self.instrument.set_up()
        self.select(self._entry)
        return True


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
        if (reply := self._selected_otherwise()) is not None:
            raise InstrumentError(
                f'was told to take the function "{self.function}", and says "{shortened(reply)}"',
                where=self._session.where,
                reply=reply,
                todo='check "select" and "select query" in the description against the manual of the instrument',
            )
        self._clock.sleep(self._spec.settling_after_range_change)
        for _ in range(self._spec.discard_after_range_change):
            with contextlib.suppress(NoReadingError):  # it is thrown away, whatever it was
                self._one()

    def check(self) -> None:
        """Raises PowerCycledError if the instrument was switched off and on; silent where it cannot tell."""
        self.instrument.check_power()
        can_tell = self.instrument.description.event_status is not None
        if not can_tell and self.instrument.active is self and self._selected_otherwise() is not None:
            self.instrument.forget()
            raise PowerCycledError(
                "no longer has its function selected",
                where=self._session.where,
                todo="look why it lost its power, or who turned it to another function",
            )

    def _selected_otherwise(self) -> str | None:
        """What the instrument says is selected where it is not this function; None if it is, or cannot be told."""
        query = self._spec.select_query
        if query is None:
            return None
        reply = self.instrument.ask(query.ask).strip()
        return None if re.fullmatch(query.reply, reply[:_LONGEST_WORD]) else reply

    def take_correction(self) -> Sample | None:
        """None: an instrument with an interface corrects nothing."""
        return None

    def wider(self) -> RangeEntry | None:
        """The next wider range of this function; None at the widest."""
        wide = [entry for entry in self._spec.ranges if entry.range.width > self._entry.range.width * (1 + 1e-9)]
        return min(wide, key=lambda entry: entry.range.width, default=None)

    def read(self, *, expected: float | None = None, doubt: Doubting | None = None) -> Sample:  # noqa: ARG002
        """One reading in the unit selected; after a time-out or a reply without sense the line is cleared first."""
        if self._session.is_suspect:
            self.recover()
        elif self.instrument.active is not self:  # another function of this instrument was used in between
            self._set_up()
        return self._one()

    def _one(self) -> Sample:
        assert self._spec.query is not None
        reply = self.instrument.ask(self._spec.query)
        if _fits(self._overload, reply):
            raise NoReadingError("overload", where=self._session.where, command=self._spec.query, reply=reply)
        try:
            value = scpi.number(reply, self._pattern, where=self._session.where, command=self._spec.query)
        except NoReadingError as error:
            if error.kind in {"empty", "garbled"}:  # a line cut in two would put every later reply one behind
                self._session.is_suspect = True
            raise
        return Sample(without_rest(self._factor * value + self._shift), self._clock.now(), reply.strip())

    def recover(self) -> None:
        """After touch was lost: clear, drain, identify, set up again; raises InstrumentError."""
        self.instrument.recover()
        self.instrument.set_up_again()
        self._set_up()
