"""Drivers made of descriptions: on the simulated bench with mishaps, and on lines that behave by the book otherwise."""

from collections import deque
from decimal import Decimal
from pathlib import Path

import pytest
import pyvisa
from pyvisa.constants import StatusCode

from instruments.clock import VirtualClock
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.described import DescribedInstrument, DescribedReceiver, DescribedSource
from instruments.description import Description, find_description
from instruments.errors import (
    InputError,
    InstrumentError,
    LimitError,
    NoReadingError,
    NoReplyError,
    OutOfStepError,
    PowerCycledError,
    UnsafeError,
)
from instruments.session import Manners, Session
from instruments.simulated.bench import Mishap, SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.visa import resource_manager
from instruments.units import quantity, span
from instruments.visaline import BoundedLine
from instruments.yamlfile import parse

SHEET = DataSheet(
    type="isolator",
    taps=(Tap(name="input", low=4, high=20, unit="mA"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="isolator", time_constant_s=0.1),),
)
WIRED = (
    SimulatedInstrument(
        name="source", resource="TCPIP::127.0.0.1::1::SOCKET", sets="input", identity="LIVEZERO , SIMULATED SOURCE, 0"
    ),
    SimulatedInstrument(
        name="meter", resource="TCPIP::127.0.0.1::2::SOCKET", reads="output", identity="LIVEZERO,METER,0"
    ),
)
SERIAL = (
    SimulatedInstrument(
        name="source", resource="ASRL1::INSTR", dialect="serial", sets="input", identity="SERIAL SOURCE 1"
    ),
)
SERIAL_SOURCE = """
instrument: a serial source
termination: {write: "\\r", read: "\\r"}
serial: {}
timeout: 2 s
identify: V
clear: []
acknowledge: OK
refusal: "E[1-4]"
error query: {ask: "E?"}
functions:
  current:
    sets: mA
    set: "S {level:.3f}"
    read back: "S?"
    reply: "{value} MA"
    "on": O1
    "off": O0
    safe level: 0 mA
    ranges: [{range: 0 .. 24 mA, resolution: 1 uA}]
"""
SAFE = ["SOUR:CURR 0.0000000E+00", "OUTP OFF", "SYST:ERR?", "SOUR:CURR?", "OUTP?"]
LIMITS = (("limits of the unit", span("3.5 .. 21 mA")),)


class Opened:
    """The simulated bench, each instrument on a session of its own, everything told."""

    def __init__(self, *mishaps, wired=WIRED, **descriptions):
        self.clock = VirtualClock()
        self.bench = SimulatedBench(SHEET, wired, clock=self.clock, mishaps=mishaps)
        self.manager = resource_manager(self.bench)
        self.told = []
        for spec in wired:
            described = descriptions.get(spec.name) or find_description(f"generic-scpi-{spec.name}", beside=Path())
            setattr(self, spec.name, self.instrument(spec, described))

    def instrument(self, spec, description):
        def opened():
            end = description.termination
            line = self.manager.open_resource(spec.resource, write_termination=end.write, read_termination=end.read)
            return BoundedLine(line, encoding="latin-1")

        return instrument_on(opened, description, self.clock, self.told.append, name=spec.name, resource=spec.resource)

    def ready_source(self, *, limits=LIMITS):
        source = source_of(self.source, self.clock, limits=limits)
        self.source.meet()
        self.source.set_up()
        source.select(self.source.description.functions["current"].ranges[0])
        return source

    def ready_meter(self):
        receiver = DescribedReceiver(instrument=self.meter, function="current", clock=self.clock)
        self.meter.meet()
        self.meter.set_up()
        receiver.select(self.meter.description.functions["current"].ranges[1], "mA")
        return receiver

    def sent(self, name):
        return [each.sent for each in self.told if each.instrument == name]


def instrument_on(opener, description, clock, tell, *, name="source", resource="FAKE", identity=""):
    session = Session(
        name=name,
        resource=resource,
        opener=opener,
        clock=clock,
        timeout_s=description.timeout,
        manners=Manners(query_delay_s=description.query_delay),
        tell=tell,
    )
    return DescribedInstrument(name=name, description=description, session=session, expected_identity=identity)


def source_of(instrument, clock, *, limits=LIMITS, function="current"):
    level = instrument.description.functions[function].safe_level
    return DescribedSource(instrument=instrument, function=function, limits=limits, safe_level=level, clock=clock)


def read_times(receiver, times_n):
    return [receiver.read() for _ in range(times_n)]


def set_until_silent(source, *levels):
    """The level at whose setting there was no answer in time."""
    for level in levels:
        try:
            source.set(quantity(level))
        except NoReplyError:
            return quantity(level)
    raise AssertionError


# -- set and read ------------------------------------------------------------------------------------------------------


def test_a_level_that_is_set_is_what_the_unit_gives_and_the_meter_reads():
    opened = Opened()
    source, receiver = opened.ready_source(), opened.ready_meter()
    source.set(quantity("4 mA"))
    source.energise()
    source.set(quantity("12 mA"))
    opened.clock.sleep(5)
    sample = receiver.read()
    assert sample.value == pytest.approx(12.0, abs=0.02)
    assert sample.at_s == opened.clock.now()
    assert float(sample.raw) * 1000 == pytest.approx(sample.value, rel=1e-12)


