"""What outlives a process of a source that it drove: made before, gone with the proof, told by the journal too."""

import json
import os
import signal
from pathlib import Path

import pytest

from instruments import latch
from instruments.bench import open_bench
from instruments.benchfile import load_bench
from instruments.clock import RealClock
from instruments.description import DESCRIPTIONS
from instruments.errors import InputError, InstrumentError, UnsafeError
from instruments.latch import Latch, LeftOn, acknowledged, left_on
from instruments.locks import bench_held, resources_of
from instruments.proof import prove_safe
from instruments.simulated.bench import Mishap, SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.server import serve
from instruments.units import quantity
from instruments.wiring import wire
from sequencer import core
from sequencer.jobs.safe import see_to
from sequencer.journal.lines import unproved

SHEET = core.load("pulse-to-current").sheet.datasheet()
IDENTITY = "LIVEZERO,SIMULATED SOURCE,0,0.1"
BENCH = """\
bench: one source by socket
instruments:
  source: {{description: quick.yaml, resource: "{source}"}}
  meter: {{description: generic-scpi-meter, resource: "{meter}"}}
taps:
  input: {{set by: source}}
  output: {{read by: meter}}
"""


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    monkeypatch.setenv("LIVEZERO_STATE", str(tmp_path / "state"))
    return tmp_path / "state" / "not-proved-safe"


@pytest.fixture
def description(tmp_path):
    text = (DESCRIPTIONS / "generic-scpi-source.yaml").read_text(encoding="utf-8")
    (tmp_path / "quick.yaml").write_text(text.replace("timeout: 5 s", "timeout: 300 ms"), encoding="utf-8")
    return tmp_path / "quick.yaml"


class Bench:
    """A source and a meter behind sockets; `opened` is livezero's side of them."""

    def __init__(self, folder, served, simulated):
        path = folder / "bench.yaml"
        path.write_text(BENCH.format(**served.resources), encoding="utf-8")
        self.loaded, self.simulated = load_bench(path), simulated

    def opened(self):
        return open_bench(
            self.loaded, sheet=SHEET, wires=wire(self.loaded, SHEET), limits=(), operator=None, tell=lambda _: None
        )

    def driven(self):
        """The source on, as a process leaves it that is killed: nothing is said to it any more."""
        bench = self.opened()
        (source,) = bench.sources.values()
        source.instrument.meet()
        source.instrument.set_up()
        source.set(quantity("100 Hz"))
        source.energise()
        source.instrument.session.close()
        for each in bench.instruments.values():
            each.session.close()

    @property
    def left_on(self):
        return left_on(resources_of(self.loaded))

    def source_says(self, question):
        return float(self.simulated.exchange("source", question).line)


@pytest.fixture
def served(description):
    assert description.is_file()

    def made(*mishaps):
        wired = (
            SimulatedInstrument(name="source", resource="x", identity=IDENTITY, sets="input"),
            SimulatedInstrument(name="meter", resource="x", identity="LIVEZERO,SIMULATED METER,0,0.1", reads="output"),
        )
        return SimulatedBench(SHEET, wired, clock=RealClock(), mishaps=mishaps)

    return made


def test_it_is_there_before_the_first_level_and_gone_with_the_proof(tmp_path, served, state):
    simulated = served()
    with serve(simulated) as there:
        bench = Bench(tmp_path, there, simulated)
        with bench.opened() as opened:
            (source,) = opened.sources.values()
            opened.prepare()
            assert bench.left_on == ()  # prepared, and never driven
            source.set(quantity("100 Hz"))
            (found,) = bench.left_on
            assert (found.name, found.identity, found.safe_level) == ("source", IDENTITY, "0.0 hertz")
            source.energise()
            source.make_safe()
            assert bench.left_on == ()
            source.set(quantity("200 Hz"))  # driven again
            assert len(bench.left_on) == 1
        assert bench.left_on == ()
        assert list(state.iterdir()) == []


def test_a_source_that_was_found_not_safe_before_it_was_driven_is_for_the_next_start_too(tmp_path, served):
    simulated = served(Mishap(kind="error", instrument="source", matching="OUTP OFF", times_n=50))
    with serve(simulated) as there:
        bench = Bench(tmp_path, there, simulated)
        with bench.opened() as opened, pytest.raises(UnsafeError):
            opened.prepare()
        (found,) = bench.left_on
        assert found.identity == IDENTITY


