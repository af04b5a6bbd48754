"""A unit held against the curve fitted to its own readings: line through the origin, polynomial, table of points.

Curves whose coefficients are chosen, and readings put beside them by hand; least squares against numpy.linalg.lstsq.
"""

import json
import re

import numpy as np
import pytest

from instruments.errors import InputError, PlanError, ReadingsError
from sequencer import core
from sequencer.evaluation.figures.curve_fit import fit_polynomial, fit_table
from sequencer.reports.html import html
from sequencer.reports.terminal import plan_text, summary

CELL = """\
type: load cell of a malt silo (invented)
input: {range: 0 .. 10 kN}
output: {range: 0 .. 20 mV}
characteristic: {fit: line through the origin}
tolerance: 0.1 % of span
"""
RNG = np.random.default_rng(7)


def with_curve(fit, text=CELL):
    return text.replace("fit: line through the origin", f"fit: {fit}")


@pytest.mark.parametrize(("degree", "through_origin"), [(1, True), (1, False), (3, True), (3, False), (7, False)])
def test_polynomials_agree_with_lstsq(degree, through_origin):
    x = RNG.uniform(-2, 5, 40)
    y = np.cos(x) + RNG.normal(0, 0.1, x.size)
    powers = np.vander(x, degree + 1, increasing=True)[:, int(through_origin) :]
    known, (squares,), *_ = np.linalg.lstsq(powers, y)
    found = fit_polynomial(x, y, degree=degree, through_origin=through_origin)
    assert found.coefficients == pytest.approx(known, rel=1e-8)
    assert found.dof == x.size - len(known)
    assert found.residual_sd == pytest.approx(np.sqrt(squares / found.dof), rel=1e-10)
    # GUM, covariance of least squares: s^2 (X'X)^-1.
    u = np.sqrt(squares / found.dof * np.diag(np.linalg.inv(powers.T @ powers)))
    assert found.u == pytest.approx(u, rel=1e-6)
    left = y - powers @ known
    assert abs(found.largest) == pytest.approx(np.abs(left).max())
    assert found.largest_at == x[np.abs(left).argmax()]


def test_a_table_of_points_agrees_with_lstsq_and_takes_what_lies_beyond_along():
    knots, x = np.array([0.0, 0.3, 1.0]), np.linspace(-0.1, 1.1, 25)
    y = np.sqrt(x + 1) + RNG.normal(0, 0.01, x.size)
    hats = np.stack([np.interp(x, knots, row) for row in np.eye(3)], axis=1)
    hats[x < 0] = np.stack([1 - x / 0.3, x / 0.3, 0 * x], axis=1)[x < 0]
    hats[x > 1] = np.stack([0 * x, 1 - (x - 0.3) / 0.7, (x - 0.3) / 0.7], axis=1)[x > 1]
    known, (squares,), *_ = np.linalg.lstsq(hats, y)
    found = fit_table(x, y, knots=knots)
    assert found.coefficients == pytest.approx(known, rel=1e-10)
    u = np.sqrt(squares / 22 * np.diag(np.linalg.inv(hats.T @ hats)))
    assert found.u == pytest.approx(u, rel=1e-8)


@pytest.mark.parametrize(
    ("x", "says"),
    [([1.0, 2.0], "2 readings for 3 coefficients"), ([1.0] * 5, "all inputs are one"), ([1.0, 2.0] * 4, "do not tell")],
)
def test_what_inputs_do_not_tell_is_refused(x, says):
    with pytest.raises(ReadingsError, match=says):
        fit_polynomial(np.array(x), np.arange(len(x), dtype=float), degree=2)


def rows(curve, off=()):
    """Readings up and down at 0, 2 .. 10 kN, some of them off by so many mV."""
    loads = [0, 2, 4, 6, 8, 10, 8, 6, 4, 2, 0]
    shift = dict(off)
    return [(load, f"{curve(load) + shift.get(number, 0):.6f}") for number, load in enumerate(loads)]


