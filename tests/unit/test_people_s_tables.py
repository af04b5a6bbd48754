"""Tables as people keep them: the same readings however they are laid out, and no guess where two are possible."""

import io
import zipfile

import pandas as pd
import pytest

from instruments.datasheet import Characteristic, DataSheet, Stage, Tap
from instruments.errors import ReadingsError
from sequencer import core
from sequencer.readings.csv_import import from_frame, read_table

SHEET = DataSheet(
    type="x",
    taps=(Tap(name="input", low=0, high=1000, unit="Hz"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="unit"),),
)
# Written down by hand: what was read at 0, 500 and 1000 Hz, up and down.
UP_AND_DOWN = [
    ("up", 0, 4.0),
    ("up", 500, 12.0),
    ("up", 1000, 20.0),
    ("down", 1000, 20.1),
    ("down", 500, 12.1),
    ("down", 0, 4.1),
]
SIDE_BY_SIDE = "0;4.0;4.1\n500;12.0;12.1\n1000;20.0;20.1\n"


@pytest.fixture
def read(tmp_path):
    def found(text, sheet=SHEET, name="hand.csv", **kwargs):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_table(path, sheet, **kwargs)

    return found


def visits(found, sheet=SHEET):
    table = found.table
    inputs = table[table["tap"] == sheet.taps[0].name]["value"]
    outputs = table[table["tap"] == sheet.taps[-1].name]
    return list(zip(outputs["direction"], inputs, outputs["value"], strict=True))


def notes(found):
    return [note for note in found.table["note"] if note and note != "empty"]


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(f"input [Hz];up [mA];down [mA]\n{SIDE_BY_SIDE}", id="English"),
        pytest.param(f"Input Hz;upscale mA;downscale mA\n{SIDE_BY_SIDE}", id="units without brackets"),
        pytest.param(f"Eingang in Hz;Ausgang steigend in mA;Ausgang fallend in mA\n{SIDE_BY_SIDE}", id="German"),
        pytest.param(f"entrée (Hz);sortie montée (mA);sortie descente (mA)\n{SIDE_BY_SIDE}", id="French"),
        pytest.param(f"Entrada en Hz;Salida subida (mA);Salida bajada (mA)\n{SIDE_BY_SIDE}", id="Spanish"),
        pytest.param(f"ingresso [Hz];uscita (mA) salita;uscita (mA) discesa\n{SIDE_BY_SIDE}", id="Italian"),
        pytest.param(f"ingang [Hz];stijgend [mA];dalend [mA]\n{SIDE_BY_SIDE}", id="Dutch"),
        pytest.param(f"Input_Hz;Output_up_mA;Output_down_mA\n{SIDE_BY_SIDE}", id="underscores"),
        pytest.param(f"Input;Output;\n;up;down\n{SIDE_BY_SIDE}", id="a heading over two columns"),
        pytest.param(f"Input;up;down\nHz;mA;mA\n{SIDE_BY_SIDE}", id="a line of units"),
        pytest.param("input [Hz];down [mA];up [mA]\n1000;20.1;20.0\n500;12.1;12.0\n0;4.1;4.0\n", id="from the top"),
        pytest.param("input up [Hz];up [mA];input down [Hz];down [mA]\n0;4.0;1000;20.1\n500;12.0;500;12.1\n"
                     "1000;20.0;0;4.1\n", id="inputs of their own, in the order taken"),
        pytest.param(f"sep=;\ninput [Hz];up [mA];down [mA]\n{SIDE_BY_SIDE}", id="sep="),
        pytest.param(f"sep=|\ninput [Hz]|up [mA]|down [mA]\n{SIDE_BY_SIDE.replace(';', '|')}", id="sep=|"),
        pytest.param(f"input [Hz];up [mA];down [mA]\n{SIDE_BY_SIDE}".replace(".", ","), id="decimal commas"),
        pytest.param("Protocol 17, hall 2\nUnit;GF-104;pump house\n\nDate;2026-01-05;\n"
                     f"input [Hz];up [mA];down [mA]\n{SIDE_BY_SIDE}Tested by;A. Sample;\n", id="a protocol around it"),
    ],
)  # fmt: skip
def test_up_and_down_side_by_side_are_the_readings_one_after_the_other(read, text):
    found = read(text)
    ways = dict.fromkeys(way for way, *_ in visits(found))
    # Downscale first where the table is written so.
    expected = UP_AND_DOWN if next(iter(ways)) == "up" else UP_AND_DOWN[3:] + UP_AND_DOWN[:3]
    assert visits(found) == expected
    assert set(found.table["cycle"]) == {1}


