"""Bases of a tolerance or an accuracy: full scale is the upper range value, a digit the resolution; % may be a unit."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from instruments.errors import InputError
from instruments.units import span, terms
from sequencer import core
from sequencer.cli.command import cli
from sequencer.inputs.tolerance import half_width
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.planning.bench_statements import statements

TOLERANCE = ("span", "reading", "output", "full scale")
ACCURACY = ("reading", "range", "full scale", "digits")


def sheet(input_, output, tolerance):
    return TypeSheet.model_validate(
        {"type": "invented", "input": {"range": input_}, "output": {"range": output}, "tolerance": tolerance}
    )


@pytest.mark.parametrize(
    "text", ["0.5 % of full scale", "0.5 % FS", "0.5 %FS", "0.5% of F.S.", "± 0.5 % of full-scale"]
)
def test_full_scale_is_taken_as_people_write_it(text):
    assert str(terms(text, bases=TOLERANCE)) == "0.5 % of full scale"


@pytest.mark.parametrize(
    ("input_", "output", "width"),
    [
        ("0 .. 10 bar", "4 .. 20 mA", 0.08),  # 0.5 % of 10 bar = 0.05 bar, of 16 mA / 10 bar
        ("-1 .. 9 bar", "4 .. 20 mA", 0.072),  # 0.5 % of 9 bar = 0.045 bar, of 1.6 mA/bar
        ("100 .. 400 degC", "0 .. 10 V", 0.5 / 100 * 400 * 10 / 300),
        ("0 .. 10 bar", "20 .. 4 mA", 0.08),  # a reversed signal
    ],
)
def test_full_scale_is_the_upper_range_value_of_the_input(input_, output, width):
    unit = sheet(input_, output, "0.5 % of full scale")
    x = np.array([span(input_).low, span(input_).high])
    assert half_width(unit.tolerance, unit.datasheet(), x) == pytest.approx([width, width], rel=1e-9)


def test_what_is_printed_says_what_the_full_scale_is():
    assert sheet("0 .. 10 bar(g)", "4 .. 20 mA", "0.5 % FS + 0.01 mA").stated_tolerance == (
        "0.5 % of full scale + 0.01 mA (the upper range value of input, 10 bar(g))"
    )
    assert sheet("0 .. 10 bar", "4 .. 20 mA", "0.5 % of span").stated_tolerance == "0.5 % of span"


def test_a_range_that_ends_at_zero_has_no_full_scale():
    with pytest.raises(ValueError, match=r"in % of span, since the upper range value of -1 .. 0 bar is no full scale"):
        sheet("-1 .. 0 bar", "4 .. 20 mA", "0.5 % of full scale")


def test_a_tolerance_in_full_scale_goes_from_the_type_sheet_to_the_report(small):
    planned = small(type_sheet={"0.2 % of span": "0.2 % FS", "0 .. 1000 Hz, limits: 0 .. 1200 Hz": "200 .. 1000 Hz"})
    folder = core.run(planned, serial="x", results=planned.bench.path.parent / "results").record.folder
    told = json.loads(CliRunner().invoke(cli, ["report", str(folder), "--json"]).stdout)
    words = "0.2 % of full scale (the upper range value of input, 1000 Hz)"
    assert told["tolerance"] == words
    # 0.2 % of 1000 Hz is 2 Hz of 800 Hz, so 0.25 % of span.
    assert {round(each["tolerance_pct"], 6) for each in told["points"]} == {0.25}
    assert words in (folder / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "said", "width"),
    [
        # A display of 199.99 V that reads 100 V: 0.05 % of it is 0.05 V, a digit 0.01 V.
        ("0.05 % of reading + 3 digits", "0.05 % of reading + 3 digits", 0.08),
        ("2 dgt", "2 digits", 0.02),
        ("2 counts + 10 mV", "2 digits + 10 mV", 0.03),
        ("0.1 % FS", "0.1 % of full scale", 0.2),
    ],
)
def test_digits_are_those_of_the_instrument(text, said, width):
    found = terms(text, bases=ACCURACY)
    assert str(found) == said
    assert str(terms(str(found), bases=ACCURACY)) == said
    assert found.half_width("V", reading=100.0, digits=0.01, full_scale=200.0) == pytest.approx(width)


def test_a_unit_under_test_has_no_digits():
    with pytest.raises(InputError, match='"digits" is not a unit'):
        terms("3 digits", bases=TOLERANCE)


def test_an_accuracy_in_digits_is_in_the_budget_and_asks_for_a_resolution(small, described):
    changes = {"0.005 % of reading + 0.001 % of range": "0.005 % of reading + 10 digits"}
    name = described("meter", changes)
    bench = {"meter: {description: generic-scpi-meter": f"meter: {{description: {name}"}
    digits, plain = small(bench=bench), small()  # 0.001 % of 100 mA is 1 uA, ten times 0.1 uA
    limits = [statements(each.bench, each.wires, each.sequence.sheet)[-1].accuracy for each in (digits, plain)]
    assert limits[0].of_reading == limits[1].of_reading == pytest.approx(5e-5)
    assert limits[0].floor == pytest.approx(1e-3, rel=1e-9)
    assert limits[1].floor == pytest.approx(1e-3, rel=1e-9)
    without = described("meter", changes | {"resolution: 0.1 uA, ": ""})
    with pytest.raises(InputError, match='"resolution" beside an accuracy in digits: one digit is that much'):
        small(bench={"meter: {description: generic-scpi-meter": f"meter: {{description: {without}"})


def test_an_output_in_percent_takes_an_absolute_tolerance():
    unit = sheet("4 .. 20 mA", "0 .. 100 %", "0.5 % absolute")
    assert str(unit.tolerance) == "0.5 % absolute"
    assert half_width(unit.tolerance, unit.datasheet(), np.array([4.0, 12.0])) == pytest.approx([0.5, 0.5])
    narrow = sheet("4 .. 20 mA", "20 .. 60 %", "5000 ppm abs")
    assert half_width(narrow.tolerance, narrow.datasheet(), np.array([12.0])) == pytest.approx([0.5])
    with pytest.raises(InputError, match="does not say of what") as caught:
        terms("0.5 %", bases=TOLERANCE)
    assert '"0.5 % absolute"' in caught.value.todo
    with pytest.raises(ValueError, match="a tolerance in %, in mA or in Hz"):
        sheet("0 .. 1000 Hz", "4 .. 20 mA", "0.5 % absolute")


def test_a_certificate_in_digits_asks_for_a_resolution(small, described):
    stated = 'identity: SIMULATED METER, certificate: {number: "C 17", uncertainty: {current: 2 digits}}'
    bench = {"identity: SIMULATED METER": stated}
    (*_, meter) = statements((known := small(bench=bench)).bench, known.wires, known.sequence.sheet)
    assert meter.certificate.floor == pytest.approx(2e-4, rel=1e-9)  # twice 0.1 uA, in mA
    ranges = "accuracy: 0.01 % of reading + 0.003 % of range"
    name = described("meter", {f"resolution: 10 nA, {ranges}": ranges})
    with pytest.raises(InputError, match='"meter" states 2 digits for current, which has no resolution'):
        small(bench=bench | {"meter: {description: generic-scpi-meter": f"meter: {{description: {name}"})


def test_what_the_unit_shows_itself_has_digits_and_no_accuracy_of_its_own(small, described):
    """An indicator under test: its error is what is judged, so nothing has to be invented for it."""
    name = described("meter", {"timeout: 5 s\n": "timeout: 5 s\nunder test: yes\n"})
    planned = small(bench={"meter: {description: generic-scpi-meter": f"meter: {{description: {name}"})
    *_, last = statements(planned.bench, planned.wires, planned.sequence.sheet)
    assert (last.accuracy.of_reading, last.accuracy.floor) == (0.0, 0.0)
    assert last.resolution == 1e-4