def test_a_signal_while_the_mark_is_made_leaves_none_that_its_maker_does_not_know(state, monkeypatch):
    written = latch._write

    def interrupted(*given):
        written(*given)
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(latch, "_write", interrupted)
    made = Latch(LeftOn(name="source", resource="TCPIP::127.0.0.1::5025::SOCKET"))
    with pytest.raises(KeyboardInterrupt):
        made.set("MAKER,1")
    made.clear()
    assert list(state.iterdir()) == []


def test_nothing_is_sent_to_a_source_whose_mark_cannot_be_written(tmp_path, served, state):
    simulated = served()
    with serve(simulated) as there:
        bench = Bench(tmp_path, there, simulated)
        with bench.opened() as opened:
            (source,) = opened.sources.values()
            opened.prepare()
            state.parent.mkdir(parents=True, exist_ok=True)
            state.write_text("a file where the folder should be")
            with pytest.raises(InstrumentError, match="is not driven, its mark cannot be written") as refused:
                source.set(quantity("100 Hz"))
            assert refused.value.exit_code == 3
            assert bench.source_says("SOUR:FREQ?") == 0
            with pytest.raises(InstrumentError, match="is not driven"):
                source.energise()
            assert bench.source_says("OUTP?") == 0


def test_proof_needs_neither_bench_file_nor_record(tmp_path, served):
    simulated = served()
    with serve(simulated) as there:
        bench = Bench(tmp_path, there, simulated)
        bench.driven()
        assert (bench.source_says("OUTP?"), bench.source_says("SOUR:FREQ?")) == (1, 100)
        for name in ("bench.yaml", "quick.yaml"):
            (tmp_path / name).unlink()
        (found,) = bench.left_on
        prove_safe(found)
        assert (bench.source_says("OUTP?"), bench.source_says("SOUR:FREQ?")) == (0, 0)


@pytest.mark.parametrize("kind", ["silent", "garbled", "wrong identity"])
def test_a_source_that_proves_nothing_stays(tmp_path, served, kind):
    first = served()
    with serve(first) as there:
        bench = Bench(tmp_path, there, first)
        bench.driven()
        (found,) = bench.left_on
    odd = {"silent": "time-out"}.get(kind, kind)
    second = served(Mishap(kind=odd, instrument="source", at_exchange=1, times_n=1000))
    with serve(second) as there:  # what answers at the address now
        here = found.model_copy(update={"resource": there.resources["source"], "found_at": str(found.path)})
        said = []
        with pytest.raises(UnsafeError, match="is NOT proved safe") as unsafe:
            see_to((here,), say=said.append)
    assert unsafe.value.exit_code == 4
    assert '--acknowledge "NAME: reason"' in unsafe.value.todo
    assert len(bench.left_on) == 1
    assert said[0].startswith(f"source ({here.resource}): NOT proved safe since ")


def test_a_source_that_was_found_out_is_for_a_person_whatever_it_says_itself(tmp_path, served):
    simulated = served()
    with serve(simulated) as there:
        bench = Bench(tmp_path, there, simulated)
        with bench.opened() as opened:
            (source,) = opened.sources.values()
            opened.prepare()
            source.set(quantity("100 Hz"))
            source.energise()
            source.disbelieve("source says that it is off, yet meter reads 5 V")
            source.make_safe()
            assert len(bench.left_on) == 1
        (found,) = bench.left_on
        with pytest.raises(UnsafeError, match="own word does not count: source says that it is off, yet meter reads 5"):
            core.prove_safe(bench.loaded)
        assert len(bench.left_on) == 1
        assert core.prove_safe(bench.loaded, acknowledged_by="A. Brewer: its output relay is welded, unplugged") == {}
        assert bench.left_on == ()
        assert found.identity == IDENTITY


def a_mark(resource="TCPIP::127.0.0.1::5025::SOCKET", **more):
    described = load_bench(Path(core.BENCHES) / "simulated.yaml").descriptions["source"]
    made = LeftOn(
        name="source", resource=resource, library="@py", function="current", safe_level="0 mA", description=described,
        **more,
    )  # fmt: skip
    Latch(made).set("MAKER,1")
    return made


