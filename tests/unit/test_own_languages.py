"""Instruments with languages of their own, each behind a socket of its own and described by YAML alone."""

import contextlib
import json
import os
import select
import socket
import threading
from pathlib import Path

import pytest
import pyvisa

from instruments.clock import RealClock
from instruments.described import DescribedInstrument, DescribedReceiver, DescribedSource
from instruments.description import Description
from instruments.errors import (
    InputError,
    InstrumentError,
    LimitError,
    NoReadingError,
    OutOfStepError,
    PowerCycledError,
)
from instruments.line import opened_line
from instruments.units import quantity, span
from instruments.yamlfile import parse


class Spoken:
    """An instrument at a free port: what it hears it hands to `obey`, which gives the answer or None.

    Args:
        obey: the language.
        end: of what it hears and says.
        prompt: said once it is ready.
        echo: it says back what it hears.
        greeting: said to whoever comes.
    """

    def __init__(self, obey, *, end="\n", prompt="", echo=False, greeting=""):
        self.obey, self.end, self.prompt, self.echo, self.greeting = obey, end, prompt, echo, greeting
        self.heard = []
        self.packets_n = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        while not self._stop.is_set():
            if not select.select([self._listener], [], [], 0.05)[0]:
                continue
            line, _ = self._listener.accept()
            with line, contextlib.suppress(OSError):
                self._talk(line)

    def _talk(self, line):
        held = ""
        line.sendall(self.greeting.encode())
        while not self._stop.is_set():
            if not select.select([line], [], [], 0.05)[0]:
                continue
            if not (chunk := line.recv(4096)):
                return
            held += chunk.decode("latin-1")
            *messages, held = held.split(self.end)
            for message in messages:
                self.heard.append(message)
                reply = self.obey(message)
                said = message + self.end if self.echo else ""
                said += "" if reply is None else reply + self.end
                line.sendall((said + self.prompt).encode("latin-1"))

    def close(self):
        self._stop.set()
        self._thread.join(2)
        self._listener.close()


@pytest.fixture
def spoken():
    with contextlib.ExitStack() as stack:

        def made(obey, **manners):
            found = Spoken(obey, **manners)
            stack.callback(found.close)
            return found

        yield made


def described(text):
    return parse(text, Path("own.yaml")).into(Description)


@contextlib.contextmanager
def on_line(instrument, text, *, told=None, password=""):
    """The instrument at its port, opened as a bench opens it."""
    description = described(text)
    clock = RealClock()
    session = opened_line(
        "own",
        f"TCPIP::127.0.0.1::{instrument.port}::SOCKET",
        description,
        pyvisa.ResourceManager("@py"),
        clock,
        (told.append if told is not None else lambda _: None),
    )
    opened = DescribedInstrument(
        name="own", description=description, session=session, expected_identity="", password=password
    )
    try:
        opened.meet()
        opened.set_up()
        yield opened
    finally:
        opened.close()


def reader(opened, unit, name="it", entry=0):
    found = DescribedReceiver(instrument=opened, function=name, clock=RealClock())
    found.select(opened.description.functions[name].ranges[entry], unit)
    return found


def source(opened, limits=(), name="it", entry=0):
    spec = opened.description.functions[name]
    found = DescribedSource(
        instrument=opened, function=name, limits=limits, safe_level=spec.safe_level, clock=RealClock()
    )
    found.select(spec.ranges[entry])
    return found


BARE = "instrument: invented\nidentify:\nclear: []\ntimeout: 1 s\n"


def read_one(spoken, reply, keys, unit="mV"):
    instrument = spoken(lambda _: reply)
    text = f"{BARE}functions:\n  it:\n    reads: mV\n    query: R\n    ranges: [{{range: 0 .. 2000 mV}}]\n"
    with on_line(instrument, text + "".join(f"    {key}\n" for key in keys)) as opened:
        return reader(opened, unit).read()