def test_a_reading_comes_in_the_unit_that_was_asked_for():
    opened = Opened()
    source, receiver = opened.ready_source(), opened.ready_meter()
    source.set(quantity("10 mA"))
    source.energise()
    opened.clock.sleep(5)
    receiver.select(receiver.wider() or opened.meter.description.functions["current"].ranges[1], "A")
    assert receiver.read().value == pytest.approx(0.010, abs=2e-5)


def test_a_reading_in_another_unit_has_the_digits_that_the_instrument_said_and_no_more():
    opened = Opened()
    source, meter = opened.ready_source(), opened.ready_meter()
    for level in range(4, 20):
        source.set(quantity(f"{level}.0001 mA"))
        opened.clock.sleep(1)
        sample = meter.read()
        assert Decimal(repr(sample.value)) == 1000 * Decimal(sample.raw)  # A on the wire, mA asked for


def test_a_change_of_range_discards_as_many_readings_as_the_description_says():
    opened = Opened()
    receiver = opened.ready_meter()
    before_n = sum("READ?" in each for each in opened.sent("meter"))
    receiver.select(opened.meter.description.functions["current"].ranges[0], "mA")
    assert sum("READ?" in each for each in opened.sent("meter")) - before_n == 2
    # The first readings after a change of range are off by 2e-4 of it; none of those may be left.
    assert receiver.read().value == pytest.approx(receiver.read().value, abs=5e-4)


def test_two_functions_of_one_meter_are_selected_anew_in_turn():
    opened = Opened()
    current = opened.ready_meter()
    voltage = DescribedReceiver(instrument=opened.meter, function="voltage", clock=opened.clock)
    voltage.select(opened.meter.description.functions["voltage"].ranges[0], "V")
    before_n = opened.sent("meter").count("CONF:CURR:DC 1.0000E-01")
    current.read()
    current.read()
    assert opened.sent("meter").count("CONF:CURR:DC 1.0000E-01") - before_n == 1


# -- limits ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", ["3.4 mA", "21.1 mA", "-12 mA", "26 mA", "12 A", "1e9 mA"])
def test_a_level_outside_the_limits_is_never_sent(level):
    opened = Opened()
    source = opened.ready_source()
    source.set(quantity("4 mA"))
    before_n = len(opened.told)
    with pytest.raises(LimitError, match="refused: outside the") as caught:
        source.set(quantity(level))
    assert len(opened.told) == before_n
    assert caught.value.allowed in {"3.5 .. 21 mA", "0 .. 25 mA"}
    assert caught.value.exit_code == 3


def test_not_a_number_is_never_sent():
    opened = Opened()
    source = opened.ready_source()
    before_n = len(opened.told)
    with pytest.raises(LimitError, match="refused"):
        source.set(quantity("1 mA") * float("nan"))
    assert len(opened.told) == before_n


def test_another_dimension_is_never_sent():
    opened = Opened()
    source = opened.ready_source()
    before_n = len(opened.told)
    with pytest.raises(InputError, match="12 V is not a level in mA"):
        source.set(quantity("12 V"))
    assert len(opened.told) == before_n


def test_a_format_that_would_send_another_level_is_never_sent():
    coarse = SERIAL_SOURCE.replace("{level:.3f}", "{level:.0f}")
    opened = Opened(wired=SERIAL, source=parse(coarse, Path("own.yaml")).into(Description))
    source = opened.ready_source(limits=(("limits of the unit", span("4 .. 12.4 mA")),))
    before_n = len(opened.told)
    with pytest.raises(LimitError, match=r"12\.4 mA refused: its format would send 12 mA"):
        source.set(quantity("12.4 mA"))
    assert len(opened.told) == before_n


# -- what an instrument says -------------------------------------------------------------------------------------------


def test_an_error_after_a_set_is_told_with_what_was_set():
    opened = Opened(Mishap(kind="error", instrument="source", matching="SOUR:CURR 1.2"))
    source = opened.ready_source()
    with pytest.raises(InstrumentError, match=r"reports -240, .* after 12 mA was set"):
        source.set(quantity("12 mA"))


def test_a_level_read_back_as_another_is_an_error():
    answers = {"*IDN?": ["M"], "*OPC?": ["1"], "SYST:ERR?": ["0"], "SOUR:CURR?": ["4E-3"]}
    opened = FakeOpened(answers, BOOK_SOURCE)
    source = source_of(opened.instrument, opened.clock)
    with pytest.raises(InstrumentError, match=r"told 12 mA, reports 0\.004 A"):
        source.set(quantity("12 mA"))


def test_a_level_that_came_before_the_one_asked_for_is_no_level_of_the_source():
    # A line of its own accord, 4 mA, arrives after the question and before its answer, 12 mA.
    answers = {"*IDN?": ["M"], "SYST:ERR?": ["0"], "SOUR:CURR?": [["4E-3", "12E-3"], "12E-3"]}
    opened = FakeOpened(answers, BOOK_SOURCE.model_copy(update={"event_status": None}))
    source = source_of(opened.instrument, opened.clock)
    with pytest.raises(OutOfStepError, match="nobody had asked for"):
        source.set(quantity("12 mA"))


