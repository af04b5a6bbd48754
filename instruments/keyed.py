"""An instrument that a person sets or reads: hand-held meters are full instruments, their interface is a question.

An entry far from what is expected is asked about, never changed. The entry before can be corrected at every prompt:
"back". A wrong key is asked about again (`prompts`).
"""

from collections.abc import Callable
from functools import partial
from typing import Self

from instruments.clock import Clock
from instruments.entry import OVERLOAD, Doubt, Doubting, entry
from instruments.errors import AbsentError, LimitError, LivezeroError, NoReadingError, StoppedError, UnsafeError
from instruments.functions import Function, RangeEntry
from instruments.prompts import DONE, NO, NOTHING_BEFORE, YES, ask
from instruments.roles import Operator, Question, Sample
from instruments.texts import without_rest
from instruments.units import Quantity, Span, magnitude, show

__all__ = ["KeyedReceiver", "KeyedSource", "Person"]

_PLAUSIBLE_OF_RANGE = 0.02
_AS_IT_WAS = "the entry before stays as it was"


class Person:
    """Who serves the hand-held instruments of one bench: an operator, and what "back" goes back to.

    Args:
        operator: whom to ask.
    """

    def __init__(self, operator: Operator) -> None:
        self._operator = operator
        self.correct: Callable[[], str] | None = None  # the reading before
        self.set_again: Callable[[], str] | None = None  # what was set before, as long as nothing was read

    @classmethod
    def of(cls, operator: "Operator | Person") -> Self:
        """The person that an operator is, or stands for."""
        return operator if isinstance(operator, cls) else cls(operator)

    def ask(self, question: Question) -> str:
        """Ask the operator."""
        return self._operator.ask(question)

    def back(self) -> str:
        """Ask for the entry before again, at whatever meter it was read; returns what became of it.

        Before the first reading it is what was to be set that is asked for again.
        """
        again = self.correct or self.set_again
        return NOTHING_BEFORE if again is None else again()


class KeyedSource:
    """A source that a person sets.

    Args:
        name: of the instrument on the bench.
        function: name of the function in its description.
        limits: ranges, each with its reason, outside of which nothing is asked for.
        safe_level: what the person is asked to leave it at.
        operator: whom to ask.
    """

    is_keyed = True
    proves_safe = True  # the person says so
    went_off = False

    def __init__(
        self,
        *,
        name: str,
        function: str,
        limits: tuple[tuple[str, Span], ...],
        safe_level: Quantity,
        operator: Operator,
    ) -> None:
        self.name = name
        self.function = function
        self.safe_level = safe_level
        self._limits = limits
        self._person = Person.of(operator)
        self._touched = False
        self._stands_at: Quantity | None = None  # what the person said is set

    def select(self, entry: RangeEntry) -> None:
        """Nothing to select: the person knows the knob."""

    def energise(self) -> None:
        """Ask for the output to be switched on."""
        self._touched = True
        self._done(f"Switch the output of {self.name} on")

    def set(self, level: Quantity) -> None:
        """Ask for a level, unless it is set already; raises LimitError outside the limits, before anything is asked."""
        for reason, limit in self._limits:
            if not limit.holds(magnitude(level, limit.unit, where=self.name)):
                raise LimitError(
                    f"{show(level)} refused: outside the {reason}",
                    where=self.name,
                    allowed=str(limit),
                    todo="correct the setpoints, or the limits in bench file or type sheet",
                )
        if self._stands_at is not None and bool(self._stands_at == level):
            return
        self._touched, self._stands_at = True, None
        self._done(f"Set {self.name} to {show(level)}")
        self._stands_at = level

    def _done(self, text: str) -> None:
        """Ask for something until it was done; raises StoppedError if the person stops, or is not there."""
        before = self._person.set_again

        def asked_again() -> str:
            self._person.set_again = before  # "back" in it goes one further back
            self._done(text)
            return ""

        ask(
            self._person,
            Question(kind="set", text=text),
            allowed="Enter when done",
            understood=lambda typed: typed.casefold() in DONE or None,
            back=self._person.back,
        )
        self._person.set_again = asked_again

    def left_by_others(self) -> None:
        """A run that was cut off may have left it on: making safe asks for it, though nothing was set here."""
        self._touched = True

    def make_safe(self) -> None:
        """Ask for the safe level; raises UnsafeError if nobody answers. Not asked if nothing was ever set.

        It cannot be stopped: what stops a run leads here.
        """
        if not self._touched:
            return
        self._person.set_again = self._stands_at = None  # nothing is set on the way out
        text = f"Make {self.name} safe: set {show(self.safe_level)} and switch the output off"
        meanings = dict.fromkeys(DONE, True) | dict.fromkeys(NO, False)
        try:
            is_safe = ask(
                self._person,
                Question(kind="set", text=text),
                allowed="Enter when done, no if it cannot be done",
                understood=lambda typed: meanings.get(typed.casefold()),
                back=self._back_on_the_way_out,
                can_stop=False,
            )
        except (LivezeroError, KeyboardInterrupt, EOFError) as error:
            raise self._unsafe(f"it was not confirmed that {self.name} is") from error
        if not is_safe:
            raise self._unsafe(f"the operator could not bring {self.name} to be")
        self._touched = False

    def _unsafe(self, what: str) -> UnsafeError:
        level = show(self.safe_level)
        return UnsafeError(f"{what} at its safe level of {level}", where=self.name, todo="switch it off by hand, now")

    def _back_on_the_way_out(self) -> str:
        try:
            return self._person.back()
        except AbsentError:
            raise
        except StoppedError:
            return _AS_IT_WAS

    def check(self, *, closely: bool = False) -> None:
        """A person keeps no settings that could be lost."""

    def wait_stable(self, look: Callable[[], None]) -> bool:  # noqa: ARG002
        """False: a person says that it is set once it stands."""
        return False

    def tell_off(self) -> None:
        """Nothing to send; a person is asked when it is made safe."""

    def recover(self) -> bool:
        """Nothing to recover."""
        return False


