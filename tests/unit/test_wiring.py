"""Which function and range serves which tap, and what a bench cannot do."""

import pytest

from instruments.benchfile import load_bench
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import PlanError
from instruments.sensor import Rtd, Thermocouple
from instruments.units import show
from instruments.wiring import signal_span, wire

BENCH = """bench: mine
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET"}
  meter: {description: generic-scpi-meter, resource: "TCPIP::127.0.0.1::2::SOCKET"}
taps:
  input: {set by: source, read by: meter}
  output: {read by: meter}
"""


def bench(folder, text=BENCH):
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    return load_bench(folder / "bench.yaml")


def sheet(low=4.0, high=20.0, unit="mA", *, out=(4.0, 20.0, "mA"), sensor=None):
    taps = (
        Tap(name="input", low=low, high=high, unit=unit, sensor=sensor),
        Tap(name="output", low=out[0], high=out[1], unit=out[2]),
    )
    return DataSheet(type="unit", taps=taps, stages=(Stage(name="unit"),))


@pytest.mark.parametrize(
    ("made", "function", "source_range", "receiver_range"),
    [
        (sheet(), "current", "0 .. 25 mA", "-100 .. 100 mA"),
        (sheet(20.0, 4.0), "current", "0 .. 25 mA", "-100 .. 100 mA"),
        (sheet(0.0, 9.0, "mA"), "current", "0 .. 25 mA", "-10 .. 10 mA"),
        (sheet(0.0, 10.0, "V"), "voltage", "-10 .. 10 V", "-10 .. 10 V"),  # a zero end and the full scale: as it is
        (sheet(-50.0, 50.0, "mV"), "voltage", "-0.1 .. 0.1 V", "-0.1 .. 0.1 V"),
        (sheet(0.0, 900.0, "Hz"), "frequency", "0 .. 1000 Hz", "0 .. 1000 kHz"),
        (sheet(0.0, 400.0, "degC", sensor=Rtd()), "resistance", "0 .. 400 Ω", "0 .. 1000 Ω"),
        (
            sheet(0.0, 1000.0, "degC", sensor=Thermocouple(type="K", junction_degC=23.0)),
            "voltage",
            "-0.1 .. 0.1 V",
            "-0.1 .. 0.1 V",
        ),
    ],
)
def test_a_tap_is_served_by_the_smallest_range_that_holds_its_signal(
    tmp_path, made, function, source_range, receiver_range
):
    first, last = wire(bench(tmp_path), made)
    assert (first.source.function, str(first.source.entry.range)) == (function, source_range)
    assert (first.receiver.function, str(first.receiver.entry.range)) == (function, receiver_range)
    assert (last.source, last.receiver.function) == (None, "current")


def test_a_receiver_sees_a_little_beyond_the_range_and_zero_stays_zero():
    tap = Tap(name="output", low=4.0, high=20.0, unit="mA")
    wide = signal_span(tap, beyond_frac=0.025)
    assert (wide.low, wide.high) == pytest.approx((3.6, 20.4))
    pulses = signal_span(Tap(name="pulse", low=0.0, high=1000.0, unit="Hz"), beyond_frac=0.025)
    assert (pulses.low, pulses.high) == pytest.approx((0.0, 1025.0))


def test_a_sensor_gives_the_range_of_its_signal():
    # IEC 60751: 100 ohm at 0 degC, 138.5055 ohm at 100 degC.
    signal = signal_span(Tap(name="input", low=0.0, high=100.0, unit="degC", sensor=Rtd()))
    assert (signal.low, signal.high, signal.unit) == (pytest.approx(100.0), pytest.approx(138.5055, abs=5e-5), "ohm")


@pytest.mark.parametrize(
    ("made", "what"),
    [
        (sheet(0.0, 200.0), '"source" sets no 0 .. 200 mA as tap "input" needs'),
        (sheet(0.0, 1200.0, "rpm"), '"source" sets no 0 .. 1200 rpm as tap "input" needs'),  # rpm is no frequency
        (sheet(out=(0.0, 100.0, "V")), '"meter" reads no 0 .. 100 V as tap "output" needs'),
    ],
)
def test_what_the_bench_cannot_do_is_told_with_what_it_can(tmp_path, made, what):
    with pytest.raises(PlanError, match=what) as caught:
        wire(bench(tmp_path), made)
    assert "current: " in caught.value.allowed
    assert "bench.yaml:" in caught.value.where


def test_taps_that_nothing_is_wired_to_are_told_together(tmp_path):
    text = BENCH.replace("input: {set by: source, read by: meter}", "inlet: {set by: source}").replace(
        "output:", "outlet:"
    )
    with pytest.raises(PlanError, match='nothing sets the tap "input" of the unit') as caught:
        wire(bench(tmp_path, text), sheet())
    assert [other.what for other in caught.value.others] == ['nothing reads the tap "output" of the unit']
    assert caught.value.allowed == "taps wired on this bench: inlet, outlet"


def test_an_unknown_safe_level_is_never_assumed(tmp_path):
    text = "instrument: x\nfunctions: {i: {sets: mA, set: 'I {level}', ranges: [{range: 0 .. 24 mA}]}}\n"
    (tmp_path / "own.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match='no safe level is known for the output of "source"'):
        wire(bench(tmp_path, BENCH.replace("generic-scpi-source", "own.yaml")), sheet())


def test_a_safe_level_that_the_source_cannot_give_is_refused_before_anything_is_opened(tmp_path):
    text = BENCH.replace("1::SOCKET", "1::SOCKET', safe level: -5 mA").replace(
        '"TCPIP::127.0.0.1::1', "'TCPIP::127.0.0.1::1"
    )
    text = text.replace('-5 mA"}', "-5 mA}")
    with pytest.raises(PlanError, match='"source" cannot be set to its safe level of -5 mA') as caught:
        wire(bench(tmp_path, text), sheet())
    assert caught.value.allowed == "current: 0 .. 25 mA, 0 .. 100 mA"


def test_the_safe_level_of_the_source_goes_with_the_wiring(tmp_path):
    first, _ = wire(bench(tmp_path), sheet())
    assert show(first.safe_level) == "0 mA"


def test_a_named_function_is_taken_before_a_better_one(tmp_path):
    text = BENCH.replace("output: {read by: meter}", "output: {read by: meter, read function: voltage}")
    with pytest.raises(PlanError, match=r'"meter" reads no 4 \.\. 20 mA'):
        wire(bench(tmp_path, text), sheet())
