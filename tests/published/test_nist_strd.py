"""NIST Statistical Reference Datasets: certified figures, fetched; source in `shared/published/nist-strd/*.yaml`."""

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.lines import fit_line
from sequencer.evaluation.figures.per_point import per_point

FOLDER = shipped("shared", "published", "nist-strd")


def certified(name):
    return yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))["certified"]


def columns(name):
    return np.loadtxt(FOLDER / f"{name}.csv", delimiter=",", skiprows=1, ndmin=2).T


# 12.8 digits reached for the offset, 14 and more for the others; 12 asked.
@pytest.mark.parametrize(
    ("figure", "parameter", "key"),
    [
        ("offset", 0, "estimate"),
        ("gain", 1, "estimate"),
        ("u_offset", 0, "standard_deviation"),
        ("u_gain", 1, "standard_deviation"),
    ],
)
def test_line_through_norris_gives_the_certified_figure(figure, parameter, key):
    y, x = columns("norris")
    expected = certified("norris")["parameters"][parameter][key]
    assert float(getattr(fit_line(x, y), figure)) == pytest.approx(expected, rel=1e-12)


def test_line_through_norris_gives_the_certified_scatter():
    y, x = columns("norris")
    line = fit_line(x, y)
    assert float(line.residual_sd) == pytest.approx(certified("norris")["residual_standard_deviation"], rel=1e-12)
    assert (int(line.dof), int(line.points_n)) == (34, 36)


def test_norris_among_other_units_with_readings_missing_gives_the_same_digits():
    y, x = columns("norris")
    some = np.stack([np.append(y, np.nan), np.append(np.nan, y), np.arange(37.0)])
    inputs = np.stack([np.append(x, 1e9), np.append(np.nan, x), np.arange(37.0)])
    gain = certified("norris")["parameters"][1]["estimate"]
    assert fit_line(inputs, some).gain == pytest.approx([gain, gain, 1.0], rel=1e-12)


@pytest.mark.parametrize(
    ("name", "mean_rel", "sd_rel"),
    [
        pytest.param("lew", 1e-14, 1e-14, id="lew: whole numbers, all printed digits"),
        pytest.param("pidigits", 1e-14, 1e-14, id="pidigits: whole numbers, all printed digits"),
        pytest.param("michelso", 1e-14, 1e-12, id="michelso: 5 digits, spread 4e-4 of the level"),
        pytest.param("numacc1", 0, 0, id="numacc1: whole numbers, exact"),
        # 1.1 as a double is off by 1e-16: 1e-15 of a spread of 0.1, in each of 1001 readings.
        pytest.param("numacc2", 1e-14, 1e-13, id="numacc2"),
        # 1000000.1 as a double is off by up to 6e-11, which is 6e-10 of the spread of 0.1: 9 digits are in the input.
        pytest.param("numacc3", 1e-15, 1e-9, id="numacc3: the doubles hold 9 digits of the spread"),
    ],
)
def test_mean_and_standard_deviation_are_the_certified_ones(name, mean_rel, sd_rel):
    (level,) = columns(name)
    found, expected = per_point(level, axis=0), certified(name)
    assert float(found.mean) == pytest.approx(expected["mean"], rel=mean_rel, abs=0)
    assert float(found.sd) == pytest.approx(expected["standard_deviation_n_minus_1"], rel=sd_rel, abs=0)
    assert int(found.readings_n) == level.size


def test_the_shortcut_formula_would_fail_where_two_passes_do_not():
    (level,) = columns("numacc3")
    shortcut = (np.sum(level**2) - level.size * level.mean() ** 2) / (level.size - 1)
    assert abs(shortcut - 0.01) > 1e-5
