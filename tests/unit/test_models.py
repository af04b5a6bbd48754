"""Type sheets and sequences as people write them: what is taken, and what is refused with its place."""

import pytest

from instruments.errors import InputError
from instruments.yamlfile import read
from sequencer.inputs.files import load_sequence, load_type_sheet
from sequencer.inputs.type_sheet import TypeSheet

PLAIN = """\
type: converter
input: {range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
CHAIN = """\
type: chain
taps:
  - {tap: demand, range: 4 .. 20 mA}
  - {tap: speed, range: 0 .. 1200 rpm}
  - {tap: pulse, range: 0 .. 1200 Hz}
stages:
  - {stage: drive}
  - {stage: pickup, pulses per revolution: 60, tolerance: 0.1 % of span}
tolerance: 0.5 % of span
"""
SEQUENCE = """\
sequence: acceptance
type sheet: type.yaml
steps:
  - exercise:
  - traverse: {points: 5}
"""


@pytest.fixture
def sheet(tmp_path):
    def made(text, **changes):
        path = tmp_path / "type.yaml"
        for old, new in changes.pop("changed", {}).items():
            assert old in text
            text = text.replace(old, new)
        path.write_text(text, encoding="utf-8")
        return read(path).into(TypeSheet)

    return made


def test_a_plain_unit_becomes_numbers(sheet):
    unit = sheet(PLAIN).datasheet()
    assert [(tap.name, tap.low, tap.high, tap.unit) for tap in unit.taps] == [
        ("input", 0, 1000, "Hz"),
        ("output", 4, 20, "mA"),
    ]
    assert float(unit.ideal(250.0)) == 8.0


def test_a_reversed_output_falls(sheet):
    unit = sheet(PLAIN, changed={"4 .. 20 mA": "20 .. 4 mA"}).datasheet()
    assert unit.taps[1].span == -16
    assert float(unit.ideal(250.0)) == 16.0


def test_a_square_root_with_its_cut_off(sheet):
    unit = sheet(PLAIN + "characteristic: {square root: {cut off: 10 %}}\n").datasheet()
    assert [float(unit.ideal(x)) for x in (0.0, 9.0, 10.0, 250.0, 1000.0)] == pytest.approx([4, 4, 5.6, 12, 20])


def test_a_table_is_straight_in_between(sheet):
    unit = sheet(PLAIN + "characteristic: {table: {points: [[0 %, 0 %], [50 %, 20 %], [100 %, 100 %]]}}\n").datasheet()
    assert [float(unit.ideal(x)) for x in (0.0, 250.0, 750.0)] == pytest.approx([4.0, 5.6, 13.6])


def test_a_chain_names_its_taps_and_stages(sheet):
    chain = sheet(CHAIN)
    assert [name for name, _ in chain.tap_sheets] == ["demand", "speed", "pulse"]
    assert [None if each is None else str(each) for each in chain.stage_tolerances] == [None, "0.1 % of span"]
    assert chain.datasheet().stages[1].pulses_per_revolution == 60


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"1200 Hz}\noutput": "900 Hz}\noutput"}, "limits that hold the whole range"),
        ({"limits: 0 .. 1200 Hz": "limits: 0 .. 20 mA"}, "limits in Hz"),
        ({"output: {range: 4 .. 20 mA}\n": ""}, '"input" and "output"'),
        ({"0.2 % of span": "0.2 %"}, "does not say of what"),
        ({"0.2 % of span": "0.2 % of spam"}, "is not a base"),
        ({"0.2 % of span": "5 mV"}, "a tolerance in %, in mA or in Hz"),
        ({"0.2 % of span": "0 % of span"}, "is zero"),
        ({"0.2 % of span": "-1 % of span"}, "is negative"),
        ({"0 .. 1000 Hz": "0 .. 1000"}, "has no unit"),
        ({"0 .. 1000 Hz": "5 .. 5 Hz"}, "has no width"),
        ({"tolerance:": "tolerence:"}, 'write "tolerance: '),
        ({"type: converter\n": ""}, '"type" is missing'),
        ({"tolerance:": "settling: {minimum: 5 s, maximum: 5 s}\ntolerance:"}, "a maximum above the minimum"),
        ({"tolerance:": "time constant: -1 s\ntolerance:"}, "is a negative time"),
        ({"tolerance:": "characteristic: cubic\ntolerance:"}, "'linear' or 'square root'"),
        ({"tolerance:": "characteristic: {square root: {cut off: 100 %}}\ntolerance:"}, "less than 1"),
        ({"tolerance:": "characteristic: {square root: {cut off: -5 %}}\ntolerance:"}, "greater than or equal to 0"),
        (
            {"tolerance:": "characteristic: {table: {points: [[0 %, 0 %], [0 %, 9 %]]}}\ntolerance:"},
            "rise from row to row",
        ),
        ({"tolerance:": "input sensor: {rtd: Pt100}\ntolerance:"}, "is not a key here"),
        ({"limits: 0 .. 1200 Hz": "sensor: {rtd: Pt100}"}, "a range in degC where a sensor is stated"),
    ],
)
def test_a_plain_sheet_that_cannot_be_is_refused_with_its_place(sheet, changed, says):
    with pytest.raises(InputError, match=says) as refused:
        sheet(PLAIN, changed=changed)
    assert "type.yaml:" in refused.value.where
    assert refused.value.exit_code == 2


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"  - {stage: drive}\n": ""}, "one stage between every two neighbouring taps"),
        ({"tap: speed": "tap: demand"}, "taps with different names"),
        ({"pulses per revolution: 60, ": ""}, '"pulses per revolution" in stage "pickup"'),
        ({"revolution: 60": "revolution: 59"}, "1180 Hz at 1200 rpm, not 1200 Hz, for 59 pulses per revolution"),
        ({"revolution: 60": "revolution: 0"}, "greater than 0"),
        ({"revolution: 60": "revolution: inf"}, "pulses per revolution"),
        ({"{stage: drive}": "{stage: drive, pulses per revolution: 60}"}, "a speed before and a pulse rate after"),
        ({"0.1 % of span": "1 mV"}, "a tolerance in %, in Hz or in rpm"),
        ({"type: chain": "type: chain\ncharacteristic: square root"}, "in the stages of a chain"),
        ({"type: chain": "type: chain\ntime constant: 3 s"}, "in the stages of a chain"),
        ({"type: chain": "type: chain\ninput: {range: 4 .. 20 mA}"}, 'either "input" and "output", or "taps"'),
    ],
)
def test_a_chain_that_cannot_be_is_refused(sheet, changed, says):
    with pytest.raises(InputError, match=says):
        sheet(CHAIN, changed=changed)


@pytest.mark.parametrize(
    ("sensor", "says"),
    [
        ("{rtd: Pt100, thermocouple: K}", 'exactly one of "rtd" and "thermocouple"'),
        ("{}", 'exactly one of "rtd" and "thermocouple"'),
        ("{thermocouple: K}", '"cold junction" beside "thermocouple"'),
        ("{rtd: Pt100, cold junction: 23 degC}", '"cold junction" beside "thermocouple"'),
        ("{thermocouple: K, cold junction: 23 mV}", "a cold junction in degC"),
        ("{rtd: Pt101}", "Pt100"),
    ],
)
def test_a_sensor_that_cannot_be_is_refused(sheet, sensor, says):
    with pytest.raises(InputError, match=says):
        sheet(PLAIN, changed={"0 .. 1000 Hz, limits: 0 .. 1200 Hz": f"0 .. 100 degC, sensor: {sensor}"})


def test_all_faults_of_a_file_come_at_once(sheet):
    with pytest.raises(InputError) as refused:
        sheet(PLAIN, changed={"0 .. 1000 Hz": "0 .. 1000", "0.2 % of span": "0.2 %", "4 .. 20 mA": "4 mA"})
    assert [each.where.split(":")[-2] for each in (refused.value, *refused.value.others)] == ["2", "3", "4"]


@pytest.fixture
def sequence(tmp_path):
    def made(text=SEQUENCE, **changed):
        (tmp_path / "type.yaml").write_text(PLAIN, encoding="utf-8")
        for old, new in changed.get("changed", {}).items():
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "sequence.yaml"
        path.write_text(text, encoding="utf-8")
        return load_sequence(str(path))

    return made


def test_a_sequence_finds_the_sheet_beside_it_and_its_steps_have_defaults(sequence):
    loaded = sequence()
    assert loaded.sheet.type == "converter"
    (_, first, exercise), (number, second, traverse) = loaded.steps()
    assert (first, second, number) == ("exercise", "traverse", 2)
    assert (exercise.cycles, traverse.cycles, traverse.readings, traverse.end_pair) == (3, 3, 5, "yes")
    assert (loaded.file.standard, loaded.file.retries, loaded.file.settled_within) == ("IEC 61298-2:2008", 2, 0.1)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"- exercise:": "- exercize:"}, 'write "exercise"'),
        ({"  - traverse: {points: 5}": "  - traverse: {points: 5}\n    exercise:"}, "exactly one step in each entry"),
        ({"steps:": "settled within: 0 %\nsteps:"}, "greater than 0"),
        ({"steps:": "settled within: -10 %\nsteps:"}, "greater than 0"),
        ({"steps:": "settled within: 200 %\nsteps:"}, "less than or equal to 1"),
        ({"steps:": "retries: 21\nsteps:"}, "less than or equal to 20"),
        ({"steps:": "if never settled: ask\nsteps:"}, "'go on' or 'stop'"),
        ({"steps:": "standard: IEC 61298-2:2026\nsteps:"}, "IEC 61298-2:2008"),
        ({"points: 5": "points: 100000000000"}, "2 to 1001 points"),
        ({"points: 5": "points: [0 %, 110 mA]"}, "is not in %"),
        ({"type.yaml": "typo.yaml"}, 'there is no type sheet "typo.yaml"'),
    ],
)
def test_a_sequence_that_cannot_be_is_refused_with_its_place(sequence, changed, says):
    with pytest.raises(InputError, match=says) as refused:
        sequence(changed=changed)
    assert "sequence.yaml:" in refused.value.where


def test_a_name_that_comes_along_is_found_and_a_slip_is_answered():
    assert load_sequence("pulse-to-current").sheet.type.startswith("glycol flow converter")
    assert load_type_sheet("pulse-to-current")[0].datasheet().taps[0].unit == "Hz"
    with pytest.raises(InputError, match='do: write "pulse-to-current"'):
        load_sequence("puls-to-current")
