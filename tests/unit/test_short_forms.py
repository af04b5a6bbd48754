"""What people write shorter than asked for, where it can mean one thing only; and keys under another name."""

import pytest

from instruments.errors import InputError
from instruments.yamlfile import load, parse
from sequencer.inputs.files import load_sequence, load_type_sheet
from sequencer.inputs.type_sheet import TypeSheet

SHEET = """\
type: tank level transmitter (invented)
input: {input}
output: {output}
tolerance: 0.5 % of span
"""


@pytest.fixture
def sheet(tmp_path):
    def loaded(text):
        path = tmp_path / "unit.yaml"
        path.write_text(text, encoding="utf-8")
        return load(path, TypeSheet).datasheet()

    return loaded


def test_a_range_alone_is_the_range_of_a_tap(sheet):
    short = sheet(SHEET.format(input="0..2.4 bar", output="4 .. 20 mA"))
    assert short == sheet(SHEET.format(input="{range: 0 .. 2.4 bar}", output="{range: 4 .. 20 mA}"))
    assert (short.taps[0].low, short.taps[0].high, short.taps[0].unit) == (0, 2.4, "bar")


@pytest.mark.parametrize("name", ["Pt100", "Pt500", "Pt1000"])
def test_a_sensor_alone_is_an_rtd(sheet, name):
    found = sheet(SHEET.format(input=f"{{range: 0 .. 100 degC, sensor: {name}}}", output="4 .. 20 mA"))
    # IEC 60751: R(0 degC) is the number in the name.
    assert found.taps[0].to_signal(0.0) == pytest.approx(float(name.removeprefix("Pt")))


def test_a_thermocouple_alone_may_have_any_cold_junction(sheet):
    with pytest.raises(InputError, match='"K" cannot stand here'):
        sheet(SHEET.format(input="{range: 0 .. 100 degC, sensor: K}", output="4 .. 20 mA"))


PUMP = """\
type: pump (invented)
taps:
  - {{tap: speed, range: 0 .. {rpm} rpm}}
  - {{tap: pulse, range: 0 .. {rate}}}
  - {{tap: output, range: 4 .. 20 mA}}
stages:
  - {{stage: pickup, pulses per revolution: {pulses}}}
  - {{stage: converter}}
tolerance: 0.5 % of span
"""


@pytest.mark.parametrize(
    ("rpm", "rate", "pulses"),
    [
        (1450, "24.17 Hz", 1),
        (1450, "24.2 Hz", 1),
        (1450, "24.167 Hz", 1),
        (2950, "0.0492 kHz", 1),
        (1450, "1450 Hz", 60),
    ],
)
def test_speed_and_pulse_rate_agree_to_the_digits_as_stated_and_the_pulses_are_exact(sheet, rpm, rate, pulses):
    found = sheet(PUMP.format(rpm=rpm, rate=rate, pulses=pulses))
    to_hertz = 1000 if "kHz" in rate else 1
    # One revolution a minute is 1/60 of a revolution a second.
    assert to_hertz * found.taps[1].high == pytest.approx(rpm / 60 * pulses, rel=1e-12)
    assert to_hertz * float(found.ideal(rpm / 2, last=1)) == pytest.approx(rpm / 120 * pulses, rel=1e-12)


@pytest.mark.parametrize(
    ("rate", "shown"), [("24 Hz", "24 Hz"), ("24.16 Hz", "24.16 Hz"), ("24.1666 Hz", "24.1666 Hz")]
)
def test_what_does_not_agree_is_said_with_the_digits_that_differ(sheet, rate, shown):
    with pytest.raises(InputError) as wrong:
        sheet(PUMP.format(rpm=1450, rate=rate, pulses=1))
    assert wrong.value.allowed == f"24.166667 Hz at 1450 rpm, not {shown}, for 1 pulse per revolution"


def test_a_key_under_a_part_of_its_name_is_one_error_with_the_line_to_write(tmp_path):
    path = tmp_path / "x.yaml"
    path.write_text("sequence: x\ntype: pulse-to-current\nsteps: [{exercise: {cycles: 1}}]\n", encoding="utf-8")
    with pytest.raises(InputError) as wrong:
        load_sequence(str(path))
    assert wrong.value.where.endswith("x.yaml:2:1")
    assert wrong.value.todo == 'write "type sheet: pulse-to-current"'
    assert not wrong.value.others


def test_a_misspelled_key_is_shown_as_the_line_to_write(tmp_path):
    with pytest.raises(InputError) as wrong:
        parse("type: x\ninput: 0..1 V\noutput: 0..1 V\ntolerence: 0.5 % of span\n", tmp_path / "x.yaml").into(TypeSheet)
    assert wrong.value.todo == 'write "tolerance: 0.5 % of span"'
    assert not wrong.value.others


def test_a_sensor_beside_its_input_is_written_under_it(tmp_path):
    path = tmp_path / "own.yaml"
    path.write_text("type: own\nsensor: Pt100\ninput: 0 .. 150 degC\noutput: 4 .. 20 mA\ntolerance: 0.3 K\n")
    with pytest.raises(InputError) as caught:
        load_type_sheet(str(path))
    assert caught.value.where == f"{path}:2:1"
    told = 'write it under input or output, as in "input: {range: 0 .. 150 degC, sensor: Pt100}"'
    assert caught.value.todo == told
    path.write_text("type: own\n" + told.split('"')[1] + "\noutput: 4 .. 20 mA\ntolerance: 0.3 K\n")
    assert load_type_sheet(str(path))[0].input.sensor.rtd == "Pt100"


