"""What an inverter adds to pulses, told from what turns: sums of lines, images, bursts that ring at each switching."""

import numpy as np
import pytest
from scipy import special

from sequencer.diagnosis.noise.comb import is_of_pulses, is_swing_own, is_swung, mirrored, stand_alone
from sequencer.diagnosis.noise.lattice import Lattice
from sequencer.diagnosis.noise.spectrum import amplitudes, peaks_in
from sequencer.diagnosis.waveform import findings, trace_result
from sequencer.readings.waveform import TraceFile

TWO_PI = 2 * np.pi


def clock(length_s, sampling_Hz):
    return np.arange(round(length_s * sampling_Hz)) / sampling_Hz


def told(values, sampling_Hz):
    """Result, and all that is found in it, cause and all."""
    times_s = np.arange(len(values)) / sampling_Hz
    result = trace_result(TraceFile(times_s=times_s, values=values, name="a", unit="V", left_out_n=0))
    return result, " | ".join(f"{each.what}: {each.cause}" for each in findings(result))


def square(t, rate_Hz, duty=0.42):
    return np.where((rate_Hz * t + 0.3) % 1 < duty, 5.0, 0.0)


def coil(t, rate_Hz, width=0.09):
    away = ((rate_Hz * t + 0.3) % 1 - 0.5) / width
    return 4.1 * away * np.exp(-(away**2) / 2)


def added(t, carrier_Hz, side_Hz, size):
    return size * sum(
        share * np.sin(TWO_PI * (carrier_Hz + away * side_Hz) * t + 1.3 * away)
        for away, share in ((0, 1.0), (-1, 0.4), (1, 0.4))
    )


def hiss(t, sd=0.015, seed=3):
    return np.random.default_rng(seed).normal(0, sd, len(t))


@pytest.mark.parametrize("pulses", [square, coil])
@pytest.mark.parametrize("size", [0.15, 0.6])
def test_a_carrier_with_one_pair_of_sidebands_is_an_inverter_and_nothing_that_turns(pulses, size):
    t = clock(0.8, 50_000)
    result, text = told(pulses(t, 152.7) + added(t, 4000, 94, size) + hiss(t), 50_000)
    assert result.train.rate_Hz == pytest.approx(152.7, rel=1e-3)
    assert result.carrier.rate_Hz == pytest.approx(4000, abs=1)
    assert result.carrier.output_Hz == pytest.approx(47, abs=0.5)  # half the distance of the sidebands
    assert "turns or is regulated" not in text
    assert "tooth" not in text


@pytest.mark.parametrize(
    ("carrier_Hz", "beat_Hz", "sampling_Hz", "length_s"),
    [(4000, 47, 20_000, 0.2), (4000, 47, 20_000, 1.0), (9571, 29.9, 50_000, 1.0), (14_604, 67.4, 100_000, 0.5)],
)
def test_a_carrier_that_beats_until_it_vanishes_is_no_pulse_train(carrier_Hz, beat_Hz, sampling_Hz, length_s):
    t = clock(length_s, sampling_Hz)
    values = np.cos(TWO_PI * carrier_Hz * t + 1) * np.sin(TWO_PI * beat_Hz * t)  # lines at 4000 - 47 and 4000 + 47 Hz
    result, text = told(values + hiss(t, 0.01), sampling_Hz)
    assert result.train is None
    assert result.carrier.rate_Hz == pytest.approx(carrier_Hz, abs=1)
    assert 2 * result.carrier.output_Hz == pytest.approx(beat_Hz, rel=0.02)
    assert "tooth" not in text
    assert "missing" not in text


@pytest.mark.parametrize("width", [0.08, 0.1])
def test_narrow_pulses_with_two_strong_multiples_are_pulses(width):
    t = clock(1.0, 50_000)
    values = np.exp(-((((566.0 * t) % 1) - 0.5) ** 2) / (2 * width**2))
    result, _ = told(values + hiss(t, 0.003), 50_000)
    assert result.train.rate_Hz == pytest.approx(566, rel=1e-3)
    assert result.carrier is None


