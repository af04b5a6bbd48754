"""An open bench: safe before set-up, safe on every way out, every source tried, every line closed."""

import signal
from pathlib import Path

import pytest

from instruments.bench import Bench, backend, open_bench
from instruments.benchfile import load_bench
from instruments.clock import RealClock, VirtualClock
from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import InputError, InstrumentError, UnsafeError
from instruments.keyed import KeyedReceiver, KeyedSource
from instruments.simulated.bench import SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.server import serve
from instruments.units import quantity, span
from instruments.wiring import Port, Wire, wire

SHEET = DataSheet(
    type="isolator",
    taps=(Tap(name="input", low=4, high=20, unit="mA"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="isolator", time_constant_s=0.1),),
)
SIMULATED = """bench: mine
backend: simulated
simulation: {seed: 3}
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET"}
  meter: {description: generic-scpi-meter, resource: "GPIB0::7::INSTR"}
taps:
  input: {set by: source}
  output: {read by: meter}
"""
METER_ALONE = """bench: served
instruments:
  meter: {description: generic-scpi-meter, resource: "RESOURCE"}
taps:
  output: {read by: meter}
"""
LIMITS = (("limits of the unit", span("3.5 .. 21 mA")),)
SAFE = ["SOUR:CURR 0.0000000E+00", "OUTP OFF", "SYST:ERR?", "SOUR:CURR?", "OUTP?"]


def wire_of(loaded):
    entry = loaded.descriptions["meter"].functions["current"].ranges[1]
    return Port(instrument="meter", function="current", entry=entry)


class Nobody:
    def ask(self, question):
        raise AssertionError(question.text)


def opened(folder, text=SIMULATED, told=None):
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    loaded = load_bench(folder / "bench.yaml")
    tell = (told if told is not None else []).append
    return open_bench(loaded, sheet=SHEET, wires=wire(loaded, SHEET), limits=LIMITS, operator=Nobody(), tell=tell)


class FakeSource:
    is_keyed = False
    function = "current"

    def __init__(self, name, *failures):
        self.name = name
        self.safe_level = quantity("0 mA")
        self.proves_safe = True
        self.failures = list(failures)
        self.made_safe_n = 0
        self.told = []

    def tell_off(self):
        self.told.append(self.made_safe_n)

    def make_safe(self):
        self.made_safe_n += 1
        if self.failures:
            raise self.failures.pop(0)


def bench_of(*sources):
    return Bench(
        manager=None,
        instruments={},
        sources={source.name: source for source in sources},
        receivers={},
        clock=VirtualClock(),
    )


def test_opening_sends_nothing(tmp_path):
    told = []
    bench = opened(tmp_path, told=told)
    assert told == []
    bench.close()


def test_preparing_makes_outputs_safe_before_anything_is_set_up(tmp_path):
    told = []
    with opened(tmp_path, told=told) as bench:
        identities = bench.prepare()
    sent = [(each.instrument, each.sent) for each in told]
    first_set_up = min(sent.index((name, "*RST")) for name in ("source", "meter"))
    assert max(sent.index(("source", command)) for command in SAFE) < first_set_up
    assert sent.index(("source", "*IDN?")) < sent.index(("source", SAFE[0]))
    assert sent.index(("meter", "*IDN?")) < first_set_up
    assert identities == {
        "source": "LIVEZERO,SIMULATED SOURCE,0,0.1",
        "meter": "LIVEZERO,SIMULATED METER,0,0.1",
    }


def test_an_identity_that_is_not_the_one_of_the_bench_file_ends_the_preparation(tmp_path):
    text = SIMULATED.replace('INSTR"', 'INSTR", identity: COUNTER')
    bench = opened(tmp_path, text)
    with (
        bench,
        pytest.raises(
            InstrumentError, match=r'meter \(GPIB0::7::INSTR\): identifies itself as "LIVEZERO,SIMULATED METER'
        ),
    ):
        bench.prepare()


