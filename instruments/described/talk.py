"""Messages and answers of one instrument, as its description has them: acknowledged, refused, several in one.

It knows questions, and neither identity nor recovery: those are of `instrument`.
"""

import contextlib
import re
from collections.abc import Iterator, Sequence

from instruments import scpi
from instruments.description import LONGEST_WORD, Description, ErrorQuery
from instruments.errors import InstrumentError, NoReadingError, OutOfStepError, shortened
from instruments.session import Session

__all__ = ["NEVER", "Talk", "fits"]

_MOST_ERRORS = 20
_REGISTER = re.compile(r"\s*[+]?[0-9]{1,3}\s*")
_LARGEST_REGISTER = 255
NEVER = r"(?!)"  # a pattern that nothing fits


class Talk:
    """What an instrument is told and asked.

    Args:
        description: how it is talked to.
        session: its line.
    """

    def __init__(self, description: Description, session: Session) -> None:
        self.description = description
        self.session = session
        self._refusal = re.compile(description.refusal or NEVER)
        self._acknowledge = re.compile(description.acknowledge or NEVER)
        self._ahead: dict[str, str] = {}  # answers that came with one message, by question
        self._events: int | None = None  # that came along with other answers, and nobody has looked at yet
        self._is_status_first = False  # of the next message that asks alone

    def send(self, *commands: str) -> None:
        """Send commands; each waits for its acknowledgement where the instrument gives one."""
        acknowledge = self.description.acknowledge
        for command in commands:
            if acknowledge is None:
                self.session.write(command)
                continue
            reply = self.session.masked(self.ask(command).strip())
            if not fits(self._acknowledge, reply):
                raise InstrumentError(
                    f'answered "{shortened(reply)}"',
                    where=self.session.where,
                    command=self.session.masked(command),
                    reply=reply,
                    allowed=f'"{acknowledge}"',
                    todo='check "acknowledge" in the description',
                )

    @contextlib.contextmanager
    def ahead(self, *questions: str | None, after: Sequence[str] = ()) -> Iterator[None]:
        """Within this the answers to some questions are there already: all went out in one message with the commands.

        The event status comes along and waits for `check_power`. Beside a single question it comes last and first by
        turns: an answer that comes again, or late, does not pass for the next one then. Where the description allows no
        such message the commands are sent, and each question is asked when somebody wants its answer.

        Args:
            questions: None = there is no such question.
            after: commands that go before them.

        Raises:
            OutOfStepError: more or fewer answers than questions, or an event status that is none.
        """
        asked = [each for each in questions if each is not None]
        status = self.description.event_status
        if not self.description.compound or not asked:
            self.send(*after)
            yield
            return
        wanted, is_first = asked[0], False
        if status is not None:
            is_alone = not after and len(asked) == 1
            is_first = is_alone and self._is_status_first
            self._is_status_first ^= is_alone
            asked = [status, *asked] if is_first else [*asked, status]
        message = _joined((*after, *asked))
        reply = self.session.query(message)
        answers = scpi.parts(reply)
        fault: OutOfStepError | None = None
        if len(answers) != len(asked):
            fault = self.out_of_step(
                message,
                reply,
                allowed=f'{len(asked)} answers, divided by ";"; else take "compound" out of its description',
            )
            asked, answers = [wanted], (reply,)  # if that is no reading either, it is told as such
        elif status is not None:
            try:
                self._events = (self._events or 0) | self._register(status, answers[0 if is_first else -1])
            except OutOfStepError as error:
                fault = error
        if fault is not None and len(questions) > 1:
            raise fault
        self._ahead = dict(zip(asked, answers, strict=False))
        try:
            yield
        finally:
            self._ahead = {}
        if fault is not None:
            raise fault

    def send_at_once(self, *commands: str) -> tuple[str, ...]:
        """Send commands and wait for nothing; returns what had come late before. Raises InstrumentError."""
        late = self.session.write_at_once(*commands)
        self.session.is_suspect |= self.description.acknowledge is not None
        return late

    def ask(self, command: str) -> str:
        """The reply to a query; a reply that the description calls a refusal is an InstrumentError."""
        reply = self._answer(command)
        if fits(self._refusal, reply):
            raise InstrumentError(
                f'refused: "{shortened(reply.strip())}"',
                where=self.session.where,
                command=self.session.masked(command),
                reply=reply,
                todo="look up the refusal in the manual of the instrument",
            )
        return reply

    def _answer(self, command: str) -> str:
        """What came ahead, once; else it is asked now."""
        found = self._ahead.pop(command, None)
        return self.session.query(command) if found is None else found

    def ask_number(self, command: str, pattern: re.Pattern[str]) -> scpi.Taken:
        """The number that answers a query about the instrument itself; raises OutOfStepError if it is none."""
        try:
            return scpi.taken(self.ask(command), pattern, where=self.session.where, command=command)
        except NoReadingError as error:
            raise self.out_of_step(command, error.reply, allowed="a number") from error

    def check_errors(self, *, after: str = "") -> None:
        """Empty the error queue; raises InstrumentError with what was in it."""
        query = self.description.error_query
        if query is None:
            return
        found: list[str] = []
        for _ in range(_MOST_ERRORS):
            reply = self._answer(query.ask).strip()
            rest = reply.removeprefix("+").removeprefix(query.none)
            if rest != reply.removeprefix("+") and not rest[:1].isalnum():  # 0 is none, 01 is not
                break
            try:
                found.append(self._entry(reply, query))
            except OutOfStepError:
                self.session.is_suspect = True
                raise
        if found:
            raise InstrumentError(
                f"reports {'; '.join(found)}" + (f" after {after}" if after else ""),
                where=self.session.where,
                command=after,
                reply="; ".join(found),
                todo=self.session.hint or "check the command in the description against the manual of the instrument",
            )

    def _entry(self, reply: str, query: ErrorQuery) -> str:
        """An entry of the error queue as it is shown: in a language of its own as it came."""
        if query.is_own(reply):
            return reply
        code, text = scpi.error_entry(reply, where=self.session.where, command=query.ask)
        return f"{code}, {text}" if text else str(code)

    def _register(self, ask: str, reply: str) -> int:
        if not _REGISTER.fullmatch(reply) or int(reply) > _LARGEST_REGISTER:
            raise self.out_of_step(ask, reply, allowed="a whole number from 0 to 255")
        return int(reply)

    def out_of_step(self, command: str, reply: str, *, allowed: str) -> OutOfStepError:
        """The error of a reply that answers another question; the line is suspect from here on."""
        self.session.is_suspect = True
        return OutOfStepError(
            f'{command} was answered by something else, "{shortened(reply.strip())}"',
            where=self.session.where,
            command=command,
            reply=reply,
            allowed=allowed,
            todo="check the command in the description",
        )


def fits(pattern: re.Pattern[str], reply: str) -> bool:
    """True if a whole reply, which may not be long, is a word of a pattern."""
    return len(reply) <= LONGEST_WORD and pattern.fullmatch(reply.strip()) is not None


def _joined(messages: Sequence[str]) -> str:
    """Commands and questions as one message, each from the root of the tree of commands.

    Source: SCPI-1999, volume 1, 6.2.4 (from memory): a common command leaves the node, ":" goes to the root.
    """
    first, *others = messages
    return first + "".join(f";{each}" if each[:1] in {"*", ":"} else f";:{each}" for each in others)
