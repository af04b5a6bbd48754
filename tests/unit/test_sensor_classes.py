"""Tolerance classes by name against the tables in `shared/published/temperature`.

Classes of IEC 60751 as quoted there, those of IEC 60584-1 from memory, as said there.
"""

import re

import numpy as np
import pytest
import yaml

from instruments.errors import InputError
from instruments.sensor_classes import class_of, half_width_degC, range_degC
from instruments.shipped import shipped
from instruments.units import terms
from sequencer import core
from sequencer.inputs.tolerance import half_width, with_floor


def published(name):
    return yaml.safe_load(shipped("shared", "published", "temperature", name).read_text("utf-8"))


PT = published("pt-iec60751.yaml")
COUPLES = [
    (number, couple, text)
    for number in "123"
    for couples, text in published("thermocouples.yaml")["iec_60584_1_2013"]["tolerances"][f"class_{number}"].items()
    for couple in couples.split(",")
]
PT_TYPE = """\
type: Pt100 of a wort cooler, read by its resistance (invented)
input: {range: 0 .. 100 degC}
output: {range: 0 .. 100 degC, sensor: {rtd: Pt100}}
tolerance: class A
"""
MOST = 'a range within -30 .. 300 degC, where IEC 60751 class A holds of a film; write "wire wound" behind it'


def number(text, t):
    """A half width as the table prints it: the greater of those beside "or"."""
    plain = text.replace("|t|", f"*{abs(t)}").replace("(t-1100)", f"*({t}-1100)").replace("0t", f"0*{t}")
    return max(eval(re.sub(r"([0-9])t", rf"\1*{t}", each)) for each in plain.split(" or "))


@pytest.mark.parametrize(("name", "t", "width"), PT["tolerance_check_values_degC"])
def test_platinum_has_the_values_that_are_printed(name, t, width):
    assert float(half_width_degC(class_of(f"class {name}"), np.array(float(t)))) == pytest.approx(width)


@pytest.mark.parametrize("row", PT["tolerance_classes_thermometers"], ids=lambda row: row["class"])
def test_platinum_has_the_formula_and_the_ranges_of_its_class(row):
    for made, key in (("wire wound", "wire_wound"), ("film", "film")):
        named = class_of(f"IEC 60751 class {row['class']} {made}")
        assert list(range_degC(named)) == row[key]
        for t in (*row[key], -17.0, 0.0, 233.0):
            assert float(half_width_degC(named, np.array(float(t)))) == pytest.approx(number(row["formula"], t))
    assert list(range_degC(class_of(f"class {row['class']}"))) == row["film"]  # the narrower where nobody says


@pytest.mark.parametrize(("name", "couple", "text"), COUPLES)
def test_a_thermocouple_has_the_greater_of_the_two_limits_of_its_class(name, couple, text):
    formula, _, ends = text.partition(", ")
    low, high = (float(end) for end in ends.split(".."))
    named = class_of(f"IEC 60584 class {name} type {couple}")
    assert range_degC(named) == (low, high)
    for t in np.linspace(low, high, 23):
        assert float(half_width_degC(named, np.array(t))) == pytest.approx(number(formula, t))
    by_sheet = half_width_degC(class_of(f"class {name}"), np.array(high), thermocouple=couple)
    assert by_sheet == pytest.approx(number(formula, high))


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("class A", "IEC 60751 class A"),
        ("IEC 60751 AA", "IEC 60751 class AA"),
        ("IEC 60751:2022, class b, wire-wound", "IEC 60751 class B wire wound"),
        ("class C film", "IEC 60751 class C film"),
        ("Class 1, type K", "IEC 60584 class 1 type K"),
        ("IEC 60584-1:2013 class 3 type T", "IEC 60584 class 3 type T"),
        ("0.2 % of span", ""),
        ("0.5 A", ""),
    ],
)
def test_a_class_is_written_as_people_write_it(text, name):
    assert class_of(text) == name
    if name:
        assert class_of(name) == name
        assert str(terms(f"{text} + 0.1 degC", bases=("class",))) == f"{name} + 0.1 °C"


@pytest.mark.parametrize(
    "text",
    [
        "class D",
        "IEC 60584 class A",
        "IEC 60751 class 1",
        "class 3 type J",
        "class 1 type B",
        "class A type K",
        "IEC 60751",
    ],
)
def test_a_class_that_is_none_is_refused_with_those_that_are(text):
    with pytest.raises(InputError, match="tolerance class") as refused:
        class_of(text)
    assert "IEC 60751 class A" in refused.value.allowed


def test_a_class_is_no_accuracy_of_an_instrument():
    with pytest.raises(InputError):
        terms("class A", bases=("reading", "range"))


