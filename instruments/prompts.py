"""How a person is asked: again and again, until the answer is one that can be typed there.

No wrong key ends anything: "?" says what can be typed, "back" goes back to the entry before, and only "stop" stops.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from instruments.errors import InputError, StoppedError
from instruments.roles import Operator, Question

__all__ = ["DONE", "NO", "NOTHING_BEFORE", "YES", "ask", "yes_or_no"]

YES = frozenset({"y", "yes"})
NO = frozenset({"n", "no"})
DONE = YES | {"", "done", "ok"}
"""What says that something asked for was done."""
NOTHING_BEFORE = "nothing was set or read before this to go back to"
_SHOWN_N = 30

Answer = TypeVar("Answer")


def ask(
    operator: Operator,
    question: Question,
    *,
    allowed: str,
    understood: Callable[[str], Answer | None],
    back: Callable[[], str] | None = None,
    can_stop: bool = True,
) -> Answer:
    """Ask until the answer means something; what was wrong with the one before stands on a line above the question.

    Args:
        operator: whom to ask.
        question: what is asked.
        allowed: what can be typed, beside the words that do at every prompt: "Enter when done".
        understood: the meaning of an answer without blanks around it; None where it has none here, or raises
            InputError that says why.
        back: goes back to the entry before, and returns what is said of it; None = `understood` takes "back".
        can_stop: "stop" stops.

    Raises:
        StoppedError: "stop" was typed.
        AbsentError: unattended.
    """
    can_be_typed = f"type {allowed}, back, ?, or stop" if can_stop else f"type {allowed}, back, or ?"
    said = ""
    while True:
        typed = operator.ask(replace(question, text=f"{said}\n{question.text}" if said else question.text)).strip()
        word = typed.casefold()
        if word == "stop" and can_stop:
            raise StoppedError(f'stopped by the operator at "{question.text}"')
        if word == "?":
            said = can_be_typed
        elif word == "back" and back is not None:
            said = back()
        else:
            shown = f'"{typed[:_SHOWN_N]}{"..." if len(typed) > _SHOWN_N else ""}"' if typed else "an empty line"
            try:
                answer = understood(typed)
            except InputError as error:
                answer, shown = None, error.what if typed else shown
            if answer is not None:
                return answer
            said = f"{shown}: {can_be_typed}"


def yes_or_no(operator: Operator, question: Question, *, back: Callable[[], str] = lambda: NOTHING_BEFORE) -> bool:
    """Ask until the answer is yes or no; raises as `ask`."""
    meanings = dict.fromkeys(YES, True) | dict.fromkeys(NO, False)
    return ask(
        operator, question, allowed="yes, no", understood=lambda typed: meanings.get(typed.casefold()), back=back
    )
