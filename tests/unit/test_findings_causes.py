"""Equations of the causes against points worked out by hand from the formulas of the fault catalogue."""

import numpy as np
import pytest

from sequencer import core
from sequencer.diagnosis.model.catalogue import CAUSES
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series


def segment_of(sheet, x, *, stage=0, direction=None, again=(), at_s=None, read=None):
    """One stage that is read at inputs x, fractions; what was `read` matters to steps alone, None = as it should."""
    datasheet = core.load(sheet).sheet.datasheet()
    x = np.asarray(x, dtype=float)
    before, after = datasheet.taps[stage : stage + 2]
    ideal = datasheet.stages[stage].characteristic.output(x) if read is None else np.asarray(read, dtype=float)
    series = Series(
        setpoint=x,
        direction=np.ones(x.size) if direction is None else np.asarray(direction, dtype=float),
        is_again=np.isin(np.arange(x.size), again),
        at_s=np.arange(x.size, dtype=float) if at_s is None else np.asarray(at_s, dtype=float),
        has_times=at_s is not None,
        to_go=np.zeros(x.size),
        raw={before.name: x[:, np.newaxis], after.name: ideal[:, np.newaxis]},
        value={before.name: x, after.name: ideal},
        sd={before.name: 0.0, after.name: 0.0},
        is_keyed=False,
        text={},
    )
    return Segment(
        sheet=datasheet, series=series, first=stage, last=stage + 1, tolerance=0.001, noise=np.full(x.size, 1e-4)
    )


def predicted(name, theta, segment, *, number=0):
    """Output fractions with a cause; `number` where several equations share a name."""
    cause = [each for each in CAUSES if each.name == name][number]
    stage = segment.first
    assert cause.applies(segment, stage)
    return segment.predict([cause.act(np.array([theta], dtype=float), segment, stage)])[0]


def frac(*levels_mA):
    return [(each - 4) / 16 for each in levels_mA]


