"""Each kind of noise by itself: its density against scipy, its two fits on drawn readings whose sizes are known."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from sequencer.diagnosis.noise.fitting import climb, core, gaussian_of
from sequencer.diagnosis.noise.kinds import FAULTS, KINDS
from sequencer.diagnosis.noise.kinds.bursts import BURSTS
from sequencer.diagnosis.noise.kinds.coarse import COARSE
from sequencer.diagnosis.noise.kinds.contact import CONTACT
from sequencer.diagnosis.noise.kinds.double_counting import DOUBLE_COUNTING, log_spread
from sequencer.diagnosis.noise.kinds.flicker import FLICKER
from sequencer.diagnosis.noise.kinds.kind import NOISE_KINDS, Burst, PulseRate, Run
from sequencer.diagnosis.noise.kinds.mains import MAINS
from sequencer.diagnosis.noise.kinds.sine import PERIODIC
from sequencer.diagnosis.noise.kinds.slow import DRIFT, WANDER, WARM_UP
from sequencer.diagnosis.noise.kinds.unknown import UNKNOWN
from sequencer.diagnosis.noise.kinds.white import WHITE

N = 400
T = np.arange(N) * 0.0217
TOLERANCE = 0.002  # of span


def burst(y, **known):
    return Burst(y=y, t=T[: len(y)], floor=1e-6, unit="mA", **known)


def best(kind, y, **known):
    return max(kind.fit_burst(burst(y, **known)), key=lambda fit: fit.log_evidence)


def run(away, *, ideal=None, rate=None, low=4.0, span=16.0, unit="mA"):
    """Eleven points of ten readings, at what is ideal but for `away`, of shape (11, 10), as fractions."""
    ideal = np.linspace(0, 1, 11) if ideal is None else ideal
    return Run(
        raw=ideal[:, np.newaxis] + away,
        center=ideal,
        ideal=ideal,
        sds=np.geomspace(5e-5, 5e-4, 8),
        tolerance=TOLERANCE,
        zero_level=-0.25,
        low=low,
        span=span,
        unit=unit,
        is_counted=rate is not None,
        rate=rate,
    )


def test_every_kind_is_listed_once_with_its_words():
    assert sorted(each.name for each in KINDS) == sorted(NOISE_KINDS)
    for each in (*KINDS, *FAULTS):
        assert each.cause
        assert each.check_sentence[0].isupper()
        assert each.check_sentence.endswith(".")


def test_white_noise_has_the_evidence_of_its_integral():
    # The mean integrated out by quadrature over the normal densities of scipy; sd known: no cost.
    y = np.random.default_rng(1).normal(12, 0.5, 20)
    peak = stats.norm.logpdf(y, y.mean(), 0.5).sum()
    area, _ = integrate.quad(lambda mean: math.exp(stats.norm.logpdf(y, mean, 0.5).sum() - peak), 11, 13)
    found = gaussian_of(float(((y - y.mean()) ** 2).sum()), 20, 0.5)
    assert found == pytest.approx(peak + math.log(area), abs=1e-6)
    fit = best(WHITE, y)
    assert fit.sd == pytest.approx(y.std(ddof=1), rel=1e-6)
    # Its own sd, and half of ln(n - 1) for it.
    own = gaussian_of(float(((y - y.mean()) ** 2).sum()), 20, float(y.std(ddof=1)))
    assert fit.log_evidence == pytest.approx(own - math.log(19) / 2)


def test_a_climb_integrates_the_first_parameter_out():
    # A product of two normal curves of sd 0.3 and 2: over the first one its integral is 0.3 sqrt(2 pi).
    found, at = climb(lambda x: -0.5 * (x[0] / 0.3) ** 2 - 0.5 * ((x[1] - 1) / 2) ** 2, (1.0, -1.0), (0.5, 0.5))
    assert found == pytest.approx(math.log(0.3 * math.sqrt(2 * math.pi)), abs=0.03)
    assert at == pytest.approx([0, 1], abs=0.2)


def test_the_middle_of_the_shortest_half_is_not_drawn_by_what_is_thrown():
    y = np.random.default_rng(2).normal(5, 0.1, N)
    y[:100] += 3
    middle, sd = core(y, 1e-6)
    assert middle == pytest.approx(5, abs=0.05)
    # The shortest half of all is two thirds of the 300 that are whole: +/- 0.967 sd, so 1.43 times the width of a half.
    assert sd == pytest.approx(0.143, rel=0.15)


def test_pulses_that_count_twice_spread_evenly_blurred_by_noise():
    at = np.array([-0.1, 0.0, 0.3, 0.5, 0.62])
    expected = [integrate.quad(lambda x, a=a: stats.norm.pdf(a - x, scale=0.05) / 0.5, 0, 0.5)[0] for a in at]
    assert np.exp(log_spread(at, 0.5, 0.05)) == pytest.approx(expected, abs=4e-3)


RNG = np.random.default_rng
WHITE_MA = 0.002


@pytest.mark.parametrize(
    ("kind", "name", "true", "within"),
    [
        # 400 readings: a share p is known to sqrt(p (1 - p) / 400), an amplitude to sd sqrt(2 / 400), a half-normal
        # scale to 1 / sqrt(2 x 100) of itself; three of these.
        (BURSTS, "share", 0.25, 0.065),
        (BURSTS, "size", 0.1 * math.sqrt(2 / math.pi), 0.016),
        (CONTACT, "share", 0.05, 0.033),
        (FLICKER, "size", 0.05, 0.0006),
        (FLICKER, "share", 0.3, 0.07),
        (MAINS, "size", 0.05, 0.0005),
        (PERIODIC, "size", 0.05, 0.0005),
        (PERIODIC, "rate_Hz", 7.3, 0.002),
        (DOUBLE_COUNTING, "size", 0.4, 0.01),
        (DRIFT, "size", 0.005 * T[-1], 0.0012),
        (WARM_UP, "size", 0.1, 0.006),
        (WANDER, "share", 0.9, 0.07),
        (WANDER, "sd", WHITE_MA, 0.00022),
    ],
    ids=lambda each: getattr(each, "name", None),
)
def test_a_burst_gives_the_sizes_it_was_drawn_with(kind, name, true, within):
    rng = RNG(3)
    white, even = rng.normal(0, WHITE_MA, N), rng.uniform(size=N)
    ar = np.zeros(N)
    for i in range(1, N):
        ar[i] = 0.9 * ar[i - 1] + white[i]
    y = {
        BURSTS.name: 12 + white + np.where(even < 0.25, np.abs(rng.normal(0, 0.1, N)), 0),
        CONTACT.name: np.where(even < 0.05, 0, 12 + white),
        FLICKER.name: 12 + white + 0.05 * (even < 0.3),
        MAINS.name: 12 + white + 0.05 * np.sin(2 * np.pi * 50.03 * T),
        PERIODIC.name: 12 + white + 0.05 * np.sin(2 * np.pi * 7.3 * T),
        DOUBLE_COUNTING.name: 12 + white + 0.4 * even,
        DRIFT.name: 12 + white + 0.005 * T,
        WARM_UP.name: 12 + white - 0.1 * np.exp(-T / 0.8),
        WANDER.name: 12 + ar,
    }[kind.name]
    fit = best(kind, y, is_counted=kind is DOUBLE_COUNTING)
    assert getattr(fit, name) == pytest.approx(true, abs=within)
    assert fit.log_evidence > best(WHITE, y).log_evidence + 10


def test_long_tails_are_none_of_the_others():
    y = 12 + WHITE_MA * RNG(4).standard_t(2, N)
    fits = {kind.name: best(kind, y).log_evidence for kind in KINDS if kind.fit_burst(burst(y))}
    assert max(fits, key=fits.get) == UNKNOWN.name


def test_pulses_count_twice_only_where_pulses_are_counted():
    assert DOUBLE_COUNTING.fit_burst(burst(12 + RNG(5).uniform(0, 1, N))) == ()
    assert DOUBLE_COUNTING.fit_run(run(np.zeros((11, 10)))) is None


SHAPE = (11, 10)
RATE = PulseRate(span_Hz=1000.0, top_Hz=1000.0, origin=0.0)


def drawn(kind):
    rng = RNG(6)
    white, even = rng.normal(0, 1e-4, SHAPE), rng.uniform(size=SHAPE)
    ideal = np.linspace(0.003, 0.997, 11)[:, np.newaxis]
    level = np.linspace(0, 1, 11)[:, np.newaxis]
    return {
        MAINS.fault: lambda: run(white + 0.01 * np.sin(2 * np.pi * even)),
        BURSTS.fault: lambda: run(white + np.where(even < 0.25, np.abs(rng.normal(0, 0.02, SHAPE)), 0)),
        CONTACT.fault: lambda: run(np.where(even < 0.06, -0.25 - level, white)),
        # 0.1 s: 10 Hz, a hundredth of the span; 83.3 and so on are no whole counts.
        FLICKER.fault: lambda: run(0.01 * np.floor(ideal / 0.01 + even) - ideal + white, ideal=ideal[:, 0], rate=RATE),
        DOUBLE_COUNTING.fault: lambda: run(white + 0.2 * even * level, rate=RATE),
        COARSE.fault: lambda: run(
            0.008 * np.round((ideal + 0.25) / 0.008) - 0.25 - ideal + np.zeros(SHAPE), ideal=ideal[:, 0]
        ),
    }[kind.fault]()


@pytest.mark.parametrize(
    ("kind", "size", "factor"),
    # 110 readings; sizes are tried in steps of 25 % (sine), 2.2 times (bursts), 35 % (double counting).
    [
        (MAINS, 0.01, 1.25),
        (BURSTS, 0.02, 2.2),
        (FLICKER, 0.01, 1.02),
        (DOUBLE_COUNTING, 0.1, 1.4),
        (COARSE, 0.008, 1.001),
    ],
    ids=lambda each: getattr(each, "fault", None),
)
def test_a_run_gives_the_sizes_it_was_drawn_with(kind, size, factor):
    fit = kind.fit_run(drawn(kind))
    assert size / factor <= fit.theta[0] <= size * factor


@pytest.mark.parametrize("kind", [MAINS, BURSTS, CONTACT, FLICKER, DOUBLE_COUNTING], ids=lambda each: each.fault)
def test_a_run_is_of_the_kind_it_was_drawn_from(kind):
    readings = drawn(kind)
    fits = {
        each.fault: fit.log_evidence
        for each in FAULTS
        if not each.needs_times and (fit := each.fit_run(readings)) is not None
    }
    assert max(fits, key=fits.get) == kind.fault, fits


def test_an_open_input_reads_nothing_and_not_a_rounding_error():
    # -0.25 of a span of 16 mA from 4 mA on is 0 mA; in floating point 16 x -0.25 + 4 may be off by 1e-16.
    assert "readings go to about 0 mA, the rest are right" in CONTACT.fit_run(drawn(CONTACT)).text
    away = np.zeros(SHAPE)
    away[3, 4] = -0.25 - 0.3 + 1.4e-17
    away[5, 2] = -0.25 - 0.5 - 1.4e-17
    assert "2 of 110 readings go to about 0 mA" in CONTACT.fit_run(run(away)).text


@pytest.mark.parametrize(
    ("unit", "low", "span", "lost"),
    [
        pytest.param("mA", 4.0, 16.0, 1, id="rising current"),  # 5 % of span above is more current
        pytest.param("mA", 20.0, -16.0, 1, id="falling current"),  # 5 % of span below is more current
        pytest.param("V", 0.0, 10.0, 2, id="voltage"),  # an open input floats
    ],
)
def test_a_contact_only_takes_current_away(unit, low, span, lost):
    away = np.zeros(SHAPE)
    away[3, 4], away[5, 2] = -0.05, 0.05
    assert f"{lost} of 110 readings go to" in CONTACT.fit_run(run(away, low=low, span=span, unit=unit)).text
    more = np.zeros(SHAPE)
    more[3, 4] = np.copysign(0.05, span)
    assert (CONTACT.fit_run(run(more, low=low, span=span, unit=unit)) is None) == (unit == "mA")


@pytest.mark.parametrize(("level_mA", "is_contact"), [(8.0, True), (16.0, False)])
def test_in_a_burst_a_contact_only_takes_current_away(level_mA, is_contact):
    y = RNG(3).normal(12, 0.002, N)
    y[::40] = np.linspace(level_mA - 1, level_mA + 1, 10)  # anywhere: the contact moves
    fits = [best(kind, y).log_evidence for kind in (CONTACT, WHITE)]
    assert (fits[0] > fits[1]) == is_contact


def test_what_hits_all_readings_of_a_visit_goes_with_the_point():
    away = RNG(7).normal(0, 1e-4, SHAPE)
    away[[2, 5]] += 0.05
    assert BURSTS.fit_run(run(away)) is None
    assert CONTACT.fit_run(run(away)) is None


def test_noise_that_was_not_seen_may_have_been_missed_or_gone():
    # 0.95^20 = 0.3585 that a contact open for 5 % is missed; one in a thousand that noise has gone.
    assert CONTACT.unseen(0.05, 20) == pytest.approx(math.log(0.999 * 0.3585 + 0.001), abs=1e-4)
    assert MAINS.unseen(math.nan, 200) == pytest.approx(math.log(0.001))
    assert FLICKER.unseen(0.3, 200) == 0.0  # at a whole count nothing flickers