@pytest.mark.parametrize(("sampling_Hz", "length_s"), [(20_000, 0.5), (20_000, 0.3)])
def test_tops_that_beat_with_a_carrier_are_no_wheel_out_of_true(sampling_Hz, length_s):
    t = clock(length_s, sampling_Hz)
    seen = []
    for phase in np.linspace(0, 6, 12):
        lines = sum(
            share * np.sin(TWO_PI * at_Hz * t + phase * turns)
            for at_Hz, share, turns in ((3100, 1, 1), (3010, 0.66, 2.3), (3190, 0.66, 3.1))
        )
        values = 5 * (((137.3 * t + phase / 7) % 1 < 0.5) + 0.08 * lines)
        result, text = told(values + hiss(t, 0.005), sampling_Hz)
        assert result.carrier.rate_Hz == pytest.approx(3100, abs=2)
        seen.append("out of true" in text)
    assert not any(seen)


def bridge(t, carrier_Hz, output_Hz, depth, size):
    """Lines of an evenly modulated bridge: 4 / (pi m) J_n(m pi M / 2) sin((m + n) pi / 2) (Holmes and Lipo 2003)."""
    values = np.zeros(len(t))
    for order in (1, 2, 3):
        for side in range(-6, 7):
            line = (
                4 / (np.pi * order) * special.jv(side, order * np.pi * depth / 2) * np.sin((order + side) * np.pi / 2)
            )
            values += size * line * np.cos(TWO_PI * (order * carrier_Hz + side * output_Hz) * t + order + 2 * side)
    return values


@pytest.mark.parametrize(("depth", "output_Hz"), [(0.6, 31.7), (0.85, 63.3), (0.37, 54.7), (0.92, 20.5)])
def test_a_carrier_whose_images_lie_at_half_its_rate_is_not_taken_for_half(depth, output_Hz):
    t = clock(2.0, 20_000)
    result, _ = told(square(t, 179.4) + bridge(t, 8000, output_Hz, depth, 0.3) + hiss(t), 20_000)
    assert result.carrier.rate_Hz == pytest.approx(8000, abs=1)
    assert result.carrier.output_Hz == pytest.approx(output_Hz, rel=0.01)


@pytest.mark.parametrize("off_Hz", [0.0, 0.8, 1.6])
def test_a_sideband_on_a_multiple_of_the_pulses_is_one_all_the_same(off_Hz):
    t = clock(1.0, 50_000)
    carrier_Hz = 26 * 152.7 + 94 + off_Hz  # the lower sideband lies on the multiple 26, or a line or two beside it
    result, _ = told(coil(t, 152.7) + added(t, carrier_Hz, 94, 0.15) + hiss(t), 50_000)
    assert result.carrier.rate_Hz == pytest.approx(carrier_Hz, abs=1)
    assert result.carrier.output_Hz == pytest.approx(47, abs=0.5)


@pytest.mark.parametrize("beside_Hz", [9990.0, 9850.0])
def test_two_lines_close_to_half_the_sampling_rate_are_told(beside_Hz):
    t = clock(1.0, 20_000)
    lines = 0.4 * np.sin(TWO_PI * beside_Hz * t + 1) + 0.2 * np.sin(TWO_PI * (beside_Hz - 140) * t)
    noise = np.random.default_rng(5).normal(0, 0.02, len(t))
    result, _ = told(coil(t, 152.7) + lines + noise, 20_000)
    assert result.train.rate_Hz == pytest.approx(152.7, rel=1e-3)
    assert {round(each.rate_Hz) for each in result.unknown} >= {beside_Hz, beside_Hz - 140}


@pytest.mark.parametrize(
    ("whole", "beside", "folded"),
    [(980, 950, 990), (60, 300, 180)],  # 2 * 980 - 950 = 1010 lies beyond 1000, 2 * 60 - 300 = -180 below 0
)
def test_no_mirror_is_looked_for_beyond_the_spectrum(whole, beside, folded):
    heights = np.full(1001, 1e-3)
    heights[[whole, beside, folded]] = 0.1
    assert mirrored(np.array([float(whole), float(beside)]), heights, 1.0, 300.0).tolist() == []