# -- what a reply looks like -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reply", "keys", "value"),
    [
        ("12.5 mV", ['reply: "{value} {unit}"'], 12.5),
        ("1.25 V", ['reply: "{value} {unit}"'], 1250.0),
        ("1.25E0 VOLT", ['reply: "{value} {unit}"', "units: {VOLT: V, MVOLT: mV}"], 1250.0),
        ("+ 12,5", ["decimal: comma"], 12.5),
        ("21.3,12.5,1013.2", ['reply: "{skip},{value},{skip}"'], 12.5),
        ("N 12.5", ['reply: "{status} {value}"', "status: {good: N}"], 12.5),
        ("#12;CH A;12.5;OK", ['reply: "{skip};{skip};{value};{skip}"'], 12.5),
    ],
)
def test_a_reply_is_understood_by_its_description_alone(spoken, reply, keys, value):
    assert read_one(spoken, reply, keys).value == pytest.approx(value, rel=1e-12)


def test_a_status_that_makes_a_reading_no_worse_is_told_apart_from_an_error(spoken):
    keys = ['reply: "{status},{value}"', 'status: {good: "0", warnings: {"8": battery low}}']
    good, warned = (read_one(spoken, reply, keys) for reply in ("0,12.5", "8,12.5"))
    assert (good.value, good.warning, warned.value, warned.warning) == (12.5, "", 12.5, "battery low")
    with pytest.raises(NoReadingError, match="reading is not valid"):
        read_one(spoken, "4,12.5", keys)


@pytest.mark.parametrize("reply", ["12.5 A", "12.5 XY", "12.5"])
def test_a_unit_of_something_else_is_no_reading(spoken, reply):
    with pytest.raises(NoReadingError, match="garbled"):
        read_one(spoken, reply, ['reply: "{value} {unit}"'])


def test_a_reading_in_counts_is_scaled_by_its_range(spoken):
    # A current input card: 4 mA is 6400 counts, 20 mA is 32 000, so that a count is 0.625 uA.
    counts = ["6400", "32000", "19200"]
    instrument = spoken(lambda _: counts.pop(0))
    text = (
        f'{BARE}functions:\n  it: {{reads: mA, query: "AI0", ranges: [{{range: 4 .. 20 mA, scale: 6400 .. 32000}}]}}\n'
    )
    with on_line(instrument, text) as opened:
        meter = reader(opened, "mA")
        assert [meter.read().value for _ in range(3)] == pytest.approx([4.0, 20.0, 12.0], abs=1e-9)


# -- a reading of several exchanges ------------------------------------------------------------------------------------

POLLED = BARE + (
    "functions:\n  it:\n    reads: mV\n    trigger: [GO]\n    wait: 10 ms\n"
    '    poll: {ask: "DONE?", until: "Y", at most: 200 ms, every: 10 ms}\n    query: VAL\n'
    "    ranges: [{range: 0 .. 100 mV}]\n"
)


def test_a_reading_is_started_waited_for_and_fetched(spoken):
    polled = []

    def obey(message):
        if message == "GO":
            polled.clear()
            return None
        if message == "DONE?":
            polled.append(1)
            return "Y" if len(polled) == 3 else "N"
        return "12.5"

    instrument = spoken(obey)
    with on_line(instrument, POLLED) as opened:
        assert reader(opened, "mV").read().value == 12.5
    assert instrument.heard == ["GO", "DONE?", "DONE?", "DONE?", "VAL"]


def test_a_reading_that_is_never_ready_is_none(spoken):
    instrument = spoken(lambda message: None if message == "GO" else "N")
    with on_line(instrument, POLLED) as opened, pytest.raises(NoReadingError, match="reading is not ready"):
        reader(opened, "mV").read()
    assert "VAL" not in instrument.heard


def test_a_slow_source_is_waited_for_until_it_says_that_it_is_stable(spoken):
    asked = []

    def obey(message):
        if message == "ST?":
            asked.append(1)
            return "1" if len(asked) >= 4 else "0"
        return None

    text = BARE + (
        'functions:\n  it:\n    sets: degC\n    set: "T {level:.2f}"\n    safe level: 20 degC\n'
        '    stable: {ask: "ST?", reply: "1", at most: 100 ms, every: 5 ms}\n    ranges: [{range: 0 .. 150 degC}]\n'
    )
    instrument = spoken(obey)
    looked = []
    with on_line(instrument, text) as opened:
        block = source(opened)
        block.set(quantity("100 degC"))
        assert block.wait_stable(lambda: looked.append(1))
        assert (instrument.heard, len(looked)) == (["T 100.00"] + 4 * ["ST?"], 3)
        assert not block.wait_stable(lambda: looked.append(1))  # it stands there already
        asked[:] = [1] * -1000
        instrument.obey = lambda message: "0" if message == "ST?" else None
        with pytest.raises(InstrumentError, match=r"is not stable at 100 °C within 0\.1 s"):
            block.wait_stable(lambda: None)