def test_each_further_pair_of_columns_is_a_cycle(read):
    found = read("input;up 1;down 1;up 2;down 2\n0;4.0;4.1;4.2;4.3\n1000;20.0;20.1;20.2;20.3\n")
    table = found.table[found.table["tap"] == "output"]
    expected = [(1, "up", 4.0), (1, "up", 20.0), (1, "down", 20.1), (1, "down", 4.1)]
    expected += [(2, "up", 4.2), (2, "up", 20.2), (2, "down", 20.3), (2, "down", 4.3)]
    assert list(table[["cycle", "direction", "value"]].itertuples(index=False, name=None)) == expected
    same = read("input;up;down;up;down\n0;4.0;4.1;4.2;4.3\n1000;20.0;20.1;20.2;20.3\n").table
    assert same["value"].tolist() == found.table["value"].tolist()
    assert same["cycle"].tolist() == found.table["cycle"].tolist()


def test_an_empty_cell_of_a_traverse_is_no_reading_of_it(read):
    found = read("input [Hz];up [mA];down [mA]\n0;4.0;4.1\n500;12.0;12.1\n1000;20.0;\n")
    assert visits(found) == UP_AND_DOWN[:3] + UP_AND_DOWN[4:]


def test_what_was_understood_is_one_line(read):
    found = read("# x\nProtocol 17\nEingang in Hz;Bemerkung;auf [mA];ab [mA]\n0;;4,0;4,1\n1000;;20,0;20,1\nA. Sample\n")
    assert found.understood == (
        'read: column 1 "Eingang in Hz" = input in Hz, column 3 "auf [mA]" = output in mA, upscale, '
        'column 4 "ab [mA]" = output in mA, downscale; above it: Protocol 17; below it: A. Sample'
    )


@pytest.mark.parametrize(
    "heading",
    ["Hz;mA", "f [Hz];I [mA]", "Input, Hz;Output, mA", "Hz in;mA out", "f in Hz;I_out/mA", "Sollwert [Hz];Istwert [mA]",
     "applied frequency [Hz];measured current [mA]", "valeur appliquée (Hz);valeur lue (mA)",
     "frequency [Hz];current [mA]", "fréquence d'entrée (Hz);courant de sortie (mA)",
     "Input Frequency (Hz);Loop Current (mA)"],
)  # fmt: skip
def test_a_heading_that_can_mean_one_thing_only_is_taken_so(read, heading):
    assert visits(read(f"{heading}\n0;4.0\n500;12.0\n1000;20.0\n")) == UP_AND_DOWN[:3]


def test_no_word_is_proposed_that_nobody_meant(read):
    with pytest.raises(ReadingsError) as caught:
        read("in;as found [mA];as left [mA]\n0;4.0;4.0\n1000;20.0;20.0\n")
    assert "as found [mA], as left [mA]" in str(caught.value)
    assert 'columns 2 and 3 ("as found [mA]", "as left [mA]") may each be output' in caught.value.todo


ISOLATOR = DataSheet(
    type="x",
    taps=(Tap(name="input", low=4, high=20, unit="mA"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="unit", characteristic=Characteristic()),),
)


# Written down by hand: the input was set to 0, 500 and 1000 Hz and read as 1, 501 and 1001 Hz.
ACTUAL = [("up", 1, 4.0), ("up", 501, 12.0), ("up", 1001, 20.0)]


