"""An instrument that a person sets or reads: hand-held meters are full instruments, their interface is a question.

An entry far from what is expected is asked about, never changed. The entries before can be corrected at every prompt,
one after the other: "back", as far back as the part of the run that goes on. A wrong key is asked about again
(`prompts`).
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Self

from instruments.clock import Clock
from instruments.entry import OVERLOAD, Doubt, Doubting, entry
from instruments.errors import LimitError, LivezeroError, NoReadingError, UnsafeError
from instruments.functions import Function, RangeEntry
from instruments.interrupts import Insistent
from instruments.prompts import DONE, NO, NOTHING_BEFORE, YES, ask, ask_safe
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
        self.part = 0  # of the run, such as a traverse: no entry of another one is gone back to once one is read in it
        self._entries: list[tuple[int, _Entry]] = []  # with the part of each
        self.set_again: Callable[[], str] | None = None  # what was set before, as long as nothing was read
        self.left_by = ""  # the signal by which they left an output that was not made safe

    @classmethod
    def of(cls, operator: "Operator | Person") -> Self:
        """The person that an operator is, or stands for."""
        return operator if isinstance(operator, cls) else cls(operator)

    def ask(self, question: Question) -> str:
        """Ask the operator."""
        return self._operator.ask(question)

    def made_safe(self, question: Question, insistent: Insistent) -> bool:
        """Whether an output could be made safe; who has left is asked no more. Raises as `ask_safe`."""
        try:
            if not self.left_by:
                return ask_safe(self._operator, question, insistent)
        except KeyboardInterrupt as stopped:
            self.left_by = str(stopped.args[0]) if stopped.args else "Ctrl-C"
            raise
        raise KeyboardInterrupt(self.left_by)

    def read(self, entry: "_Entry") -> None:
        """Keep what was read, for "back"."""
        self._entries = [*(each for each in self._entries if each[0] == self.part), (self.part, entry)]
        self.set_again = None

    def forget(self) -> None:
        """Nothing was read or set that "back" could go to."""
        self._entries, self.set_again = [], None

    def back(self) -> str:
        """Ask for the entry before again, at whatever meter it was read; returns what became of it.

        "back" in that goes to the one before it. Before the first reading it is what was to be set that is asked for.
        """
        if not self._entries:
            return NOTHING_BEFORE if self.set_again is None else self.set_again()
        depth, said = 1, ""
        while (became := self._entries[-depth][1].correct(depth, said)) is None:
            said = NOTHING_BEFORE if depth == len(self._entries) else ""
            depth = min(depth + 1, len(self._entries))
        return became


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
        """Ask for the safe level; raises UnsafeError if nobody answers. Not asked if nothing was ever set."""
        if not self._touched:
            return
        self._person.set_again = self._stands_at = None  # nothing is set on the way out
        text = f"Make {self.name} safe: set {show(self.safe_level)} and switch the output off"
        insistent = Insistent()
        try:
            is_safe = self._person.made_safe(Question(kind="set", text=text), insistent)
        except (LivezeroError, KeyboardInterrupt, EOFError) as error:
            raise self._unsafe(f"it was not confirmed that {self.name} is") from error
        if not is_safe:
            raise self._unsafe(f"the operator could not bring {self.name} to be")
        self._touched = False
        insistent.counts_now()

    def _unsafe(self, what: str) -> UnsafeError:
        level = show(self.safe_level)
        return UnsafeError(f"{what} at its safe level of {level}", where=self.name, todo="switch it off by hand, now")

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


class _Entry:
    """A reading as a person typed it, which can be typed again."""

    def __init__(self, receiver: "KeyedReceiver", sample: Sample, expected: float | None, doubt: Doubting) -> None:
        self._receiver = receiver
        self._sample = sample
        self._expected = expected
        self._doubt = doubt

    def correct(self, depth: int, said: str) -> str | None:
        """Ask for it again; returns what became of it, None for "back".

        Args:
            depth: how many entries back it is.
            said: shown above.
        """
        raw = self._sample.raw
        which = f"Entry before, {raw}," if depth == 1 else f"{depth} entries before, {raw},"
        typed = self._receiver.entry(self._expected, self._doubt, which=which, said=said)
        if isinstance(typed, str):
            return None if typed else _AS_IT_WAS
        self._sample = replace(typed, instead_of=self._sample)
        self._receiver.corrections.append(self._sample)
        return f"{raw} is {typed.raw} now"


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
        self.corrections: list[Sample] = []

    def select(self, entry: RangeEntry, unit: str) -> None:
        """Take the unit, and the range for the plausibility of entries."""
        self._unit = unit
        self._plausible = _PLAUSIBLE_OF_RANGE * entry.range.within(unit).width

    def read(self, *, expected: float | None = None, doubt: Doubting | None = None) -> Sample:
        """The number that a person reads; "back" corrects entries before first, "OL" is an overload."""
        doubted = doubt or (lambda value, _: self._far(value, expected))
        sample = self.entry(expected, doubted)
        if isinstance(sample, str):  # nor would what is keyed next belong to the entry before
            self._person.forget()
            raise NoReadingError("overload", where=self.name, command=self._question(expected).text, reply="OL")
        self._person.read(_Entry(self, sample, expected, doubted))
        return sample

    def _question(self, expected: float | None, *, which: str = "Reading") -> Question:
        text = f"{which} of {self.name} at {self._tap}, in {self._unit}"
        return Question(kind="reading", text=text, unit=self._unit, expected=expected, plausible=self._plausible)

    def entry(self, expected: float | None, doubt: Doubting, *, which: str = "", said: str = "") -> Sample | str:
        """One entry, asked for until it is a number without doubt, or insisted on.

        Args:
            expected: what it should be near.
            doubt: what is doubted of it.
            which: of those before it corrects, in words: an empty line leaves that as it was, "back" goes to the one
                before it. "" = it is a new one, and "OL" is an overload.
            said: shown above the question.

        Returns:
            The entry; the word that stands for none.
        """
        again = bool(which)
        no_number = frozenset({"back", ""}) if again else OVERLOAD
        number = "a number, Enter to leave it" if again else "a number, OL"

        def is_entry(typed: str) -> str | None:
            if typed.casefold() not in no_number:
                entry(typed, self._unit)
            return typed

        def is_confirmed(typed: str) -> str | None:
            return typed if typed.casefold() in YES | NO else is_entry(typed)

        question = self._question(expected, which=which) if which else self._question(expected)
        if said:
            question = replace(question, text=f"{said}\n{question.text}")
        back, typed = None if again else self._person.back, ""
        while True:
            typed = typed or ask(self._person, question, allowed=number, understood=is_entry, back=back)
            if typed.casefold() in no_number:
                return typed.casefold()
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

    def part_begins(self, number: int) -> None:
        """Entries before are corrected no more once there is one of this part of a run."""
        self._person.part = number

    def check(self) -> None:
        """A person keeps no settings that could be lost."""

    def take_correction(self) -> Sample | None:
        """What was entered again for a reading before, each once, in the order typed."""
        return self.corrections.pop(0) if self.corrections else None

    def wider(self) -> RangeEntry | None:
        """None: the person chooses the range."""
        return None

    def recover(self) -> None:
        """Nothing to recover."""
