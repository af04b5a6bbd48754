"""Each fault of the catalogue leaves the mark that its equation promises."""

import math

import numpy as np
import pytest

from instruments.datasheet import Characteristic, DataSheet, Stage, Tap
from instruments.errors import InputError
from instruments.sensor import Rtd, Thermocouple
from instruments.simulated.faults import CATALOGUE, fault
from instruments.simulated.physics import Nature, Plant

QUIET = Nature(zero_pct=0, span_pct=0, hysteresis_pct=0, noise_pct=0, source_pct=0, source_noise_pct=0)
X = np.linspace(0, 1, 11)
DWELL_S = 20.0

LOOP = Tap(name="loop", low=4, high=20, unit="mA")
CURRENT = DataSheet(
    type="isolator", taps=(Tap(name="in", low=4, high=20, unit="mA"), LOOP), stages=(Stage(name="unit"),)
)
ROOT = DataSheet(
    type="flow",
    taps=(Tap(name="dp", low=0, high=250, unit="mbar"), LOOP),
    stages=(Stage(name="unit", characteristic=Characteristic(kind="square root")),),
)
PRESSURE = DataSheet(type="p", taps=(Tap(name="p", low=0, high=10, unit="bar"), LOOP), stages=(Stage(name="unit"),))
RATE = DataSheet(type="f", taps=(Tap(name="rate", low=0, high=1000, unit="Hz"), LOOP), stages=(Stage(name="unit"),))
RTD = DataSheet(
    type="rtd", taps=(Tap(name="t", low=0, high=200, unit="degC", sensor=Rtd()), LOOP), stages=(Stage(name="unit"),)
)
COUPLE = DataSheet(
    type="tc",
    taps=(Tap(name="t", low=0, high=400, unit="degC", sensor=Thermocouple(type="K", junction_degC=20)), LOOP),
    stages=(Stage(name="unit"),),
)
SPEED = DataSheet(
    type="speed loop",
    taps=(
        Tap(name="demand", low=4, high=20, unit="mA"),
        Tap(name="shaft", low=0, high=1200, unit="rpm"),
        Tap(name="pulses", low=0, high=1200, unit="Hz"),
        LOOP,
    ),
    stages=(Stage(name="drive"), Stage(name="pick-up", pulses_per_revolution=60), Stage(name="converter")),
)


class Traverse:
    """Errors in % of span at a tap, up and down, and the end pairs."""

    def __init__(self, sheet, *faults, tap=-1, dwell_s=DWELL_S):
        self.sheet, self.tap = sheet, tap % len(sheet.taps)
        self.plant = Plant(sheet, faults=faults, nature=QUIET, seed=1)
        self.at_s = 0.0
        self.dwell_s = dwell_s
        self.up = np.array([self.error(x) for x in X])
        self.top_pair = self.error(1.0) - self.up[-1]
        self.down = np.array([self.error(x) for x in X[::-1]])[::-1]
        self.mean = (self.up + self.down) / 2
        self.gap = self.down - self.up

    def error(self, x):
        first = self.sheet.taps[0]
        self.plant.drive(self.at_s, float(first.to_signal(np.asarray(first.value(np.asarray(x))))))
        self.at_s += self.dwell_s
        seen = self.plant.seen(self.tap, self.at_s - 0.02, self.at_s)
        tap = self.sheet.taps[self.tap]
        ideal = float(self.sheet.ideal(first.value(np.asarray(x)), last=self.tap))
        return (seen - ideal) / tap.span * 100


def line(a, b):
    return lambda x: a + b * x


