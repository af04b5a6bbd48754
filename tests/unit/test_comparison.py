"""Two units side by side: differences, what is left of the uncertainty, and what is refused."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from instruments.errors import InputError, ReadingsError
from sequencer import core
from sequencer.diagnosis.comparison_statistics import Differences, family_wise
from sequencer.evaluation.figures.multiple import holm
from sequencer.reports.terminal import comparison_text

TYPE = """\
type: pulse rate converter (invented)
input: {range: 0 .. 1000 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
INPUTS = np.array([0.0, 500.0, 1000.0])
# mA, three upscale cycles (rows) of both units, typed here and nowhere else
A_mA = np.array([[4.002, 12.004, 20.001], [4.004, 12.001, 20.004], [4.003, 12.002, 20.002]])
B_mA = np.array([[4.001, 12.035, 20.003], [4.003, 12.033, 20.001], [4.005, 12.034, 20.005]])
# keyed-source and keyed-meter: 0.01 Hz and 1 uA of resolution; accuracies 0.01 % + 0.02 Hz, 0.02 % + 2 uA
Q_OUT_mA, Q_IN_mA = 0.001, 0.01 * 16 / 1000


def csv(cycles, *, inputs=INPUTS, direction="up"):
    rows = [
        f"{x:g};{y:.3f};{direction};{number}"
        for number, cycle in enumerate(cycles, start=1)
        for x, y in zip(inputs, cycle, strict=True)
    ]
    return "\n".join(["input [Hz];output [mA];direction;cycle", *rows]) + "\n"


@pytest.fixture
def compared(tmp_path):
    def made(a, b, *, type_text=TYPE, bench="by-hand", margin="", same_bench=False):
        (tmp_path / "x.yaml").write_text(type_text)
        for name, text in (("A", a), ("B", b)):
            (tmp_path / f"{name}.csv").write_text(text)
        more = {"type_sheet": tmp_path / "x.yaml", "bench": bench, "margin": margin, "same_bench": same_bench}
        return core.compare(tmp_path / "A.csv", tmp_path / "B.csv", **more)

    return made


@pytest.mark.parametrize("p", [[0.01, 0.04, 0.03, 0.005], [0.5], [1.0, 0.9, 1e-9], [0.02, 0.02, 0.02]])
def test_holm_is_that_of_statsmodels(p):
    assert holm(np.array(p)) == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)


def test_holm_leaves_out_what_was_not_tested():
    found = holm(np.array([0.01, np.nan, 0.04]))
    assert found[[0, 2]] == pytest.approx(multipletests([0.01, 0.04], method="holm")[1])
    assert np.isnan(found[1])


def of_means(level_mA, weights):
    """Variance of a weighted sum of the means of three cycles at three points, in two parts with degrees of freedom.

    Two-way analysis of variance without interaction (any textbook): the mean square between cycles stands for what a
    cycle has in common, and for a third of the rest.
    """
    cycles = level_mA.mean(axis=1) - level_mA.mean()
    left = level_mA - level_mA.mean(axis=0) - cycles[:, None]
    between, rest = 3 * (cycles**2).sum() / 2, (left**2).sum() / 4
    shared = weights.sum() ** 2 / 3
    return (between * shared / 3, 2), (rest * ((weights**2).sum() - shared) / 3, 4)


def test_on_one_bench_the_difference_has_scatter_and_resolution_alone(compared):
    found = compared(csv(A_mA), csv(B_mA))
    assert found.is_same_bench
    points = found.points
    assert points["difference_pct"].to_numpy() == pytest.approx(100 / 16 * (B_mA.mean(0) - A_mA.mean(0)), abs=1e-9)
    parts = [each for side in (A_mA, B_mA) for each in of_means(side, np.array([1.0, 0.0, 0.0]))]
    u = np.sqrt(sum(each for each, _ in parts) + 2 * (Q_OUT_mA**2 + Q_IN_mA**2) / 12)
    dof = u**4 / sum(each**2 / nu for each, nu in parts)
    assert points["u_pct"].to_numpy() == pytest.approx(np.full(3, 100 / 16 * u), rel=1e-6)
    assert points["dof"].to_numpy() == pytest.approx(np.full(3, dof), rel=1e-6)
    k = stats.t.ppf(0.5 + 0.9545 / 2, dof)
    assert points["U_pct"].to_numpy() == pytest.approx(np.full(3, 100 / 16 * k * u), rel=1e-3)
    p = 2 * stats.t.sf(np.abs(B_mA.mean(0) - A_mA.mean(0)) / u, dof)
    assert points["p"].to_numpy() == pytest.approx(p, rel=1e-4)
    assert list(points["is_different"]) == [False, True, False]
    assert (found.result, found.different_n, found.tested_n) == ("different", 1, 3)


