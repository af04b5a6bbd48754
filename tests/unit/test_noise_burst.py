"""Noise of one burst: signals made with numpy, whose kind and sizes are known; closed forms."""

import math
import re
import warnings

import numpy as np
import pytest
from scipy import signal, stats

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.averaging import allan_deviation, averaging, counter_resolution
from sequencer.diagnosis.noise.burst import noise_of
from sequencer.diagnosis.noise.catalogue import averaging_words, drive_words, line_words, noise_words
from sequencer.diagnosis.noise.drive import drive_effect, drive_line
from sequencer.diagnosis.noise.sines import alias_Hz, explained, false_alarm, fit_sines, kept_by_aperture

# NBS Monograph 140 and NIST SP 1065: the test of nine readings (from memory). By hand: the squared differences sum to
# 133165 in eight, and sqrt(133165 / 16) = 91.229.
_NBS_NINE = np.array([892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0])


def test_allan_deviation_of_the_published_nine_readings():
    # NIST SP 1065, table of the NBS data: 91.22945 at one interval, 85.95287 at two (overlapping; from memory).
    assert allan_deviation(_NBS_NINE, 1) == pytest.approx(91.22945, abs=5e-6)
    assert allan_deviation(_NBS_NINE, 2) == pytest.approx(85.95287, abs=5e-6)


def test_allan_deviation_is_not_known_from_fewer_than_two_means():
    assert math.isnan(allan_deviation(_NBS_NINE, 5))


def test_white_noise_averages_with_the_square_root_and_drift_ends_it():
    rng = np.random.default_rng(1)
    white = rng.normal(0, 1, 4096)
    calm = averaging(white)
    at_16 = calm.deviation[calm.means_n.index(16)]
    assert at_16 == pytest.approx(1 / 4, rel=0.1)
    assert calm.is_falling
    assert calm.needed_n(0.01) == pytest.approx(10_000, rel=0.5)
    # A drift of d a reading adds d m / sqrt(2): equal to 1 / sqrt(m) at m = (sqrt(2) / d) ^ (2/3) = 93, smallest at
    # m = (1 / d) ^ (2/3) = 74 for d = 1/640 (derivative of 1/m + d^2 m^2 / 2 is nil at m^3 = 1 / d^2).
    drifting = averaging(white + np.arange(4096) / 640)
    assert drifting.best_n in {64, 128}
    assert not drifting.is_falling
    assert drifting.needed_n(0.01) is None


@pytest.mark.parametrize(
    ("rate_Hz", "gate_s", "clock_Hz", "relative"),
    # Direct: one count in f x gate. Reciprocal: one clock pulse in the gate; a 10 MHz clock and 1 s give 1e-7.
    [(10, 1, None, 0.1), (1000, 1, None, 1e-3), (1e6, 0.1, None, 1e-5), (10, 1, 1e7, 1e-7), (1e6, 0.1, 1e7, 1e-6)],
)
def test_what_a_counter_resolves(rate_Hz, gate_s, clock_Hz, relative):
    assert counter_resolution(rate_Hz, gate_s, clock_Hz=clock_Hz) / rate_Hz == pytest.approx(relative)


def test_a_reciprocal_counter_takes_a_whole_period_at_least():
    # 0.5 Hz with a gate of 0.1 s: the period of 2 s is measured with 10 MHz, 1 in 2e7.
    assert counter_resolution(0.5, 0.1, clock_Hz=1e7) == pytest.approx(0.5 / 2e7)


@pytest.mark.parametrize(
    ("rate_Hz", "interval_s", "seen_Hz"),
    [(50, 0.02, 0), (50, 0.1, 0), (50, 0.021, 50 - 1 / 0.021), (60, 0.02, 10), (60, 0.1, 0), (49.9, 0.02, 0.1)],
)
def test_where_mains_appears(rate_Hz, interval_s, seen_Hz):
    assert alias_Hz(rate_Hz, interval_s) == pytest.approx(abs(seen_Hz), abs=1e-9)


def test_whole_cycles_take_a_sine_away():
    assert kept_by_aperture(50, 0.02) == pytest.approx(0, abs=1e-12)
    assert kept_by_aperture(60, 0.02) == pytest.approx(math.sin(math.pi * 1.2) / (math.pi * 1.2) * -1, rel=1e-9)


