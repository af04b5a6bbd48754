"""The simulated scanner by SCPI-1999, and which unit the meter sees behind it."""

import pytest

from instruments.clock import VirtualClock
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.simulated.bench import SimulatedBench, SimulatedUnit
from instruments.simulated.faults import fault
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.physics import Nature

SHEET = DataSheet(
    type="isolator",
    taps=(Tap(name="in", low=4, high=20, unit="mA"), Tap(name="out", low=4, high=20, unit="mA")),
    stages=(Stage(name="unit"),),
)
WIRED = (
    SimulatedInstrument(name="source", resource="TCPIP::127.0.0.1::1::SOCKET", sets="in"),
    SimulatedInstrument(name="meter", resource="TCPIP::127.0.0.1::2::SOCKET", reads="out"),
    SimulatedInstrument(name="scanner", resource="GPIB0::9::INSTR", scans=True),
)
QUIET = Nature(zero_pct=0, span_pct=0, hysteresis_pct=0, noise_pct=0, source_pct=0, source_noise_pct=0, clamps=False)


@pytest.fixture
def bench():
    def made(*, together=True):
        units = {
            1: SimulatedUnit(channels=("101",), seed=1),
            2: SimulatedUnit(channels=("102",), seed=2, faults=(fault("zero shift", zero_pct=10.0),)),
        }
        clock = VirtualClock()
        found = SimulatedBench(SHEET, WIRED, clock=clock, nature=QUIET, units=units, is_driven_together=together)
        for message in ("SOUR:CURR 0.012", "OUTP ON"):
            found.exchange("source", message)
        found.exchange("meter", "CONF:CURR 0.1")
        return found

    return made


def ask(bench, name, message):
    reply = bench.exchange(name, message).line
    return None if reply is None else reply.decode()


def reading_mA(bench):
    for _ in range(3):  # the first after a change of range are off
        ask(bench, "meter", "READ?")
    return 1000 * float(ask(bench, "meter", "READ?"))


def test_the_meter_sees_the_unit_whose_channel_is_closed(bench):
    simulated = bench()
    assert reading_mA(simulated) == pytest.approx(0, abs=0.01)  # nothing is connected
    ask(simulated, "scanner", "ROUT:CLOS (@101)")
    assert reading_mA(simulated) == pytest.approx(12, abs=0.01)
    ask(simulated, "scanner", "ROUT:OPEN (@101);:ROUT:CLOS (@102)")
    assert reading_mA(simulated) == pytest.approx(12 + 1.6, abs=0.01)  # 10 % of 16 mA higher
    ask(simulated, "scanner", "ROUTE:CLOSE (@101:102)")
    assert reading_mA(simulated) == pytest.approx(12.8, abs=0.01)  # two at once: a reading of neither


def test_it_tells_what_is_closed_and_opens_all(bench):
    simulated = bench()
    ask(simulated, "scanner", "ROUT:CLOS (@102)")
    assert ask(simulated, "scanner", "ROUT:CLOS? (@101,102)") == "0,1"
    assert ask(simulated, "scanner", "ROUT:OPEN? (@101,102)") == "1,0"
    assert ask(simulated, "scanner", "ROUT:CLOS:STAT?") == "(@102)"
    ask(simulated, "scanner", "ROUT:OPEN:ALL")
    assert ask(simulated, "scanner", "ROUT:CLOS? (@101:102)") == "0,0"
    ask(simulated, "scanner", "ROUT:CLOS (@102)")
    ask(simulated, "scanner", "*RST")
    assert ask(simulated, "scanner", "ROUT:CLOS? (@102)") == "0"


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("ROUT:CLOS (@999)", -222),  # data out of range
        ("ROUT:CLOS (@1:2:3)", -171),  # invalid expression
        ("ROUT:CLOS 101", -104),  # data type error
        ("ROUT:CLOS", -109),  # missing parameter
    ],
)
def test_what_is_no_channel_of_it_goes_into_the_error_queue(bench, message, code):
    # Numbers of errors: SCPI-1999 volume 2, 21.8 (shared/scpi-standard-errors.csv).
    simulated = bench()
    ask(simulated, "scanner", message)
    assert ask(simulated, "scanner", "SYST:ERR?").startswith(f"{code},")


def test_one_after_another_the_source_drives_what_is_connected(bench):
    simulated = bench(together=False)
    ask(simulated, "scanner", "ROUT:CLOS (@101)")
    assert reading_mA(simulated) == pytest.approx(12, abs=0.01)
    ask(simulated, "scanner", "ROUT:OPEN (@101)")
    ask(simulated, "scanner", "ROUT:CLOS (@102)")
    assert reading_mA(simulated) == pytest.approx(13.6, abs=0.01)
