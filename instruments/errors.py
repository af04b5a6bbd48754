"""Every error a user can meet, cut by what the user does next.

    LivezeroError
    ├── InputError       2   a file, an option or an entry is wrong: correct it
    ├── PlanError        2   the bench cannot do it, or the unit could be harmed: change bench or sequence
    ├── ReadingsError    2   a table of readings cannot be used: correct the table
    ├── RecordError      2   a record is not what it should be
    ├── LimitError       3   a level outside the limits was refused at the set itself
    ├── InstrumentError  3   an instrument did not answer, or answered what cannot be
    │   ├── CommunicationLostError  it may be re-established: cleared, opened again, set up again
    │   │   ├── NoReplyError      no answer within its time: a late one may still come, so the session is suspect
    │   │   ├── OutOfStepError    an answer that cannot be one to what was asked
    │   │   ├── LineLostError     the connection is gone
    │   │   └── PowerCycledError  it was switched off and on, and has lost its settings
    │   ├── WrongInstrumentError  another instrument answers: it is sent nothing
    │   └── NoReadingError   no number: overload, not a number, empty or garbled
    ├── StoppedError   130   somebody stopped the run
    │   └── AbsentError 130  ... or no operator was present to answer
    └── UnsafeError      4   an output could not be made safe: shown first

A fault of livezero itself is none of these, and ends with exit code 70. The exit code belongs to the family; a disk
that is full has one of its own, 3, whatever could not be written. This module does not print and does not know who
shows an error.
"""

import difflib
import errno
from collections.abc import Sequence
from typing import ClassVar

from instruments.texts import visible

__all__ = [
    "AbsentError",
    "CommunicationLostError",
    "InputError",
    "InstrumentError",
    "LimitError",
    "LineLostError",
    "LivezeroError",
    "NoReadingError",
    "NoReplyError",
    "OutOfStepError",
    "OutOfTouchError",
    "PlanError",
    "PowerCycledError",
    "ReadingsError",
    "RecordError",
    "StoppedError",
    "UnsafeError",
    "WrongInstrumentError",
    "nearest",
    "shortened",
    "to_write",
]

_FULL, _DISK_IS_FULL = 3, {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}  # disk, file, share of it
_SHOWN = 60
_LONGEST_WORD = 80  # difflib takes the square of it
_LONGEST = 2000  # of a part of an error: a reply of megabytes would push what is to be done off the screen


def shortened(text: str) -> str:
    """A text as it may stand in an error: 60 letters at most."""
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def nearest(word: str, choices: Sequence[str]) -> str:
    """The choice spelled most like a word, "" if none comes near."""
    spelled = {_spelled(choice): choice for choice in reversed(choices)}
    found = difflib.get_close_matches(_spelled(word[:_LONGEST_WORD]), spelled, n=1, cutoff=0.6)
    return spelled[found[0]] if found else ""


def to_write(texts: Sequence[str]) -> str:
    """What to do where one of these texts belongs; "" if there are none."""
    shown = [f'"{each}"' for each in texts]
    return f"write {' or '.join(filter(None, (', '.join(shown[:-1]), shown[-1])))}" if shown else ""


def _spelled(word: str) -> str:
    return word.casefold().replace("_", " ").replace("-", " ")


def _visible(text: str) -> str:
    """A text on one line, what a terminal would act on written out: no reply and no file can repaint a screen."""
    return visible(text if len(text) <= _LONGEST else f"{text[:_LONGEST]}...")


class LivezeroError(Exception):
    """What was wrong, where, what is allowed, and what to do; all of it as fields.

    Args:
        what: the fault, in one line.
        where: file:line:column, instrument, point: whatever finds the place. "" = no place to name.
        allowed: what would have been right. "" = nothing to say.
        todo: what the user does next. "" = nothing to say.
        others: further errors found in the same pass, shown after this one.

    Example:
        >>> try:
        ...     sequencer.plan("puls-to-current", "simulated")
        ... except sequencer.LivezeroError as error:
        ...     print(error.what, error.todo, sep="; ")
        there is no sequence "puls-to-current"; write "pulse-to-current"
    """

    family_code: ClassVar[int] = 3

    def __init__(
        self,
        what: str,
        *,
        where: str = "",
        allowed: str = "",
        todo: str = "",
        others: "tuple[LivezeroError, ...]" = (),
    ) -> None:
        super().__init__(what)
        self.what = _visible(what)
        self.where = _visible(where)
        self.allowed = _visible(allowed)
        self.todo = _visible(todo)
        self.others = others

    @property
    def exit_code(self) -> int:
        """That of its family, unless it comes of a disk that is full; neither hides an output that is not safe."""
        cause = self.__cause__
        is_full = isinstance(cause, OSError) and cause.errno in _DISK_IS_FULL
        return max(_FULL, self.family_code) if is_full else self.family_code

    @property
    def lines(self) -> tuple[str, ...]:
        """The error as a user reads it: place and fault, then allowed, then what to do; then the other errors."""
        head = f"{self.where}: {self.what}" if self.where else self.what
        own = [head]
        if self.allowed:
            own.append(f"  allowed: {self.allowed}")
        if self.todo:
            own.append(f"  do: {self.todo}")
        for other in self.others:
            own.extend(other.lines)
        return tuple(own)

    def __str__(self) -> str:
        return "\n".join(self.lines)