LINES = [
    (CURRENT, fault("zero shift", zero_pct=0.5), line(0.5, 0)),
    (CURRENT, fault("span error", span_pct=-0.8), line(0, -0.8)),
    (CURRENT, fault("zero and span", zero_pct=0.3, span_pct=0.6), line(0.3, 0.6)),
    (CURRENT, fault("upper range wrong", configured_pct=125), line(0, -20)),
    # A smaller range runs into the clamp of 20.5 mA, 103.125 %.
    (CURRENT, fault("upper range wrong", configured_pct=80), lambda x: np.minimum(125 * x, 103.125) - 100 * x),
    # p = 1: right at the top, flat at 3.8 mA below l.
    (CURRENT, fault("lower range wrong", lower_pct=10), lambda x: np.maximum((x - 0.1) / 0.9, -0.0125) * 100 - 100 * x),
    (CURRENT, fault("0-20 sent"), line(-25, 25)),
    (CURRENT, fault("live zero lost"), lambda x: np.maximum(0, 125 * x - 25) - 100 * x),
    (CURRENT, fault("4-20 read as 0-20"), line(20, -20)),
    (SPEED, fault("pulses per revolution wrong", actual=59, expected=60), line(0, -100 / 60)),
    (SPEED, fault("missing pulses at high speed", start_pct=75, loss=0.5), lambda x: -50 * x * np.maximum(0, x - 0.75)),
    (SPEED, fault("double counting", share_pct=2), line(0, 2)),
    (SPEED, fault("extra pulses from the inverter", rate_Hz=12), line(1, 0)),
    (RATE, fault("extra pulses from the inverter", rate_Hz=10), line(1, 0)),
    (SPEED, fault("low frequency cut-off", cut_off_pct=12), lambda x: np.where(x < 0.12, -100 * x, 0)),
    (CURRENT, fault("square root applied"), lambda x: 100 * (np.sqrt(x) - x)),
    (ROOT, fault("square root missing"), lambda x: 100 * (x - np.sqrt(x))),
    (ROOT, fault("square root twice"), lambda x: 100 * (x**0.25 - x**0.5)),
    (CURRENT, fault("reversed action"), line(100, -200)),
    (PRESSURE, fault("wrong pressure unit", factor=0.980665), line(0, -1.9335)),
    (PRESSURE, fault("gauge against absolute", pressure_mbar=-100), lambda x: np.maximum(100 * x - 1, -1.25) - 100 * x),
    (
        CURRENT,
        fault("loop compliance", supply_V=24, minimum_V=10, loop_ohm=800),
        lambda x: np.minimum(0, 84.375 - 100 * x),
    ),
    # Plateau (24 - 4.8 - 10) / 580 = 15.862 mA.
    (CURRENT, fault("supply sag"), lambda x: np.minimum(0, (9.2 / 0.58 - 4) / 0.16 - 100 * x)),
    (CURRENT, fault("meter burden"), lambda x: np.minimum(0, 84.375 - 100 * x)),
    (CURRENT, fault("clamp by design", low_mA=4, high_mA=19.2), lambda x: np.minimum(0, 95 - 100 * x)),
    (CURRENT, fault("sensor burnout", level_mA=3.6), line(-2.5, -100)),
    (CURRENT, fault("stuck output", level_pct=40), line(40, -100)),
    (CURRENT, fault("meter fuse blown"), line(-25, -100)),
    # 249 ohm: -0.1 % at the bottom, -0.5 % at the top, p = -0.25.
    (CURRENT, fault("load resistor wrong", actual_ohm=249, nominal_ohm=250), line(-0.1, -0.4)),
    (CURRENT, fault("leak across receiver", leak_ohm=24750, receiver_ohm=250), line(-0.25, -1)),
    (CURRENT, fault("leak across transmitter", supply_V=24, loop_ohm=250, leak_ohm=1e5), line(1.4375, -0.25)),
    (CURRENT, fault("source error", gain_pct=0.3, offset_pct=0.2), line(0.2, 0.3)),
    (CURRENT, fault("meter gain", gain_pct=0.4), line(0.1, 0.4)),
    (CURRENT, fault("meter offset", offset_pct=0.5), line(0.5, 0)),
    (CURRENT, fault("bow", size_pct=0.8), lambda x: 3.2 * x * (1 - x)),
    (CURRENT, fault("s shape", size_pct=0.6), lambda x: 0.6 * np.sin(2 * np.pi * x)),
    (CURRENT, fault("missing code", size_pct=0.6, place_pct=45), lambda x: np.where(x > 0.45, 0.6, 0)),
    (SPEED, fault("slip", slip_pct=3), line(0, -3)),
    (SPEED, fault("drive limits", lowest_pct=5, highest_pct=95), lambda x: np.clip(100 * x, 5, 95) - 100 * x),
    (
        SPEED,
        fault("drive limits", lowest_pct=0, highest_pct=100, skip_from_pct=25, skip_to_pct=35),
        lambda x: np.where(np.isclose(x, 0.3), -5, 0),
    ),
]