@pytest.mark.parametrize(
    "rates_Hz",
    [np.linspace(0.5, 8, 50), np.linspace(0.05, 40, 2001), np.geomspace(0.05, 40, 300)],
    ids=["few", "an even grid of many", "many, uneven"],
)
def test_explained_is_scipys_lomb_scargle_on_centred_readings(rates_Hz):
    rng = np.random.default_rng(2)
    t = np.sort(rng.uniform(0, 10, 200))
    y = 0.3 * np.sin(2 * np.pi * 3.1 * t) + rng.normal(0, 1, 200)
    theirs = signal.lombscargle(t, y, 2 * np.pi * rates_Hz, floating_mean=True, normalize=True)
    assert explained(y, t, rates_Hz) == pytest.approx(theirs, abs=1e-9)


def test_false_alarms_come_as_often_as_promised():
    rng = np.random.default_rng(3)
    n, t = 64, np.arange(64.0)
    rates_Hz = np.arange(1, 32) / 64  # the independent ones of even spacing
    alarms = [false_alarm(float(explained(rng.normal(0, 1, n), t, rates_Hz).max()), n, 31) for _ in range(400)]
    # 20 of 400 are expected at 5 %; the binomial distribution gives 9 to 33 in 99.8 %.
    assert (
        stats.binom.ppf(0.001, 400, 0.05) <= sum(alarm < 0.05 for alarm in alarms) <= stats.binom.ppf(0.999, 400, 0.05)
    )


def test_a_fitted_sine_has_the_variance_of_the_arcsine_distribution():
    t = np.arange(1000) * 0.0013
    y = 0.2 * np.sin(2 * np.pi * 50 * t)
    amplitude, rest = fit_sines(y, t, (50.0,))
    assert amplitude[0] == pytest.approx(0.2)
    assert np.abs(rest).max() < 1e-12
    assert y.var() == pytest.approx(amplitude[0] ** 2 / 2, rel=1e-3)  # variance of the arcsine distribution: A^2 / 2


_N = 200
_TIMES_S = np.arange(_N) * 0.0217


def _signal(kind):
    rng = np.random.default_rng(11)
    white, even, t = rng.normal(0, 0.002, _N), rng.uniform(size=_N), _TIMES_S
    return {
        "white noise": 12 + white,
        "quantisation flicker": np.floor(12.317 / 0.05 + even) * 0.05,
        "mains pickup": 12 + 0.05 * np.sin(2 * np.pi * 50.03 * t) + white,
        "periodic disturbance": 12 + 0.05 * np.sin(2 * np.pi * 7.3 * t) + white,
        "bursts to one side": 12 + white + np.where(even < 0.2, np.abs(rng.normal(0, 0.1, _N)), 0),
        "intermittent contact": np.where(even < 0.03, 0.0, 12 + white),
        "drift": 12 + 0.005 * t + white,
        "warm-up": 12 - 0.1 * np.exp(-t / 0.8) + white,
        "slow wander": 12 + np.cumsum(white),
        "unknown": 12 + 0.002 * rng.standard_t(2, _N),
    }[kind]


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        ("white noise", r"sd 0\.0018|sd 0\.0019|sd 0\.002"),
        ("quantisation flicker", r"0\.0(5|499|501)\d* mA apart, (2|3|4)\d %"),
        ("mains pickup", r"50\.0[234] Hz, amplitude 0\.0(5|49\d|50\d) mA"),
        ("periodic disturbance", r"7\.(3|30\d|29\d) Hz"),
        ("bursts to one side", r"of the readings by 0\.0[789]"),
        ("intermittent contact", "drop out"),
        ("drift", r"0\.(3|29\d|30\d) mA a minute"),
        ("warm-up", r"time constant 0\.(7|8)\d? s"),
        ("slow wander", "holds on"),
        ("unknown", "tails longer"),
    ],
)
def test_each_kind_of_burst_is_told_with_its_sizes(kind, word):
    found = noise_of(_signal(kind), _TIMES_S, unit="mA", resolution=1e-4)
    assert found.best.kind == kind, found.kinds[:3]
    assert found.best.weight > 0.8
    assert re.search(word, found.best.words), found.best.words
    assert sum(each.weight for each in found.kinds) == pytest.approx(1)


