"""Readings taken by hand, as people write them: the same table whatever the shape, or an error that names the line."""

import re
from pathlib import Path

import numpy as np
import pytest

from instruments.datasheet import Characteristic, DataSheet, Stage, Tap
from instruments.errors import ReadingsError
from sequencer import core
from sequencer.readings.csv_import import from_csv

TYPES = Path(__file__).parents[2] / "sequences" / "types"

SHEET = DataSheet(
    type="x",
    taps=(Tap(name="input", low=0, high=1000, unit="Hz"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="unit"),),
)
PLAIN = "input [Hz],output [mA]\n0,4.0\n500,12.0\n1000,20.0\n500,12.1\n0,4.1\n"


@pytest.fixture
def table(tmp_path):
    def read(text, sheet=SHEET):
        path = tmp_path / "hand.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return from_csv(path, sheet, serial="GF-104")

    return read


def visits(found, tap="output"):
    columns = ["cycle", "direction", "point", "role", "value"]
    return [tuple(each) for each in found[found["tap"] == tap][columns].itertuples(index=False)]


UP_AND_DOWN = [
    (1, "up", 0, "reading", 4.0),
    (1, "up", 1, "reading", 12.0),
    (1, "up", 2, "reading", 20.0),
    (1, "down", 1, "reading", 12.1),
    (1, "down", 0, "reading", 4.1),
]


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(PLAIN, id="plain"),
        pytest.param(PLAIN.replace("\n", "\r\n"), id="CRLF"),
        pytest.param(PLAIN.replace("\n", "\r"), id="CR"),
        pytest.param(b"\xef\xbb\xbf" + PLAIN.encode(), id="BOM"),
        pytest.param(PLAIN.encode("utf-16"), id="UTF-16"),
        pytest.param(PLAIN.replace(",", ";"), id="semicolons"),
        pytest.param(PLAIN.replace(",", "\t"), id="tabs"),
        pytest.param(PLAIN.replace(",", ";").replace(".", ","), id="decimal comma"),
        pytest.param(PLAIN.replace(",", "\t").replace(".", ","), id="tabs and decimal comma"),
        pytest.param(PLAIN.replace("input [Hz],output [mA]", '"input [Hz]","output [mA]"'), id="quoted header"),
        pytest.param(PLAIN.replace("input [Hz]", "injected (Hz)").replace("output [mA]", "returned (mA)"), id="words"),
        pytest.param(PLAIN.replace("input [Hz]", " INPUT  [ Hz ] ").replace("output [mA]", "Output[mA]"), id="blanks"),
        pytest.param(PLAIN.replace("input [Hz],output [mA]", "input,output"), id="units of the type sheet"),
        pytest.param(PLAIN.replace("input [Hz],output [mA]", "input\toutput, mA").replace(",1", "\t1").replace(
            ",2", "\t2").replace(",4", "\t4"), id="unit after a comma between tabs"),
        pytest.param("# taken on Tuesday\n\n" + PLAIN + ",,\n\n   \n# end\n", id="remarks and blank rows"),
        pytest.param("a,output [mA],b,input [Hz],remark\n1,4.0,,0,\n2,12.0,,500,cold\n,20.0,,1000,\n,12.1,,500,\n"
                     ",4.1,,0,x", id="columns in another order, others beside them"),
        pytest.param(PLAIN.replace("output [mA]", "output [A]").replace("4.0", "4e-3").replace("12.0", "12e-3").replace(
            "20.0", "0.020").replace("12.1", ".0121").replace("4.1", "0.0041"), id="amperes"),
        pytest.param(PLAIN.replace("12.0", "12.0 mA").replace("20.0", "0.02 A").replace(",4.1", ",4100 uA"), id="uA"),
        pytest.param(PLAIN.replace("1000,", "1.0 kHz,"), id="kilohertz in a cell"),
        pytest.param(PLAIN.replace("4.0", "4.0\0").replace("input", "in\0put"), id="NUL bytes"),
        pytest.param(PLAIN.replace("4.0", "+4.0").replace("12.0", "12."), id="signs and bare points"),
    ],
)  # fmt: skip
def test_the_same_readings_in_any_shape_are_the_same_table(table, text):
    found = table(text)
    expected = [(*place, pytest.approx(value, rel=1e-12)) for *place, value in UP_AND_DOWN]
    assert visits(found) == expected
    assert [each[-1] for each in visits(found, "input")] == pytest.approx([0, 500, 1000, 500, 0])
    assert set(found["settling"]) == {"by the operator"}
    assert set(found["serial"]) == {"GF-104"}