ISOLATOR, CHAIN = "current-isolator", "glycol-pump-loop"
POINTS = [
    ("zero shift", [0.02], [0, 0.5, 1], [0.02, 0.52, 1.02]),
    ("span error", [0.01], [0, 0.5, 1], [0, 0.505, 1.01]),
    ("zero and span", [0.02, -0.01], [0, 0.5, 1], [0.02, 0.515, 1.01]),
    ("upper range wrong", [100 / 80], [0, 0.4, 0.8], [0, 0.5, 1]),
    ("lower range wrong", [0.1], [0.1, 0.55, 1], [0, 0.5, 1]),
    # I = 20 x: 25 % of the input sends 5 mA.
    ("0-20 sent", [], [0, 0.25, 0.5, 1], frac(0, 5, 10, 20)),
    ("live zero lost", [], [0, 0.1, 0.2, 0.25, 1], frac(4, 4, 4, 5, 20)),
    # y = I / 20: 4 mA shows as 20 %.
    ("4-20 read as 0-20", [], [0, 0.5, 1], [0.2, 0.6, 1]),
    ("square root applied", [], [0, 0.25, 0.64, 1], [0, 0.5, 0.8, 1]),
    ("reversed action", [], [0, 0.25, 1], [1, 0.75, 0]),
    ("bow", [0.01, 0], [0, 0.25, 0.5, 1], [0, 0.2575, 0.51, 1]),
    # It leans to the upper end: 4 y (1 - y) = 0.75 at a quarter from either end, 0.8 and 1.2 times that.
    ("bow", [0.01, 0.4], [0, 0.25, 0.5, 0.75, 1], [0, 0.256, 0.51, 0.759, 1]),
    ("s shape", [0.01, 0], [0, 0.25, 0.5, 0.75], [0, 0.26, 0.5, 0.74]),
    # Of y (y - 1/2) (y - 1) the derivative 3 y^2 - 3 y + 1/2 is 0 at (3 - sqrt 3) / 6 = 0.211 325, and 1 - that.
    ("s shape", [0.01, 1], [0, 0.2113249, 0.5, 0.7886751, 1], [0, 0.2213249, 0.5, 0.7786751, 1]),
    # 12 sqrt 3 x 1/4 x 1/4 x 3/4 = 0.974 279 at a quarter, where the sine is 1; half of each is 0.987 139.
    ("s shape", [0.01, 0.5], [0.25, 0.75], [0.25987139, 0.74012861]),
    # 4 mA + 1 % = 4.04 mA, 20 mA + 1 % = 20.2 mA.
    ("meter gain", [0.01], [0, 1], frac(4.04, 20.2)),
    # 249 for 250 ohm: -0.1 % of span at the bottom, -0.5 % at the top.
    ("load resistor wrong", [-1 / 250], [0, 1], [-0.001, -0.005]),
    ("leak across receiver", [0.02], [0, 1], frac(3.92, 19.6)),
    ("meter offset", [0.005], [0, 1], [0.005, 1.005]),
    ("loop compliance", [0.8, 1e-4], [0, 0.7, 0.9, 1], [0, 0.7, 0.8, 0.8]),
    # y - w ln(1 + exp((y - L) / w)), w = 0.08: ln 2 = 0.693 147, ln(1 + 1/e) = 0.313 262, ln(1 + e) = 1.313 262.
    ("loop compliance", [0.8, 0.08], [0.72, 0.8, 0.88], [0.69493906, 0.74454823, 0.77493906]),
    ("output limit", [0.8, 0.08], [0.72, 0.8, 0.88], [0.69493906, 0.74454823, 0.77493906]),
    ("stuck output", [0.3], [0, 0.5, 1], [0.3, 0.3, 0.3]),
    ("sensor burnout", frac(21.5), [0, 0.5, 1], frac(21.5, 21.5, 21.5)),
    ("meter fuse blown", [], [0, 1], frac(0, 0)),
    ("missing code", [0.01, 0.45], [0, 0.4, 0.5, 1], [0, 0.4, 0.51, 1.01]),
    ("stiction", [0.25], [0, 0.1, 0.2, 0.3, 0.5, 0.6], [0, 0, 0, 0.3, 0.3, 0.6]),
    ("drift", [0.04, 0.0], [0, 0.5, 1, 0.5, 0], [0, 0.51, 1.02, 0.53, 0.04]),
]


@pytest.mark.parametrize(("name", "theta", "x", "y"), POINTS, ids=[each[0] for each in POINTS])
def test_an_equation_gives_the_points_of_its_formula(name, theta, x, y):
    if name == "load resistor wrong":
        y = [one + other for one, other in zip(x, y, strict=True)]
    assert predicted(name, theta, segment_of(ISOLATOR, x)) == pytest.approx(y, abs=1e-8)


def test_an_output_that_is_held_below_is_the_mirror_image_of_one_that_is_held_above():
    segment = segment_of(ISOLATOR, [0.12, 0.2, 0.28, 1])
    # y + w ln(1 + exp((L - y) / w)): 0.12 + 0.08 x 1.313 262, 0.2 + 0.08 x 0.693 147, 0.28 + 0.08 x 0.313 262.
    expected = [0.22506094, 0.25545177, 0.30506094, 1.0000036]
    assert predicted("output limit", [0.2, 0.08], segment, number=1) == pytest.approx(expected, abs=1e-7)


# Steps of 0.07 from 0: 0, 1.43, 2.86, 4.29, 5.71, 7.14, 8.57, 10, 11.43, 12.86 and 14.29 of them.
TENTHS, DOWN, NEAREST = (
    np.linspace(0, 1, 11),
    np.array([0, 1, 2, 4, 5, 7, 8, 10, 11, 12, 14]),
    np.array([0, 1, 3, 4, 6, 7, 9, 10, 11, 13, 14]),
)