@pytest.mark.parametrize(("level", "output"), [("10E-3", "1"), ("12E-3", "0")], ids=["level", "output"])
def test_what_somebody_changed_at_a_source_that_has_its_power_shows_when_looked_at_closely(level, output):
    answers = {"*IDN?": ["M"], "SYST:ERR?": ["0"], "SOUR:CURR?": ["12E-3", level], "OUTP?": [output]}
    opened = FakeOpened(answers, BOOK_SOURCE)
    source = source_of(opened.instrument, opened.clock)
    source.set(quantity("12 mA"))
    source.energise()
    source.check()
    with pytest.raises(PowerCycledError, match="no longer stands as it was set"):
        source.check(closely=True)


def test_a_level_read_back_as_another_for_want_of_power_says_so():
    opened = Opened(Mishap(kind="power-cycled", instrument="source", matching="SOUR:CURR?"))
    source = opened.ready_source()
    with pytest.raises(PowerCycledError, match="has lost its settings"):
        source.set(quantity("12 mA"))


@pytest.mark.parametrize("kind", ["overload", "not a number"])
def test_overload_and_not_a_number_are_no_readings(kind):
    opened = Opened(Mishap(kind=kind, instrument="meter", matching="READ?", at_exchange=12))
    receiver = opened.ready_meter()
    with pytest.raises(NoReadingError, match=f"reading is {kind}"):
        read_times(receiver, 5)
    receiver.read()


@pytest.mark.parametrize("kind", ["garbled", "empty"])
def test_a_reply_without_sense_is_no_reading_and_the_line_is_cleared_before_the_next(kind):
    opened = Opened(Mishap(kind=kind, instrument="meter", matching="READ?", at_exchange=12))
    receiver = opened.ready_meter()
    with pytest.raises(NoReadingError, match=f"reading is {kind}"):
        read_times(receiver, 5)
    before_n = len(opened.told)
    receiver.read()
    assert "*IDN?" in [each.sent for each in opened.told[before_n:]]


def test_another_instrument_on_the_resource_is_refused():
    opened = Opened()
    opened.source.expected_identity = "METER"
    with pytest.raises(InstrumentError, match='identifies itself as "LIVEZERO , SIMULATED SOURCE, 0"') as caught:
        opened.source.meet()
    assert caught.value.allowed == 'an identity with "METER" in it'
    assert opened.sent("source")[-1] == "*IDN?"


def test_a_part_of_the_identity_is_enough_in_either_case():
    opened = Opened()
    opened.source.expected_identity = "simulated source"
    opened.source.meet()
    assert opened.source.identity == "LIVEZERO , SIMULATED SOURCE, 0"


# -- time-outs ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["late", "time-out"])
def test_a_late_answer_is_never_taken_for_the_next_one(kind):
    opened = Opened(Mishap(kind=kind, instrument="meter", matching="READ?", at_exchange=14))
    source, receiver = opened.ready_source(), opened.ready_meter()
    source.set(quantity("4 mA"))
    source.energise()
    opened.clock.sleep(5)
    with pytest.raises(NoReplyError, match="no answer within 5 s"):
        read_times(receiver, 10)
    source.set(quantity("20 mA"))
    opened.clock.sleep(5)
    assert receiver.read().value == pytest.approx(20.0, abs=0.02)  # read again without being told to recover


def test_after_a_time_out_in_a_set_the_new_level_is_set_and_not_the_old_one():
    opened = Opened(Mishap(kind="time-out", instrument="source", matching="SYST:ERR?", at_exchange=16))
    source = opened.ready_source()
    source.set(quantity("4 mA"))
    source.energise()
    asked = set_until_silent(source, "12 mA", "16 mA", "20 mA")
    source.recover()
    levels = [sent for sent in opened.sent("source") if sent.startswith("SOUR:CURR ") and "RANG" not in sent]
    assert float(levels[-1].split(";")[0].split()[1]) == pytest.approx(asked.to("A").magnitude)


def test_an_instrument_that_was_exchanged_during_the_time_out_is_refused():
    opened = Opened(
        Mishap(kind="wrong identity", instrument="meter", matching="*IDN?", at_exchange=12),
        Mishap(kind="time-out", instrument="meter", matching="READ?", at_exchange=12),
    )
    receiver = opened.ready_meter()
    with pytest.raises(NoReplyError):
        read_times(receiver, 9)
    with pytest.raises(
        InstrumentError, match=r'does not come back \(identifies itself as "ANOTHER,INSTRUMENT,0,0", before as'
    ):
        receiver.recover()


def test_a_dropped_connection_is_opened_again():
    opened = Opened(Mishap(kind="dropped", instrument="meter", matching="READ?", at_exchange=12))
    receiver = opened.ready_meter()
    with pytest.raises(InstrumentError, match="the line failed: VI_ERROR_CONN_LOST"):
        read_times(receiver, 9)
    assert receiver.read().value == pytest.approx(3.8, abs=0.01)
    assert "(opened again)" in opened.sent("meter")


