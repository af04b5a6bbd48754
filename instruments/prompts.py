"""How a person is asked: again and again, until the answer is one that can be typed there.

No wrong key ends anything: "?" says what can be typed, "back" goes back to the entry before, and only "stop" stops. An
output that is to be made safe comes before all of that.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from instruments.errors import InputError, StoppedError
from instruments.interrupts import Insistent
from instruments.roles import Operator, Question

__all__ = ["DONE", "NO", "NOTHING_BEFORE", "YES", "ask", "ask_safe", "yes_or_no"]

YES = frozenset({"y", "yes"})
NO = frozenset({"n", "no"})
DONE = YES | {"", "done", "ok"}
"""What says that something asked for was done."""
NOTHING_BEFORE = "nothing was set or read before this to go back to"
_ONCE_MORE = "once more, and you leave; the output is NOT made safe then (exit status 4)"
_CORRECTED_LATER = 'a reading is corrected later, in the sealed record ("livezero correct")'
_SHOWN_N = 30

Answer = TypeVar("Answer")


def ask(
    operator: Operator,
    question: Question,
    *,
    allowed: str,
    understood: Callable[[str], Answer | None],
    back: Callable[[], str] | None = None,
) -> Answer:
    """Ask until the answer means something; what was wrong with the one before stands on a line above the question.

    Args:
        operator: whom to ask.
        question: what is asked.
        allowed: what can be typed, beside the words that do at every prompt: "Enter when done".
        understood: the meaning of an answer without blanks around it; None where it has none here, or raises
            InputError that says why.
        back: goes back to the entry before, and returns what is said of it; None = `understood` takes "back".

    Raises:
        StoppedError: "stop" was typed.
        AbsentError: unattended.
    """
    can_be_typed = f"type {allowed}, back, ?, or stop"
    said = ""
    while True:
        typed = _answer(operator, question, said)
        word = typed.casefold()
        if word == "stop":
            raise StoppedError(f'stopped by the operator at "{question.text}"')
        if word == "?":
            said = can_be_typed
        elif word == "back" and back is not None:
            said = back()
        else:
            shown = _shown(typed)
            try:
                answer = understood(typed)
            except InputError as error:
                answer, shown = None, error.what if typed else shown
            if answer is not None:
                return answer
            said = f"{shown}: {can_be_typed}"


def ask_safe(operator: Operator, question: Question, insistent: Insistent) -> bool:
    """Ask whether an output was made safe, until it is said: False = it cannot be.

    Nothing has a place before that: neither "back" nor "stop", and the first signal is answered only with what a second
    one does.

    Args:
        operator: whom to ask.
        question: what is asked.
        insistent: takes the signals; it is for the caller to let the first of them count once the output is safe.

    Raises:
        KeyboardInterrupt: the second signal, with its name: the person leaves.
        AbsentError: unattended.
    """
    can_be_typed = "type Enter when done, no if it cannot be done, or ?"
    first = f"the output comes first: {can_be_typed}"
    meanings = dict.fromkeys(DONE, True) | dict.fromkeys(NO, False)
    said, is_warned = "", False
    while True:
        try:
            with insistent.heard():
                typed = _answer(operator, question, said)
        except KeyboardInterrupt as stopped:
            if is_warned:
                raise
            is_warned = True
            said = f"{stopped.args[0] if stopped.args else 'Ctrl-C'}: {_ONCE_MORE}\n{first}"
            continue
        word = typed.casefold()
        if word in meanings:
            return meanings[word]
        if word == "?":
            said = can_be_typed
        elif word == "back":
            said = f"{first}\n{_CORRECTED_LATER}"
        else:
            said = f"{_shown(typed)}: {first if word == 'stop' else can_be_typed}"


def _answer(operator: Operator, question: Question, said: str) -> str:
    """What is typed, without blanks around it; what is said stands above the question."""
    return operator.ask(replace(question, text=f"{said}\n{question.text}" if said else question.text)).strip()


def _shown(typed: str) -> str:
    return f'"{typed[:_SHOWN_N]}{"..." if len(typed) > _SHOWN_N else ""}"' if typed else "an empty line"


def yes_or_no(operator: Operator, question: Question, *, back: Callable[[], str] = lambda: NOTHING_BEFORE) -> bool:
    """Ask until the answer is yes or no; raises as `ask`."""
    meanings = dict.fromkeys(YES, True) | dict.fromkeys(NO, False)
    return ask(
        operator, question, allowed="yes, no", understood=lambda typed: meanings.get(typed.casefold()), back=back
    )
