"""Where the input of the unit stands, and how it comes to the next point: from its proper side, never with a jump."""

from collections.abc import Callable

import numpy as np

from instruments.roles import Operator, Source
from sequencer.planning.plan import Plan, Point
from sequencer.running.conditions import Conditions
from sequencer.running.confirmations import confirm_again
from sequencer.running.logbook import Logbook
from sequencer.running.reapproach import approach
from sequencer.running.safety import Output, Safety

__all__ = ["Position"]


class Position:
    """The source of one run: what level it has confirmed, and whether its output is on.

    Args:
        plan: what is run.
        source: drives the first tap.
        conditions: what is held beside the input.
        operator: whom to ask before an output that went off is energised again.
        log: of the run.
        safety: where the outputs stand.
        left: called when the input leaves a level.
    """

    def __init__(
        self,
        plan: Plan,
        source: Source,
        *,
        conditions: Conditions,
        operator: Operator,
        log: Logbook,
        safety: Safety,
        left: Callable[[], None],
    ) -> None:
        self.source = source
        self._conditions = conditions
        self._plan = plan
        self._operator = operator
        self._log = log
        self._safety = safety
        self._left = left
        self._standing_at: Point | None = None  # whose level the source has confirmed
        self._is_astray = False  # the output is off, or was, and the input is not back on its way yet

    def energise(self) -> None:
        """On at 0 %, or the setpoint nearest to it: never with a jump to the top."""
        self._log.check_stop()
        tap = self._plan.sheet.taps[0]
        first = min(self._plan.points, key=lambda point: abs(point.value - tap.low))
        self._safety.enter(Output.ENERGISED)
        self._conditions.energise()
        self.source.set(first.level)
        self.source.energise()

    def go_to(self, point: Point) -> None:
        """Set the level of a point; or switch the source off, from where it comes on again before the next level.

        An end pair is read again without moving the input, and so is a point that is taken again.
        """
        if self._standing_at is not None and (point.setpoint.is_again or self._standing_at.number == point.number):
            return
        self._left()
        if point.setpoint.is_off:
            self._safety.enter(Output.MAKING_SAFE)
            self.source.make_safe()
            self._safety.enter(Output.SAFE)
        else:
            if self._safety.state is Output.SAFE:
                self.energise()
            self._conditions.go_to(point.setpoint.under)
            self.source.set(point.level)
        self._standing_at = point

    def recover(self) -> None:
        """Re-establish communication with the source; an output that was told off has proved it then."""
        self._conditions.recover()
        # While it is off for a capture it stays so.
        if self.source.recover() and self._safety.state is Output.MAKING_SAFE:
            self._safety.enter(Output.SAFE)
            self._standing_at, self._is_astray = None, True

    def energise_again(self) -> None:
        """Energise an output that is off; a person is asked first if it went off by itself and there are cautions."""
        if not self._is_astray or self._safety.state is not Output.SAFE:
            return
        went = "its output was off" if self.source.went_off else "told safe level and off at once"
        self._log.remark(f"{self.source.name}: {went}, and is set up again at its safe level")
        if self.source.went_off and self._plan.cautions and not self._plan.bench.file.is_simulated:
            confirm_again(self.source.name, self._operator)
        self.energise()

    def come_back(self, point: Point, *, points: tuple[Point, ...], wait: Callable[[Point], object]) -> None:
        """Where the output is off, visit what decides on which branch of a hysteresis the unit stands.

        Args:
            point: the one to come back to.
            points: of the whole plan, in order.
            wait: waits until the unit has settled at a point.
        """
        if not self._is_astray:
            self._log.remark("every instrument identified and set up; the input stands where it stood")
            return
        via = approach(points, point)
        tap = self._plan.sheet.taps[0]
        places = ", ".join(f"{100 * float(tap.fraction(np.array(each.value))):.4g} %" for each in via)
        self._log.remark(f"point approached again{' by way of ' if via else ''}{places}")
        for each in via:
            self._left()
            self.source.set(each.level)
            self.source.wait_stable(self._log.check_stop)
            self._standing_at = each
            wait(each)
            if self._safety.state is not Output.ENERGISED:  # it was told off again while waiting
                return
        self._is_astray = False