@pytest.mark.parametrize(
    ("changes", "at", "width"),
    [
        # Class A at 100 degC is 0.35 K (IEC 60751), at the output as it is.
        ({}, 100.0, 0.35),
        # A transmitter with its sensor: 16 mA over 100 K, and 0.1 % of 16 mA besides.
        ({"output: {range: 0 .. 100 degC, sensor: {rtd: Pt100}}": "output: {range: 4 .. 20 mA}",
          "class A": "class A + 0.1 % of span"}, 100.0, 0.35 * 0.16 + 0.016),
        # 212 degF is 100 degC, 0.35 K are 0.63 degF.
        ({"output: {range: 0 .. 100 degC, sensor: {rtd: Pt100}}": "output: {range: 0 .. 100 %}",
          "input: {range: 0 .. 100 degC}": "input: {range: 32 .. 212 degF}"}, 212.0, 0.35),
        # Class 1 of type K at 300 degC: 1.5 K, since 0.4 % are 1.2 K. Class 2: 2.5 K.
        ({"sensor: {rtd: Pt100}": "sensor: {thermocouple: K, cold junction: 20 degC}", "class A": "class 1",
          "0 .. 100": "0 .. 600"}, 600.0, 2.4),
        ({"output: {range: 0 .. 100 degC, sensor: {rtd: Pt100}}": "output: {range: 4 .. 20 mA}",
          "class A": "class 2 type K"}, 100.0, 2.5 * 0.16),
    ],
    ids=["Pt100", "transmitter", "degF", "type K", "named type"],
)  # fmt: skip
def test_a_class_is_carried_to_the_output(type_sheet, changes, at, width):
    text = PT_TYPE
    for old, new in changes.items():
        text = text.replace(old, new)
    sheet = type_sheet(text)
    assert float(half_width(sheet.tolerance, sheet.datasheet(), np.array(at))) == pytest.approx(width, rel=1e-6)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"0 .. 100 degC": "0 .. 400 degC"}, MOST),
        ({"0 .. 100 degC": "0 .. 500 degC", "class A": "class A wire wound"}, "a range within -100 .. 450 degC"),
        ({"class A": "class 1"}, "the sensor that is stated, not IEC 60584 class 1"),
        ({"sensor: {rtd: Pt100}": "sensor: {thermocouple: J, cold junction: 20 degC}"}, "the sensor that is stated"),
        ({"sensor: {rtd: Pt100}": "sensor: {thermocouple: J, cold junction: 20 degC}", "class A": "class 3"},
         "a class that a thermocouple of type J has"),
        ({"sensor: {rtd: Pt100}": "sensor: {thermocouple: J, cold junction: 20 degC}", "class A": "class 1 type K"},
         "a tolerance class of type J"),
        ({"output: {range: 0 .. 100 degC, sensor: {rtd: Pt100}}": "output: {range: 4 .. 20 mA}", "class A": "class 2"},
         "the type of the thermocouple behind it"),
        ({"input: {range: 0 .. 100 degC}": "input: {range: 0 .. 10 V}",
          "output: {range: 0 .. 100 degC, sensor: {rtd: Pt100}}": "output: {range: 4 .. 20 mA}"},
         "where the input is a temperature, not V"),
    ],
)  # fmt: skip
def test_a_class_that_does_not_fit_the_unit_is_refused(type_sheet, changes, says):
    text = PT_TYPE
    for old, new in changes.items():
        text = text.replace(old, new)
    with pytest.raises(InputError) as refused:
        type_sheet(text)
    assert says in " ".join(line for each in (refused.value, *refused.value.others) for line in each.lines)


def test_a_sensor_is_judged_by_its_class(type_sheet, by_hand):
    """IEC 60751: 100 ohm at 0 degC and 138.51 ohm at 100 degC; 0.385 ohm are 1 K, class A allows 0.15 and 0.35 K."""
    sheet = type_sheet(PT_TYPE)
    for off_ohm, result in ((0.05, "pass"), (0.12, "fail")):
        rows = [(0, 100 + off_ohm), (50, 119.40 + off_ohm), (100, 138.5055 + off_ohm)]
        found = core.by_hand(by_hand("input [degC];output [ohm]", rows), sheet).evaluation
        assert found.verdict.result == result
        assert found.tolerance == "IEC 60751 class A"
        assert found.visits["tolerance"].to_numpy() == pytest.approx([0.15, 0.25, 0.35])


def test_a_class_stays_where_a_floor_is_added():
    wide = with_floor(terms("class B", bases=("class",)), 0.15)
    assert str(wide) == "IEC 60751 class B + 0.2 % of span"
