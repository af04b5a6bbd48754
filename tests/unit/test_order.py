"""Readings by hand are grouped by what was meant, and each is held against what is ideal at its own input."""

import numpy as np
import pytest

from sequencer import core

LINEAR, ROOT = "pulse-to-current", "differential-pressure-flow"  # 0..1000 Hz and 0..250 mbar to 4..20 mA
UP = np.arange(0, 101, 10.0)
DOWN = UP[-2::-1]
ROOT_PCT = np.array([0, 0.4, 1, 4, 9, 16, 25, 36, 49, 64, 81, 100.0])


def linear(x_pct):
    return 4 + 0.16 * np.asarray(x_pct)


def root(x_pct):
    """4 mA + 16 mA * sqrt(x): the flow of a differential pressure; no input here but 0 lies below the cut-off."""
    return 4 + 1.6 * np.sqrt(np.asarray(x_pct))


@pytest.fixture
def judged(tmp_path):
    def judge(x_pct, mA, *, sheet=LINEAR, beside=None, digits=4):
        full = {LINEAR: 10.0, ROOT: 2.5}[sheet]
        names, cells = zip(*beside.items(), strict=True) if beside else ((), ())
        rows = [
            ";".join([f"{full * x:.{digits}f}", f"{y:.5f}", *(str(each) for each in others)])
            for x, y, *others in zip(x_pct, mA, *cells, strict=True)
        ]
        path = tmp_path / "hand.csv"
        path.write_text("\n".join([";".join(["input", "output", *names]), *rows]), encoding="utf-8")
        return core.by_hand(path, sheet)

    return judge


def used_pct(content):
    return float(content.evaluation.worst["used_pct"])


@pytest.mark.parametrize("order", ["up", "up and down", "each twice"])
def test_a_perfect_square_root_read_close_to_zero_uses_nothing_of_its_tolerance(judged, order):
    x = {"up": ROOT_PCT, "up and down": [*ROOT_PCT, *ROOT_PCT[-2::-1]], "each twice": np.repeat(ROOT_PCT, 2)}[order]
    found = judged(x, root(x), sheet=ROOT)
    assert len(found.evaluation.grid.setpoint_pct) == ROOT_PCT.size
    assert abs(used_pct(found)) < 0.1


def test_two_readings_at_a_jittering_input_average_their_errors_where_the_characteristic_bends(judged):
    # Of the mean input 0.2 % the root is 4.5 %, of 0 and 0.4 % on average 3.2 %: 1.3 % apart, and no error of the unit.
    x = np.array([0, 0.4, 25, 25.01, 100, 100])
    assert abs(used_pct(judged(x, root(x), sheet=ROOT))) < 0.1
    stated = {"setpoint [%]": [0, 0, 25, 25, 100, 100]}
    assert abs(used_pct(judged(x, root(x), sheet=ROOT, beside=stated))) < 0.1


def test_a_spike_between_points_close_together_is_seen(judged):
    # 26 points of 0.4 %, one of them 3 % of span high: 15 times the tolerance of 0.2 %.
    x = np.arange(0, 10.1, 0.4)
    found = judged(x, linear(x) + np.where(np.arange(x.size) == 7, 0.48, 0))
    assert used_pct(found) == pytest.approx(1500, rel=1e-3)
    assert len(found.evaluation.points) == 26


@pytest.mark.parametrize(
    ("down_pct", "points_n", "says"),
    [
        pytest.param(DOWN, 11, "", id="the same setpoints"),
        pytest.param(DOWN + 0.7, 11, "within 0.7 % of range of each other", id="0.7 % off"),
        pytest.param(DOWN + 5, 21, "0 of 10 downscale points have an upscale point", id="interleaved"),
    ],
)
def test_the_hysteresis_is_found_wherever_the_downscale_setpoints_lie(judged, down_pct, points_n, says):
    # 0.128 mA of 16 mA is 0.8 % of span.
    x = np.concatenate((UP, down_pct))
    found = judged(x, linear(x) + np.where(np.arange(x.size) >= UP.size, 0.128, 0))
    assert found.evaluation.figure("hysteresis").value == pytest.approx(0.8, abs=1e-9)
    assert len(found.evaluation.grid.setpoint_pct) == points_n
    assert any(says in each for each in found.remarks) == bool(says)


def test_an_input_that_jitters_is_one_point_and_says_so(judged):
    rng = np.random.default_rng(0)
    x = np.concatenate((UP, DOWN, UP[1:], DOWN))
    x = np.clip(x + rng.normal(0, 0.1, x.size), 0, None)
    found = judged(x, linear(x))
    assert len(found.evaluation.grid.setpoint_pct) == 11
    assert found.remarks[0].startswith("11 points from 41 rows: inputs within 0.")
    assert abs(used_pct(found)) < 0.1


def test_a_column_of_setpoints_decides(judged):
    # 0.5 % apart, and set with 0.4 %: by their inputs alone these would be other points.
    meant = np.array([0, 0.5, 1.0, 50, 100, 50, 1.0, 0.5, 0])
    x = meant + np.array([0, 0.2, -0.2, 0.4, 0, -0.4, 0.2, -0.2, 0.1])
    found = judged(x, linear(x), beside={"setpoint [%]": meant})
    assert list(found.evaluation.grid.setpoint_pct) == [0, 0.5, 1, 50, 100]
    assert "5 points from 9 rows by the column of setpoints" in found.remarks[0]


def test_cycles_of_different_grids_stay_apart(judged):
    quarters = np.array([25, 50, 75, 100, 75, 50, 25, 0])
    x = np.concatenate((UP, DOWN, quarters))
    visits = judged(x, linear(x)).evaluation.visits
    assert sorted(visits.loc[visits["cycle"] == 2, "setpoint_pct"].unique()) == [0, 25, 50, 75, 100]
    assert len(visits) == x.size


def test_two_readings_a_point_are_one_visit_of_two(judged):
    x = np.repeat(UP, 2) + np.tile([0, 0.02], UP.size)
    found = judged(x, linear(x))
    assert list(found.evaluation.visits["readings_n"]) == [2] * UP.size


def test_a_fine_scan_is_not_merged_by_its_jitter(judged):
    rng = np.random.default_rng(1)
    x = np.arange(0, 101, 1.0)
    x = np.concatenate((x, x[-2::-1]))
    jittered = x + rng.normal(0, 0.1, x.size)
    found = judged(jittered, linear(jittered))
    extents = found.evaluation.visits.groupby("point")["input_pct"].agg(np.ptp)
    assert extents.max() <= 0.2  # of steps of 1 %, a fifth at most
    assert found.evaluation.figure("hysteresis").value < 0.01
