"""What is told of mixtures, of one movement alone, of spikes and of limits; the tests of what a kind leaves."""

import math
import re
import warnings

import numpy as np
import pytest
from scipy import stats

from sequencer.diagnosis.noise.burst import noise_of
from sequencer.diagnosis.noise.catalogue import noise_words
from sequencer.diagnosis.noise.left import chance_of_white, unlisted

_N = 400
_TIMES_S = 0.021 * np.arange(_N)
_SD = 0.003


def _told(y, times_s=_TIMES_S, **known):
    return noise_of(y, times_s[: len(y)], unit="mA", **known)


def _kinds(found):
    return {each.kind for each in (found.best, found.second) if each is not None}


def _telegraph(rng, up=20, down=15):
    lengths = np.stack((rng.geometric(1 / down, _N), rng.geometric(1 / up, _N)), axis=1).ravel()
    return np.repeat(np.arange(2 * _N) % 2, lengths)[:_N]


def _part(name, rng):
    place = np.arange(_N) / _N
    return {
        "random telegraph": lambda: 0.025 * _telegraph(rng),
        "drift": lambda: 0.06 * place,
        "level step": lambda: -0.04 * (place > 0.37),
        "bursts to one side": lambda: (rng.uniform(size=_N) < 0.07) * rng.gamma(2, 0.06, _N),
    }[name]()


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("random telegraph", "drift"),
        ("random telegraph", "level step"),
        ("level step", "drift"),
        ("level step", "bursts to one side"),
    ],
)
def test_mixtures_with_what_lasts_are_named_both_and_are_no_wander(one, other):
    right = 0
    for seed in range(8):
        rng = np.random.default_rng([31, seed])
        found = _told(12 + _part(one, rng) + _part(other, rng) + rng.normal(0, _SD, _N))
        right += _kinds(found) == {one, other}
        assert "slow wander" not in _kinds(found) or found.best.weight < 0.9
    assert right >= 6


def test_p_values_of_white_noise_are_no_smaller_than_they_say():
    # A test at 5 % refuses at most 5 % of what is true: 200 draws have 19 and more with a chance of 0.4 %.
    refused = sum(
        chance_of_white(np.random.default_rng([32, seed]).normal(size=150), 0.0) < 0.05 for seed in range(200)
    )
    assert refused <= stats.binom.ppf(0.996, 200, 0.05)


@pytest.mark.parametrize(
    "odd",
    [
        lambda rng: np.convolve(rng.normal(size=_N + 2), [1, 1, 1], "valid"),
        lambda rng: rng.standard_t(2, _N),
        lambda rng: rng.normal(size=_N) * np.linspace(0.2, 2, _N),
        lambda rng: rng.normal(size=_N) + np.sin(0.9 * np.arange(_N)),
    ],
    ids=["neighbours alike", "long tails", "louder and louder", "a line"],
)
def test_what_is_not_white_is_found_by_a_test_of_what_is_left(odd):
    assert chance_of_white(odd(np.random.default_rng(33)), 0.0) < 1e-4


@pytest.mark.parametrize(("p", "worth"), [(0.05, 0.289), (0.01, 0.111), (0.001, 0.0184)])
def test_a_p_value_is_worth_what_its_calibration_says(p, worth):
    # Sellke, Bayarri and Berger 2001, table 1: at even odds p = 0.05 leaves 0.289 to what is tested, 0.01 0.111.
    assert 1 - unlisted(p, 0.5) == pytest.approx(worth, abs=0.001)


def _events():
    place = np.arange(_N) / _N
    swing = np.exp(-(((place - 0.5) / 0.05) ** 2))
    return {
        "slow edge": 1 / (1 + np.exp(-(place - 0.4) / 0.01)),
        "half a sine": np.sin(np.pi * place),
        "a period and a half": np.sin(3 * np.pi * place),
        "one swing to both sides": (place - 0.5) * 20 * swing,
        "one ring": np.where(place > 0.3, np.exp(-(place - 0.3) * 40) * np.sin(500 * (place - 0.3)), 0.0),
    }


@pytest.mark.parametrize("name", list(_events()))
def test_what_moves_once_is_too_little_and_it_is_said_how_long_to_record(name):
    found = _told(12 + _events()[name] + np.random.default_rng(34).normal(0, 0.005, _N))
    assert found.best.kind == "unknown", found.best
    assert found.least_s > 5 * _TIMES_S[-1]
    said = "; ".join(noise_words(found))
    assert said.startswith("too little to tell a kind of noise")
    assert "record longer: at least" in said
    assert "%" not in said.split("it may be")[0]


def test_a_random_walk_is_no_movement_that_came_once():
    walk = np.cumsum(np.random.default_rng(35).normal(0, 0.003, _N))
    found = _told(12 + walk)
    assert found.best.kind == "slow wander"
    assert math.isnan(found.least_s)


@pytest.mark.parametrize("share", [0.02, 0.05, 0.08])
def test_spikes_of_one_height_leave_the_undisturbed_value(share):
    right = 0
    for seed in range(6):
        rng = np.random.default_rng([36, seed])
        found = _told(12 + rng.normal(0, 0.004, _N) + 0.06 * (rng.uniform(size=_N) < share))
        assert found.best.kind == "bursts to one side" or found.best.weight < 0.95
        if found.best.kind == "bursts to one side":
            right += 1
            assert found.best_value == pytest.approx(12.0, abs=0.002)
    assert right >= 4


