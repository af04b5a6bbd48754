"""When a unit counts as settled, and when it does not."""

import math
from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy import stats

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling import Settling, State

PUBLISHED = yaml.safe_load(
    (Path(__file__).parents[2] / "shared/published/dynamics/step-response.yaml").read_text(encoding="utf-8")
)


def rule(**changes):
    return SettlingRule(**{"band": 1.0, "time_constant_s": 1.0, "minimum_s": 0.5, "maximum_s": 60.0} | changes)


def follow(response, a_rule, *, sd=0.0, seed=1, every_s=None):
    """Sample `response` as a run would, rounded as the receiver does, until it is over."""
    rng = np.random.default_rng(seed)
    settling = Settling(a_rule)
    quantum = a_rule.resolution
    n = 0
    while settling.state is State.MOVING:
        n += 1
        at_s = n * (every_s or a_rule.interval_s)
        value = response(at_s) + sd * rng.standard_normal()
        settling.add(at_s, round(value / quantum) * quantum if quantum else value)
    return settling.settled()


def lag(step, tau_s=1.0, dead_s=0.0):
    return lambda at_s: -step * math.exp(-max(at_s - dead_s, 0.0) / tau_s)


@pytest.mark.parametrize(("band_pct", "settle_over_tau"), PUBLISHED["first_order"]["settle_over_tau"].items())
@pytest.mark.parametrize("tau_s", [0.7, 1.0, 1.3])
def test_a_first_order_lag_is_steady_soon_after_the_published_time_and_not_before(band_pct, settle_over_tau, tau_s):
    settled = follow(lag(100 / band_pct, tau_s), rule(), sd=0.02)
    assert settled.is_steady
    ideal_s = settle_over_tau * tau_s
    # Three nominal time constants must be seen; after that 10 % and the two readings that must agree.
    assert ideal_s <= settled.after_s <= max(3.2, 1.1 * ideal_s + 0.2)


@pytest.mark.parametrize(("zeta", "settle_wn"), PUBLISHED["second_order"]["settle_1pct_times_wn"].items())
def test_an_oscillation_is_not_steady_before_the_published_time(zeta, settle_wn):
    tau_s, wd = 1.0, math.sqrt(1 / zeta**2 - 1)  # envelope of 1 s, so wn is 1 / zeta

    def response(at_s):
        return -100 * math.exp(-at_s / tau_s) * (math.cos(wd * at_s) + math.sin(wd * at_s) / wd)

    settled = follow(response, rule(), sd=0.2, seed=3)
    assert settled.is_steady
    assert settle_wn * zeta <= settled.after_s <= 12


@pytest.mark.parametrize("sd", [0.0, 0.3, 1.0, 3.0])
def test_noise_does_not_make_it_early(sd):
    after_s = [follow(lag(500), rule(), sd=sd, seed=seed).after_s for seed in range(20)]
    assert min(after_s) >= math.log(500)
    assert np.mean(after_s) <= 1.12 * math.log(500)


def test_the_estimates_are_those_of_the_unit():
    settled = follow(lag(1000, 1.2), rule(), sd=0.5)
    assert settled.time_constant_s == pytest.approx(1.2, rel=0.03)
    assert settled.noise_sd == pytest.approx(0.5, rel=0.4)  # 30 readings
    assert settled.to_go <= 1
    assert settled.trace[-1][0] == settled.after_s


@pytest.mark.parametrize("every_s", [0.5, 1.0, 2.0, 10.0], ids="{} tau".format)
def test_a_slow_receiver_needs_few_readings(every_s):
    settled = follow(lag(1000), rule(), sd=0.1, every_s=every_s)
    assert settled.is_steady
    assert settled.after_s >= math.log(1000)
    assert settled.after_s <= max(math.log(1000) + 4 * every_s, 4 * every_s)


@pytest.mark.parametrize("sd", [0.0, 0.2])
def test_a_unit_without_lag_is_steady_after_the_shortest_wait(sd):
    settled = follow(lambda _: 12.0, rule(time_constant_s=0.0, minimum_s=1.0), sd=sd)
    assert settled.is_steady
    assert 1.0 <= settled.after_s <= 1.3