@pytest.mark.parametrize("ending", [RuntimeError("a fault"), KeyboardInterrupt(), SystemExit()])
def test_whatever_ends_the_with_the_outputs_are_safe_and_the_error_goes_on(tmp_path, ending):
    told = []

    def work():
        with opened(tmp_path, told=told) as bench:
            bench.prepare()
            source = bench.sources["input"]
            source.set(quantity("12 mA"))
            source.energise()
            told.clear()
            raise ending

    with pytest.raises(type(ending)):
        work()
    assert [each.sent for each in told] == SAFE


def test_what_was_made_safe_is_not_made_safe_again_on_leaving(tmp_path):
    told = []
    with opened(tmp_path, told=told) as bench:
        bench.prepare()
        assert bench.make_safe() == {"source": "0 mA"}
        told.clear()
    assert told == []


@pytest.mark.parametrize(
    "failure", [UnsafeError("first could not", where="first"), AttributeError("a fault of the driver")]
)
def test_every_source_is_tried_whatever_becomes_of_the_others(failure):
    sources = FakeSource("first", failure), FakeSource("second"), FakeSource("third", UnsafeError("third could not"))
    with pytest.raises(UnsafeError, match="first could not") as caught:
        bench_of(*sources).make_safe()
    assert [source.made_safe_n for source in sources] == [1, 1, 1]
    assert [other.what for other in caught.value.others] == ["third could not"]


def test_a_failure_that_was_told_is_tried_again_on_leaving_and_does_not_hide_what_came_of_it():
    source = FakeSource("source", UnsafeError("could not"), UnsafeError("could not"))
    with bench_of(source) as bench, pytest.raises(UnsafeError, match="could not"):
        bench.make_safe()
    assert source.made_safe_n == 2


def test_a_failure_on_leaving_that_nobody_was_told_of_is_raised():
    source = FakeSource("source", UnsafeError("could not"))
    with pytest.raises(UnsafeError, match="could not"), bench_of(source):
        pass


def test_lines_are_released_and_closed_even_where_one_is_dead(tmp_path):
    released = "prepare: ['*RST']\nrelease: ['SYST:LOC']\n"
    source = Path(__file__).parents[2] / "instruments" / "descriptions" / "generic-scpi-source.yaml"
    text = source.read_text(encoding="utf-8").replace('prepare: ["*RST"]\n', released)
    (tmp_path / "own.yaml").write_text(text, encoding="utf-8")
    told = []
    with opened(tmp_path, SIMULATED.replace("generic-scpi-source", "own.yaml"), told) as bench:
        bench.prepare()
        bench.make_safe()
        bench.instruments["meter"].session._line.close()
    assert told[-1].sent == "SYST:LOC"


@pytest.mark.parametrize(
    ("resource", "todo"),
    [
        ("GPIB0::99::INSTR", "check power, cable and resource ("),
        ("ASRL/dev/no-such-port::INSTR", "check power, cable and resource ("),
        ("nonsense", "write a VISA resource, such as "),
    ],
)
def test_a_resource_that_cannot_be_opened_names_the_instrument(tmp_path, resource, todo):
    text = SIMULATED.replace("backend: simulated", 'backend: "@py"')
    with pytest.raises(InstrumentError, match=r"source .*: cannot be opened") as caught:
        opened(tmp_path, text.replace("TCPIP::127.0.0.1::1::SOCKET", resource))
    assert caught.value.todo.startswith(todo)


@pytest.mark.parametrize(
    ("name", "says", "todo"),
    [
        ("@nonsense", 'there is no backend named "nonsense"', "install pyvisa-nonsense"),
        ("@", 'there is no backend named ""', "install pyvisa-NAME"),
        ("@ivi", "no VISA library is installed", 'write "@py", which comes along'),
        ("absent.yaml@sim", "there is no file ", "correct the name"),
        ("broken.yaml@sim", "describes no simulated instruments", "correct the file"),
        ("/no/such/visa.so", "there is no such library", "write the path of the VISA library"),
        (__file__, "it is no VISA library of this computer", "write the path of the VISA library"),
    ],
)
def test_a_backend_that_is_not_there_is_told_with_those_that_may_be(tmp_path, name, says, todo):
    (tmp_path / "broken.yaml").write_text("spec: 7\n")
    text = SIMULATED.replace("backend: simulated", f'backend: "{name}"').replace("simulation: {seed: 3}\n", "")
    with pytest.raises(InstrumentError, match=r"VISA backend .* cannot be used") as caught:
        opened(tmp_path, text)
    assert caught.value.where.endswith("bench.yaml:2:1")
    assert '"@py"' in caught.value.allowed
    assert says in caught.value.what
    assert todo in caught.value.todo
    # Nothing of what the libraries say, which is of no use to whoever wrote the bench file.
    assert not any(word in str(caught.value) for word in ("Traceback", "Wrapper", "Error while", "Could not"))


