"""NIST StRD sets of polynomials and of a line through the origin: certified figures, fetched (`shared/published`).

Pontius is the calibration of a load cell, NoInt1 a line without intercept; Wampler's and Filippelli's are hard: of ten
figures that the normal equations leave, they leave none.
"""

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer import core
from sequencer.evaluation.figures.curve_fit import fit_polynomial

FOLDER = shipped("shared", "published", "nist-strd")
LOAD_CELL = """\
type: load cell of a malt silo (invented)
input: {range: 0 .. 3 MN}
output: {range: 0 .. 2.2 mV}
characteristic: {fit: {polynomial: {degree: 2}}}
tolerance: 0.03 % of span
"""


def read(name):
    facts = yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))["certified"]
    y, x = np.loadtxt(FOLDER / f"{name}.csv", delimiter=",", skiprows=1).T
    values, sd = (
        np.array([float(each[key]) for each in facts["parameters"]]) for key in ("estimate", "standard_deviation")
    )
    return x, y, values, sd, float(facts["residual_standard_deviation"])


@pytest.mark.parametrize(
    ("name", "degree", "through_origin", "digits"),
    [
        ("pontius", 2, False, 12),
        ("noint1", 1, True, 13),
        ("norris", 1, False, 12),
        ("wampler1", 5, False, 9),
        ("wampler4", 5, False, 9),
        ("filip", 10, False, 10),
    ],
)
def test_a_fit_has_the_certified_figures(name, degree, through_origin, digits):
    x, y, values, sd, residual_sd = read(name)
    found = fit_polynomial(x, y, degree=degree, through_origin=through_origin)
    assert found.coefficients == pytest.approx(values, rel=10.0**-digits)
    # Wampler1 lies on its curve: what rounding leaves is nothing beside levels of 3e6.
    assert found.u == pytest.approx(sd, rel=1e-11, abs=1e-8 if name == "wampler1" else 0)
    assert found.residual_sd == pytest.approx(residual_sd, rel=1e-11, abs=1e-8 if name == "wampler1" else 0)


def test_a_load_cell_read_by_hand_gets_the_certified_curve(by_hand, type_sheet):
    """Pontius, its load in units of 1 N: the coefficients of MN are those of 1 N times a million for each power."""
    x, y, values, sd, residual_sd = read("pontius")
    path = by_hand("cycle;input [N];output [mV]", [(1 + (row >= 20), each, y[row]) for row, each in enumerate(x)])
    found = core.by_hand(path, type_sheet(LOAD_CELL)).evaluation
    for power, (value, u) in enumerate(zip(values, sd, strict=True)):
        figure = found.figure(f"coefficient of x^{power}")
        assert figure.value == pytest.approx(value * 1e6**power, rel=1e-11)
        assert figure.u_scatter == pytest.approx(u * 1e6**power, rel=1e-10)
    assert found.figure("standard deviation about the fitted curve").value == pytest.approx(residual_sd, rel=1e-11)
    left = y - np.polynomial.polynomial.polyval(x, values)
    assert found.visits["error"].abs().max() == pytest.approx(np.abs(left).max(), rel=1e-8)
    # The farthest lies 0.5 uV off; 0.03 % of 2.2 mV are 0.66 uV, 0.02 % are 0.44 uV.
    assert found.verdict.result == "pass"
    tight = core.by_hand(path, type_sheet(LOAD_CELL.replace("0.03", "0.02"))).evaluation
    assert tight.verdict.result == "fail"
