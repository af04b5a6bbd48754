"""From "energised" every way out leads through making safe: proved on the table of states, and seen in runs."""

import pytest

from instruments.errors import StoppedError
from instruments.simulated.bench import Mishap
from sequencer.running.safety import FOLLOWING, Output, Safety


def reached(start, *, without):
    """Every state that can be reached from one, none of the ways leading through another."""
    found, ahead = set(), [start]
    while ahead:
        for state in FOLLOWING[ahead.pop()] - found - {without}:
            found.add(state)
            ahead.append(state)
    return found


@pytest.mark.parametrize("start", [Output.ENERGISED, Output.UNKNOWN])
def test_no_way_out_goes_past_making_safe(start):
    assert reached(start, without=Output.MAKING_SAFE) == set()
    assert Output.ENDED in reached(start, without=None)


def test_no_way_leads_to_energised_but_from_what_was_proved_safe():
    assert {state for state, following in FOLLOWING.items() if Output.ENERGISED in following} == {Output.SAFE}
    assert {state for state, following in FOLLOWING.items() if Output.ENDED in following} == {
        Output.SAFE,
        Output.NOT_SAFE,
    }


def test_every_state_has_its_row_and_the_end_is_one():
    assert set(FOLLOWING) == set(Output)
    assert FOLLOWING[Output.ENDED] == frozenset()


@pytest.mark.parametrize(
    ("before", "after"), [(a, b) for a in Output for b in Output if b not in FOLLOWING[a]], ids=lambda each: each.value
)
def test_what_does_not_follow_is_refused(before, after):
    safety = Safety()
    safety.state = before
    with pytest.raises(RuntimeError, match=f'cannot go from "{before.value}" to "{after.value}"'):
        safety.enter(after)
    assert safety.state is before


M, S, E, N, X = Output.MAKING_SAFE, Output.SAFE, Output.ENERGISED, Output.NOT_SAFE, Output.ENDED


@pytest.mark.parametrize(
    ("wrong", "error", "states"),
    [
        ([], None, [M, S, E, M, S, X]),
        ([], StoppedError("at the page"), [M, S, E, M, S, X]),
        ([], ZeroDivisionError(), [M, S, E, M, S, X]),
        ([Mishap(kind="time-out", instrument="meter", times_n=1000)], None, [M, S, X]),
        ([Mishap(kind="time-out", instrument="source", at_exchange=30, times_n=1000)], None, [M, S, E, M, N, X]),
        ([Mishap(kind="power-cycled", instrument="source", at_exchange=40)], None, [M, S, E, M, S, E, M, S, X]),
    ],
    ids=["to its end", "stopped", "a fault of livezero", "a dead meter", "a dead source", "power lost"],
)
def test_a_run_goes_through_the_states_as_drawn(small, run, monkeypatch, wrong, error, states):
    seen = []
    enter = Safety.enter

    def entered(safety, state):
        enter(safety, state)
        seen.append(state)

    def end(event, _):
        if error is not None and type(event).__name__ == "ReadingTaken":
            raise error

    monkeypatch.setattr(Safety, "enter", entered)
    run(small(), wrong=wrong, on_event=end)
    assert seen == states
