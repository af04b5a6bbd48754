"""Evidence of single readings against scipy's densities; the kind of noise that made the readings leads."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm
from segments import UP_DOWN, segment_with

from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.model.noise_evidence import _healthy_line, scatters, within_white
from sequencer.diagnosis.noise.captured import Heard
from sequencer.evaluation.budget import Basis, Limits, Statement
from sequencer.readings.csv_import import from_csv

T = 0.002
N = 40


@pytest.mark.parametrize(("sd", "is_noisy"), [(1e-4, False), (5e-4, False), (2e-3, True), (1e-2, True)])
def test_white_noise_is_that_of_scipy_summed_over_each_octave_alike(sd, is_noisy):
    readings = UP_DOWN[:, np.newaxis] + np.random.default_rng(5).normal(0, sd, (UP_DOWN.size, 5))
    low, high = (T / 3, 30 * T) if is_noisy else (T / 1000, T / 3)

    def log_density(log_sd):
        # Readings less their mean: the density of all over that of the mean, whatever the true value.
        each = np.exp(log_sd)
        all_ = norm.logpdf(readings, UP_DOWN[:, np.newaxis], each).sum()
        return all_ - norm.logpdf(readings.mean(axis=1), UP_DOWN, each / np.sqrt(5)).sum()

    grid = np.linspace(np.log(low), np.log(high), 400)
    top = max(map(log_density, grid))
    best = grid[np.argmax([log_density(each) for each in grid])]
    area, _ = quad(lambda x: np.exp(log_density(x) - top), np.log(low), np.log(high), points=[best], limit=200)
    expected = top + np.log(area / np.log(high / low))
    assert within_white(segment_with(readings, tolerance=T), is_noisy=is_noisy) == pytest.approx(expected, abs=0.1)


def test_readings_in_place_of_those_that_were_taken_are_weighed_instead():
    readings = UP_DOWN[:, np.newaxis] + np.random.default_rng(5).normal(0, 1e-4, (UP_DOWN.size, 3))
    other = readings.copy()
    other[4, 1] += 0.05
    segment = segment_with(other, tolerance=T)
    assert within_white(segment, readings=readings) == pytest.approx(within_white(segment_with(readings, tolerance=T)))
    # 0.05 alone is a hundred deviations of what is ordinary at most.
    assert within_white(segment) < within_white(segment, readings=readings) - 100


def hit(kind):
    """Readings of a good unit with a disturbance on them, as the physics of each kind has it."""
    rng = np.random.default_rng(7)
    quiet = UP_DOWN[:, np.newaxis] + rng.normal(0, 1e-4, (UP_DOWN.size, N))
    struck = rng.random(quiet.shape) < 0.08
    return {
        "intermittent contact": np.where(struck, -0.25, quiet),  # the loop is open: 0 mA
        "inverter pickup": quiet + np.where(struck, np.abs(rng.normal(0, 0.02, quiet.shape)), 0.0),
        "mains pickup": quiet + 0.01 * np.sin(2 * np.pi * rng.random(quiet.shape)),
        "meter resolution": np.round(quiet / 0.008) * 0.008,
    }[kind]


@pytest.mark.parametrize("kind", ["intermittent contact", "inverter pickup", "mains pickup", "meter resolution"])
def test_the_kind_that_made_the_readings_leads(kind):
    found = scatters(segment_with(hit(kind), tolerance=T), Heard(), good=-np.inf, noisy=-np.inf)
    assert max(found, key=lambda each: each.log_evidence).kind.fault == kind


def test_readings_that_lie_within_what_concerns_anybody_show_no_kind():
    still = UP_DOWN[:, np.newaxis] + np.random.default_rng(7).normal(0, 1e-4, (UP_DOWN.size, N))
    assert scatters(segment_with(still, tolerance=T), Heard(), good=0.0, noisy=0.0) == []


@pytest.mark.parametrize(
    ("error", "deviations_2"),
    [
        (np.full(21, T), 4.0**2),  # zero: a quarter of the tolerance is one deviation
        (-T * UP_DOWN, 4.0**2),  # span: so is that
        (T / 4 * (1 + UP_DOWN), 1 + 1),
    ],
)
def test_a_line_beneath_the_noise_is_found_and_costs_its_size_and_its_fit(error, deviations_2):
    segment = segment_with(
        (UP_DOWN + error)[:, np.newaxis] + hit("inverter pickup") - UP_DOWN[:, np.newaxis], tolerance=T
    )
    center, nats = _healthy_line(segment, UP_DOWN)
    # 1e-4 of scatter, the middle of forty readings: a part of that off, and a little more for what is thrown.
    assert center - UP_DOWN == pytest.approx(error, abs=3e-5)
    # Half a nat for each square of a deviation; each of both sizes is told to a twentieth: 2 ln 20 = 5.99.
    assert nats == pytest.approx(-deviations_2 / 2 - 2 * np.log(20), abs=0.3)


VOLTS = """\
type: tank pressure converter
input: {range: 0 .. 10 V}
output: {range: 4 .. 20 mA}
tolerance: TOLERANCE
"""


# A meter that resolves 1 uA, as its description says.
FINE = Statement(tap="output", instrument="m", accuracy=Limits(of_reading=0.0, floor=0.005), resolution=0.001)


def named(type_sheet, by_hand, tolerance, rows, *stated):
    sheet = type_sheet(VOLTS.replace("TOLERANCE", tolerance))
    table = from_csv(by_hand("injected [V];returned [mA]", rows), sheet.datasheet())
    return examine(table, sheet, basis=Basis(statements=stated)).findings.names


def steps(inputs_V, digits, error_mA=0.0, tail=""):
    """Up and down, what a meter of so many digits shows of a unit that is off by so much."""
    return [(f"{x:.3f}", f"{4 + 1.6 * x + error_mA:.{digits}f}{tail}") for x in (*inputs_V, *inputs_V[-2::-1])]


@pytest.mark.parametrize("tail", ["", "00"], ids=["tenths", "with the digits of a finer meter"])
def test_a_step_explains_half_of_itself_at_most(type_sheet, by_hand, tail):
    # Due 4, 8, 12, 16, 20 mA: a meter with steps of 0.1 mA shows them exactly, and never 4.1 for 4.0.
    rows = [(x, "4.1" + tail if x == "0.000" else mA) for x, mA in steps((0, 2.5, 5, 7.5, 10), 1, tail=tail)]
    assert "meter resolution" not in named(type_sheet, by_hand, "1 % of reading", rows, FINE)


def test_readings_rounded_by_half_a_step_at_most_are_rounded(type_sheet, by_hand):
    # Twelfths of the range: due 5.333, 6.667, 9.333 ... mA, shown to 0.1 mA, 0.033 mA off; allowed are 0.016 mA.
    inputs_V = tuple(10 * n / 12 for n in range(13))
    # Steps of the last digit that was written are those of what was read.
    assert named(type_sheet, by_hand, "0.1 % of span", steps(inputs_V, 1)) == ("meter resolution",)
    # A meter that shows thousandths has no steps of tenths.
    assert "meter resolution" not in named(type_sheet, by_hand, "0.1 % of span", steps(inputs_V, 1, tail="00"))


def test_one_reading_alone_is_no_kind_of_noise_that_throws_readings_by_chance():
    rng = np.random.default_rng(4)
    raw = UP_DOWN + rng.normal(0, T / 50, UP_DOWN.size)
    raw[7] += 3 * T
    causes = {each.kind.fault for each in scatters(segment_with(raw, tolerance=T), Heard(), good=0.0, noisy=0.0)}
    assert not causes & {"inverter pickup", "intermittent contact"}
    raw[15] += 5 * T  # a second one: a contact or a spike may have thrown both
    causes = {each.kind.fault for each in scatters(segment_with(raw, tolerance=T), Heard(), good=0.0, noisy=0.0)}
    assert causes & {"inverter pickup", "intermittent contact"}