def test_the_other_half_of_a_pair_is_found_in_the_spectrum():
    heights = np.full(1001, 1e-3)
    heights[[500, 440, 560]] = 0.1
    assert mirrored(np.array([500.0, 440.0]), heights, 1.0, 300.0).tolist() == [560.0]  # 2 * 500 - 440


def test_a_carrier_beyond_half_the_sampling_rate_is_an_image_with_the_rates_that_it_may_have():
    t = clock(1.0, 10_000)
    result, text = told(square(t, 61.3) + added(t, 8003, 66, 0.3) + hiss(t), 10_000)
    assert result.carrier.rate_Hz == pytest.approx(10_000 - 8003, abs=1)
    assert "8003" in text
    assert "11997" in text  # 10 000 + 1997
    assert "record faster" in text


def switchings(length_s, carrier_Hz, output_Hz):
    """When one leg of a bridge switches, and which way: a sine against a triangle."""
    t = clock(length_s, 2_000_000)
    triangle = 2 * np.abs(2 * ((carrier_Hz * t + 0.2) % 1) - 1) - 1
    state = np.sign(0.8 * np.sin(TWO_PI * output_Hz * t) - triangle)
    at = np.flatnonzero(np.diff(state))
    return t[at], np.sign(np.diff(state)[at])


def rung(t, carrier_Hz, output_Hz, *, rings_Hz, decay_s):
    values = np.zeros_like(t)
    for at_s, way in zip(*switchings(t[-1], carrier_Hz, output_Hz), strict=True):
        begin, end = np.searchsorted(t, (at_s, at_s + 8 * decay_s))
        after_s = t[begin:end] - at_s
        values[begin:end] += way * np.exp(-after_s / decay_s) * np.sin(TWO_PI * rings_Hz * after_s)
    return values


@pytest.mark.parametrize(("carrier_Hz", "rings_Hz"), [(3000, 11_000), (5000, 8000)])
def test_bursts_that_ring_at_each_switching_are_an_inverter(carrier_Hz, rings_Hz):
    t = clock(0.3, 50_000)
    bursts = 1.2 * rung(t, carrier_Hz, 44, rings_Hz=rings_Hz, decay_s=150e-6)
    result, text = told(square(t, 156.5) + bursts + hiss(t), 50_000)
    assert result.train.rate_Hz == pytest.approx(156.5, rel=1e-3)
    assert result.carrier.rate_Hz == pytest.approx(carrier_Hz, rel=1e-3)
    assert "lines of an inverter" in text
    assert (result.train.edges.low, result.train.edges.high) == pytest.approx((0, 5), abs=0.15)


def test_a_line_without_sidebands_is_told_as_added_and_blames_no_wheel():
    t = clock(1.0, 20_000)
    _, text = told(2.5 + 2.5 * np.sin(TWO_PI * 350.4 * t) + 0.3 * np.sin(TWO_PI * 4870 * t) + hiss(t), 20_000)
    assert "the line at 4870 Hz" in text
    assert "added to the pulses" in text
    assert "lines of an inverter" not in text
    assert "turns or is regulated" not in text


def test_lines_of_a_wheel_come_again_a_pulse_rate_away_and_added_ones_do_not():
    t = clock(1.0, 20_000)
    turns = 200 * t + 0.02 * np.sin(TWO_PI * 12.5 * t)  # sixteen pulses a revolution
    heights = amplitudes(np.where(turns % 1 < 0.3, 5.0, 0.0) + added(t, 3333, 61, 0.3))
    rates_Hz, sizes = peaks_in(heights, 1.0)
    is_strong = (sizes > 0.02) & (rates_Hz < 4000)
    is_own = is_of_pulses(rates_Hz, heights, 1.0, 200.0)
    others = rates_Hz[is_strong & ~is_own & (np.abs(rates_Hz - 200 * np.round(rates_Hz / 200)) > 1)]
    assert others == pytest.approx([3272, 3333, 3394], abs=0.3)
    assert not stand_alone(others, heights, 1.0, 200.0)[[0, 2]].any()


