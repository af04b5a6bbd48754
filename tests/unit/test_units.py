"""Text to quantity: what people write is taken, everything else is refused with a reason, and speed is no frequency."""

import time

import pytest

from instruments.errors import InputError
from instruments.unit_names import unit_of
from instruments.units import (
    Span,
    canonical,
    difference,
    is_alike,
    magnitude,
    quantity,
    rescale,
    show,
    span,
    terms,
)


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("12 mA", "mA", 12.0),
        ("12mA", "mA", 12.0),
        ("  12.5 mA\n", "mA", 12.5),
        ("12\u00a0mA", "mA", 12.0),  # no-break space, out of a word processor
        ("\u22125 mA", "mA", -5.0),  # printed minus
        (".5 V", "mV", 500.0),
        ("1e3 Hz", "kHz", 1.0),
        ("50 ms", "s", 0.05),
        ("20 µA", "mA", 0.02),
        ("20 μA", "mA", 0.02),  # Greek mu
        ("20 uA", "mA", 0.02),
        ("5 kΩ", "ohm", 5000.0),
        ("5 k\u2126", "ohm", 5000.0),  # the ohm sign
        ("5 kohm", "Ω", 5000.0),
        ("23 °C", "K", 296.15),
        ("73.4 °F", "degC", 23.0),
        ("1 psi", "Pa", 6894.757293168),
        ("1 bar", "kPa", 100.0),
        ("5%", "percent", 5.0),
        ("1200 rpm", "rev/s", 20.0),
        ("60 pulses/rev", "pulse/rev", 60.0),
        ("9.81 m/s²", "m/s^2", 9.81),
    ],
)
def test_a_quantity_is_taken_as_people_write_it(text, unit, number):
    assert magnitude(quantity(text), unit) == pytest.approx(number, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "is not a number with a unit"),
        ("mA", "is not a number with a unit"),
        ("12", "has no unit"),
        ("12,5 mA", 'write "12.5 mA"'),
        ("1 000 mA", "is not a number with a unit"),
        ("4-20 mA", "is not a number with a unit"),
        ("1e999 mA", "is too large a number"),
        ("-1e999 mA", "is too large a number"),
        ("nan mA", "is not a number with a unit"),
        ("inf mA", "is not a number with a unit"),
        ("0x10 mA", "is not a unit"),
        ("1_000 mA", "is not a unit"),
        ("١٢ mA", "is not a number with a unit"),  # figures of another script
        ("12 m A", "is not a unit"),  # pint would read metre times ampere
        ("12 mA mA", "is not a unit"),
        ("12 mA/mA", "is not a unit"),
        ("12 Bar", "is not a unit"),
        ("12 mA\x00", r"mA\\x00\" is not a unit"),
        ("12 \u202emA", r"\\u202emA\" is not a unit"),  # right-to-left override: shown, not obeyed
        ("12 mA\u200b", r"mA\\u200b\" is not a unit"),
        ("12 mA**9**9**9", "is not a unit"),  # pint would compute it, and never come back
        ("12 __import__('os')", "is not a unit"),
        ("12 " + "(" * 150, "is not a unit"),
        ("9" * 100_000 + " mA", "is too long"),
        ("1" + " " * 100_000, "is too long"),
    ],
)
def test_what_is_no_quantity_is_refused_with_a_reason_and_at_once(text, what):
    begin_s = time.perf_counter()
    with pytest.raises(InputError, match=what) as caught:
        quantity(text)
    assert time.perf_counter() - begin_s < 0.5
    assert all(line.isprintable() and len(line) < 200 for line in caught.value.lines)


@pytest.mark.parametrize(
    ("text", "like"),
    [("12 V", "mA"), ("50 Hz", "rpm"), ("3000 rpm", "Hz"), ("4 mA", "%"), ("5 s", "Hz"), ("60 pulses/rev", "Hz")],
)
def test_another_dimension_is_refused(text, like):
    with pytest.raises(InputError, match=f'"{text}" is not in {like}') as caught:
        quantity(text, like=like)
    assert caught.value.todo == f"give it in {like}"


def test_3000_rpm_is_50_revolutions_a_second_and_no_frequency():
    speed = quantity("3000 rpm")
    assert magnitude(speed, "rev/s") == pytest.approx(50.0, rel=1e-12)
    assert not is_alike("rpm", "Hz")
    with pytest.raises(InputError, match="3000 rpm is not a level in Hz"):
        magnitude(speed, "Hz")


