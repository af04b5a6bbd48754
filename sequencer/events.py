"""What a run tells while it goes on. Terminal, page and tests subscribe; the run itself never prints."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

from sequencer.planning import Plan, Point
from sequencer.running.settling import Settled, State

__all__ = [
    "Closed",
    "Event",
    "Listener",
    "MadeSafe",
    "Planned",
    "PointBegun",
    "PointSettled",
    "ReadingTaken",
    "Remarked",
    "SampleTaken",
    "Status",
]

Status = Literal["complete", "stopped by the sequence", "interrupted", "bench fault", "not safe"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """The run begins; every instrument has been identified."""

    plan: Plan
    identities: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointBegun:
    """The source goes to a point (attempt from 1)."""

    point: Point
    attempt: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleTaken:
    """One reading while waiting: seconds since the setpoint change, level at the last tap, the error still to go."""

    point: Point
    after_s: float
    value: float
    state: State
    to_go: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSettled:
    """The wait is over, settled or not."""

    point: Point
    settled: Settled


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingTaken:
    """One reading at a tap, kept; NaN where the instrument gave none."""

    point: Point
    tap: str
    reading: int
    value: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remarked:
    """Something out of the ordinary that the run dealt with."""

    point: Point | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeSafe:
    """The output of an instrument is at its safe level."""

    instrument: str
    level: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """The run is over."""

    status: Status
    reason: str


Event: TypeAlias = Planned | PointBegun | SampleTaken | PointSettled | ReadingTaken | Remarked | MadeSafe | Closed
Listener: TypeAlias = Callable[[Event], None]