def test_a_heading_of_windows_keeps_its_degree_sign(table):
    sheet = DataSheet(
        type="x",
        taps=(Tap(name="input", low=0, high=100, unit="°C"), SHEET.taps[1]),
        stages=(Stage(name="unit"),),
    )
    found = table("input [°C];output [mA]\n0;4\n100;20".encode("cp1252"), sheet)
    assert [each[-1] for each in visits(found, "input")] == [0, 100]


@pytest.mark.parametrize(
    ("text", "says", "line"),
    [
        ("", "holds no readings", None),
        ("input,output\n", "holds no readings", None),
        ("input [Hz],output [mA]\n,\n,\n", "holds no readings", None),
        ("input [Hz],output [mA]\n-,--\n", "holds no number", 1),
        (PLAIN.replace("12.0", "twelve"), '"twelve.*" is not a number', 3),
        (PLAIN.replace("12.0", "12 V"), "is not in mA", 3),
        (PLAIN.replace("12.0", "1.2.3"), "not a number", 3),
        (PLAIN.replace("12.0", "nan"), "not a number", 3),
        (PLAIN.replace("12.0", "inf"), "not a number", 3),
        (PLAIN.replace("12.0", "1e999"), "too large a number", 3),
        (PLAIN.replace("12.0", "9" * 5000), "not a number", 3),
        (PLAIN.replace("12.0", "=B2*2"), "a formula without its value", 3),
        (PLAIN.replace("[Hz]", "[mV]"), "mV is not a unit of Hz", 1),
        (PLAIN.replace("[mA]", "[V]"), "V is not a unit of mA", 1),
        (PLAIN.replace("[mA]", "[furlongs]"), '"furlongs" is not a unit .heading "output .furlongs."', 1),
        (PLAIN.replace("input", "inptu"), 'write "input"', 1),
        (PLAIN.replace("output [mA]", "supply current [mA]"), "no column for output", 1),
        ("0,4\n500,12\n", "no column for input and output", 1),
        ("input [Hz],0,500,1000\noutput [mA],4,12,20\n", "no column for output", 1),
        (PLAIN.replace("500,12.0", ",12.0"), 'no value at "input"', 3),
        ("direction,input,output\nup,0,4\nsideways,500,12\n", '"sideways" is no direction', 3),
        ("direction,input,output\nup,0,4\n,500,12\n", '"" is no direction', 3),
        ("cycle,input,output\n1,0,4\none,500,12\n", '"one" is no cycle', 3),
        ("cycle,input,output\n1,0,4\n²,500,12\n", '"²" is no cycle', 3),
        (PLAIN + "x" * 30_000, "is too long a line", 7),
        ("input,output\n" + "1,4\n" * 20_001, "has too many rows", None),
    ],
)
def test_what_cannot_be_read_is_an_error_with_its_line(table, text, says, line):
    with pytest.raises(ReadingsError, match=says) as wrong:
        table(text)
    assert wrong.value.exit_code == 2
    assert wrong.value.where.endswith(f"hand.csv:{line}" if line else "hand.csv")


def test_a_file_that_is_not_there_or_is_a_folder_is_an_error(tmp_path):
    with pytest.raises(ReadingsError, match="cannot be read"):
        from_csv(tmp_path / "none.csv", SHEET)
    with pytest.raises(ReadingsError, match="cannot be read"):
        from_csv(tmp_path, SHEET)


@pytest.mark.parametrize("cell", ["", "-", "--", "\N{EN DASH}"])
def test_a_missing_output_is_kept_as_not_read(table, cell):
    found = table(PLAIN.replace("12.1", cell))
    assert set(found["note"]) == {"", "empty"}
    assert np.isnan(visits(found)[3][-1])
    assert found["note"].tolist()[7] == "empty"


