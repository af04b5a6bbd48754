"""Marks that are placed unevenly: all pulses are there, and the mean rate is theirs; what they come from stays told.

The truth of each case is in the signal that is made here: places of marks in a turn, turns in a second.
"""

import numpy as np
import pytest
from told_traces import told

RATE_HZ = 50_000
SECONDS = 1.6


def wheel(places, turns_Hz, *, width=0.05, heights=None, seed=1, noise=0.01, speed=None):
    """Pulses of 4 V with slopes of a tenth of their width, at places of a turn."""
    t = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    turn = turns_Hz * t + 0.013 if speed is None else speed(t)
    values = np.zeros(len(t))
    for place, height in zip(places, heights or [1.0] * len(places), strict=True):
        away = (turn - place + 0.5) % 1 - 0.5
        values += 4 * height * np.clip((width / 2 - np.abs(away)) / (width / 10), 0, 1)
    return values + noise * np.random.default_rng(seed).standard_normal(len(t))


def trace_of(values, **options):
    return told(values, rate_Hz=RATE_HZ, **options)


@pytest.mark.parametrize(
    ("places", "turns_Hz", "gaps"),
    [
        ([0.1, 0.43], 71.0, [134, 66]),
        ([0.1, 0.35], 71.0, [150, 50]),
        ([0.1, 0.55], 71.0, [110, 90]),
        ([0.1, 0.305], 47.0, [159, 41]),
        ([0.05, 0.3, 0.72], 38.0, [75, 126, 99]),
        ([0.02, 0.17, 0.36, 0.55, 0.87], 23.0, [75, 95, 95, 160, 75]),
    ],
    ids=["a third", "a quarter", "alternating", "near", "three", "five"],
)
def test_marks_that_are_unevenly_spaced_are_no_missing_pulses(places, turns_Hz, gaps):
    result, text = trace_of(wheel(places, turns_Hz, width=0.04))
    train = result.train
    assert train.rate_Hz == pytest.approx(len(places) * turns_Hz, rel=1e-4)
    assert (train.missing_n, train.extra_n, train.bounce) == (0, 0, None)
    assert f"repeat every {len(places)} pulses" in text
    shares = np.round(100 * train.marks.gaps)
    first = int(np.argmax(np.abs(np.correlate(np.tile(shares, 2), gaps, "valid"))))
    assert np.roll(shares, -first) == pytest.approx(gaps, abs=1)


@pytest.mark.parametrize("late", [0.06, 0.12, 0.3])
def test_one_mark_that_is_late_is_told_with_how_late_it_is(late):
    places = [(each + (late if each == 6 else 0)) / 14 for each in range(14)]
    result, text = trace_of(wheel(places, 21.0, width=0.02), pulses_per_revolution=14)
    assert result.train.rate_Hz == pytest.approx(14 * 21, rel=1e-4)
    assert f"one mark comes {100 * late:.0f} % of a gap too late" in text
    assert "eccentric" not in text


def test_uneven_marks_are_told_at_a_speed_that_changes():
    result, text = trace_of(wheel([0.1, 0.4], 0.0, speed=lambda t: 30 * t + 10 * t**2))
    assert result.train.missing_n == 0
    assert 100 * result.train.marks.gaps.min() == pytest.approx(60, abs=1)
    assert "unevenly spaced" in text


@pytest.mark.parametrize("lacking", [(3,), (3, 4)], ids=["one", "two"])
def test_a_tooth_that_is_missing_stays_missing(lacking):
    places = [each / 12 for each in range(12) if each not in lacking]
    result, text = trace_of(wheel(places, 25.0, width=0.03))
    assert result.train.marks is None
    assert result.train.rate_Hz == pytest.approx(300, rel=1e-3)
    assert "missing once in 12" in text


def test_a_tooth_that_is_counted_twice_stays_counted_twice():
    places = [*(each / 10 for each in range(10)), 0.451]
    result, text = trace_of(wheel(places, 25.0, width=0.03))
    assert result.train.marks is None
    assert result.train.rate_Hz == pytest.approx(250, rel=1e-3)
    assert "double counts" in text


def test_pulses_that_are_missing_at_random_stay_missing():
    values = wheel([each / 12 for each in range(12)], 25.0, width=0.03)
    t = np.arange(len(values)) / RATE_HZ
    number = np.floor((25 * t + 0.013) * 12 + 0.5)
    lost = np.random.default_rng(4).choice(np.arange(5, 470), 9, replace=False)
    result, _ = trace_of(np.where(np.isin(number, lost), 0.0, values))
    assert result.train.marks is None
    assert result.train.missing_n == 9


@pytest.mark.parametrize("height", [0.6, 0.75, 0.85])
def test_a_tooth_that_is_lower_is_no_tooth_that_is_late(height):
    heights = [1.0] * 18
    heights[5] = height
    t = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    turn = 17.0 * t * 18
    away = (turn + 0.5) % 1 - 0.5
    tooth = np.floor(turn + 0.5).astype(int) % 18
    values = 3 * np.array(heights)[tooth] * np.exp(-((away / 0.17) ** 2) / 2)  # slow edges: a threshold comes late
    values += 0.01 * np.random.default_rng(3).standard_normal(len(t))
    _, text = trace_of(values, pulses_per_revolution=18)
    assert f"with {100 * height:.0f} % of the height of the rest" in text
    assert "evenly" not in text


def turning(places, turns_Hz, lost=()):
    """As `wheel`, without some pulses by their numbers."""
    values = wheel(places, turns_Hz, width=0.04)
    t = np.arange(len(values)) / RATE_HZ
    for number in lost:
        at_s = (number // len(places) + places[number % len(places)] - 0.013) / turns_Hz
        values[np.abs(t - at_s) < 0.03 / turns_Hz] = 0.0
    return values


@pytest.mark.parametrize("places", [[0.1, 0.45], [0.05, 0.3, 0.72]], ids=["two", "three"])
def test_pulses_missing_at_random_among_uneven_marks_are_counted(places):
    result, text = trace_of(turning(places, 40.0, lost=(17, 50, 51, 90)))
    assert result.train.missing_n == 4
    assert result.train.rate_Hz == pytest.approx(40 * len(places), rel=1e-3)
    assert f"repeat every {len(places)} pulses" in text


def test_uneven_marks_go_on_after_a_stretch_that_was_not_recorded():
    values = turning([0.05, 0.3, 0.72], 40.0)
    values[30_000:34_321] = np.nan
    result, text = trace_of(values)
    assert result.train.rate_Hz == pytest.approx(120, rel=1e-3)
    assert result.train.missing_n == 0
    assert "repeat every 3 pulses" in text


def test_edges_at_random_have_no_pattern():
    for seed in range(8):
        gaps_s = np.maximum(1 + 0.2 * np.random.default_rng(seed).standard_normal(200), 0.4) / 150
        at_s = np.cumsum(gaps_s)
        t = np.arange(int(RATE_HZ * at_s[-1])) / RATE_HZ
        after_s = t - at_s[np.maximum(np.searchsorted(at_s, t, side="right") - 1, 0)]
        values = np.where((after_s > 0) & (after_s < 1e-3), 4.0, 0.0)
        result, _ = trace_of(values + 0.01 * np.random.default_rng(seed).standard_normal(len(t)))
        assert result.train is None or result.train.marks is None