@pytest.mark.parametrize(
    "heading",
    ["Hz soll;Hz ist;mA soll;mA ist", "nominal input [Hz];actual input [Hz];nominal output [mA];actual output [mA]",
     "Soll-Frequenz [Hz];Ist-Frequenz [Hz];Soll-Strom [mA];Ist-Strom [mA]", "set Hz;read Hz;expected mA;read mA",
     "consigne (Hz);lu (Hz);attendu (mA);lu (mA)", "Input nominal Hz;Input actual Hz;Output nominal;Output actual",
     "Eingang;;Ausgang;\nSoll;Ist;Soll;Ist", "Eingang;;Ausgang;\nSoll;Ist;Soll;Ist\nHz;Hz;mA;mA",
     "Eingang;;Ausgang;\nSoll [Hz];Ist [Hz];Soll [mA];Ist [mA]", "Hz soll;Hz;mA soll;mA"],
)  # fmt: skip
def test_what_was_read_is_told_from_what_was_to_be_set_and_what_is_expected(read, heading):
    found = read(f"{heading}\n0;1;4.0;4.0\n500;501;12.0;12.0\n1000;1001;20.0;20.0\n")
    assert visits(found) == ACTUAL
    inputs = found.table[found.table["tap"] == "input"]
    assert inputs["stated_pct"].tolist() == [0, 50, 100]
    assert "= setpoint" in found.understood
    assert "= expected, checked" in found.understood
    # 4.016 mA are expected at the 1 Hz that was read; what the column says is of the nominal 0 Hz.
    assert not any("expected" in note for note in notes(found))


@pytest.mark.parametrize(
    "heading",
    ["Hz gemessen;mA gemessen", "measured [Hz];measured [mA]", "Hz ist;mA", "Hz lu;mA lu"],
)  # fmt: skip
def test_a_word_for_what_was_read_is_of_the_input_where_its_unit_is(read, heading):
    assert visits(read(f"{heading}\n0;4.0\n500;12.0\n1000;20.0\n")) == UP_AND_DOWN[:3]


def test_a_setpoint_in_another_unit_is_converted(read):
    found = read("kHz soll;Hz ist;mA ist\n0;1;4.0\n0.5;501;12.0\n1;1001;20.0\n")
    assert found.table[found.table["tap"] == "input"]["stated_pct"].tolist() == [0, 50, 100]


@pytest.mark.parametrize(
    ("nominal", "means"),
    [
        (("0", "500", "1000"), "setpoints of the input"),
        (("0", "50", "100"), "setpoints of the input"),
        (("4", "12", "20"), "expected outputs"),
    ],
)
def test_nominal_values_of_neither_end_are_what_they_agree_with(read, nominal, means):
    rows = zip((0, 500, 1000), nominal, (4.0, 12.0, 20.0), strict=True)
    found = read("Eingang;Soll;Ist\n" + "".join(f"{x};{soll};{y}\n" for x, soll, y in rows))
    assert visits(found) == UP_AND_DOWN[:3]
    assert f'column "Soll" holds {means}' in found.understood
    assert not notes(found)


def test_nominal_values_that_agree_with_neither_end_are_remarked(read):
    (note,) = notes(read("Eingang;Soll;Ist\n0;7;4.0\n500;8;12.0\n1000;9;20.0\n"))
    assert note == 'column "Soll" fits neither the inputs nor the outputs that the type sheet expects'


@pytest.mark.parametrize(
    "heading",
    ["up Hz;up mA;down Hz;down mA", "up;;down;\nHz;mA;Hz;mA", "up;;down;\ninput;output;input;output",
     "Steigend;;Fallend;\nEingang [Hz];Ausgang [mA];Eingang [Hz];Ausgang [mA]",
     "Eingang auf;Ausgang auf;Eingang ab;Ausgang ab\nHz;mA;Hz;mA"],
)  # fmt: skip
def test_each_direction_may_have_inputs_of_its_own(read, heading):
    assert visits(read(f"{heading}\n0;4.0;1000;20.1\n500;12.0;500;12.1\n1000;20.0;0;4.1\n")) == UP_AND_DOWN


def test_what_is_expected_may_stand_beside_each_direction(read):
    headings = "up Hz;expected up mA;up mA;down Hz;expected down mA;down mA"
    found = read(f"{headings}\n0;4;4.0;1000;20;20.1\n500;12;12.0;500;12;12.1\n1000;20;20.0;0;4;4.1\n")
    assert visits(found) == UP_AND_DOWN
    assert not notes(found)


@pytest.mark.parametrize(
    "above",
    ["Messbereich 0..1000 Hz; 4..20 mA", "Messbereich;0..1000 Hz;4..20 mA", "Range: 0 - 1000 Hz, 4 - 20 mA",
     "Input;0..1000 Hz;Output;4..20 mA\nDate;2026-01-05", "Input: 0..1000 Hz;Output: 4..20 mA",
     "Input;0..1000 Hz;Output;4..20 mA", "Input Hz;0;1000;;\nOutput mA;4;20;;"],
)  # fmt: skip
@pytest.mark.parametrize("divider", [";", ",", "\t"])
@pytest.mark.parametrize("heading", ["Input [Hz];Output [mA]", "Hz;mA", "Hz ist;mA ist"])
def test_a_line_of_ranges_above_the_table_is_no_heading(read, above, divider, heading):
    table = f"{heading}\n0;4.0\n500;12.0\n1000;20.0\n".replace(";", divider)
    found = read(f"{above}\n{table}")
    assert visits(found) == UP_AND_DOWN[:3]
    assert "above it: " in found.understood


