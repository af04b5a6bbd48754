"""What is said to do next: what the diagnosis asks for, and nothing that it does not say."""

import re
from dataclasses import replace

import pytest

from sequencer.diagnosis.account import Account, Candidate, Member, Named
from sequencer.diagnosis.action import advice, offered, other_basis
from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.model.catalogue import CAUSES
from sequencer.evaluation.budget import Basis
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
    def found(rows, sheet_text=SHEET, basis=None):
        sheet = type_sheet(sheet_text)
        return examine(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet, basis=basis).advice

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
        # A meter that is out reads the same as a unit that is: which it is comes first.
        pytest.param(lambda *_: 0.5, "If it is meter offset: leave the unit as it is. ", id="zero"),
        pytest.param(
            lambda x, _: x * 0.008,
            "If it is span error: turn span, then run as left; --bench-cleared says by how much.",
            id="span",
        ),
        pytest.param(lambda x, _: 0.8 * 4 * x / 100 * (1 - x / 100), "bow", id="bow"),
        pytest.param(lambda x, _: 50 - x, "stuck output", id="stuck"),
    ],
)
def test_advice_is_that_of_the_cause_that_was_found(said, error_pct, says):
    found = said(rows(error_pct))
    assert says in found
    if not found.startswith("Within tolerance"):
        assert "Do not adjust" in found
        assert "Settle first" not in found


def test_zero_and_span_may_be_turned_once_bench_and_wiring_are_cleared(said):
    basis = Basis(bench_cleared="A. Brewer: second meter at the terminals")
    found = said(rows(lambda x, _: 0.4 - x * 0.011), basis=basis)
    assert found.startswith('Zero and span in stage "')
    assert found.endswith("if it is right, adjust as said below, then run as left.")


def test_too_few_points_are_not_told_apart(said):
    found = said([(0, 4.1), (1000, 20.1)])
    assert found.startswith("2 points cannot distinguish the causes. ")
    assert found.endswith("Do not adjust before.")


def test_without_a_diagnosis_nothing_is_to_be_turned(type_sheet, by_hand):
    sheet = type_sheet(SHEET)
    found = evaluate(from_csv(by_hand("input;output", rows(lambda *_: 0.5)), sheet.datasheet()), sheet)
    assert advice(found, "by hand", "") == "The cause was not looked for. Do not adjust before it is known."
    assert offered(found, None) is None


def account_of(*candidates, is_fault=True, lacking=()):
    """(weight, ((name, kind), ...)) each, in stage "unit"; instruments and readings at the tap "output"."""
    ranking = tuple(
        Candidate(
            names=tuple(name for name, _ in members),
            place="unit",
            weight=weight,
            text="sizes",
            check="Look.",
            residual_before_pct=None,
            residual_after_pct=None,
            against=(),
            members=tuple(
                Member(name=name, kind=kind, text="sizes", check=f"Look at {name}.",
                       place="unit" if kind in {"trim", "unit"} else "output")
                for name, kind in members
            ),
        )
        for weight, members in candidates
    )  # fmt: skip
    return Account(is_fault=is_fault, stage="unit", cause="", check="Look.", ranking=ranking, shares=(), extra=(),
                   lacking=lacking)  # fmt: skip


ZERO, SPAN, LEAK, METER = (("zero shift", "trim"), ("span error", "trim"), ("leak", "unit"), ("meter offset", "bench"))


@pytest.fixture
def failed(type_sheet, by_hand):
    sheet = type_sheet(SHEET)
    return evaluate(from_csv(by_hand("input;output", rows(lambda *_: 0.5)), sheet.datasheet()), sheet)