def test_figures_have_the_uncertainty_that_is_left_of_their_difference(compared):
    found = compared(csv(A_mA), csv(B_mA + np.array([0.02, 0.0, 0.0])))  # B: zero 0.125 % higher
    figures = {each.name: each for each in found.figures}
    zero, span = figures["zero error"], figures["span error"]
    # By hand: zero is the point at 0 %, span the one at 100 % less that, where a shift from cycle to cycle cancels.
    ends = {}
    for name, weights, roundings in (("zero error", [1.0, 0.0, 0.0], 2), ("span error", [-1.0, 0.0, 1.0], 4)):
        parts = [each for side in (A_mA, B_mA) for each in of_means(side, np.array(weights))]
        u_2 = sum(each for each, _ in parts) + roundings * (Q_OUT_mA**2 + Q_IN_mA**2) / 12
        ends[name] = (u_2, u_2**2 / sum(each**2 / nu for each, nu in parts))
    assert zero.difference == pytest.approx(100 / 16 * (B_mA[:, 0].mean() + 0.02 - A_mA[:, 0].mean()), abs=1e-9)
    for name, figure in (("zero error", zero), ("span error", span)):
        u_2, dof = ends[name]
        assert pytest.approx(100 / 16 * stats.t.ppf(0.5 + 0.9545 / 2, dof) * np.sqrt(u_2), rel=1e-3) == figure.U
    known = [each for each in found.figures if each.p_family is not None]
    raw = [
        2 * stats.t.sf(abs(each.difference) / (100 / 16 * np.sqrt(ends[each.name][0])), ends[each.name][1])
        if each.name in ends
        else 2 * stats.norm.sf(abs(each.difference) * 2 / each.U)  # 95.45 % is k = 2
        for each in known
    ]
    assert [each.p_family for each in known] == pytest.approx(multipletests(raw, method="holm")[1], rel=1e-3)
    assert zero.is_different
    assert span.is_different
    assert figures["hysteresis"].U is None
    assert figures["worst error"].U is None


def test_figures_of_other_benches_keep_all_their_uncertainty(compared, monkeypatch):
    monkeypatch.setattr("sequencer.diagnosis.comparison._is_same_bench", lambda *_: False)
    found = compared(csv(A_mA), csv(B_mA))
    sides = [each.content.evaluation.figure("inaccuracy, highest") for each in (found.a, found.b)]
    highest = next(each for each in found.figures if each.name == "inaccuracy, highest")
    halves = [(each.high - each.low) / 2 for each in sides]
    assert pytest.approx(np.hypot(*halves), rel=1e-3) == highest.U


def test_on_other_benches_nothing_cancels(compared, monkeypatch):
    # Where the bench cannot be told to be the same, both accuracies count at both units.
    monkeypatch.setattr("sequencer.diagnosis.comparison._is_same_bench", lambda *_: False)
    points = compared(csv(A_mA), csv(B_mA)).points
    at_12_mA = [0.0002 * 12 + 0.002, (0.0001 * 500 + 0.02) * 16 / 1000]  # half widths of meter and source, in mA
    scatter_2 = sum(each.var(axis=0, ddof=1).mean() / 3 for each in (A_mA, B_mA))
    u = np.sqrt(2 * sum(each**2 / 3 for each in at_12_mA) + 2 * (Q_OUT_mA**2 + Q_IN_mA**2) / 12 + scatter_2)
    assert points["u_pct"].iloc[1] == pytest.approx(100 / 16 * u, rel=2e-3)  # the meter read 12.03, not 12 mA


def test_a_small_shift_everywhere_is_seen_in_the_mean_of_the_points(compared):
    # 2 uA on average: scatter averages out over the points, so the mean is the sharper of the tests.
    found = compared(csv(A_mA), csv(A_mA + np.array([0.001, 0.003, 0.002])))
    assert found.mean_pct == pytest.approx(100 / 16 * 0.002, abs=1e-9)
    assert found.mean_p_family <= found.points["p_family"].min()


def test_without_a_bench_nothing_can_be_told_and_it_is_said(compared):
    found = compared(csv(A_mA), csv(B_mA), bench=None)
    assert found.result == "not determinable"
    assert not found.is_alike
    assert "no accuracy specification is known for the instruments of A and B" in found.reason
    assert found.points["difference_pct"].iloc[1] == pytest.approx(100 / 16 * (B_mA.mean(0) - A_mA.mean(0))[1])


@pytest.mark.parametrize(
    ("margin", "result"),
    [
        ("0.3 % of span", "equivalent"),  # largest difference 0.198 %, U 0.012 %
        ("0.048 mA", "equivalent"),
        ("0.2 % of span", "equivalence not shown"),
        ("0.1 % of span", "not equivalent"),
    ],
)
def test_equivalence_wants_difference_and_U_within_the_margin(compared, margin, result):
    found = compared(csv(A_mA), csv(B_mA), margin=margin)
    assert found.result == result
    assert found.is_alike == (result == "equivalent")


