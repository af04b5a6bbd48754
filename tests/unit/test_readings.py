"""The tidy table: nothing is taken out of it, the last attempt and the last correction count, and it goes to arrays."""

import numpy as np
import pandas as pd
import pytest

from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import ReadingsError
from sequencer.journal.readings import from_lines
from sequencer.readings.csv_import import from_csv
from sequencer.readings.table import COLUMNS, grid, tidy, valid_rows, write_csv

SHEET = DataSheet(
    type="x",
    taps=(Tap(name="input", low=0, high=1000, unit="Hz"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="unit"),),
)


def row(value, *, point=0, direction="up", cycle=1, role="reading", attempt=1, reading=1, tap="output", **more):
    return {
        "serial": "GF-104",
        "number": 1,
        "step": 1,
        "step_name": "traverse",
        "cycle": cycle,
        "direction": direction,
        "point": point,
        "role": role,
        "attempt": attempt,
        "reading": reading,
        "tap": tap,
        "setpoint_pct": 50.0 * point,
        "commanded": 500.0 * point,
        "value": value,
        "unit": "mA" if tap == "output" else "Hz",
        "settling": "steady",
    } | more


def test_a_table_has_its_columns_and_kinds_whatever_a_row_lacks():
    for rows in ([], [{}], [row(4.0)], [{"value": 1, "note": None, "cycle": 2.0}]):
        table = tidy(rows)
        assert list(table.columns) == list(COLUMNS)
        assert table["value"].dtype == np.float64
        assert table["cycle"].dtype == "Int64"
        assert (table["correction"] == 0).all()
        assert (table["note"] == "").all()


def test_the_last_attempt_of_a_point_counts_and_the_others_stay_in_the_table():
    table = tidy([row(4.0), row(4.1, attempt=2), row(8.0, point=1)])
    assert list(valid_rows(table)["value"]) == [4.1, 8.0]
    assert len(table) == 3


def test_an_attempt_that_broke_off_half_way_does_not_count_once_it_was_taken_again():
    table = tidy([row(4.0, reading=1), row(4.9, reading=1, attempt=2), row(5.1, reading=2, attempt=2)])
    found = grid(table)
    assert found.value["output"][0, 0, 0, 0] == 5.0
    assert found.readings_n["output"][0, 0, 0, 0] == 2


def test_the_last_correction_counts_at_its_own_reading_alone():
    table = tidy([row(12.2), row(12.0, correction=1), row(12.1, reading=2)])
    assert list(valid_rows(table)["value"]) == [12.0, 12.1]


def test_an_attempt_at_an_end_pair_does_not_discard_the_reading_beside_it():
    table = tidy([row(20.0, point=1), row(20.1, point=1, role="end pair", direction="down", attempt=2)])
    found = grid(table)
    assert found.value["output"][0, 0, 0, 0] == 20.0
    assert found.end_pair["output"][0, 0, 1, 0] == 20.1


def test_the_grid_has_cycles_directions_and_points_in_their_places():
    rows = [row(1000 * cycle + 10 * point + (direction == "down"), point=point, direction=direction, cycle=cycle)
            for cycle in (2, 1) for direction in ("down", "up") for point in (2, 0, 1)]  # fmt: skip
    found = grid(tidy(rows))
    assert found.setpoint_pct.tolist() == [0, 50, 100]
    assert found.value["output"].tolist() == [
        [[[1000, 1010, 1020], [1001, 1011, 1021]], [[2000, 2010, 2020], [2001, 2011, 2021]]]
    ]


def test_what_was_not_read_is_not_a_number_and_is_not_steady_evidence():
    found = grid(tidy([row(4.0), row(np.nan, point=1, settling="no reading"), row(12.0, point=1, reading=2)]))
    assert np.isnan(found.value["output"][0, 0, 1]).all()
    assert found.value["output"][0, 0, 0, 1] == 12.0
    assert found.readings_n["output"][0, 0, 0].tolist() == [1, 1]
    assert found.is_steady[0, 0, 0].tolist() == [True, False]


