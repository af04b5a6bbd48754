"""What a step of a sequence is: its settings, its plan, what is evaluated of it, and how that is shown.

A step is one module or package in `sequencer/steps/` with a `STEP`; adding one touches no other file. Who needs a step
asks the registry for it and imports none.
"""

import importlib
import math
import pkgutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Any, ClassVar, Literal, TypeVar

from instruments.filemodel import FileModel
from instruments.texts import counted
from sequencer.inputs.answers import Answer

if TYPE_CHECKING:  # hundreds of milliseconds, and only evaluating needs it
    import pandas as pd

    from instruments.datasheet import DataSheet
    from sequencer.inputs.type_sheet import TypeSheet

__all__ = [
    "BURST",
    "BURST_ROLES",
    "DEAD_BAND",
    "END_PAIR",
    "FURTHER",
    "GROUP",
    "JUDGED_ROLES",
    "PASSED",
    "QUIET_BURST",
    "READING",
    "RESOLUTION",
    "RESOLUTION_START",
    "UNDER",
    "Direction",
    "Judged",
    "Receivers",
    "Seen",
    "Setpoint",
    "Step",
    "registry",
    "roles",
]

T = TypeVar("T")

GROUP = "livezero.steps"
"""Group of the entry points by which an installed package adds steps, each by its key in a sequence file."""

FURTHER = "further"
"""Name of the step of points that no sequence asks for: taken to tell causes apart."""

PASSED = "exercise"
"""Role of a place that is visited and not read."""
READING, END_PAIR = "reading", "end pair"
JUDGED_ROLES = (READING, END_PAIR)
"""Roles of the readings that figures, verdict and diagnosis are made of; those of any other stand beside them."""
QUIET_BURST, BURST = "capture, drive off", "capture"
BURST_ROLES = (QUIET_BURST, BURST)
"""Roles of readings in a row that the diagnosis listens to for noise, with the drive off and on."""
UNDER = ": "
"""Stands in a role between the condition that a step is repeated under and the role that it has in that step."""
DEAD_BAND = "dead band"
"""Role of the readings that the dead band is made of: upscale where the input turns back, downscale from there on."""
RESOLUTION_START, RESOLUTION = "resolution, start", "resolution"
"""Roles of the readings that the resolution is made of: where a travel upscale begins, and from there on."""

