"""How a run ended, in words: its status, its reason, and whether it can go on."""

from collections.abc import Collection
from dataclasses import dataclass

from instruments.errors import LivezeroError, StoppedError, UnsafeError
from sequencer.running.events import Status

__all__ = ["Outcome", "StopBySequenceError", "outcome_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a run ended.

    Args:
        status: in a word.
        reason: in words.
        error: that ended it, if one did.
        can_resume: it was stopped before its end, with its outputs safe, and can go on.
    """

    status: Status
    reason: str
    error: LivezeroError | None = None
    can_resume: bool = False


class StopBySequenceError(Exception):
    """A point did not settle and the sequence says stop."""


def outcome_of(
    error: BaseException | None, unsafe: UnsafeError | None, *, at: str, told: Collection[str] = ()
) -> Outcome:
    """The outcome for what ended the run; an output that is not safe outranks everything.

    Args:
        error: that ended it; None = none did.
        unsafe: why an output is not safe; None = all are.
        at: where the run stood.
        told: the sources that were told to go to their safe levels, and could not prove it.
    """
    if unsafe is not None:
        return Outcome(status="not safe", reason=f"{unsafe.what}; the run ended {at}", error=unsafe)
    if isinstance(error, KeyboardInterrupt):
        by = str(error.args[0]) if error.args else "Ctrl-C"
        safe = f"{', '.join(sorted(told))} told to be safe, not proved" if told else "outputs are safe"
        return Outcome(status="interrupted", reason=f"{by} {at}", error=StoppedError(f"stopped by {by} {at}; {safe}"))
    if isinstance(error, StoppedError):
        return Outcome(status="interrupted", reason=f"{error.what} ({at})", error=error)
    if isinstance(error, StopBySequenceError):
        return Outcome(status="stopped by the sequence", reason=f"{error} ({at})")
    if isinstance(error, LivezeroError):
        return Outcome(status="bench fault", reason=f"{error.what} ({at})", error=error)
    return Outcome(status="interrupted", reason=f"a fault of livezero itself, {type(error).__name__} ({at})")