def test_a_heading_may_hold_the_range(read):
    assert visits(read("Input (0-1000 Hz);Output (4 to 20 mA)\n0;4.0\n500;12.0\n1000;20.0\n")) == UP_AND_DOWN[:3]


@pytest.mark.parametrize(
    ("heading", "do"),
    [
        ("Hz;Hz;mA", 'columns 1 and 2 ("Hz", "Hz") may each be input'),
        ("applied Hz;measured Hz;mA", 'columns 1 and 2 ("applied Hz", "measured Hz") may each be input'),
        ("Soll;Ist;Bemerkung", 'column 1 ("Soll") may be what was set at input, or what is expected of output'),
        ("Hz;mA soll;Bemerkung", 'column 2 ("mA soll") is what is expected of output: add what was read there'),
        ("Soll [mA];Ist [mA];Bemerkung", "add a column of input"),
    ],
)
def test_a_column_that_may_be_either_is_named_with_what_it_may_be(read, heading, do):
    with pytest.raises(ReadingsError) as wrong:
        read(f"{heading}\n0;4;4\n500;12;12\n")
    assert do in wrong.value.todo


@pytest.mark.parametrize(
    ("heading", "says", "do"),
    [
        ("mA;mA", "no column for input and output", 'columns 1 and 2 ("mA", "mA") may be input or output'),
        (
            "Soll [mA];Ist [mA]",
            "no column for input",
            'column 1 ("Soll [mA]") may be what was set at input, or what is expected of output',
        ),
        (
            "input [mA];output [mA];measured [mA]",
            "2 columns for output: output \\[mA], measured",
            'columns 2 and 3 ("output [mA]", "measured [mA]") may each be output',
        ),
        ("input [mA];up [mA];up [V]", "columns of output in different units", "one unit"),
    ],
)
def test_where_two_readings_are_possible_the_error_shows_both(read, heading, says, do):
    cells = ["4", "12", "20"][: heading.count(";") + 1]
    with pytest.raises(ReadingsError, match=says) as wrong:
        read(f"{heading}\n{';'.join(cells)}\n{';'.join(cells)}\n", ISOLATOR)
    assert do in wrong.value.todo
    assert wrong.value.where.endswith(":1")


# By hand: ideal 4, 12, 20 mA; the outputs are wrong by +0.04, -0.08 and +0.16 mA, that is +0.25, -0.5, +1.0 % of the
# span of 16 mA, and +1.0, -0.667, +0.8 % of the reading that is expected.
@pytest.mark.parametrize(
    ("heading", "errors", "meant"),
    [
        ("error [%]", ("0.25", "-0.50", "1.00"), "% of span"),
        ("Fehler in % v. Spanne", ("0.25", "-0.50", "1.00"), "% of span"),
        ("erreur", ("0,25", "-0,50", "1,00"), "% of span"),
        ("error %", ("1.0", "-0.7", "0.8"), "% of reading"),
        ("deviation [mA]", ("0.04", "-0.08", "0.16"), "mA"),
        ("error (uA)", ("40", "-80", "160"), "uA"),
        ("errore", ("0.04", "-0.08", "0.16"), "mA"),
        ("desviación %", ("0.3", "−0.5", "1.0"), "% of span"),
    ],
)
def test_errors_of_the_table_that_are_ours_are_said_in_what_they_are_meant(read, heading, errors, meant):
    rows = zip((0, 500, 1000), ("4.04", "11.92", "20.16"), errors, strict=True)
    found = read(f"input [Hz];output [mA];{heading}\n" + "".join(";".join(map(str, row)) + "\n" for row in rows))
    assert f"errors of the table in {meant}" in found.understood
    assert not notes(found)


def test_an_error_of_the_table_that_is_not_ours_is_remarked_with_both(read):
    rows = "0;4.04;0.25\n250;8.00;0.00\n500;11.92;0.50\n1000;20.16;1.00\n"
    (note,) = notes(read(f"input [Hz];output [mA];error [%]\n{rows}"))
    assert note == 'line 4, column "error [%]": it says 0.50, ours is -0.5 % of span'