@pytest.mark.parametrize("name", ["output steps", "meter resolution"])
@pytest.mark.parametrize(
    ("shift", "beside", "steps", "expected"),
    [
        pytest.param(0.0, 0.0, DOWN, DOWN, id="rounded down"),
        pytest.param(0.5, 0.0, NEAREST, NEAREST, id="rounded"),
        pytest.param(0.5, 0.0004, NEAREST, NEAREST, id="the first one beside the end"),
        # The readings lie where rounding takes them: what another rule gives is another step.
        pytest.param(0.0, 0.0, NEAREST, DOWN, id="rounded, taken for rounded down"),
        # 0.7 is the edge of the tenth step: a good unit may be on either, and the readings say on which.
        pytest.param(0.0, 0.0, np.where(DOWN == 10, 9, DOWN), np.where(DOWN == 10, 9, DOWN), id="at the edge"),
    ],
)
def test_levels_in_steps_are_the_next_one_below_or_the_nearest(name, shift, beside, steps, expected):
    segment = segment_of(ISOLATOR, TENTHS, read=0.07 * steps + beside)
    found = predicted(name, [0.07, shift, beside], segment)
    assert found == pytest.approx(0.07 * expected + beside, abs=1e-12)


def test_a_level_in_steps_that_was_not_read_is_that_of_its_input():
    read = np.where(np.isclose(TENTHS, 0.5), np.nan, 0.07 * DOWN)
    found = predicted("output steps", [0.07, 0.0, 0.0], segment_of(ISOLATOR, TENTHS, read=read))
    assert found == pytest.approx(0.07 * DOWN, abs=1e-12)


def test_steps_are_searched_where_readings_lie_on_some():
    cause = next(each for each in CAUSES if each.name == "output steps")
    assert not cause.applies(segment_of(ISOLATOR, TENTHS), 0)
    assert cause.applies(segment_of(ISOLATOR, TENTHS, read=0.07 * DOWN), 0)
    counted = next(each for each in CAUSES if each.name == "gate quantisation")
    # What turns pulses into a level counts them; the isolator has none to count.
    assert counted.applies(segment_of("pulse-to-current", TENTHS, read=0.07 * DOWN), 0)
    assert not cause.applies(segment_of("pulse-to-current", TENTHS, read=0.07 * DOWN), 0)
    assert not counted.applies(segment_of(ISOLATOR, TENTHS, read=0.07 * DOWN), 0)


@pytest.mark.parametrize(
    ("name", "theta", "pivot"),
    [
        ("span error", [0.02], 0.0),
        ("upper range wrong", [1.25], 0.0),
        ("meter gain", [0.02], -0.25),
        ("leak across receiver", [0.02], -0.25),
        ("lower range wrong", [0.1], 1.0),
        ("4-20 read as 0-20", [], 1.0),
        ("0-20 sent", [], 1.0),
    ],
)
def test_the_error_line_crosses_zero_where_the_catalogue_says(name, theta, pivot):
    x = np.array([0.2, 0.6, 0.75])
    slope, offset = np.polyfit(x, predicted(name, theta, segment_of(ISOLATOR, x)) - x, 1)
    assert -offset / slope == pytest.approx(pivot, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "stage", "number", "theta", "x", "y"),
    [
        ("pulses per revolution wrong", 1, 0, [59 / 60], [0, 0.5, 1], [0, 59 / 120, 59 / 60]),
        ("double counting", 2, 0, [0.1], [0, 0.5, 0.9], [0, 0.55, 0.99]),
        ("extra pulses from the inverter", 1, 0, [0.03], [0, 0.5], [0.03, 0.53]),
        # On above 30 % going up, off below 20 % going down.
        ("missing pulses at low speed", 1, 0, [0.3, 0.1], [0, 0.25, 0.5, 0.25, 0.15], [0, 0, 0.5, 0.25, 0]),
        # Half of them at rest, none from 40 % on: 1 - 0.5 x 3/4 = 0.625 are left at 10 %, 1 - 0.5 x 1/2 at 20 %.
        ("missing pulses at low speed", 1, 1, [0.4, 0.5], [0, 0.1, 0.2, 0.4, 1], [0, 0.0625, 0.15, 0.4, 1]),
        ("low frequency cut-off", 2, 0, [0.2], [0, 0.1, 0.3, 0.1], [0, 0, 0.3, 0]),
        # x (1 - k (x - x_h)): 1 - 0.5 x 0.4 = 0.8 at the top.
        ("missing pulses at high speed", 2, 0, [0.6, 0.5], [0.5, 0.8, 1], [0.5, 0.72, 0.8]),
        ("missing pulses at high speed", 2, 1, [0.6], [0.5, 0.8], [0.5, 0.4]),
        ("slip", 0, 0, [0.04], [0, 0.5, 1], [0, 0.48, 0.96]),
        ("tachometer marks", 0, 0, [0.5], [0.2, 1], [0.1, 0.5]),
        ("drive limits", 0, 0, [0.9], [0.5, 1], [0.5, 0.9]),
        ("drive limits", 0, 1, [0.1], [0, 0.5], [0.1, 0.5]),
        ("drive limits", 0, 3, [0.2], [0.1, 0.3], [0, 0.3]),
        ("drive limits", 0, 4, [0.4, 0.55], [0.3, 0.5, 0.6], [0.3, 0.4, 0.6]),
    ],
)
def test_an_equation_of_pulses_or_a_drive_gives_the_points_of_its_formula(name, stage, number, theta, x, y):
    assert predicted(name, theta, segment_of(CHAIN, x, stage=stage), number=number) == pytest.approx(y, abs=1e-12)


