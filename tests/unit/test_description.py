"""An instrument as data: what its file may say, and that no value breaks out of a command."""

from pathlib import Path

import pytest

from instruments.commands import as_sent, render
from instruments.description import DESCRIPTIONS, Description, find_description
from instruments.errors import InputError
from instruments.units import span
from instruments.yamlfile import load, parse

SHIPPED = sorted(path.stem for path in DESCRIPTIONS.glob("*.yaml"))
SOURCE = """
instrument: a source
functions:
  current:
    sets: mA
    in: A
    select: ["SOUR:CURR:RANG {range:.1E}"]
    set: "SOUR:CURR {level:.6E}"
    safe level: 0 mA
    ranges: [{range: 0 .. 24 mA, resolution: 1 uA, accuracy: 0.01 % of reading + 2 uA}]
"""
METER = """
instrument: a meter
functions:
  current:
    reads: mA
    query: "READ?"
    ranges: [{range: 0 .. 24 mA}, {range: 0 .. 240 mA}]
  voltage:
    reads: V
    query: "READ:V?"
    ranges: [{range: -1 .. 1 V}]
"""


def description(text):
    return parse(text, Path("own.yaml")).into(Description)


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_description_loads_and_survives_being_written_out(name):
    found = load(DESCRIPTIONS / f"{name}.yaml", Description)
    assert Description.model_validate_json(found.model_dump_json(by_alias=True)) == found


@pytest.mark.parametrize(
    ("command", "level", "sent"),
    [
        ("SOUR:CURR {level:.6E}", 0.012, "SOUR:CURR 1.200000E-02"),
        ("S {level:.3f}", 12.0, "S 12.000"),
        ("S {level}", 1e-9, "S 1E-09"),
        ("S {level:+08.2f}", 1.5, "S +0001.50"),
    ],
)
def test_a_level_is_written_in_the_format_of_its_command(command, level, sent):
    assert render(command, level=level) == sent


def test_what_a_format_leaves_of_a_level_is_known_before_it_is_sent():
    assert as_sent(("S {level:.1f};O1",), 20.46) == 20.5
    assert as_sent(("S {level:.6E}",), 0.0123456789) == 0.01234568


@pytest.mark.parametrize(
    "command",
    [
        "S {level.__class__}",
        "S {level!r}",
        "S {level:>9999999999}",  # would fill the memory
        "S {level:%}",
        "S {level:d}",
        "S {level:,}",
        "S {value}",
        "S {0}",
        "S {",
        "S {level} {",
        "S {{level}}",
        "S {range}",  # a full scale is no level
        "S 5",  # no level in it
    ],
)
def test_a_set_command_takes_a_plain_number_format_and_no_more(command):
    with pytest.raises(InputError, match=r"own\.yaml:"):
        description(SOURCE.replace("SOUR:CURR {level:.6E}", command))


@pytest.mark.parametrize(
    ("old", "new", "allowed"),
    [
        (
            '"SOUR:CURR:RANG {range:.1E}"',
            '"SOUR:CURR {level}"',
            "no braces but in the field {range}",
        ),  # would set full scale
        ('"SOUR:CURR:RANG {range:.1E}"', '"A\\nOUTP ON"', "without NUL, CR and LF"),
        ('"SOUR:CURR:RANG {range:.1E}"', '""', "without NUL, CR and LF"),
        ('set: "SOUR:CURR', 'set: "OUTP ON\\r', "without NUL, CR and LF"),
        ('set: "SOUR:CURR', 'set: "\u202eCURR', "without NUL, CR and LF"),
        ("safe level", 'on: ["OUTP {level}"]\n    safe level', "no braces"),
        ("safe level", 'on: "OUTP ON\\0"\n    safe level', "without NUL, CR and LF"),
    ],
)
def test_no_command_holds_a_control_character_or_a_field_of_another(old, new, allowed):
    assert old in SOURCE
    with pytest.raises(InputError, match=r"own\.yaml:") as caught:
        description(SOURCE.replace(old, new))
    assert allowed in caught.value.allowed