# -- levels ------------------------------------------------------------------------------------------------------------

DECADE = BARE + (
    "functions:\n  it:\n    sets: ohm\n    safe level: 100 ohm\n"
    '    set: ["D {digit:1000}", "C {digit:100}", "B {digit:10}", "A {digit:1}", "Z {digit:0.1}"]\n'
    "    ranges: [{range: 0 .. 9999.9 ohm, resolution: 0.1 ohm}]\n"
)


def test_a_decade_is_set_switch_by_switch_and_never_above_both_levels(spoken):
    instrument = spoken(lambda _: None)
    stood, highest = dict.fromkeys("DCBAZ", 0) | {"C": 1}, []  # as its safe level leaves it
    places = {"D": 1000, "C": 100, "B": 10, "A": 1, "Z": 0.1}
    with on_line(instrument, DECADE) as opened:
        box = source(opened, limits=(("limits of the unit", span("0 .. 1500 ohm")),))
        for level, said in (("999.9 ohm", "D0 C9 B9 A9 Z9"), ("1000 ohm", "D1 C0 B0 A0 Z0"), ("138.5 ohm", "")):
            begin = len(instrument.heard)
            box.set(quantity(level))
            box.check()
            opened.session.clear()  # it has come there
            for message in instrument.heard[begin:]:
                switch, digit = message.split()
                stood[switch] = int(digit)
                highest.append(sum(places[each] * digit for each, digit in stood.items()))
            assert highest[-1] == pytest.approx(quantity(level).magnitude)
            assert not said or {f"{each}{digit}" for each, digit in stood.items()} == set(said.split())
        assert max(highest) <= 1000.0 + 1e-9  # 999.9 to 1000 by way of 1999.9 would be outside the limits
        begin = len(instrument.heard)
        with pytest.raises(LimitError):
            box.set(quantity("1500.1 ohm"))
        assert len(instrument.heard) == begin


def test_a_level_in_per_cent_of_range_is_another_number_in_each_range(spoken):
    stood, locked = {}, []

    def obey(message):
        if message == "P?":
            return locked[0] if locked else stood["P"]
        stood[message[0]] = message[1:]
        return None

    text = BARE + (
        'functions:\n  it:\n    sets: bar\n    set: "P{level:.3f}"\n    read back: "P?"\n    safe level: 0 bar\n'
        "    ranges:\n"
        "      - {range: 0 .. 2 bar, scale: 0 .. 100, select: R1, resolution: 0.1 mbar}\n"
        "      - {range: 0 .. 10 bar, scale: 0 .. 100, select: R2, resolution: 1 mbar}\n"
    )
    instrument = spoken(obey)
    with on_line(instrument, text) as opened:
        for entry, number, percent in ((0, "1", "75.000"), (1, "2", "15.000")):
            controller = source(opened, entry=entry)
            controller.set(quantity("1.5 bar"))
            assert stood == {"R": number, "P": percent}
        controller.make_safe()
        assert stood["P"] == "0.000"
        locked[:] = ["50"]
        with pytest.raises(InstrumentError, match=r"told 7\.5 bar as 75, reports 50"):  # 75 % of 10 bar
            controller.set(quantity("7.5 bar"))


def test_a_safe_level_that_is_another_number_in_each_range_is_refused():
    text = BARE + (
        'functions: {it: {sets: mA, set: "I{level}", safe level: 4 mA, ranges: '
        "[{range: 0 .. 20 mA, scale: 0 .. 100}, {range: 0 .. 50 mA, scale: 0 .. 100}]}}\n"
    )
    with pytest.raises(InputError) as caught:
        described(text)
    assert "the same number on the wire in every range" in caught.value.allowed


