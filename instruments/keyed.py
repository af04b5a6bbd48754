"""An instrument that a person sets or reads: hand-held meters are full instruments, their interface is a question.

An entry far from what is expected is asked about, never changed. The entry before can be corrected: "back".
"""

import re

from instruments.clock import Clock
from instruments.description import Function, RangeEntry
from instruments.errors import InputError, LimitError, LivezeroError, NoReadingError, StoppedError, UnsafeError
from instruments.roles import Doubt, Doubting, Operator, Question, Sample
from instruments.texts import without_rest
from instruments.units import Quantity, Span, is_alike, magnitude, quantity, show, without_conversion_rest

__all__ = ["OVERLOAD", "KeyedReceiver", "KeyedSource", "entry"]

_PLAUSIBLE_OF_RANGE = 0.02
_BARE = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
# Between thousands: blanks (plain, thin, no-break) and apostrophes.
_BETWEEN = " \N{THIN SPACE}\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}'\N{RIGHT SINGLE QUOTATION MARK}"
_GROUPED = re.compile(rf"[+-]?[0-9]{{1,3}}(?:[{_BETWEEN}][0-9]{{3}})+(?![0-9])")
OVERLOAD = {"ol", "o.l", "o.l.", "0l", "0.l", "overload"}  # as displays show it
_YES = {"y", "yes"}
_NO = {"n", "no"}
_DONE = {*_YES, "done", "ok"}


def entry(text: str, unit: str) -> float:
    """The number that a person typed, with or without its unit; a single comma is taken for the decimal point.

    Thousands may be divided by blanks or apostrophes ("12 050", "12'050"), not by points or commas.

    Raises:
        InputError: no number, or a unit of another dimension.
    """
    typed = text.strip()
    if grouped := _GROUPED.match(typed):
        typed = re.sub(r"[^0-9+-]", "", grouped[0]) + typed[grouped.end() :]
    if typed.count(",") == 1 and "." not in typed:
        typed = typed.replace(",", ".")
    if _BARE.fullmatch(typed):
        typed = f"{typed} {unit}"
    level = quantity(typed, like=unit)
    value = magnitude(level, unit)
    if value == level.magnitude:  # in the unit asked for: to the last digit as it was typed
        return value
    return without_conversion_rest(value, is_temperature=is_alike(unit, "K"))


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
        self._operator = operator
        self._touched = False

    def select(self, entry: RangeEntry) -> None:
        """Nothing to select: the person knows the knob."""

    def energise(self) -> None:
        """Ask for the output to be switched on."""
        self._touched = True
        self._done(f"Switch the output of {self.name} on")

    def set(self, level: Quantity) -> None:
        """Ask for a level; raises LimitError outside the limits, before anything is asked."""
        for reason, limit in self._limits:
            if not limit.holds(magnitude(level, limit.unit, where=self.name)):
                raise LimitError(
                    f"{show(level)} refused: outside the {reason}",
                    where=self.name,
                    allowed=str(limit),
                    todo="correct the setpoints, or the limits in bench file or type sheet",
                )
        self._touched = True
        self._done(f"Set {self.name} to {show(level)}")

    def _done(self, text: str) -> None:
        """Ask for something to be done; raises StoppedError unless it was."""
        answer = self._operator.ask(Question(kind="set", text=text)).strip().casefold()
        if answer and answer not in _DONE:
            raise StoppedError(f'"{text}" was answered "{answer[:40]}"', todo="press Enter once it is done")

    def make_safe(self) -> None:
        """Ask for the safe level; raises UnsafeError if nobody answers. Not asked if nothing was ever set."""
        if not self._touched:
            return
        text = f"Make {self.name} safe: set {show(self.safe_level)} and switch the output off"
        try:
            self._done(text)
        except (LivezeroError, KeyboardInterrupt, EOFError) as error:
            raise UnsafeError(
                f"nobody confirmed that {self.name} is at its safe level of {show(self.safe_level)}",
                where=self.name,
                todo="switch it off by hand, now",
            ) from error
        self._touched = False

    def check(self) -> None:
        """A person keeps no settings that could be lost."""

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
        self._operator = operator
        self._clock = clock
        self._unit = spec.unit
        self._plausible = _PLAUSIBLE_OF_RANGE * spec.ranges[0].range.within(spec.unit).width
        self._before: tuple[Sample, float | None, Doubting] | None = None
        self._correction: Sample | None = None

    def select(self, entry: RangeEntry, unit: str) -> None:
        """Take the unit, and the range for the plausibility of entries."""
        self._unit = unit
        self._plausible = _PLAUSIBLE_OF_RANGE * entry.range.within(unit).width

    def read(self, *, expected: float | None = None, doubt: Doubting | None = None) -> Sample:
        """The number that a person reads; "back" corrects the entry before first, "OL" is an overload."""
        doubted = doubt or (lambda value, _: self._far(value, expected))
        while True:
            sample = self._ask(expected, doubted)
            if sample is not None:
                self._before = (sample, expected, doubted)
                return sample
            if self._before is None:
                continue
            _, its_expected, its_doubt = self._before
            corrected = self._ask(its_expected, its_doubt, again=True)
            if corrected is not None:
                self._correction = corrected
                self._before = (corrected, its_expected, its_doubt)

    def _ask(self, expected: float | None, doubt: Doubting, *, again: bool = False) -> Sample | None:
        """One entry; None if the person typed "back". Asks until it is a number without doubt, or insisted on."""
        which = "the entry before, at" if again else "at"
        text = f"Reading of {self.name} {which} {self._tap}, in {self._unit}"
        remark = answer = ""
        while True:
            if not answer:
                question = Question(
                    kind="reading", text=text + remark, unit=self._unit, expected=expected, plausible=self._plausible
                )
                answer = self._operator.ask(question)
            if answer.strip().casefold() == "back":
                return None
            if answer.strip().casefold() in OVERLOAD:
                raise NoReadingError("overload", where=self.name, command=text, reply=answer)
            try:
                value = entry(answer, self._unit)
            except InputError as error:
                remark, answer = f" ({error.what})", ""
                continue
            found, typed = doubt(value, answer.strip()), answer.strip()
            said = "" if found is None else self._operator.ask(_doubted(found)).strip()
            if found is None or said.casefold() in _YES or said == typed:
                return Sample(value, self._clock.now(), typed)
            remark, answer = "", "" if said.casefold() in _NO else said  # what the meter shows may be keyed at once

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
        """What was entered anew for the reading before, once."""
        correction, self._correction = self._correction, None
        return correction

    def wider(self) -> RangeEntry | None:
        """None: the person chooses the range."""
        return None

    def recover(self) -> None:
        """Nothing to recover."""