def test_speed_times_pulses_a_revolution_is_a_pulse_rate():
    rate = quantity("3000 rpm") * quantity("60 pulses/rev")
    assert magnitude(rate, "Hz") == pytest.approx(3000.0, rel=1e-12)


def test_a_temperature_difference_is_no_temperature():
    assert magnitude(quantity("0.5 degC"), "K") == pytest.approx(273.65, rel=1e-12)
    assert magnitude(difference("0.5 degC"), "K") == pytest.approx(0.5, rel=1e-12)
    assert magnitude(difference("9 degF"), "K") == pytest.approx(5.0, rel=1e-12)
    with pytest.raises(InputError, match="is not a level in degC"):
        magnitude(difference("0.5 degC"), "degC")


def test_a_rate_of_temperature_never_ends_in_an_error_of_the_library():
    assert magnitude(quantity("6 degC/min"), "K/s") == pytest.approx(0.1, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("4 .. 20 mA", (4, 20, "mA")),
        ("4..20mA", (4, 20, "mA")),
        ("4...20 mA", (4, 20, "mA")),
        ("4 … 20 mA", (4, 20, "mA")),
        ("4-20 mA", (4, 20, "mA")),
        ("4 – 20 mA", (4, 20, "mA")),
        ("4 to 20 mA", (4, 20, "mA")),
        ("4 mA .. 20 mA", (4, 20, "mA")),
        ("20 .. 4 mA", (20, 4, "mA")),
        ("-10 .. 10 V", (-10, 10, "V")),
        ("\u221240 .. 120 degC", (-40, 120, "°C")),
        ("500 mV .. 5 V", (0.5, 5, "V")),
        ("4e-3 .. 20e-3 A", (0.004, 0.02, "A")),
        (".5...1.5 V", (0.5, 1.5, "V")),
        ("0 .. 1234567 Hz", (0, 1234567, "Hz")),
    ],
)
def test_a_range_is_taken_as_people_write_it(text, expected):
    found = span(text)
    assert (found.low, found.high) == pytest.approx(expected[:2], rel=1e-12)
    assert found.unit == expected[2]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("4-20", "has no unit"),
        ("4 .. 4 mA", "has no width"),
        ("4 mA", "is not a range"),
        ("4 .. 20 mA .. 30 mA", "is not a unit"),
        ("4 V .. 20 mA", "4 V is not a level in mA"),
        ("4,0 .. 20,0 mA", 'write "4.0 .. 20.0 mA"'),
        ("-20--10 mA", "is not a unit"),
        ("0 .. 1e999 mA", "is too large a number"),
        ("1 .. " + "2" * 100_000 + " mA", "is too long"),
        ("1" + "x" * 100_000, "is too long"),
        ("4 .. 20 mA\x00", "is not a unit"),
    ],
)
def test_what_is_no_range_is_refused_with_a_reason(text, what):
    with pytest.raises(InputError, match=what):
        span(text)


def test_a_reversed_range_keeps_its_order_and_knows_its_ends():
    signal = span("20 .. 4 mA")
    assert (signal.low, signal.high, signal.bottom, signal.top, signal.width) == (20, 4, 4, 20, 16)


def test_a_range_in_another_unit_keeps_offset_and_order():
    warm = span("0 .. 100 degC").within("degF")
    assert (warm.low, warm.high) == pytest.approx((32, 212), rel=1e-12)
    assert warm.unit == "°F"


@pytest.mark.parametrize(
    ("value", "inside"),
    [(4, True), (20, True), (3.99, False), (20.01, False), (float("nan"), False), (float("inf"), False)],
)
def test_a_range_holds_its_ends_and_nothing_beyond(value, inside):
    assert Span(20, 4, "mA").holds(value) is inside


def test_factor_and_shift_turn_readings_into_another_unit():
    factor, shift = rescale("degC", "degF")
    assert factor * 100 + shift == pytest.approx(212, rel=1e-12)
    factor, shift = rescale("A", "mA")
    assert (factor, shift) == pytest.approx((1000, 0), abs=1e-12)


