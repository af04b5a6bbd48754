"""A column of times in a table taken by hand: seconds since the first reading, or an error that names the line.

The seconds are counted by hand from what is written.
"""

import numpy as np
import pytest

from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import ReadingsError
from sequencer.diagnosis.model.series import series_of
from sequencer.readings.csv_import import from_csv

SHEET = DataSheet(
    type="x",
    taps=(Tap(name="input", low=0, high=1000, unit="Hz"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="unit"),),
)


@pytest.fixture
def timed(tmp_path):
    def read(heading, *times):
        rows = [f"{time};{250 * at};{4 + 4 * at}" for at, time in enumerate(times)]
        path = tmp_path / "hand.csv"
        path.write_text("\n".join([f"{heading};input [Hz];output [mA]", *rows]) + "\n", encoding="utf-8")
        return from_csv(path, SHEET)

    return read


def seconds(table):
    return table.loc[table["tap"] == "output", "at_s"].tolist()


@pytest.mark.parametrize(
    ("heading", "times", "expected"),
    [
        pytest.param("time [s]", ("5", "35,5", "65"), [0, 30.5, 60], id="seconds, not from zero"),
        pytest.param("Time (min)", ("0", "0.5", "2"), [0, 30, 120], id="minutes"),
        pytest.param("time, h", ("0", "0,25", "1"), [0, 900, 3600], id="hours"),
        pytest.param("t [s]", ("0", "10", "20"), [0, 10, 20], id="t with its unit"),
        pytest.param("time", ("0 s", "90 s", "2 min"), [0, 90, 120], id="units in the cells"),
        pytest.param("time", ("9:58", "10:00", "10:03"), [0, 120, 300], id="hours and minutes"),
        pytest.param("Uhrzeit", ("10:32:05", "10:32:10,5", "10:33:05"), [0, 5.5, 60], id="with seconds"),
        pytest.param("time", ("23:58", "00:01", "0:02:30"), [0, 180, 270], id="past midnight"),
        pytest.param("time [min:s]", ("0:00", "0:45", "61:00"), [0, 45, 3660], id="stopwatch"),
        pytest.param("date/time", ("2026-01-05T10:32:05", "2026-01-05 10:33", "2026-01-06T10:33"),
                     [0, 55, 86_455], id="ISO"),
        pytest.param("timestamp", ("2026-01-05T10:32:05+01:00", "2026-01-05T09:32:15Z", "2026-01-05T09:32:25Z"),
                     [0, 10, 20], id="ISO with zones"),
        pytest.param("time", ("5.1.2026 10:32", "05.01.2026 10:33", "31.01.2026 10:32:30"),
                     [0, 60, 26 * 86_400 + 30], id="dates with points"),
    ],
)  # fmt: skip
def test_times_are_seconds_since_the_first_reading(timed, heading, times, expected):
    table = timed(heading, *times)
    assert seconds(table) == pytest.approx(expected, abs=1e-6)
    series = series_of(table, SHEET)
    assert series.has_times
    assert series.at_s == pytest.approx(expected, abs=1e-6)
    assert set(table["note"]) == {""}


@pytest.mark.parametrize(
    ("heading", "times", "line", "says"),
    [
        pytest.param("time", ("0", "10", "20"), 1, "seconds or minutes", id="numbers without a unit"),
        pytest.param("time [mA]", ("0", "10", "20"), 1, "seconds or minutes", id="no unit of time"),
        pytest.param("time", ("10:00", "10:02", "10:02"), 4, 'time "10:02" is that of the row above', id="twice"),
        pytest.param("time", ("10:00", "9:58", "10:02"), 3, 'lies before that of the row above, "10:00"', id="falling"),
        pytest.param("time [s]", ("0", "20", "10"), 4, "lies before", id="falling seconds"),
        pytest.param("time", ("10:00", "10:61", "10:02"), 3, '"10:61" under "time" is not a time', id="61 minutes"),
        pytest.param("time", ("morning", "10:01", "10:02"), 2, "is not a time", id="a word"),
        pytest.param("time", ("10:00", "2026-01-05 10:02", "10:04"), 3, "those above are of day", id="two ways"),
        pytest.param("time", ("2026-02-30 10:00", "2026-03-01 10:02", ""), 2, "is not a time", id="no such day"),
    ],
)
def test_a_time_that_cannot_be_is_refused_with_its_line(timed, heading, times, line, says):
    with pytest.raises(ReadingsError, match=says) as refused:
        timed(heading, *times)
    assert refused.value.where.endswith(f"hand.csv:{line}")
    assert refused.value.others == ()
    assert refused.value.todo


def test_a_missing_time_is_remarked_and_the_others_are_not_taken_for_time(timed):
    table = timed("time", "10:00", "", "10:04")
    assert seconds(table) == pytest.approx([0, np.nan, 240], nan_ok=True)
    (note,) = [note for note in table["note"] if note]
    assert note.startswith("line 3: no time here")
    assert not series_of(table, SHEET).has_times


@pytest.mark.parametrize("heading", ["time", "t [degC]", "times read"])
def test_an_empty_column_or_one_of_something_else_gives_no_times(timed, heading):
    table = timed(heading, *(["", "", ""] if heading == "time" else ["20", "21", "20"]))
    assert np.isnan(seconds(table)).all()
    # A column of numbers that is not read is named; an empty one says nothing.
    named = f'not read: column "{heading}"'
    assert set(table["note"]) == ({""} if heading == "time" else {"", named})
