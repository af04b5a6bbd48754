"""How long steps go on beyond their points: what a search needs, or an "until"."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median_low

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.inputs.step import Beyond, Setpoint
from sequencer.planning.times import PointTime, Talk, near_s

__all__ = ["TimeBeyond", "beyond_s"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeBeyond:
    """What a step takes beyond its points, in s.

    Attributes:
        least_s: of the shortest search.
        expected_s: as expected.
        most_s: of an "until" never more; of a search seldom more, since noise can make any search long.
        is_until: it goes on until something, and is bound by "most".
    """

    least_s: float
    expected_s: float
    most_s: float
    is_until: bool = False


def beyond_s(told: Beyond, own: Sequence[tuple[Setpoint, SettlingRule, PointTime]], talk: Talk, *, last: str) -> float:
    """What visits beyond a plan take.

    Args:
        told: how many of each kind.
        own: the points that the step has in the plan.
        talk: what the bench takes.
        last: the tap that settling is watched at.
    """
    reads = [each for each in own if each[0].is_read]
    if not reads:
        return 0.0
    setpoint, rule, time = min(reads, key=lambda each: each[0].readings_n)
    one_s = time.reads_s / setpoint.readings_n
    near = near_s(setpoint, rule, talk, last=last)
    # A travel of a search may be as long as that of the plan, or too short to be waited for.
    between_s = (near.settles_s + time.settles_s) / 2
    far_s = sum(each.settles_s for _, _, each in own) / len(own)
    still_s = median_low(each.settles_s for _, _, each in reads)
    return told.far_n * far_s + told.near_n * between_s + told.still_n * still_s + told.readings_n * one_s