Direction = Literal["up", "down", ""]
Receivers = Mapping[str, Mapping[str, float]]
"""Of what reads each tap, by its name: "resolution" in its signal's unit, and "takes_s", the time of one reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setpoint:
    """One place that a step visits.

    Args:
        frac: input as fraction of the input range.
        role: as journal and table name it; those of `JUDGED_ROLES` are judged.
        direction: of the traverse it belongs to; "" = its points are taken in an order that has none.
        cycle: from 1.
        point: index of `frac` on the step's grid, from 0.
        readings_n: how many readings are taken and kept; 0 = it is visited only.
        tap: the only one that is read; "" = all that have a receiver, or the last where `is_quick`.
        is_quick: one tap is read as fast as its meter gives, whether the output comes to rest or not.
        is_off: the source is at its safe level and off; `frac` says where it goes on afterwards.
        settles_within: share of the settling error that the sequence allows elsewhere.
        is_waited_for: False = read from the instant the input is set, whatever the output does.
        lasts_s: readings go on until so long after the input was set, `readings_n` at most; 0 = until all are taken.
        every_s: from the beginning of one reading to that of the next; 0 = as fast as the instrument gives.
        due_s: not read before so long after its step began.
        under: what else is held there, by name and as written: (("supply voltage", "12 V"),).
        ask: what the operator is asked to do first, as a question for yes; "" = nothing.
        is_still: the input is left as it stands, or goes off where `is_off`; nothing settles and nothing is read. It is
            asked (`ask`), or waited for `lasts_s`. A plan puts the place of the visit before it into `frac`.
        answer: how `ask` is answered, where it is still.
        unit: of an answer that is a number; "" = none.
        because: why it is waited, in words.
    """

    frac: float
    role: str
    direction: Direction
    cycle: int
    point: int
    readings_n: int
    tap: str = ""
    is_quick: bool = False
    is_off: bool = False
    settles_within: float = 1.0
    is_waited_for: bool = True
    lasts_s: float = 0.0
    every_s: float = 0.0
    due_s: float = 0.0
    under: tuple[tuple[str, str], ...] = ()
    ask: str = ""
    is_still: bool = False
    answer: Literal["yes", "number", "text"] = "yes"
    unit: str = ""
    because: str = ""

    @property
    def is_read(self) -> bool:
        """Whether anything is read there."""
        return self.readings_n > 0

    @property
    def is_beyond(self) -> bool:
        """Whether nobody can say what a unit gives there: beyond its range, without a source, or while it moves."""
        return self.is_off or not self.is_waited_for or not 0 <= self.frac <= 1

    @property
    def is_again(self) -> bool:
        """Whether it is a second reading, taken without moving the input."""
        return self.plain_role == END_PAIR

    @property
    def plain_role(self) -> str:
        """Its role, without the condition that it is repeated under."""
        return self.role.rpartition(UNDER)[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """Visits beyond the plan of a step.

    Args:
        far_n: as far as those of the plan.
        near_n: near the one before.
        still_n: where the input stays, and something else is changed.
        readings_n: at all of them.
    """

    far_n: int = 0
    near_n: int = 0
    still_n: int = 0
    readings_n: int = 0

    def times(self, count: int) -> "Beyond":
        """So many of these."""
        return Beyond(
            far_n=count * self.far_n,
            near_n=count * self.near_n,
            still_n=count * self.still_n,
            readings_n=count * self.readings_n,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """All that a step may look at: what was read of one unit, and what is known of unit and bench.

    Args:
        table: tidy, of one unit; rows of other steps are in it as well.
        sheet: of the unit.
        receivers: of what reads each tap.
        settings: of each step of the sequence, by its number from 1; none for a table that no run took.
        type_sheet: that `sheet` was made of.
        basis: what is stated of the instruments; None = nothing.
        standard: whose definitions hold.
        answers: of the operator, in order.
    """

    table: "pd.DataFrame"
    sheet: "DataSheet"
    receivers: Receivers
    settings: Mapping[int, FileModel]
    type_sheet: "TypeSheet"
    basis: Any = None  # `evaluation.budget.Basis`, which stands behind this package
    standard: str = "IEC 61298-2:2008"
    answers: tuple[Answer, ...] = ()

    def rows(self, *roles: str) -> "pd.DataFrame":
        """The rows of some roles."""
        found: pd.DataFrame = self.table[self.table["role"].isin(roles)]
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A result of a step that has a limit.

    Args:
        name: of the result, with its place where there are several: "T63, 10 % to 90 %".
        value: NaN = not found.
        U: expanded uncertainty; NaN = not known.
        unit: of both.
        limit: as the step states it: "at most 0.5 s".
        is_met: None = cannot be told.
        reason: why it cannot be told; "" = it can.
    """

    name: str
    value: float
    unit: str
    limit: str
    is_met: bool | None
    U: float = math.nan
    reason: str = ""


