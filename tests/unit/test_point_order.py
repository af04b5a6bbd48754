"""Points of a traverse taken in another order than up and down: which order, what it tells, that it can be resumed."""

import shutil

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.simulated.faults import CATALOGUE
from sequencer import core
from sequencer.inputs.point_order import bit_reversed, shuffled
from sequencer.jobs.interrupted import kept_plan, rest_of
from sequencer.journal.writer import entries
from sequencer.readings.table import grid
from sequencer.steps.traverse import STEP, TraverseSettings

SMALL_TRAVERSE = "traverse: {points: 5, cycles: 2, readings: 2}"


def settings(**given_):
    return TraverseSettings.model_validate({key.replace("_", " "): value for key, value in given_.items()})


def places(role="reading", **given_):
    visits = STEP.plan(settings(**given_))
    return [(each.cycle, round(100 * each.frac), each.direction) for each in visits if each.role == role]


def test_bit_reversed_is_the_sequence_of_van_der_corput():
    # 0, then 1/2, 1/4, 3/4, 1/8, 5/8, 3/8, 7/8 (base 2, from memory); here in eighths.
    assert bit_reversed(8) == (0, 4, 2, 6, 1, 5, 3, 7)
    # Of eleven points the indices above 10 of the sixteen are left out: 12, 14, 13, 11, 15.
    assert bit_reversed(11) == (0, 8, 4, 2, 10, 6, 1, 9, 5, 3, 7)


@given(points_n=st.integers(2, 200), seed=st.integers(0, 2**31 - 1), cycle=st.integers(1, 5))
def test_every_order_takes_every_point_once(points_n, seed, cycle):
    assert sorted(bit_reversed(points_n)) == list(range(points_n))
    assert sorted(shuffled(points_n, seed=seed, cycle=cycle)) == list(range(points_n))


