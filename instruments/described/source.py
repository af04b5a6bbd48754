"""A function that sets: limits looked at on each set, levels read back, and made safe with proof.

It decides no setpoint and no moment; it refuses, sends, and says whether the output stands as it was set.
"""

import contextlib
import re
from collections.abc import Callable
from contextlib import AbstractContextManager

from instruments.clock import Clock
from instruments.described.instrument import DescribedInstrument
from instruments.described.levels import Levels
from instruments.described.talk import fits
from instruments.errors import (
    InstrumentError,
    LimitError,
    PowerCycledError,
    UnsafeError,
    WrongInstrumentError,
)
from instruments.functions import Function, RangeEntry
from instruments.latch import Latch
from instruments.units import Quantity, Span, magnitude, show

__all__ = ["DescribedSource"]


class DescribedSource:
    """One function of an instrument that sets.

    Args:
        instrument: the instrument.
        function: name of the function in its description.
        limits: ranges, each with its reason, outside of which nothing is ever sent.
        safe_level: what the output is left at.
        clock: waits for the source's own settling.
        latch: says beyond this process that it was driven, until it is proved safe; None = nobody has to know.
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
        latch: Latch | None = None,
    ) -> None:
        # Seven of these are what it is made of; its state is the twelve below them.
        self.instrument = instrument
        self.function = function
        self.safe_level = safe_level
        self._spec: Function = instrument.description.functions[function]
        self._limits = limits
        self._clock = clock
        self.latch = latch

        self._levels = Levels(self._spec)
        self._level = self._level_before = safe_level  # told last, and confirmed last
        self.stood_at: tuple[Quantity, ...] = ()  # where it was driven to last; what it is told to make it safe apart
        self.disbelieved = ""  # why its own word for "off" does not count
        self.is_on = False
        self._has_driven = False
        self._was_understood = False  # a level was set, and no error reported
        self._is_in_doubt = False  # whether it was on when it was told off
        self._looking: tuple[str, ...] = ()  # the question whether it is on, to be sent before it is told off
        self.went_off = False
        self._resets_n = instrument.resets_n
        instrument.has_output = True

    @property
    def name(self) -> str:
        """Of its instrument."""
        return self.instrument.name

    @property
    def proves_safe(self) -> bool:
        """It can be asked whether it is at its safe level and off."""
        return self.instrument.description.proves_safe(self.function)

    def select(self, entry: RangeEntry) -> None:
        """Take the range; the output is off."""
        self._levels.take(entry)
        self._resets_n = self.instrument.resets_n
        commands = self._spec.selecting(entry)
        self.instrument.send(*commands)
        self.instrument.check_errors(after=" ".join(commands))
        self._clock.sleep(self._spec.settling_after_range_change)

    def energise(self) -> None:
        """Switch the output on at the level set last."""
        self._latch()
        self.is_on = self._has_driven = True  # before it is sent: from here on it must be made safe
        self.went_off = False
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
        for reason, limit in (("range of the source", self._levels.entry.range), *self._limits):
            if not limit.within(self._spec.unit).holds(value):  # NaN is refused too
                raise LimitError(
                    f"{show(level)} refused: outside the {reason}",
                    where=self.name,
                    allowed=str(limit),
                    todo="correct the setpoints, or the limits in bench file or type sheet",
                )
        self._levels.refuse_if_coarse(level, where=self.name)
        if self.instrument.session.is_suspect:
            was_on = self.is_on
            if self.recover() and was_on:
                raise self._lost()
        self._latch()
        self._level, self._has_driven = level, True
        self.stood_at = (self._level_before, level)
        with self._told(level):
            self.instrument.check_errors(after=f"{show(level)} was set")
            self._read_back(level)
        self._level_before = level
        self.check()
        self._was_understood = True
        self._clock.sleep(self._spec.settling)

    def _told(self, level: Quantity) -> AbstractContextManager[None]:
        """Send a level; what is asked after it goes along once the command is known to be understood.

        An instrument that does not understand a command may leave out the rest of its message, and with it the answer
        that says why (SCPI-1999, volume 1, 6.1; from memory).
        """
        commands = self._levels.commands(level, before=self._level_before)
        if not self._was_understood:
            self.instrument.send(*commands)
            return contextlib.nullcontext()
        query = self.instrument.description.error_query
        return self.instrument.ahead(query.ask if query else None, self._spec.read_back, after=commands)

    def wait_stable(self, look: Callable[[], None]) -> bool:
        """Ask until it says that it stands at its level; True if it had to be asked again. Raises as `Source`."""
        stable = self._spec.stable
        if stable is None:
            return False
        until_s, pattern, had_to_wait = self._clock.now() + stable.at_most, re.compile(stable.reply), False
        while not fits(pattern, reply := self.instrument.ask(stable.ask)):
            if self._clock.now() >= until_s:
                raise InstrumentError(
                    f"is not stable at {show(self._level)} within {stable.at_most:g} s",
                    where=self.instrument.session.where,
                    command=stable.ask,
                    reply=reply,
                    todo='look after it, or give it longer in "stable" of its description',
                )
            look()
            self._clock.sleep(stable.every)
            had_to_wait = True
        return had_to_wait

    def _latch(self) -> None:
        """Before anything is sent that could hurt: who comes after a crash must know of it."""
        if self.latch is not None:
            self.latch.set(self.instrument.identity)

    @property
    def unit(self) -> str:
        """The unit that it sets."""
        return self._spec.unit

    @property
    def confirmed(self) -> Quantity:
        """The level that it confirmed last."""
        return self._level_before

    @property
    def settling_s(self) -> float:
        """How long it takes to a level, by its description."""
        return self._spec.settling

    def disbelieve(self, why: str) -> None:
        """Its own word for "off" counts no more, here and after this process; "" = it does again, and it is off."""
        self.disbelieved = why
        if self.latch is not None and why:
            self.latch.set(self.instrument.identity, disbelieved=why)
        elif self.latch is not None:
            self.latch.clear()

    def check(self, *, closely: bool = False) -> None:
        """Raises PowerCycledError if its output no longer stands as it was set; silent where it is not known.

        Args:
            closely: ask for output and level too where the event status tells of a loss of power: somebody may have
                turned a knob.
        """
        has_events = self.instrument.description.event_status is not None
        must_look = self.is_on and self._can_tell and (closely or not has_events)
        with self.instrument.ahead(*(self._shows_its_output if must_look else ())):
            self.instrument.check_power()
            if self.is_on and (self.instrument.resets_n != self._resets_n or (must_look and not self._stands())):
                raise self._lost()

    @property
    def _shows_its_output(self) -> tuple[str | None, ...]:
        query = self._spec.output_query
        return query.ask if query else None, self._spec.read_back

    @property
    def _can_tell(self) -> bool:
        """True if the instrument can say that its output still stands."""
        spec = self._spec
        # The level alone does not tell that an output was switched off with it.
        shown = spec.output_query is not None if spec.on else spec.read_back is not None
        return shown or self.instrument.description.event_status is not None

    def _stands(self) -> bool:
        """True if everything that can be asked says that the output is on at a level it was set to."""
        if self.instrument.resets_n != self._resets_n or not self._can_tell or self._says_off():
            return False
        found = self._told_back()
        return (
            found is None or self._levels.is_near(found, self._level) or self._levels.is_near(found, self._level_before)
        )

    def _says_off(self) -> bool:
        query = self._spec.output_query
        return query is not None and bool(
            re.fullmatch(query.off, self.instrument.ask(query.ask).strip(), re.IGNORECASE)
        )

    def _was_off(self) -> bool:
        """True unless the last that came late, the answer asked for before it was told off, says that it was on."""
        query, said = self._spec.output_query, [reply.strip() for reply in self.instrument.drained]
        return query is None or not said or re.fullmatch(query.off, said[-1], re.IGNORECASE) is not None

    def _lost(self) -> PowerCycledError:
        self.went_off = True
        return PowerCycledError(
            "its output no longer stands as it was set",
            where=self.instrument.session.where,
            todo="find out why it lost its power, or who switched it off",
        )

    def _read_back(self, level: Quantity) -> None:
        found = self._told_back()
        if found is not None and not self._levels.is_near(found, level):
            self.instrument.check_power()  # which would be why
            found = self._told_back()  # or that was no answer to this question: then the one that is shows up now
        if found is not None and not self._levels.is_near(found, level):
            raise InstrumentError(
                self._levels.contrast(found, level),
                where=self.instrument.session.where,
                command=self._spec.read_back or "",
                todo="check range, lock and unit of the source",
            )

    def _told_back(self) -> float | None:
        """The level that the source reports, in its wire unit; None where it reports none.

        Raises OutOfStepError for a number that is no level of it.
        """
        command = self._spec.read_back
        if command is None:
            return None
        said = self.instrument.ask_number(command, self._levels.pattern)
        found = self._levels.number(said)
        if found is None:
            shown = f"{said.value:g} {said.unit}".rstrip()
            raise self.instrument.out_of_step(command, shown, allowed="a level within a range of the source")
        return found

    @property
    def _making_safe(self) -> tuple[str, ...]:
        return (*self._levels.commands(self.safe_level, before=self._level_before), *self._spec.off)

    def tell_off(self) -> None:
        """Send the safe level and off if it was driven from here, and wait for nothing; a lost line is left as it is.

        Where it is out of touch, and keeps no events, the question whether it is on goes before that: its answer tells
        later whether it went off by itself.
        """
        if not self._has_driven:
            return
        query = self._spec.output_query
        keeps_no_events = self.instrument.description.event_status is None
        if self.is_on and self.instrument.session.is_suspect and keeps_no_events:
            self._is_in_doubt, self._looking = True, (query.ask,) if query else ()
        self.is_on = False
        with contextlib.suppress(InstrumentError):  # it is told again as soon as its line is back
            self.instrument.send_at_once(*self._looking, *self._making_safe)
            self._looking = ()

    def make_safe(self) -> None:
        """Bring the output to its safe level and switch it off; sent before anything else, proved after.

        An instrument that never answered is asked first who it is: another one is sent nothing, a silent one is told
        all the same. One that was driven from here is told before it is asked, whoever answers there by now: the wires
        to the unit still hang on it, and a level that is safe hurts nobody.

        Raises:
            UnsafeError: it could not be proved; somebody must switch off by hand.
            InstrumentError: the same of an instrument that never answered, so that nothing was energised from here.
        """
        commands = self._making_safe
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
                        todo="check power and cable; nothing was energised from here, yet check whether it is on",
                    ) from second
                with contextlib.suppress(InstrumentError):  # no mark can be made: it is said all the same
                    self._latch()
                raise UnsafeError(
                    f"{self.name} could not be brought to its safe level of {show(self.safe_level)}",
                    where=self.instrument.session.where,
                    todo=f"switch it off by hand, now ({second.what})",
                ) from second
        self.is_on = False
        self._level = self._level_before = self.safe_level
        if self.latch is not None and not self.disbelieved:
            self.latch.clear()

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
            True if the output is off: one that was told off, does not stand as it was set, or of which that is not
            known, was made safe and set up again. It is for the caller to set a level and to energise.

        Raises:
            InstrumentError: it does not come back, or another instrument answers.
            UnsafeError: the output no longer stands, and cannot be made safe.
        """
        is_told_off = self._has_driven and not self.is_on
        self.instrument.recover(at_once=(*self._looking, *self._making_safe) if is_told_off else ())
        if self.is_on and self._stands():
            return False
        self.went_off |= self.instrument.resets_n != self._resets_n or (self._is_in_doubt and self._was_off())
        self._is_in_doubt, self._looking = False, ()
        self.make_safe()
        self.instrument.set_up()
        self.select(self._levels.entry)
        return True