class InputError(LivezeroError):
    """A file, an option or an entry is wrong.

    Args:
        what: the fault, in one line.
        where: whatever finds the place.
        allowed: what would have been right.
        todo: what the user does next; "" = write one of `meant`, if any.
        others: further errors found in the same pass.
        part: the part of what was given that is wrong; "" = all of it.
        meant: what may be meant in its place.
    """

    family_code = 2

    def __init__(
        self,
        what: str,
        *,
        where: str = "",
        allowed: str = "",
        todo: str = "",
        others: tuple[LivezeroError, ...] = (),
        part: str = "",
        meant: tuple[str, ...] = (),
    ) -> None:
        super().__init__(what, where=where, allowed=allowed, todo=todo or to_write(meant), others=others)
        self.part = part
        self.meant = meant

    def meant_in(self, given: str) -> tuple[str, ...]:
        """What may be meant in place of the whole text that was given."""
        return tuple(given.replace(self.part, each, 1) if self.part else each for each in self.meant)


class PlanError(LivezeroError):
    """The bench cannot do what the sequence asks, or the unit could be harmed."""

    family_code = 2


class ReadingsError(LivezeroError):
    """A table of readings cannot be used as it is."""

    family_code = 2


class RecordError(LivezeroError):
    """A record is missing, cannot be read, or is not what was written."""

    family_code = 2


class LimitError(LivezeroError):
    """A level outside the limits of the unit or the source was refused at the set itself."""

    family_code = 3


class InstrumentError(LivezeroError):
    """An instrument did not answer, or answered what cannot be.

    Args:
        what: the fault, in one line.
        where: the instrument and its resource.
        allowed: what would have been right.
        todo: what the user does next.
        command: what was sent, "" if nothing.
        reply: what came back, as received, "" if nothing.
    """

    family_code = 3

    def __init__(
        self, what: str, *, where: str = "", allowed: str = "", todo: str = "", command: str = "", reply: str = ""
    ) -> None:
        super().__init__(what, where=where, allowed=allowed, todo=todo)
        self.command = command
        self.reply = reply


class CommunicationLostError(InstrumentError):
    """Communication with an instrument is lost, and may be re-established: `recover` of its driver."""


OutOfTouchError = CommunicationLostError  # its earlier name


class NoReplyError(CommunicationLostError):
    """No whole reply within the time allowed; a late one may still come, so the session is suspect."""


class OutOfStepError(CommunicationLostError):
    """The reply is none to what was asked: garbled, or that to something else, so every later one may be late too."""


class LineLostError(CommunicationLostError):
    """The connection is gone, or cannot be opened."""


class PowerCycledError(CommunicationLostError):
    """The instrument was switched off and on in between: its settings are lost, and its output is off."""


class WrongInstrumentError(InstrumentError):
    """Another instrument answers on the resource."""


class NoReadingError(InstrumentError):
    """The reply is no reading: `kind` is "overload", "not a number", "empty", "garbled", "not valid" or "not ready"."""

    def __init__(self, kind: str, *, where: str, command: str, reply: str) -> None:
        super().__init__(
            f"reading is {kind}",
            where=where,
            todo="check range, wiring and signal" if kind == "overload" else "check the line and the description",
            command=command,
            reply=reply,
        )
        self.kind = kind


class StoppedError(LivezeroError):
    """Somebody stopped the run: Ctrl-C, SIGTERM, or "no" to a caution."""

    family_code = 130


class AbsentError(StoppedError):
    """A question that no operator was present to answer."""


class UnsafeError(LivezeroError):
    """An output could not be brought to its safe level; somebody must do it by hand, now."""

    family_code = 4