@pytest.mark.parametrize("beat_Hz", [0.03, 0.06])
def test_less_than_a_turn_of_hum_tells_no_amplitude(beat_Hz):
    # 50 Hz and a little read every 20 ms: 0.18 and 0.36 of a turn of what is seen in 6 s.
    times_s = 0.02 * np.arange(300)
    hum = 0.01 * np.sin(2 * np.pi * (50 + beat_Hz) * times_s + 0.7)
    found = noise_of(12 + hum + np.random.default_rng(37).normal(0, 0.002, 300), times_s, unit="mA")
    assert found.best.weight < 0.9 or found.best.kind != "mains pickup"
    mains = next(each for each in found.kinds if each.kind == "mains pickup")
    least = re.search(r"amplitude not determinable, at least about (\S+) mA", mains.words)
    assert least
    assert float(least[1]) < 0.012
    assert math.isnan(mains.size)


def test_a_contact_that_opens_in_part_is_no_inverter():
    rng = np.random.default_rng(38)
    is_open = np.convolve(rng.uniform(size=_N) < 0.05, [1, 1], "same") > 0
    found = _told(np.where(is_open, rng.uniform(0, 11, _N), 12 + rng.normal(0, 0.004, _N)))
    assert found.best.kind == "intermittent contact"
    assert "in part" in found.best.words
    assert found.best_value == pytest.approx(12.0, abs=0.002)


def test_readings_that_a_limit_cuts_are_told_with_what_would_read_so():
    found = _told(np.minimum(12 + np.random.default_rng(39).normal(0, 0.004, _N), 12.002))
    assert found.best.kind == "unknown"
    # Normal distribution function: beyond half a standard deviation lie 30.9 %.
    share = re.search(r"held at a limit: (\d+) % of the readings are 12.002 mA", found.best.words)
    assert share
    assert int(share[1]) == pytest.approx(30.9, abs=7)
    assert re.search(r"sd 0.00(3[5-9]|4[0-5]?)\d* mA", found.best.words)


def test_one_last_digit_in_three_hundred_is_no_inverter():
    found = _told(np.append(np.full(300, 12.0), 12.005))
    assert found.best.kind == "unknown"
    assert "one reading alone (301 of 301" in found.best.words
    assert "all others are alike" in found.best.words


@pytest.mark.parametrize("no_number", [9.9e37, -9.9e37, 9.91e37])
def test_what_scpi_sends_for_no_number_is_no_reading(no_number):
    # SCPI-1999, volume 1, 7.2.1 (from memory): 9.9E37 is infinity, 9.91E37 not a number.
    y = 12 + np.random.default_rng(40).normal(0, 0.004, _N)
    y[77] = no_number
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = _told(y)
    assert found.readings_n == _N - 1
    assert found.sd == pytest.approx(0.004, rel=0.2)


def test_hum_is_told_with_the_steps_of_a_display_that_it_turns():
    hum = 0.007 * np.sin(2 * np.pi * 50.03 * _TIMES_S)
    noise = np.random.default_rng(41).normal(0, 0.0008, _N)
    found = _told(np.round((12.001 + hum + noise) / 0.005) * 0.005)
    assert found.second is not None
    assert found.second.kind in {"display steps", "quantisation flicker"}
    assert found.best.kind == "mains pickup"  # what makes the digits turn
    assert found.best.size == pytest.approx(0.007, rel=0.1)


@pytest.mark.parametrize("seed", [61, 62, 63])
def test_a_step_beside_bursts_has_its_place_among_all_that_were_read(seed):
    rng = np.random.default_rng(seed)
    hit = rng.uniform(size=_N) < 0.08
    y = 12 + 0.03 * (np.arange(_N) >= 250) + hit * rng.lognormal(np.log(0.06), 0.5, _N) + rng.normal(0, _SD, _N)
    y[::37] = np.nan  # left out, and counted all the same
    found = _told(y)
    assert _kinds(found) == {"level step", "bursts to one side"}
    said = " ".join(noise_words(found))
    number = re.search(r"at reading (\d+) of 400", said)
    assert number is not None, said
    assert int(number[1]) == pytest.approx(251, abs=2)


@pytest.mark.parametrize("seed", [64, 65, 66])
def test_bursts_do_not_hide_random_telegraph_noise(seed):
    rng = np.random.default_rng(seed)
    hit = rng.uniform(size=_N) < 0.08
    y = 12 + 0.025 * _telegraph(rng) + hit * rng.lognormal(np.log(0.08), 0.5, _N) + rng.normal(0, _SD, _N)
    assert _kinds(_told(y)) == {"random telegraph", "bursts to one side"}


def test_two_readings_that_lie_off_do_not_hide_a_step():
    rng = np.random.default_rng(67)
    y = 12 + 0.02 * (np.arange(_N) >= 130) + rng.normal(0, _SD, _N)
    y[[50, 300]] += [0.2, -0.15]
    found = _told(y)
    assert _kinds(found) == {"level step", "unknown"}
    assert "2 readings alone (51, 301)" in found.second.words
    assert "reading 131 of 400" in found.best.words
