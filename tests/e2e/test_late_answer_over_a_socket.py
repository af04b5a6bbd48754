"""Over a real socket in real time: a late answer never becomes the next reading, and a lost connection comes back."""

import contextlib
import socket
import timeit
from pathlib import Path

import pytest
import pyvisa

from instruments.clock import RealClock
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.described import DescribedInstrument, DescribedReceiver
from instruments.description import Description
from instruments.errors import InstrumentError, NoReplyError, OutOfStepError
from instruments.session import Session
from instruments.simulated.bench import Mishap, SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.server import serve
from instruments.visaline import BoundedLine
from instruments.yamlfile import parse

SHEET = DataSheet(
    type="isolator",
    taps=(Tap(name="input", low=4, high=20, unit="mA"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="isolator"),),
)
METER = """instrument: a meter
timeout: 400 ms
error query: {ask: "SYST:ERR?"}
functions:
  current:
    reads: mA
    in: A
    select: ["CONF:CURR:DC {range:.4E}", "SENS:CURR:DC:NPLC 0.1"]
    query: "READ?"
    discard after range change: 2
    ranges: [{range: -100 .. 100 mA}]
"""


@contextlib.contextmanager
def receiver_with(mishap, description=METER):
    """A meter that reads 3.8 mA, behind a socket; its receiver, and all that went over the line."""
    wired = (SimulatedInstrument(name="meter", resource="unused", reads="output", identity="M,1,2,3"),)
    clock = RealClock()
    described = parse(description, Path("meter.yaml")).into(Description)
    told = []
    manager = pyvisa.ResourceManager("@py")
    with serve(SimulatedBench(SHEET, wired, clock=clock, mishaps=[mishap])) as served:
        session = Session(
            name="meter",
            resource=served.resources["meter"],
            opener=lambda: BoundedLine(
                manager.open_resource(served.resources["meter"], write_termination="\n", read_termination="\n"),
                encoding="latin-1",
            ),
            clock=clock,
            timeout_s=described.timeout,
            tell=told.append,
        )
        instrument = DescribedInstrument(name="meter", description=described, session=session, expected_identity="M,1")
        receiver = DescribedReceiver(instrument=instrument, function="current", clock=clock)
        try:
            instrument.meet()
            receiver.select(described.functions["current"].ranges[0], "mA")
            yield receiver, told
        finally:
            instrument.close()


def test_a_late_answer_is_thrown_away():
    with receiver_with(Mishap(kind="late", matching="READ?", at_exchange=9, late_s=0.5)) as (receiver, told):
        with pytest.raises(NoReplyError, match=r"no answer within 0\.4 s"):
            [receiver.read() for _ in range(9)]
        assert receiver.read().value == pytest.approx(3.8, abs=0.05)
        assert receiver.read().value == pytest.approx(3.8, abs=0.05)
    (silent,) = [number for number, each in enumerate(told) if each.fault]
    assert "*IDN?" in [each.sent for each in told[silent:]]
    assert all(each.received == "M,1,2,3" for each in told if each.sent == "*IDN?")


@pytest.mark.parametrize("kind", ["twice", "again, late"])
@pytest.mark.parametrize("mark", ["", 'event status: "*ESR?"\n'], ids=["identity", "event status"])
def test_an_answer_that_comes_twice_is_found_out_before_the_next_reading_is_kept(kind, mark):
    described = METER.replace("functions:", f"{mark}functions:")
    with receiver_with(Mishap(kind=kind, matching="READ?", at_exchange=20), described) as (receiver, _):
        kept = []

        def read_and_check():
            sample = receiver.read()
            receiver.check()
            kept.append(sample)

        with pytest.raises(OutOfStepError):
            [read_and_check() for _ in range(20)]
        assert 3 < len(kept) < 19
        assert receiver.read().value == pytest.approx(3.8, abs=0.05)
        receiver.check()


def test_to_ask_whether_the_input_is_empty_costs_little_of_an_exchange():
    with receiver_with(Mishap(kind="twice", at_exchange=10**9)) as (receiver, _):
        line = receiver._session._line

        def shortest_s(act):
            return min(timeit.repeat(act, number=50, repeat=5)) / 50

        asking_s, exchange_s = shortest_s(line.unread), shortest_s(lambda: receiver._session.query("*IDN?"))
        print(f"asking {1e6 * asking_s:.1f} us, an exchange {1e6 * exchange_s:.0f} us: {asking_s / exchange_s:.3f}")
        assert asking_s < 0.2 * exchange_s


def test_a_connection_that_was_dropped_is_opened_again():
    with receiver_with(Mishap(kind="dropped", matching="READ?", at_exchange=9)) as (receiver, told):
        with pytest.raises(InstrumentError):
            [receiver.read() for _ in range(9)]
        assert receiver.read().value == pytest.approx(3.8, abs=0.05)
    assert "(opened again)" in [each.sent for each in told]


def test_an_instrument_that_never_reads_does_not_hold_a_run_for_ever():
    # It takes the connection and what its buffers hold, as one whose firmware hangs does.
    with socket.socket() as hung:
        hung.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        hung.bind(("127.0.0.1", 0))
        hung.listen()
        resource = f"TCPIP::127.0.0.1::{hung.getsockname()[1]}::SOCKET"
        manager = pyvisa.ResourceManager("@py")
        session = Session(
            name="source",
            resource=resource,
            opener=lambda: BoundedLine(manager.open_resource(resource, write_termination="\n"), encoding="latin-1"),
            clock=RealClock(),
            timeout_s=0.2,
            tell=lambda _: None,
        )
        with pytest.raises(NoReplyError, match=r"no answer within 0\.2 s"):
            [session.write("SOUR:FREQ 5.0000000E+02;" * 160) for _ in range(2000)]  # each just short of 4096 bytes
        session.close()