@pytest.mark.parametrize("is_bare", [True, False], ids=["levels alone", "with noise"])
def test_random_telegraph_noise_is_told_with_its_true_mean_in_nineteen_of_twenty(is_bare):
    # Dwell times of 12 and 30 readings on average (geometric): the upper level for 12 / 42 of the time.
    rng = np.random.default_rng(21)
    hits, n, true = 0, 600, 12 + 0.02 * 12 / 42
    for _ in range(40):
        lengths = np.stack((rng.geometric(1 / 30, 100), rng.geometric(1 / 12, 100)), axis=1).ravel()
        y = 12 + 0.02 * np.repeat(np.arange(200) % 2, lengths)[500 : 500 + n]
        y = y if is_bare else y + rng.normal(0, 0.004, n)
        found = noise_of(y, np.arange(n) * 0.02, unit="mA", resolution=1e-5)
        assert found.best.kind == "random telegraph"
        assert found.best.size == pytest.approx(0.02, rel=0.1)
        hits += abs(found.best_value - true) <= found.U_best
    # 38 of 40 are expected at 95 %; the binomial distribution gives 34 and more in 99.6 %.
    assert hits >= stats.binom.ppf(0.004, 40, 0.95)


def _of_known_level(kind, rng, n):
    white = rng.normal(0, 0.004, n)
    return (
        12
        + {
            "white noise": lambda: white,
            # x(i) = a x(i-1) + e, in rest from the first one on: level 0.
            "slow wander": lambda: signal.lfilter([1], [1, -0.9], rng.normal(0, 0.004, n + 300))[300:],
            "bursts to one side": lambda: white + (rng.uniform(size=n) < 0.1) * (0.03 + rng.exponential(0.06, n)),
            "unknown": lambda: 0.004 * rng.standard_t(2, n),
            # 4.3 turns: their own mean is not nothing.
            "periodic disturbance": lambda: white + 0.03 * np.sin(2 * np.pi * 4.3 / n * np.arange(n) + 1),
        }[kind]()
    )


@pytest.mark.parametrize(
    "kind", ["white noise", "slow wander", "bursts to one side", "unknown", "periodic disturbance"]
)
def test_the_interval_of_the_level_holds_it_in_nineteen_of_twenty(kind):
    hits, told = 0, 0
    for seed in range(40):
        found = noise_of(
            _of_known_level(kind, np.random.default_rng([len(kind), seed]), 300), np.arange(300) * 0.13, unit="mA"
        )
        if found.best.kind == kind and math.isfinite(found.U_best):
            told, hits = told + 1, hits + (abs(found.best_value - 12) <= found.U_best)
    assert told >= 32
    # The binomial distribution gives fewer in 0.4 %.
    assert hits >= stats.binom.ppf(0.004, told, 0.95)


@pytest.mark.parametrize("gate_n", [1, 3, 5.4])
def test_a_counter_flickers_from_gate_to_gate_and_is_no_telegraph(gate_n):
    rng = np.random.default_rng(22)
    gate = np.floor(np.arange(500) / gate_n).astype(int)
    counted = np.floor(12037.3 * 0.1 + rng.uniform(size=500))[gate] / 0.1
    found = noise_of(counted + rng.normal(0, 0.3, 500), np.arange(500) * 0.1, unit="Hz", resolution=0.01)
    assert found.best.kind == "quantisation flicker"
    assert (f"gate to gate of {0.1 * gate_n:.2g} s" in found.best.words) == (gate_n > 1)


@pytest.mark.parametrize("n", [200, 9000])
def test_the_resolution_is_found_from_the_readings(n):
    rng = np.random.default_rng(23)
    steady = np.round((12 + rng.normal(0, 0.0015, n)) / 0.005) * 0.005
    found = noise_of(steady, np.arange(n) * 0.02, unit="mA")
    assert found.best.kind == "quantisation flicker"
    assert "levels of the last digit (0.005 mA)" in found.best.words