@pytest.mark.parametrize(
    ("findings", "is_offered", "says"),
    [
        (account_of((0.99, [ZERO])), True, 'Zero shift in stage "unit" (99 %). Compare'),
        (account_of((0.6, [ZERO]), (0.35, [SPAN])), True, 'Zero shift in stage "unit" (60 %). Compare'),
        (account_of((0.99, [ZERO, SPAN])), True, 'Zero shift or span error in stage "unit" (99 %). Compare'),
        (account_of((0.89, [ZERO]), (0.11, [LEAK])), False,
         'Likely, but not sure, in stage "unit": zero shift (89 %); possible too: leak (11 %). To'),
        (account_of((0.4, [ZERO]), (0.3, [LEAK])), False,
         'No cause is likely enough to act on. The first, in stage "unit", is zero shift (40 %)'),
        (account_of((0.99, [LEAK, ZERO])), False,
         ('First confirm the cause in stage "unit": leak or zero shift. Look. Do not adjust before. '
         "If it is zero shift: turn zero, then run as left; --bench-cleared says by how much.")),
        (account_of((0.99, [ZERO, METER])), False,
         ('First confirm the cause in stage "unit": zero shift or meter offset. Look. Do not adjust before. '
         "If it is zero shift: turn zero, then run as left; --bench-cleared says by how much. "
         "If it is meter offset: leave the unit as it is. Look at meter offset.")),
        (account_of((0.99, [METER])), False,
         'Suspect the bench, not the unit: meter offset at "output". Look. Do not adjust the unit.'),
        (account_of((0.99, [("decimal slip", "transcription")])), False,
         "Look."),
        (account_of((0.99, [("unknown", "vague")]), lacking=("Take eleven points.",)), False,
         ("No cause of the catalogue fits these readings: take eleven points. Compare type, range and wiring with the "
         "order. Do not adjust before.")),
        (account_of((0.98, [("no fault", "vague")]), is_fault=False), False,
         ("No cause shows: so small an error good units have where the tolerance is wider. Compare the tolerance there "
          "with the data sheet, and run again. Do not adjust before.")),
    ],
)  # fmt: skip
def test_a_trim_is_offered_only_where_every_cause_that_is_left_is_a_trim(failed, findings, is_offered, says):
    assert (offered(failed, findings) is not None) == is_offered
    assert advice(failed, "complete", "", findings).startswith(says)


@pytest.mark.parametrize(
    ("weight", "says"),
    [
        (0.95, 'More than one thing is wrong: in stage "unit" slip (95 %); in stage "unit" leak (95 %). First: Look.'),
        (0.69, ('Likely, but not sure, more than one thing is wrong: in stage "unit" slip (69 %); in stage "unit" leak '
                '(69 %); possible too: at "output" meter offset (36 %). First: Look.')),
    ],
)  # fmt: skip
def test_more_than_one_thing_is_wrong_for_sure_only_where_each_is_sure(failed, weight, says):
    both = account_of((weight, [("slip", "unit")]), (weight, [LEAK]), (0.36, [METER]))
    both = replace(both, stages=(Named(stage="drive", cause="slip", check="Look."),) * 2)
    assert advice(failed, "complete", "", both).startswith(says)


def test_no_check_is_an_adjustment():
    for cause in CAUSES:
        assert not re.search(
            "shifting zero|trim zero|span trim|turn zero|turn span", cause.check + cause.outside, re.IGNORECASE
        )


@pytest.mark.parametrize("cleared", ["", "A. Brewer: second meter at the terminals"])
def test_once_bench_and_wiring_are_cleared_no_check_asks_for_a_second_meter(type_sheet, by_hand, cleared):
    sheet = type_sheet(SHEET)
    table = from_csv(by_hand("input;output", rows(lambda x, _: 0.4 - x * 0.011)), sheet.datasheet())
    found = examine(table, sheet, basis=Basis(bench_cleared=cleared)).findings
    assert found.names[0] == "zero and span"
    assert ("second meter" in found.check) == (not cleared)


def test_scatter_that_a_cause_explains_is_no_reason_to_buy_instruments(failed):
    none = replace(failed, verdict=replace(failed.verdict, result="not determinable", reason="U exceeds the tolerance"))
    scattered = account_of((0.99, [("intermittent contact", "scatter")]))
    assert advice(none, "complete", "", scattered) == (
        'No verdict: U exceeds the tolerance. First confirm the cause at "output": intermittent contact. Look. '
        "Do not adjust before."
    )


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
        ("not safe", "Switch the source off by hand, now: it broke."),
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
        ("0.5 % of reading", lambda *_: 0.3, "span or upper range value of the output"),
        ("0.5 % of output", lambda *_: 0.3, "span or upper range value of the output"),
        # 0.22 % of 16 mA is 0.0352 mA; 0.2 % of 20 mA is 0.04 mA.
        ("0.2 % of span", lambda *_: 0.22, "upper range value of the output"),
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