def inputs(*values):
    return "input,output\n" + "".join(f"{value},{4 + 0.016 * value}\n" for value in values)


def places(found):
    return [(cycle, direction, role) for cycle, direction, _, role, _ in visits(found)]


def test_three_cycles_of_three_points_are_three_cycles(table):
    cycles = [cycle for cycle, *_ in visits(table(inputs(0, *(500, 1000, 500, 0) * 3)))]
    assert cycles == [1] * 5 + [2] * 4 + [3] * 4


def test_three_cycles_of_two_points_are_three_cycles(table):
    found = visits(table(inputs(0, 1000, 0, 1000, 0, 1000, 0)))
    assert [(cycle, direction) for cycle, direction, *_ in found] == [
        (1, "up"), (1, "up"), (1, "down"), (2, "up"), (2, "down"), (3, "up"), (3, "down")]  # fmt: skip


def test_a_second_reading_at_an_end_is_an_end_pair_of_its_cycle(table):
    found = places(table(inputs(0, 500, 1000, 1000, 500, 0, 0, 500, 1000, 1001, 500, 1, 0)))
    assert found[3] == (1, "down", "end pair")
    assert found[6] == (1, "up", "end pair")
    assert found[9] == (2, "down", "end pair")
    assert found[12] == (2, "up", "end pair")
    assert [role for _, _, role in found].count("end pair") == 4


def test_a_point_read_several_times_is_one_point_with_several_readings(table):
    found = table(inputs(0, 0.4, 500, 501, 500, 1000))
    assert found[found["tap"] == "output"]["reading"].tolist() == [1, 2, 1, 2, 3, 1]
    assert {direction for _, direction, *_ in visits(found)} == {"up"}


def test_a_start_in_the_middle_is_a_part_of_the_first_upscale_traverse(table):
    found = visits(table(inputs(500, 1000, 500, 0, 500)))
    assert [(cycle, direction) for cycle, direction, *_ in found] == [
        (1, "up"), (1, "up"), (1, "down"), (1, "down"), (2, "up")]  # fmt: skip


def test_downscale_only_is_downscale(table):
    assert {direction for _, direction, *_ in visits(table(inputs(1000, 500, 0)))} == {"down"}


def test_an_order_without_traverses_tells_no_direction(table):
    found = visits(table(inputs(300, 900, 100, 700, 0, 1000, 200, 800, 400, 600, 300, 900)))
    assert {direction for _, direction, *_ in found} == {""}
    assert [cycle for cycle, *_ in found] == [1] * 10 + [2] * 2  # 300 and 900 came up twice


@pytest.mark.parametrize(
    ("up", "down"),
    [("up", "down"), ("u", "d"), ("Auf", "Ab"), ("steigend", "fallend"), ("rising", "falling"), ("+", "-"),
     ("+", "\N{MINUS SIGN}"), ("\N{UPWARDS ARROW}", "\N{DOWNWARDS ARROW}"), ("upscale", "downscale"),
     # Common practice, no source; the words of dictionaries, from memory.
     ("montée", "descente"), ("Montante", "Descendante"), ("subida", "bajada"), ("salita", "discesa"), ("op", "neer"),
     ("oplopend", "aflopend"), ("aufsteigend", "absteigend"), ("aufwärts", "abwärts"), ("ascendente", "descendente")],
)  # fmt: skip
@pytest.mark.parametrize("heading", ["direction", "Richtung", "Sens", "Sentido", "Direzione", "Richting"])
def test_directions_are_taken_in_the_words_and_signs_people_use(table, heading, up, down):
    found = table(f"{heading};input;output\n{up};0;4\n{up};1000;20\n{down};1000;20.1\n{down};0;4.1\n")
    assert [each[:3] for each in visits(found)] == [(1, "up", 0), (1, "up", 1), (1, "down", 1), (1, "down", 0)]


