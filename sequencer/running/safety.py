"""Where the outputs of a run stand, as a small state machine: from "energised" every way out leads through making safe.

It commands nothing; the run enters a state before it does what belongs to it. Drawn in DEVELOPERS.md.
"""

from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType

__all__ = ["FOLLOWING", "Output", "Safety"]


class Output(Enum):
    """State of the outputs of a run."""

    UNKNOWN = "unknown"  # a run before this one may have been cut off
    MAKING_SAFE = "making safe"
    SAFE = "safe"  # proved
    ENERGISED = "energised"  # or may be: a level or "on" is about to be sent
    NOT_SAFE = "not safe"  # making safe failed; a person must be informed
    ENDED = "ended"


FOLLOWING: Mapping[Output, frozenset[Output]] = MappingProxyType(
    {
        Output.UNKNOWN: frozenset({Output.MAKING_SAFE}),
        Output.MAKING_SAFE: frozenset({Output.SAFE, Output.NOT_SAFE}),
        Output.SAFE: frozenset({Output.MAKING_SAFE, Output.ENERGISED, Output.ENDED}),
        Output.ENERGISED: frozenset({Output.MAKING_SAFE}),
        Output.NOT_SAFE: frozenset({Output.MAKING_SAFE, Output.ENDED}),
        Output.ENDED: frozenset(),
    }
)


class Safety:
    """The state, and the only way to change it."""

    def __init__(self) -> None:
        self.state = Output.UNKNOWN

    def enter(self, state: Output) -> None:
        """Go to a state; raises RuntimeError where none leads there, which is a fault of livezero."""
        if state not in FOLLOWING[self.state]:
            raise RuntimeError(f'outputs cannot go from "{self.state.value}" to "{state.value}"')
        self.state = state
