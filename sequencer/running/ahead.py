"""The input that all units of a batch share, read while they settle: what would be waited for costs no time then.

What was read ahead serves only where the input stood still meanwhile, by as much as a unit may still be on its way.
"""

import numpy as np

from instruments.bench import Bench
from instruments.errors import NoReadingError
from sequencer.planning.plan import Plan, Point
from sequencer.running.logbook import Logbook
from sequencer.running.turns import Turns

__all__ = ["Ahead"]


class Ahead:
    """Reads the first tap ahead of the units; one a run.

    Args:
        plan: what is run; its first tap is read by an instrument.
        bench: with that instrument.
        log: of the run.
    """

    def __init__(self, plan: Plan, bench: Bench, log: Logbook) -> None:
        self._plan = plan
        self._bench = bench
        self._log = log
        tap, port = plan.sheet.taps[0], plan.wires[0].receiver
        assert port is not None
        self._port = port
        self._takes_s = plan.bench.descriptions[port.instrument].functions[port.function].takes
        self._receiver = bench.seen_at(None)[tap.name]
        self._taken: list[tuple[float, float]] = []  # what a unit should give for each reading, and when it was taken

    def select(self) -> None:
        """Function and range, as the units begin with."""
        self._receiver.select(self._port.entry, self._plan.sheet.taps[0].reading_unit)

    def is_worth_it(self, point: Point) -> bool:
        """Whether it is read there at all, and waited for."""
        setpoint = point.setpoint
        is_read = setpoint.readings_n > 1 and setpoint.tap in {"", self._plan.sheet.taps[0].name}
        return is_read and setpoint.is_waited_for and not (setpoint.every_s or setpoint.due_s)

    def reading(self, point: Point, settles_at_s: float) -> Turns[None]:
        """Take the readings of a point, in turns, so that the last ends about when the units settle.

        Args:
            point: where the input stands.
            settles_at_s: when the first unit is expected to have settled, on the clock of the bench.
        """
        self._taken, clock, readings_n = [], self._bench.clock, point.setpoint.readings_n
        wait_s = settles_at_s - clock.now()
        yield settles_at_s - min(readings_n * self._takes_s, wait_s / 2)
        while len(self._taken) < readings_n and clock.now() < settles_at_s:
            self._log.check_stop()
            if not self._take(point):
                return
            yield clock.now()

    def confirm(self, point: Point) -> None:
        """A unit has settled: what was read ahead is forgotten where the input may have moved since."""
        taken, self._taken = self._taken, []
        if not taken:
            return
        outputs, times_s = [each for each, _ in taken], [at_s for _, at_s in taken]
        took_s, since_s = times_s[-1] - times_s[0], self._bench.clock.now() - times_s[-1]
        # It goes on as it went at most; where the unit took longer than was expected, more may have happened.
        if since_s <= took_s and 2 * (max(outputs) - min(outputs)) <= point.rule.band:
            return
        is_there = self._take(point) and all(abs(each - self._taken[-1][0]) <= point.rule.band for each in outputs)
        self._taken = []
        if not is_there:
            self._bench.moved()

    def _take(self, point: Point) -> bool:
        """One reading; False if there was none, which is for the units to find out."""
        tap = self._plan.sheet.taps[0]
        try:
            sample = self._receiver.read(expected=float(tap.to_reading(np.array(point.expected[0]))))
        except NoReadingError:
            return False
        output = self._plan.sheet.ideal(tap.from_reading(np.array(sample.value)))
        self._taken.append((float(output), sample.at_s))
        return True
