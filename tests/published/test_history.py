"""Published series: level of Lake Huron (Brockwell and Davis, example 1.3.5) and the test suite of NIST SP 1065.

Sources, and how each figure was verified, in `shared/published/history/*.yaml`.
"""

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.diagnosis.noise.averaging import allan_deviation
from sequencer.evaluation.figures.drift import drift, straight_line

FOLDER = shipped("shared", "published", "history")


def told(name):
    return yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))


def lake():
    year, level = np.loadtxt(FOLDER / "linear-drift-lake-huron.csv", delimiter=",", skiprows=1).T
    return year - 1874, level


def test_the_plain_line_through_lake_huron():
    year, level = lake()
    slope, u = straight_line(level, year)
    known = told("linear-drift-lake-huron")["recomputed"]
    assert slope == pytest.approx(known["slope"], rel=1e-9)
    assert u == pytest.approx(known["se_slope"], rel=1e-9)


def test_the_uncertainty_of_its_slope_is_larger_than_a_plain_line_says():
    # Residuals hang together (0.79 from one to the next, published). With errors of a second-order recursion Brockwell
    # and Davis give a slope of -0.0216, standard error 0.0081, twice the plain one (example 6.6.2, from memory).
    year, level = lake()
    found = drift(level, year)
    assert found.u_ols_per_s == pytest.approx(0.0040361079, rel=1e-6)
    assert found.U_per_s / 2 > 0.0081
    assert abs(found.per_s + 0.0216) < 0.0081
    assert found.white < 0.1


def thousand():
    number, found = 1234567890, []
    for _ in range(1000):
        found.append(number / 2147483647)
        number = 16807 * number % 2147483647
    return np.array(found)


@pytest.mark.parametrize(("means_n", "place"), [(1, 0), (10, 1), (100, 2)])
def test_overlapping_allan_deviation_of_the_thousand_readings(means_n, place):
    printed = told("allan-deviation")["thousand"]["published"]["oadev"][place]
    assert allan_deviation(thousand(), means_n) == pytest.approx(float(printed), rel=6e-7)


@pytest.mark.parametrize(("means_n", "place"), [(1, 0), (2, 1)])
def test_overlapping_allan_deviation_of_the_nine_readings(means_n, place):
    known = told("allan-deviation")["nine"]
    values = np.array(known["data"], dtype=float)
    assert allan_deviation(values, means_n) == pytest.approx(float(known["published"]["oadev"][place]), rel=6e-7)
