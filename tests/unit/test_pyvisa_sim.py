"""An instrument that pyvisa-sim plays from a file of its own: livezero takes it as any other VISA instrument."""

import warnings

import pytest

from instruments.bench import open_bench
from instruments.benchcheck import check
from instruments.benchfile import load_bench
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import InstrumentError, LimitError
from instruments.units import quantity, span
from instruments.wiring import wire

SHEET = DataSheet(
    type="isolator",
    taps=(Tap(name="input", low=4, high=20, unit="mA"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="isolator"),),
)
DEVICES = """spec: "1.1"
devices:
  source:
    eom:
      TCPIP SOCKET: {q: "\\n", r: "\\r\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "Maker , Source 1 , 42"}
      - {q: "*CLS"}
      - {q: "*RST"}
      - {q: "ERR?", r: '+0,"No error"'}
      - {q: "OUT 1"}
      - {q: "OUT 0"}
    properties:
      level:
        default: 0.0
        getter: {q: "LEV?", r: "{:.6f}"}
        setter: {q: "LEV {}"}
        specs: {min: 0, max: 24, type: float}
  meter:
    eom:
      GPIB INSTR: {q: "\\n", r: "\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "MAKER,METER,43"}
      - {q: "*CLS"}
      - {q: "RANG 0.1"}
      - {q: "ERR?", r: '0,"No error"'}
      - {q: "READ?", r: "+1.1998e-02"}
resources:
  TCPIP0::127.0.0.1::5025::SOCKET: {device: source}
  GPIB0::12::INSTR: {device: meter}
"""
SOURCE = """instrument: a source of a file
termination: {write: "\\n", read: "\\r\\n"}
timeout: 500 ms
prepare: "*RST"
error query: {ask: "ERR?"}
functions:
  current:
    sets: mA
    set: "LEV {level:.4f}"
    read back: "LEV?"
    "on": "OUT 1"
    "off": "OUT 0"
    safe level: 0 mA
    ranges: [{range: 0 .. 24 mA, resolution: 1 uA}]
"""
METER = """instrument: a meter of a file
timeout: 500 ms
error query: {ask: "ERR?"}
functions:
  current:
    reads: mA
    in: A
    query: "READ?"
    discard after range change: 1
    ranges: [{range: -100 .. 100 mA, select: "RANG {range}"}]
"""
BENCH = """bench: of a file
backend: "devices.yaml@sim"
instruments:
  source: {description: source.yaml, resource: "TCPIP0::127.0.0.1::5025::SOCKET", identity: source 1}
  meter: {description: meter.yaml, resource: "GPIB0::12::INSTR", identity: METER}
taps:
  input: {set by: source}
  output: {read by: meter}
"""


@pytest.fixture
def folder(tmp_path):
    for name, text in {"devices": DEVICES, "source": SOURCE, "meter": METER, "bench": BENCH}.items():
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    with warnings.catch_warnings():  # pyvisa-sim warns of each silent read, of which clearing makes one
        warnings.simplefilter("ignore")
        yield tmp_path


def opened(folder, told):
    loaded = load_bench(folder / "bench.yaml")
    limits = (("limits of the unit", span("3.5 .. 21 mA")),)
    return open_bench(loaded, sheet=SHEET, wires=wire(loaded, SHEET), limits=limits, operator=None, tell=told.append)


def test_a_level_is_set_and_read_on_instruments_of_a_file(folder):
    told = []
    with opened(folder, told) as bench:
        assert bench.prepare() == {"source": "Maker , Source 1 , 42", "meter": "MAKER,METER,43"}
        source, receiver = bench.sources["input"], bench.receivers["output"]
        source.select(source.instrument.description.functions["current"].ranges[0])
        receiver.select(receiver.instrument.description.functions["current"].ranges[0], "mA")
        source.set(quantity("12 mA"))
        source.energise()
        assert receiver.read().value == pytest.approx(11.998, rel=1e-12)
        with pytest.raises(LimitError, match="22 mA refused: outside the limits of the unit"):
            source.set(quantity("22 mA"))
        assert bench.make_safe() == {"source": "0 mA"}
    levels = [each.sent for each in told if each.sent.startswith("LEV ")]
    assert levels == ["LEV 0.0000", "LEV 12.0000", "LEV 0.0000"]


def test_a_bench_of_a_file_checks_out(folder):
    assert [(each.instrument, each.error) for each in check(load_bench(folder / "bench.yaml"), SHEET)] == [
        ("source", None),
        ("meter", None),
    ]


def test_a_resource_that_the_file_does_not_have_is_told(folder):
    text = BENCH.replace("GPIB0::12", "GPIB0::13")
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    told = []
    with pytest.raises(InstrumentError, match=r"meter \(GPIB0::13::INSTR\)"), opened(folder, told) as bench:
        bench.prepare()