def test_fahrenheit_for_celsius_is_slope_1_8_and_offset_32():
    segment = segment_of("pt100-to-current", [0.0, 0.5])
    tap = segment.sheet.taps[0]
    low, high = tap.low, tap.low + tap.span / 2
    expected = [(1.8 * each + 32 - tap.low) / tap.span for each in (low, high)]
    assert predicted("wrong temperature unit", [1.0], segment) == pytest.approx(expected, abs=1e-12)


def test_two_ohm_in_the_leads_of_a_pt100_are_five_kelvin():
    segment = segment_of("pt100-to-current", [0.5])
    # 2.6 K per ohm, from the catalogue; the slope of the curve is 0.385 ohm/K at 0 degC, less above.
    shift = (predicted("lead resistance", [2.0], segment) - 0.5)[0] * segment.sheet.taps[0].span
    assert shift == pytest.approx(5.2, abs=0.15)


def test_the_square_root_missing_and_twice():
    segment = segment_of("differential-pressure-flow", [0.0625, 0.25, 1])
    assert predicted("square root missing", [], segment) == pytest.approx([0.0625, 0.25, 1])
    assert predicted("square root twice", [], segment) == pytest.approx([0.5, 0.25**0.25, 1])


def test_play_follows_a_sequence_worked_out_by_hand():
    # A pin in a slot of 10 % of span, pushed along by its walls.
    x = [0, 0.2, 0.4, 0.2, 0.18, 0.3, 0.0]
    at_the_upper_one = [0.05, 0.15, 0.35, 0.25, 0.23, 0.25, 0.05]  # after an exercise that ends on the way down
    segment = segment_of(ISOLATOR, x, direction=[1, 1, 1, -1, -1, 1, -1])
    assert predicted("backlash", [0.1, 1], segment) == pytest.approx(at_the_upper_one, abs=1e-12)
    assert predicted("dead band", [0.1, 1], segment) == pytest.approx(at_the_upper_one, abs=1e-12)


@pytest.mark.parametrize(
    ("at", "y"),
    [
        (-1, [-0.05, -0.01, 0.15, 0.15, 0.15, 0.05]),
        (0.4, [0.02, 0.02, 0.15, 0.15, 0.15, 0.05]),
        (1, [0.05, 0.05, 0.15, 0.15, 0.15, 0.05]),
    ],
)
def test_play_begins_where_the_first_reading_finds_it(at, y):
    # The same slot, its middle at the input; `at` from the lower wall, -1, to the upper one, 1.
    segment = segment_of(ISOLATOR, [0, 0.04, 0.2, 0.1, 0.18, 0], direction=[1, 1, 1, -1, 1, -1])
    assert predicted("backlash", [0.1, at], segment) == pytest.approx(y, abs=1e-12)


