"""The bench through VISA in process: same answers each time, no real time spent, and every mishap as a real one."""

import random
import time

import pytest
import pyvisa
from pyvisa.constants import StatusCode
from pyvisa_sim.devices import Device, Devices
from pyvisa_sim.highlevel import SimVisaLibrary
from pyvisa_sim.sessions.session import Session

from instruments.clock import VirtualClock
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import InputError
from instruments.simulated.bench import Lines, Mishap, SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.visa import resource_manager

TAPS = (
    Tap(name="demand", low=4, high=20, unit="mA"),
    Tap(name="speed", low=0, high=1200, unit="rpm"),
    Tap(name="loop", low=4, high=20, unit="mA"),
)
SHEET = DataSheet(type="loop", taps=TAPS, stages=(Stage(name="drive", time_constant_s=2.0), Stage(name="converter")))
WIRED = (
    SimulatedInstrument(name="source", resource="TCPIP::127.0.0.1::5025::SOCKET", sets="demand", identity="S,1,2,3"),
    SimulatedInstrument(name="gpib", resource="GPIB0::12::INSTR", reads="loop", identity="G,1,2,3"),
    SimulatedInstrument(name="usb", resource="USB0::0x1234::0x5678::SN1::INSTR", reads="loop", identity="U,1,2,3"),
    SimulatedInstrument(name="lan", resource="TCPIP0::127.0.0.1::inst0::INSTR", reads="demand", identity="L,1,2,3"),
    SimulatedInstrument(name="serial", resource="ASRL3::INSTR", dialect="serial", reads="speed", identity="T,1,2,3"),
)


class Opened:
    def __init__(self, *mishaps, seed=1):
        self.clock = VirtualClock()
        self.bench = SimulatedBench(SHEET, WIRED, clock=self.clock, seed=seed, mishaps=mishaps)
        self.manager = resource_manager(self.bench)

    def open(self, name, **attributes):
        spec = self.bench.instruments[name]
        end = "\r" if spec.dialect == "serial" else "\n"
        settings = {"read_termination": end, "write_termination": end, "timeout": 5000} | attributes
        return self.manager.open_resource(spec.resource, **settings)


@pytest.mark.parametrize("name", ["source", "gpib", "usb", "lan", "serial"])
def test_each_kind_of_resource_answers(name):
    opened = Opened()
    instrument = opened.open(name)
    assert instrument.query("V" if name == "serial" else "*IDN?") == opened.bench.instruments[name].identity
    instrument.clear()
    instrument.timeout = 100
    instrument.close()


def test_the_resources_are_those_of_the_bench_and_no_other():
    opened = Opened()
    assert len(opened.manager.list_resources("?*")) == len(WIRED)
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_RSRC_NFOUND"):
        opened.manager.open_resource("GPIB0::13::INSTR")
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_INV_RSRC_NAME"):
        opened.manager.visalib.open(1, "nonsense")


def run(seed):
    opened = Opened(seed=seed)
    source, meter = opened.open("source"), opened.open("gpib")
    source.write("CURR 4 MA;:OUTP ON")
    meter.write("CONF:CURR 0.1")
    readings = []
    for level_mA in range(4, 21, 2):
        source.write(f"CURR {level_mA} MA")
        opened.clock.sleep(30)
        readings += [meter.query("READ?") for _ in range(20)]
    return readings, opened.clock.now()


def test_one_seed_gives_one_run_to_the_last_digit_and_an_hour_takes_a_moment():
    random.seed(5)
    state = random.getstate()
    begin_s = time.perf_counter()
    first, virtual_s = run(1)
    assert time.perf_counter() - begin_s < 2
    assert virtual_s > 270
    assert run(1) == (first, virtual_s)
    assert run(2)[0] != first
    assert random.getstate() == state


def test_a_time_out_costs_virtual_time_only():
    opened = Opened()
    meter = opened.open("gpib", timeout=60000)
    begin_s = time.perf_counter()
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        meter.read()
    assert opened.clock.now() == 60
    assert time.perf_counter() - begin_s < 1
    assert meter.query("SYST:ERR?") == '-420,"Query UNTERMINATED"'


def test_a_stream_without_termination_character_never_ends_a_read():
    opened = Opened()
    source = opened.open("source", read_termination=None)
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        source.query("*IDN?")
    source.read_termination = "\n"
    assert source.read() == "S,1,2,3"