def test_it_is_found_by_another_name_of_the_resource_and_by_its_record(tmp_path):
    a_mark(record=str((tmp_path / "record").resolve()))
    assert len(left_on({"any": "tcpip0::127.0.0.1::5025::socket"})) == 1
    assert len(left_on({}, record=tmp_path / "record")) == 1
    assert left_on({"any": "TCPIP::127.0.0.1::5026::SOCKET"}, record=tmp_path / "other") == ()


@pytest.mark.parametrize("text", [b"", b"\0\xff", b"{}", b"null", b"[" * 100_000], ids=str)
def test_a_mark_that_cannot_be_read_counts_and_a_person_can_clear_it(state, text):
    a_mark()
    (path,) = state.iterdir()
    path.write_bytes(text)
    (found,) = left_on({"source": "TCPIP::127.0.0.1::5025::SOCKET"})
    with pytest.raises(UnsafeError, match="NOT proved safe: how that is done is not known any more"):
        see_to((found,))
    acknowledged(found, "A. Brewer: looked at it, it is off")
    assert left_on({"source": "TCPIP::127.0.0.1::5025::SOCKET"}) == ()
    (kept,) = (state / "acknowledged").iterdir()
    assert json.loads(kept.read_text())["cleared_by"] == "A. Brewer: looked at it, it is off"


@pytest.mark.parametrize("wrong", ["A. Brewer", ": off", "A. Brewer:"])
def test_an_acknowledgement_without_name_or_reason_is_none(tmp_path, served, wrong):
    simulated = served()
    with serve(simulated) as there:
        bench = Bench(tmp_path, there, simulated)
        bench.driven()
        with pytest.raises(InputError, match="who answers for the bench, and why, is not said"):
            core.prove_safe(bench.loaded, acknowledged_by=wrong)
        assert len(bench.left_on) == 1
        with bench_held(bench.loaded, job="a run that goes on"):
            assert core.not_proved_safe(bench.loaded) == ()  # it has a mark too
        assert len(core.not_proved_safe(bench.loaded)) == 1
        assert core.prove_safe(bench.loaded) == {"source": "0 Hz"}
        assert core.not_proved_safe(bench.loaded) == ()


OPENED = {
    "kind": "opened",
    "is_simulated": False,
    "instruments": [{"name": "source", "use": "sets input, range 0 .. 1 V"}, {"name": "meter", "use": "reads output"}],
}
LINES = {name: {"kind": name} for name in ("identified", "settled", "reading", "exchange", "resumed", "interrupted")}
SAFE = {"kind": "safe", "instrument": "source", "level": "0 V"}
NAMED = {"kind": "remark", "text": "acknowledged by A. Brewer: off", "acknowledged": ["source"]}


@pytest.mark.parametrize(
    ("lines", "left"),
    [
        ([], ()),
        (["exchange"], ()),  # nothing is driven before all are identified
        (["identified"], ("source",)),
        (["identified", "reading"], ("source",)),
        (["identified", "reading", SAFE, "interrupted"], ()),
        (["identified", "reading", "interrupted"], ("source",)),  # it says so, and nobody proved it
        (["identified", "reading", "resumed", "interrupted"], ("source",)),  # a resume that came to no source
        (["identified", "reading", SAFE, "interrupted", "resumed", "interrupted"], ()),
        (["identified", "reading", SAFE, "interrupted", "resumed", "identified", "settled"], ("source",)),
        (["identified", "reading", SAFE, "exchange"], ()),
        (["identified", "reading", NAMED], ()),
        (["identified", "reading", {"kind": "remark", "text": "of something else"}], ("source",)),
    ],
)
def test_a_journal_tells_what_is_not_proved_safe(lines, left):
    assert unproved([OPENED, *(LINES.get(each, each) if isinstance(each, str) else each for each in lines)]) == left


def test_a_simulated_bench_goes_with_its_process(small, tmp_path, state):
    core.run(small(), serial="x", results=tmp_path / "results")
    assert not state.exists()
    assert unproved([OPENED | {"is_simulated": True}, LINES["reading"]]) == ()
    assert os.environ["LIVEZERO_STATE"] == str(state.parent)