# -- safe --------------------------------------------------------------------------------------------------------------


def energised(*mishaps):
    opened = Opened(*mishaps)
    source = opened.ready_source()
    source.set(quantity("12 mA"))
    source.energise()
    opened.told.clear()
    return opened, source


def test_the_safe_level_is_sent_first_and_proved_after():
    opened, source = energised()
    source.make_safe()
    assert opened.sent("source") == SAFE
    opened.clock.sleep(5)
    assert opened.ready_meter().read().value < 4.0


def test_on_a_suspect_line_the_safe_level_still_goes_first():
    opened, source = energised()
    source.instrument.session.is_suspect = True
    source.make_safe()
    assert opened.sent("source")[:3] == ["SOUR:CURR 0.0000000E+00", "OUTP OFF", "*IDN?"]
    assert opened.sent("source")[-5:] == SAFE


@pytest.mark.parametrize("kind", ["time-out", "late", "garbled", "empty", "dropped", "error"])
def test_one_mishap_does_not_keep_an_output_from_its_safe_level(kind):
    opened, source = energised(Mishap(kind=kind, instrument="source", at_exchange=17))
    source.make_safe()
    assert opened.sent("source")[-5:] == SAFE


def test_an_old_error_in_the_queue_does_not_make_a_safe_output_unsafe():
    opened, source = energised()
    opened.bench.report("source", -222)
    source.make_safe()


def test_a_dead_source_is_told_as_not_safe_with_what_to_do():
    opened, source = energised(Mishap(kind="time-out", instrument="source", at_exchange=17, times_n=1000))
    with pytest.raises(UnsafeError, match=r"source could not be brought to its safe level of 0 mA") as caught:
        source.make_safe()
    assert caught.value.todo.startswith("switch it off by hand, now")
    assert caught.value.exit_code == 4
    assert opened.sent("source")[:2] == ["SOUR:CURR 0.0000000E+00", "OUTP OFF"]


def test_recovery_after_it_was_made_safe_does_not_bring_the_old_level_back():
    opened, source = energised()
    source.make_safe()
    opened.told.clear()
    source.recover()
    assert "OUTP ON" not in opened.sent("source")
    assert not [sent for sent in opened.sent("source") if sent.startswith("SOUR:CURR 1.2")]


def test_a_dead_source_that_was_never_set_from_here_is_a_dead_instrument():
    opened = Opened(Mishap(kind="time-out", instrument="source", at_exchange=1, times_n=1000))
    with pytest.raises(InstrumentError, match="does not come back") as caught:
        source_of(opened.source, opened.clock).make_safe()
    assert not isinstance(caught.value, UnsafeError)
    assert opened.sent("source")[0] == "*IDN?"  # another one would be told nothing; a silent one is, all the same
    assert {"SOUR:CURR 0.0000000E+00", "OUTP OFF"} < set(opened.sent("source"))


# -- a serial dialect that acknowledges --------------------------------------------------------------------------------


def serial_source(*mishaps, text=SERIAL_SOURCE):
    opened = Opened(*mishaps, wired=SERIAL, source=parse(text, Path("own.yaml")).into(Description))
    return opened, opened.ready_source()


def test_a_dialect_that_acknowledges_each_command_is_never_one_answer_behind():
    opened, source = serial_source()
    source.set(quantity("12 mA"))
    source.energise()
    source.set(quantity("16 mA"))
    source.make_safe()
    assert all(each.received == "OK" for each in opened.told if each.sent[:2] in {"S ", "O1", "O0"})
    assert [each.received for each in opened.told if each.sent == "S?"][-1] == "+00.000 MA"


def test_a_refusal_is_an_error_with_the_reply():
    _, source = serial_source(text=SERIAL_SOURCE.replace('"on": O1', '"on": O9'))
    with pytest.raises(InstrumentError, match='refused: "E1"') as caught:
        source.energise()
    assert (caught.value.command, caught.value.reply) == ("O9", "E1")


def test_another_answer_than_the_acknowledgement_is_an_error():
    _, source = serial_source(text=SERIAL_SOURCE.replace("acknowledge: OK", "acknowledge: DONE"))
    with pytest.raises(InstrumentError, match='answered "OK"') as caught:
        source.energise()
    assert caught.value.allowed == '"DONE"'


def test_a_late_acknowledgement_is_not_taken_for_that_of_the_safe_level():
    opened, source = serial_source(Mishap(kind="late", instrument="source", matching="S 12"))
    with pytest.raises(NoReplyError):
        source.set(quantity("12 mA"))
    opened.told.clear()
    source.make_safe()
    assert opened.sent("source")[:2] == ["S 0.000", "O0"]
    assert [each.received for each in opened.told if each.sent == "S?"][-1] == "+00.000 MA"


def test_what_a_dialect_says_for_overload_is_an_overload():
    opened = FakeOpened({"R": ["+OVER RPM"]}, find_description("serial-tachometer", beside=Path()))
    receiver = DescribedReceiver(instrument=opened.instrument, function="speed", clock=opened.clock)
    receiver.instrument.active = receiver
    with pytest.raises(NoReadingError, match="reading is overload"):
        receiver.read()


