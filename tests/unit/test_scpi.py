"""Replies to numbers: as instruments write them, and nothing else ever becomes a number."""

import pytest

from instruments.errors import InstrumentError, NoReadingError
from instruments.scpi import error_entry, number, parts, reply_pattern, taken

PLAIN = reply_pattern("{value}")


def read(reply, pattern=PLAIN):
    return number(reply, pattern, where="meter", command="READ?")


@pytest.mark.parametrize(
    ("reply", "value"),
    [
        ("5", 5.0),  # NR1
        ("+5", 5.0),
        ("-0012", -12.0),
        ("12.5", 12.5),  # NR2
        ("12.", 12.0),
        (".5", 0.5),
        ("+1.20000000E-02", 0.012),  # NR3
        ("1.2e-02", 0.012),
        ("1.2E-2\r", 0.012),  # CR left over from CR LF
        ("  -1.2E+3 ", -1200.0),
        ("0", 0.0),
        ("-0.0E+00", 0.0),
    ],
)
def test_a_number_is_read_in_each_of_its_forms(reply, value):
    assert read(reply) == value


@pytest.mark.parametrize(
    "reply", ["9.9E37", "+9.90000000E+37", "-9.9E+37", "9.9e37", "1E38", "1e999", "INF", "+INF", "-INFINITY", "NINF"]
)
def test_an_overload_is_no_number(reply):
    with pytest.raises(NoReadingError, match="reading is overload") as caught:
        read(reply)
    assert (caught.value.kind, caught.value.reply, caught.value.command) == ("overload", reply, "READ?")


@pytest.mark.parametrize("reply", ["9.91E37", "+9.91000000E+37", "-9.91E37", "NAN", "nan"])
def test_not_a_number_is_no_number(reply):
    with pytest.raises(NoReadingError, match="reading is not a number"):
        read(reply)


@pytest.mark.parametrize("reply", ["", " ", "\r", "\t "])
def test_an_empty_reply_is_no_zero(reply):
    with pytest.raises(NoReadingError, match="reading is empty"):
        read(reply)


@pytest.mark.parametrize(
    "reply",
    [
        "\x00",
        "\xff+1.2\x00\xb5",
        "1.2.3",
        "1,2",
        "1.0,2.0",
        "+",
        "E5",
        "1 2",
        "0x10",
        "1_0",
        "\xb2",
        "OL",
        "++1",
        "1e",
        "1" * 201,
        '"5"',
    ],
)
def test_a_garbled_reply_is_no_number(reply):
    with pytest.raises(NoReadingError, match="reading is garbled") as caught:
        read(reply)
    assert caught.value.reply == reply


@pytest.mark.parametrize(
    ("form", "reply", "value"),
    [
        ("{value} RPM", "+0748.5 RPM", 748.5),
        ("{value} RPM", "+0748.5  rpm", 748.5),
        ("{value}RPM", "748.5 RPM", 748.5),
        ("{value} µA", "12.5 \xb5A", 12.5),
        ("{value} μA", "12.5 \xb5A", 12.5),  # Greek mu in the description, micro sign from the instrument
        ("N {value} (V)", "N  1.5 (V)", 1.5),
        ("{value}", "- 1.5", -1.5),  # a blank after the sign
        ("{skip},{value},{skip}", "21.5,1.25,OK,3", 1.25),  # one quantity of several
        ("{skip}{value} bar", "PRES +1.25E0 BAR", 1.25),
        ("{skip} {value}", "READY 7", 7.0),
        ("\x02{value}", "\x02+1.5", 1.5),
    ],
)
def test_a_reply_is_read_by_the_pattern_of_its_description(form, reply, value):
    assert read(reply, reply_pattern(form)) == value


def test_a_decimal_comma_is_one_and_a_point_is_then_none():
    assert read("+ 1,250 bar", reply_pattern("{value} bar", decimal="comma")) == 1.25
    with pytest.raises(NoReadingError, match="garbled"):
        read("1.250 bar", reply_pattern("{value} bar", decimal="comma"))


def test_unit_and_status_beside_a_number_are_known():
    found = taken("B 12.5mV", reply_pattern("{status} {value}{unit}"), where="meter", command="READ?")
    assert (found.value, found.unit, found.status) == (12.5, "mV", "B")


@pytest.mark.parametrize("form", ["", "value", "{value},{flag}", "{value},{value}", "{skip}{unit} {value}", "{value}{"])
def test_a_form_that_says_nothing_clear_is_refused(form):
    with pytest.raises(ValueError, match=r"reply with|text between"):
        reply_pattern(form)


@pytest.mark.parametrize(
    ("reply", "found"),
    [
        ("1.5", ("1.5",)),
        ("1.5;0", ("1.5", "0")),
        ('-113,"Undefined header;SOUR:FOO 1";+1.2E-2;0', ('-113,"Undefined header;SOUR:FOO 1"', "+1.2E-2", "0")),
        ("", ("",)),
        (";", ("", "")),
        ('0,"never ended;1', ('0,"never ended;1',)),
    ],
)
def test_the_answers_of_one_message_are_divided_outside_of_quotes(reply, found):
    # IEEE 488.2-1992, 8.4.1 and 8.7.8 (string response data), from memory.
    assert parts(reply) == found


def test_a_reply_of_another_pattern_is_garbled():
    with pytest.raises(NoReadingError, match="garbled"):
        read("748.5 Hz", reply_pattern("{value} RPM"))


@pytest.mark.parametrize(
    ("reply", "entry"),
    [
        ('0,"No error"', (0, "No error")),
        ('+0,"No error"', (0, "No error")),
        ('-350,"Queue overflow"', (-350, "Queue overflow")),
        ('-222,"Data out of range;SOUR:CURR 5"', (-222, "Data out of range;SOUR:CURR 5")),
        ("-113", (-113, "")),
        (' -113 , "Undefined header" \r', (-113, "Undefined header")),
        ("0,No error", (0, "No error")),
    ],
)
def test_an_entry_of_the_error_queue_is_code_and_text(reply, entry):
    assert error_entry(reply, where="meter", command="SYST:ERR?") == entry


@pytest.mark.parametrize("reply", ["", "+1.2E-3", "OK", '"No error"', "9" * 5000, "1.2,3"])
def test_what_is_no_entry_answers_another_question(reply):
    with pytest.raises(InstrumentError, match="the error query was answered by something else") as caught:
        error_entry(reply, where="meter", command="SYST:ERR?")
    assert caught.value.reply == reply