def test_a_display_that_shows_each_value_again_is_told_and_what_is_beneath_it():
    y = np.repeat(_signal("drift")[::4], 4)
    found = noise_of(y, np.arange(200) * 0.02, unit="mA")
    assert found.best.kind == "display steps"
    assert "about 4 readings (0.08 s): 200 readings are worth 50" in found.best.words
    assert found.second is not None
    assert found.second.kind == "drift"


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("mains pickup", "bursts to one side"),
        ("mains pickup", "drift"),
        ("mains pickup", "slow wander"),
        ("intermittent contact", "mains pickup"),
        ("drift", "bursts to one side"),
    ],
)
def test_two_kinds_together_are_named_both(one, other):
    white = _signal("white noise") - 12
    both = _signal(one) + _signal(other) - 12 - white
    if one == "intermittent contact":
        both = np.where(_signal(one) == 0, 0.0, _signal(other))
    found = noise_of(both, _TIMES_S, unit="mA", resolution=1e-4)
    assert found.second is not None
    assert {found.best.kind, found.second.kind} == {one, other}
    said = noise_words(found)
    assert any(each.startswith(f"and {found.second.kind} beside it") for each in said)


def test_long_tails_have_the_median_as_the_better_middle():
    found = noise_of(_signal("unknown"), _TIMES_S, unit="mA", resolution=1e-4)
    assert found.best_value == np.median(_signal("unknown"))
    assert any("the median is the better middle: 12" in each for each in noise_words(found))


def test_no_kind_is_said_to_be_certain_and_few_readings_say_so():
    many = noise_of(_signal("intermittent contact"), _TIMES_S)
    assert noise_words(many)[0].startswith("intermittent contact (98 %)")
    few = noise_of(_signal("mains pickup")[:20], _TIMES_S[:20])
    assert few.best.weight < 0.9
    assert "20 readings are few: 200 tell kinds apart" in noise_words(few)


def _one_over_f(n):
    """Sum of relaxations, three to a decade, each of the same variance: 1/f between the slowest and the fastest."""
    rng, total = np.random.default_rng(24), np.zeros(n)
    for tau in np.geomspace(1, 10 * n, 13):
        held = math.exp(-1 / tau)
        total += signal.lfilter([math.sqrt(1 - held**2)], [1, -held], rng.normal(size=n + 10_000))[-n:]
    return total


def test_more_readings_do_not_help_where_the_allan_deviation_is_flat():
    # 1/f noise: its Allan deviation is the same for means of any length (NIST SP 1065, from memory).
    pink = averaging(_one_over_f(4096))
    assert pink.is_flat
    assert "more readings do not help" in averaging_words(pink, unit="mA")
    assert averaging(np.random.default_rng(25).normal(size=4096)).is_falling


def test_one_reading_is_as_good_as_it_scatters_and_not_as_its_neighbour_is_near():
    # A drift of 1 mA: neighbours differ by 0.0005 mA, one reading is off by 1 / sqrt(12) = 0.29 mA.
    words = averaging_words(averaging(np.linspace(0, 1, 2000)), unit="mA")
    assert words.startswith("one reading is good to 0.29 mA")
    assert "beyond 1 readings" not in words
    assert "drift takes over" in words


def test_the_drive_is_compared_whatever_the_noise_is_named():
    effect = drive_effect(np.full(50, 12.0), np.tile([12.0, 12.1], 25))
    assert "which the step alone can do" in drive_words(effect, flickers=True)
    assert "comes from the drive" in drive_words(effect)


def test_white_noise_is_named_in_nineteen_of_twenty_bursts():
    best = []
    for seed in range(20):
        white = 12 + np.random.default_rng(seed).normal(0, 0.002, _N)
        best.append(noise_of(white, _TIMES_S, resolution=1e-4).best.kind)
    assert best.count("white noise") >= 19


def test_the_duty_of_a_gated_counter_gives_the_rate_between_its_levels():
    # floor(f Tg + phase) / Tg: share of the upper level is the fraction of f Tg; 12037.3 Hz in 0.1 s: 0.73.
    rng = np.random.default_rng(4)
    counted_Hz = np.floor(12037.3 * 0.1 + rng.uniform(size=400)) / 0.1
    found = noise_of(counted_Hz, np.arange(400) * 0.1, unit="Hz", resolution=0.001)
    assert found.best.kind == "quantisation flicker"
    # 10 MHz for 0.1 s: a million clock pulses, 12037 Hz / 1e6 = 0.012 Hz.
    assert (
        "a gate of 0.1 s has that step, a reciprocal counter with a clock of 10 MHz one of 0.012 Hz" in found.best.words
    )
    assert found.best_value == pytest.approx(12037.3, abs=3 * 10 * math.sqrt(0.73 * 0.27 / 400))