def test_a_line_to_write_can_be_written(tmp_path):
    path = tmp_path / "own.yaml"
    path.write_text("type: own\ninput: 0 .. 150 degC\noutput: 4 .. 20 mA\ntolerence: 0,5 % of span\n")
    with pytest.raises(InputError) as caught:
        load_type_sheet(str(path))
    assert caught.value.todo == 'write "tolerance: 0.5 % of span"'


def test_a_key_that_is_none_is_told_with_those_of_its_group(tmp_path):
    path = tmp_path / "own.yaml"
    path.write_text("type: own\ninput: {range: 0 .. 150 degC, sensr: Pt100}\noutput: 4 .. 20 mA\ntolerance: 0.3 K\n")
    with pytest.raises(InputError) as caught:
        load_type_sheet(str(path))
    assert caught.value.allowed == "allowances, correction, limits, range, sensor"
    assert caught.value.todo == 'write "sensor: Pt100"'


SEQUENCE = "sequence: x\ntype sheet: pulse-to-current\n"


@pytest.fixture
def steps(tmp_path):
    def loaded(text):
        path = tmp_path / "sequence.yaml"
        path.write_text(f"{SEQUENCE}steps:\n{text}", encoding="utf-8")
        return [(name, settings) for _, name, settings in load_sequence(str(path)).steps()]

    return loaded


@pytest.mark.parametrize(
    ("short", "full"),
    [
        ("wait: 5 min", "wait: {for: 300 s}"),
        ("exercise: 2", "exercise: {cycles: 2}"),
        ("exercise", "exercise: {}"),
        ("ask: Is the valve open?", "ask: {text: Is the valve open?}"),
        ("traverse: 5 points", "traverse: {points: 5}"),
        ("traverse: 2 cycles", "traverse: {cycles: 2}"),
        ("traverse: [0 %, 50 %, 100 %]", "traverse: {points: [0 %, 50 %, 100 %]}"),
        ("capture: 50 %", "capture: {at: 50 %}"),
        ("limits: NE 43", "limits: {levels: NE 43}"),
        ("hold: 2 h", None),
    ],
)
def test_a_step_may_be_written_short_where_one_thing_only_can_be_meant(steps, short, full):
    if full is None:
        with pytest.raises(InputError, match=r'hold: "2 h" may mean 2 things') as wrong:
            steps(f"  - {short}\n")
        assert wrong.value.todo == 'write "hold: {lasts: 2 h}" or "hold: {every: 2 h}"'
        return
    rest = "" if "traverse" in short else "  - traverse: {points: 3}\n"
    assert steps(f"  - {short}\n{rest}") == steps(f"  - {full}\n{rest}")


def test_a_traverse_of_a_bare_number_shows_both_things_that_it_may_mean(steps):
    with pytest.raises(InputError, match=r'steps.1.traverse: "5" may mean 2 things') as wrong:
        steps("  - traverse: 5\n")
    assert wrong.value.where.endswith(":4:5")
    assert wrong.value.todo == 'write "traverse: {points: 5}" or "traverse: {cycles: 5}"'


@pytest.mark.parametrize(
    ("short", "says", "do"),
    [
        ("  - wait: 5\n", '"5" has no unit', 'write "wait: 5 s" or "wait: 5 min"'),
        ("  - traverse: [0, 50, 100]\n", '"0", "50", "100": each has no unit', 'write "traverse: [0 %, 50 %, 100 %]"'),
        ("  traverse: 5 points\n", "a group of keys cannot stand here", 'write "- traverse: 5 points"'),
    ],
)
def test_a_step_that_lacks_something_shows_the_line_to_write(steps, short, says, do):
    with pytest.raises(InputError, match=says) as wrong:
        steps(short)
    assert wrong.value.todo == do
    # The list of points is what was meant: no word of the count that may stand there too.
    assert not any("integer" in each.allowed for each in (wrong.value, *wrong.value.others))


def test_a_step_beside_the_list_of_steps_is_shown_where_it_belongs(tmp_path):
    path = tmp_path / "sequence.yaml"
    path.write_text(f"{SEQUENCE}traverse: 5 points\n", encoding="utf-8")
    with pytest.raises(InputError) as wrong:
        load_sequence(str(path))
    assert any(each.todo == 'under steps write "- traverse: 5 points"' for each in wrong.value.others)


def test_a_group_of_keys_that_is_missing_names_its_keys(steps):
    with pytest.raises(InputError, match='"5" cannot stand here') as wrong:
        steps("  - step response: 5\n")
    assert "moves" in wrong.value.allowed


def test_settings_of_an_include_reach_steps_that_are_written_short(tmp_path):
    inner, outer = tmp_path / "inner.yaml", tmp_path / "outer.yaml"
    inner.write_text(f"{SEQUENCE}steps:\n  - exercise\n  - traverse: 5 points\n", encoding="utf-8")
    outer.write_text(f"{SEQUENCE}steps:\n  - include: {{sequence: inner.yaml, cycles: 2}}\n", encoding="utf-8")
    found = [(name, settings.cycles) for _, name, settings in load_sequence(str(outer)).steps()]
    assert found == [("exercise", 2), ("traverse", 2)]
