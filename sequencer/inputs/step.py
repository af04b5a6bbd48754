"""What a step of a sequence is, and the registry that finds steps by name.

A step is one module in `sequencer/steps/` with a `STEP`; adding one touches no other file.
"""

import importlib
import pkgutil
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, Protocol

from instruments.filemodel import FileModel

__all__ = ["FURTHER", "Direction", "Role", "Setpoint", "Step", "registry"]

FURTHER = "further"
"""Name of the step of points that no sequence asks for: taken to tell causes apart."""

Direction = Literal["up", "down"]
Role = Literal["exercise", "reading", "end pair", "capture", "capture, drive off"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setpoint:
    """One place that a step visits.

    Args:
        frac: input as fraction of the input range.
        role: "exercise" (visited, not read), "reading", "end pair" (read again without moving the input), "capture"
            (read as fast as the meter gives, beside the figures), or "capture, drive off" (the source safe and off).
        direction: of the traverse it belongs to.
        cycle: from 1.
        point: index of `frac` on the step's grid, from 0.
        readings_n: how many readings are taken and kept.
        tap: the only one that is read; "" = all that have a receiver.
    """

    frac: float
    role: Role
    direction: Direction
    cycle: int
    point: int
    readings_n: int
    tap: str = ""


class Step(Protocol):
    """A kind of step: its settings in the file, and what it visits."""

    settings: type[FileModel]

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """The setpoints in order."""


@lru_cache(maxsize=1)
def registry() -> dict[str, Step]:
    """Every step by its name in a sequence file."""
    package = importlib.import_module("sequencer.steps")
    names = sorted(module.name for module in pkgutil.iter_modules(package.__path__))
    return {name: importlib.import_module(f"sequencer.steps.{name}").STEP for name in names}
