"""The instrument on its line: identity, what shows that it lost its power, and the way back to it.

What it says of itself is believed over what it was told. What only some instruments have (device clear, event status,
acknowledgement) is used where the description states it, and never needed. It sets and reads nothing: that do its
functions, in `source` and `receiver`.
"""

import contextlib
import itertools

from instruments.commands import with_password
from instruments.described.talk import Talk
from instruments.description import Description
from instruments.errors import (
    InstrumentError,
    LineLostError,
    PowerCycledError,
    WrongInstrumentError,
    shortened,
)
from instruments.locks import identity_held
from instruments.session import HIDDEN, Session

__all__ = ["DescribedInstrument"]

_RECOVERIES = 3  # at least so often, and for at least so long: a switch or a server needs time to start again
_RECOVERY_S = 10.0
_PAUSE_S = 0.5
_POWER_ON = 128  # bit 7 of the standard event status register, IEEE 488.2-1992, 11.5.1 (from memory)
_QUERY_ERROR = 4  # bit 2: it was asked anew before its answer was taken (the same, 11.5.1)


class DescribedInstrument(Talk):
    """An instrument on its line: identity, error queue, recovery. Its functions are used through it.

    Args:
        name: on the bench.
        description: what it can do and how it is talked to.
        session: its line.
        expected_identity: text that its identity must hold; "" takes any.
        password: that unlocks it.
    """

    def __init__(
        self, *, name: str, description: Description, session: Session, expected_identity: str, password: str = ""
    ) -> None:
        super().__init__(description, session)
        self.name = name
        self.expected_identity = expected_identity
        self.identity = ""
        self.was_met = False  # it answered once, as the instrument it should be
        self.has_output = False  # one of its functions is used as a source
        self.is_set_up = False  # its set-up was sent, and it has not lost its settings since
        self.resets_n = 0  # how often it was noticed that it had lost its settings
        self.active: object = None  # the receiver whose function is selected now
        self._held, self._is_held = contextlib.ExitStack(), False
        self.drained: tuple[str, ...] = ()  # what came late when it was recovered last
        self._unlocking = tuple(with_password(each, password) for each in description.unlock)
        session.secret = password
        session.hidden = dict(
            zip(self._unlocking, (with_password(each, HIDDEN) for each in description.unlock), strict=True)
        )

    def meet(self, *, at_once: tuple[str, ...] = ()) -> None:
        """Throw away old bytes, unlock, identify, clear the error queue.

        Args:
            at_once: commands sent as soon as it has said who it is.

        Raises:
            WrongInstrumentError: another one answers; nothing else was sent.
            InstrumentError: it does not answer.
        """
        self.session.clear()
        self._unlock()
        self._identify()
        self.session.is_suspect = False
        self.send(*at_once)
        self.send(*self.description.clear)
        self._was_switched_on()  # before this it is no matter

    def set_up(self) -> None:
        """Send the set-up, wait until it is done, and look for errors; raises InstrumentError."""
        self.send(*self.description.prepare)
        ask = self.description.ready
        if ask is not None:
            reply = self.session.query(ask)
            if ask.upper().endswith("*OPC?") and reply.strip() not in {
                "1",
                "+1",
            }:  # IEEE 488.2, 10.19
                raise self.out_of_step(ask, reply, allowed="1")
        self.check_errors()
        self.is_set_up = True

    def _unlock(self) -> None:
        self.send(*self._unlocking)

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
                todo="check which instrument is on this resource, or correct the bench file",
            )
        if self.identity and reply != self.identity:
            raise WrongInstrumentError(
                f'identifies itself as "{shortened(reply)}", before as "{shortened(self.identity)}"',
                where=self.session.where,
                command=ask,
                reply=reply,
                todo="put the instrument back that the run began with; with another one begin a new run",
            )
        self._hold(reply)
        self.identity = reply
        self.was_met = True

    def _hold(self, identity: str) -> None:
        """Hold it until it is closed: it may be in use by another run that knows it by another address."""
        if self._is_held:
            return
        try:
            self._held.enter_context(identity_held(identity, where=self.session.where))
        except InstrumentError as error:
            raise WrongInstrumentError(error.what, where=error.where, allowed=error.allowed, todo=error.todo) from error
        self._is_held = True

    def check_power(self) -> None:
        """Raises PowerCycledError if it was switched off and on; silent where it cannot tell.

        Raises OutOfStepError where it says that an answer of it was not taken.
        """
        events = self._event_status() if self._events is None else self._events
        self._events = None
        if events & _QUERY_ERROR and not events & _POWER_ON:
            raise self.out_of_step(str(self.description.event_status), str(events), allowed="no query error (bit 2)")
        if events & _POWER_ON:
            self.forget()
            raise PowerCycledError(
                "was switched off and on, and has lost its settings",
                where=self.session.where,
                todo="find out why it lost its power",
            )

    def heed(self) -> None:
        """Raises as `check_power` at once for what came along with an answer; asks nothing."""
        if self._events:
            self.check_power()

    @property
    def _proves_life(self) -> bool:
        """True if it has an answer to something that changes nothing."""
        return self.description.identify is not None or self.description.event_status is not None

    def _was_switched_on(self) -> bool:
        """Reading the register clears it."""
        came_along, self._events = self._events or 0, None
        return bool((came_along | self._event_status()) & _POWER_ON)

    def check_identity(self) -> None:
        """Raises OutOfStepError if it answers the question who it is by something else; silent where it has no answer.

        No reading looks like it: so the answer before belonged to its question.
        """
        ask = self.description.identify
        if ask is not None and (reply := self.session.query(ask)).strip() != self.identity:
            raise self.out_of_step(ask, reply, allowed=f'"{shortened(self.identity)}"')

    def _event_status(self) -> int:
        """The register of events, 0 where there is none; raises OutOfStepError for an answer that cannot be one.

        No reading and no level looks like it, or hardly, so it proves that the answer before belonged to its question.
        """
        ask = self.description.event_status
        if ask is None:
            return 0
        return self._register(ask, self.ask(ask))

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
        self._held.close()

    def recover(self, *, at_once: tuple[str, ...] = (), is_patient: bool = True) -> None:
        """After touch was lost: clear, drain, identify; opened again where that fails, within a bound of time.

        The late answer is gone once the identity has come. Whether the settings are lost as well is looked at; the
        set-up is sent by whoever needs it (`set_up_again`).

        Args:
            at_once: commands sent before anything else, at each attempt; what they are answered is in `drained`.
            is_patient: False = one attempt, and one more on a line opened again where it was lost: an output may be on.

        Raises:
            InstrumentError: it does not come back, or another instrument answers.
        """
        begin_s, self.drained = self.session.clock.now(), ()
        for attempt in itertools.count(1):
            try:
                self._regain(*at_once, is_first=attempt == 1)
            except InstrumentError as error:
                if not is_patient and (attempt > 1 or not isinstance(error, LineLostError)):
                    raise
                is_over = self.session.clock.now() - begin_s >= _RECOVERY_S or isinstance(error, WrongInstrumentError)
                if is_over and attempt >= _RECOVERIES:
                    raise InstrumentError(
                        f"does not come back ({error.what})", where=self.session.where, todo="check power and cable"
                    ) from error
                if attempt > 1:
                    self.session.clock.sleep(_PAUSE_S)
            else:
                break
        self.session.is_suspect = False
        self.active = None
        if self.description.event_status is None and not self.has_output:
            self.is_set_up = False  # it cannot tell; a source looks for itself, since a set-up may move its output

    def _regain(self, *at_once: str, is_first: bool) -> None:
        if not is_first:
            self.session.reopen()
        self._clear(*at_once)
        if is_first and not self._proves_life:  # silence may be that of a line that was dropped
            self.session.reopen()
            self._clear(*at_once)
        self._unlock()
        self._identify()
        if self._was_switched_on():
            self.forget()
        self.send(*self.description.clear)

    def _clear(self, *at_once: str) -> None:
        self.drained += self.send_at_once(*at_once)
        self.drained += self.session.clear()

    def set_up_again(self) -> None:
        """Send the set-up if the settings are lost; raises InstrumentError."""
        if not self.is_set_up:
            self.set_up()