@pytest.mark.parametrize(
    ("sheet", "given", "equation"), LINES, ids=lambda part: part.kind.name if hasattr(part, "kind") else ""
)
def test_the_error_follows_the_equation_of_its_row_both_ways(sheet, given, equation):
    seen = Traverse(sheet, given)
    assert seen.up == pytest.approx(equation(X), abs=2e-9)
    assert seen.down == pytest.approx(equation(X), abs=2e-9)
    assert seen.top_pair == pytest.approx(0, abs=1e-9)


def test_a_wrong_temperature_unit_has_slope_1_8_and_offset_32():
    # Span 300 degF = 148.9 degC keeps it off the clamp only at the bottom: 20 degC is sent as 68.
    seen = Traverse(RTD, fault("wrong temperature unit"))
    assert seen.up[:4] == pytest.approx([(1.8 * t + 32 - t) / 2 for t in (0, 20, 40, 60)], abs=1e-6)


def test_a_wrong_rtd_curve_is_low_by_1_6_percent_of_reading_and_right_at_ice():
    seen = Traverse(RTD, fault("wrong rtd curve"))
    assert seen.up[0] == pytest.approx(0, abs=1e-9)
    # R = 138.5055 ohm at 100 degC; the other curve has 139.152 there, and 0.379 ohm/degC: -1.68 of 100.
    assert seen.up[5] / 50 * 100 == pytest.approx(-1.6, abs=0.1)
    # A decoder for 1000 ohm runs to the low rail.
    assert Traverse(RTD, fault("wrong rtd curve", r0_ohm=1000)).up[0] == pytest.approx(-1.25)


def test_2_ohm_of_leads_on_200_degrees_are_2_56_and_0_16_percent():
    seen = Traverse(RTD, fault("lead resistance", lead_ohm=2))
    inside = slice(0, 10)  # 200 degC with 5.4 degC more lies at the clamp's edge
    gain, offset = np.polyfit(X[inside], seen.up[inside], 1)
    assert (offset, gain) == (pytest.approx(2.56, abs=0.01), pytest.approx(0.16, abs=0.02))


def test_a_wrong_thermocouple_type_is_right_only_near_ambient():
    seen = Traverse(COUPLE, fault("wrong thermocouple type", type=2))
    assert abs(seen.error(0.05)) < 0.05
    assert seen.up[5] < -5


def test_a_cold_junction_error_is_near_parallel():
    seen = Traverse(COUPLE, fault("cold junction error", error_degC=4))
    assert np.ptp(seen.up) < 0.15
    assert seen.up.mean() == pytest.approx(-1, abs=0.1)  # 4 degC of 400


def test_a_reversed_cable_shifts_by_twice_the_difference():
    assert Traverse(COUPLE, fault("compensating cable reversed", difference_degC=4)).up == pytest.approx(2, abs=1e-6)


def test_missing_pulses_at_low_speed_let_go_later_on_the_way_down():
    seen = Traverse(SPEED, fault("missing pulses at low speed", threshold_pct=25, gap_pct=10))
    assert np.flatnonzero(seen.up < -1).tolist() == [1, 2]
    assert np.flatnonzero(seen.down < -1).tolist() == [1]
    assert seen.up[3:] == pytest.approx(0, abs=1e-9)


