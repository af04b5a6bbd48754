"""Noise inside short dwells: densities against scipy, kinds against signals made with numpy."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from instruments.errors import ReadingsError
from sequencer.noise.bursts import DWELL_KINDS, within_dwell

_DWELLS, _N = 66, 5
_LEVEL = np.repeat(np.linspace(4, 20, 11), 6)[:, None]  # mA; 11 points, up and down, 3 cycles
_STEP = 0.05  # mA; a counter's gate seen through a converter


def _found(readings, resolution=1e-4, **settings):
    kinds = {each.kind: each for each in within_dwell(readings, resolution, **settings)}
    order = sorted(kinds, key=lambda kind: -kinds[kind].log_likelihood)
    return kinds, order


def _white(rng, sd=0.001):
    return _LEVEL + rng.normal(0, sd, (_DWELLS, _N))


def test_white_noise_has_the_density_of_scipy_with_the_means_integrated_out():
    # Orthonormal contrasts carry all but the mean; the flat prior of density 1 leaves 1/sqrt(n) (Jacobian).
    readings = _white(np.random.default_rng(3))
    kinds, _ = _found(readings)
    contrasts = readings @ np.linalg.svd(np.ones((1, _N)))[2][1:].T
    expected = stats.norm.logpdf(contrasts, scale=kinds["white"].sd).sum() - _DWELLS / 2 * math.log(_N)
    assert kinds["white"].log_likelihood == pytest.approx(expected - 0.5 * math.log(_DWELLS * (_N - 1)), abs=1e-6)


def test_a_lattice_has_the_density_that_quadrature_gives():
    # One dwell of three readings: duty and lower level integrated by scipy.
    readings = np.array([[0.01, 1.0, -0.02]])
    (lattice,) = [each for each in within_dwell(readings, 0.05, spacing=1.0) if each.kind == "lattice"]

    def density(duty, lower):
        parts = (1 - duty) * stats.norm.pdf(readings[0] - lower, scale=lattice.sd)
        parts += duty * stats.norm.pdf(readings[0] - lower - 1.0, scale=lattice.sd)
        return parts.prod()

    # Levels too far away to matter are left out, so that quadrature finds the peak.
    expected, _ = integrate.dblquad(density, -0.3, 0.3, 0, 1, epsabs=1e-10)
    assert lattice.log_likelihood + 0.5 * math.log(2) == pytest.approx(math.log(expected), abs=1e-3)


@pytest.mark.parametrize("seed", range(10))
def test_white_noise_is_called_nothing_else(seed):
    kinds, order = _found(_white(np.random.default_rng(seed)))
    best = kinds[order[0]]
    assert kinds["white"].log_likelihood > best.log_likelihood - math.log(20)
    assert kinds["white"].sd == pytest.approx(0.001, rel=0.12)  # chi-squared, 264 degrees of freedom: 4.4 %


def test_readings_that_do_not_move_are_white_noise_of_the_resolution():
    kinds, order = _found(_LEVEL + np.zeros((_DWELLS, _N)), 0.01)
    assert order[0] == "white"
    assert kinds["white"].sd == pytest.approx(0.01 / math.sqrt(12), rel=0.01)  # rectangular distribution


def _cases():
    rng = np.random.default_rng(7)
    white = rng.normal(0, 0.001, (_DWELLS, _N))
    even = rng.uniform(size=(_DWELLS, _N))
    turn = 2 * np.pi
    return {
        "growing": (_LEVEL + white * np.repeat(np.linspace(0.1, 4, 11), 6)[:, None], {"size": 0.004}, 0.15),
        "uneven": (_LEVEL + white * np.exp(rng.normal(0, 1, (_DWELLS, 1))), {}, 0),
        # floor(f Tg + phase) / Tg: only levels one step apart, the phase random.
        "lattice": (np.floor(_LEVEL / _STEP * 1.0171 + even) * _STEP + white, {"size": _STEP, "sd": 0.001}, 0.1),
        "dropouts": (np.where(even < 0.03, 0.0, _LEVEL + white), {"share": np.mean(even < 0.03), "sd": 0.001}, 0.1),
        "bursts": (
            _LEVEL + white + np.where(even < 0.3, rng.exponential(0.1, (_DWELLS, _N)), 0),
            {"share": 0.3, "size": 0.1, "sd": 0.001},
            0.2,
        ),
        "swing": (_LEVEL + 0.16 * np.sin(turn * even) + white, {"size": 0.16}, 0.05),
        # 60 Hz read every 20 ms: 1.2 cycles from reading to reading, seen as 5 readings a period.
        "periodic": (
            _LEVEL + 0.16 * np.sin(turn * (even[:, :1] + 60 * 0.02 * np.arange(_N))) + white,
            {"size": 0.16, "period_n": 5, "sd": 0.001},
            0.1,
        ),
        "trend": (
            _LEVEL + rng.normal(0, 0.04, (_DWELLS, 1)) * np.linspace(0, 1, _N) + white,
            {"size": 0.04, "sd": 0.001},
            0.25,  # of 66 slopes the sd is known to 9 %
        ),
    }


@pytest.mark.parametrize("kind", list(_cases()))
def test_each_kind_is_told_from_all_others_and_its_sizes_are_found(kind):
    readings, sizes, within = _cases()[kind]
    level = np.repeat(np.linspace(0.1, 4, 11), 6) if kind == "growing" else None
    kinds, order = _found(readings, level=level)
    assert order[0] == kind
    assert kinds[order[0]].log_likelihood - kinds[order[1]].log_likelihood > math.log(100)
    for name, size in sizes.items():
        assert getattr(kinds[kind], name) == pytest.approx(size, rel=within), name


def test_bursts_downwards_have_a_negative_size():
    readings, _, _ = _cases()["bursts"]
    kinds, order = _found(-readings)
    assert order[0] == "bursts"
    assert kinds["bursts"].size == pytest.approx(-0.1, rel=0.2)


def test_a_known_spacing_costs_no_parameter():
    readings, _, _ = _cases()["lattice"]
    found, _ = _found(readings)
    known, _ = _found(readings, spacing=_STEP)
    assert known["lattice"].parameters_n == found["lattice"].parameters_n - 1
    assert known["lattice"].log_likelihood > found["lattice"].log_likelihood


def test_missing_readings_and_single_ones_are_passed_over():
    readings = _white(np.random.default_rng(5))
    readings[3, 2] = readings[10, 4] = np.nan
    readings[20, 1:] = np.nan
    kinds, _ = _found(readings)
    left = np.delete(readings, 20, axis=0)
    ss = np.nansum((left - np.nanmean(left, axis=1, keepdims=True)) ** 2)
    assert set(kinds) == set(DWELL_KINDS)
    assert kinds["white"].sd == pytest.approx(math.sqrt(ss / (65 * 4 - 2)), rel=0.02)
    assert all(math.isfinite(each.log_likelihood) for each in kinds.values())


def test_an_exact_ramp_without_a_stated_resolution_is_a_trend():
    readings = np.arange(30.0).reshape(6, 5)
    kinds, order = _found(readings, 0.0)
    assert order[0] == "trend"
    assert all(math.isfinite(each.log_likelihood) for each in kinds.values())


def test_the_unit_of_the_readings_moves_all_kinds_alike():
    readings, _, _ = _cases()["swing"]
    kinds, _ = _found(readings)
    scaled, _ = _found(1000 * readings, 0.1)
    shift = -_DWELLS * (_N - 1) * math.log(1000)  # densities of all readings less one flat mean a dwell
    for kind in DWELL_KINDS:
        assert scaled[kind].log_likelihood - kinds[kind].log_likelihood == pytest.approx(shift, abs=0.01), kind


@pytest.mark.parametrize("readings", [np.zeros(5), np.zeros((4, 1)), np.full((3, 5), np.nan)])
def test_what_holds_no_dwell_is_refused(readings):
    with pytest.raises(ReadingsError, match=r"shape|two readings"):
        within_dwell(readings, 0.1)