def test_words_that_are_no_direction_are_refused_once_for_the_column(table):
    rows = "".join(f"{'left' if at % 200 else 'right'};{at};{4 + at / 62.5}\n" for at in range(0, 1000, 100))
    rows += "".join(f"{word};1000;20\n" for word in ("left", "right", "left"))
    with pytest.raises(ReadingsError, match=r'"right", "left" are no directions \(13 rows\)') as wrong:
        table(f"direction;input;output\n{rows}")
    assert not wrong.value.others
    assert wrong.value.where.endswith(":2")


def test_a_minus_without_a_plus_is_no_direction(table):
    with pytest.raises(ReadingsError, match='"-" is no direction'):
        table("direction;input;output\nup;0;4\n-;1000;20\n")


@pytest.mark.parametrize("words", [("in", "out"), ("Eingang", "Ausgang"), ("set", "read")])
def test_headings_are_taken_in_other_words(table, words):
    one, other = words
    found = table(PLAIN.replace("input", one).replace("output", other))
    assert visits(found) == UP_AND_DOWN


CHAIN = DataSheet(
    type="x",
    taps=(
        Tap(name="speed", low=0, high=3000, unit="rpm"),
        Tap(name="pulse", low=0, high=1000, unit="Hz"),
        Tap(name="output", low=4, high=20, unit="mA"),
    ),
    stages=(Stage(name="pickup"), Stage(name="converter")),
)


@pytest.mark.parametrize("unit", ["1/min", "/min", "min-1", "min\u207b\u00b9", "U/min", "r/min", "rev/min", "rpm"])
def test_a_speed_per_minute_is_one_in_rpm(table, unit):
    found = table(f"speed [{unit}];output [mA]\n0;4\n1 500;12\n3000 {unit};20\n", CHAIN)
    assert [each[-1] for each in visits(found, "speed")] == pytest.approx([0, 1500, 3000])


def test_per_minute_at_a_rate_of_pulses_is_not_guessed_at(table):
    # 3000 1/min may be 50 Hz, or a speed of 3000 rpm
    with pytest.raises(ReadingsError, match="1/min may be a speed here, or pulses per minute") as refused:
        table("input [1/min];output [mA]\n0;4\n3000;12\n")
    assert refused.value.others == ()


def test_a_percentage_is_one_of_the_range_of_the_tap(table):
    found = table("input [%];output [%]\n0;0,5\n50;50\n100 %;12 mA\n".replace("12 mA", "99,5"))
    assert [each[-1] for each in visits(found, "input")] == pytest.approx([0, 500, 1000])
    # 4 + 16 * 0.005 mA, 4 + 16 * 0.5 mA, 4 + 16 * 0.995 mA
    assert [each[-1] for each in visits(found)] == pytest.approx([4.08, 12.0, 19.92])
    mixed = table(PLAIN.replace("12.0", "50 %"))
    assert [each[-1] for each in visits(mixed)] == pytest.approx([4.0, 12.0, 20.0, 12.1, 4.1])


def test_a_percentage_of_a_tap_in_percent_is_its_value(table):
    sheet = DataSheet(
        type="x", taps=(Tap(name="input", low=20, high=80, unit="%"), SHEET.taps[1]), stages=(Stage(name="unit"),)
    )
    found = table("input [%];output [mA]\n20;4\n50;12\n80;20\n", sheet)
    assert [each[-1] for each in visits(found, "input")] == pytest.approx([20, 50, 80])


@pytest.mark.parametrize(
    "between", [" ", "\N{THIN SPACE}", "\N{NO-BREAK SPACE}", "\N{NARROW NO-BREAK SPACE}", "'", "\u2019"]
)
def test_thousands_may_be_divided(table, between):
    rows = "\n".join([f"0;4{between}000,5", f"12{between}050;12{between}001", f"24{between}000 mHz;20{between}000"])
    found = table(f"input [mHz];output [uA]\n{rows}\n")
    assert [each[-1] for each in visits(found, "input")] == pytest.approx([0, 12.05, 24.0])
    assert [each[-1] for each in visits(found)] == pytest.approx([4.0005, 12.001, 20.0])


