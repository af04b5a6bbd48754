"""One VISA resource as a line to talk over: write, query, and the way back after a time-out.

The only module that catches pyvisa's errors. It knows text, not instruments.
"""

import contextlib
import math
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from statistics import median

import pyvisa
from pyvisa import rname
from pyvisa.constants import StatusCode

from instruments.clock import Clock
from instruments.errors import LineLostError, LivezeroError, NoReplyError, OutOfStepError, shortened
from instruments.visaline import Line

__all__ = ["HIDDEN", "Exchange", "Manners", "Session", "Teller"]

# pyvisa-py hands through whatever its transports raise: OSError for a reset, RuntimeError from HiSLIP, termios.error
# from an unplugged port, and Exception itself for a host that is not found.
_LINE_ERRORS = (Exception,)
_ANSWERS_N = 20
_SILENCE_S = 0.2
_MOST_DRAINED = 50
HIDDEN = "***"
"""What is told in place of a password."""
_SHORTEST_SECRET = 4  # a shorter one would be found in every other reply


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """What went over a line, once: the command, the reply (None = none asked), when, how long, and what went wrong."""

    at_s: float
    instrument: str
    sent: str
    received: str | None
    took_s: float
    fault: str = ""


Teller = Callable[[Exchange], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Manners:
    """What goes over a line beside messages and answers.

    Args:
        query_delay_s: from a message to its answer at least.
        command_delay_s: after a message without answer.
        prefix: put before each message.
        reply_prefix: taken off each answer.
        echo: each message comes back first, on a line of its own or before the prompt.
        prompt: comes once a message is done, with an answer or without; "" = nothing does.
    """

    query_delay_s: float = 0.0
    command_delay_s: float = 0.0
    prefix: str = ""
    reply_prefix: str = ""
    echo: bool = False
    prompt: str = ""

    @property
    def talks_back(self) -> bool:
        """Something comes after each message, whether it was asked for or not."""
        return self.echo or bool(self.prompt)


class Session:
    """A line to one instrument; every exchange is reported.

    Args:
        name: of the instrument on the bench.
        resource: the VISA resource string, for errors.
        opener: opens the resource, again after it was lost.
        clock: for the time of each exchange and its delays.
        timeout_s: how long a reply may take.
        tell: takes each exchange; what it cannot keep is its own matter.
        hint: what to do where it does not answer or refuses a command; "" = look at cable and manual.
        manners: what else goes over the line.

    Attributes:
        secret: a password, of which nothing is told; "" = there is none.
        hidden: messages that hold it, each with what is told in its place.
        longest_s: asked at each exchange: no reply may take longer now, whatever the time-out is.

    Raises:
        LineLostError: the resource cannot be opened.
    """

    def __init__(
        self,
        *,
        name: str,
        resource: str,
        opener: Callable[[], Line],
        clock: Clock,
        timeout_s: float,
        tell: Teller,
        hint: str = "",
        manners: Manners = Manners(),
    ) -> None:
        self.name = name
        self.hint = hint
        self.where = f"{name} ({resource})"
        self._resource = resource
        self._is_raw_socket = resource.upper().endswith("::SOCKET")
        self.is_suspect = False  # a late answer may be on its way
        self.longest_s: Callable[[], float] = lambda: math.inf
        self._opener = opener
        self.clock = clock
        self._timeout_s = timeout_s
        self._manners = manners
        self.secret = ""
        self.hidden: dict[str, str] = {}
        self._tell = tell
        self._answered_s: deque[float] = deque(maxlen=_ANSWERS_N)  # what the last questions took
        self._line = self._open()

    def _open(self) -> Line:
        try:
            line = self._opener()
            line.timeout = 1000 * self._timeout_s
        except _LINE_ERRORS as error:
            if isinstance(error, pyvisa.VisaIOError) and error.error_code == StatusCode.error_resource_locked:
                raise LineLostError(
                    "is locked by another computer or program",
                    where=self.where,
                    todo="end what uses it there, or switch the instrument off and on",
                ) from error
            todo = f"check power, cable and resource ({_reason(error)})"
            if not _is_resource(self._resource):
                todo = (
                    "write a VISA resource, such as TCPIP::127.0.0.1::5025::SOCKET or ASRL3::INSTR; "
                    "another name is known by the VISA library alone in which it was given"
                )
            raise LineLostError("cannot be opened", where=self.where, todo=todo) from error
        return line

    def write(self, command: str) -> None:
        """Send a command that has no answer; raises OutOfStepError, NoReplyError or LineLostError."""
        self._exchange(command, answered=False)

    def write_at_once(self, *commands: str) -> tuple[str, ...]:
        """Send commands whatever stands in the input, each within 0.2 s: what is to be made safe waits for nothing.

        Returns:
            What stood in the input before, and is thrown away.

        Raises:
            NoReplyError: the line takes no more.
            LineLostError: the line failed; also where the other side has closed it, which a write alone does not show.
        """
        was_suspect, self.is_suspect = self.is_suspect, True
        try:
            with self._waiting_for(_SILENCE_S):
                late = tuple(self._line.unread().splitlines())
                for command in commands:
                    self._exchange(command, answered=False, is_heeded=False)
                for line in late:
                    self._told(self.clock.now(), "(drained)", line)
        except LivezeroError:
            raise
        except _LINE_ERRORS as error:
            self._told(self.clock.now(), "(closed)", None, fault=_reason(error))
            raise LineLostError(
                f"the line failed: {_reason(error)}", where=self.where, todo="check power and cable"
            ) from error
        self.is_suspect = was_suspect or self._manners.talks_back
        return late

    @contextlib.contextmanager
    def _waiting_for(self, silence_s: float) -> Iterator[None]:
        """Within this, no exchange takes longer than that."""
        if silence_s >= self._timeout_s:
            yield
            return
        before_ms = self._line.timeout
        self._line.timeout = min(1000 * silence_s, before_ms)
        try:
            yield
        finally:
            self._line.timeout = before_ms

    def query(self, command: str) -> str:
        """Send a command and take its answer.

        Raises:
            OutOfStepError: something stood in the input before; nothing was sent, and the session is suspect.
            NoReplyError: no whole answer in time; the session is suspect from then on.
            LineLostError: the line failed; the session is suspect as well.
        """
        reply = self._exchange(command, answered=True)
        assert reply is not None
        return reply

    def _exchange(self, command: str, *, answered: bool, is_heeded: bool = True) -> str | None:
        start_s, longest_s = self.clock.now(), self.longest_s()
        was_suspect, self.is_suspect = self.is_suspect, True  # Ctrl-C may come before the answer does
        message, shown = self._manners.prefix + command, self.masked(command)
        try:
            # What stands there now would be taken for the answer, and every later answer would be one behind. A suspect
            # line was drained, or is about to be. An end of line alone answers nothing.
            if not was_suspect:
                self._refuse_a_stray(shown)
            with self._waiting_for(longest_s):
                self._line.write(message)
                if answered and self._manners.query_delay_s:
                    self.clock.sleep(self._manners.query_delay_s)
                reply = self._heard(message, shown, answered=answered) if is_heeded else None
            if not answered and self._manners.command_delay_s:
                self.clock.sleep(self._manners.command_delay_s)
        except OutOfStepError as error:
            self._told(start_s, "(not asked for)", error.reply)
            raise
        except _LINE_ERRORS as error:
            reason = _reason(error)
            self._told(start_s, shown, None, fault=reason)
            if isinstance(error, pyvisa.VisaIOError) and error.error_code == StatusCode.error_timeout:
                raise self._no_reply(shown, min(longest_s, self._timeout_s)) from error
            raise LineLostError(
                f"the line failed: {reason}", where=self.where, command=shown, todo="check power and cable"
            ) from error
        self.is_suspect = was_suspect
        if answered:
            self._answered_s.append(self.clock.now() - start_s)
        self._told(start_s, shown, reply)
        return reply

    def _heard(self, message: str, shown: str, *, answered: bool) -> str | None:
        """The answer to a message, its echo and what is put before it taken off; None where there is none."""
        manners = self._manners
        said = self._line.read() if answered or manners.talks_back else ""
        if manners.echo:
            if not said.strip().startswith(message.strip()):
                raise self._unasked(shown, said, 'correct "echo" in the description, or switch it on there')
            said = said.strip().removeprefix(message.strip())
            if answered and not manners.prompt:  # the echo stood on a line of its own
                said = self._line.read()
        if not answered and said.strip():
            raise self._unasked(shown, said.strip(), "look it up in the manual of the instrument")
        if manners.talks_back:
            said = said.strip("\r\n")
        return said.removeprefix(manners.reply_prefix) if answered else None

    def _unasked(self, shown: str, said: str, todo: str) -> OutOfStepError:
        what = f'said "{shortened(self.masked(said))}" to a command'
        return OutOfStepError(what, where=self.where, command=shown, reply=self.masked(said), todo=todo)

    def masked(self, text: str) -> str:
        """A text as it may be told: without the password."""
        if text in self.hidden:
            return self.hidden[text]
        return text.replace(self.secret, HIDDEN) if len(self.secret) >= _SHORTEST_SECRET else text

    @property
    def exchange_s(self) -> float:
        """What a question and its answer took lately, as a median; NaN before the first."""
        return median(self._answered_s) if self._answered_s else math.nan

    def _no_reply(self, command: str, within_s: float) -> NoReplyError:
        todo = self.hint or "check power, cable, line end and time-out"
        if within_s < self._timeout_s:
            todo += (
                '; with an output on it is given the time-out of the source, and what "takes" in its description says '
                "that a reading takes"
            )
        return NoReplyError(f"no answer within {within_s:g} s", where=self.where, command=command, todo=todo)

    def _refuse_a_stray(self, command: str) -> None:
        stray = self._line.unread().strip()
        if stray:
            raise OutOfStepError(
                f'said "{shortened(stray)}", which nobody had asked for',
                where=self.where,
                command=command,
                reply=stray,
                todo="check line end and commands in the description: each question has one answer",
            )

    def _told(self, start_s: float, command: str, reply: str | None, fault: str = "") -> None:
        exchange = Exchange(
            at_s=start_s,
            instrument=self.name,
            sent=command,
            received=None if reply is None else self.masked(reply),
            took_s=self.clock.now() - start_s,
            fault=fault,
        )
        # No fault of whoever listens may come between an output and its safe level; of a full disk the journal says so
        # at the next reading.
        with contextlib.suppress(Exception):
            self._tell(exchange)

    def clear(self) -> tuple[str, ...]:
        """Clear the line, and open it again where that is refused; read until silent.

        Returns:
            What came late, and is thrown away.

        Raises:
            LineLostError: the line cannot be re-established.
        """
        # A raw socket has no device clear; pyvisa-py 0.8 reads on in its place, for ever once the other side has gone.
        if not self._is_raw_socket:
            start_s = self.clock.now()
            try:
                self._line.clear()
                self._told(start_s, "(device clear)", None)
            except _LINE_ERRORS as error:
                self._told(start_s, "(device clear)", None, fault=_reason(error))
        try:
            return self.drain()
        except _LINE_ERRORS:
            self.reopen()
            return ()

    def reopen(self) -> None:
        """Close the resource and open it again; raises LineLostError."""
        self.close()
        self._line = self._open()
        self._told(self.clock.now(), "(opened again)", None)

    def drain(self) -> tuple[str, ...]:
        """Read and throw away until the line is silent; a flush alone is not trusted (pyvisa issue 535)."""
        found: list[str] = []
        try:
            with self._waiting_for(_SILENCE_S):
                while len(found) < _MOST_DRAINED:
                    start_s = self.clock.now()
                    late = self._line.read()
                    if not late:
                        break
                    self._told(start_s, "(drained)", late)
                    found.append(late)
        except pyvisa.VisaIOError as error:
            if error.error_code != StatusCode.error_timeout:
                raise
        if rest := self._line.unread():  # the end of a line never came, as after a greeting
            self._told(self.clock.now(), "(drained)", rest)
            found.append(rest)
        return tuple(found)

    def close(self) -> None:
        """Close the resource; what fails here is of no more use to anybody."""
        try:
            self._line.close()
        except _LINE_ERRORS as error:
            self._told(self.clock.now(), "(closed)", None, fault=_reason(error))


def _is_resource(resource: str) -> bool:
    """Whether a text is the name of a resource as VISA writes them, and no name of somebody's own."""
    try:
        rname.ResourceName.from_string(resource)
    except rname.InvalidResourceName:
        return False
    return True


def _reason(error: Exception) -> str:
    """A line's error in a few words, without addresses of memory or a traceback."""
    if isinstance(error, pyvisa.VisaIOError):
        return str(error.abbreviation)
    return str(getattr(error, "strerror", None) or error).splitlines()[0][:120] if str(error) else type(error).__name__
