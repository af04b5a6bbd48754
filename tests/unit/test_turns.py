"""Units served in turn: each as soon as it is due, on virtual time."""

import pytest

from instruments.clock import VirtualClock
from sequencer.running.turns import in_turn


def visit(clock, log, name, *, takes_s, turns_n, every_s):
    for _ in range(turns_n):
        began_s = clock.now()
        clock.sleep(takes_s)
        log.append((name, round(began_s, 6)))
        yield began_s + every_s
    return name


def test_one_alone_is_served_at_its_own_pace():
    clock, log = VirtualClock(), []
    assert in_turn(clock, [visit(clock, log, "a", takes_s=0.02, turns_n=3, every_s=0.1)]) == ["a"]
    assert log == [("a", 0.0), ("a", 0.1), ("a", 0.2)]
    assert clock.now() == pytest.approx(0.3)  # as long as it asked to wait


def test_a_late_one_is_waited_for_and_the_others_lose_no_time():
    clock, log = VirtualClock(), []
    visits = [
        visit(clock, log, "late", takes_s=0.02, turns_n=40, every_s=0.1),
        visit(clock, log, "soon", takes_s=0.02, turns_n=3, every_s=0.1),
    ]
    assert in_turn(clock, visits) == ["late", "soon"]
    assert [at_s for name, at_s in log if name == "soon"] == [0.02, 0.12, 0.22]
    assert [at_s for name, at_s in log if name == "late"][-1] == 3.9


def test_more_than_can_be_served_in_time_are_served_one_after_another_without_a_pause():
    clock, log = VirtualClock(), []
    in_turn(clock, [visit(clock, log, n, takes_s=0.02, turns_n=2, every_s=0.1) for n in range(16)])
    assert [name for name, _ in log] == [*range(16), *range(16)]
    assert log[16] == (0, 0.32)  # 16 units of 20 ms each


def test_what_stands_beside_the_units_is_served_at_once_when_it_is_due_and_ends_with_them():
    clock, log = VirtualClock(), []
    beside = visit(clock, log, "beside", takes_s=0.01, turns_n=99, every_s=0.1)
    in_turn(clock, [visit(clock, log, n, takes_s=0.02, turns_n=5, every_s=0.0) for n in range(4)], [beside])
    # Twenty turns of 20 ms, and one of 10 ms as soon as 0.1 s have passed and the turn of a unit is over.
    assert [at_s for name, at_s in log if name == "beside"] == [0.0, 0.11, 0.22, 0.33, 0.44]
    assert clock.now() == pytest.approx(20 * 0.02 + 5 * 0.01)