def test_errors_that_are_taken_at_the_setpoint_are_understood_so(read):
    # By hand: 4.04, 12.04 and 20.04 mA are 0.25 % of the span of 16 mA beyond the nominal 4, 12 and 20 mA; the input
    # that was read, 2 Hz or 0.2 % too high, leaves 0.05 % of it.
    rows = "0;2;4.04;0.25\n500;502;12.04;0.25\n998;1000;20.008;0.25\n"
    found = read(f"Hz soll;Hz ist;mA ist;Fehler %\n{rows}")
    assert "errors of the table in % of span, at the setpoint" in found.understood
    assert not any("our" in note for note in notes(found))


def test_units_in_brackets_below_headings_may_stand_beside_another_word(read):
    found = read("Messung;Eingang;Ausgang\nNr;[Hz];[mA]\n1;0;4.0\n2;500;12.0\n3;1000;20.0\n")
    assert visits(found) == UP_AND_DOWN[:3]


def test_errors_with_the_other_sign_or_of_another_kind_are_said_once(read):
    rows = "0;4.04;-0.25\n250;8.08;-0.50\n500;11.92;0.50\n1000;20.16;-1.00\n"
    (note,) = notes(read(f"input [Hz];output [mA];error [%]\n{rows}"))
    assert "is expected less measured" in note
    (note,) = notes(read("input [Hz];output [mA];error [%]\n0;4.04;7\n500;11.92;8\n1000;20.16;9\n"))
    assert "line 2 says 7, ours is 0.25 % of span, 1 % of reading" in note


def test_an_expected_output_that_is_not_that_of_the_type_is_remarked(read):
    (note,) = notes(read("input [Hz];expected [mA];output [mA]\n0;4.00;4.01\n500;12.00;12.01\n1000;24.00;20.01\n"))
    assert note == 'line 4, column "expected [mA]": 24 mA is expected, by the type sheet 20'


def workbook(tmp_path, **sheets):
    path = tmp_path / "hand.xlsx"
    with pd.ExcelWriter(path, engine="openpyxl") as writer:
        for name, rows in sheets.items():
            pd.DataFrame(rows).to_excel(writer, sheet_name=name, header=False, index=False)
    return path


ROWS = [
    ["Protocol 17", None, None],
    ["input [Hz]", "up [mA]", "down [mA]"],
    [0, 4.0, 4.1],
    [500, 12.0, 12.1],
    [1000, 20.0, 20.1],
]


def test_a_workbook_is_read_by_its_first_worksheet_or_by_name(tmp_path):
    path = workbook(tmp_path, first=ROWS, second=[["input", "output"], [0, 4.0], [1000, 1.234]])
    found = read_table(path, SHEET)
    assert visits(found) == UP_AND_DOWN
    assert "above it: Protocol 17" in found.understood
    # A number of a workbook has a decimal point: no doubt whether 1.234 is a thousand.
    assert visits(read_table(path, SHEET, worksheet="second"))[-1][-1] == 1.234
    with pytest.raises(ReadingsError, match='has no worksheet "secnod"') as wrong:
        read_table(path, SHEET, worksheet="secnod")
    assert wrong.value.todo == 'did you mean "second"?'


def ods_cell(value):
    if isinstance(value, str):
        return f'<table:table-cell office:value-type="string"><text:p>{value}</text:p></table:table-cell>'
    return f'<table:table-cell office:value-type="float" office:value="{value}"/>'


def ods(tmp_path, rows):
    oasis = "urn:oasis:names:tc:opendocument:xmlns"
    names = "".join(f' xmlns:{each}="{oasis}:{each}:1.0"' for each in ("office", "table", "text"))
    table = f'<table:table table:name="a">{rows}</table:table>'
    body = f"<office:body><office:spreadsheet>{table}</office:spreadsheet></office:body>"
    path = tmp_path / "hand.ods"
    with zipfile.ZipFile(path, "w") as file:
        file.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        file.writestr("content.xml", f"<office:document-content{names}>{body}</office:document-content>")
        file.writestr("META-INF/manifest.xml", f'<manifest:manifest xmlns:manifest="{oasis}:manifest:1.0"/>')
    return path


