"""Bounds of the residual settling error by numbers worked out by hand, and by numpy's and scipy's least squares."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling_bounds import Fallback, Fits, Seen, fitted_line


def rule(**changes):
    return SettlingRule(**{"band": 1.0, "time_constant_s": 1.0, "minimum_s": 0.5, "maximum_s": 60.0} | changes)


def seen(times, values, a_rule=None):
    """What was seen of readings, after all of them."""
    found = Seen(a_rule or rule())
    for at_s, value in zip(times, values, strict=True):
        found.at_s = at_s
        found.take(value)
    return found


def quarters(values):
    """Times in steps of a quarter of the time constant, beginning with one."""
    return [0.25 * n for n in range(1, len(values) + 1)]


def test_a_reading_tells_the_time_since_the_one_before():
    found = Seen(rule())
    steps_s = []
    for at_s in (0.25, 0.5, 1.5):
        found.at_s = at_s
        steps_s.append(found.take(7))
    assert steps_s == [0.0, 0.25, 1.0]
    assert (found.times, found.values) == ([0.25, 0.5, 1.5], [7.0, 7.0, 7.0])


def test_nothing_is_known_of_the_noise_of_two_readings():
    found = seen([0.25, 0.5], [3.0, 5.0])
    assert math.isnan(found.noise_sd)
    assert (found.noise_variance, found.digit_variance) == (math.inf, math.inf)


def test_noise_is_what_a_reading_lies_off_the_line_through_its_neighbours():
    # At 1 s the line from (0.5, 3) to (4.5, 11) has 4; 6 lies 2 off. Its weights are 1, 7/8 and 1/8, whose squares sum
    # to 1 + 50 / 64.
    found = seen([0.5, 1.0, 4.5], [3.0, 6.0, 11.0])
    assert found.noise_sd == pytest.approx(2 / math.sqrt(1 + 50 / 64), rel=1e-12)
    assert found.noise_variance == pytest.approx(4 / (1 + 50 / 64), rel=1e-12)


# A spike of 1 among zeros lies 1 off its own line, and half off those of its neighbours; 1 + 1/4 + 1/4 is 3/2,
# so the three make (1 + 1/4 + 1/4) / (3/2) = 1 of the sum, and each neighbour a sixth. Three time constants of quarters
# hold 13 readings, so 11 differences.
@pytest.mark.parametrize(
    ("after_n", "total", "of_n"),
    [(0, 1 / 6, 11), (1, 5 / 6, 11), (2, 1, 11), (10, 1, 11), (11, 5 / 6, 11), (12, 1 / 6, 11), (13, 0, 11)],
)
def test_noise_is_that_of_the_last_three_time_constants(after_n, total, of_n):
    values = [0.0] * 20 + [1.0] + [0.0] * after_n
    found = seen(quarters(values), values)
    assert found.noise_sd == pytest.approx(math.sqrt(total / of_n), rel=1e-12, abs=1e-12)
    slower = seen([8 * each for each in quarters(values)], values, rule(time_constant_s=8.0))
    assert slower.noise_sd == found.noise_sd


def test_noise_is_that_of_six_differences_where_the_receiver_is_slow():
    values = [0.0, 0.0, 1.0] + [0.0] * 6
    times = [float(n) for n in range(1, 10)]  # three time constants hold only two
    assert seen(times, values).noise_sd == pytest.approx(math.sqrt(5 / 6 / 6), rel=1e-12)
    assert seen(times[:-1], values[:-1]).noise_sd == pytest.approx(math.sqrt(1 / 6), rel=1e-12)  # all six of six
    assert seen(times[:4], values[:4]).noise_sd == pytest.approx(math.sqrt((1 / 6 + 4 / 6) / 2), rel=1e-12)


def test_without_a_stated_lag_the_scale_is_a_sixth_of_the_time_waited():
    assert seen([1.0, 3.0], [0.0, 0.0], rule(time_constant_s=0.0)).scale_s == 0.5
    assert seen([1.0, 3.0], [0.0, 0.0]).scale_s == 1.0


# A step of digits of 0.6 has the variance 0.36 / 12 = 0.03 at least; noise below a fifth of the band is no matter.
@pytest.mark.parametrize(("resolution", "band", "variance"), [(0.6, 0.5, 0.03), (0.6, 1.0, 0.04), (0.0, 2.0, 0.16)])
def test_quiet_readings_scatter_by_their_digits_or_a_fifth_of_the_band(resolution, band, variance):
    found = seen([1.0, 2.0, 3.0], [4.0] * 3, rule(resolution=resolution, band=band))
    assert found.noise_sd == 0
    assert found.noise_variance == pytest.approx(variance, rel=1e-12)


# One step shows in two of 11 differences, so 11 readings stand for two digits: 11 / 2 / 2; one digit: 11 / 1 / 2. Where
# each reading has its own digit it is that of one.
@pytest.mark.parametrize(
    ("values", "times_floor"),
    [([0.0] * 13, 5.5), ([0.0] * 7 + [0.6] * 6, 2.75), ([0.0, 0.6, 0.6, 0.0] * 3 + [0.0], 1.0)],
)
def test_a_digit_that_stands_is_one_error_not_many(values, times_floor):
    found = seen(quarters(values), values, rule(resolution=0.6))
    assert found.digit_variance == pytest.approx(0.03 * times_floor, rel=1e-9)


@pytest.mark.parametrize("n", [3, 8, 30])
def test_the_line_is_that_of_scipy(n):
    rng = np.random.default_rng(n)
    t = np.cumsum(rng.uniform(0.1, 1.0, n)) + 5
    y = 3.0 * t + rng.normal(size=n) + 100
    expected = stats.linregress(t, y)
    variance = np.sum((y - expected.intercept - expected.slope * t) ** 2) / (n - 2)
    assert fitted_line(t, y, 0.0) == pytest.approx((expected.slope, expected.stderr, variance), rel=1e-9)
    t_t = np.sum((t - t.mean()) ** 2)
    assert fitted_line(t, y, 50.0) == pytest.approx((expected.slope, math.sqrt(50 / t_t), 50.0), rel=1e-9)


def fitted(times, values, a_rule=None):
    """Fits after all of the readings, and what was seen."""
    a_rule = a_rule or rule()
    found = Seen(a_rule)
    fits = Fits(a_rule, found)
    for at_s, value in zip(times, values, strict=True):
        found.at_s = at_s
        fits.take(found.take(value), value)
        fits.bound()  # as a run asks after each reading: which fits hold is kept
    return fits, found


# Half to twice the time constant in 60 steps of one ratio, on to eight times it in 20 more.
GRID = np.concatenate((0.5 * 4 ** (np.arange(61) / 60), 2 * 4 ** (np.arange(1, 21) / 20)))


def by_least_squares(times, values, found, *, first=0, band=1.0, tau_s=GRID, scale_s=1.0, longest_s=np.inf):
    """The bound from the readings from `first` on, with each exponential fitted by numpy's least squares."""
    t, y = np.array(times[first:]), np.array(values[first:])
    n = t.size
    amplitude, spread, rss = (np.zeros(tau_s.size) for _ in range(3))
    for at, tau in enumerate(tau_s):
        design = np.column_stack((np.ones(n), np.exp((t[0] - t) / tau)))
        (_, amplitude[at]), (rss[at],), *_ = np.linalg.lstsq(design, y, rcond=None)
        spread[at] = 1 / np.linalg.inv(design.T @ design)[1, 1]
    best = int(rss.argmin())
    variance = max(rss[best] / (n - 3), found.digit_variance)
    error = np.sqrt(variance / spread)
    # Amplitude and time constant within one ellipse of 3.5 standard errors, on the grid ...
    left = 3.5**2 * variance - (rss - rss[best])
    e = np.exp((t[0] - t[-1]) / tau_s)
    possible = (left >= 0) & (tau_s <= longest_s)
    bound = ((np.abs(amplitude) + np.sqrt(np.maximum(left, 0) / spread)) * e)[possible].max()
    # ... and, by the law of propagation (GUM 5.1.2), about the vertex of the parabola through the least three.
    near, x = slice(best - 1, best + 2), np.log(tau_s[best - 1 : best + 2] / tau_s[best])
    bend, slope, _ = np.polyfit(x, rss[near], 2)
    at = -slope / (2 * bend)
    course = np.polyfit(x, (amplitude * e)[near], 2)
    gradient = np.polyval(np.polyder(course), at)
    spent = math.sqrt(variance * (gradient**2 / bend + e[best] ** 2 / spread[best]))
    bound = max(bound, abs(np.polyval(course, at)) + 3.5 * spent)
    if bound <= band:
        half = n // 2
        rest = (y - amplitude[best] * np.exp((t[0] - t) / tau_s[best]))[half:]
        line = stats.linregress(t[half:], rest)
        if abs(line.slope) > 3 * line.stderr:
            bound += abs(line.slope) * scale_s
    return bound, tau_s[best] * math.exp(at), abs(amplitude[best]) / error[best]