class Step:
    """A kind of step. One that is judged with the figures, or not at all, tells `settings`, `roles` and `plan` alone.

    What `evaluate` finds is kept by the name of the step and handed to `terminal`, `html` and `json`, which are not
    asked where it found nothing.
    """

    settings: type[FileModel]
    roles: tuple[str, ...] = ()
    """Roles that its setpoints can have."""
    json_key: ClassVar[str] = ""
    """Key of its own in the JSON document; "" = under its name in "steps", the only place for an installed one."""
    shortened_to: ClassVar[tuple[str, ...]] = ()
    """Keys of its settings that a value may stand for alone, as in "wait: 5 min"; of several the ones that take it."""
    comes_first: bool = False
    """Whether it says nothing after other steps, as what begins with switching the unit on."""

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """The setpoints in order."""
        raise NotImplementedError

    def planned(self, settings: FileModel, type_sheet: "TypeSheet") -> tuple[Setpoint, ...]:  # noqa: ARG002
        """The setpoints in order, where they follow from the type of unit as well, such as how long a record lasts."""
        return self.plan(settings)

    def without(self, setpoint: Setpoint) -> str:  # noqa: ARG002
        """What to write so that a setpoint is left out which unit or bench forbid; "" = take it out of the list."""
        return ""

    def remarks(self, settings: FileModel) -> tuple[str, ...]:  # noqa: ARG002
        """What plan and record say of its settings, a sentence each, where they are out of the ordinary."""
        return ()

    def picture(self, settings: FileModel) -> str:  # noqa: ARG002
        """The picture file that its settings name, kept with the record; "" = none."""
        return ""

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """What it does at its setpoints, as the plan says it."""
        said = f"{counted(max(each.cycle for each in setpoints), 'cycle')}, {counted(len(setpoints), 'move')}"
        readings_n = sum(each.readings_n for each in setpoints)
        return f"{said}, {counted(readings_n, 'reading') if readings_n else 'nothing is read'}"

    def beyond(self, settings: FileModel) -> tuple[Beyond, Beyond, Beyond]:  # noqa: ARG002
        """The visits beyond its plan: of the shortest search, as expected, and seldom more.

        Only the time told hangs on it.
        """
        return Beyond(), Beyond(), Beyond()

    def searched(self, settings: FileModel, setpoint: Setpoint) -> tuple[float, float] | None:  # noqa: ARG002
        """The part of what it does beyond its plan that such a setpoint belongs to, from and to which share of it.

        None = there are no parts. Only the time told hangs on it.
        """
        return None

    def most_times(self, settings: FileModel) -> float:  # noqa: ARG002
        """How many times as long as its plan it may take, where it goes on until something; for the time told."""
        return 1.0

    def goes_on(self, settings: FileModel) -> bool:  # noqa: ARG002
        """Whether it may go beyond its plan with these settings."""
        return type(self).go_on is not Step.go_on

    def follows_one(self, settings: FileModel, setpoints: Sequence[Setpoint]) -> bool:
        """Whether several units that share the input cannot be taken together: each would go elsewhere, or moves."""
        return self.goes_on(settings) or any(not each.is_waited_for for each in setpoints)

    def go_on(self, number: int, settings: FileModel, seen: Seen) -> tuple[Setpoint, ...]:  # noqa: ARG002
        """Where it goes beyond its plan, after what was read; asked again after each answer until there is nothing.

        A run that was cut off asks anew, so it follows from `seen` alone. A visit that was not finished is not in that.

        Args:
            number: of the step in the sequence, as in the column "step".
            settings: of that step.
            seen: what was read so far.
        """
        return ()

    def evaluate(self, seen: Seen) -> tuple[Any, ...]:  # noqa: ARG002
        """What its readings say beside figures and verdict; () = nothing. It reaches no file, clock or instrument."""
        return ()

    def values(self, results: tuple[Any, ...]) -> tuple[Judged, ...]:
        """Its results as numbers, for whoever sets them against another quantity; limits do not matter here."""
        return self.judged(results)

    def judged(self, results: tuple[Any, ...]) -> tuple[Judged, ...]:  # noqa: ARG002
        """Those of its results that have a limit; one that is not met fails the unit."""
        return ()

    def states_limit(self, settings: FileModel) -> bool:
        """Whether its settings hold the unit to something: a key "at most" or "at least", or one that ends so."""
        keys = (key for key in settings.model_fields_set if key.endswith(("at_most", "at_least")))
        return any(getattr(settings, key) for key in keys)

    def reservations(self, results: tuple[Any, ...]) -> tuple[str, ...]:  # noqa: ARG002
        """What of its results makes a pass weaker than it looks."""
        return ()

    def wanted_U(self, settings: FileModel) -> float | None:  # noqa: ARG002
        """Expanded uncertainty of the mean errors that it repeats for, as a share of span; None = it does not."""
        return None

    def terminal(self, results: tuple[Any, ...], width: int) -> list[str]:  # noqa: ARG002
        """Its lines in the summary, none longer than `width`."""
        return []

    def html(self, results: tuple[Any, ...]) -> str:  # noqa: ARG002
        """Its section of the report, as `markupsafe.Markup`; text that is none is escaped."""
        return ""

    def json(self, results: tuple[Any, ...]) -> Any:  # noqa: ANN401, ARG002  what JSON can say
        """Its part of the JSON document; None = none."""
        return None


@lru_cache(maxsize=1)
def registry() -> Mapping[str, Step]:
    """Every step by its name in a sequence file (blanks as underscores); those of packages come last.

    Raises:
        InputError: a step of an installed package cannot be used.
    """
    from sequencer.inputs.installed_step import installed, unusable  # noqa: PLC0415  it needs what a step is

    package = importlib.import_module("sequencer.steps")
    names = sorted(module.name for module in pkgutil.iter_modules(package.__path__))
    steps: dict[str, Step] = {name: importlib.import_module(f"sequencer.steps.{name}").STEP for name in names}
    taken = dict.fromkeys((*names, FURTHER), "livezero")
    for entry in sorted(entry_points(group=GROUP), key=lambda each: (each.name, each.value)):
        owner = f"{entry.dist.name} {entry.dist.version}" if entry.dist else "not known"
        name = entry.name.replace(" ", "_")
        if name in taken:
            raise unusable(entry, owner, f"{taken[name]} has a step of that name")
        steps[name] = installed(entry, owner)
        taken[name] = f'the package "{owner}"'
    return steps


def roles() -> set[str]:
    """Every role that a reading or a visit can have."""
    return {role for step in registry().values() for role in step.roles}
