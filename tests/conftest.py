"""A small unit on the simulated bench, run in process on virtual time, with mishaps on its lines where wanted."""

import os
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import pytest
from hypothesis import settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program has it; tests run beside each other

import numpy as np

import instruments.bench
from instruments.benchfile import load_bench
from instruments.description import DESCRIPTIONS
from instruments.yamlfile import read
from sequencer.evaluation.evaluate import evaluate
from sequencer.inputs.files import load_sequence, load_type_sheet
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.jobs.further_points import FurtherPoints
from sequencer.journal.writer import Journal, entries
from sequencer.planning.plan import plan
from sequencer.record.create import create, opening
from sequencer.record.load import load
from sequencer.running.loop import run_plan

# No deadlines on a machine that is busy with other things; where changes land, the same examples each time.
settings.register_profile("livezero", deadline=None, derandomize="CI" in os.environ)
settings.load_profile("livezero")


def pytest_xdist_auto_num_workers() -> int:
    """One more than there are cores: what is tried end to end waits for clocks and sockets about half its time."""
    return len(os.sched_getaffinity(0)) + 1 if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1) + 1


def pytest_addoption(parser: pytest.Parser) -> None:
    """For another Python than the one that all is tried on."""
    parser.addoption("--each-once", action="store_true", help="of a test of several cases take the first alone")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out all but the first case of a test, where that is asked for."""
    if config.getoption("--each-once"):
        first = {item.nodeid.partition("[")[0]: item for item in reversed(items)}
        kept = set(first.values())
        config.hook.pytest_deselected(items=[each for each in items if each not in kept])
        items[:] = [each for each in items if each in kept]


SMALL_TYPE = """\
type: small pulse rate converter (invented)
input: {range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
time constant: 20 ms
settling: {minimum: 80 ms, maximum: 3 s}
"""
SMALL_SEQUENCE = """\
sequence: small acceptance
type sheet: small.type.yaml
settled within: 20 %
if never settled: go on
steps:
  - exercise: {cycles: 1}
  - traverse: {points: 5, cycles: 2, readings: 2}
"""
SMALL_BENCH = """\
bench: small simulated bench
backend: simulated
simulation: {seed: 11, faults: []}
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET", identity: SIMULATED SOURCE}
  reference: {description: generic-scpi-meter, resource: "GPIB0::7::INSTR", identity: SIMULATED REFERENCE}
  meter: {description: generic-scpi-meter, resource: "TCPIP::127.0.0.1::2::SOCKET", identity: SIMULATED METER}
taps:
  input: {set by: source, read by: reference}
  output: {read by: meter}
"""


def expanded_by_trials(*half_widths, probability=0.9545):
    """Half width that holds the sum of rectangular quantities with a probability, as JCGM 101 draws it."""
    random = np.random.default_rng(1)
    drawn = sum(random.uniform(-half, half, 1_000_000) for half in half_widths)
    return float(np.quantile(np.abs(drawn), probability))


@pytest.fixture
def by_trials():
    """`expanded_by_trials`; what is computed takes all but the widest for normal, which is 1 % off at most here."""
    return expanded_by_trials


class Answers:
    """An operator by script: the answers in order, then "yes" to whatever else is asked."""

    def __init__(self, *answers):
        self.answers = list(answers)
        self.questions = []

    def ask(self, question):
        self.questions.append(question)
        answer = self.answers.pop(0) if self.answers else "yes"
        if isinstance(answer, BaseException):
            raise answer
        return answer(question) if callable(answer) else answer


@dataclass
class Ran:
    """A run that is over: how, and everything that went over lines and to listeners, in order."""

    folder: object
    log: list = field(default_factory=list)  # exchanges and events as they came
    outcome: object = None
    raised: object = None
    simulated: object = None

    @property
    def sent(self):
        return [each.sent for each in self.log if hasattr(each, "sent")]

    @property
    def lines(self):
        return list(entries(self.folder / "journal.jsonl"))

    @property
    def record(self):
        return load(self.folder)

    def events(self, kind):
        return [each for each in self.log if type(each).__name__ == kind]

    def ask(self, instrument, message):
        """What an instrument of the bench says, past all lines."""
        return self.simulated[0]._devices[instrument].handle(message)

    def is_safe(self):
        return float(self.ask("source", "OUTP?")) == 0 and float(self.ask("source", "SOUR:FREQ?")) == 0


@pytest.fixture(scope="session", autouse=True)
def _state_of_this_worker(tmp_path_factory):
    """What livezero keeps of benches is kept apart from that of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        folder = str(tmp_path_factory.mktemp("state"))
        patch.setenv("LIVEZERO_STATE", folder)
        yield


@pytest.fixture
def answers():
    return Answers


@pytest.fixture
def small(tmp_path):
    """Plans the small unit; each argument changes one of its files by replacing text."""

    def planned(*, type_sheet=(), sequence=(), bench=(), bench_text=SMALL_BENCH):
        folder = tmp_path / "files"
        folder.mkdir(exist_ok=True)
        names = ("small.type.yaml", "small.yaml", "small.bench.yaml")
        texts = (SMALL_TYPE, SMALL_SEQUENCE, bench_text)
        for name, text, changes in zip(names, texts, (type_sheet, sequence, bench), strict=True):
            changed = text
            for old, new in dict(changes).items():
                assert old in changed, f"{old!r} does not stand in {name}"
                changed = changed.replace(old, new)
            (folder / name).write_text(changed, encoding="utf-8")
        return plan(load_sequence(str(folder / "small.yaml")), load_bench(folder / "small.bench.yaml"))

    return planned


@pytest.fixture
def described(tmp_path):
    """Writes a shipped description with some text replaced beside the bench file; returns its name there."""

    def written(instrument, changes):
        path = DESCRIPTIONS / f"generic-scpi-{instrument}.yaml"
        changed = path.read_text(encoding="utf-8")
        for old, new in changes.items():
            assert old in changed, f"{old!r} does not stand in {path.name}"
            changed = changed.replace(old, new)
        folder = tmp_path / "files"
        folder.mkdir(exist_ok=True)
        (folder / f"own-{instrument}.yaml").write_text(changed, encoding="utf-8")
        return f"own-{instrument}.yaml"

    return written


@pytest.fixture
def simulated(monkeypatch):
    """The simulated benches that are opened from now on, and the mishaps they get."""
    made, mishaps = [], []
    original = instruments.bench.simulated_bench

    def with_mishaps(loaded, sheet, clock):
        made.append(original(loaded, sheet, clock, mishaps=mishaps))
        return made[-1]

    monkeypatch.setattr(instruments.bench, "simulated_bench", with_mishaps)
    return made, mishaps


@pytest.fixture
def run(tmp_path, simulated):
    """Runs a plan, keeps its journal, and hands back what happened."""
    made, mishaps = simulated

    def ran(planned, *, wrong=(), operator=None, on_event=None, on_exchange=None, change=None):
        mishaps[:] = wrong
        made.clear()
        found = Ran(folder=create(tmp_path / "results", planned, date="2026-01-05T08:00:00", serial="GF-104"))
        found.simulated = made
        asked = operator or Answers()
        journals = []

        def exchanged(exchange):
            found.log.append(exchange)
            if journals:
                journals[0].exchange(exchange)
            if on_exchange:
                on_exchange(exchange, found)

        def listened(event):
            found.log.append(event)
            if on_event:
                on_event(event, found)

        bench = instruments.bench.open_bench(
            planned.bench,
            sheet=planned.sheet,
            wires=planned.wires,
            limits=planned.limits,
            operator=asked,
            tell=exchanged,
        )
        try:
            with bench, Journal(found.folder / "journal.jsonl") as journal:
                said = opening(planned, date="2026-01-05", serial="GF-104", operator="", state="")
                journal.opened(bench.clock.date(), **said)
                journals.append(journal)
                if change:
                    change(bench, journal, found)
                found.outcome = run_plan(
                    planned,
                    bench,
                    serial="GF-104",
                    operator=asked,
                    journal=journal,
                    listener=listened,
                    further=FurtherPoints(planned, found.folder, pursue=False),
                )
        except BaseException as error:  # noqa: BLE001  what came out is for the test to look at
            found.raised = error
        return found

    return ran


@pytest.fixture(scope="session")
def kept_record():
    """Reads a record that is kept among the tests, each once."""
    from sequencer import core

    return lru_cache(lambda name: core.load_record(Path(__file__).parent / "kept_records" / name))


@pytest.fixture(scope="session")
def adjusted(kept_record):
    """A record as left, and beside it the evaluation as found: the same readings with a span error of 0.8 %."""
    record = kept_record("pass")
    table = record.readings.copy()
    output = table["tap"] == "output"
    for name in ("value", "signal"):
        table.loc[output, name] = 4 + 1.008 * (table.loc[output, name] - 4)
    sheet = load_type_sheet(str(record.folder / "inputs" / "type.yaml"))[0]
    before = evaluate(table, sheet, basis=record.evaluation.basis)
    return replace(record, content=replace(record.content, state="as left", before=before))


@pytest.fixture
def type_sheet(tmp_path):
    """A type sheet from its text."""

    def made(text):
        path = tmp_path / "made.type.yaml"
        path.write_text(text, encoding="utf-8")
        return read(path).into(TypeSheet)

    return made


@pytest.fixture
def by_hand(tmp_path):
    """A CSV taken by hand: a header, and rows of cells."""

    def written(header, rows):
        path = tmp_path / "hand.csv"
        lines = [header, *(";".join(str(cell) for cell in row) for row in rows)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return written