@pytest.mark.parametrize(
    ("unit", "symbol"), [("ohm", "Ω"), ("degC", "°C"), ("uA", "µA"), ("percent", "%"), ("pulses", "pulse"), ("1", "1")]
)
def test_a_unit_has_one_short_symbol(unit, symbol):
    assert canonical(unit) == symbol
    assert canonical(symbol) == symbol


def test_a_level_is_shown_with_its_unit():
    assert show(quantity("12.50 mA")) == "12.5 mA"
    assert show(quantity("23 degC")) == "23 °C"


@pytest.mark.parametrize("rest", ["2.22e-16 mA", "-2.22e-16 mA", "3.7e-13 mA"])
def test_a_level_of_nothing_but_a_rounding_rest_is_shown_as_zero(rest):
    assert show(quantity(rest)) == "0 mA"
    assert show(quantity(rest), digits=9) == "0 mA"


def test_an_end_of_a_range_that_is_a_rounding_rest_is_shown_as_zero():
    assert str(span("32 .. 212 degF").within("degC")) == "0 .. 100 °C"
    assert str(span("-1e-13 .. 1e-13 A")) == "-1e-13 .. 1e-13 A"  # a narrow range is none


BASES = ("span", "reading", "output")


@pytest.mark.parametrize(
    ("text", "unit", "width"),
    [
        ("0.2 % of span", "mA", 0.032),
        ("±0.2 % of span", "mA", 0.032),
        ("+/-0.2 % of span", "mA", 0.032),
        ("500 ppm of reading", "mA", 0.006),
        ("10 uA", "mA", 0.01),
        ("10 uA + 0.1 % of reading", "mA", 0.022),
        ("0.01 mA + 0.05 % of span + 0.1 % of output", "mA", 0.028),
    ],
)
def test_a_tolerance_is_the_sum_of_its_parts(text, unit, width):
    half = terms(text, bases=BASES).half_width(unit, span=16.0, reading=12.0, output=10.0)
    assert half == pytest.approx(width, rel=1e-12)


def test_half_a_degree_of_tolerance_is_a_difference():
    tolerance = terms("0.5 degC + 0.1 % of reading", bases=BASES)
    assert tolerance.half_width("degC", reading=100.0) == pytest.approx(0.6, rel=1e-12)
    assert tolerance.half_width("K", reading=0.0) == pytest.approx(0.5, rel=1e-12)
    assert str(tolerance) == "0.5 °C + 0.1 % of reading"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("0.2 %", "does not say of what"),
        ("0.2 % of spam", '"spam" is not a base'),
        ("2 mA of span", "takes a share in something else than %"),
        ("-0.2 % of span", "is negative"),
        ("0 % of span", "is zero"),
        ("0.2 % of span +", "is not a unit|not a base"),
        ("0.2 % of span + 0.1", "has no unit"),
        ("0,2 % of span", "is not a number with a unit"),
        ("", "is not a number with a unit"),
        ("0.2 % of " + "span " * 10_000, "is too long"),
    ],
)
def test_what_is_no_tolerance_is_refused_with_a_reason(text, what):
    with pytest.raises(InputError, match=what):
        terms(text, bases=BASES)


def test_an_absolute_part_of_another_dimension_is_refused():
    with pytest.raises(InputError, match='"1 V" is not in mA or degC'):
        terms("1 V", bases=BASES, like=("mA", "degC"))


@pytest.mark.parametrize(
    ("text", "unit"),
    [("12.345 mA", "A"), ("12.345 mA", "mA"), ("0.1 mA", "uA"), ("7 kPa(g)", "bar(g)"), ("21.3 degC", "K"),
     ("21.3 degC", "degC"), ("70.1 degF", "degC"), ("1450 rpm", "rpm"), ("3 min", "s"), ("12.3 %", "%")],
)  # fmt: skip
def test_the_short_way_to_a_number_is_that_of_pint_to_the_last_digit(text, unit):
    level = quantity(text)
    # Reference: the conversion of pint itself.
    for scale in (1.0, 0.0, -1.0, 1 / 3, 1e-9, 1e12):
        scaled = type(level)(scale * level.magnitude, level.units)
        assert magnitude(scaled, unit) == float(scaled.to(unit_of(unit)).magnitude)


def test_the_short_way_refuses_another_dimension_each_time():
    for _ in range(2):
        with pytest.raises(InputError, match="12 mA is not a level in V"):
            magnitude(quantity("12 mA"), "V")