def test_an_ods_is_read_like_a_workbook(tmp_path):
    path = ods(
        tmp_path, "".join(f"<table:table-row>{''.join(map(ods_cell, row))}</table:table-row>" for row in ROWS[1:])
    )
    assert visits(read_table(path, SHEET)) == UP_AND_DOWN


def test_a_formula_without_its_value_is_named_by_worksheet_and_cell(tmp_path):
    rows = [["input [Hz]", "output [mA]", "note"], [0, 4.0, "=A2"], [500, "=A3/62.5+4", ""], [1000, 20.0, ""]]
    path = workbook(tmp_path, first=[["x"]], second=[["Protocol 17", "", ""], *rows])
    with pytest.raises(ReadingsError, match=r'worksheet "second", cell B4 holds "=A3/62\.5\+4"') as wrong:
        read_table(path, SHEET, worksheet="second")
    assert wrong.value.where.endswith("(second):4")
    assert "spreadsheet program" in wrong.value.todo


def test_a_formula_of_an_ods_without_its_value_is_named_too(tmp_path):
    formula = '<table:table-cell table:number-columns-repeated="1" table:formula="of:=[.A2]/62.5+4"/>'
    head = '<table:table-row table:number-rows-repeated="2"><table:table-cell/></table:table-row>'
    rows = [
        f"{ods_cell('input [Hz]')}{ods_cell('output [mA]')}",
        f"{ods_cell(0)}{ods_cell(4)}",
        f"{ods_cell(500)}{formula}",
    ]
    path = ods(tmp_path, head + "".join(f"<table:table-row>{row}</table:table-row>" for row in rows))
    with pytest.raises(ReadingsError, match='worksheet "a", cell B5 holds "=') as wrong:
        read_table(path, SHEET)
    assert wrong.value.where.endswith(":5")


@pytest.mark.parametrize("raw", [b"PK\x03\x04 no workbook", b"", b"\x00" * 200])
def test_what_is_no_workbook_is_said_to_be_none(read, raw):
    with pytest.raises(ReadingsError, match="is no workbook that can be read"):
        read(raw, name="hand.xlsx")


def test_a_worksheet_of_a_csv_is_refused(read):
    with pytest.raises(ReadingsError, match="has no worksheets"):
        read("input,output\n0,4\n1000,20\n", worksheet="first")


def test_a_dataframe_takes_the_same_headings():
    frame = pd.read_csv(io.StringIO(f"input [Hz];up [mA];down [mA]\n{SIDE_BY_SIDE}"), sep=";")
    assert visits(from_frame(frame, SHEET)) == UP_AND_DOWN
    judged = core.by_hand(frame, "pulse-to-current")
    assert judged.evaluation.verdict.result == "fail"  # 0.1 mA of 16 mA is 0.6 % of span, 0.2 % are allowed
    assert judged.remarks[0].startswith('read: column 1 "input [Hz]" = input in Hz')


@pytest.mark.parametrize(
    ("down", "unread"),
    [
        pytest.param(("4.0", "", "12.0", "", "20.0"), 2, id="between readings"),
        pytest.param(("4.0", "8.0", "12.0", "16.0", ""), 0, id="at the top, where the input turned"),
        pytest.param(("", "8.0", "12.0", "16.0", "20.0"), 0, id="at the end, where it was read upscale"),
        pytest.param(("", "", "12.0", "16.0", "20.0"), 1, id="before the end"),
        pytest.param(("", "", "", "", ""), 0, id="a column that was not used"),
    ],
)
def test_a_blank_beside_a_reading_is_a_point_that_was_not_read(read, down, unread):
    up = ("4.0", "8.0", "12.0", "16.0", "20.0")
    rows = [f"{250 * at};{one};{other}" for at, (one, other) in enumerate(zip(up, down, strict=True))]
    found = read("input;up;down\n" + "\n".join(rows) + "\n").table
    outputs = found[found["tap"] == "output"]
    assert outputs["value"].isna().sum() == unread
    assert len(outputs) == 5 + sum(map(bool, down)) + unread


def test_a_line_with_no_reading_either_way_was_not_read_either_way(read):
    found = read("input;up;down\n0;;\n500;12.0;12.0\n1000;20.0;20.0\n").table
    outputs = found[found["tap"] == "output"]
    assert outputs[outputs["value"].isna()]["direction"].tolist() == ["up", "down"]