# -- lines -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("echo", [False, True])
def test_an_instrument_with_a_prompt_is_talked_to_like_any_other(spoken, echo):
    level = ["0"]

    def obey(message):
        verb, _, number = message.partition(" ")
        if verb == "set":
            level[0] = number
            return None
        return {"who": "INVENTED,BOX,7,1", "get": level[0], "errors": "none"}[verb]

    text = (
        'instrument: invented\ntermination: {write: "\\r\\n", read: "\\r\\n", prompt: "ok> "}\n'
        f"echo: {'yes' if echo else 'no'}\nidentify: who\nclear: []\ntimeout: 1 s\n"
        "error query: {ask: errors, none: none}\n"
        'functions: {it: {sets: V, set: "set {level:.3f}", read back: get, safe level: 0 V, '
        "ranges: [{range: 0 .. 10 V, resolution: 1 mV}]}}\n"
    )
    instrument, told = spoken(obey, end="\r\n", prompt="ok> ", echo=echo, greeting="box 7 is ready: "), []
    with on_line(instrument, text, told=told) as opened:
        box = source(opened)
        for level_v in ("2.5 V", "7.5 V"):
            box.set(quantity(level_v))
        box.make_safe()
    assert opened.identity == "INVENTED,BOX,7,1"
    assert [each.received for each in told if each.sent == "get"] == ["2.500", "7.500", "0.000"]


def test_an_echo_on_a_line_of_its_own_is_taken_off_and_missed_where_it_does_not_come(spoken):
    text = "echo: yes\n" + BARE + "functions: {it: {reads: mV, query: R, ranges: [{range: 0 .. 100 mV}]}}\n"
    instrument = spoken(lambda _: "12.5", echo=True)
    with on_line(instrument, text) as opened:
        assert reader(opened, "mV").read().value == 12.5
        instrument.echo = False
        with pytest.raises(OutOfStepError, match=r'said "12\.5" to a command'):
            reader(opened, "mV").read()


def test_frames_of_control_characters_are_put_about_messages_and_taken_off_answers(spoken):
    text = (
        'instrument: invented\ntermination: {write: "\\x03\\r", read: "\\x03\\r"}\nprefix: "\\x0201"\n'
        'reply prefix: "\\x02"\nidentify: ID\nclear: []\ntimeout: 1 s\nerror query: {ask: ER, none: "00"}\n'
        "functions: {it: {reads: mV, query: RD, ranges: [{range: 0 .. 100 mV}]}}\n"
    )
    answers = {"\x0201ID": "\x02BOX", "\x0201ER": "\x0200", "\x0201RD": "\x0212.5"}
    instrument = spoken(answers.get, end="\x03\r")
    with on_line(instrument, text) as opened:
        assert opened.identity == "BOX"
        assert reader(opened, "mV").read().value == 12.5


def test_a_slow_instrument_is_left_alone_after_each_command(spoken):
    instrument = spoken(lambda _: None)
    text = BARE.replace("clear: []", "clear: [A, B]\ncommand delay: 60 ms") + (
        "functions: {it: {reads: mV, query: R, ranges: [{range: 0 .. 100 mV}]}}\n"
    )
    begin_s = RealClock().now()
    with on_line(instrument, text):
        assert RealClock().now() - begin_s >= 0.12