@pytest.mark.parametrize(
    ("fit", "curve", "coefficients"),
    [
        # 2 % less than the plate says: no error of a cell that is held against its own line.
        ("line through the origin", lambda x: 1.96 * x, {"x^1": 1.96}),
        ("{polynomial: {degree: 1}}", lambda x: 0.3 + 1.96 * x, {"x^0": 0.3, "x^1": 1.96}),
        ("{polynomial: {degree: 3, through the origin: true}}", lambda x: 1.9 * x + 0.02 * x**2 - 0.001 * x**3,
         {"x^1": 1.9, "x^2": 0.02, "x^3": -0.001}),
    ],
)  # fmt: skip
def test_a_unit_is_held_against_its_own_curve(type_sheet, by_hand, fit, curve, coefficients):
    sheet = type_sheet(with_curve(fit))
    content = core.by_hand(by_hand("input [kN];output [mV]", rows(curve)), sheet)
    found = content.evaluation
    assert found.verdict.result == "pass"
    assert found.visits["error"].abs().max() < 2e-6
    for power, value in coefficients.items():
        figure = found.figure(f"coefficient of {power}")
        assert figure.value == pytest.approx(value, abs=2e-6)
        assert figure.unit == {"x^0": "mV", "x^1": "mV/kN"}.get(power, f"mV/kN^{power[-1]}")
    # The same readings fail against the line of the plate.
    plate = core.by_hand(by_hand("input [kN];output [mV]", rows(curve)), type_sheet(CELL.replace(
        "characteristic: {fit: line through the origin}\n", "")))  # fmt: skip
    assert plate.evaluation.verdict.result == "fail"


def test_a_table_of_points_is_fitted_at_shares_of_the_range(type_sheet, by_hand):
    sheet = type_sheet(with_curve("{table: [0 %, 60 %, 100 %]}"))
    path = by_hand("input [kN];output [mV]", rows(lambda x: 1.9 * x if x <= 6 else 11.4 + 2.1 * (x - 6)))
    found = core.by_hand(path, sheet).evaluation
    levels = [found.figure(f"fitted level at {place} %").value for place in (0, 60, 100)]
    assert levels == pytest.approx([0, 11.4, 19.8], abs=2e-6)
    assert found.verdict.result == "pass"
    assert "about the table of 3 points fitted to these readings" in found.tolerance


def test_one_reading_off_the_curve_fails_and_the_report_says_what_it_was_held_against(type_sheet, by_hand):
    sheet = type_sheet(CELL)
    content = core.by_hand(by_hand("input [kN];output [mV]", rows(lambda x: 1.96 * x, {4: 0.2})), sheet)
    found = content.evaluation
    # sum(x y) / sum(x x) = 1.96 + 8 * 0.2 / 340, by hand.
    gain = 1.96 + 8 * 0.2 / 340
    assert found.figure("coefficient of x^1").value == pytest.approx(gain, abs=1e-6)
    largest = found.figure("largest deviation from the fitted curve")
    assert largest.value == pytest.approx(100 * (1.96 * 8 + 0.2 - gain * 8) / 20, abs=1e-4)
    assert largest.at_pct == pytest.approx(80)
    assert found.verdict.result == "fail"
    said = "0.1 % of span about the line through the origin fitted to these readings"
    assert found.tolerance == said
    assert said in " ".join(summary(content, width=80, colour=False).split())
    page = html(content)
    assert said in page
    assert "the verdict is conformity to that curve" in page
    assert "coefficient of x^1" in page