def lag(times, *, step=40.0, tau_s=1.1, sd=0.3, seed=2):
    noise = np.random.default_rng(seed).normal(size=len(times))
    return [-step * math.exp(-t / tau_s) + sd * each for t, each in zip(times, noise, strict=True)]


def tenths(last_s):
    return [0.1 * n for n in range(1, round(10 * last_s) + 1)]


@pytest.mark.parametrize("last_s", [3.2, 4.0, 5.0, 7.0])
@pytest.mark.parametrize("tau_s", [0.7, 1.1, 1.9])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_bound_is_the_largest_that_least_squares_leaves_possible(last_s, tau_s, seed):
    times = tenths(last_s)
    values = lag(times, tau_s=tau_s, seed=seed)
    fits, found = fitted(times, values)
    bound, best_s, significance = by_least_squares(times, values, found)
    assert significance > 10
    assert fits.bound() == pytest.approx(bound, rel=1e-6)
    assert fits.fitted_s == pytest.approx(best_s, rel=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_level_and_uncertainty_are_those_of_a_fit_by_scipy(seed):
    times = tenths(6.0)
    values = lag(times, seed=seed)
    fits, _ = fitted(times, values)

    def model(t, c, a, x):
        return c + a * np.exp((times[0] - t) / np.exp(x))

    (_, a, x), covariance = optimize.curve_fit(model, times, values, p0=(0, -40, 0.1))
    span, tau = times[-1] - times[0], math.exp(x)
    gradient = math.exp(-span / tau) * np.array([1.0, a * span / tau])
    expected = abs(a) * math.exp(-span / tau) + 3.5 * math.sqrt(gradient @ covariance[1:, 1:] @ gradient)
    assert fits.bound() == pytest.approx(expected, rel=0.03)  # straight in both, which the grid is not
    assert fits.fitted_s == pytest.approx(tau, rel=1e-3)
    assert fits.fitted_u == pytest.approx(math.sqrt(covariance[2, 2]), rel=0.05)


def test_what_was_learnt_of_the_lag_narrows_the_bound_only_where_the_readings_agree():
    times = tenths(4.5)
    values = lag(times, sd=1.0)
    alone = fitted(times, values)[0].bound()
    assert fitted(times, values, rule(learnt_s=1.1, learnt_spread=0.02))[0].bound() < 0.8 * alone
    assert fitted(times, values, rule(learnt_s=0.6, learnt_spread=0.02))[0].bound() == alone


def test_the_bound_of_uneven_readings_is_the_same():
    times = np.cumsum(np.random.default_rng(4).uniform(0.02, 0.18, 50)).tolist()
    values = lag(times)
    fits, found = fitted(times, values)
    assert fits.bound() == pytest.approx(by_least_squares(times, values, found)[0], rel=1e-6)


def test_other_time_constants_have_the_same_bound():
    times = tenths(4.0)
    values = lag(times)
    fits, _ = fitted(times, values)
    slower, _ = fitted([8 * each for each in times], values, rule(time_constant_s=8.0))
    assert slower.bound() == pytest.approx(fits.bound(), rel=1e-9)
    assert slower.fitted_s == pytest.approx(8 * fits.fitted_s, rel=1e-9)


def test_no_fit_is_asked_before_three_time_constants_and_eight_readings():
    times = tenths(4.0)
    values = lag(times)
    for n, is_asked in ((30, False), (31, True)):  # the first at 0.1 s; 3.0 s behind it is 3.1 s
        times_n = [each + 1e-6 * (n == 31) * (each > 3.05) for each in times[:n]]
        assert (fitted(times_n, values[:n])[0].bound() < math.inf) == is_asked
    slow = [0.5 * n for n in range(1, 9)]
    assert fitted(slow[:7], lag(slow[:7]))[0].bound() == math.inf
    assert fitted(slow, lag(slow))[0].bound() < math.inf


def test_no_time_constant_is_named_where_no_step_is_seen():
    times = tenths(5.0)
    assert math.isnan(fitted(times, lag(times, step=0.5))[0].fitted_s)


def test_a_digit_that_stands_widens_the_bound():
    times = tenths(4.0)
    values = [round(each) for each in lag(times, step=15.0, sd=0.0)]
    fits, found = fitted(times, values, rule(resolution=1.0))
    assert found.digit_variance > 1 / 12
    assert fits.bound() == pytest.approx(by_least_squares(times, values, found)[0], rel=1e-6)


def test_a_drift_beside_the_exponential_comes_on_top():
    times = tenths(9.0)
    values = [each + 0.2 * t for each, t in zip(lag(times, sd=0.02), times, strict=True)]
    fits, found = fitted(times, values)
    bound, *_ = by_least_squares(times, values, found)
    without, *_ = by_least_squares(times, values, found, band=-1)
    assert bound > without + 0.05
    assert fits.bound() == pytest.approx(bound, rel=1e-6)


def test_fits_begin_every_half_time_constant_and_the_oldest_that_holds_is_asked():
    # In 16ths of a second, fits begin at 1, 9, 17 and 25; then the youngest gives way until, at 49, the first was
    # watched for 3 s. It leaves more than the noise, as the two behind it do: they began in the dead time of 1.2 s. So
    # the one begun at 49 is the oldest that holds, from 97 on.
    times = [n / 16 for n in range(1, 113)]
    noise = 0.3 * np.random.default_rng(8).normal(size=len(times))
    values = [-40 * math.exp(-max(t - 1.2, 0) / 1.1) + each for t, each in zip(times, noise, strict=True)]
    assert fitted(times[:96], values[:96])[0].bound() == math.inf
    for n in (97, 104, 112):
        fits, found = fitted(times[:n], values[:n])
        assert fits.bound() == pytest.approx(by_least_squares(times[:n], values[:n], found, first=48)[0], rel=1e-6)


def test_a_slow_receiver_begins_a_fit_at_every_fifth_reading():
    # 4.5 readings of 0.25 s are more than half a time constant: fits begin at 0.25, 1.5, 2.75 and 4 s.
    times = quarters(range(24))
    noise = 0.1 * np.random.default_rng(8).normal(size=len(times))
    values = [-40 * math.exp(-max(t - 1.4, 0) / 1.1) + each for t, each in zip(times, noise, strict=True)]
    fits, found = fitted(times, values)  # at 6 s: the first is left, that of 1.5 s was watched for 4.5 s
    assert fits.bound() == pytest.approx(by_least_squares(times, values, found, first=5)[0], rel=1e-6)


def test_without_a_stated_lag_what_was_watched_for_two_time_constants_is_possible():
    a_rule = rule(time_constant_s=0.0, minimum_s=1.0)
    times = tenths(9.0)
    values = lag(times)
    fits, found = fitted(times, values, a_rule)
    # From half of the time between samples to the longest wait.
    grid = np.exp(np.linspace(math.log(0.05), math.log(60.0), 81))
    expected = by_least_squares(times, values, found, tau_s=grid, scale_s=1.5, longest_s=4.5)
    assert fits.bound() == pytest.approx(expected[0], rel=1e-5)
    assert fits.fitted_s == pytest.approx(expected[1], rel=1e-5)
    slow = lag(times, tau_s=20.0)  # watched for less than half of it
    assert fitted(times, slow, a_rule)[0].bound() == math.inf


def fallen(times, values, a_rule=None):
    """The bound where no fit holds, asked after each reading; the last."""
    a_rule = a_rule or rule()
    found = Seen(a_rule)
    fallback = Fallback(a_rule, found)
    bounds = []
    for at_s, value in zip(times, values, strict=True):
        found.at_s = at_s
        found.take(value)
        bounds.append(fallback.bound())
    return bounds, fallback, found


def ramp(times, slope=0.1):
    return [slope * t for t in times]


def test_a_slope_bounds_once_it_was_seen_for_three_and_held_for_one_and_a_half_time_constants():
    times = quarters(range(40))
    bounds, *_ = fallen(times, ramp(times))
    # By its slope 0.1 for 1.3 time constants; until then by its range over two time constants.
    assert bounds[:8] == [math.inf] * 8  # two time constants are over at 2.25 s
    assert bounds[8:17] == pytest.approx([0.2] * 9)
    assert bounds[17:] == pytest.approx([0.13] * 23)  # nothing was known up to 3 s: from 4.5 s on


def test_bounds_go_by_the_time_constant_not_by_the_second():
    times = quarters(range(40))
    values = [0.1 * t + 0.02 * each for t, each in zip(times, np.random.default_rng(6).normal(size=40), strict=True)]
    bounds, fallback, _ = fallen(times, values)
    slower, slow_fallback, _ = fallen([8 * t for t in times], values, rule(time_constant_s=8.0))
    assert slower == pytest.approx(bounds, rel=1e-9)
    assert slow_fallback.tail_bound(32.0) == pytest.approx(fallback.tail_bound(4.0), rel=1e-9)


def test_a_slope_that_leaves_too_much_must_be_held_anew():
    # 0.9 in a time constant leaves 1.17; then 0.1 does once three time constants of it were seen.
    times = quarters(range(60))
    values = [0.9 * min(t, 5.0) + 0.1 * max(t - 5.0, 0.0) for t in times]
    bounds, *_ = fallen(times, values)
    assert bounds[19] == pytest.approx(1.8)  # at 5 s
    within = next(n for n, bound in enumerate(bounds) if bound < 0.15)
    assert bounds[within] == pytest.approx(0.13)


def test_a_fit_that_held_makes_the_slope_be_held_anew():
    times = quarters(range(30))
    a_rule = rule()
    found, begun_s = Seen(a_rule), 5.0
    fallback = Fallback(a_rule, found)
    for at_s in times:
        found.at_s = at_s
        found.take(0.1 * at_s)
        if at_s == begun_s:
            fallback.begin_again()
        bound = fallback.bound()
        assert bound == pytest.approx(0.13 if 4.75 <= at_s < 5.0 or at_s >= 6.5 else 0.2) or at_s < 4.75


@pytest.mark.parametrize("tail_s", [2.0, 5.0])
def test_a_tail_goes_on_at_its_slope_for_its_time_constant(tail_s):
    times = quarters(range(40))
    rng = np.random.default_rng(3)
    values = [0.1 * t + 0.05 * each for t, each in zip(times, rng.normal(size=40), strict=True)]
    _, fallback, found = fallen(times, values)
    # Seen over three time constants, or one of the tail's.
    from_s = times[-1] - max(3.0, tail_s)
    t, y = (np.array(each)[np.array(times) >= from_s] for each in (times, values))
    line = stats.linregress(t, y)
    variance = np.sum((y - line.intercept - line.slope * t) ** 2) / (t.size - 2)
    assert variance < 2.5 * found.noise_variance
    assert fallback.tail_bound(tail_s) == pytest.approx((line.slope + 2.5 * line.stderr) * tail_s, rel=1e-9)
    assert fallback.tail_bound(20.0) == math.inf  # not watched for so long


def test_a_swing_about_the_slope_that_is_not_noise_is_still_to_go():
    times = tenths(4.0)
    values = [2 * math.sin(2 * math.pi * t / 1.5) for t in times]
    _, fallback, found = fallen(times, values)
    t, y = np.array(times[-31:]), np.array(values[-31:])
    line = stats.linregress(t, y)
    variance = np.sum((y - line.intercept - line.slope * t) ** 2) / 29
    # Of a sine the amplitude is root two of the standard deviation; what noise explains is left out, 2.5 times over.
    swing = math.sqrt(2 * (variance - 2.5 * found.noise_variance))
    assert swing == pytest.approx(2, rel=0.1)
    assert fallback.tail_bound(1.0) == pytest.approx(abs(line.slope) + 2.5 * line.stderr + swing, rel=1e-6)


def test_a_slope_wants_eight_readings():
    times = [0.5 * each for each in range(1, 21)]
    _, fallback, _ = fallen(times, ramp(times))
    assert fallback.tail_bound(3.4) == math.inf  # seven, half a second apart
    assert fallback.tail_bound(3.5) == pytest.approx(0.35)


@pytest.mark.parametrize(
    ("times", "values", "bound"),
    [
        # Three readings, however far apart, and two time constants.
        ([4.0, 8.0], [1.0, 1.0], math.inf),
        ([4.0, 8.0, 12.0], [1.0, 1.5, 0.75], 0.75),
        ([1.0, 2.0, 2.9], [1.0, 1.5, 0.75], math.inf),
        ([1.0, 2.0, 3.0], [1.0, 1.5, 0.75], 0.75),
        # Only the last two time constants count, though not less than three readings.
        ([1.0, 2.0, 3.0, 4.0], [9.0, 1.0, 1.5, 0.75], 0.75),
        ([2.0, 4.0, 6.0, 8.0], [9.0, 1.0, 1.5, 0.75], 0.75),
        # A lag of two time constants that moved 0.25 in 0.25 of one has 0.25 / (e^(1/8) - 1) to go.
        ([0.5, 1.0, 3.75, 3.875, 4.0], [0, 0, 1.0, 1.125, 1.25], 0.25 / math.expm1(0.125)),
    ],
)
def test_the_range_of_the_readings_bounds_what_is_to_go(times, values, bound):
    bounds, *_ = fallen(times, values)
    assert bounds[-1] == pytest.approx(bound, rel=1e-12)


def test_a_step_of_the_digits_comes_on_top_of_the_range():
    bounds, *_ = fallen([4.0, 8.0, 12.0], [1.0, 1.5, 0.75], rule(resolution=0.5))
    assert bounds[-1] == pytest.approx(1.25, rel=1e-12)