def test_a_lag_halves_what_is_left_each_half_life():
    tau_s = 10.0
    segment = segment_of(ISOLATOR, [0.8] * 4, at_s=np.arange(4) * tau_s * np.log(2))
    assert predicted("lag", [tau_s, 0.0], segment) == pytest.approx([0.4, 0.6, 0.7, 0.75], abs=1e-12)


def test_hysteresis_is_a_lens_that_closes_at_the_ends():
    segment = segment_of(ISOLATOR, [0, 0.5, 1, 0.5], direction=[1, 1, -1, -1])
    assert predicted("hysteresis", [0.02], segment) == pytest.approx([0, 0.49, 1, 0.51], abs=1e-12)


def test_a_stale_reading_is_that_of_the_point_before_and_fresh_at_the_end_pair():
    segment = segment_of(ISOLATOR, [0, 0.5, 1, 1, 0.5], again=[3])
    assert predicted("stale reading", [1.0], segment) == pytest.approx([0, 0, 0.5, 1, 1])


def test_a_warm_up_is_a_decay_that_ends_where_it_was_adjusted():
    segment = segment_of(ISOLATOR, [0.5] * 3, at_s=[0, 50, 100])
    # 1 % low at first, a time constant of half the run: exp(-1) of it left at the middle, exp(-2) at the end.
    expected = 0.5 + 0.002 - 0.01 * np.array([1, np.exp(-1), np.exp(-2)])
    assert predicted("warm-up", [0.01, 0.5, 0.002], segment) == pytest.approx(expected, abs=1e-12)


def test_a_ground_loop_swings_about_a_shift():
    segment = segment_of(ISOLATOR, [0.2, 0.4, 0.6, 0.4, 0.2, 0.4, 0.6], at_s=np.arange(7) * 25.0)
    # Over a run of 150 s a period of 2/3 is 100 s: a quarter from reading to reading; cosine 1 %, sine 2 %.
    swing = np.array([0.01, 0.02, -0.01, -0.02, 0.01, 0.02, -0.01])
    assert predicted("ground loop", [0.05, 0.01, 0.02, 2 / 3], segment) == pytest.approx(segment.x + 0.05 + swing)


def test_a_pressure_in_another_unit_and_against_the_air():
    segment = segment_of("differential-pressure-flow", [0.04])  # of 250 mbar: 10 mbar
    assert predicted("wrong pressure unit", [0.25], segment) == pytest.approx([0.1])  # a root of 0.01
    shifted = segment_of("differential-pressure-flow", [0.0])
    assert predicted("gauge against absolute", [1000.0], shifted)[0] == pytest.approx(np.sqrt(4), abs=1e-9)


def test_another_curve_gives_the_root_of_its_polynomial():
    segment = segment_of("pt100-to-current", [0.5])
    tap = segment.sheet.taps[0]
    degC = tap.low + tap.span / 2
    ohm = 100 * (1 + 3.9083e-3 * degC - 5.775e-7 * degC**2)
    a, b, r0 = 3.9739e-3, -5.870e-7, 100.0
    expected = min(np.roots([b, a, 1 - ohm / r0]).real, key=lambda each: abs(each - degC))
    found = predicted("wrong rtd curve", [a, b, r0], segment)[0]
    assert tap.low + found * tap.span == pytest.approx(expected, abs=0.02)


def test_a_cold_junction_moves_a_thermocouple_by_the_ratio_of_its_slopes():
    segment = segment_of("thermocouple-k-to-current", [0.5])
    span = segment.sheet.taps[0].span
    shift = (predicted("cold junction error", [5.0], segment) - 0.5)[0] * span
    # Type K has 40 uV/K at 20 degC and 42 uV/K at 300 degC (IEC 60584-1): 5 K there are about 4.8 K here.
    assert abs(shift) == pytest.approx(5 * 40 / 42, abs=0.2)


