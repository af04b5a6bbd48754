"""The plant against closed forms: it is right whenever and however often it is asked."""

import math
import random

import numpy as np
import pytest
from scipy.linalg import expm

from instruments.datasheet import Characteristic, DataSheet, Stage, Tap
from instruments.errors import InputError
from instruments.sensor import Rtd, Thermocouple
from instruments.simulated.faults import CATALOGUE, catalogue, fault
from instruments.simulated.physics import Nature, Plant
from instruments.units import canonical

QUIET = Nature(zero_pct=0, span_pct=0, hysteresis_pct=0, noise_pct=0, source_pct=0, source_noise_pct=0)


def converter(**stage) -> DataSheet:
    taps = (Tap(name="in", low=0, high=10, unit="V"), Tap(name="out", low=0, high=100, unit="V"))
    return DataSheet(type="converter", taps=taps, stages=(Stage(name="unit", **stage),))


def cascade(tau_1_s, tau_2_s, dead_2_s=0.0) -> DataSheet:
    taps = tuple(Tap(name=name, low=0, high=100, unit="V") for name in ("a", "b", "c"))
    stages = (Stage(name="1", time_constant_s=tau_1_s), Stage(name="2", time_constant_s=tau_2_s, dead_time_s=dead_2_s))
    return DataSheet(type="cascade", taps=taps, stages=stages)


def stepped(sheet, **plant) -> Plant:
    made = Plant(sheet, nature=QUIET, seed=1, **plant)
    made.drive(0.0, sheet.taps[0].high)
    return made


# First-order step response: 63.2 % after tau, 90 % after 2.302585 tau, settled to 1 % after 4.605170 tau.
@pytest.mark.parametrize(
    ("after_tau", "percent"), [(1.0, 63.21205588), (2.302585092994046, 90.0), (4.605170185988092, 99.0)]
)
def test_a_lag_gives_the_printed_step_response(after_tau, percent):
    assert stepped(converter(time_constant_s=0.8)).signal(1, 0.8 * after_tau) == pytest.approx(percent, abs=5e-9)


def test_a_dead_time_only_moves_the_step_response():
    plant = stepped(converter(time_constant_s=0.5, dead_time_s=0.3))
    seen = [plant.signal(1, at_s) for at_s in (0.1, 0.299, 0.3, 0.8, 1.3)]
    assert seen == pytest.approx([0, 0, 0, 63.212055883, 86.466471676], abs=1e-6)


def test_two_changes_within_one_dead_time_both_arrive():
    plant = stepped(converter(dead_time_s=1.0))
    plant.drive(0.4, 5.0)
    assert [plant.signal(1, at_s) for at_s in (0.9, 1.2, 1.5)] == pytest.approx([0, 100, 50])


def test_how_often_it_is_asked_changes_nothing():
    often, once = (stepped(converter(time_constant_s=0.5, dead_time_s=0.1)) for _ in range(2))
    for at_s in np.linspace(0.001, 0.9, 200):
        often.signal(1, float(at_s))
    assert often.signal(1, 0.9) == pytest.approx(once.signal(1, 0.9), abs=1e-6)


@pytest.mark.parametrize("at_s", [0.05, 0.3, 1.0, 2.5, 20.0])
def test_two_lags_follow_the_closed_form(at_s):
    tau_1, tau_2 = 0.5, 0.2
    exact = 100 * (1 - (tau_1 * math.exp(-at_s / tau_1) - tau_2 * math.exp(-at_s / tau_2)) / (tau_1 - tau_2))
    assert stepped(cascade(tau_1, tau_2)).signal(2, at_s) == pytest.approx(exact, abs=0.03)


def test_two_lags_settle_exactly():
    assert stepped(cascade(0.5, 0.2)).signal(2, 60.0) == pytest.approx(100, abs=1e-9)


def test_a_dead_time_behind_a_lag_delays_the_curve():
    plant = stepped(cascade(0.5, 0.0, dead_2_s=0.4))
    assert plant.signal(2, 0.9) == pytest.approx(63.212, abs=0.05)


def test_an_aperture_gives_the_mean_of_the_curve():
    plant = stepped(converter(time_constant_s=0.5))
    mean = 100 * (1 - 0.5 / 0.2 * (math.exp(-0.1 / 0.5) - math.exp(-0.3 / 0.5)))
    assert plant.seen(1, 0.1, 0.3) == pytest.approx(mean, abs=2e-3)  # Simpson: h^4 / 2880 of the fourth derivative


def test_a_time_gone_by_is_taken_as_the_latest_one():
    plant = stepped(converter(time_constant_s=0.5))
    assert plant.signal(1, 1.0) == plant.signal(1, 0.2)


