"""What stands before energising, and what stops a run: confirmed cautions, Ctrl-C, SIGTERM."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from instruments.errors import AbsentError, StoppedError
from instruments.interrupts import handled, undisturbed
from instruments.prompts import NOTHING_BEFORE, yes_or_no
from instruments.roles import Operator, Question

__all__ = ["Stop", "ask_first", "confirm", "confirm_again", "signals_stop", "undisturbed"]


def confirm(cautions: tuple[str, ...], operator: Operator) -> None:
    """Ask for each caution until it is answered with yes; "back" goes back to the one before.

    Raises:
        StoppedError: one was answered with no, or somebody stopped.
        AbsentError: unattended.
    """
    for number in range(len(cautions)):
        _confirm_one(cautions, number, operator)


def _confirm_one(cautions: tuple[str, ...], number: int, operator: Operator) -> None:
    def back() -> str:
        if number == 0:
            return NOTHING_BEFORE
        _confirm_one(cautions, number - 1, operator)
        return ""

    text = f"Caution {number + 1} of {len(cautions)}: {cautions[number]} Confirmed?"
    if not yes_or_no(operator, Question(kind="caution", text=text), back=back):
        raise StoppedError(
            f"caution {number + 1} was not confirmed, so nothing was energised", todo="correct this, then run again"
        )


def ask_first(text: str, operator: Operator) -> None:
    """Ask for what a person has to do before a point is visited, until it is answered with yes.

    Raises:
        StoppedError: the answer is no, or somebody stopped.
        AbsentError: unattended.
    """
    if not yes_or_no(operator, Question(kind="confirm", text=text)):
        raise StoppedError(f"answered with no: {text}", todo="run again once it can be done")


def confirm_again(source: str, operator: Operator) -> None:
    """Ask before an output that went off by itself is energised again.

    Raises:
        StoppedError: the answer is no, or somebody stopped.
        AbsentError: unattended.

    Somebody may have switched it off because of what it drives. So it is no caution, which could be confirmed
    beforehand: an unexpected start needs a person (ISO 12100:2010, 6.2.11.4, from memory).
    """
    text = f"The output of {source} went off by itself. Is everybody clear of what it drives? Energise it again?"
    try:
        may_be = yes_or_no(operator, Question(kind="confirm", text=text))
    except AbsentError as error:
        raise AbsentError(
            f"the output of {source} went off by itself, and no operator is present to confirm energising it again",
            todo="find out why it went off, and who is at what it drives; --confirm does not stand for that",
        ) from error
    if not may_be:
        raise StoppedError(
            f"the output of {source} went off, and was not to be energised again",
            todo="find out why it went off, and who is at what it drives",
        )


class Stop:
    """The signal that asked a run to stop; `name` is "" while there was none."""

    name = ""

    def check_stop(self) -> None:
        """Raise KeyboardInterrupt if a stop was asked for: what the signal raised may have been caught by others."""
        if self.name:
            raise KeyboardInterrupt(self.name)


@contextmanager
def signals_stop() -> Iterator[Stop]:
    """Within this, Ctrl-C, SIGTERM or a closed window raises KeyboardInterrupt once; outside the main thread never.

    Once, since a second one could come between the first and the safe level.
    """
    stop = Stop()

    def asked(number: int, frame: FrameType | None) -> None:
        del frame
        if not stop.name:
            stop.name = "Ctrl-C" if number == signal.SIGINT else signal.Signals(number).name
            raise KeyboardInterrupt(stop.name)

    with handled(asked):
        yield stop