@pytest.mark.parametrize(
    ("old", "new", "allowed"),
    [
        ("sets: mA", "sets: mA\n    reads: mA", 'exactly one of "sets" and "reads"'),
        ("    sets: mA\n", "", 'exactly one of "sets" and "reads"'),
        ("in: A", "in: V", '"in" of the same dimension as mA'),
        ("0 .. 24 mA", "0 .. 24 V", "ranges in mA"),
        ("resolution: 1 uA", "resolution: 1 uV", "a resolution in mA"),
        ("+ 2 uA", "+ 2 uV", "an accuracy in mA, or in % of reading or range"),
        ("safe level: 0 mA", "safe level: 0 V", "a safe level in mA, within a range"),
        ("safe level: 0 mA", "safe level: -5 mA", "a safe level in mA, within a range"),
        ("safe level", 'reply: "value"\n    safe level', 'a reply with "{value}" in it once'),
        ('    set: "SOUR:CURR {level:.6E}"\n', "", 'a "set" command in function "current"'),
        ("functions:", 'refusal: "E["\nfunctions:', "a regular expression that the whole reply fits"),
        ("functions:", "serial: {parity: high}\nfunctions:", "'none', 'even', 'odd', 'mark' or 'space'"),
    ],
)
def test_what_does_not_fit_together_is_refused_with_what_would(old, new, allowed):
    assert old in SOURCE
    with pytest.raises(InputError, match=r"own\.yaml:\d+:\d+: .*(?:cannot stand here|do not fit together)") as caught:
        description(SOURCE.replace(old, new))
    assert caught.value.allowed == allowed


def test_an_unknown_key_is_told_with_the_nearest_right_one():
    with pytest.raises(
        InputError, match=r'own\.yaml:9:5: "functions\.current\.safe_level" is not a key here'
    ) as caught:
        description(SOURCE.replace("safe level", "safe_level"))
    assert caught.value.todo == 'write "safe level: 0 mA"'


def test_a_key_with_nothing_after_it_means_there_is_no_such_command():
    assert description("identify:\n" + METER).identify is None
    assert description(METER).identify == "*IDN?"
    assert description("clear: []\n" + METER).clear == ()


def test_one_command_needs_no_list():
    assert description('prepare: "SYST:REM"\n' + METER).prepare == ("SYST:REM",)


@pytest.mark.parametrize(
    ("need", "found"),
    [
        ("4 .. 20 mA", ("current", "0 .. 24 mA")),
        ("20 .. 4 mA", ("current", "0 .. 24 mA")),
        ("0 .. 0.1 A", ("current", "0 .. 240 mA")),
        ("-500 .. 500 mV", ("voltage", "-1 .. 1 V")),
        ("0 .. 1 A", None),
        ("0 .. 10 Hz", None),
    ],
)
def test_the_smallest_range_that_holds_all_is_taken(need, found):
    port = description(METER).function_for(does="reads", need=span(need))
    assert (port and (port[0], str(port[1].range))) == found


def test_a_meter_sets_nothing():
    assert description(METER).function_for(does="sets", need=span("4 .. 20 mA")) is None


def test_a_description_beside_the_bench_file_comes_before_the_shipped_ones(tmp_path):
    (tmp_path / "own.yaml").write_text(METER, encoding="utf-8")
    assert find_description("own.yaml", beside=tmp_path).instrument == "a meter"
    assert find_description("generic-scpi-meter", beside=tmp_path).instrument == "generic SCPI-1999 meter"


@pytest.mark.parametrize("name", ["", "..", "x" * 5000, "a\x00b", "generic_scpi_metre"])
def test_a_description_that_is_not_there_is_told_with_those_that_are(tmp_path, name):
    with pytest.raises(InputError, match=r"bench\.yaml:3:1: there is no instrument description") as caught:
        find_description(name, beside=tmp_path, where="bench.yaml:3:1")
    assert all(each in caught.value.allowed for each in SHIPPED)
    assert caught.value.todo.startswith('write "generic-scpi-meter"' if "metre" in name else "correct the name")


@pytest.mark.parametrize("key", ["timeout", "query delay", "takes", "settling", "settling after range change"])
def test_a_time_of_an_instrument_has_an_end(key):
    line = f"{key}: 2 h"
    is_of_function = key in {"takes", "settling", "settling after range change"}
    before, indent = ("    reads:", "    ") if is_of_function else ("functions:", "")
    text = METER.replace(before, f"{indent}{line}\n{before}")
    with pytest.raises(InputError, match=f'{key}: "2 h" is too long a time\n  allowed: at most 1 h'):
        parse(text, Path("own.yaml")).into(Description)
