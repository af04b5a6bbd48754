"""When a unit of a batch is given up before the end of its sequence: dead, or so far out that it is certain to fail.

It judges nothing: what was read stands in the record of the unit, and the verdict is made of that. Three points
running, so that a slip of the bench at one of them costs no unit (common practice, no source).
"""

import math

from sequencer.inputs.step import READING
from sequencer.planning.plan import Point

__all__ = ["Hopeless"]

_RUNNING_N = 3
_MOVED = 0.25  # of the output span: so far the output should have gone over the points ...
_STOOD = 0.02  # ... within which it stood
_U_N = 3.0  # so many expanded uncertainties beyond the tolerance


class Hopeless:
    """The last readings of one unit, and whether to go on with it.

    Args:
        span: of the output, in its unit.
    """

    def __init__(self, span: float) -> None:
        self._span = abs(span)
        self._none_n = 0
        self._stood: list[tuple[float, float]] = []  # read, expected; of points beyond their tolerance
        self._far: list[float] = []  # by how many tolerances

    def seen(self, point: Point, values: tuple[float, ...]) -> str:
        """Take the readings at a point; returns why the unit is given up, "" while it is not.

        Args:
            point: where.
            values: of the output, in its unit; NaN = no reading.
        """
        if point.role != READING or not values:
            return ""
        valid = [each for each in values if math.isfinite(each)]
        self._none_n = 0 if valid else self._none_n + 1
        if self._none_n >= _RUNNING_N:
            return f"no reading at {_RUNNING_N} points running"
        if not valid:
            return ""
        value, expected = sum(valid) / len(valid), point.expected[-1]
        is_judged = math.isfinite(point.tolerance) and point.tolerance > 0
        if not is_judged or abs(value - expected) <= point.tolerance:
            self._stood.clear()
            self._far.clear()
            return ""
        return self._dead(value, expected) or self._beyond(point, abs(value - expected))

    def _dead(self, value: float, expected: float) -> str:
        self._stood = [*self._stood, (value, expected)]
        stood = self._stood[-1:]
        for each in reversed(self._stood[:-1]):  # as far back as it stood where it stands now
            if abs(each[0] - value) > _STOOD * self._span:
                break
            stood.append(each)
        wanted = [each for _, each in stood]
        if len(stood) < _RUNNING_N or max(wanted) - min(wanted) < _MOVED * self._span:
            return ""
        gone = 100 * (max(wanted) - min(wanted)) / self._span
        return f"dead output: near {value:.5g} over {len(stood)} points where it should have moved {gone:.0f} %"

    def _beyond(self, point: Point, error: float) -> str:
        margin = max(_U_N * (point.U or 0.0), point.tolerance)
        if error <= point.tolerance + margin:
            self._far.clear()
            return ""
        self._far.append(error / point.tolerance)
        if len(self._far) < _RUNNING_N:
            return ""
        return f"beyond {min(self._far):.3g} times its tolerance at {_RUNNING_N} points running"