def test_a_fit_runs_on_the_simulated_bench_and_is_read_again(small, tmp_path):
    changes = {"0 .. 1000 Hz, limits": "0 .. 1000 Hz, limits", "tolerance": "characteristic: {fit: {polynomial: "
               "{degree: 2}}}\ntolerance"}  # fmt: skip
    planned = small(type_sheet=changes)
    assert "about the polynomial of degree 2 fitted to these readings" in " ".join(plan_text(planned).split())
    record = core.run(planned, serial="F-1", results=tmp_path / "results", monte_carlo=20_000).record
    found = record.evaluation
    assert found.verdict.result == "pass"
    # The unit should give 4 mA and 16 uA/Hz; it is good to 0.04 % of 16 mA.
    assert found.figure("coefficient of x^0").value == pytest.approx(4, abs=0.01)
    assert found.figure("coefficient of x^1").value == pytest.approx(0.016, abs=2e-5)
    kept = json.loads((record.folder / "figures.json").read_text("utf-8"))
    assert {each["name"] for each in kept["figures"]} >= {
        "coefficient of x^2",
        "largest deviation from the fitted curve",
    }
    assert core.verify(record.folder).findings == ()
    compared = core.compare(record.folder, record.folder)
    assert any("the curve fitted to its own readings" in each for each in compared.cautions)


def test_a_plan_with_too_few_points_for_the_curve_is_refused(small):
    changes = {"tolerance": "characteristic: {fit: {polynomial: {degree: 4}}}\ntolerance"}
    with pytest.raises(PlanError, match="5 points for a polynomial of degree 4, which has 5 coefficients"):
        small(type_sheet=changes)


def test_a_table_by_hand_with_too_few_points_is_refused(type_sheet, by_hand):
    path = by_hand("input [kN];output [mV]", [(0, 0), (5, 9.8), (10, 19.6)])
    with pytest.raises(ReadingsError, match="3 points were read for a polynomial of degree 2"):
        core.by_hand(path, type_sheet(with_curve("{polynomial: {degree: 2}}")))


@pytest.mark.parametrize(
    ("fit", "says"),
    [
        ("line", "line through the origin"),
        ("{polynomial: {degree: 0}}", "greater than or equal to 1"),
        ("{polynomial: {degree: 11}}", "less than or equal to 10"),
        ("{polynomial: {degree: 2}, table: [0 %, 100 %]}", 'exactly one of "polynomial" and "table"'),
        ("{table: [50 %, 20 %]}", "each above the one before"),
        ("{table: [50 %]}", "two inputs or more"),
    ],
)
def test_a_curve_that_cannot_be_is_refused(type_sheet, fit, says):
    with pytest.raises(InputError) as refused:
        type_sheet(with_curve(fit))
    assert says in " ".join(line for each in (refused.value, *refused.value.others) for line in each.lines)


def test_a_line_through_the_origin_needs_ranges_that_go_through_it(type_sheet):
    with pytest.raises(InputError) as refused:
        type_sheet(CELL.replace("0 .. 20 mV", "4 .. 20 mA"))
    assert "at 0 kN it is at 4 mA" in " ".join(refused.value.lines)


def test_a_chain_takes_no_fit(type_sheet):
    text = """\
type: chain
taps:
  - {tap: a, range: 0 .. 10 kN}
  - {tap: b, range: 0 .. 20 mV}
  - {tap: c, range: 4 .. 20 mA}
stages:
  - {stage: cell, characteristic: {fit: line through the origin}}
  - {stage: amplifier}
tolerance: 0.1 % of span
"""
    with pytest.raises(InputError) as refused:
        type_sheet(text)
    assert "a fit in a unit of one stage" in " ".join(refused.value.lines)


def test_a_coefficient_that_is_small_in_its_unit_is_printed_with_its_digits(type_sheet, by_hand):
    text = with_curve("{polynomial: {degree: 2}}").replace("10 kN", "10000000 N")
    shape = [(load * 1e6, f"{2 * load - 0.003 * load**2 + (-1) ** load * 1e-5:.6f}") for load in range(11)]
    content = core.by_hand(by_hand("input [N];output [mV]", shape), type_sheet(text))
    figure = content.evaluation.figure("coefficient of x^2")
    assert figure.value == pytest.approx(-3e-15, rel=1e-3)
    # As many decimals as two digits of u have.
    shown = summary(content, width=100, colour=False)
    assert re.search(r"coefficient of x\^2 +-[0-9]\.[0-9]{5}e-15 mV/N\^2, u of scatter [0-9]\.[0-9]e-19", shown)
