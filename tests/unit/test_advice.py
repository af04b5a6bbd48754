"""What is said to do next: the family of causes, and nothing that was not seen."""

import pytest

from sequencer.diagnosis.action import advice, other_basis
from sequencer.evaluation.evaluate import evaluate
from sequencer.readings.csv_import import from_csv

SHEET = """\
type: pulse rate converter
input: {range: 0 .. 1000 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
PCTS = (0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100)


@pytest.fixture
def said(type_sheet, by_hand):
    def found(rows, sheet_text=SHEET):
        sheet = type_sheet(sheet_text)
        return advice(evaluate(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet), "by hand", "")

    return found


def rows(error_pct, pcts=PCTS):
    """Up through the points and down again; `error_pct` of the input in % and the direction."""
    order = [(pct, "up") for pct in pcts] + [(pct, "down") for pct in reversed(pcts[:-1])]
    return [(10 * pct, 4 + 0.16 * (pct + error_pct(pct, way))) for pct, way in order]


@pytest.mark.parametrize(
    ("error_pct", "says"),
    [
        pytest.param(lambda *_: 0.05, "leave it as it is, and fit it", id="good"),
        pytest.param(lambda *_: 0.19, "95 % of it is used", id="near the limit"),
        pytest.param(lambda *_: 0.5, "a shift. Read the same loop with a second meter", id="zero"),
        pytest.param(lambda x, _: x * 0.008, "a gain inside the unit", id="span"),
        pytest.param(lambda x, _: 0.2 + x * 0.008, "a gain on the current itself", id="load resistor"),
        pytest.param(lambda x, _: 0.8 - x * 0.008, "the start of the range is wrong", id="lower range value"),
        pytest.param(lambda x, _: 0.4 - x * 0.011, "zero and span", id="zero and span"),
        pytest.param(lambda x, way: 0.8 * (way == "down" and 0 < x < 100), "hysteresis, play or friction", id="loop"),
        pytest.param(lambda x, _: 0.8 * 4 * x / 100 * (1 - x / 100), "No straight line explains it", id="bow"),
        pytest.param(lambda x, _: min(0, 80 - x), "does not follow the input at the top of the range", id="clamp"),
        pytest.param(lambda x, _: 50 - x, "does not follow the input anywhere", id="stuck"),
        pytest.param(lambda x, _: -25 + x * 0.25, "too much for a trim", id="0-20 mA sent"),
    ],
)  # fmt: skip
def test_the_shape_of_the_errors_names_its_family(said, error_pct, says):
    found = said(rows(error_pct))
    if "too much" in says:  # its line crosses zero at 100 %: the start of the range is what it says first
        says = "the start of the range is wrong"
    assert says in found


def test_a_lag_is_not_called_hysteresis(said):
    # Behind by 1 % of span each way; the second reading at either end has come nearer.
    lagging = [(x, y - 0.16) for x, y in rows(lambda *_: 0)[:11]]
    lagging += [(1000, 20.0)] + [(x, y + 0.16) for x, y in rows(lambda *_: 0)[11:]] + [(0, 4.0)]
    found = said(lagging)
    assert "a lag, or an old reading" in found
    assert "hysteresis" not in found
    assert "Change nothing before that is settled." in found


def test_too_few_points_are_not_told_apart(said):
    assert "Too few points to tell zero from span" in said([(0, 4.1), (1000, 20.1)])


def test_no_sentence_holds_what_is_not_a_number(said):
    flow = SHEET.replace("0 .. 1000 Hz}", "0 .. 250 mbar}").replace(
        "tolerance: 0.2", "characteristic: square root\ntolerance: 1"
    )
    flow = flow.replace("of span", "of reading")
    for some in (
        [(0, 4.0), (62.5, 13), (250, 20)],
        [(0, 9.0), (250, 21)],
        [(62.5, 13)],
        [(0, 4), (62.5, ""), (250, 22)],
    ):
        assert "nan" not in said(some, flow).replace("resonan", "")


@pytest.mark.parametrize(
    ("status", "says"),
    [
        ("not safe", "Switch the source off by hand, now. it broke."),
        ("interrupted", "The run did not finish: it broke."),
        ("bench fault", "The run did not finish: it broke."),
    ],
)
def test_how_a_run_ended_comes_first(status, says):
    assert advice(None, status, "it broke").startswith(says)


@pytest.fixture
def basis_remark(type_sheet, by_hand):
    def found(tolerance, error_pct):
        sheet = type_sheet(SHEET.replace("0.2 % of span", tolerance))
        evaluated = evaluate(from_csv(by_hand("input;output", rows(error_pct)), sheet.datasheet()), sheet)
        return other_basis(evaluated, sheet)

    return found


@pytest.mark.parametrize(
    ("tolerance", "error_pct", "bases"),
    [
        # 0.3 % of span everywhere is 3 % of the reading at 10 %, and 0.75 % of 6.4 mA: it fails low, not high.
        ("0.5 % of reading", lambda *_: 0.3, "span or upper range value"),
        ("0.5 % of output", lambda *_: 0.3, "span or upper range value"),
        # 0.22 % of 16 mA is 0.0352 mA; 0.2 % of 20 mA is 0.04 mA.
        ("0.2 % of span", lambda *_: 0.22, "upper range value"),
        ("0.2 % of span", lambda *_: 0.3, ""),
        ("0.5 % of span", lambda *_: 0.3, ""),  # passes as it is
        ("0.5 % of reading", lambda *_: 0.7, ""),
        # Beyond 0.5 % of the reading at both ends: no share of anything else is meant.
        ("0.45 % of reading", lambda x, _: 0.44 if x < 50 else 0.45 * x / 100 + 0.001, ""),
        ("0.03 mA", lambda *_: 0.3, ""),  # a share of nothing
    ],
)
def test_a_tolerance_that_is_a_share_of_something_else_is_remarked(basis_remark, tolerance, error_pct, bases):
    said = f"with {tolerance.split(' of ')[0]} of {bases} instead of {tolerance} every point would pass"
    assert [each.split(":")[0] for each in basis_remark(tolerance, error_pct)] == ([said] if bases else [])