def test_a_meter_that_did_not_take_its_function_is_an_error_at_the_set_up():
    text = """
instrument: meter that ignores what it does not know
functions:
  current:
    reads: mA
    select: ["FUNC CURR"]
    select query: {ask: "FUNC?", reply: "CURR.*"}
    query: "READ?"
    ranges:
      - {range: 0 .. 100 mA}
"""
    opened = FakeOpened({"FUNC?": ["VOLT"]}, parse(text, Path("own.yaml")).into(Description))
    receiver = DescribedReceiver(instrument=opened.instrument, function="current", clock=opened.clock)
    with pytest.raises(InstrumentError, match='was set to the function "current", but reports "VOLT"'):
        receiver.select(receiver._spec.ranges[0], "mA")


# -- instruments by the book that are not like the simulated ones ------------------------------------------------------


class FakeLine:
    """Fulfils `Line`: answers by a table of lists, the last entry of each again and again."""

    def __init__(self, clock, answers):
        self.timeout = 0.0
        self.takes_s = []  # each of the next readings; then 20 ms
        self.clock = clock
        self.answers = {command: deque(replies) for command, replies in answers.items()}
        self.waiting = deque()

    def write(self, message):
        replies = self.answers.get(message)
        if replies:
            reply = replies.popleft() if len(replies) > 1 else replies[0]
            self.waiting.extend(reply if isinstance(reply, list) else [reply])
            if message == "READ?":
                self.clock.sleep(self.takes_s.pop(0) if self.takes_s else 0.02)
        return len(message)

    def read(self):
        if not self.waiting:
            self.clock.sleep(self.timeout / 1000)
            raise pyvisa.VisaIOError(StatusCode.error_timeout)
        return self.waiting.popleft()

    def unread(self):
        stray = "".join(self.waiting)
        self.waiting.clear()
        return stray

    def clear(self):
        self.waiting.clear()

    def close(self):
        """Nothing to close."""


class FakeOpened:
    def __init__(self, answers, description, identity=""):
        self.clock = VirtualClock()
        self.told = []
        answers = {"*ESR?": ["0"]} | answers
        self.instrument = instrument_on(
            lambda: FakeLine(self.clock, answers), description, self.clock, self.told.append, identity=identity
        )


# Each question in a message of its own, so that a table can answer it.
ALONE = {"compound": False}
BOOK_SOURCE = find_description("generic-scpi-source", beside=Path()).model_copy(update=ALONE)
BOOK_METER = find_description("generic-scpi-meter", beside=Path()).model_copy(update=ALONE)


@pytest.mark.parametrize(
    "none", ['0,"No error"', '+0,"No error"', '+0, "No error"\r', '0,"No error;"', "0", "+0,No error"]
)
@pytest.mark.parametrize("echo", ["+1.20000000E-02", "1.2e-2", "0.012", "+.012", "1.2000E-02\r"])
def test_numbers_and_an_empty_queue_are_understood_however_they_are_written(none, echo):
    answers = {"*IDN?": [" Maker , Model 1 , , v1.0\r"], "*OPC?": ["+1\r"], "SYST:ERR?": [none], "SOUR:CURR?": [echo]}
    opened = FakeOpened(answers, BOOK_SOURCE, identity="model 1")
    source = source_of(opened.instrument, opened.clock)
    opened.instrument.meet()
    opened.instrument.set_up()
    source.select(BOOK_SOURCE.functions["current"].ranges[0])
    source.set(quantity("12 mA"))
    assert opened.instrument.identity == "Maker , Model 1 , , v1.0"


@pytest.mark.parametrize(
    ("queue", "reported"),
    [
        (['-222,"Data out of range"', '+0,"No error"'], "-222, Data out of range"),
        (
            ['-113,"Undefined header"', '-350,"Queue overflow"', '0,"No error"'],
            "-113, Undefined header; -350, Queue overflow",
        ),
        (['+101,"Own error"', '0,"No error"'], "101, Own error"),
        (['01,"Own error"', '0,"No error"'], "1, Own error"),
        (['-350,"Queue overflow"'], "; ".join(["-350, Queue overflow"] * 20)),  # it never empties
    ],
)
def test_the_error_queue_is_emptied_and_all_of_it_told(queue, reported):
    opened = FakeOpened({"SYST:ERR?": queue}, BOOK_SOURCE)
    with pytest.raises(InstrumentError, match="reports") as caught:
        opened.instrument.check_errors(after="a set")
    assert caught.value.what == f"reports {reported} after a set"


def test_an_error_query_in_words_can_be_described():
    text = (
        'instrument: x\nerror query: {ask: "ERR", none: OK}\n'
        "functions: {i: {reads: mA, query: R, ranges: [{range: 0 .. 1 mA}]}}"
    )
    opened = FakeOpened({"ERR": ["BAD", "OK"]}, parse(text, Path("own.yaml")).into(Description))
    with pytest.raises(InstrumentError, match="reports BAD"):
        opened.instrument.check_errors()
    opened.instrument.check_errors()
    opened = FakeOpened({"ERR": ["+1.25E-3", "OK"]}, opened.instrument.description)
    with pytest.raises(OutOfStepError, match="the error query was answered by something else"):
        opened.instrument.check_errors()