def test_no_difference_found_is_not_equivalence(compared):
    found = compared(csv(A_mA), csv(A_mA[::-1]))
    assert found.result == "no difference found"
    assert compared(csv(A_mA), csv(A_mA[::-1]), margin="0.001 % of span").result == "equivalence not shown"


def test_points_are_matched_by_setpoint_and_direction_and_the_others_named(compared):
    inputs = np.array([0.0, 502.0, 800.0])  # 50.2 % is the setpoint 50 % set by hand; 80 % has no partner
    found = compared(csv(A_mA), csv(B_mA, inputs=inputs))
    assert list(found.points["setpoint_pct"].round(1)) == [0.0, 50.0]
    assert found.unmatched == ("100 % up: only A", "80 % up: only B")


def test_nothing_in_common_is_refused(compared):
    with pytest.raises(ReadingsError, match="no point in common"):
        compared(csv(A_mA), csv(B_mA, direction="down"))


def test_a_margin_in_another_unit_is_refused(compared):
    with pytest.raises(InputError, match="V"):
        compared(csv(A_mA), csv(B_mA), margin="0.1 V")


def test_no_more_false_alarms_than_stated(compared):
    # 30 pairs of healthy units, noise 5 uA: 5 % of them may be called different, so 1.5; beyond 5 is 3 in 1000.
    noise = np.random.default_rng(7)
    ideal = 4 + 16 * INPUTS / 1000
    alarms = sum(
        compared(*(csv(ideal + 0.005 * noise.standard_normal((3, 3))) for _ in "AB")).result == "different"
        for _ in range(30)
    )
    assert alarms <= 5


def test_one_reading_a_point_is_no_scatter_and_it_is_said(compared):
    found = compared(csv(A_mA[:1]), csv(B_mA[:1]))
    assert found.result == "not determinable"
    assert found.reason == "each point of A and B was read once, so the scatter of the readings is not known"


def test_tests_that_do_not_hang_together_have_sidaks_correction_and_tests_that_are_one_have_none():
    random = np.random.default_rng(6)
    independent = random.standard_normal((20_000, 5))
    t = np.array([2.6, 0.3, -0.2, 1.0, 0.1])
    free = Differences(u=np.ones(5), dof=np.full(5, np.inf), drawn=independent)
    alone = 2 * stats.norm.sf(2.6)
    assert family_wise(t, free)[0] == pytest.approx(1 - (1 - alone) ** 5, rel=0.05)
    one = Differences(u=np.ones(5), dof=np.full(5, np.inf), drawn=independent[:, [0] * 5])
    assert family_wise(t, one)[0] == pytest.approx(alone, rel=0.15)
    few = Differences(u=np.ones(1), dof=np.array([4.0]), drawn=independent[:, :1])
    assert family_wise(t[:1], few)[0] == pytest.approx(2 * stats.t.sf(2.6, 4), rel=0.08)
    assert np.isnan(family_wise(np.array([np.nan]), few)[0])


BY_HAND_mA = np.linspace(4, 20, 11)


def by_hand_table(random, *, off=0.0):
    """One reading a point, with 2 uA of scatter and a little bow."""
    x = np.linspace(0, 1, 11)
    level = BY_HAND_mA + 0.01 * x * (1 - x) + random.normal(0, 0.002, 11) + off
    return csv([level], inputs=1000 * x)


def test_nothing_stated_and_a_fifth_of_span_apart_is_no_matter_of_the_instruments(compared):
    random = np.random.default_rng(1)
    found = compared(by_hand_table(random), by_hand_table(random, off=3.2), bench=None)
    assert found.result == "different"
    assert found.needed_pct == pytest.approx(20.0, abs=0.1)
    said = " ".join(comparison_text(found).split())
    assert "an instrument would have to be wrong by 20 % of span" in said
    assert "--same-bench" in said
    assert said.count("by itself: ") == 2
    near = compared(by_hand_table(random), by_hand_table(random, off=0.01), bench=None)
    assert near.result == "not determinable"  # 0.06 % of span, where the type allows 0.2 %


def test_on_one_bench_by_word_the_smoothness_of_the_differences_tells_scatter(compared):
    random = np.random.default_rng(2)
    alarms = 0
    for _ in range(20):
        found = compared(by_hand_table(random), by_hand_table(random), bench=None, same_bench=True)
        alarms += found.result == "different"
    assert alarms <= 4  # 5 % of 20, three standard deviations more
    apart = compared(by_hand_table(random), by_hand_table(random, off=0.03), bench=None, same_bench=True)
    assert apart.result == "different"
    assert any("on your word" in each for each in apart.cautions)
    assert any("about a parabola" in each for each in apart.cautions)