def test_gate_quantisation_shows_two_neighbouring_levels_with_the_duty_of_the_fraction():
    plant = Plant(RATE, faults=(fault("gate quantisation", gate_s=0.1),), nature=QUIET, seed=1)
    plant.drive(0.0, 503.0)
    rates = [(plant.signal(1, 1 + 0.1 * k + 0.05) - 4) / 16 * 1000 for k in range(500)]
    assert sorted({round(rate, 6) for rate in rates}) == [500.0, 510.0]
    assert np.mean(np.asarray(rates) > 505) == pytest.approx(0.3, abs=0.01)


def test_extra_pulses_go_when_the_drive_is_disabled():
    plant = Plant(SPEED, faults=(fault("extra pulses from the inverter", rate_Hz=12),), nature=QUIET, seed=1)
    plant.drive(0.0, 4.0)
    assert plant.signal(2, 1.0) == pytest.approx(12)
    plant.drive(2.0, 4.0, enabled=False)
    assert plant.signal(2, 3.0) == 0


def test_meter_resolution_gives_few_levels():
    seen = Traverse(CURRENT, fault("meter resolution", step_pct=3))
    levels = (seen.up + 100 * X) * 0.16 + 4
    assert levels / 0.48 == pytest.approx(np.round(levels / 0.48), abs=1e-9)
    assert np.abs(seen.up).max() <= 1.5


def test_mains_pickup_collapses_over_whole_cycles():
    plant = Plant(CURRENT, faults=(fault("mains pickup", amplitude_pct=1, frequency_Hz=50),), nature=QUIET, seed=1)
    plant.drive(0.0, 12.0)
    short, whole = ([plant.seen(1, 0.137 * k, 0.137 * k + long_s) for k in range(1, 200)] for long_s in (0.001, 0.02))
    assert np.std(short) == pytest.approx(0.16 / math.sqrt(2), rel=0.05)
    assert np.ptp(whole) < 1e-12


def test_inverter_pickup_is_one_sided_and_there_only_while_driven():
    plant = Plant(CURRENT, faults=(fault("inverter pickup", amplitude_pct=1, share_pct=30),), nature=QUIET, seed=1)
    off = [plant.seen(1, 0.1 * k, 0.1 * k + 0.02) for k in range(100)]
    plant.drive(20.0, 12.0)
    on = np.array([plant.seen(1, 21 + 0.1 * k, 21 + 0.1 * k + 0.02) for k in range(300)])
    assert np.ptp(off) < 1e-12
    assert on.min() == pytest.approx(12)
    assert np.mean(on > 12.0001) == pytest.approx(0.3, abs=0.08)


def test_an_intermittent_contact_leaves_the_median_alone():
    plant = Plant(CURRENT, faults=(fault("intermittent contact", share_pct=5),), nature=QUIET, seed=1)
    plant.drive(0.0, 12.0)
    seen = [plant.seen(1, 0.1 * k, 0.1 * k + 0.02) for k in range(1, 1000)]
    assert np.median(seen) == pytest.approx(12)
    assert np.mean(np.asarray(seen) == 0) == pytest.approx(0.05, abs=0.02)


def test_a_lag_longer_than_the_dwell_shows_in_both_the_gap_and_the_end_pair():
    seen = Traverse(CURRENT, fault("lag", tau_s=10))
    left = 10 * math.exp(-2) / (1 - math.exp(-2))  # of each 10 % step, in the steady traverse
    assert seen.gap[5] == pytest.approx(2 * left, rel=0.02)
    assert 0 < seen.top_pair < left
    assert Traverse(CURRENT, fault("lag", tau_s=10), dwell_s=400).gap == pytest.approx(0, abs=1e-9)


def test_a_stale_reading_gives_two_steps_of_gap_and_one_of_end_pair():
    seen = Traverse(CURRENT, fault("stale reading"))
    assert seen.gap[1:-1] == pytest.approx(20)
    assert seen.up[1:] == pytest.approx(-10)
    assert seen.top_pair == pytest.approx(10)


