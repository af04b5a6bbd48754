"""All that a run may ask of an instrument and of a person; drivers, keyed instruments and tests fulfil it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

from instruments.entry import Doubting
from instruments.functions import RangeEntry
from instruments.units import Quantity

__all__ = ["Operator", "Question", "Receiver", "Sample", "Source"]


@dataclass(frozen=True, slots=True)
class Sample:
    """One value as an instrument gave it: in the unit it was asked for, when, and the reply as received.

    `warning` is what the instrument says of it that makes it no worse, such as "battery low"; `instead_of` what a
    person keyed first.
    """

    value: float
    at_s: float
    raw: str
    warning: str = ""
    instead_of: "Sample | None" = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a person is asked.

    Args:
        kind: "caution" or "confirm" (answered "yes" or "no"), "go on" (the same, asked only of who is there), "set"
            (done when answered), "reading" (a number), "text" (any line).
        text: the question; on lines above it why it is asked again.
        unit: of the number, for a reading.
        expected: what the number should be near; None = nothing known.
        plausible: half width around `expected` beyond which the answer may be questioned; None = any number will do.
    """

    kind: Literal["caution", "confirm", "go on", "set", "reading", "text"]
    text: str
    unit: str = ""
    expected: float | None = None
    plausible: float | None = None


class Operator(Protocol):
    """Answers questions: a person at a terminal or a page, or a test."""

    def ask(self, question: Question) -> str:
        """The answer as typed; raises StoppedError if the person stops the run, AbsentError if unattended."""


def said_safe(name: str, level: str, *, is_proved: bool) -> str:
    """What is said of a source that was made safe; nothing else says so."""
    if is_proved:
        return f"{name} is at its safe level, {level}"
    return f"{name} was told to go to its safe level, {level}, and off: told, not proved"


class Source(Protocol):
    """Sets a level at a tap; `proves_safe` if it can tell that it is at its safe level, which else it is told only."""

    function: str
    is_keyed: bool
    safe_level: Quantity
    went_off: bool  # its output went off by itself since it was energised, or may have

    @property
    def name(self) -> str:
        """Of the instrument on the bench."""

    @property
    def proves_safe(self) -> bool:
        """It can tell that it is at its safe level and off."""

    def select(self, entry: RangeEntry) -> None:
        """Take the range; the output is off."""

    def energise(self) -> None:
        """Switch the output on at the level set last."""

    def set(self, level: Quantity) -> None:
        """Set a level; raises LimitError outside the limits, InstrumentError if it was not done."""

    def wait_stable(self, look: Callable[[], None]) -> bool:
        """Wait until it stands at its level, where it can tell; True if there was anything to wait for.

        Args:
            look: called between two questions; what it raises ends the wait.

        Raises:
            InstrumentError: it does not come to stand in the time that its description gives.
        """

    def make_safe(self) -> None:
        """Bring the output to its safe level; raises UnsafeError if that cannot be proved."""

    def tell_off(self) -> None:
        """Send the safe level and off, and wait for nothing; proof is for `make_safe` and `recover`. Raises nothing."""

    def check(self, *, closely: bool = False) -> None:
        """Raises PowerCycledError if the output no longer stands as it was set; silent where it is not known.

        Args:
            closely: look at everything that can be asked, whatever else would tell.
        """

    def recover(self) -> bool:
        """After touch was lost: back on its line and identified, the output not moved; raises InstrumentError.

        Returns:
            True if the output had to be given up: it is safe and off, to be set and energised again.
        """


class Receiver(Protocol):
    """Reads the level at a tap."""

    name: str
    function: str
    is_keyed: bool

    def select(self, entry: RangeEntry, unit: str) -> None:
        """Take function and range, throw away what must be; readings come in `unit` from then on."""

    def read(self, *, expected: float | None = None, doubt: Doubting | None = None) -> Sample:
        """One reading.

        Args:
            expected: what the value should be near, in the unit selected; a person's entry is held against it.
            doubt: of a person's entry; what it raises is asked about at once. None = by distance alone.

        Raises:
            NoReadingError: overload, not a number, empty or garbled.
            CommunicationLostError: no answer, or no connection; `recover`.
        """

    def check(self) -> None:
        """Raises PowerCycledError if the instrument has lost its settings; silent where it cannot tell."""

    def take_correction(self) -> Sample | None:
        """What a person entered again for a reading before, each once; None if nothing, or where nobody enters."""

    def wider(self) -> RangeEntry | None:
        """The next wider range; None at the widest."""

    def recover(self) -> None:
        """After communication was lost: back on its line, identified, set up again; raises InstrumentError."""