def test_an_instrument_that_says_nothing_of_itself_is_refused():
    opened = FakeOpened({"*IDN?": [""]}, BOOK_SOURCE)
    with pytest.raises(InstrumentError, match="does not identify itself"):
        opened.instrument.meet()


def test_an_instrument_without_identification_is_met_all_the_same():
    text = "instrument: x\nidentify:\nclear: []\nfunctions: {i: {reads: mA, query: R, ranges: [{range: 0 .. 1 mA}]}}"
    opened = FakeOpened({}, parse(text, Path("own.yaml")).into(Description))
    opened.instrument.meet()
    opened.instrument.recover()
    assert opened.instrument.identity == ""


@pytest.mark.parametrize(("reply", "value"), [("+1.2E-02\r", 12.0), ("12e-3", 12.0), ("0.0120", 12.0), ("0", 0.0)])
def test_readings_are_understood_however_they_are_written(reply, value):
    answers = {"*IDN?": ["M"], "*OPC?": ["1"], "SYST:ERR?": ['+0,"No error"'], "READ?": [reply]}
    opened = FakeOpened(answers, BOOK_METER)
    receiver = DescribedReceiver(instrument=opened.instrument, function="current", clock=opened.clock)
    opened.instrument.meet()
    receiver.select(BOOK_METER.functions["current"].ranges[1], "mA")
    assert receiver.read().value == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("reply", "is_reading"), [("0.11", True), ("-0.11", True), ("0.15", False), ("-0.15", False), ("4.0E+30", False)]
)
def test_a_meter_reads_a_little_over_its_range_and_no_further(reply, is_reading):
    # The range is -100 to 100 mA; meters read on for some 10 to 20 % beyond.
    answers = {"*IDN?": ["M"], "*OPC?": ["1"], "SYST:ERR?": ["0"], "READ?": [reply]}
    opened = FakeOpened(answers, BOOK_METER)
    receiver = DescribedReceiver(instrument=opened.instrument, function="current", clock=opened.clock)
    opened.instrument.meet()
    entry = BOOK_METER.functions["current"].ranges[1]
    assert str(entry.range) == "-100 .. 100 mA"
    opened.instrument.active = receiver
    receiver._entry, receiver._unit = entry, "A"
    if is_reading:
        assert receiver.read().value == pytest.approx(float(reply))
    else:
        with pytest.raises(NoReadingError, match="overload"):
            receiver.read()


def test_a_reply_cut_in_two_does_not_put_every_later_one_behind():
    answers = {"*IDN?": ["M"], "*OPC?": ["1"], "SYST:ERR?": ["0"], "READ?": ["1E-3"]}
    opened = FakeOpened(answers, BOOK_METER)
    receiver = DescribedReceiver(instrument=opened.instrument, function="current", clock=opened.clock)
    opened.instrument.meet()
    receiver.select(BOOK_METER.functions["current"].ranges[1], "mA")
    line = opened.instrument.session._line
    line.answers["READ?"] = deque(["+.012", "2E-3"])
    receiver.read()  # "+.012" is a number in itself, and 12 mA within the range: nothing can tell
    line.waiting.append("E-01")
    with pytest.raises(OutOfStepError, match='said "E-01", which nobody had asked for'):
        receiver.check()  # before that reading is kept
    assert receiver.read().value == pytest.approx(2.0)


def slow_meter(*takes_s):
    answers = {"*IDN?": ["M"], "*OPC?": ["1"], "SYST:ERR?": ["0"], "READ?": ["1E-3"]}
    opened = FakeOpened(answers, BOOK_METER)  # a reading takes 20 ms by its description
    receiver = DescribedReceiver(instrument=opened.instrument, function="current", clock=opened.clock)
    receiver.select(BOOK_METER.functions["current"].ranges[1], "mA")
    opened.instrument.session._line.takes_s = list(takes_s)
    return receiver


def test_a_reading_that_comes_sooner_than_it_can_be_taken_is_an_old_one():
    receiver = slow_meter(0.02, 0.001)
    receiver.read()
    with pytest.raises(OutOfStepError, match=r"answered in 0\.001 s, and a reading takes 0\.02 s by its description"):
        receiver.read()
    assert receiver._session.is_suspect
    receiver.read()


@pytest.mark.parametrize("takes_s", [0.0167, 0.011, 0.3])
def test_a_reading_at_another_mains_frequency_is_no_old_one(takes_s):
    slow_meter(*[takes_s] * 5).read()


def test_an_instrument_that_is_faster_than_its_description_says_is_believed_once_it_was_identified():
    receiver = slow_meter()
    receiver._session._line.takes_s = [0.0] * 1000
    with pytest.raises(OutOfStepError):
        receiver.read()
    assert [receiver.read().value for _ in range(3)] == pytest.approx([1.0] * 3)


