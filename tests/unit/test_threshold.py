"""The search for the smallest travel that moves the output: its intervals, and how few settings it takes.

Units have closed forms: play of width b follows by travel less b, one that sticks jumps by the whole travel beyond w.
"""

import math

import numpy as np
import pytest

from sequencer.evaluation.moved import Visit, changes, noise_of
from sequencer.evaluation.threshold import Wanted, _split, found_of, next_move

WANTED = Wanted(alpha=0.05, within=0.1, floor=0.05, most=1.0)


def searched(answer, *, wanted=WANTED, noise=0.0, digit=0.0, drift=0.0, seed=1):
    """All visits of a search; `answer` is the change of the output for a travel."""
    random, visits, at_s, approach = np.random.default_rng(seed), [], 0.0, 0
    while (move := next_move(visits, digit, wanted)) is not None:
        approach += move.travel == 0
        at_s += 15.0 if move.travel == 0 else 5.0
        values = 3.0 + answer(move.travel) + drift * at_s + noise * random.normal(size=move.readings_n)
        values = np.round(values / digit) * digit if digit else values
        visits.append(
            Visit(
                approach=approach,
                travel=move.travel,
                output=float(values.mean()),
                sd=float(values.std(ddof=1)),
                readings_n=move.readings_n,
                at_s=at_s,
                went=move.travel,
            )
        )
        assert len(visits) < 200
    return visits


def play(width):
    return lambda travel: max(travel - width, 0.0)


def sticks(width):
    return lambda travel: travel if travel > width else 0.0


@pytest.mark.parametrize("width", [0.06, 0.2, 0.45, 0.8])
@pytest.mark.parametrize("unit", [play, sticks])
@pytest.mark.parametrize(("noise", "digit", "drift"), [(0, 0, 0), (0.005, 0.002, 0), (0.01, 0.01, 0), (0.004, 0, 5e-4)])
def test_the_interval_holds_the_width_and_is_as_narrow_as_wanted(unit, width, noise, digit, drift):
    visits = searched(unit(width), noise=noise, digit=digit, drift=drift)
    found = found_of(visits, digit, WANTED)
    assert found.low <= width <= found.high
    assert found.high - found.low <= 1.5 * max(2 * 0.1 * width, 0.05)
    assert len(found.repeats) >= 3
    # A walk back in twenty steps of 0.05 %, three times, with the two moves up to the place each time.
    moves = len(visits) + sum(each.is_reference for each in visits)
    assert moves < 3 * (20 + 2) * 0.75


def test_one_that_answers_at_once_takes_three_moves_an_approach():
    visits = searched(play(0.0), noise=0.003)
    found = found_of(visits, 0.0, WANTED)
    assert (found.low, found.high) == (0.0, pytest.approx(0.05))
    assert [each.travel for each in visits] == [0.0, 0.05] * 3


def test_one_that_follows_by_a_third_of_the_way_is_not_taken_for_a_dead_band():
    found = found_of(searched(lambda travel: travel / 3, noise=0.002), 0.0, WANTED)
    assert found.low == 0.0
    assert found.follows == pytest.approx(1 / 3, abs=0.15)


def test_a_dead_output_is_told_after_one_way_back_and_a_second_reading_of_its_start():
    visits = searched(lambda _: 0.0, noise=0.003)
    found = found_of(visits, 0.0, WANTED)
    assert found.is_never
    assert math.isnan(found.high)
    assert found.most == WANTED.most
    assert sum(each.is_reference for each in visits) <= 3


def test_noise_that_hides_any_answer_is_not_a_dead_output():
    found = found_of(searched(play(0.3), noise=8.0), 0.0, WANTED)
    assert not found.is_never
    assert math.isnan(found.high)


def test_below_the_digits_of_the_receiver_nothing_is_claimed():
    # Two roundings hide a digit of 0.1 % at most each way, so 0.1 % is never told from none.
    found = found_of(searched(play(0.0), digit=0.1), 0.1, WANTED)
    assert found.low == 0.0
    assert 0.1 < found.high <= 0.4
    assert found.is_noise_bound


