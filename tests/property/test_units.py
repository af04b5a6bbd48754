"""Whatever text comes, a value or an InputError; and what is shown can be read again."""

import contextlib
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.errors import InputError
from instruments.units import Span, difference, magnitude, quantity, show, span, terms

UNITS = ("mA", "V", "mV", "Hz", "kHz", "rpm", "Ω", "°C", "mbar", "s", "%", "µA", "pulse/rev")
NUMBERS = st.floats(-1e9, 1e9).filter(lambda number: number == 0 or abs(number) > 1e-9)
SCRAPS = st.lists(
    st.sampled_from(
        [
            "4",
            "20",
            ".",
            "..",
            "-",
            "+",
            "e",
            "1e9",
            " ",
            "mA",
            "%",
            "of",
            "span",
            "**",
            "/",
            "(",
            "\x00",
            "\u202e",
            "to",
            "°C",
            "²",
        ]
    ),
    max_size=12,
).map("".join)


@settings(deadline=2000)
@given(number=NUMBERS, unit=st.sampled_from(UNITS))
def test_a_quantity_that_is_shown_reads_the_same_again(number, unit):
    again = quantity(show(quantity(f"{number!r} {unit}"), digits=17))
    assert magnitude(again, unit) == pytest.approx(number, rel=1e-14)


@settings(deadline=2000)
@given(number=NUMBERS, unit=st.sampled_from(("°C", "°F", "K")))
def test_a_difference_that_is_shown_reads_the_same_again(number, unit):
    wide = difference(f"{number!r} {unit}")
    assert magnitude(difference(show(wide, digits=17)), "K") == pytest.approx(magnitude(wide, "K"), rel=1e-14)


@settings(deadline=2000)
@given(low=NUMBERS, high=NUMBERS, unit=st.sampled_from(UNITS))
def test_a_range_that_is_shown_reads_the_same_again(low, high, unit):
    if math.isclose(low, high, rel_tol=1e-9):
        high = low + 1
    again = span(str(Span(low, high, unit)))
    assert (again.low, again.high) == pytest.approx((low, high), rel=1e-11)
    assert again.unit == unit


@settings(deadline=2000)
@given(
    parts=st.lists(
        st.tuples(st.floats(1e-6, 1e6), st.sampled_from(("% of span", "% of reading", "mA", "µA"))),
        min_size=1,
        max_size=4,
    )
)
def test_a_tolerance_that_is_shown_is_as_wide_again(parts):
    text = " + ".join(f"{number:.6g} {base}" for number, base in parts)
    first = terms(text, bases=("span", "reading"))
    again = terms(str(first), bases=("span", "reading"))
    assert again.half_width("mA", span=16, reading=12) == pytest.approx(first.half_width("mA", span=16, reading=12))


@settings(deadline=2000)
@given(text=st.one_of(st.text(), SCRAPS))
def test_any_text_is_a_value_or_an_input_error(text):
    for take in (quantity, difference, span, lambda each: terms(each, bases=("span",))):
        with contextlib.suppress(InputError):
            take(text)


@settings(deadline=2000)
@given(text=SCRAPS)
def test_a_number_that_was_taken_is_finite(text):
    with contextlib.suppress(InputError):
        assert math.isfinite(quantity(text).magnitude)


@settings(deadline=2000)
@given(number=NUMBERS, low=NUMBERS, width=st.floats(1e-3, 1e9))
def test_a_range_holds_what_lies_between_its_ends(number, low, width):
    signal = Span(low + width, low, "mA")
    margin = 1e-8 * width
    if low + margin < number < low + width - margin:
        assert signal.holds(number)
    if number < low - margin or number > low + width + margin:
        assert not signal.holds(number)
