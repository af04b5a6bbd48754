"""What a run tells while it goes on. Terminal, page and tests subscribe; the run itself never prints."""

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, TypeAlias

from instruments.clock import Clock
from instruments.texts import COMPUTED_DIGITS, json_value
from sequencer.planning.plan import Plan, Point
from sequencer.running.settling import Settled, State

__all__ = [
    "Answered",
    "Closed",
    "Dropped",
    "Event",
    "Found",
    "Listener",
    "MadeSafe",
    "Planned",
    "PointBegun",
    "PointSettled",
    "ReadingTaken",
    "Remarked",
    "SampleTaken",
    "Status",
    "Waited",
    "event_document",
]

Status = Literal["complete", "stopped by the sequence", "interrupted", "bench fault", "not safe"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """The run begins; every instrument has been identified, and an exchange with each timed; the clock of the bench."""

    plan: Plan
    identities: dict[str, str]
    exchange_s: dict[str, float] = field(default_factory=dict)
    clock: Clock | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PointBegun:
    """The source goes to a point (attempt from 1)."""

    point: Point
    attempt: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleTaken:
    """One reading while waiting: seconds since the setpoint change, level at the last tap, residual settling error."""

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
class Waited:
    """Time passes that a step asks for, or until a person may read: so much of it is left, 0 once a step's is over."""

    point: Point
    left_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The operator answered a step."""

    point: Point
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remarked:
    """Something out of the ordinary that the run dealt with."""

    point: Point | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropped:
    """A unit of several is given up before the end of the sequence; the others go on."""

    serial: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeSafe:
    """The output of an instrument is at its safe level; `is_proved` False: it was told to go there, and cannot tell."""

    instrument: str
    level: str
    is_proved: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """The run is over."""

    status: Status
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What is the matter with the unit, by its record: reported by what examines it, once the run is over.

    Attributes:
        stage: where, in words.
        cause: the likeliest, in words.
        names: the causes not distinguishable with these readings; () where no fault was found.
        weight: probability of these together, 0 to 1; None where nothing was weighed.
        check: what to check next.
    """

    stage: str
    cause: str
    names: tuple[str, ...]
    weight: float | None
    check: str


Event: TypeAlias = (
    Planned
    | PointBegun
    | SampleTaken
    | PointSettled
    | ReadingTaken
    | Waited
    | Answered
    | Remarked
    | Dropped
    | MadeSafe
    | Closed
    | Found
)
Listener: TypeAlias = Callable[[Event], None]


def event_document(event: Event) -> dict[str, Any]:
    """An event as JSON values, for a program that follows a run; numbers that are missing are None."""
    told: dict[str, Any] = json_value(_told(event), digits=COMPUTED_DIGITS)
    if isinstance(event, (SampleTaken, ReadingTaken)):  # a reading with all its digits
        told["value"] = json_value(event.value)
    return told


def _told(event: Event) -> dict[str, Any]:  # noqa: C901, PLR0911  one for each event
    match event:
        case Planned():
            numbers: dict[str, Any] = {"event": "planned", "points": len(event.plan.points)}
            return numbers | {"estimate_s": event.plan.estimate_s, "identities": event.identities}
        case PointBegun():
            place = {"event": "point", **_place(event.point), "attempt": event.attempt}
            return place | {"role": event.point.role, "setpoint_pct": 100 * event.point.setpoint.frac}
        case SampleTaken():
            sample = {"event": "sample", **_place(event.point), "after_s": event.after_s}
            return sample | {"value": event.value, "state": str(event.state), "to_go": event.to_go}
        case PointSettled():
            settled = {"event": "settled", **_place(event.point), "state": str(event.settled.state)}
            return settled | {"after_s": event.settled.after_s, "to_go": event.settled.to_go}
        case ReadingTaken():
            reading = {"event": "reading", **_place(event.point), "tap": event.tap, "reading": event.reading}
            return reading | {"value": event.value, "unit": event.unit}
        case Waited():
            because = event.point.setpoint.because
            return {"event": "waiting", **_place(event.point), "left_s": event.left_s, "because": because}
        case Answered():
            return {"event": "answer", **_place(event.point), "text": event.point.setpoint.ask, "answer": event.answer}
        case Remarked():
            return {"event": "remark", **(_place(event.point) if event.point else {}), "text": event.text}
        case Dropped():
            return {"event": "dropped", "serial": event.serial, "reason": event.reason}
        case MadeSafe():
            return {"event": "safe", "instrument": event.instrument, "level": event.level, "proved": event.is_proved}
        case Closed():
            return {"event": "closed", "status": event.status, "reason": event.reason}
        case Found():
            return {"event": "finding", **asdict(event), "names": list(event.names)}


def _place(point: Point) -> dict[str, Any]:
    return {"number": point.number, "cycle": point.setpoint.cycle, "direction": point.setpoint.direction}