def test_hysteresis_is_a_lens_with_zero_ends_and_no_end_pair():
    seen = Traverse(CURRENT, fault("hysteresis", size_pct=0.8))
    assert seen.gap == pytest.approx(0.8 * 4 * X * (1 - X), abs=1e-9)
    assert seen.top_pair == 0


@pytest.mark.parametrize("name", ["backlash", "dead band"])
def test_play_is_full_after_the_first_step(name):
    seen = Traverse(CURRENT, fault(name, width_pct=2))
    assert seen.gap[:-1] == pytest.approx(2, abs=1e-9)
    assert seen.top_pair == pytest.approx(0, abs=1e-12)


def test_a_dead_band_answers_only_beyond_its_width():
    seen = Traverse(CURRENT, fault("dead band", width_pct=1))
    for x in (0.7, 0.6, 0.5):
        held = seen.error(x) + 100 * x
    assert seen.error(0.509) + 50.9 == pytest.approx(held)
    assert seen.error(0.512) + 51.2 == pytest.approx(held + 0.2)


def test_stiction_is_invisible_on_a_coarse_grid_and_a_staircase_on_a_fine_one():
    assert Traverse(CURRENT, fault("stiction", width_pct=5)).up == pytest.approx(0, abs=1e-9)
    held = Traverse(CURRENT, fault("stiction", width_pct=12)).up
    assert held[1] == pytest.approx(-10)
    assert held[2] == pytest.approx(0, abs=1e-9)


def test_drift_follows_the_clock_and_not_the_input():
    seen = Traverse(CURRENT, fault("drift", rate_pct_per_h=1))
    assert seen.up == pytest.approx([(k + 1) * DWELL_S / 3600 for k in range(11)], abs=1e-9)


def test_warming_up_ends():
    seen = Traverse(CURRENT, fault("warm-up", size_pct=0.8, tau_s=60))
    assert seen.up[2] == pytest.approx(0.8 * (1 - math.exp(-1)), abs=1e-9)
    assert seen.down[0] == pytest.approx(0.8, abs=0.01)


def test_a_ground_loop_moves_with_time():
    seen = Traverse(CURRENT, fault("ground loop", size_pct=0.8, period_s=900))
    assert seen.mean.mean() == pytest.approx(0.8, abs=0.2)
    assert np.ptp(seen.up) > 0.1


def test_tachometer_marks_disagree_at_the_tachometer_alone():
    marks = fault("tachometer marks", factor=2)
    assert Traverse(SPEED, marks, tap=1).up == pytest.approx(100 * X)
    assert Traverse(SPEED, marks, tap=2).up == pytest.approx(0, abs=1e-9)
    assert Traverse(SPEED, marks).up == pytest.approx(0, abs=1e-9)


def test_slip_is_born_before_the_tachometer():
    slip = fault("slip", slip_pct=3)
    assert Traverse(SPEED, slip, tap=0).up == pytest.approx(0, abs=1e-9)
    assert Traverse(SPEED, slip, tap=1).up == pytest.approx(-3 * X)


def test_a_wrong_tap_shows_the_other_signal_or_nothing():
    assert Traverse(SPEED, fault("wrong tap", sees=0), fault("zero shift", zero_pct=5)).up == pytest.approx(0, abs=1e-9)


def test_a_meter_fault_may_sit_at_any_tap():
    assert Traverse(CURRENT, fault("meter gain", tap="in", gain_pct=1), tap=0).up == pytest.approx(0.25 + X)
    assert Traverse(CURRENT, fault("meter gain", tap="in", gain_pct=1)).up == pytest.approx(0, abs=1e-9)


