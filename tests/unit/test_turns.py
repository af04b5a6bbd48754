"""Units served in turn: each as soon as it is due, on virtual time."""

import pytest

from instruments.clock import VirtualClock
from sequencer.running.turns import AT_LEISURE, in_turn


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


def test_what_can_wait_is_done_between_the_turns_of_one_that_cannot():
    clock, log = VirtualClock(), []

    def read():
        yield AT_LEISURE
        log.append(("read", round(clock.now(), 6)))
        clock.sleep(0.05)

    visits = [read(), visit(clock, log, "moving", takes_s=0.02, turns_n=3, every_s=0.1), read()]
    in_turn(clock, visits)
    # The moving one is due at 0, 0.1 and 0.2 s; each of the others takes 0.05 s of what is left between.
    assert log == [("moving", 0.0), ("read", 0.02), ("read", 0.07), ("moving", 0.12), ("moving", 0.22)]
