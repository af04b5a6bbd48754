"""Traverses below each other under a title each; columns that may be either of two things, typed back as shown."""

import re

import pytest

from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import ReadingsError
from sequencer.readings.csv_import import read_table

SHEET = DataSheet(
    type="x",
    taps=(Tap(name="input", low=0, high=1000, unit="Hz"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="unit"),),
)
UP, DOWN = "0;4.0\n500;12.0\n1000;20.0\n", "1000;20.1\n500;12.1\n0;4.1\n"
# Written down by hand, as the two tables above have them.
UP_AND_DOWN = [
    ("up", 0, 4.0),
    ("up", 500, 12.0),
    ("up", 1000, 20.0),
    ("down", 1000, 20.1),
    ("down", 500, 12.1),
    ("down", 0, 4.1),
]


@pytest.fixture
def read(tmp_path):
    def found(text):
        path = tmp_path / "hand.csv"
        path.write_text(text, encoding="utf-8")
        return read_table(path, SHEET)

    return found


def visits(found):
    inputs, outputs = (found.table[found.table["tap"] == tap] for tap in ("input", "output"))
    return list(zip(outputs["direction"], inputs["value"], outputs["value"], strict=True))


@pytest.mark.parametrize(
    ("up", "down"),
    [("aufsteigend", "absteigend"), ("Upscale:", "Downscale:"), ("Run 1 up", "Run 2 down"), ("Montée", "Descente"),
     ("salita", "discesa"), ("op", "neer")],
)  # fmt: skip
@pytest.mark.parametrize(
    "form",
    [
        "Protocol 7\n{up};\nSoll Hz;Ist mA\n{ups};\n{down};\n{downs}",
        "input [Hz];output [mA]\n{up}\n{ups}\n{down}\n{downs}",
        "{up}\ninput [Hz];output [mA]\n{ups}\n\n{down}\ninput [Hz];output [mA]\n{downs}Checked by A. Cellarman\n",
        "{up}\ninput;output\nHz;mA\n{ups}\n{down}\ninput;output\nHz;mA\n{downs}",
    ],
)
def test_a_title_above_rows_is_their_direction(read, form, up, down):
    found = read(form.format(up=up, down=down, ups=UP, downs=DOWN))
    assert visits(found) == UP_AND_DOWN
    assert re.search(
        rf'rows below "{up}" of line \d+ = upscale, rows below "{down}" of line \d+ = down', found.understood
    )


def test_titles_tell_the_direction_where_the_order_of_the_rows_does_not(read):
    found = read(f"input [Hz];output [mA]\nup\n{UP}down\n0;4.1\n500;12.1\n1000;20.1\n")
    assert [each for each, _, _ in visits(found)] == ["up"] * 3 + ["down"] * 3


@pytest.mark.parametrize("above", ["", "down\n"])
def test_rows_above_the_first_title_are_refused_with_what_to_write(read, above):
    text = f"input [Hz];output [mA]\n{UP}{above}{DOWN}down\n{DOWN}"
    with pytest.raises(ReadingsError, match="nothing like it above those before") as wrong:
        read(text)
    assert wrong.value.where.endswith(f":{text[: text.index('down')].count(chr(10)) + 1}")
    assert 'write "up" or "down" in a line above' in wrong.value.todo
    assert visits(read(f"input [Hz];output [mA]\nup\n{UP}down\n{DOWN}")) == UP_AND_DOWN


@pytest.mark.parametrize(
    ("one", "other"),
    [("Meter 1 mA", "Meter 2 mA"), ("Run 1 mA", "Run 2 mA"), ("Output mA", "Output mA"), ("A [mA]", "B [mA]")],
)
def test_two_columns_of_one_unit_are_named_with_all_that_they_may_be(read, one, other):
    rows = "0;4.0;4.1\n500;12.0;12.1\n1000;20.0;20.1\n"
    with pytest.raises(ReadingsError) as wrong:
        read(f"Input Hz;{one};{other}\n{rows}")
    todo = wrong.value.todo
    assert todo.startswith(f'columns 2 and 3 ("{one}", "{other}") may each be output')
    single, note, *ways = re.findall('"([^"]+)"', todo.partition(": ")[2])[:6]
    assert visits(read(f"Input Hz;{single};{note}\n{rows}")) == [("up", x, y) for _, x, y in UP_AND_DOWN[:3]]
    traverses, runs = (read(f"Input Hz;{a};{b}\n{rows}") for a, b in (ways[:2], ways[2:]))
    assert visits(traverses) == UP_AND_DOWN
    assert runs.table[runs.table["tap"] == "output"]["cycle"].tolist() == [1, 1, 1, 2, 2, 2]


@pytest.mark.parametrize("heading", ["Tijd", "Heure", "Hora", "Ora", "Uhrzeit", "time"])
def test_a_column_of_times_is_read_and_named(read, heading):
    found = read(f"{heading};input [Hz];output [mA]\n10:00;0;4\n10:04;500;12\n10:09;1000;20\n")
    assert f'column 1 "{heading}" = time' in found.understood
    # 4 and 9 minutes after the first.
    assert found.table[found.table["tap"] == "output"]["at_s"].tolist() == [0, 240, 540]
