"""The input that all units share, read while they settle: used only where it stood still."""

import math

import pytest

from instruments.clock import VirtualClock
from instruments.errors import NoReadingError
from instruments.roles import Sample
from sequencer.running.ahead import Ahead
from sequencer.running.turns import in_turn


class Shared:
    """A bench whose input moves as a function of time; each reading takes 0.1 s."""

    def __init__(self, level):
        self.clock = VirtualClock()
        self.level = level
        self.read_n = 0
        self.forgotten_n = 0

    def seen_at(self, place):
        assert place is None
        return {"input": self}

    def select(self, entry, unit):
        self.entry, self.unit = entry, unit

    def read(self, *, expected):
        self.clock.sleep(0.1)
        self.read_n += 1
        value = self.level(self.clock.now(), expected)
        return Sample(value, self.clock.now(), str(value))

    def moved(self):
        self.forgotten_n += 1


class Log:
    def check_stop(self):
        pass


def ahead_of(plan, level, *, settles_s, settled_s):
    """Reads ahead of units that are expected to settle after one time, and do after another."""
    point = next(each for each in plan.points if each.setpoint.readings_n and each.value > 0)
    bench = Shared(level)
    ahead = Ahead(plan, bench, Log())
    ahead.select()

    def wait():
        yield settled_s

    in_turn(bench.clock, [wait()], [ahead.reading(point, settles_s)])
    ahead.confirm(point)
    return bench, point


@pytest.fixture
def plan(small):
    return small(sequence={"readings: 2": "readings: 5"})


def test_a_steady_input_is_read_ahead_and_not_again(plan):
    bench, point = ahead_of(plan, lambda _, level: level, settles_s=3.0, settled_s=3.1)
    assert bench.unit == "Hz"
    assert (bench.read_n, bench.forgotten_n) == (point.setpoint.readings_n, 0)


@pytest.mark.parametrize(("tau_s", "settled_s"), [(0.6, 3.1), (3.0, 6.4), (10.0, 26.0)])
def test_an_input_that_was_still_on_its_way_is_read_again(plan, tau_s, settled_s):
    # From the level below, 500 Hz away: what is left after a time is 500 Hz exp(-t / tau). The units have 0.04 % of
    # span, 0.4 Hz, to go where they settle; ahead of that the input had more.
    bench, point = ahead_of(
        plan, lambda at_s, level: level - 500 * math.exp(-at_s / tau_s), settles_s=3.0, settled_s=settled_s
    )
    assert point.rule.band == pytest.approx(0.0064)
    assert bench.forgotten_n == 1


def test_one_that_stood_still_and_left_later_is_read_again_where_much_time_has_passed(plan):
    bench, _ = ahead_of(plan, lambda at_s, level: level + (5 if at_s > 4 else 0.05 * at_s), settles_s=3.0, settled_s=9)
    assert bench.forgotten_n == 1


def test_no_reading_ahead_is_left_to_the_units(plan):
    def none(*_):
        raise NoReadingError("garbled", where="reference", command="READ?", reply="?")

    bench, _ = ahead_of(plan, none, settles_s=3.0, settled_s=3.1)
    assert (bench.read_n, bench.forgotten_n) == (1, 0)
