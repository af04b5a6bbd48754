"""NIST StRD sets that no straight line fits, reached by lines: certified figures, fetched.

livezero fits no exponential, and its polynomials have a test of their own. But a polynomial is one line against each
polynomial of an orthogonal set, and a Gauss-Newton step in two parameters is one weighted line; so the certified
figures hold `fit_line`, and the fit with stated uncertainties, to more digits than a calibration ever asks of them.
Chwirut2, with three parameters, is not used: nothing here would be tested by it.
"""

from fractions import Fraction

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.errors_in_variables import fit_line_with_uncertainties
from sequencer.evaluation.figures.lines import fit_line

FOLDER = shipped("shared", "published", "nist-strd")


def certified(name, key):
    facts = yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))["certified"]
    return np.array([float(each[key]) for each in facts["parameters"]]), float(facts["residual_standard_deviation"])


def columns(name):
    return np.loadtxt(FOLDER / f"{name}.csv", delimiter=",", skiprows=1).T


def orthogonal(x, degree):
    """Monic polynomials orthogonal over whole-numbered `x`: rows of coefficients and of values, exact fractions."""
    x = [Fraction(int(each)) for each in x]
    coefficients, values = [], []
    for power in range(degree + 1):
        row = [Fraction(int(place == power)) for place in range(degree + 1)]
        level = [each**power for each in x]
        for known, at in zip(coefficients, values, strict=True):
            share = sum(a * b for a, b in zip([each**power for each in x], at, strict=True)) / sum(a * a for a in at)
            row = [a - share * b for a, b in zip(row, known, strict=True)]
            level = [a - share * b for a, b in zip(level, at, strict=True)]
        coefficients.append(row)
        values.append(level)
    return np.array(coefficients, dtype=np.float64), np.array(values, dtype=np.float64)


def with_stated(x, y):
    return fit_line_with_uncertainties(x, y, u_y=1.0)


# LRE, the digits that agree: 9.4 for the constant, where numbers up to 4e6 cancel, to 14.9 for x^5; 9 asked.
@pytest.mark.parametrize("name", ["wampler1", "wampler4"])
@pytest.mark.parametrize("fit", [fit_line, with_stated])
def test_lines_against_orthogonal_polynomials_give_the_certified_coefficients(fit, name):
    y, x = columns(name)
    coefficients, values = orthogonal(x, 5)
    share = [fit(values[1], y).offset, *(fit(each, y).gain for each in values[1:])]
    assert np.array(share) @ coefficients == pytest.approx(certified(name, "estimate")[0], rel=1e-9)


# 13 digits reached, 12 asked.
def test_what_five_lines_leave_of_wampler4_is_the_certified_scatter():
    y, x = columns("wampler4")
    for each in orthogonal(x, 5)[1][1:]:
        line = fit_line(each, y)
        y = y - line.gain * each
    # The last line knows of two parameters, the polynomial has six: 19 degrees of freedom, and 15.
    assert float(line.residual_sd) * np.sqrt(19 / 15) == pytest.approx(certified("wampler4", "estimate")[1], rel=1e-12)


@pytest.mark.parametrize("start", ["start_1", "start_2"])
def test_weighted_lines_lead_to_the_certified_step_response_of_misra1a(start):
    y, x = columns("misra1a")
    (size, rate), _ = certified("misra1a", start)
    for _ in range(15):
        by_size = -np.expm1(-rate * x)
        by_rate = size * x * np.exp(-rate * x)
        step = fit_line(by_rate / by_size, y / by_size - size, weights=by_size**2)
        size, rate = size + float(step.offset), rate + float(step.gain)
    estimates, residual_sd = certified("misra1a", "estimate")
    deviations, _ = certified("misra1a", "standard_deviation")
    # LRE 10 or more of the eleven digits that are printed.
    assert [size, rate] == pytest.approx(estimates, rel=1e-10)
    assert [float(step.u_offset), float(step.u_gain)] == pytest.approx(deviations, rel=1e-10)
    assert float(step.residual_sd) == pytest.approx(residual_sd, rel=1e-10)
