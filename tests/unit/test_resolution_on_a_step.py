"""Searches that came to stand on a step of the output itself, where its readings go to and fro.

The readings are those of a unit with steps of one width behind noise at its input and its output, drawn by a generator
that shares no equation with the search; so the widths and where the steps lie are known.
"""

import pytest

from sequencer.evaluation.moved import Visit
from sequencer.evaluation.resolution import interval_of, next_visit
from sequencer.evaluation.searched import Place
from sequencer.evaluation.threshold import Wanted

WANTED = Wanted(alpha=0.05, within=0.1, floor=0.05, most=1.0)
DIGIT = 0.01


def place(at_pct, *visits):
    made = [
        Visit(approach=n, travel=travel, output=mean, sd=sd, readings_n=readings_n, at_s=5.0 * k, went=travel)
        for k, (n, travel, mean, sd, readings_n) in enumerate(visits)
    ]
    return Place(
        at_pct=at_pct, visits=tuple(made), numbers_n=len(made), digit=DIGIT, slope=1.0, is_read=True, is_there=True
    )


# Steps of 0.1435 %, at -0.0031 % and 0.1404 % from the place: both ends of the travel lie on one.
BOTH_ENDS = (
    place(
        50.0,
        *((1, 0.0, 50.407, 0.0744, 10), (1, 0.1415, 50.4833, 0.0839, 3), (1, 0.1415, 50.5115, 0.0724, 47)),
        *((2, 0.0, 50.408, 0.0677, 50), (2, 0.0705, 50.46, 0.01, 3), (2, 0.0705, 50.453, 0.0116, 47)),
        (3, 0.0, 50.4116, 0.0634, 50),
    ),
    place(
        50.0705,
        *((1, 0.0, 50.449, 0.0099, 10), (1, 0.025, 50.46, 0.01, 3), (1, 0.025, 50.4521, 0.0108, 47)),
        *((1, 0.115, 50.59, 0.01, 3), (2, 0.0, 50.4518, 0.008, 50), (2, 0.04, 50.4467, 0.0115, 3)),
        *((2, 0.04, 50.4511, 0.0117, 47), (2, 0.055, 50.4533, 0.0058, 3), (2, 0.055, 50.4517, 0.0099, 47)),
        *((2, 0.07, 50.4967, 0.0808, 3), (3, 0.0, 50.4526, 0.0101, 50), (3, 0.055, 50.4633, 0.0058, 3)),
        *((3, 0.055, 50.4496, 0.0108, 47), (3, 0.07, 50.54, 0.0954, 3), (4, 0.0, 50.4518, 0.0069, 50)),
        *((4, 0.055, 50.4567, 0.0058, 3), (4, 0.055, 50.4513, 0.0103, 47), (4, 0.07, 50.59, 0.01, 3)),
    ),
)
# Steps of 0.1035 %, at 0.0475 % and 0.1511 %: the second search begins on one, which its first ten readings hid.
BEGINNING = (
    place(
        50.0,
        *((1, 0.0, 50.072, 0.0114, 10), (1, 0.025, 50.0533, 0.0115, 3), (1, 0.025, 50.0643, 0.0097, 47)),
        *((1, 0.115, 50.1633, 0.0058, 3), (2, 0.0, 50.0626, 0.0123, 50), (2, 0.04, 50.0967, 0.0462, 3)),
        (3, 0.0, 50.0654, 0.0101, 50),
    ),
    place(
        50.04,
        *((1, 0.0, 50.061, 0.0088, 10), (1, 0.025, 50.1667, 0.0058, 3), (2, 0.0, 50.0712, 0.0269, 50)),
        *((2, 0.025, 50.1633, 0.0058, 3), (3, 0.0, 50.0676, 0.0272, 50), (3, 0.025, 50.17, 0.01, 3)),
    ),
)


def test_an_interval_that_ends_on_a_step_holds_its_width():
    low, high = interval_of(50.0, WANTED, BOTH_ENDS)
    assert low <= 0.1435 <= high


def test_where_the_next_search_begins_on_a_step_it_begins_anew_a_little_farther_on():
    wanted = next_visit(50.0, WANTED, BEGINNING)
    assert wanted.from_pct == pytest.approx(50.04 + WANTED.floor / 2)
    assert wanted.move.travel == 0


def test_three_readings_on_one_digit_by_chance_put_nothing_else_on_a_step():
    # Noise of one digit, no step within 0.14 %: what is at the place is as quiet as anywhere.
    known = (place(50.0, (1, 0.0, 50.983, 0.0116, 10), (1, 0.025, 50.98, 0.0, 3)),)
    wanted = next_visit(50.0, WANTED, known)
    assert wanted.from_pct == 50.0