def test_mean_and_scatter_keep_their_digits_on_a_large_common_part():
    readings = [row(1e9 + each, reading=number) for number, each in enumerate((0.1, 0.2, 0.3), start=1)]
    found = grid(tidy(readings))
    assert found.value["output"].flat[0] - 1e9 == pytest.approx(0.2, abs=1e-6)  # a double holds 1.2e-7 there
    assert found.sd["output"].flat[0] == pytest.approx(0.1, abs=1e-6)


def test_an_exercise_is_no_reading():
    with pytest.raises(ReadingsError, match="there is no reading in the table"):
        grid(tidy([row(4.0, role="exercise")]))


def test_a_table_of_two_units_is_refused():
    with pytest.raises(ReadingsError, match=r"readings of 2 units.*\n.*GF-104, GF-105"):
        grid(tidy([row(4.0), row(4.0, serial="GF-105", point=1)]))


def test_a_table_that_would_fill_the_memory_is_refused():
    rows = [row(4.0, cycle=number, point=number) for number in range(2500)]
    with pytest.raises(ReadingsError, match="2500 cycles of 2500 points"):
        grid(tidy(rows))


def test_a_run_s_table_comes_back_from_csv_to_the_last_digit(tmp_path):
    rng = np.random.default_rng(1)
    rows = [
        row(float(value), reading=number, raw='1,2\n"3"') for number, value in enumerate(rng.normal(12, 1e-3, 200), 1)
    ]
    table = tidy([*rows, row(np.nan, point=1, note="overload")])
    path = tmp_path / "readings.csv"
    write_csv(table, path)
    again = from_csv(path, SHEET)
    pd.testing.assert_frame_equal(again, table, check_exact=True)


def test_a_journal_gives_its_readings_and_each_correction_as_a_row_of_its_own():
    lines = [
        {"kind": "opened"},
        {"kind": "reading", **row(500.0, tap="input")},
        {"kind": "reading", **row(12.2)},
        {"kind": "correction", "tap": "output", "signal": 12.0, "raw": "12.0"},
        {"kind": "correction", "tap": "nowhere", "signal": 1.0, "raw": "1"},
        {"kind": "reading", **row(None, point=1)},
        {"kind": "closed"},
    ]
    table = from_lines(lines, SHEET)
    assert table["value"].tolist()[:3] == [500.0, 12.2, 12.0]
    assert table["correction"].tolist() == [0, 0, 1, 0]
    assert np.isnan(table["value"].iloc[3])


def test_a_correction_says_which_reading_it_is_of():
    first, second, third = (
        {**row(value, point=point), "number": point + 1} for point, value in enumerate((4.4, 12.2, 20.2))
    )
    lines = [
        *({"kind": "reading", **each} for each in (first, second, third)),
        {"kind": "correction", "tap": "output", "signal": 4.0, "raw": "4.0", "number": 1, "attempt": 1, "reading": 1},
        {"kind": "correction", "tap": "output", "signal": 4.1, "raw": "4.1", "number": 1, "attempt": 1, "reading": 1},
        {"kind": "correction", "tap": "output", "signal": 20.0, "raw": "20.0"},  # of a journal that does not say
    ]
    table = from_lines(lines, SHEET)
    shown = list(table[["number", "correction", "value"]].itertuples(index=False, name=None))
    assert shown == [(1, 0, 4.4), (2, 0, 12.2), (3, 0, 20.2), (1, 1, 4.0), (1, 2, 4.1), (3, 1, 20.0)]


@pytest.mark.parametrize("name", ["step", "cycle", "point", "attempt", "reading"])
def test_no_reading_that_has_no_place_is_left_out_without_a_word(name):
    table = tidy([row(4.0), row(12.0, point=1) | {name: None}, row(20.0, point=2)])
    with pytest.raises(ReadingsError, match=f"1 reading of 3 without {name}") as refused:
        valid_rows(table)
    assert refused.value.where == "row 2 of the table first"
    with pytest.raises(ReadingsError, match="without"):
        grid(table)