def test_closing_one_bench_leaves_the_lines_of_another_open(tmp_path):
    # Through pyvisa-py, whose resource manager is one for the whole program.
    clock = RealClock()
    spec = SimulatedInstrument(name="meter", resource="unused", reads="output", identity="A,METER,1,0")
    with serve(SimulatedBench(SHEET, (spec,), clock=clock)) as served:
        text = METER_ALONE.replace("RESOURCE", served.resources["meter"])
        (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
        loaded = load_bench(tmp_path / "bench.yaml")
        wires = (Wire(tap="output", source=None, receiver=wire_of(loaded)),)
        one, other = (
            open_bench(loaded, sheet=SHEET, wires=wires, limits=LIMITS, operator=Nobody(), tell=lambda _: None)
            for _ in range(2)
        )
        with other:
            with one:
                one.prepare()
            assert other.prepare() == {"meter": "A,METER,1,0"}


def test_every_source_is_told_before_the_first_is_waited_for():
    class Heard(FakeSource):
        def make_safe(self):
            super().make_safe()
            assert all(each.told for each in sources)

    sources = Heard("first", UnsafeError("silent")), Heard("second")
    with pytest.raises(UnsafeError, match="silent"):
        bench_of(*sources).make_safe()
    assert [(source.told, source.made_safe_n) for source in sources] == [([0], 1)] * 2


def test_ctrl_c_while_outputs_are_made_safe_comes_once_they_are():
    class Impatient(FakeSource):
        def make_safe(self):
            signal.raise_signal(signal.SIGINT)
            super().make_safe()

    sources = Impatient("first"), Impatient("second")
    with pytest.raises(KeyboardInterrupt):
        bench_of(*sources).make_safe()
    assert [source.made_safe_n for source in sources] == [1, 1]


def test_a_bench_by_hand_needs_no_visa_and_asks_its_operator(tmp_path):
    text = "bench: hand\ninstruments: {s: {description: keyed-source}, m: {description: keyed-meter}}\n"
    text += "taps: {input: {set by: s}, output: {read by: m}}\n"
    bench = opened(tmp_path, text)
    with bench:
        assert bench.prepare() == {}
        assert isinstance(bench.sources["input"], KeyedSource)
        assert isinstance(bench.receivers["output"], KeyedReceiver)
        assert isinstance(bench.clock, RealClock)


def test_keyed_instruments_on_the_simulated_bench_are_left_to_the_person(tmp_path):
    text = SIMULATED.replace(
        '{description: generic-scpi-meter, resource: "GPIB0::7::INSTR"}', "{description: keyed-meter}"
    )
    with opened(tmp_path, text) as bench:
        assert set(bench.prepare()) == {"source"}


@pytest.mark.parametrize(
    ("faults", "what", "place"),
    [
        ("[{fault: span eror}]", 'no fault "span eror" in the catalogue', "3:32"),
        ("[{fault: span error, spam: 1 %}]", 'the fault "span error" has no size "spam"', "3:32"),
        ("[{fault: span error, span: 1 V}]", 'span: "1 V" is not in %', "3:32"),
        ("[{fault: span error, span: nan}]", 'span: "nan" is not a number', "3:32"),
    ],
)
def test_a_simulated_fault_that_is_not_in_the_catalogue_names_its_place(tmp_path, faults, what, place):
    (tmp_path / "bench.yaml").write_text(
        SIMULATED.replace("{seed: 3}", f"{{seed: 3, faults: {faults}}}"), encoding="utf-8"
    )
    with pytest.raises(InputError, match=what) as caught:
        backend(load_bench(tmp_path / "bench.yaml"), SHEET)
    assert caught.value.where.endswith(f"bench.yaml:{place}")
