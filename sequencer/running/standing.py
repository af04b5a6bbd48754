"""What a run does while the input is left as it stands: asks the operator, or lets time pass."""

from collections.abc import Callable

from instruments.clock import Clock
from instruments.entry import entry
from instruments.errors import InputError, StoppedError
from instruments.prompts import NOTHING_BEFORE, ask, yes_or_no
from instruments.roles import Operator, Question
from instruments.texts import visible
from sequencer.inputs.answers import Picture
from sequencer.inputs.step import Setpoint
from sequencer.planning.plan import Point
from sequencer.running.events import Answered, Waited
from sequencer.running.logbook import Logbook

__all__ = ["answer_asked_for", "wait_asked_for"]

_TOLD_EVERY_S = 1.0
_LOOK_EVERY_S = 10.0  # at the source
_LONGEST_N = 1000  # characters of an answer


def answer_asked_for(point: Point, operator: Operator, log: Logbook, *, picture: Picture | None) -> None:
    """Ask what a step asks until it is answered, and keep the answer.

    Raises:
        StoppedError: what was to be confirmed was answered with no, or somebody stopped.
        AbsentError: unattended.
    """
    setpoint = point.setpoint
    text = setpoint.ask if picture is None else f"picture: {picture.path}\n{setpoint.ask}"
    within = f" in {setpoint.unit}" if setpoint.unit else ""
    if setpoint.answer == "yes":
        if not yes_or_no(operator, Question(kind="confirm", text=text)):
            raise StoppedError(f"answered with no: {setpoint.ask}", todo="run again once it is so")
        answer, value = "yes", None
    elif setpoint.answer == "number":
        answer, value = ask(
            operator,
            Question(kind="reading", text=text + within, unit=setpoint.unit),
            allowed=f"a number{within}",
            understood=lambda typed: (typed, _number(typed, setpoint)),
            back=lambda: NOTHING_BEFORE,
        )
    else:
        answer = ask(
            operator,
            Question(kind="text", text=text),
            allowed=f"a line of at most {_LONGEST_N} characters",
            understood=lambda typed: visible(typed) if 0 < len(typed) <= _LONGEST_N else None,
            back=lambda: NOTHING_BEFORE,
        )
        value = None
    log.note("answer", step=point.step, text=setpoint.ask, answer=answer, value=value, unit=setpoint.unit)
    log.tell(Answered(point=point, answer=answer))


def _number(typed: str, setpoint: Setpoint) -> float:
    if setpoint.unit:
        return entry(typed, setpoint.unit)
    try:
        return entry(typed, "dimensionless")
    except InputError as error:
        raise InputError(f'"{visible(typed[:30])}" is no number') from error


def wait_asked_for(point: Point, log: Logbook, clock: Clock, *, look: Callable[[], None]) -> None:
    """Let time pass, told once a second; a stop that was asked for comes in between.

    Args:
        point: where.
        log: of the run.
        clock: of the bench.
        look: called now and then; raises what is wrong with the source.
    """
    setpoint = point.setpoint
    until_s = clock.now() + setpoint.lasts_s
    looked_s = clock.now()
    while (left_s := until_s - clock.now()) > 0:
        log.check_stop()
        log.tell(Waited(point=point, left_s=left_s))
        if clock.now() - looked_s >= _LOOK_EVERY_S:
            look()
            looked_s = clock.now()
        clock.sleep(min(until_s - clock.now(), _TOLD_EVERY_S))
    because = f": {setpoint.because}" if setpoint.because else ""
    log.note("remark", text=f"waited {setpoint.lasts_s:g} s{because}")
    log.tell(Waited(point=point, left_s=0.0))