def test_a_drive_ramps_at_its_rate():
    nature = Nature(
        **dict.fromkeys(("zero_pct", "span_pct", "hysteresis_pct", "noise_pct", "source_pct"), 0),
        ramp_stage="unit",
        ramp_pct_per_s=10,
    )
    plant = Plant(converter(), nature=nature, seed=1)
    plant.drive(0.0, 10.0)
    assert [plant.signal(1, at_s) for at_s in (1.0, 4.0, 20.0)] == pytest.approx([10, 40, 100])


def test_output_off_is_nothing_at_the_first_tap():
    plant = stepped(converter())
    plant.drive(1.0, 10.0, enabled=False)
    assert (plant.signal(0, 2.0), plant.signal(1, 2.0)) == (0.0, 0.0)


def test_a_source_at_a_later_tap_stands_in_for_what_is_before_it():
    plant = stepped(cascade(0.0, 0.0))
    plant.drive(1.0, 30.0, tap=1)
    assert plant.signal(2, 2.0) == pytest.approx(30)
    plant.drive(3.0, 30.0, tap=1, enabled=False)
    assert plant.signal(2, 4.0) == pytest.approx(100)


@pytest.mark.parametrize(
    ("characteristic", "x", "y"),
    [
        # dp 25 % gives 50 % flow; below the cut-off nothing.
        (Characteristic(kind="square root", cut_off_frac=0.05), 0.25, 0.5),
        (Characteristic(kind="square root", cut_off_frac=0.05), 0.002, 0.0),
        (Characteristic(kind="square root", cut_off_frac=0.05), -0.3, 0.0),
        # There is no flow of a negative differential pressure (common practice, no source).
        (Characteristic(kind="square root"), -0.3, 0.0),
        (Characteristic(kind="table", points=((0, 0), (0.5, 0.2), (1, 1))), 0.75, 0.6),
    ],
    ids=["root", "cut off", "cut off below zero", "root below zero", "table"],
)
def test_a_characteristic_is_followed(characteristic, x, y):
    assert characteristic.output(np.array([x])) == pytest.approx([y])
    plant = Plant(converter(characteristic=characteristic), nature=QUIET, seed=1)
    plant.drive(0.0, 10 * x)
    assert plant.signal(1, 1.0) == pytest.approx(100 * y, abs=1e-9)


@pytest.mark.parametrize("sensor", [Rtd(), Thermocouple(type="K", junction_degC=23.0)], ids=["rtd", "thermocouple"])
def test_a_sensor_is_decoded_and_its_wire_break_sent_low_or_high(sensor):
    tap = Tap(name="bath", low=0, high=200, unit="degC", sensor=sensor)
    sheet = DataSheet(type="t", taps=(tap, Tap(name="out", low=4, high=20, unit="mA")), stages=(Stage(name="head"),))
    plant = Plant(sheet, nature=QUIET, seed=1)
    plant.drive(0.0, float(sensor.to_signal(np.asarray(150.0))))
    assert plant.signal(1, 1.0) == pytest.approx(16.0, abs=1e-6)
    plant.drive(1.0, 5000.0)
    assert plant.signal(1, 2.0) == 20.5


@pytest.mark.parametrize("seed", range(12))
def test_a_healthy_unit_stays_well_within_a_fifth_of_a_percent(seed):
    taps = (Tap(name="in", low=4, high=20, unit="mA"), Tap(name="out", low=20, high=4, unit="mA"))
    plant = Plant(DataSheet(type="i", taps=taps, stages=(Stage(name="unit", time_constant_s=0.2),)), seed=seed)
    worst = 0.0
    for index, x in enumerate([*np.linspace(0, 1, 11), *np.linspace(1, 0, 11)]):
        plant.drive(10.0 * index, 4 + 16 * float(x))
        seen = plant.seen(1, 10.0 * index + 9, 10.0 * index + 9.02)
        worst = max(worst, abs((20 - seen) / 16 - float(x)) * 100)
    assert 0.0005 < worst < 0.1