def test_an_acknowledgement_is_a_pattern_and_an_entry_of_the_error_queue_any_text(spoken):
    queue = ["E07 LEVEL TOO HIGH FOR RANGE", "none"]
    instrument = spoken(lambda message: queue.pop(0) if message == "ERR" else "=>1" if message == "S1" else "=>0")
    text = BARE + (
        'acknowledge: "=>[0-9]"\nerror query: {ask: ERR, none: none}\n'
        'functions: {it: {sets: V, set: "S{level:.0f}", safe level: 0 V, ranges: [{range: 0 .. 9 V}]}}\n'
    )
    queue.insert(0, "none")
    queue.insert(0, "none")
    with on_line(instrument, text) as opened:
        box = source(opened)
        with pytest.raises(InstrumentError, match="reports E07 LEVEL TOO HIGH FOR RANGE after 1 V was set"):
            box.set(quantity("1 V"))


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="a system without pseudo-terminals")
def test_an_end_of_several_characters_on_a_serial_line_is_waited_for_whole():
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    stop = threading.Event()

    def serve():
        held = b""
        while not stop.is_set():
            if select.select([ours], [], [], 0.05)[0]:
                held += os.read(ours, 100)
                while b"\r" in held:
                    _, _, held = held.partition(b"\r")
                    os.write(ours, b"CH1 > 12.5\r\nrdy> ")  # its last character stands in the answer as well

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    text = BARE.replace("timeout", 'termination: {write: "\\r", read: "\\r\\n", prompt: "\\r\\nrdy> "}\ntimeout') + (
        "serial: {baud: 9600, flow control: none}\n"
        'functions: {it: {reads: mV, query: R, reply: "CH1 > {value}", ranges: [{range: 0 .. 100 mV}]}}\n'
    )
    description, clock = described(text), RealClock()
    try:
        session = opened_line(
            "own",
            f"ASRL{os.ttyname(theirs)}::INSTR",
            description,
            pyvisa.ResourceManager("@py"),
            clock,
            lambda _: None,
        )
        opened = DescribedInstrument(name="own", description=description, session=session, expected_identity="")
        opened.meet()
        assert [reader(opened, "mV").read().value for _ in range(3)] == [12.5] * 3
        opened.close()
    finally:
        stop.set()
        thread.join(2)
        os.close(ours)
        os.close(theirs)


# -- a password --------------------------------------------------------------------------------------------------------


def test_unlock_comes_first_and_the_password_is_told_nowhere(spoken):
    is_open = []

    def obey(message):
        if message == "PASS s3cret":
            is_open.append(1)
            return None
        return "BOX s3cret" if message == "ID" else "12.5" if is_open else "LOCKED"

    text = BARE.replace("identify:", 'unlock: "PASS {password}"\nidentify: ID') + (
        "functions: {it: {reads: mV, query: R, ranges: [{range: 0 .. 100 mV}]}}\n"
    )
    instrument, told = spoken(obey), []
    with on_line(instrument, text, told=told, password="s3cret") as opened:
        assert reader(opened, "mV").read().value == 12.5
        opened.recover()
    assert instrument.heard[:2] == ["PASS s3cret", "ID"]
    assert instrument.heard.count("PASS s3cret") == 2
    assert "s3cret" not in json.dumps([[each.sent, each.received, each.fault] for each in told])
    assert [each.sent for each in told if each.sent.startswith("PASS")] == ["PASS ***"] * 2
    assert "s3cret" not in opened.description.model_dump_json()


def test_a_password_too_short_to_be_looked_for_is_told_nowhere_either(spoken):
    instrument, told = spoken(lambda _: None), []
    text = BARE.replace("identify:", 'unlock: ["PASS {password}", "RMT"]\nidentify:') + (
        'functions: {it: {sets: V, set: "V {level}", safe level: 0 V, ranges: [{range: 0 .. 10 V}]}}\n'
    )
    with on_line(instrument, text, told=told, password="7") as opened:
        source(opened).set(quantity("7 V"))
        opened.session.clear()  # it has come there
    sent = [each.sent for each in told if not each.sent.startswith("(")]
    assert sent == ["PASS ***", "RMT", "V 7"]
    assert instrument.heard == ["PASS 7", "RMT", "V 7"]


# -- one message -------------------------------------------------------------------------------------------------------

COMPOUND = """
instrument: invented
compound: yes
timeout: 300 ms
identify: "*IDN?"
error query: {ask: "SYST:ERR?", none: "0"}
event status: "*ESR?"
functions:
  out:
    sets: V
    set: "SOUR:VOLT {level:.4f}"
    read back: "SOUR:VOLT?"
    on: ["OUTP ON"]
    off: ["OUTP OFF"]
    output query: {ask: "OUTP?", off: "0"}
    safe level: 0 V
    ranges: [{range: 0 .. 10 V, resolution: 1 mV}]
  it:
    reads: V
    query: "READ?"
    overload: "OVER"
    ranges: [{range: 0 .. 10 V, resolution: 1 mV}]
"""


