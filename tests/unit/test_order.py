"""Readings by hand are grouped by what was meant, and each is held against what is ideal at its own input."""

import numpy as np
import pytest

from sequencer import core
from sequencer.readings.order import in_order

LINEAR, ROOT = "pulse-to-current", "differential-pressure-flow"  # 0..1000 Hz and 0..250 mbar to 4..20 mA
UP = np.arange(0, 101, 10.0)
DOWN = UP[-2::-1]
REVERSED = "reversed-input"  # 20 .. 4 mA to 4 .. 20 mA
REVERSED_SHEET = """\
type: invented
input: {range: 20 .. 4 mA}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
ROOT_PCT = np.array([0, 0.4, 1, 4, 9, 16, 25, 36, 49, 64, 81, 100.0])


def linear(x_pct):
    return 4 + 0.16 * np.asarray(x_pct)


def root(x_pct):
    """4 mA + 16 mA * sqrt(x): the flow of a differential pressure; no input here but 0 lies below the cut-off."""
    return 4 + 1.6 * np.sqrt(np.asarray(x_pct))


@pytest.fixture
def judged(tmp_path):
    def judge(x_pct, mA, *, sheet=LINEAR, beside=None, digits=4):
        zero, full = {LINEAR: (0.0, 10.0), ROOT: (0.0, 2.5), REVERSED: (20.0, -0.16)}[sheet]
        names, cells = zip(*beside.items(), strict=True) if beside else ((), ())
        rows = [
            ";".join([f"{zero + full * x:.{digits}f}", f"{y:.5f}", *(str(each) for each in others)])
            for x, y, *others in zip(x_pct, mA, *cells, strict=True)
        ]
        path = tmp_path / "hand.csv"
        path.write_text("\n".join([";".join(["input", "output", *names]), *rows]), encoding="utf-8")
        if sheet == REVERSED:
            sheet = tmp_path / "reversed.yaml"
            sheet.write_text(REVERSED_SHEET, encoding="utf-8")
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
    assert any(says in each for each in found.remarks[1:]) == bool(says)


def test_an_input_that_jitters_is_one_point_and_says_so(judged):
    rng = np.random.default_rng(0)
    x = np.concatenate((UP, DOWN, UP[1:], DOWN))
    x = np.clip(x + rng.normal(0, 0.1, x.size), 0, None)
    found = judged(x, linear(x))
    assert len(found.evaluation.grid.setpoint_pct) == 11
    assert found.remarks[1].startswith("11 points from 41 rows: inputs within 0.")
    assert abs(used_pct(found)) < 0.1


def test_a_column_of_setpoints_decides(judged):
    # 0.5 % apart, and set with 0.4 %: by their inputs alone these would be other points.
    meant = np.array([0, 0.5, 1.0, 50, 100, 50, 1.0, 0.5, 0])
    x = meant + np.array([0, 0.2, -0.2, 0.4, 0, -0.4, 0.2, -0.2, 0.1])
    found = judged(x, linear(x), beside={"setpoint [%]": meant})
    assert list(found.evaluation.grid.setpoint_pct) == [0, 0.5, 1, 50, 100]
    assert "5 points from 9 rows by the column of setpoints" in found.remarks[1]


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


HALVES = np.array([0, 50, 100.0])


def visits(found):
    """Direction, cycle, setpoint and number of readings of each visit, in the order of the table of visits."""
    columns = ["cycle", "direction", "setpoint_pct", "readings_n"]
    return [tuple(each) for each in found.evaluation.visits[columns].itertuples(index=False)]


@pytest.mark.parametrize("sheet", [LINEAR, REVERSED])
def test_a_table_that_goes_down_first_has_its_hysteresis(judged, sheet):
    # 0.128 mA of 16 mA is 0.8 % of span between the ways; the ends are read once, by the traverse that arrives.
    x = np.concatenate((HALVES[::-1], HALVES[1:]))
    mA = linear(x) + np.array([0, 0, 0, 0.128, 0.128])
    found = judged(x, mA, sheet=sheet)
    assert visits(found) == [
        (1, "up", 50, 1),
        (1, "up", 100, 1),
        (1, "down", 0, 1),
        (1, "down", 50, 1),
        (1, "down", 100, 1),
    ]
    assert found.evaluation.figure("hysteresis").value == pytest.approx(0.8, abs=1e-9)


def test_a_table_of_a_reversed_input_in_the_order_of_its_current(judged):
    # 4, 12, 20 mA and back are 100, 50, 0 % and back.
    x = 100 - np.concatenate((HALVES, HALVES[-2::-1]))
    stated = {"direction": ["up", "up", "up", "down", "down"]}
    mA = linear(x) + np.array([0, 0, 0, 0.128, 0])
    plain, told = (judged(x, mA, sheet=REVERSED, beside=each) for each in (None, stated))
    assert plain.evaluation.figure("hysteresis").value == pytest.approx(0.8, abs=1e-9)
    assert told.evaluation.figure("hysteresis").value == pytest.approx(0.8, abs=1e-9)


@pytest.mark.parametrize(
    ("x", "cycles"),
    [
        pytest.param([100, 50, 0, 50, 100], [1, 1, 1, 1, 1], id="down and up"),
        pytest.param([100, 50, 0, 50, 100, 50, 0, 50, 100], [1] * 5 + [2] * 4, id="twice"),
        pytest.param(
            [100, 50, 0, 50, 100, 50, 0], [1] * 3 + [2] * 4, id="down, up, down: up and the down that follows"
        ),
        pytest.param([0, 50, 100, 50, 0, 50, 100], [1] * 5 + [2] * 2, id="up, down, up"),
    ],
)
def test_a_cycle_is_two_traverses_that_follow_each_other(x, cycles):
    found = in_order(np.array(x, dtype=float), [int(each / 50) for each in x])
    assert found.cycles == cycles
    assert set(found.roles) == {"reading"}


@pytest.mark.parametrize(
    ("counts", "kept"),
    [
        pytest.param([1, 1, 2, 1, 2], [1, 1, 1, 1, 1], id="one more at the turns: end pairs"),
        pytest.param([2, 2, 2, 2, 2], [2, 2, 2, 2, 2], id="two everywhere: no end pair"),
        pytest.param([3, 3, 6, 3, 6], [3, 3, 3, 3, 3], id="as many again at the turns"),
        pytest.param([2, 2, 3, 2, 3], [2, 2, 2, 2, 2], id="two, and one more at the turns"),
        pytest.param([3, 3, 2, 3, 1], [3, 3, 2, 3, 1], id="fewer at the turns"),
        pytest.param([2, 1, 2, 1, 2], [2, 1, 1, 1, 1], id="the first point twice as well"),
    ],
)
def test_what_a_turn_has_more_than_other_visits_is_its_end_pair(counts, kept):
    x = np.repeat([0, 50, 100, 50, 0.0], counts)
    found = in_order(x, [int(each / 50) for each in x])
    ends = np.cumsum(counts)
    read_n = [found.roles[end - n : end].count("reading") for end, n in zip(ends, counts, strict=True)]
    assert read_n == kept


def test_two_readings_at_each_end_count_alike(judged):
    # Two traverses, each end read twice each time, 0.1 and 0.2 % of span high: 0.15 % on average, not 0.125.
    x = np.repeat([0, 50, 100, 50, 0.0], 2)
    found = judged(x, linear(x) + np.tile([0.016, 0.032], 5))
    at_zero = found.evaluation.points.query("setpoint_pct == 0")
    assert at_zero["error_pct"].to_numpy() == pytest.approx([0.15, 0.15])
    assert found.evaluation.end_pairs.empty
    assert [n for *_, n in visits(found)] == [2] * 5


def test_a_cycle_that_begins_where_the_last_one_ended_reads_its_first_point(judged):
    x = np.tile([0, 50, 100, 50, 0.0], 2)
    found = judged(x, linear(x), beside={"cycle": [1] * 5 + [2] * 5})
    assert found.evaluation.end_pairs.empty
    assert [each[:3] for each in visits(found) if each[0] == 2] == [
        (2, "up", 0),
        (2, "up", 50),
        (2, "up", 100),
        (2, "down", 0),
        (2, "down", 50),
    ]


def test_points_read_three_times_in_one_traverse_are_not_said_to_be_read_once(judged):
    x = np.repeat(UP, 3)
    found = judged(x, linear(x) + np.tile([0, 0.001, 0.002], UP.size))
    said = " ".join(found.evaluation.tests)
    assert "twice from the same side" in said
    assert "read twice" not in said