@given(points_n=st.integers(4, 64))
def test_half_way_through_a_bit_reversed_order_no_large_part_of_the_range_is_left_out(points_n):
    # The first half of the sequence holds every other point of a power of two: gaps of two steps, then.
    digits_n = (points_n - 1).bit_length()
    done = sorted(each for each in bit_reversed(points_n)[: (points_n + 1) // 2])
    assert max(np.diff([*done, points_n])) <= 2 * 2 ** (digits_n - (points_n // 2).bit_length())


def test_a_random_order_is_the_same_for_a_seed_and_another_in_each_cycle():
    # As first made: a record that was begun with it must find it again whatever Python it is resumed with.
    assert shuffled(5, seed=1, cycle=1) == (4, 1, 3, 0, 2)
    drawn = {shuffled(7, seed=seed, cycle=cycle) for seed in range(20) for cycle in (1, 2)}
    assert len(drawn) > 30  # of 5040; forty draws repeat one with a chance of 0.14
    first = places(points="7", cycles="2", order="random", seed="3")
    assert first == places(points="7", cycles="2", order="random", seed="3")
    assert [at for cycle, at, _ in first if cycle == 1] != [at for cycle, at, _ in first if cycle == 2]
    assert {way for _, _, way in first} == {""}


def test_rising_goes_up_only_as_before():
    plain = STEP.plan(settings(points="5", cycles="2", direction="up"))
    assert STEP.plan(settings(points="5", cycles="2", order="rising")) == plain


def test_a_list_that_goes_to_and_fro_is_taken_as_it_stands_and_has_no_way():
    listed = ["50 %", "0 %", "100 %", "25 %", "75 %", "10 %", "90 %"]
    assert [at for _, at, _ in places(points=listed, cycles="1", order="given")] == [50, 0, 100, 25, 75, 10, 90]
    assert {way for _, _, way in places(points=listed, cycles="1", order="given")} == {""}


def test_a_list_that_falls_goes_down_from_the_top():
    falling = {"points": ["75 %", "50 %", "25 %"], "cycles": "2", "order": "given"}
    assert places(**falling) == [
        (cycle, at, "down") for cycle in (1, 2) for at in (75, 50, 25)
    ]  # come to from above each time
    assert places("exercise", **falling) == [(1, 100, "down"), (2, 100, "down")]


def test_a_list_that_turns_and_repeats_its_ends_has_end_pairs():
    listed = {"points": ["0 %", "50 %", "100 %", "100 %", "50 %", "0 %"], "cycles": "1", "order": "given"}
    assert places(**listed) == [(1, 0, "up"), (1, 50, "up"), (1, 100, "up"), (1, 50, "down"), (1, 0, "down")]
    assert places("end pair", **listed) == [(1, 100, "down")]


@pytest.mark.parametrize(
    ("given_", "says"),
    [
        ({"order": "falling"}, "'bit-reversed'"),
        ({"order": "rising", "direction": "up"}, 'either "direction" or "order"'),
        ({"seed": "3"}, '"seed" beside "order: random"'),
        ({"order": "random", "seed": "-1"}, "greater than or equal to 0"),
        ({"order": "random", "end_pair": "yes"}, "write the end twice"),
        ({"order": "given", "points": "5"}, '"points" as a list'),
        ({"order": "given", "points": ["0 %", "50 %", "50 %", "100 %"]}, "50 % once on one way"),
        ({"order": "random", "points": ["50 %", "0 %"]}, "points that rise"),
    ],
)
def test_what_contradicts_itself_is_refused(given_, says):
    with pytest.raises(ValueError, match=says):
        settings(**given_)


@pytest.fixture
def ordered(small, tmp_path):
    """A run of the small unit with its traverse in another order."""

    def made(order, *faults, cycles=2):
        bench = {"faults: []": f"faults: [{', '.join(faults)}]"}
        traverse = f"traverse: {{points: 9, cycles: {cycles}, readings: 2, order: {order}}}"
        planned = small(sequence={SMALL_TRAVERSE: traverse}, bench=bench)
        return planned, core.run(planned, serial="GF-104", results=tmp_path / "results")

    return made


def test_without_up_and_down_no_hysteresis_is_told_and_it_is_said_why(ordered):
    planned, done = ordered("bit-reversed")
    assert done.evaluation.verdict.result == "pass"
    (why,) = [each for each in done.evaluation.not_determined if each.startswith("hysteresis")]
    assert why == "hysteresis: the points were taken in an order that has no up and down"
    said = "step 2, traverse: points in bit-reversed order: they tell drift from slope and bend, and no hysteresis"
    assert said in planned.warnings
    assert said in done.record.content.remarks
    assert set(done.record.readings["direction"]) == {""}


def test_neighbours_in_time_are_those_that_were_read_one_after_the_other(ordered):
    _, done = ordered("bit-reversed", cycles=1)
    taken = grid(done.record.readings).taken[0, 0, 0]
    assert [int(at) for at in np.argsort(taken)] == list(bit_reversed(9))


def test_what_was_left_of_settling_is_each_points_own_where_there_is_no_way(ordered):
    # Up and down all points of one way have it in common, two factors; else each point comes from another side: nine.
    _, up_down = ordered("up and down")
    _, mixed = ordered("random")

    def columns_n(done):
        factors = done.evaluation.known.covariance.factors
        settling = [line for line in done.evaluation.budget.contributions if line.origin == "settling"]
        assert settling
        return len(factors)

    assert columns_n(mixed) - columns_n(up_down) == 9 - 2


def test_a_drift_is_no_slope_where_the_points_go_to_and_fro(ordered):
    assert "drift" in CATALOGUE
    drift = '{fault: "drift", rate: 200 %}'  # in an hour; the run takes a minute or less
    _, done = ordered("bit-reversed", drift)
    leader = done.record.content.findings.ranking[0]
    assert (leader.names, leader.weight > 0.95) == (("drift",), True)


@pytest.mark.parametrize("order", ["random", "bit-reversed", "rising"])
def test_a_run_that_was_cut_off_goes_on_in_its_order(ordered, tmp_path, order):
    planned, whole = ordered(order)
    folder = tmp_path / "cut"
    shutil.copytree(whole.record.folder / "inputs", folder / "inputs")
    lines = (whole.record.folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    read = [number for number, line in enumerate(lines) if line.startswith(b'{"kind": "reading"')]
    (folder / "journal.jsonl").write_bytes(b"".join(lines[: read[50] + 1]))  # 36 or 40 of cycle 1, the rest of cycle 2
    again = kept_plan(folder)
    assert [(each.value, each.setpoint) for each in again.points] == [
        (each.value, each.setpoint) for each in planned.points
    ]
    rest = rest_of(folder, again, list(entries(folder / "journal.jsonl")))
    assert {each.setpoint.cycle for each in rest.points if each.setpoint.is_read} == {2}
    done = core.resume(folder)
    assert (done.outcome.status, done.evaluation.verdict.result) == ("complete", "pass")
    assert core.verify(folder).is_intact