class Compound:
    """A source and meter that takes messages of several units; the rest of one with a command error is left out."""

    def __init__(self):
        self.level, self.is_on, self.events, self.reading, self.errors = 0.0, False, 0, None, []

    def __call__(self, message):
        answers = []
        for each in message.split(";"):
            word, _, number = each.removeprefix(":").partition(" ")
            if word == "SOUR:VOLT":
                self.level = float(number)
            elif word == "OUTP":
                self.is_on = number == "ON"
            elif word == "*ESR?":
                answers += [] if self.events is None else [str(self.events)]
                self.events = 0
            elif word == "SYST:ERR?":
                answers.append(self.errors.pop(0) if self.errors else '0,"No error; all well"')
            elif word == "*IDN?":
                answers.append("INVENTED,BOTH,5,1")
            elif word in {"READ?", "SOUR:VOLT?", "OUTP?"}:
                own = {"READ?": f"{self.level:.4f}", "SOUR:VOLT?": f"{self.level:.4f}", "OUTP?": str(int(self.is_on))}
                answers.append(self.reading if word == "READ?" and self.reading is not None else own[word])
        return ";".join(answers) if answers else None


def test_what_belongs_together_goes_in_one_message_once_the_command_is_understood(spoken):
    both = Compound()
    instrument = spoken(both)
    with on_line(instrument, COMPOUND) as opened:
        box, meter = source(opened, name="out"), reader(opened, "V")
        box.set(quantity("1 V"))
        box.energise()
        begin = len(instrument.heard)
        box.set(quantity("2.5 V"))
        assert meter.read().value == 2.5
        meter.check()
        box.check(closely=True)
        assert instrument.heard[begin:] == [
            "SOUR:VOLT 2.5000;:SYST:ERR?;:SOUR:VOLT?;*ESR?",
            "READ?;*ESR?",
            "OUTP?;:SOUR:VOLT?;*ESR?",
        ]
        both.errors.append('-222,"Data out of range;SOUR:VOLT 3"')
        with pytest.raises(InstrumentError, match="reports -222, Data out of range;SOUR:VOLT 3 after 3 V was set"):
            box.set(quantity("3 V"))
        begin = len(instrument.heard)
        box.make_safe()
        assert instrument.heard[begin : begin + 2] == ["SOUR:VOLT 0.0000", "OUTP OFF"]  # each alone, before any answer


@pytest.mark.parametrize("with_what", ["reading", "overload", "error"])
def test_a_loss_of_power_that_came_along_with_anything_is_never_lost(spoken, with_what):
    both = Compound()
    instrument = spoken(both)
    with on_line(instrument, COMPOUND) as opened:
        box, meter = source(opened, name="out"), reader(opened, "V")
        box.set(quantity("1 V"))
        both.events = 128  # IEEE 488.2-1992, 11.5.1.1.2: bit 7, power on (from memory)
        if with_what == "error":
            both.errors.append('-100,"Command error"')
            with pytest.raises(InstrumentError, match="-100"):
                box.set(quantity("2 V"))
        elif with_what == "overload":
            both.reading = "OVER"
        with pytest.raises(PowerCycledError):
            meter.read() if with_what != "error" else meter.check()
        assert both.events == 0  # asked, so the instrument has forgotten it


@pytest.mark.parametrize(
    ("reading", "events", "raised"),
    [
        ("2.5", None, "2 answers"),
        ("2.5", "x", "from 0 to 255"),
        ("2.5", "999", "from 0 to 255"),
        ("2.5;1", 0, ""),
        ("", 0, ""),
    ],
)
def test_answers_that_do_not_fit_their_questions_are_no_reading(spoken, reading, events, raised):
    both = Compound()
    instrument = spoken(both)
    with on_line(instrument, COMPOUND) as opened:
        meter = reader(opened, "V")
        both.reading, both.events = reading, events
        error = OutOfStepError if raised else NoReadingError
        with pytest.raises(error) as caught:
            meter.read()
        assert raised in caught.value.allowed
        assert opened.session.is_suspect