def test_one_seed_one_plant_and_the_common_random_numbers_are_left_alone():
    random.seed(7)
    state = random.getstate()
    runs = []
    for seed in (3, 3, 4):
        plant = Plant(converter(time_constant_s=0.1), seed=seed)
        plant.drive(0.0, 5.0)
        runs.append([plant.seen(1, at_s, at_s + 0.02) for at_s in range(1, 20)])
    assert runs[0] == runs[1]
    assert runs[0] != runs[2]
    assert random.getstate() == state


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: fault("zero shfit"), r'no fault "zero shfit"[^!]*allowed: zero shift[^!]*write "zero shift"'),
        (lambda: fault("lag", tau=3), r'no size "tau"[^!]*allowed: tau_s in s[^!]*write "tau_s"'),
        (lambda: fault("lag", tau_s=math.nan), "is nan"),
        (
            lambda: Plant(converter(), faults=(fault("lag", stage="untt"),), seed=1),
            r'no stage "untt"[^!]*allowed: unit',
        ),
        (lambda: Plant(converter(), faults=(fault("lag", tap=5),), seed=1), 'no tap "5"'),
        (lambda: Plant(converter(), faults=(fault("0-20 sent"),), seed=1), "live zero"),
        (lambda: Plant(converter(), faults=(fault("lead resistance"),), seed=1), "no resistance sensor"),
        (lambda: Plant(converter(), nature=Nature(noise_pct=-1), seed=1), "noise_pct .* is -1"),
        (lambda: Plant(converter(), nature=Nature(ramp_stage="drive"), seed=1), 'no stage "drive"'),
    ],
)
def test_what_does_not_fit_is_refused_with_what_is_allowed(call, match):
    with pytest.raises(InputError, match=match):
        call()


def test_every_fault_says_what_it_is_and_in_which_units():
    for name, kind in CATALOGUE.items():
        assert kind.name == name
        assert kind.meaning
        for parameter in kind.parameters:
            assert parameter.meaning
            assert canonical(parameter.unit)  # raises for a unit that is none


def test_no_fault_takes_the_place_of_another():
    assert len(CATALOGUE) == len(catalogue._ROWS) == 67


def test_a_drift_begins_when_the_plant_is_made_whatever_its_clock_says():
    plant = Plant(converter(), faults=(fault("drift", rate_pct_per_h=1),), nature=QUIET, seed=1, start_s=1e6)
    plant.drive(1e6, 0.0)
    assert plant.signal(1, 1e6) == pytest.approx(0)
    assert plant.signal(1, 1e6 + 3600) == pytest.approx(1)


def ringing_s(one_over_wn_s, damping):
    """Period of a damped swing (any textbook of control): 2 pi / (wn sqrt(1 - z^2))."""
    return 2 * math.pi * one_over_wn_s / math.sqrt(1 - damping**2)


@pytest.mark.parametrize(
    ("damping", "overshoot_pct", "peak", "settle"),
    [(0.2, 52.66205993, 3.206374575, 22.93315107), (0.5, 16.30335348, 3.627598728, 8.780564724)],
)
def test_a_swing_goes_as_far_over_and_settles_as_printed(damping, overshoot_pct, peak, settle):
    # shared/published/dynamics/step-response-figures.yaml, in 1 / wn.
    plant = stepped(converter(), faults=(fault("overshoot", period_s=ringing_s(0.5, damping), damping=damping),))
    assert plant.signal(1, 0.5 * peak) == pytest.approx(100 + overshoot_pct, abs=1e-6)
    assert abs(plant.signal(1, 0.5 * settle) - 100) == pytest.approx(1, abs=1e-6)
    assert plant.signal(1, 100.0) == pytest.approx(100, abs=1e-9)


def test_the_period_is_from_one_peak_to_the_next():
    plant = stepped(converter(), faults=(fault("overshoot", period_s=2.0, damping=0.1),))
    at_s = np.arange(0.2, 6.0, 0.001)
    level = np.array([plant.signal(1, each) for each in at_s])
    peaks = at_s[1:-1][(level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])]
    assert peaks == pytest.approx([1.0, 3.0, 5.0], abs=0.005)  # half a period, then one after the other


def test_a_swing_behind_a_lag_is_the_answer_of_both():
    # Lag of 0.4 s, then wn = 2, damping 0.3, as state space by matrix exponentials (scipy), which shares no formula.
    a = np.array([[-2.5, 0, 0], [0, 0, 1], [4, -4, -1.2]])
    swing = fault("overshoot", period_s=ringing_s(0.5, 0.3), damping=0.3)
    plant = stepped(converter(time_constant_s=0.4), faults=(swing,))
    for at_s in (0.3, 1.0, 2.2, 4.0):
        rest = expm(a * at_s) @ np.array([1.0, 1.0, 0.0])
        assert plant.signal(1, at_s) == pytest.approx(100 * (1 - rest[1]), abs=0.05)


def test_a_swing_without_a_size_is_refused():
    with pytest.raises(InputError, match="damping of 1 is none"):
        Plant(converter(), faults=(fault("overshoot", damping=1),), seed=1)