def test_a_message_needs_no_termination_character_where_the_bus_marks_its_end():
    opened = Opened()
    meter = opened.open("gpib", read_termination=None, write_termination="")
    assert meter.query("*IDN?") == "G,1,2,3\n"
    assert meter.query("*IDN?;*OPC?") == "G,1,2,3;1\n"


def test_a_reply_that_nobody_reads_is_interrupted_on_a_bus_and_waits_on_a_stream():
    opened = Opened()
    meter, source = opened.open("gpib"), opened.open("source")
    meter.write("*IDN?")
    assert meter.stb == 16
    assert meter.query("SYST:ERR?") == '-410,"Query INTERRUPTED"'
    source.write("*IDN?")
    assert source.query("SYST:ERR?") == "S,1,2,3"
    source.clear()
    assert source.query("*OPC?") == "1"


def test_a_reading_that_takes_longer_than_the_time_out_comes_late():
    opened = Opened()
    source = opened.open("source")
    meter = opened.open("gpib", timeout=1000)
    source.write("CURR 12 MA;:OUTP ON")
    meter.write("CONF:CURR 0.1;:SENS:CURR:NPLC 100")
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        meter.query("READ?")
    assert opened.clock.now() == pytest.approx(2.0)
    assert float(meter.read()) > 0


def test_parts_of_a_message_and_small_reads_are_put_together():
    opened = Opened()
    source = opened.open("source")
    source.write_raw(b"*ID")
    source.write_raw(b"N?\n*OPC?\n")
    assert source.read_bytes(3) == b"S,1"
    assert source.read_raw(2) == b",2,3\n"
    assert source.read() == "1"


def test_bytes_that_wait_on_a_serial_line_are_counted():
    tachometer = Opened().open("serial")
    tachometer.write("V")
    assert tachometer.bytes_in_buffer == 8
    tachometer.flush(pyvisa.constants.BufferOperation.discard_receive_buffer)
    assert tachometer.bytes_in_buffer == 0


# Mishaps


def test_a_mishap_time_out_passes():
    opened = Opened(Mishap(kind="time-out", instrument="gpib", at_exchange=2))
    meter = opened.open("gpib")
    assert meter.query("*IDN?") == "G,1,2,3"
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        meter.query("*IDN?")
    assert meter.query("*IDN?") == "G,1,2,3"


def test_a_late_reply_is_handed_to_the_next_query_of_a_stream():
    opened = Opened(Mishap(kind="late", instrument="source", matching="idn"))
    source = opened.open("source")
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        source.query("*IDN?")
    assert source.query("*OPC?") == "S,1,2,3"
    assert source.read() == "1"


@pytest.mark.parametrize(
    ("kind", "reply"), [("empty", ""), ("overload", "+9.90000000E+37"), ("not a number", "+9.91000000E+37")]
)
def test_a_reply_is_replaced_once_and_then_right_again(kind, reply):
    opened = Opened(Mishap(kind=kind, instrument="gpib", matching="READ?"))
    meter = opened.open("gpib")
    assert meter.query("*IDN?") == "G,1,2,3"
    assert meter.query("READ?") == reply
    assert abs(float(meter.query("READ?"))) < 1


def test_a_garbled_reply_is_no_text():
    opened = Opened(Mishap(kind="garbled", instrument="gpib"))
    meter = opened.open("gpib")
    with pytest.raises(UnicodeDecodeError):
        meter.query("*IDN?")
    assert meter.query("*IDN?") == "G,1,2,3"


def test_a_dropped_connection_stays_dropped_until_it_is_opened_again():
    opened = Opened(Mishap(kind="dropped", instrument="source", at_exchange=2))
    source = opened.open("source")
    source.write("CURR 10 MA;:OUTP ON")
    for _ in range(2):
        with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_CONN_LOST"):
            source.query("*IDN?")
    source.close()
    # The instrument itself has gone on driving.
    assert opened.open("source").query("OUTP?;:CURR?") == "1;+1.00000000E-02"


def test_an_instrument_error_stands_in_the_queue():
    opened = Opened(Mishap(kind="error", instrument="gpib"))
    meter = opened.open("gpib")
    assert meter.query("*IDN?;:SYST:ERR?") == 'G,1,2,3;-240,"Hardware error;simulated"'


def test_another_instrument_may_answer():
    opened = Opened(Mishap(kind="wrong identity", instrument="gpib", at_exchange=2))
    meter = opened.open("gpib")
    assert [meter.query("*IDN?") for _ in range(3)] == ["G,1,2,3", *["ANOTHER,INSTRUMENT,0,0"] * 2]


