"""The time that is left of a run: what the plan says of the rest, corrected by what was taken so far."""

from collections.abc import Mapping, Sequence

from sequencer.planning.searches import TimeBeyond
from sequencer.planning.times import PointTime

__all__ = ["LivePace"]

_DOUBT_N = 2.0  # average points that the plan's word counts for, against those that were taken
_GOES_ON = 1.2  # times as long as it has taken, that a part of a search will take at least
_UNTOLD = 0.5  # of what is left to the most, where something goes on that was not expected to


class LivePace:
    """How much slower settling and readings go than the plan says, each for itself.

    What waits until a time that is stated, or for one, takes that on any bench, and teaches nothing.

    Args:
        points: what the plan says of each, in order.
        beyond: what steps take beyond their points, by number.
    """

    def __init__(self, points: Sequence[PointTime], beyond: Mapping[int, TimeBeyond] | None = None) -> None:
        self._points = points
        self._beyond = dict(beyond or {})
        self._beyond_took_s: dict[int, float] = {}
        self._parts: dict[int, tuple[tuple[float, float], float]] = {}  # that goes on, and what had been taken before
        count = max(len(points), 1)
        self._settling = _Ratio(_DOUBT_N * sum(each.settles_s for each in points) / count)
        self._reading = _Ratio(_DOUBT_N * sum(each.reads_s - each.waits_s for each in points) / count)
        self._settled_n = 0

    def settled(self, number: int, took_s: float) -> None:
        """A point of the plan, by its number from 1, was declared steady."""
        self._settling.take(self._points[number - 1].settles_s, took_s)
        self._settled_n = number

    def read(self, number: int, took_s: float) -> None:
        """All readings of a point of the plan were taken."""
        told = self._points[number - 1]
        self._reading.take(told.reads_s - told.waits_s, max(took_s - told.waits_s, 0.0))

    def went_beyond(self, step: int, took_s: float) -> None:
        """A step took so much more beyond its points."""
        self._beyond_took_s[step] = self._beyond_took_s.get(step, 0.0) + took_s

    def searched(self, step: int, part: tuple[float, float] | None) -> None:
        """Of what a step does beyond its points, the part that goes on now, as shares of all of it."""
        if part is not None and (step not in self._parts or self._parts[step][0] != part):
            self._parts[step] = part, self._beyond_took_s.get(step, 0.0)

    def left_s(self, done_n: int, now_s: float = 0.0, *, step: int | None = None, is_beyond: bool = False) -> float:
        """Time left.

        Args:
            done_n: how many points of the plan are done.
            now_s: how long what goes on now, settling or reading, has been going on.
            step: that goes on; None = none has begun. What came before it is over.
            is_beyond: whether that is beyond its points.
        """
        rest = self._points[done_n:]
        settles_s = [self._settling.value * each.settles_s for each in rest]
        reads_s = [self._reading.value * (each.reads_s - each.waits_s) + each.waits_s for each in rest]
        if rest and not is_beyond:
            if self._settled_n > done_n:  # the first of them reads now
                settles_s[0], reads_s[0] = 0.0, max(reads_s[0] - now_s, 0.0)
            else:
                settles_s[0] = max(settles_s[0] - now_s, 0.0)
        searches_s = 0.0
        for number, told in self._beyond.items():
            if step is None or number >= step:
                took_s = self._beyond_took_s.get(number, 0.0)
                going_s = now_s if is_beyond and number == step else 0.0
                searches_s += _rest_of(told, took_s + going_s, self._parts.get(number))
        return sum(settles_s) + sum(reads_s) + searches_s


def _rest_of(told: TimeBeyond, took_s: float, part: tuple[tuple[float, float], float] | None) -> float:
    """What a search is expected to take yet.

    Where it has parts, such as places, they go as those before did, the more so the more there were, else as was
    expected; one that takes longer makes the next ones longer by half of that. Where not, the longer it goes on, the
    longer it was going to be: up to the shortest as expected; from there a fixed share of what is left to the most.

    Args:
        told: of the plan.
        took_s: so far.
        part: that goes on, as shares of all, and what had been taken when it began; None = there are none.
    """
    if part is not None:
        (begins, ends), before_s = part
        whole_s = ((1 - begins) * told.expected_s + before_s) * (ends - begins)
        here_s = took_s - before_s
        longer_s = max(whole_s, _GOES_ON * here_s)
        return longer_s - here_s + (1 - ends) / (ends - begins) * (whole_s + longer_s) / 2
    least_s = min(told.least_s, told.expected_s)
    if took_s <= least_s:
        return told.expected_s - took_s
    room_s = told.most_s - least_s
    share = (told.expected_s - least_s) / room_s if room_s > 0 else 0.0
    return max(told.most_s - took_s, 0.0) * (share or _UNTOLD)


class _Ratio:
    """Time taken over time told, of all so far; the plan is believed by as much as `doubt_s` until then."""

    def __init__(self, doubt_s: float) -> None:
        self._told_s = self._took_s = doubt_s

    def take(self, told_s: float, took_s: float) -> None:
        self._told_s += told_s
        self._took_s += took_s

    @property
    def value(self) -> float:
        return self._took_s / self._told_s if self._told_s > 0 else 1.0
