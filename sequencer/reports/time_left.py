"""The time that is left of a run: what the plan says of the rest, corrected by what was taken so far."""

from collections.abc import Sequence

from sequencer.planning.times import PointTime

__all__ = ["LivePace"]

_DOUBT_N = 2.0  # average points that the plan's word counts for, against those that were taken


class LivePace:
    """How much slower settling and readings go than the plan says, each for itself.

    Args:
        points: what the plan says of each, in order.
    """

    def __init__(self, points: Sequence[PointTime]) -> None:
        self._points = points
        count = max(len(points), 1)
        self._settling = _Ratio(_DOUBT_N * sum(each.settles_s for each in points) / count)
        self._reading = _Ratio(_DOUBT_N * sum(each.reads_s for each in points) / count)
        self._settled_n = 0

    def settled(self, number: int, took_s: float) -> None:
        """A point, by its number from 1, was declared steady; points beyond the plan teach nothing."""
        if number <= len(self._points):
            self._settling.take(self._points[number - 1].settles_s, took_s)
            self._settled_n = number

    def read(self, number: int, took_s: float) -> None:
        """All readings of a point were taken."""
        if number <= len(self._points):
            self._reading.take(self._points[number - 1].reads_s, took_s)

    def left_s(self, done_n: int, now_s: float = 0.0) -> float:
        """Time left.

        Args:
            done_n: how many points are done.
            now_s: how long what goes on now, settling or reading, has been going on.
        """
        rest = self._points[done_n:]
        if not rest:
            return 0.0
        settles_s, reads_s = (
            [share * told for told in each]
            for share, each in (
                (self._settling.value, [each.settles_s for each in rest]),
                (self._reading.value, [each.reads_s for each in rest]),
            )
        )
        if self._settled_n > done_n:  # the first of them reads now
            settles_s[0], reads_s[0] = 0.0, max(reads_s[0] - now_s, 0.0)
        else:
            settles_s[0] = max(settles_s[0] - now_s, 0.0)
        return sum(settles_s) + sum(reads_s)


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
