"""The ranking in words, from hypotheses written down by hand: where, what and how surely, what to check."""

import pytest
from segments import UP_DOWN, segment_with

from sequencer.diagnosis.diagnose import Finding, Findings
from sequencer.diagnosis.model.chain import Weighing
from sequencer.diagnosis.model.healthy_model import healthy
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.summary import account

SEGMENT = segment_with(UP_DOWN + 0.01, tolerance=0.002)


def hypothesis(name, **given):
    plain = {"place": "unit", "segment": 0, "log_odds": 9.0, "weight": 1.0, "text": "by much", "check": "Look."}
    return Hypothesis(name=name, **(plain | given))


def told(*findings, segment=SEGMENT):
    ranked = tuple(
        Finding(weight=sure, causes=tuple(causes), shares=(sure,) * len(causes)) for sure, *causes in findings
    )
    weighing = Weighing(segments=(segment,), likelihoods=(healthy(segment),), chain_n=1, ways=())
    return account(Findings(ranked=ranked, leading=ranked[:1], weighing=weighing), segment.sheet)


BOW, LAG = hypothesis("bow"), hypothesis("lag", text="slow")
METER = hypothesis("meter gain", place="output", is_of_bench=True)


@pytest.mark.parametrize(
    ("findings", "stage", "cause"),
    [
        ([(0.995, BOW)], "unit", "bow, by much (over 99 %)"),
        ([(0.95, BOW), (0.05, LAG)], "unit", "bow, by much (95 %)"),
        ([(0.7, BOW), (0.3, LAG)], "unit", "likely: bow, by much (70 %); or lag, slow (30 %)"),
        ([(0.4, BOW), (0.3, LAG)], "unit", "perhaps: bow, by much (40 %); or lag, slow (30 %)"),
        (
            [(0.95, BOW, LAG, METER)],
            "unit",
            "bow, by much (95 %); not distinguishable with these readings from lag or meter gain",
        ),
        ([(0.95, METER)], "output (bench, not the unit)", "meter gain, by much (95 %)"),
        (
            [(0.95, METER, BOW)],
            "output",
            "meter gain, by much (95 %); not distinguishable with these readings from bow",
        ),
        (
            [(0.95, hypothesis("swapped rows"))],
            "unit (what was written down, not the unit)",
            "swapped rows, by much (95 %)",
        ),
        ([(0.95, hypothesis("unknown"))], "unit", "no cause of the catalogue fits these readings (95 %)"),
    ],
)
def test_where_and_what_and_how_surely(findings, stage, cause):
    found = told(*findings)
    assert (found.is_fault, found.stage, found.cause, found.check) == (True, stage, cause, "Look.")


def test_a_good_unit_has_no_fault_and_two_points_tell_no_cause():
    good = told((0.9, hypothesis("no fault", segment=-1)), (0.1, BOW))
    assert (good.is_fault, good.names) == (False, ())
    few = told((0.95, BOW), segment=segment_with([0.01, 1.01], [0.0, 1.0]))
    assert few.cause == "2 points cannot distinguish the causes"
    assert few.names == ()


def test_what_a_cause_leaves_is_the_root_mean_square_of_the_rest():
    # 1 % everywhere; a cause that takes off 0.6 % leaves 0.4 %, and one that foretells nothing no number.
    shift = hypothesis("zero shift", predicted=UP_DOWN + 0.006, scale=4.0)
    first, second = told((0.6, shift), (0.3, hypothesis("noise"))).ranking
    assert first.residual_before_pct == pytest.approx(1.0)
    assert first.residual_after_pct == pytest.approx(0.4)
    assert first.against == ("it leaves 4.0 times the scatter that was expected",)
    assert (second.residual_after_pct, second.against) == (None, ())