def test_a_column_of_directions_is_believed_also_where_the_rows_are_sorted_by_input(table):
    rows = "".join(f"{x},{4 + 0.016 * x},{way}\n" for x in (0, 250, 500, 750, 1000) for way in ("up", "down", "u", "D"))
    found = visits(table("input,output,direction\n" + rows))
    assert [(cycle, direction) for cycle, direction, *_ in found[:4]] == [
        (1, "up"),
        (1, "down"),
        (2, "up"),
        (2, "down"),
    ]
    assert {cycle for cycle, *_ in found} == {1, 2}


def test_columns_of_direction_and_cycle_are_believed(table):
    found = visits(table("cycle,direction,input,output\n7,falling,500,12\n7,rising,0,4\n8,downscale,0,4\n"))
    assert [(cycle, direction) for cycle, direction, *_ in found] == [(7, "down"), (7, "up"), (8, "down")]


def test_0_and_1_percent_of_a_square_root_are_two_points(table):
    sheet = DataSheet(
        type="x",
        taps=(Tap(name="input", low=0, high=250, unit="mbar"), SHEET.taps[1]),
        stages=(Stage(name="unit", characteristic=Characteristic(kind="square root")),),
    )
    found = table("input,output\n0.05,4\n2.45,5.6\n10.1,7.2\n250,20\n9.9,7.2\n2.55,5.6\n0,4\n", sheet)
    assert [point for _, _, point, _, _ in visits(found)] == [0, 1, 2, 3, 2, 1, 0]


def test_a_table_of_a_run_that_was_altered_is_refused(table, tmp_path):
    good = table(PLAIN)
    path = tmp_path / "run.csv"
    for column, value, says in (
        ("cycle", None, "has no cycle in 10 rows"),
        ("direction", "sideways", "has no direction in 10 rows"),
        ("role", "", "has no role in 10 rows"),
        ("value", "much", "but not its contents"),
        ("cycle", "1.5", "but not its contents"),
        ("point", "1e300", "but not its contents"),
    ):
        altered = good.astype(object)
        altered[column] = value
        altered.to_csv(path, index=False)
        with pytest.raises(ReadingsError, match=says):
            from_csv(path, SHEET)


@pytest.mark.parametrize("cell", ["OL", "O.L", "-OL", "over", "Overload", "---", "----", "–––", "err", "Error", "n/a"])
def test_a_word_of_a_display_is_a_reading_that_was_not_there_and_is_remarked(table, cell):
    found = table(PLAIN.replace("12.1", cell))
    assert np.isnan(visits(found)[3][-1])
    assert [each[-1] for each in visits(found)[:3]] == [4.0, 12.0, 20.0]
    (note,) = [note for note in found["note"] if note not in {"", "empty"}]
    assert note == f'line 5: "{cell}" at output taken for no reading'


@pytest.mark.parametrize("cell", ["high", "OLD", "overdone", "?", "8,O5"])
def test_a_text_that_is_nothing_known_is_an_error_with_line_and_column(table, cell):
    with pytest.raises(ReadingsError, match=f'"{re.escape(cell)}.*column "output .mA.".') as wrong:
        table(PLAIN.replace(",", ";").replace("12.1", cell))
    assert wrong.value.where.endswith(":5")


def test_an_input_that_was_not_read_leaves_nothing_to_expect(table):
    with pytest.raises(ReadingsError, match='no value at "input"') as refused:
        table(PLAIN.replace("500,12.1", "OL,12.1"))
    assert refused.value.where.endswith(":5")


def test_a_decimal_comma_between_commas_is_refused_with_its_line(table):
    with pytest.raises(ReadingsError, match="3 cells under 2 headings") as refused:
        table("injected [Hz],returned [mA]\n0,4,31\n500,12,31\n1000,20,31\n")
    assert refused.value.where.endswith(":2")
    assert "semicolons" in refused.value.todo


def test_the_errors_of_a_table_come_at_once_with_their_lines(table):
    rows = ("up,1,0,four", "up,1,250,8.0", "aside,1,500,12.0", "up,one,750,16 V", "up,1,,20")
    text = "\n".join(["direction,cycle,input [Hz],output [mA]", *rows])
    with pytest.raises(ReadingsError) as refused:
        table(text)
    every = [refused.value, *refused.value.others]
    assert [each.where.rsplit(":", 1)[1] for each in every] == ["2", "4", "5", "5", "6"]


