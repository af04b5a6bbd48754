"""Properties of the search for the smallest travel that moves the output, over drawn units."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.evaluation.moved import Visit
from sequencer.evaluation.threshold import Wanted, found_of, next_move

WIDTH = st.floats(0.0, 1.2)
WANTED = st.builds(
    Wanted,
    alpha=st.sampled_from([0.01, 0.05, 0.2]),
    within=st.floats(0.02, 0.5),
    floor=st.floats(0.01, 0.2),
    most=st.just(1.0),
    repeats=st.integers(1, 4),
    is_step=st.booleans(),
)


def visits_of(answer, wanted, digit):
    """A search without noise."""
    visits, at_s, approach = [], 0.0, 0
    while (move := next_move(visits, digit, wanted)) is not None:
        approach += move.travel == 0
        at_s += 5.0
        level = answer(move.travel)
        level = round(level / digit) * digit if digit else level
        visits.append(
            Visit(
                approach=approach, travel=move.travel, output=level, sd=0.0, readings_n=move.readings_n,
                at_s=at_s, went=move.travel,
            )
        )  # fmt: skip
        assert len(visits) < 300
    return visits


@settings(max_examples=40)
@given(width=WIDTH, wanted=WANTED, kind=st.sampled_from(["play", "sticks"]), digit=st.sampled_from([0.0, 0.01, 0.1]))
def test_it_ends_and_its_interval_holds_the_width(width, wanted, kind, digit):
    def answer(travel):
        return max(travel - width, 0.0) if kind == "play" else travel * (travel > width)

    found = found_of(visits_of(answer, wanted, digit), digit, wanted)
    assert found.low <= width + 1e-6 or found.is_never
    if width > wanted.most:
        assert np.isnan(found.high)
    if not np.isnan(found.high):
        assert found.low <= found.high
        assert width <= found.high + 1e-6


@settings(max_examples=30)
@given(width=st.floats(0.05, 0.8), wanted=WANTED, data=st.data())
def test_what_was_asked_before_is_asked_again_of_the_same_visits(width, wanted, data):
    visits = visits_of(lambda travel: travel * (travel > width), wanted, 0.0)
    at = data.draw(st.integers(1, len(visits) - 1))
    move = next_move(visits[:at], 0.0, wanted)
    assert move is not None
    assert (move.travel, move.readings_n) == (visits[at].travel, visits[at].readings_n)