def _doubted(found: Doubt) -> Question:
    return Question(kind="confirm", text=f"{found.text} Is that what the meter shows?")


class KeyedReceiver:
    """A meter that a person reads.

    Args:
        name: of the instrument on the bench.
        function: name of the function in its description.
        spec: that function.
        tap: where it reads, for the question.
        operator: whom to ask.
        clock: gives the time of each entry.
    """

    is_keyed = True

    def __init__(self, *, name: str, function: str, spec: Function, tap: str, operator: Operator, clock: Clock) -> None:
        self.name = name
        self.function = function
        self._spec = spec
        self._tap = tap
        self._person = Person.of(operator)
        self._clock = clock
        self._unit = spec.unit
        self._plausible = _PLAUSIBLE_OF_RANGE * spec.ranges[0].range.within(spec.unit).width
        self._correction: Sample | None = None

    def select(self, entry: RangeEntry, unit: str) -> None:
        """Take the unit, and the range for the plausibility of entries."""
        self._unit = unit
        self._plausible = _PLAUSIBLE_OF_RANGE * entry.range.within(unit).width

    def read(self, *, expected: float | None = None, doubt: Doubting | None = None) -> Sample:
        """The number that a person reads; "back" corrects the entry before first, "OL" is an overload."""
        doubted = doubt or (lambda value, _: self._far(value, expected))
        sample = self._entry(expected, doubted)
        if sample is None:  # nor would what is keyed next belong to the entry before
            self._person.correct = self._person.set_again = None
            raise NoReadingError("overload", where=self.name, command=self._question(expected).text, reply="OL")
        self._person.correct = partial(self._correct, expected, doubted)
        self._person.set_again = None
        return sample

    def _correct(self, expected: float | None, doubt: Doubting) -> str:
        corrected = self._entry(expected, doubt, again=True)
        if corrected is None:
            return _AS_IT_WAS
        self._correction = corrected
        return f"the entry before is {corrected.raw} now"

    def _question(self, expected: float | None, *, again: bool = False) -> Question:
        which = "Entry before, of" if again else "Reading of"
        text = f"{which} {self.name} at {self._tap}, in {self._unit}"
        return Question(kind="reading", text=text, unit=self._unit, expected=expected, plausible=self._plausible)

    def _entry(self, expected: float | None, doubt: Doubting, *, again: bool = False) -> Sample | None:
        """One entry, asked for until it is a number without doubt, or insisted on.

        Args:
            expected: what it should be near.
            doubt: what is doubted of it.
            again: it corrects the entry before, which "back" leaves as it was; else "OL" is an overload.

        Returns:
            The entry; None for "back" or "OL".
        """
        no_number = {"back"} if again else OVERLOAD
        number = "a number" if again else "a number, OL"

        def is_entry(typed: str) -> str | None:
            if typed.casefold() not in no_number:
                entry(typed, self._unit)
            return typed

        def is_confirmed(typed: str) -> str | None:
            return typed if typed.casefold() in YES | NO else is_entry(typed)

        question, back, typed = self._question(expected, again=again), None if again else self._person.back, ""
        while True:
            typed = typed or ask(self._person, question, allowed=number, understood=is_entry, back=back)
            if typed.casefold() in no_number:
                return None
            value = entry(typed, self._unit)
            found = doubt(value, typed)
            said = typed
            if found is not None:
                allowed = f"yes, no, {number}"
                said = ask(self._person, _doubted(found), allowed=allowed, understood=is_confirmed, back=back)
            if said == typed or said.casefold() in YES:
                return Sample(value, self._clock.now(), typed)
            typed = "" if said.casefold() in NO else said  # what the meter shows may be keyed at once

    def _far(self, value: float, expected: float | None) -> Doubt | None:
        if expected is None or abs(value - expected) <= self._plausible:
            return None
        near = without_rest(expected)
        return Doubt(
            kind="far",
            text=f"{value:g} {self._unit} is {value - near:+.4g} {self._unit} from the {near:g} expected.",
        )

    def check(self) -> None:
        """A person keeps no settings that could be lost."""

    def take_correction(self) -> Sample | None:
        """What was entered again for the reading before, once."""
        correction, self._correction = self._correction, None
        return correction

    def wider(self) -> RangeEntry | None:
        """None: the person chooses the range."""
        return None

    def recover(self) -> None:
        """Nothing to recover."""
