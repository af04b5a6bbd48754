"""The served bench as others see it: clients that share no code with it, over real sockets and a serial port."""

import os
import shutil
import socket
import subprocess
import threading
import time

import pytest
import pyvisa

from instruments.clock import RealClock
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.simulated.bench import Mishap, SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.server import HAS_SERIAL, serve

TAPS = (
    Tap(name="demand", low=4, high=20, unit="mA"),
    Tap(name="speed", low=0, high=1200, unit="rpm"),
    Tap(name="loop", low=4, high=20, unit="mA"),
)
SHEET = DataSheet(type="loop", taps=TAPS, stages=(Stage(name="drive", time_constant_s=0.02), Stage(name="converter")))
WIRED = (
    SimulatedInstrument(name="source", resource="unused", sets="demand", identity="S,1,2,3"),
    SimulatedInstrument(name="meter", resource="unused", reads="loop", identity="M,1,2,3"),
    SimulatedInstrument(name="tachometer", resource="unused", dialect="serial", reads="speed", identity="T,1,2,3"),
)


def bench(*mishaps):
    return SimulatedBench(SHEET, WIRED, clock=RealClock(), mishaps=mishaps)


@pytest.fixture
def served():
    with serve(bench()) as found:
        yield found


def connect(served, name="source"):
    return socket.create_connection(("127.0.0.1", served.ports[name]), timeout=5)


def ask(client, message):
    client.sendall(message)
    reply = b""
    while not reply.endswith(b"\n"):
        part = client.recv(4096)
        if not part:
            return reply
        reply += part
    return reply


@pytest.mark.skipif(shutil.which("lxi") is None, reason="lxi-tools is not installed")
def test_lxi_tools_talks_to_it(served):
    port = str(served.ports["meter"])
    command = ["lxi", "scpi", "-a", "127.0.0.1", "-p", port, "--raw", "*IDN?"]
    done = subprocess.run(command, capture_output=True, timeout=20, check=True)
    assert done.stdout.strip() == b"M,1,2,3"


@pytest.mark.skipif(shutil.which("nc") is None, reason="nc is not installed")
def test_netcat_talks_to_it(served):
    command = ["nc", "-w", "1", "127.0.0.1", str(served.ports["meter"])]
    done = subprocess.run(command, input=b"*IDN?\nSYST:ERR?\n", capture_output=True, timeout=20, check=False)
    assert done.stdout == b'M,1,2,3\n0,"No error"\n'


def test_pyvisa_py_sets_one_instrument_and_reads_another(served):
    manager = pyvisa.ResourceManager("@py")
    try:
        source, meter = (
            manager.open_resource(served.resources[name], read_termination="\n", write_termination="\n")
            for name in ("source", "meter")
        )
        source.write("CURR 12 MA;:OUTP ON")
        meter.write("CONF:CURR 0.1")
        time.sleep(0.6)
        readings = [float(meter.query("READ?")) for _ in range(3)]
        assert readings[-1] == pytest.approx(0.012, abs=2e-5)
        source.write("OUTP OFF")
        assert source.query("OUTP?") == "0"
    finally:
        manager.close()


@pytest.mark.skipif(not HAS_SERIAL, reason="no pseudo-terminals here")
def test_pyvisa_py_reads_the_serial_port(served):
    manager = pyvisa.ResourceManager("@py")
    try:
        for _ in range(2):  # and again, after it was closed
            tachometer = manager.open_resource(
                served.resources["tachometer"], read_termination="\r", write_termination="\r", timeout=3000
            )
            assert tachometer.query("V") == "T,1,2,3"
            assert tachometer.query("R")[1:] in {"0000.0 RPM", "0000.1 RPM"}
            tachometer.close()
    finally:
        manager.close()


def test_a_client_that_leaves_in_the_middle_harms_nobody(served):
    with connect(served) as client:
        client.sendall(b"CURR 10 MA;:OUTP ON\n*IDN?\n*ID")
    with connect(served) as client:
        assert ask(client, b"*IDN?\n") == b"S,1,2,3\n"
        assert ask(client, b"OUTP?\n") == b"1\n"


def test_garbage_is_an_error_in_the_queue_and_the_next_command_is_understood(served):
    with connect(served) as client:
        client.sendall(os.urandom(3000).replace(b"\n", b" ") + b"\n")
        assert ask(client, b"*CLS;*IDN?\n") == b"S,1,2,3\n"
        client.sendall(b"\x00\xff\xfe\n")
        assert ask(client, b"SYST:ERR?\n").startswith(b"-1")


def test_a_line_without_end_is_bounded(served):
    with connect(served) as client:
        for _ in range(64):
            client.sendall(b"X" * 65536)
        assert ask(client, b"\nSYST:ERR?\n") == b'-363,"Input buffer overrun"\n'


def test_several_clients_at_once_get_their_own_answers(served):
    wrong = []

    def talk(number):
        with connect(served) as client:
            wrong.extend(
                reply for k in range(100) if (reply := ask(client, b"*ESE %d;*OPC?\n" % ((number + k) % 200))) != b"1\n"
            )

    threads = [threading.Thread(target=talk, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert wrong == []


def test_one_instrument_integrating_does_not_hold_up_another(served):
    with connect(served, "meter") as meter, connect(served) as source:
        meter.sendall(b"CONF:CURR 0.1;:SENS:CURR:NPLC 100;:READ?\n")
        begin_s = time.perf_counter()
        ask(source, b"OUTP OFF;*OPC?\n")
        assert time.perf_counter() - begin_s < 1
        meter.settimeout(5)
        assert len(meter.recv(100)) == 16
        assert time.perf_counter() - begin_s > 1.5


def test_nothing_listens_any_more_after_it_is_left():
    before = threading.active_count()
    with serve(bench()) as served:
        client = connect(served)
        ask(client, b"*IDN?\n")
    assert client.recv(10) == b""
    client.close()
    with pytest.raises(ConnectionRefusedError):
        connect(served)
    assert threading.active_count() == before


def test_an_exception_inside_closes_it_too():
    with pytest.raises(KeyError), serve(bench()) as served:
        raise KeyError
    with pytest.raises(ConnectionRefusedError):
        connect(served)


def test_a_late_reply_comes_before_the_next_one():
    with serve(bench(Mishap(kind="late", instrument="source", late_s=0.2))) as served, connect(served) as client:
        client.sendall(b"*IDN?\n")
        client.settimeout(0.05)
        with pytest.raises(TimeoutError):
            client.recv(100)
        client.settimeout(5)
        assert client.recv(100) == b"S,1,2,3\n"
        assert ask(client, b"*OPC?\n") == b"1\n"


@pytest.mark.parametrize(
    ("kind", "reply"),
    [("empty", b"\n"), ("overload", b"+9.90000000E+37\n"), ("garbled", b"\xff+1.2\x00\xb5\n"), ("dropped", b"")],
)
def test_a_mishap_is_the_same_over_a_socket(kind, reply):
    with serve(bench(Mishap(kind=kind, instrument="source"))) as served:
        with connect(served) as client:
            assert ask(client, b"*IDN?\n") == reply
        with connect(served) as client:
            assert ask(client, b"*IDN?\n") == b"S,1,2,3\n"