def test_the_tolerance_of_a_read_back_is_the_resolution_of_the_range():
    entry = BOOK_SOURCE.functions["current"].ranges[0]  # 0.1 uA, and 1e-5 of the level
    for echo, is_taken in (("4.00009E-03", True), ("4.0002E-03", False)):
        answers = {"*IDN?": ["M"], "*OPC?": ["1"], "SYST:ERR?": ["0"], "SOUR:CURR?": [echo]}
        opened = FakeOpened(answers, BOOK_SOURCE)
        source = source_of(opened.instrument, opened.clock)
        source.select(entry)
        if is_taken:
            source.set(quantity("4 mA"))
        else:
            with pytest.raises(InstrumentError, match=r"told 4 mA, reports 0\.0040002 A"):
                source.set(quantity("4 mA"))


def test_the_next_wider_range_is_known_and_the_widest_has_none():
    opened = FakeOpened({"SYST:ERR?": ["0"], "READ?": ["0"]}, BOOK_METER)
    receiver = DescribedReceiver(instrument=opened.instrument, function="current", clock=opened.clock)
    small, wide = BOOK_METER.functions["current"].ranges
    receiver.select(small, "mA")
    assert receiver.wider() == wide
    receiver.select(wide, "mA")
    assert receiver.wider() is None


# -- another instrument, power, the proof of off -----------------------------------------------------------------------


def test_another_instrument_that_was_never_driven_from_here_gets_no_command_at_all():
    opened = Opened()
    opened.source.expected_identity = "SOMETHING ELSE"
    source = source_of(opened.source, opened.clock)
    with pytest.raises(InstrumentError, match="identifies itself as") as caught:
        source.make_safe()
    assert not isinstance(caught.value, UnsafeError)
    assert set(opened.sent("source")) - {"(opened again)"} == {"*IDN?"}
    opened.source.close()
    assert set(opened.sent("source")) - {"(opened again)"} == {"*IDN?"}


def test_another_instrument_in_the_place_of_one_that_was_driven_is_told_the_safe_level_and_not_believed():
    opened, source = energised(
        Mishap(kind="wrong identity", instrument="source", at_exchange=17),
        Mishap(kind="dropped", instrument="source", at_exchange=17),
    )
    with pytest.raises(UnsafeError, match="could not be brought to its safe level") as caught:
        source.make_safe()
    assert "ANOTHER,INSTRUMENT" in caught.value.todo
    sent = [each for each in opened.sent("source") if not each.startswith("(")]
    first = sent.index("*IDN?")
    assert sent[first - 2 : first] == ["SOUR:CURR 0.0000000E+00", "OUTP OFF"]


@pytest.mark.parametrize("reply", ["1", "ON", "", "2", "OFF?"])
def test_an_output_that_does_not_say_it_is_off_is_not_safe(reply):
    answers = {"*IDN?": ["M"], "*OPC?": ["1"], "SYST:ERR?": ["0"], "SOUR:CURR?": ["0"], "OUTP?": [reply]}
    opened = FakeOpened(answers, BOOK_SOURCE)
    opened.instrument.meet()
    with pytest.raises(UnsafeError, match="safe level of 0 mA") as caught:
        source_of(opened.instrument, opened.clock).make_safe()
    assert "was switched off, and does not say so" in caught.value.todo


@pytest.mark.parametrize("reply", ["0", "+0", "OFF", "off\r"])
def test_off_is_understood_however_it_is_written(reply):
    answers = {"*IDN?": ["M"], "*OPC?": ["1"], "SYST:ERR?": ["0"], "SOUR:CURR?": ["0"], "OUTP?": [reply]}
    opened = FakeOpened(answers, BOOK_SOURCE)
    opened.instrument.meet()
    source_of(opened.instrument, opened.clock).make_safe()
    assert opened.told[-1].sent == "OUTP?"


@pytest.mark.parametrize(
    ("events", "is_noticed"),
    [("0", False), ("+1", False), ("123", False), ("128", True), ("+132\r", True), ("255", True)],
)
def test_bit_7_of_the_event_status_tells_of_a_loss_of_power(events, is_noticed):
    # IEEE 488.2-1992, 11.5.1: bit 7, weight 128, is power on (from memory); the others are errors and requests.
    opened = FakeOpened({"*IDN?": ["M"], "*ESR?": ["128", events]}, BOOK_METER)
    opened.instrument.meet()  # power on before this is no matter
    if is_noticed:
        with pytest.raises(PowerCycledError, match="has lost its settings"):
            opened.instrument.check_power()
    else:
        opened.instrument.check_power()


def test_an_instrument_whose_answer_was_not_taken_is_out_of_step():
    # IEEE 488.2-1992, 11.5.1: bit 2, weight 4, is query error: the answer before was not read (from memory).
    opened = FakeOpened({"*IDN?": ["M"], "*ESR?": ["0", "4"]}, BOOK_METER)
    opened.instrument.meet()
    with pytest.raises(OutOfStepError):
        opened.instrument.check_power()
    assert opened.instrument.session.is_suspect


