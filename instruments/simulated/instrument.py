"""What a simulated instrument is: how it is wired, what it says it is, and what every one of them can be asked.

Nothing here speaks a dialect; those that do are `scpi` and `serial`.
"""

from dataclasses import dataclass
from typing import Literal, Protocol

__all__ = ["MARK", "Device", "SimulatedInstrument", "is_simulated"]

MARK = "LIVEZERO,SIMULATED"  # how the identity of every simulated instrument begins


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedInstrument:
    """An instrument of the simulated bench, as it is wired.

    Args:
        name: by which the bench calls it.
        resource: its VISA resource.
        dialect: "scpi", or "serial" for the dialect of short lines.
        sets: name of the tap it drives, None = none.
        reads: name of the tap it reads, None = none.
        scans: it connects the units of the bench.
        holds: name and unit of a quantity beside the taps that it sets, such as the supply voltage; None = none.
        identity: what it says when it is asked who it is.
    """

    name: str
    resource: str
    dialect: Literal["scpi", "serial"] = "scpi"
    sets: str | None = None
    reads: str | None = None
    scans: bool = False
    holds: tuple[str, str] | None = None
    identity: str = f"{MARK},0,0.1"


def is_simulated(identity: str) -> bool:
    """True if it is that of an instrument of the simulated bench, wherever that is served."""
    return identity.startswith(MARK)


class Device(Protocol):
    """A simulated instrument, whatever it speaks."""

    identity: str

    def handle(self, message: str) -> str | None:
        """Reply to one message, both without their ends; None if there is nothing to say."""

    def report(self, code: int, info: str = "") -> None:
        """An error into the queue, where there is one."""

    def power_cycle(self) -> None:
        """As after a loss of power: settings lost, output off."""

    def status_byte(self) -> int:
        """The status byte of a serial poll."""
