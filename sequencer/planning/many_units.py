"""How long a plan takes with many units: all in turn at each point where one source drives them, else one by one.

Pure, as `times`. Driven together, every unit is connected and read once a round. Slow ones are waited for as one alone
is; fast ones by then have settled long ago, and what takes time are the rounds that show it.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.planning.plan import Plan, Point
from sequencer.planning.times import PointTime, Talk, pulse_waits_s, talk_of
from sequencer.planning.together import why_plan_one_by_one

__all__ = ["UnitsTime", "units_time"]

# Rounds until units are declared steady that had settled before the second: three readings that agree, the first of all
# among what moves. Fitted to 2 to 16 simulated units (3.8 to 4.2); `tests/unit/test_many_units.py` holds what it tells.
_ROUNDS_N = 4.0
_PERSON_MOVES_S = 60.0  # leads from one unit to the next: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitsTime:
    """What a plan takes with many units.

    Attributes:
        units_n: how many.
        is_together: they are tested at once, by one run; else each by a whole run.
        begin_s: to the first point of a run, in s.
        points: what each point of a run takes, for all units where they are tested at once, else for one.
        estimate_s: in all, in s.
        most_s: the same where what has no fixed end goes on for long.
    """

    units_n: int
    is_together: bool
    begin_s: float
    points: tuple[PointTime, ...]
    estimate_s: float
    most_s: float

    def step_s(self, plan: Plan, step: int) -> float:
        """What the points of a step, by its number, take in a run of the plan."""
        told = zip(plan.points, self.points, strict=True)
        return sum(time.settles_s + time.reads_s for point, time in told if point.step == step)


def units_time(plan: Plan, units_n: int, measured_s: Mapping[str, float] | None = None) -> UnitsTime:
    """What so many units take on the bench of a plan.

    Args:
        plan: with the times of one unit.
        units_n: at least one.
        measured_s: as in `talk_of`.
    """
    units = plan.bench.file.units
    is_together = units is not None and units.driven == "together" and not why_plan_one_by_one(plan)
    points = tuple(point.time for point in plan.points)
    if not is_together:
        by_person = units is None and not plan.bench.file.is_simulated
        moved_s = _PERSON_MOVES_S if by_person else 0.0
        estimate_s, most_s = (units_n * (each_s + moved_s) for each_s in (plan.estimate_s, plan.most_s))
    else:
        talk = talk_of(plan.bench, plan.sheet, plan.wires, plan.held, measured_s)
        points = tuple(_in_turn(plan, point, talk, units_n) for point in plan.points) if units_n > 1 else points
        estimate_s = most_s = plan.begin_s + sum(each.settles_s + each.reads_s for each in points)
    return UnitsTime(
        units_n=units_n,
        is_together=is_together,
        begin_s=plan.begin_s,
        points=points,
        estimate_s=estimate_s,
        most_s=most_s,
    )


def _in_turn(plan: Plan, point: Point, talk: Talk, units_n: int) -> PointTime:
    """What one point takes with units in turn; a shared input is read once for all, while they settle."""
    setpoint, first, last = point.setpoint, plan.wires[0].tap, plan.wires[-1].tap
    if setpoint.is_still:
        return point.time
    look_s = talk.switch_s + talk.read_s[last]
    set_s = 0.0 if setpoint.is_again else talk.set_s
    settles_s = point.settles_s
    if setpoint.is_waited_for:  # the last look at one comes after that at the others
        settles_s = max(settles_s + (units_n - 1) * look_s, set_s + _ROUNDS_N * units_n * look_s)
    if not setpoint.is_read:
        return PointTime(settles_s, 0.0)
    taps = [tap for tap in talk.read_s if setpoint.tap in {"", tap}]
    own_s = sum(talk.read_s[tap] for tap in taps if tap != first)
    beside_s = sum(talk.check_s[tap] + talk.kept_s for tap in taps)
    if setpoint.every_s or setpoint.due_s or setpoint.lasts_s:  # each reading in a round of its own
        all_s = setpoint.readings_n * units_n * (talk.switch_s + own_s + beside_s)
        return PointTime(settles_s, max(point.reads_s, all_s), point.waits_s)
    shared_s = 0.0
    if first in taps:
        waits_s = pulse_waits_s(plan.bench, plan.wires, point.expected).get(first, 0.0)
        ahead_s = min(setpoint.readings_n * talk.read_s[first], settles_s / 2)  # as `running.ahead` begins, at the most
        shared_s = setpoint.readings_n * (talk.read_s[first] + waits_s) - ahead_s
    # The reading that ends the wait of a unit is its first.
    own_s = setpoint.readings_n * (own_s + beside_s) - (talk.read_s[last] if last in taps else 0.0)
    return PointTime(settles_s, units_n * own_s + shared_s + talk.close_check_s)