@pytest.mark.parametrize("reply", ["1.28E+02", "+0.000E+00", "256", "-1", "12.5", "0,0"])
def test_a_register_is_a_whole_number_of_a_byte(reply):
    opened = FakeOpened({"*IDN?": ["M"], "*ESR?": ["0", reply]}, BOOK_METER)
    opened.instrument.meet()
    with pytest.raises(OutOfStepError, match=r"\*ESR\? was answered by something else"):
        opened.instrument.check_power()


@pytest.mark.parametrize("reply", ["0", "1.0", '0,"No error"'])
def test_ready_is_1(reply):
    opened = FakeOpened({"*IDN?": ["M"], "*OPC?": [reply], "SYST:ERR?": ["0"]}, BOOK_METER)
    with pytest.raises(OutOfStepError, match=r"\*OPC\? was answered by something else") as caught:
        opened.instrument.set_up()
    assert caught.value.allowed == "1"


def test_a_level_that_the_source_cannot_give_is_no_level():
    # 0.2 A: beyond every range of its current, so no answer to what it is set to.
    answers = {"*IDN?": ["M"], "*OPC?": ["1"], "SYST:ERR?": ["0"], "SOUR:CURR?": ["0.2"]}
    opened = FakeOpened(answers, BOOK_SOURCE)
    with pytest.raises(OutOfStepError, match=r"SOUR:CURR\? was answered by something else"):
        source_of(opened.instrument, opened.clock).set(quantity("12 mA"))


@pytest.mark.parametrize("reply", ["", "nothing", "9.9E37", "9.91E37"])
def test_an_event_status_that_is_none_puts_the_line_in_doubt(reply):
    opened = FakeOpened({"*IDN?": ["M"], "*ESR?": ["0", reply]}, BOOK_METER)
    opened.instrument.meet()
    with pytest.raises(OutOfStepError, match="answered by something else"):
        opened.instrument.check_power()
    assert opened.instrument.session.is_suspect


def test_an_instrument_that_knows_no_event_status_is_never_asked():
    text = "instrument: x\nclear: []\nfunctions: {i: {reads: mA, query: R, ranges: [{range: 0 .. 1 mA}]}}"
    opened = FakeOpened({"*IDN?": ["M"]}, parse(text, Path("own.yaml")).into(Description))
    opened.instrument.meet()
    opened.instrument.check_power()
    assert [each.sent for each in opened.told if not each.sent.startswith("(")] == ["*IDN?"]


def test_a_serial_source_that_was_off_meanwhile_is_noticed_by_its_output_query():
    text = SERIAL_SOURCE.replace('"off": O0', '"off": O0\n    output query: {ask: "O?"}')
    opened, source = serial_source(text=text)
    source.set(quantity("12 mA"))
    source.energise()
    source.check()
    opened.bench._devices["source"].power_cycle()
    with pytest.raises(PowerCycledError, match="no longer stands as it was set"):
        source.check()
    assert source.recover() is True
    assert [each.sent for each in opened.told][-1] != "O1"  # energised again by nobody but the run
    source.set(quantity("4 mA"))
    source.energise()
    assert source.recover() is False


def test_a_source_that_can_tell_nothing_is_made_safe_before_it_is_trusted_again():
    opened, source = serial_source(Mishap(kind="time-out", instrument="source", matching="S 16"))
    source.set(quantity("12 mA"))
    source.energise()
    with pytest.raises(NoReplyError):
        source.set(quantity("16 mA"))
    assert source.recover() is True
    assert opened.bench._devices["source"].handle("O?") == "0"


def test_a_line_that_cannot_be_opened_is_tried_for_a_bounded_time():
    opened = Opened()
    opened.ready_meter()
    session = opened.meter.session

    def refused():
        raise OSError(111, "Connection refused")

    session._opener = refused
    session._line.close()
    begin_s = opened.clock.now()
    with pytest.raises(InstrumentError, match="does not come back"):
        opened.meter.recover()
    assert 10.0 <= opened.clock.now() - begin_s <= 12.0


def test_a_line_that_can_be_opened_again_after_a_while_is_had_back():
    opened = Opened()
    opened.ready_meter()
    session, tries = opened.meter.session, []
    original = session._opener

    def refused_for_a_while():
        tries.append(opened.clock.now())
        if len(tries) < 8:
            raise OSError(111, "Connection refused")
        return original()

    session._opener = refused_for_a_while
    session._line.close()
    opened.meter.recover()
    assert len(tries) == 8


def test_an_instrument_that_proves_no_life_is_opened_again_at_once():
    text = 'instrument: x\nidentify: ""\nclear: []\nfunctions: {i: {reads: mA, query: R, ranges: [{range: 0 .. 9 mA}]}}'
    opened = FakeOpened({"R": ["4"]}, parse(text, Path("own.yaml")).into(Description))
    assert opened.instrument.description.identify is None
    receiver = DescribedReceiver(instrument=opened.instrument, function="i", clock=opened.clock)
    opened.instrument.meet()
    receiver.select(receiver._spec.ranges[0], "mA")
    dead = opened.instrument.session._line
    dead.read = lambda: ""  # a line that was dropped reads as silent
    with pytest.raises(NoReadingError, match="empty"):
        receiver.read()
    assert receiver.read().value == pytest.approx(4.0)
    assert opened.instrument.session._line is not dead