@pytest.mark.parametrize("unit", ["V", "bananas", "Grad C"])
@pytest.mark.parametrize(("own", "units"), [("[Hz]", "Hz, kHz, % of the range"), ("[mA]", "mA, A, % of the range")])
def test_a_wrong_unit_in_the_heading_is_one_error_that_names_it_and_the_units_that_do(table, own, units, unit):
    with pytest.raises(ReadingsError, match=f"heading .*{unit}") as refused:
        table(PLAIN.replace(own, f"[{unit}]"))
    assert refused.value.where.endswith(":1")
    assert refused.value.allowed == units
    assert refused.value.others == ()


@pytest.mark.parametrize(
    ("own", "unit", "is_hinted"),
    [("[mA]", "mV", True), ("[mA]", "V", True), ("[mA]", "Hz", False), ("[Hz]", "mV", False)],
)
def test_volts_at_a_current_are_refused_with_a_hint_at_the_shunt(table, own, unit, is_hinted):
    with pytest.raises(ReadingsError) as refused:
        table(PLAIN.replace(own, f"[{unit}]"))
    assert ("correction: {shunt: 250 ohm," in refused.value.todo) == is_hinted


def test_two_wrong_headings_are_two_errors(table):
    with pytest.raises(ReadingsError, match="bananas") as refused:
        table(PLAIN.replace("[Hz]", "[bananas]").replace("[mA]", "[V]"))
    (other,) = refused.value.others
    assert other.what == 'V is not a unit of mA (heading "output [V]")'


LEVELS = {0: 4.0, 250: 8.0, 500: 12.0, 750: 16.0, 1000: 20.0}


def slipped(changes=(), *, order=(0, 250, 500, 750, 1000, 750, 500, 250, 0), header="input [Hz];output [mA]"):
    """A table of a good unit, 3 uA off, with some cells replaced: by row from 1, the whole row."""
    rows = [f"{x};{LEVELS[x] + 0.003:.3f}" for x in order]
    for number, row in dict(changes).items():
        rows[number - 1] = row
    return "\n".join([header, *rows]) + "\n"


def test_decimal_marks_that_are_mixed_are_questioned(table):
    notes = table(slipped({3: "500;12,003"}))["note"]
    (note,) = [note for note in notes if note.startswith("line")]  # what was paired is another remark
    assert note.startswith("line 4: decimal comma and decimal point are mixed at output (here a comma)")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({3: "500;1.2003"}, 'decimal slip, line 4, column "output [mA]": 1.2003 mA was written, 12.003 mA fits'),
        ({3: "500;21.003"}, 'transposed digits, line 4, column "output [mA]": 21.003 mA was written, 12.003 mA fits'),
        ({3: "500;16.003", 4: "750;12.003"}, 'swapped rows, line 4, column "output [mA]"'),
        ({4: "750;12.003"}, 'copied reading, line 5, column "output [mA]": 12.003 mA is the reading before'),
        ({3: "500;-12.003"}, 'sign lost, line 4, column "output [mA]": -12.003 mA was written, 12.003 mA fits'),
        ({3: "5000;12.003"}, 'line 4, column "input [Hz]": 5000 Hz was written, 500 Hz fits'),
        ({4: "570;16.003"}, 'transposed digits, line 5, column "input [Hz]": 570 Hz was written, 750 Hz fits'),
        ({3: "500;17.403"}, 'stray reading, line 4, column "output [mA]": 17.403 mA, the others make it about 12 mA'),
    ],
)
def test_one_judge_tells_a_slip_in_a_table_and_nothing_is_changed(tmp_path, table, changes, says):
    (tmp_path / "hand.csv").write_text(slipped(changes), encoding="utf-8")
    found = core.by_hand(tmp_path / "hand.csv", TYPES / "pulse-to-current.yaml")
    assert says in found.findings.cause
    assert not [each for each in found.remarks if each.startswith("line")]  # the account says it, once
    rows = slipped(changes).splitlines()[1:]
    values = table(slipped(changes)).query("tap == 'output'")["value"]
    assert list(values) == [float(row.split(";")[1]) for row in rows]