def test_an_open_input_is_an_alarm_while_no_source_is_on():
    plant = Plant(CURRENT, faults=(fault("open input", level_mA=21.5),), nature=QUIET, seed=1)
    assert plant.signal(1, 10.0) == pytest.approx(21.5)
    plant.drive(20.0, 12.0)
    assert plant.signal(1, 30.0) == pytest.approx(12)
    plant.drive(40.0, 23.0)
    assert plant.signal(1, 50.0) == pytest.approx(20.5)
    plant.drive(60.0, 12.0, enabled=False)
    assert plant.signal(1, 70.0) == pytest.approx(21.5)


def test_slow_recovery_leaves_an_exponential_after_an_overrange():
    plant = Plant(CURRENT, faults=(fault("slow recovery", size_pct=2, tau_s=3),), nature=QUIET, seed=1)
    plant.drive(0.0, 12.0)
    assert plant.signal(1, 5.0) == pytest.approx(12)
    for level_mA, sign in ((22.0, 1), (3.0, -1)):
        plant.drive(plant._moment.at_s + 100, level_mA)
        plant.signal(1, plant._moment.at_s + 10)
        plant.drive(plant._moment.at_s, 12.0)
        began_s = plant._moment.at_s
        for after_s in (1.0, 3.0, 9.0):
            left = sign * 0.02 * 16 * math.exp(-after_s / 3)
            assert plant.signal(1, began_s + after_s) == pytest.approx(12 + left, abs=1e-6)


def test_flicker_has_its_size_and_an_allan_deviation_that_is_flat():
    plant = Plant(CURRENT, faults=(fault("flicker", size_pct=0.1),), nature=QUIET, seed=3)
    plant.drive(0.0, 12.0)
    values = np.array([plant.signal(1, 30.0 * number) for number in range(1, 16_001)])
    away_pct = 100 * (values - 12) / 16
    assert away_pct.std() == pytest.approx(0.1, rel=0.35)  # of so slow a noise few swings pass in five days
    deviation = [
        math.sqrt(np.mean(np.diff(away_pct[: 16_000 // many * many].reshape(-1, many).mean(axis=1)) ** 2) / 2)
        for many in (8, 32, 128)
    ]
    # Of white noise each is half of the one before, of 1/f noise the same.
    assert min(deviation) > 0.7 * max(deviation)


def test_faults_add_up():
    both = Traverse(CURRENT, fault("zero shift", zero_pct=0.5), fault("bow", size_pct=0.8))
    # The bow is taken of the shifted level: second-order difference only.
    assert both.up == pytest.approx(0.5 + 3.2 * X * (1 - X), abs=0.02)


# The default gate counts whole pulses at every point of this grid; the default clamp is that of a healthy unit.
UNSEEN_BY_DEFAULT = {
    "gate quantisation": {"gate_s": 0.033},
    "clamp by design": {"low_mA": 4.2},
    "open input": {"low_mA": 4.2},
    "overshoot": {"period_s": 34},  # it has come to rest before it is read
}
UNSEEN_IN_A_TRAVERSE = {"slow recovery", "supply effect", "load effect", "temperature effect"}  # nothing is led there


def marks(seen):
    return np.array([*seen.up, *seen.down, seen.top_pair])


def largest_mark(*faults):
    """Largest difference from the healthy plant, % of span, over all sheets and taps that the faults fit."""
    largest = 0.0
    for sheet in (CURRENT, ROOT, PRESSURE, RATE, RTD, COUPLE, SPEED):
        for tap in range(len(sheet.taps)):
            try:
                seen = Traverse(sheet, *faults, tap=tap)
            except InputError:  # nothing for it to act on here
                continue
            largest = max(largest, np.abs(marks(seen) - marks(Traverse(sheet, tap=tap))).max())
    return largest


@pytest.mark.parametrize("name", [name for name in CATALOGUE if name not in UNSEEN_IN_A_TRAVERSE])
def test_every_fault_of_the_catalogue_differs_from_the_healthy_plant(name):
    assert largest_mark(fault(name, **UNSEEN_BY_DEFAULT.get(name, {}))) > 0.05


def test_no_fault_makes_no_mark():
    assert largest_mark() == 0
    assert largest_mark(fault("zero shift", zero_pct=0)) == 0