@pytest.mark.parametrize("tau_s", [0.1, 1.0, 5.0])
def test_an_unknown_lag_is_waited_for(tau_s):
    settled = follow(lag(1000, tau_s), rule(time_constant_s=0.0, minimum_s=0.2, maximum_s=200.0), sd=0.2)
    assert settled.is_steady
    assert math.log(1000) * tau_s <= settled.after_s <= 1.6 * math.log(1000) * tau_s + 0.5


@pytest.mark.parametrize("quantum", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("offset", [0.0, 0.3, 0.6, 0.9])
def test_a_standing_digit_is_no_proof_for_a_lag_three_times_slower_than_nominal(quantum, offset):
    def response(at_s):
        return quantum * offset + lag(10, 3.0)(at_s)

    settled = follow(response, rule(resolution=quantum))
    assert settled.is_steady
    assert abs(lag(10, 3.0)(settled.after_s)) <= 1


def test_a_last_digit_that_flickers_settles():
    assert follow(lag(200), rule(resolution=2.0), sd=0.5).is_steady


def test_a_ramp_is_not_steady_before_it_ends():
    settled = follow(lambda at_s: 100 * min(at_s, 10.0), rule(resolution=0.2), sd=0.5)
    assert settled.is_steady
    assert settled.after_s > 10


def test_a_longer_dead_time_is_seen_where_the_step_is_known():
    settled = follow(lag(1000, dead_s=5.0), rule(before=-1000.0, expected=0.0), sd=0.2)
    assert settled.is_steady
    assert settled.after_s >= 5 + math.log(1000)


# The longer of the shortest wait and five time constants, and of what a lag needs for the step.
@pytest.mark.parametrize(("step", "wait_s"), [(50.0, 0.5 + 5 * 1.0), (1000.0, math.log(1000))])
def test_a_stuck_unit_ends_as_steady(step, wait_s):
    settled = follow(lambda _: 4.0, rule(before=4.0, expected=4.0 + step), sd=0.2)
    assert settled.is_steady
    assert settled.after_s == pytest.approx(wait_s, abs=0.2)


@pytest.mark.parametrize(("level", "is_held"), [(20.5, True), (20.0, True), (3.8, True), (12.0, False)])
def test_an_output_at_an_end_is_steady_once_the_step_had_its_time(level, is_held):
    # It stood elsewhere before, and is there at once.
    at_ends = rule(band=0.01, before=0.0, expected=16.0, stood_at=8.0, ends=(4.0, 20.0), pace_s=2.0)
    settled = follow(lambda _: level, at_ends, sd=0.0005)
    assert settled.is_steady
    if is_held:
        assert settled.after_s == pytest.approx(2 * math.log(1600), abs=0.1)
        assert settled.held_s > 10
    else:
        assert settled.after_s < 4
        assert settled.held_s == 0


def test_a_held_output_that_needs_longer_than_the_longest_settling_is_not_taken_for_steady():
    at_ends = rule(maximum_s=8.0, band=0.01, before=4.0, expected=20.0, ends=(4.0, 20.0), pace_s=50.0)
    settled = follow(lambda _: 20.5, at_ends, sd=0.0005)
    assert settled.state is State.NEVER
    assert settled.after_s == pytest.approx(8.0, abs=0.11)


def test_an_output_that_leaves_its_limit_late_is_not_believed_there():
    # A lag three times slower than stated comes below 20.5 mA after 6 s, on its way to 18.4 mA; five stated time
    # constants are over by then, and the 20 mA that are stated for the place it left are not near.
    late = rule(band=0.01, before=20.0, expected=18.4, stood_at=20.5, pace_s=3.0)
    settled = follow(lambda at_s: min(20.5, 18.4 + 2.1 * math.exp(2 - at_s / 3)), late, sd=0.0005)
    assert settled.is_steady
    assert settled.trace[-1][1] == pytest.approx(18.4, abs=0.012)


def test_the_dead_time_is_not_judged():
    settled = follow(lag(1000, dead_s=3.0), rule(dead_time_s=3.0, minimum_s=3.0), sd=0.2)
    assert 3 + math.log(1000) <= settled.after_s <= 3 + 1.1 * math.log(1000) + 0.2
    assert settled.trace[0][0] == pytest.approx(0.1)


def test_a_declared_tail_is_waited_for():
    def response(at_s):
        return -1000 * math.exp(-at_s) - 50 * math.exp(-at_s / 5)

    assert follow(response, rule(tail_s=5.0), sd=0.2).after_s >= 5 * math.log(50)


def test_drift_never_settles():
    settled = follow(lambda at_s: 2 * at_s, rule(), sd=0.2)
    assert settled.state is State.NEVER
    assert settled.after_s == pytest.approx(60, abs=0.2)


def test_drift_in_noise_ten_times_the_tolerance_never_settles():
    # A bound from the whole record alone was within the tolerance here after 35 s.
    assert follow(lambda at_s: 2 * at_s, rule(), sd=20).state is State.NEVER


def test_noise_without_drift_is_told_apart_from_motion():
    assert follow(lambda _: 0.0, rule(maximum_s=15.0), sd=20).state is State.NOISY


def test_invalid_readings_let_time_pass():
    settling = Settling(rule(maximum_s=2.0))
    states = [settling.add(0.1 * n, math.nan) for n in range(1, 21)]
    assert states == [State.MOVING] * 19 + [State.NEVER]
    assert settling.to_go == math.inf


def test_time_must_go_on():
    settling = Settling(rule())
    settling.add(1.0, 5.0)
    with pytest.raises(ValueError, match="a reading at 1 s cannot follow one at 1 s"):
        settling.add(1.0, 5.0)


def test_what_is_over_stays_as_it_is():
    settling = Settling(rule(maximum_s=1.0))
    settling.add(1.0, 5.0)
    before = settling.settled()
    assert settling.add(2.0, 6.0) is State.NEVER
    # Field by field as printed: what is not known is NaN, which equals nothing.
    assert repr(settling.settled()) == repr(before)


def test_a_long_wait_overflows_nothing():
    settling = Settling(rule(band=1e-9, time_constant_s=0.01, maximum_s=1e7))
    walk = np.random.default_rng(1).standard_normal(5000).cumsum()
    with np.errstate(over="raise", divide="raise", invalid="raise"):
        for n, value in enumerate(walk, start=1):
            settling.add(0.001 * n if n < 4996 else 1000.0 * n, value)
    assert settling.state is State.MOVING


def test_readings_far_apart_overflow_nothing():
    settled = follow(lag(1000), rule(time_constant_s=1e-6, maximum_s=1e6), sd=0.1, every_s=1e4)
    assert settled.is_steady


def readings(a_rule, values, every_s=0.25):
    """Times in eighths and quarters are exact; follows until it is over, or the values are."""
    settling = Settling(a_rule)
    for n, value in enumerate(values, start=1):
        if settling.add(every_s * n, value) is not State.MOVING:
            break
    return settling


# Without a lag three readings bound what is to go, at 0.75 s; the one after confirms it.
@pytest.mark.parametrize(("minimum_s", "after_s"), [(0.25, 1.0), (1.0, 1.0), (1.25, 1.25), (2.0, 2.0)])
def test_two_readings_in_a_row_and_the_shortest_wait_are_needed(minimum_s, after_s):
    settled = readings(rule(time_constant_s=0.0, minimum_s=minimum_s), [12.0] * 20).settled()
    assert settled.state is State.STEADY
    assert settled.after_s == after_s
    assert settled.moved_s == 0.5
    assert settled.held_s == 0


def test_what_is_steady_at_the_longest_settling_is_steady():
    settled = readings(rule(time_constant_s=0.0, minimum_s=2.0, maximum_s=2.0), [12.0] * 20).settled()
    assert (settled.state, settled.after_s) == (State.STEADY, 2.0)


def test_the_first_reading_past_the_longest_settling_ends_it():
    settled = readings(rule(maximum_s=2.1), [math.nan] * 20).settled()
    assert (settled.state, settled.after_s) == (State.NEVER, 2.25)


def test_a_reading_beyond_the_band_begins_the_count_anew():
    # The jump at 1 s is seen in the range of what was read in the last third of the time.
    settled = readings(rule(time_constant_s=0.0, minimum_s=0.25), [12.0, 12.0, 12.0, 20.0] + [20.0] * 40).settled()
    assert settled.state is State.STEADY
    assert settled.moved_s >= 1.0
    assert settled.after_s == settled.moved_s + 0.5


def test_a_reading_at_the_end_of_the_dead_time_counts_and_none_before():
    settling = Settling(rule(dead_time_s=3.0))
    for at_s in (1.0, 2.0, 3.0, 4.0):
        settling.add(at_s, 5.0)
    assert math.isnan(settling.noise_sd)
    settling.add(5.0, 5.0)
    assert settling.noise_sd == 0  # of three


@pytest.mark.parametrize("at_s", [0.5, 1.0])
def test_time_never_goes_back(at_s):
    settling = readings(rule(), [5.0] * 4)
    with pytest.raises(ValueError, match=f"a reading at {at_s:g} s cannot follow one at 1 s"):
        settling.add(at_s, 5.0)


# A step of 100 from 0: what lies less than 10 from where it was, as stated or as read, has not moved. It is believed
# after 0.5 + 5 * 1 s; what has moved, after the three time constants that a slope or a range wants.
@pytest.mark.parametrize(
    ("level", "changes", "is_believed"),
    [
        (0.0, {}, False),
        (9.9, {}, False),
        (-9.9, {}, False),
        (10.0, {}, True),
        (-10.0, {}, True),
        (50.0, {}, True),
        (50.0, {"stood_at": 45.0}, False),
        (50.0, {"stood_at": 39.0}, True),
        (0.0, {"before": None}, True),
        (0.0, {"expected": None}, True),
        (0.0, {"expected": -100.0}, False),
        (0.0, {"expected": 10.0}, True),  # not more than ten bands: it might be there
        (0.0, {"expected": 5.0}, True),
        (0.0, {"expected": 10.5}, False),
        (0.0, {"expected": 4.5, "band": 0.5}, True),
        (50.0, {"before": 50.0, "expected": 150.0}, False),
        (65.0, {"before": 50.0, "expected": 150.0}, True),
        (0.0, {"expected": 5.5, "band": 0.5}, False),
    ],
)
def test_a_unit_that_has_not_left_its_place_is_not_believed(level, changes, is_believed):
    settled = readings(rule(**{"before": 0.0, "expected": 100.0} | changes), [level] * 60).settled()
    assert settled.state is State.STEADY
    if is_believed:
        assert settled.after_s < 4
        assert settled.held_s == 0
    else:
        assert settled.after_s == 5.5
        assert settled.held_s > 1.5


def test_what_counts_is_where_it_stands_last():
    moved = [0.0, 0.0] + [50.0] * 60
    settled = readings(rule(before=0.0, expected=100.0), moved).settled()
    assert (settled.state, settled.held_s) == (State.STEADY, 0.0)
    assert settled.after_s < 5


def test_it_is_the_last_reading_that_left_its_place():
    # 9.5 is less than a tenth of the step from where it stood, 10.5 is more: it is believed at a reading of 10.5.
    settled = readings(rule(before=0.0, expected=100.0), [9.5, 10.5] * 30).settled()
    assert settled.state is State.STEADY
    assert settled.after_s < 5.5
    assert settled.trace[-1][1] == 10.5


# 5 % of the range of 16 mA are 0.8 mA.
@pytest.mark.parametrize(
    ("level", "is_held"),
    [(4.0, True), (4.79, True), (4.81, False), (12.0, False), (19.19, False), (19.21, True), (20.0, True), (3.0, True)],
)
def test_an_end_of_the_range_is_a_twentieth_of_it(level, is_held):
    # 2 s for each of ln 1600 factors of e: 14.76 s.
    at_ends = rule(band=0.01, before=-12.0, expected=4.0, ends=(4.0, 20.0), pace_s=2.0)
    settled = readings(at_ends, [level] * 80).settled()
    assert settled.state is State.STEADY
    assert (settled.after_s == 15.0) == is_held


@pytest.mark.parametrize(("tau_s", "pace_s"), [(1.0, 0.0), (1.0, 1.0), (1.8, 0.0)])
def test_an_output_that_its_lag_holds_below_the_range_is_waited_for(tau_s, pace_s):
    # From 0 ohm at a Pt100 of 0 .. 120 degC (IEC 60751: 100 and 146.07 ohm): 4 - 16 * 100 / 46.07 = -30.73 mA, and an
    # output that is held at 3.8 mA for ln(34.53 / 0.2) = 5.2 time constants.
    at_ends = rule(minimum_s=2.0, band=0.0035, before=-30.73, expected=4.0, ends=(4.0, 20.0), pace_s=pace_s)
    settled = follow(lambda at_s: max(3.8, 3.984 - 34.71 * math.exp(-at_s / tau_s)), at_ends, sd=0.0003)
    assert settled.is_steady
    assert settled.trace[-1][1] == pytest.approx(3.984, abs=0.005)


@pytest.mark.parametrize(("level", "pace_s", "after_s"), [(3.8, 0.0, 14.0), (3.8, 1.0, 7.0), (4.0, 0.0, 7.0)])
def test_what_stands_beyond_the_range_waits_twice_as_long_while_no_pace_is_known(level, pace_s, after_s):
    at_ends = rule(band=0.1, before=-95.6, expected=4.0, ends=(4.0, 20.0), pace_s=pace_s)  # ln 996 = 6.904 s
    assert readings(at_ends, [level] * 80).settled().after_s == after_s


@pytest.mark.parametrize(("left", "level", "is_held"), [(12.0, 20.0, True), (20.0, 12.0, False)])
def test_it_is_the_end_where_it_stands_that_counts(left, level, is_held):
    at_ends = rule(before=-996.0, expected=4.0, ends=(4.0, 20.0))  # ln 1000 factors of e: 6.9 s
    settled = readings(at_ends, [left] * 3 + [level] * 80).settled()
    assert (settled.state, settled.after_s == 7.0) == (State.STEADY, is_held)


def test_it_is_the_last_reading_that_left_its_end():
    at_ends = rule(before=-996.0, expected=4.0, ends=(4.0, 20.0))  # a twentieth ends at 4.8
    settled = readings(at_ends, [4.7, 4.9] * 40).settled()
    assert (settled.state, settled.trace[-1][1]) == (State.STEADY, 4.9)
    assert settled.after_s < 6.9


def test_a_band_that_is_just_met_is_met():
    # Steps of 1 are what the range of three equal readings leaves, which is the band.
    settled = readings(rule(time_constant_s=0.0, resolution=1.0), [12.0] * 20).settled()
    assert (settled.state, settled.to_go, settled.after_s) == (State.STEADY, 1.0, 1.0)


# Noise of 20 bands and a drift in it: level where the slope of eight block means is not more than three of its standard
# errors from 0, by scipy.
@pytest.mark.parametrize("band", [1.0, 1e-3])
def test_noise_is_level_where_the_drift_lies_within_three_standard_errors(band):
    noise = 20 * np.random.default_rng(5).normal(size=128)
    times = 0.125 * np.arange(1, 129)
    seen = []
    for drift in np.linspace(-16, 16, 41):
        values = band * (drift * times + noise)
        blocks = values[63:].copy()  # from 8 s on: 65 readings, one block of nine and seven of eight
        means = [block.mean() for block in np.split(blocks, np.arange(9, 65, 8))]
        line = stats.linregress(np.arange(8), means)
        ratio = abs(line.slope) / line.stderr
        seen.append(ratio)
        found = readings(rule(maximum_s=16.0, band=band), values, every_s=0.125)
        assert found.state is (State.NOISY if ratio <= 3 else State.NEVER), ratio
    assert any(2.6 < each <= 3 for each in seen)
    assert any(3 < each < 3.4 for each in seen)


@pytest.mark.parametrize(("n", "state"), [(13, State.NEVER), (14, State.NOISY), (15, State.NOISY)])
def test_eight_readings_in_the_second_half_tell_whether_it_is_level(n, state):
    found = readings(rule(maximum_s=float(n)), [20.0, -20.0] * 10, every_s=1.0)
    assert (found.state, found.settled().after_s) == (state, n)


def test_noise_at_a_place_that_is_not_believed_is_no_noise():
    stuck = rule(maximum_s=16.0, before=0.0, expected=1000.0)
    values = [20.0, -20.0] * 32
    assert readings(stuck, values).state is State.NOISY  # believed from 5 time constants on
    never = rule(maximum_s=16.0, before=0.0, expected=1000.0, pace_s=5.0)  # a step takes 5 ln 1000 = 35 s
    assert readings(never, values).state is State.NEVER


def test_only_the_time_in_which_it_looked_steady_counts_as_held():
    # It stands for 5 s where it stood, is not believed from the fourth reading on, and then moves for seconds more.
    late = rule(time_constant_s=1.0, before=0.0, expected=1000.0)
    values = [0.0] * 20 + [1000 * -math.expm1(-0.25 * n) for n in range(1, 200)]
    settled = readings(late, values).settled()
    assert settled.state is State.STEADY
    assert settled.after_s > 5 + math.log(1000)
    assert 1 < settled.held_s < 5