def test_a_power_cycle_loses_the_settings():
    opened = Opened(Mishap(kind="power-cycled", instrument="source", at_exchange=3))
    source = opened.open("source")
    source.write("CURR 10 MA;:OUTP ON")
    source.query("*ESR?")
    assert source.query("OUTP?;:CURR?;*ESR?") == "0;+0.00000000E+00;128"


def test_a_mishap_of_no_instrument_counts_the_whole_bench():
    opened = Opened(Mishap(kind="empty", at_exchange=3, times_n=2))
    source, meter = opened.open("source"), opened.open("gpib")
    replies = [
        source.query("*OPC?"),
        meter.query("*OPC?"),
        source.query("*OPC?"),
        meter.query("*OPC?"),
        source.query("*OPC?"),
    ]
    assert replies == ["1", "1", "", "", "1"]


# What is refused, and what is built on


@pytest.mark.parametrize(
    ("specs", "match"),
    [
        ([{"name": "a", "resource": "nonsense"}], '"nonsense" is not a VISA resource'),
        ([{"name": "a", "resource": "ASRL1::INSTR"}, {"name": "b", "resource": "ASRL1::INSTR"}], "two .* at"),
        ([{"name": "a", "resource": "ASRL1::INSTR"}, {"name": "a", "resource": "ASRL2::INSTR"}], 'two .* called "a"'),
        ([{"name": "a", "resource": "ASRL1::INSTR", "reads": "lop"}], r'no tap "lop"[^!]*write "loop"'),
        ([{"name": "a", "resource": "ASRL1::INSTR", "reads": "speed"}], 'in rpm[^!]*dialect "serial"'),
        (
            [
                {"name": "a", "resource": "ASRL1::INSTR", "sets": "demand"},
                {"name": "b", "resource": "ASRL2::INSTR", "sets": "demand"},
            ],
            '"demand" is driven by two',
        ),
    ],
)
def test_a_bench_that_cannot_be_is_refused(specs, match):
    with pytest.raises(InputError, match=match):
        resource_manager(SimulatedBench(SHEET, [SimulatedInstrument(**spec) for spec in specs], clock=VirtualClock()))


def test_a_mishap_of_an_unknown_instrument_is_refused():
    with pytest.raises(InputError, match='no instrument "scope"'):
        SimulatedBench(SHEET, WIRED, clock=VirtualClock(), mishaps=(Mishap(kind="late", instrument="scope"),))


def test_two_benches_share_nothing():
    first, second = Opened(), Opened()
    first.open("source").write("CURR 10 MA;:OUTP ON")
    assert second.open("source").query("OUTP?") == "0"
    first.manager.close()
    assert second.open("gpib").query("*OPC?") == "1"


def test_pyvisa_sim_still_has_what_the_bench_stands_on():
    device = Device("name", b"")
    assert device.resource_name is None
    device.add_eom("TCPIP SOCKET", "", "")
    devices = Devices()
    devices.add_device("TCPIP0::127.0.0.1::1::SOCKET", device)
    assert devices["TCPIP0::127.0.0.1::1::SOCKET"] is device
    assert devices.list_resources() == ("TCPIP0::127.0.0.1::1::SOCKET",)
    assert {"_init", "_register", "open", "close", "read", "write", "list_resources"} <= set(vars(SimVisaLibrary))
    assert {"get_attribute", "set_attribute", "after_parsing"} <= set(vars(Session))
    manager = Opened().manager
    meter = manager.open_resource("GPIB0::12::INSTR")
    assert manager.visalib.sessions[meter.session].attrs
    assert manager.visalib.read_stb(meter.session) == (0, StatusCode.success)


def test_nothing_warns_while_a_bench_is_opened(caplog):
    for name in ("source", "gpib", "usb", "lan", "serial"):
        Opened().open(name)
    assert caplog.records == []


def test_lines_are_cut_at_either_end_and_a_monstrous_one_is_thrown_away():
    lines = Lines(b"\r\n")
    assert lines.feed(b"A\rB\nC") == (["A", "B"], 0)
    assert lines.feed(b"\r\n") == (["C"], 0)
    assert lines.feed(b"x" * 70000) == ([], 0)
    assert lines.feed(b"x" * 70000 + b"\nOK\n") == (["OK"], 1)