@pytest.mark.parametrize(
    ("name", "theta", "says"),
    [
        ("zero shift", [0.01], "shifted by +0.16 mA (+1 % of span) at every input"),  # 0.01 * 16 mA
        ("zero shift", [1e-9], "shifted by nothing measurable at every input"),
        ("gain", [12.05], "span error +1200 %, zero correct"),
        ("ground loop", [0.01, 3e-9, 4e-9, 1.0],
         "shifted by +0.16 mA (+1 % of span) and swinging by nothing measurable over about 33000 s"),
        ("ground loop", [0.0, 0.03, 0.04, 1.0],
         "shifted by nothing measurable and swinging by 0.8 mA over about 33000 s"),
    ],
)  # fmt: skip
def test_a_size_is_written_without_powers_of_ten_or_called_nothing(name, theta, says):
    (cause,) = [each for each in CAUSES if each.name == {"gain": "span error"}.get(name, name)]
    segment = segment_of("pulse-to-current", [0, 0.5, 1], at_s=[0, 10_000, 33_000])
    assert cause.say(np.array(theta), segment, 0) == says


def log_densities(name, *thetas):
    """Log prior of sizes at a tolerance of 0.1 % of span, over a run of 150 s."""
    segment = segment_of(ISOLATOR, TENTHS[:7], at_s=np.arange(7) * 25.0)
    cause = next(each for each in CAUSES if each.name == name)
    return cause.sizes(segment, 0).log_prior(np.array(thetas, dtype=float))


def test_what_follows_the_clock_is_the_rarer_the_larger_beyond_five_tolerances():
    two, four, ten, twenty = log_densities("drift", *([each / 1000, 0.0] for each in (2, 4, 10, 20)))
    # Alike in each octave, half as dense at twice the size; beyond five tolerances a quarter of that.
    assert two - four == pytest.approx(np.log(2))
    assert ten - twenty == pytest.approx(np.log(2) + 2 * np.log(2))
    assert four - ten == pytest.approx(np.log(2.5) + 2 * np.log(2))


def test_a_ground_loop_swings_by_less_than_it_shifts():
    still, swung, both, faster = log_densities(
        "ground loop", [0.05, 0, 0, 0.8], [0.05, 0.03, 0, 0.8], [0.05, 0.018, 0.024, 0.8], [0.05, 0, 0, 0.4]
    )
    # One deviation is 0.3 of the shift, and a fifth of a tolerance: 0.0152.
    assert still - swung == pytest.approx(0.5 * (0.03 / 0.0152) ** 2)
    assert swung == pytest.approx(both)  # by 3 % whatever its phase
    # As probable at each frequency, 1 / period: four times as dense at half the period.
    assert faster - still == pytest.approx(np.log(4))


@pytest.mark.parametrize("name", ["backlash", "dead band"])
def test_play_is_taken_up_by_exercise_as_often_as_it_is_not(name):
    up, aside, middle, lower = log_densities(name, *([0.01, at] for at in (1, 0.95, 0, -1)))
    # Half a normal density of a deviation of 0.05, 2 / (0.05 sqrt(2 pi)) = 15.9577 at its top, and half anywhere.
    assert up - middle == pytest.approx(np.log((15.9577 / 2 + 0.25) / 0.25), abs=1e-5)
    assert aside - middle == pytest.approx(np.log((15.9577 * np.exp(-0.5) / 2 + 0.25) / 0.25), abs=1e-5)
    assert middle == lower
    ats = np.linspace(-1, 1, 20_001)
    whole = np.exp(log_densities(name, *np.stack((np.full(ats.size, 0.01), ats), axis=1)))
    width = np.exp(middle) / 0.25  # the density of its width alone
    assert np.trapezoid(whole, ats) == pytest.approx(width, rel=1e-4)


def test_steps_cost_what_was_tried_and_that_near_an_edge_either_will_do():
    segment = segment_of(ISOLATOR, TENTHS, read=0.07 * DOWN)
    cause = next(each for each in CAUSES if each.name == "output steps")
    (found,) = cause.sizes(segment, 0).log_prior(np.array([[0.07, 0.0, 0.0]]))
    # 600 steps in the range at most, ten for each whole number, rounded down or not: one of 12 000. A good unit goes
    # over within 0.3 x 0.1 % of span of an edge: of eleven tenths only 0 and 0.7, ten steps, lie so near to one.
    assert found == pytest.approx(-np.log(12_000) - 2 * np.log(2))