def test_mains_before_the_aperture_is_given():
    # 60 Hz, 20 ms: sinc(1.2) = 0.1559 is left.
    y = 12 + 0.05 * np.sin(2 * np.pi * 60.02 * _TIMES_S) + np.random.default_rng(5).normal(0, 0.002, _N)
    found = noise_of(y, _TIMES_S, unit="mA", aperture_s=0.02)
    assert found.best.kind == "mains pickup"
    assert "(0.32" in found.best.words
    # 60.02 x 0.0217 = 1.3024 turns: 0.3024 / 0.0217 s
    assert "appears at 13.9 Hz" in found.best.words


def test_what_no_pair_of_kinds_explains_leaves_a_remark_and_doubt():
    # A sine whose amplitude swings: three lines.
    swings = 12 + 0.05 * (1 + 0.5 * np.sin(2 * np.pi * 0.9 * _TIMES_S)) * np.sin(2 * np.pi * 7.3 * _TIMES_S)
    found = noise_of(swings + np.random.default_rng(6).normal(0, 0.002, _N), _TIMES_S, resolution=1e-4)
    assert found.is_more
    assert found.best.kind == "unknown"
    assert "nearest is periodic disturbance" in found.best.words
    assert found.second is not None
    assert found.second.kind == "periodic disturbance"
    assert not noise_of(_signal("mains pickup"), _TIMES_S, resolution=1e-4).is_more


def test_drops_do_not_spoil_the_best_value():
    found = noise_of(_signal("intermittent contact"), _TIMES_S, resolution=1e-4)
    assert found.best_value == pytest.approx(12, abs=0.001)
    assert found.mean < 11.9


def test_a_burst_that_does_not_move_is_white_of_the_resolution():
    found = noise_of(np.full(50, 12.0), np.arange(50) * 0.1, unit="mA", resolution=0.001)
    assert found.best.kind == "white noise"
    assert "resolution" in found.best.words
    unknown = noise_of(np.full(50, 12.0), np.arange(50) * 0.1, unit="mA")
    assert unknown.best.words == "no reading differs: less than the last digit shown"


def test_noise_with_the_drive_on_is_compared_with_noise_when_it_is_off():
    rng = np.random.default_rng(8)
    off, on = rng.normal(0, 1, 400), rng.normal(0.5, 3, 400)
    effect = drive_effect(off, on)
    assert effect.ratio == pytest.approx(3, rel=0.1)
    # Normal noise: ln s has a standard error of 1 / sqrt(2 n); sqrt(2 / 800) = 0.05 for the difference.
    assert effect.z_ratio == pytest.approx(math.log(effect.ratio) / 0.05, rel=0.15)
    assert effect.is_louder
    assert not drive_effect(off, rng.normal(0, 1, 400)).is_louder


def _carrier(rate_Hz, *, amplitude=0.05, seed=9, interval_s=0.02):
    times_s = np.arange(300) * interval_s
    noise = np.random.default_rng(seed).normal(0, 0.005, 300)
    return 12 + amplitude * np.sin(2 * np.pi * rate_Hz * times_s + 0.4) + noise, times_s


def test_a_line_that_comes_with_the_drive_is_its_carrier_and_may_be_any_alias():
    # 4007 Hz read 50 times a second: 4007 = 80 x 50 + 7.
    off, on = _carrier(4007, amplitude=0, seed=8), _carrier(4007)
    found = noise_of(*on, unit="mA")
    assert found.best.kind == "periodic disturbance"
    assert found.best.rate_Hz == pytest.approx(7, abs=0.02)
    line = drive_line(off, on, found.best.rate_Hz)
    assert line.mains == ""
    assert line.left < 0.1
    text, check = line_words(line)
    assert "n x 50 ± 7 Hz" in text
    assert "3993 and 4007 Hz" in text
    assert "cannot tell" in text
    assert "another interval" in check