@pytest.mark.parametrize(
    "output_mA",
    [
        pytest.param(lambda mA: 4 + 1.02 * (mA - 4), id="span"),  # 15.424 mA at 70 % is near 15.242 mA
        pytest.param(lambda mA: 24 - mA, id="reversed"),
        pytest.param(lambda mA: 4 + 0.946 * (mA - 4), id="slow"),  # 19.136 mA at 100 % is near 19.316 mA
    ],
)
def test_right_readings_of_a_wrong_unit_are_no_slips(tmp_path, output_mA):
    order = [*range(0, 1001, 100), *range(900, -1, -100)]
    rows = [f"{x};{output_mA(4 + 0.016 * x):.3f}" for x in order]
    (tmp_path / "hand.csv").write_text("\n".join(["input [Hz];output [mA]", *rows]), encoding="utf-8")
    found = core.by_hand(tmp_path / "hand.csv", TYPES / "pulse-to-current.yaml")
    assert found.findings.is_fault
    assert not [each for each in found.remarks if each.startswith("line")]


def test_a_setpoint_that_contradicts_the_input_is_questioned(table):
    text = "setpoint;input [Hz];output [mA]\n0 %;0;4.0\n25 %;250;8.0\n50 %;750;16.0\n75;750;16.0\n100;1000;20.0\n"
    (note,) = [note for note in table(text)["note"] if note]
    assert note == "line 4: 750 Hz at input is 75 % of the range, but the setpoint is 50 %: which is right?"
    in_hertz = text.replace(" %", "").replace("\n25;", "\n250;").replace("\n50;", "\n500;").replace("\n75;", "\n750;")
    (note,) = [note for note in table(in_hertz.replace("\n100;", "\n1000;"))["note"] if note]
    assert "but the setpoint is 500 Hz" in note


def test_many_of_a_kind_are_told_once(table):
    off = "setpoint;input;output\n" + "".join(f"{x / 10 + 5 * (x < 800)};{x};{y}\n" for x, y in LEVELS.items())
    rows = "".join(f"{x / 10};{x};{y}\n" for x, y in LEVELS.items())
    (note,) = [note for note in table(off + rows)["note"] if note.startswith("line")]
    assert note.endswith("So in 3 more lines, to line 5.")


@pytest.mark.parametrize(
    ("heading", "columns"),
    [
        ("injected [Hz],returned [mA],returned [mA]", "returned [mA], returned [mA]"),
        ("injected [Hz],returned [mA],returned 2 [mA]", "returned [mA], returned 2 [mA]"),
        ("injected [Hz],output [mA],returned [mA]", "output [mA], returned [mA]"),
        ("injected [Hz],returned [V],output [mA]", "returned [V], output [mA]"),
    ],
)
def test_a_second_column_of_a_tap_is_refused_and_not_left_out(table, heading, columns):
    # The second one reads 12.5 mA where 12 mA is due: left out, a unit that is 3 % off passed.
    with pytest.raises(ReadingsError) as caught:
        table(f"{heading}\n0,4,4\n500,12,12.5\n1000,20,20\n")
    assert caught.value.what == f"2 columns for output: {columns}"
    assert "a row of its own" in caught.value.todo


def test_a_column_of_numbers_that_is_no_taps_is_named(table):
    found = table("injected [Hz],returned [mA],check [mA],remark\n0,4,4,7\n500,12,12.5,\n1000,20,20,\n")
    assert 'not read: column "check [mA]"' in "; ".join(found["note"])
    plain = table("injected [Hz],returned [mA],who,remark\n0,4,A. Brewer,7\n500,12,,\n")
    assert "not read" not in "; ".join(plain["note"])


@pytest.mark.parametrize(
    ("cell", "shown"), [("1\0002.0", "12.0"), ("12\0.0", "12.0"), ("12.\0\0000", "12.0"), ("-\00012.0", "-12.0")]
)
def test_a_nul_inside_a_number_is_an_error_and_no_other_number(table, cell, shown):
    assert cell.replace("\0", "") == shown
    with pytest.raises(ReadingsError, match="holds a NUL byte inside a number") as wrong:
        table(PLAIN.replace("12.0", cell))
    assert wrong.value.where.endswith(":3")