def test_drift_between_references_is_no_answer():
    # 0.6 % in ten minutes, as if the input were followed, and nothing else.
    found = found_of(searched(lambda _: 0.0, noise=0.002, drift=1e-3), 0.0, WANTED)
    assert math.isnan(found.high)


def test_approaches_that_differ_give_the_largest():
    widths = {1: 0.3, 2: 0.3, 3: 0.45, 4: 0.32, 5: 0.45, 6: 0.3, 7: 0.3}
    count = [0]

    def answer(travel):
        count[0] += travel == 0
        return travel if travel > widths.get(count[0], 0.3) else 0.0

    visits = searched(answer, noise=0.002)
    found = found_of(visits, 0.0, WANTED)
    if count[0] > 2:
        assert found.high >= 0.3
    assert found.low <= 0.45


def test_rounding_is_no_bias_where_noise_dithers_it():
    # The first harmonic of a rounded mean: (q / pi) exp(-2 pi^2 (s / q)^2), a millionth of a digit at s = 0.8 q.
    visit = {"travel": 0.0, "output": 0.0, "readings_n": 50, "at_s": 0.0, "went": 0.0}
    noisy = noise_of([Visit(approach=1, sd=0.1, **visit)], 0.1)
    quiet = noise_of([Visit(approach=1, sd=0.0, **visit)], 0.1)
    assert noisy.bias < 1e-6
    assert quiet.bias == pytest.approx(0.1, rel=1e-6)


def test_a_change_lies_between_the_references_before_and_after_it():
    visit = {"sd": 0.01, "readings_n": 4, "went": 0.0}
    visits = [
        Visit(approach=1, travel=0.0, output=1.0, at_s=0.0, **visit),
        Visit(approach=1, travel=0.5, output=1.5, at_s=25.0, **visit),
        Visit(approach=2, travel=0.0, output=2.0, at_s=100.0, **visit),
    ]
    (change,) = changes(visits, noise_of(visits, 0.0), 0.01)
    assert change.middle == pytest.approx(1.5 - 1.25)  # a quarter of the way from 1 to 2
    assert change.low < change.middle < change.high


def test_the_split_is_the_cheapest_of_all_trees():
    def cost(weights):
        """By trying every tree: one visit a trial, two moves more where one that moved is gone on with."""
        if len(weights) == 1:
            return 0.0
        return sum(weights) + min(
            (2 * sum(weights[:cut]) if cut > 1 else 0.0) + cost(weights[:cut]) + cost(weights[cut:])
            for cut in range(1, len(weights))
        )

    random = np.random.default_rng(4)
    for n in (2, 3, 5, 8):
        weights = tuple(round(float(each), 6) for each in random.exponential(size=n))
        cut = _split(weights)
        own = sum(weights) + (2 * sum(weights[:cut]) if cut > 1 else 0.0) + cost(weights[:cut]) + cost(weights[cut:])
        assert own == pytest.approx(cost(weights))


def test_noise_alone_is_not_said_to_wander_and_a_drift_is():
    """A reference at rest, come to again four times, ten readings each: 2000 draws; 5e-4 by each of two tests."""
    rng = np.random.default_rng(4)

    def told(per_visit):
        visits = []
        for number in range(1, 5):
            for travel in (0.0, 0.5):
                at = rng.normal(0, 0.01, 10) + per_visit * len(visits)
                visits.append(
                    Visit(
                        approach=number, travel=travel, output=float(at.mean()), sd=float(at.std(ddof=1)),
                        readings_n=10, at_s=5.0 * len(visits), went=travel,
                    )
                )  # fmt: skip
        return noise_of(visits, 0.0).is_wandering

    assert sum(told(0.0) for _ in range(2000)) <= 10
    assert all(told(0.02) for _ in range(50))