@pytest.mark.parametrize(("is_speed", "expected"), [(True, True), (False, False)])
def test_a_swing_of_the_speed_has_its_lines_and_shifted_edges_have_none(is_speed, expected):
    t = clock(1.0, 20_000)
    phase = 0.01 * 300 / 25 * np.sin(TWO_PI * 25 * t) / TWO_PI if is_speed else 0.0
    heights = amplitudes(2.5 * np.sin(TWO_PI * (300 * t + phase)) + hiss(t))
    assert is_swing_own(heights, 1.0, 300.0, 25.0, 0.01) is expected


def test_a_swing_reaches_as_far_as_the_rule_of_carson():
    # 2 % of 300 Hz, 25 times a second: b = 0.02 x 300 / 25 = 0.24 at the first multiple, 2.4 at the tenth.
    rates_Hz = np.array([325.0, 350.0, 3075.0, 3125.0, 3062.0])
    heights = np.full(5000, 1e-4)
    heights[[300, 325, 3000, 3075, 3125]] = 1.0, 0.12, 0.1, 0.04, 0.04
    assert is_swung(rates_Hz, heights, 1.0, 300.0, 25.0, 0.02).tolist() == [True, False, True, False, False]
    heights[325] = 0.5  # b / 2 of the first multiple is 0.12
    assert not is_swung(rates_Hz[:1], heights, 1.0, 300.0, 25.0, 0.02).any()


@pytest.mark.parametrize("sampling_Hz", [25_000, 100_000])
def test_lines_of_a_modulated_bridge_give_its_carrier_and_output(sampling_Hz):
    carrier_Hz, output_Hz, width_Hz = 5000.0, 43.7, 2.5
    places = [(1, 0), (1, 2), (1, -2), (2, 1), (2, -1), (2, 3), (2, -3), (3, 2), (3, -2)]
    true_Hz = np.array([order * carrier_Hz + side * output_Hz for order, side in places])
    turns = true_Hz / sampling_Hz
    lattice = Lattice(
        rates_Hz=np.abs(turns - np.round(turns)) * sampling_Hz,
        sizes=np.array([1.0, 0.3, 0.3, 0.8, 0.8, 0.2, 0.2, 0.4, 0.4]),
        width_Hz=width_Hz,
        interval_s=1 / sampling_Hz,
    )
    carrier, gained = lattice.best(800, np.inf)
    assert carrier.rate_Hz == pytest.approx(carrier_Hz, abs=0.1)
    assert carrier.output_Hz == pytest.approx(output_Hz, abs=0.1)
    assert gained > 20


def test_lines_by_chance_are_no_inverter():
    found = 0
    for seed in range(30):
        random = np.random.default_rng(seed)
        lines = random.uniform(0, 10_000, 8), np.sort(random.uniform(0.2, 1.0, 8))[::-1]
        best = Lattice(rates_Hz=lines[0], sizes=lines[1], width_Hz=1.0, interval_s=5e-5).best(800, np.inf)
        found += best is not None and best[1] > 5
    assert found <= 1


@pytest.mark.parametrize(
    ("rate_Hz", "begins_s", "lasts_s"), [(146.2, 0.52, 0.0556), (333.0, 0.4, 0.05), (88.0, 0.2, 0.1)]
)
def test_a_stretch_that_was_not_recorded_makes_no_lines(rate_Hz, begins_s, lasts_s):
    t = clock(1.0, 20_000)
    is_there = (t < begins_s) | (t > begins_s + lasts_s)
    values = (square(t, rate_Hz) + hiss(t))[is_there]
    result = trace_result(TraceFile(times_s=t[is_there], values=values, name="a", unit="V", left_out_n=0))
    assert [each.cause for each in findings(result)] == [""]  # nothing wrong is seen
    assert result.train.rate_Hz == pytest.approx(rate_Hz, rel=1e-4)
    orders = [each.rate_Hz / rate_Hz for each in result.lines]
    assert orders == pytest.approx(np.round(orders), abs=0.02)