def test_a_line_where_mains_may_appear_says_so():
    # 5 x 50 Hz read every 21 ms: 5.25 turns, so 0.25 / 21 ms = 11.9 Hz; a carrier of 4011.9 Hz lies elsewhere.
    on = _carrier(250, interval_s=0.021)
    line = drive_line(_carrier(250, amplitude=0, seed=8, interval_s=0.021), on, 0.25 / 0.021)
    assert line.mains == "5 x 50 Hz"
    assert "5 x 50 Hz of mains would appear too" in line_words(line)[0]


def test_a_line_that_stays_with_the_drive_off_is_not_of_the_drive():
    assert drive_line(_carrier(4007, seed=8), _carrier(4007), 7.0) is None


@pytest.mark.parametrize(
    ("values", "times_s", "match"),
    [
        (np.zeros(10), np.arange(10.0), "at least 16"),
        (np.zeros(20), np.zeros(20), "do not rise"),
        (np.zeros(20), np.zeros(19), "shape"),
    ],
)
def test_what_is_no_burst_is_refused(values, times_s, match):
    with pytest.raises(ReadingsError, match=match):
        noise_of(values, times_s)


# At 11 mA the step is one of nine: a coarse counter is not ruled out.
@pytest.mark.parametrize(("level", "least"), [(0.0, 0.9), (4.1, 0.9), (7.2, 0.9), (11.0, 0.5)])
def test_a_contact_may_lose_readings_to_any_place(level, least):
    # A twentieth of the readings at one level below, as with a second path beside the loop; noise of 1 uA on all.
    rng = np.random.default_rng(41)
    y = np.where(rng.uniform(size=300) < 0.05, level, 12.4) + rng.normal(0, 0.001, 300)
    found = noise_of(y, np.arange(300) * 0.02, unit="mA", resolution=1e-5)
    assert found.best.kind == "intermittent contact"
    assert found.best.weight > least
    assert ("to about" in found.best.words) == (level > 0)
    assert found.best_value == pytest.approx(12.4, abs=0.001)


def test_a_contact_that_stays_open_for_a_while_is_no_telegraph():
    rng = np.random.default_rng(42)
    is_open = np.zeros(400, dtype=bool)
    for start in (50, 51, 120, 121, 122, 240, 241, 330, 331, 332, 333):
        is_open[start] = True
    y = np.where(is_open, 6.3, 15.2) + rng.normal(0, 0.001, 400)
    assert noise_of(y, np.arange(400) * 0.02, unit="mA", resolution=1e-5).best.kind == "intermittent contact"


@pytest.mark.parametrize("gate_n", [1.2, 1.4])
def test_a_gate_hardly_longer_than_the_readings_are_apart_is_told_by_where_no_level_changes(gate_n):
    # Readings in one gate are one count (arithmetic): a fifth to a third of the neighbours cannot differ.
    rng = np.random.default_rng(43)
    gate = np.floor(np.arange(900) / gate_n).astype(int)
    counted = np.floor(12037.3 * 0.1 + rng.uniform(size=900))[gate] / 0.1
    found = noise_of(counted + rng.normal(0, 0.3, 900), np.arange(900) * 0.1, unit="Hz", resolution=0.01)
    assert found.best.kind == "quantisation flicker"
    assert f"gate to gate of {0.1 * gate_n:.2g} s" in found.best.words


@pytest.mark.parametrize("resolution", [0.0, 0.01], ids=["resolution found", "resolution stated"])
def test_what_moves_slowly_through_the_steps_of_a_display_is_no_wander_of_a_fine_one(resolution):
    # A straight line through seven steps, shown to the step: it stays on each for a seventh of the readings.
    y = np.round((12 + 0.07 * np.arange(300) / 300) / 0.01) * 0.01
    found = noise_of(y, np.arange(300) * 0.02, unit="mA", resolution=resolution)
    assert found.best.kind == "display steps"
    assert "8 levels of the last digit (0.01 mA)" in found.best.words
    assert "something slow, finer than is shown" in found.best.words


def test_readings_that_are_all_the_same_but_for_rounding_are_no_telegraph():
    same = np.full(50, 12.1) * 3 / 3
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert noise_of(same, np.arange(50) * 0.02, unit="mA").best.kind == "white noise"
