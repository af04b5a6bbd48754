"""A slip is named by its likely reason; a healthy reading, and a unit that is simply wrong, are left alone."""

import pytest

from sequencer.readings.plausibility import Doubts, Expectation, Seen, doubt, slips


def loop(signal, **further):
    """A 4 .. 20 mA output of a unit with 0.2 % of span (0.032 mA), at a point where `signal` is ideal."""
    return Expectation(signal=signal, low=4.0, high=20.0, unit="mA", tolerance=0.032, **further)


# Written by hand from what people and benches do; nothing here is computed by the code.
KEYED = [
    pytest.param(1.204, "1.204", loop(12.04), "decimal point", "12.04 mA would fit", id="decimal slip down"),
    pytest.param(120.4, "120.4", loop(12.04), "decimal point", "12.04 mA would fit", id="decimal slip up"),
    pytest.param(12.40, "12.40", loop(12.04), "transposed digits", "12.04 would fit", id="two digits behind the point"),
    pytest.param(21.04, "21.04", loop(12.04), "transposed digits", "12.04 would fit", id="two digits before it"),
    pytest.param(10.24, "10,24", loop(12.04), "transposed digits", "12,04 would fit", id="two digits across a comma"),
    pytest.param(-12.0, "-12.0", loop(12.0), "sign", "polarity", id="swapped leads"),
    pytest.param(0.01204, "0.01204", loop(12.04), "unit", "A for mA", id="amperes for milliamperes"),
    pytest.param(12040.0, "12040", loop(12.04), "unit", "factor 1000", id="microamperes"),
    pytest.param(3.01, "3.01", loop(12.04), "unit", "volts across 250 ohm", id="volts across the load"),
    pytest.param(0.0, "0.000", loop(4.0), "loop open", "fuse", id="no current in a live-zero loop"),
    pytest.param(13.61, "13.61", loop(12.0, neighbours=(10.4, 13.6)), "row", "point before or after", id="next row"),
    pytest.param(500.1, "500.1", loop(12.0, others={"input": 500.0}), "channel", 'tap "input"', id="the other column"),
    pytest.param(21.6, "21.6", loop(12.0), "alarm level", "open sensor", id="upscale alarm"),
    pytest.param(15.0, "15.0", loop(12.0), "far", "+3 mA from the 12 expected", id="far, and no reason known"),
    pytest.param(
        122.0, "122", Expectation(signal=50.0, low=0.0, high=100.0, unit="°C"), "unit", "degF for degC", id="fahrenheit"
    ),
]


@pytest.mark.parametrize(("value", "typed", "at", "kind", "says"), KEYED)
def test_a_keyed_slip_is_named(value, typed, at, kind, says):
    found = doubt(value, at, typed=typed)
    assert found.kind == kind
    assert says in found.text
    assert f"{at.signal:.4g}" in found.text


def test_a_value_keyed_twice_is_asked_about():
    found = doubt(8.003, loop(9.6), [Seen(8.0, 8.003)], typed="8.003")
    assert found.kind == "copied"


RISING = [Seen(4.0, 4.01), Seen(8.0, 8.01), Seen(12.0, 12.01), Seen(16.0, 16.01)]
READ = [
    pytest.param(0.0003, loop(4.0), [], "loop open", id="fuse blown"),
    pytest.param(4.002, loop(5.6), [Seen(4.0, 4.0015)], "not moved", id="source not on"),
    # 24 V less 7 V for the unit, over 1000 ohm: 17 mA at most
    pytest.param(17.0, loop(20.0), [*RISING, Seen(18.4, 17.0)], "flat top", id="load too high for the supply"),
    pytest.param(12.001, loop(13.6), [Seen(10.4, 12.0), Seen(12.0, 12.0)], "not moved", id="stuck, right by luck"),
    pytest.param(0.01201, loop(12.0), RISING, "unit", id="answers in amperes"),
    pytest.param(96.0, loop(12.0), [], "over-current", id="two supplies in the loop"),
    pytest.param(3.55, loop(4.0), [], "alarm level", id="downscale alarm"),
]


@pytest.mark.parametrize(("value", "at", "before", "kind"), READ)
def test_a_fault_of_the_bench_is_named(value, at, before, kind):
    found = doubt(value, at, before)
    assert found.kind == kind
    assert found.is_unsafe == (kind == "over-current")


@pytest.mark.parametrize(
    ("value", "at", "before"),
    [
        pytest.param(12.03, loop(12.0), [], id="within the tolerance"),
        pytest.param(12.09, loop(12.0), [], id="out of tolerance, but no slip"),
        pytest.param(10.0, loop(12.0), [], id="an instrument far off, no reason known"),
        pytest.param(11.2, loop(12.0), [Seen(10.4, 9.65)], id="a span error that was seen before"),
        pytest.param(12.40, loop(12.04), [], id="an instrument transposes no digits"),
        pytest.param(4.001, loop(4.0), [Seen(4.0, 4.001)], id="a low-flow cut-off holds the output"),
        pytest.param(5.0e-5, Expectation(signal=0.0, low=0.0, high=10.0, unit="V"), [], id="next to nothing at 0 V"),
        pytest.param(20.0, loop(20.0, neighbours=(18.4, 18.4)), RISING, id="the turning point"),
    ],
)
def test_what_is_no_slip_is_not_doubted(value, at, before):
    assert doubt(value, at, before) is None


def test_a_keyed_unit_with_a_large_error_of_its_own_is_asked_about_once():
    # 10 % of span too much at every point: 1.6 mA
    doubts, asked = Doubts(), []
    for ideal in (4.0, 8.0, 12.0, 16.0, 20.0, 16.0, 12.0, 8.0, 4.0):
        found = doubts.about("output", ideal + 1.6, loop(ideal), typed=f"{ideal + 1.6:.3f}")
        if found is not None:
            asked.append(found.kind)
            doubts.settle("output", found)
        doubts.take("output", ideal + 1.6, loop(ideal))
    assert asked == ["far"]


def test_a_settled_kind_is_settled_for_its_tap_alone():
    doubts = Doubts()
    found = doubts.about("output", 0.0, loop(4.0))
    doubts.settle("output", found)
    assert doubts.about("output", 0.0, loop(5.6)) is None
    assert doubts.about("returned", 0.0, loop(5.6)) == doubt(0.0, loop(5.6))


def test_neighbouring_digits_are_transposed_each_pair_in_turn():
    assert list(slips("12.04 mA")) == ["21.04 mA", "10.24 mA", "12.40 mA"]
