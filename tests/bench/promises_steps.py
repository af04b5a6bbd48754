"""Each kind of step, and each unit of a batch, with one thing gone wrong at a time. Used by bench_promises.py.

A run goes its whole way, from the bench to the sealed record. What was read is taken from what the simulated meters
answered, each answer with the channels that were closed then; what was set from the true state of the source. A place
of the run gets one kind of fault, the next place the next kind; `PLACES_N` places a row, spread over the run.
"""

import json
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any, TypeAlias
from unittest import mock

import injection
from injection import InjectedError, Injection, Strike, StruckJournal, Trial

import instruments.bench
import sequencer.jobs.run
from instruments.clock import VirtualClock
from instruments.errors import LivezeroError
from instruments.roles import Operator, Question
from instruments.simulated.bench import SimulatedBench
from sequencer import core
from sequencer.journal.writer import entries
from sequencer.planning.plan import Plan

Found: TypeAlias = tuple[int, list[str]]
Row: TypeAlias = Callable[[Path], Found]

PLACES_N = 24
SERIALS = ("A1", "A2", "A3")
TRAVERSE = "  - traverse: {points: 3, cycles: 1, readings: 2, end pair: no}\n"
STEPS = {
    "step response": "  - step response: {moves: [10 % -> 90 %], repeats: 1, readings: 40}\n",
    "dead band": "  - dead band: {at: 50 %, repeats: 1}\n",
    "resolution": "  - resolution: {at: 50 %, repeats: 1}\n",
    "start-up drift": "  - start up drift: {at: 90 %, after: [1 min, 3 min, 5 min]}\n",
    "hold": "  - hold: {at: 90 %, lasts: 10 min, every: 1 min}\n",
    "ripple": "  - ripple: {at: 50 %, readings: 40}\n",
    "limits": "  - limits: {below: none, above: 110 %, steps: 2, held: 4}\n",
    "influence": "  - influence: {of: supply voltage, reference: 24 V, at: 18 V, "
    "repeat: [traverse: {points: 2, cycles: 1, readings: 2, end pair: no}]}\n",
    "loop compliance": "  - loop compliance: {supply: [18 V, 24 V], load: 0 .. 1200 ohm, to: 100 ohm}\n",
    "ask": '  - ask: {text: "What does the display show?", answer: number, unit: Hz}\n',
    "wait": "  - wait: {for: 1 min, because: it warms up}\n",
}
ON = {"influence": "held", "loop compliance": "loaded"}  # which of the benches; any other step is on the plain one
UNTIL = "  - traverse: {points: 3, cycles: 1, readings: 2, end pair: no, until: 0.002 % of span, most: 3}\n"
HELD = """\
  supply: {description: generic-scpi-supply, resource: "TCPIP::127.0.0.1::3::SOCKET", identity: SIMULATED SUPPLY}
taps:"""
LOADED = HELD.replace(
    "taps:",
    """\
  load: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::4::SOCKET", identity: SIMULATED LOAD,
         safe level: 250 ohm}
taps:""",
)
SCANNED = """\
  scanner: {description: generic-scpi-scanner, resource: "GPIB0::9::INSTR", identity: SIMULATED SCANNER}
taps:"""
BENCHES = {
    "": injection.BENCH,
    "held": injection.BENCH.replace("taps:", HELD)
    + "quantities:\n  supply voltage: {set by: supply, reference: 24 V}\n",
    "loaded": injection.BENCH.replace("taps:", LOADED).replace(
        "faults: []", "faults: [{fault: loop compliance, supply: 24 V, minimum: 10 V, loop: 250 ohm}]"
    )
    + "quantities:\n  supply voltage: {set by: supply, reference: 24 V}\n"
    + "  load: {set by: load, reference: 250 ohm}\n",
    "batch": injection.BENCH.replace("taps:", SCANNED).replace("faults: []", "faults: [], units: {}")
    + 'units: {connected by: scanner, driven: together, channels: "101:103"}\n',
}


class Answering:
    """Answers whatever it is asked: a number with 5, all else with yes."""

    def ask(self, question: Question) -> str:
        return "5" if question.kind == "reading" else "yes"


class WholeTrial(Trial):
    """A run from the bench to its record as a user has it, or a batch; what is asked for is answered.

    Attributes:
        codes: exit code of the run, or of the batch; None if something came out of it.
        answered: of each meter its answers, and which channels were closed at each.
        told: readings that the listener was told of.
    """

    def __init__(self, what: Plan, results: Path, strike: Strike, *, serials: tuple[str, ...] = ("GF-104",)) -> None:
        self.serials = serials
        self.code: int | None = None
        self.answered: dict[str, list[tuple[str, frozenset[str]]]] = {}
        self.told: Counter[tuple[object, ...]] = Counter()
        super().__init__(what, results, strike, operator=Answering())

    @property
    def records(self) -> dict[str, Path]:
        """Those that were begun, by serial."""
        found = {}
        for path in sorted(self.folder.glob("*/journal.jsonl")):
            first = path.read_text(encoding="utf-8").partition("\n")[0]
            if first:
                found[str(json.loads(first)["serial"])] = path.parent
        return found

    def _run(self, what: Plan, results: Path, operator: Operator) -> None:
        self.folder = results
        with self._on_the_bench(), mock.patch.object(sequencer.jobs.run, "Journal", partial(StruckJournal, trial=self)):
            try:
                if len(self.serials) == 1:
                    done = core.run(
                        what,
                        serial=self.serials[0],
                        results=results,
                        operator=operator,
                        listener=partial(self._heard_of, self.serials[0]),
                        trace=self._told_of,
                    )
                    self.outcome, self.code = done.outcome, done.exit_code
                else:
                    batch = core.batch(
                        what,
                        serials=self.serials,
                        results=results,
                        operator=operator,
                        listener=self._heard_of,
                        trace=self._told_of,
                    )
                    self.code = batch.exit_code
                    self.outcome = next((each.outcome for each in batch.results.values()), None)
            except BaseException as caught:  # noqa: BLE001  what came out is looked at
                self.raised = caught

    def _heard_of(self, serial: str, event: Any) -> None:
        if type(event).__name__ == "ReadingTaken":
            value = None if math.isnan(event.value) else event.value
            self.told[serial, event.point.number, event.tap, event.reading, value] += 1
        self._listen(event)

    def _opened(self, bench: SimulatedBench) -> None:
        devices: dict[str, Any] = dict(bench._devices)
        for name, device in devices.items():
            answers = self.answered.setdefault(name, [])

            def handle(message: str, asked: Any = device.handle, answers: Any = answers) -> str | None:
                said: str | None = asked(message)
                closed = bench.board.bank.closed if bench.board is not None else ()
                answers += [(part, frozenset(closed)) for part in (said or "").split(";")]
                return said

            device.handle = handle


def planned(folder: Path, steps: str, *, bench: str = injection.BENCH) -> Plan:
    """The plan of such steps; its files are written to the folder."""
    head = injection.SEQUENCE[: injection.SEQUENCE.index("  - traverse")]
    return injection.planned(folder, sequence=head + steps, bench=bench)


def swept(steps: str, bench: str, serials: tuple[str, ...], folder: Path) -> Found:
    """Faults of all kinds by turns at places of a run; how many, and what was lost by them."""
    plan = planned(folder / "files", steps, bench=bench)
    clean = WholeTrial(plan, folder / "clean", Strike(), serials=serials)
    if clean.code is None or clean.outcome is None or clean.outcome.status != "complete":
        return 1, [f"without a fault: {clean.raised or clean.outcome}"]
    lost = [f"without a fault: {what}" for what in _of_the_records(clean)]
    verdicts = {serial: core.load_record(each).content.verdict.result for serial, each in clean.records.items()}
    tried_n = 0
    for number, each in enumerate(_spread(clean)):
        trial = WholeTrial(plan, folder / f"results-{number}", each.strike, serials=serials)
        tried_n += 1
        lost += [f"{each.kind} at {each.place}: {what}" for what in _broken(trial, each, verdicts)]
    return tried_n, lost


def _spread(clean: WholeTrial) -> Iterator[Injection]:
    assert clean.code is not None
    messages_n, events_n = len(clean.wire), clean.events_n
    chosen = sorted({1 + round(k * (messages_n - 1) / (PLACES_N - 1)) for k in range(PLACES_N)})
    for number, place in enumerate(chosen):
        kinds = list(injection.at_message(clean, place, clean.code, ""))
        yield kinds[number % len(kinds)]
    for number in range(PLACES_N // 8):
        place = 1 + number * (events_n - 1) * 8 // PLACES_N
        kind, error = list(injection.AT_EVENTS.items())[number % 2]
        yield Injection(
            kind=kind,
            place=place,
            strike=Strike(at_event=place, error=error),
            ends_at_once=True,
            allowed=frozenset({clean.code, 130}),
            verdict="",
        )
    for number in range(PLACES_N // 8):
        place = 2 + number * (clean.lines_n - 2) * 8 // PLACES_N  # without its first line there is no record
        kind, error = list(injection.AT_LINES.items())[number % 2]
        yield Injection(
            kind=kind,
            place=place,
            strike=Strike(at_line=place, error=error),
            ends_at_once=True,
            allowed=frozenset({clean.code, 3}),
            verdict="",
        )


def _broken(trial: WholeTrial, each: Injection, verdicts: Mapping[str, str]) -> Iterator[str]:
    yield from injection.of_the_bench(trial, each)
    yield from _of_the_records(trial)
    if trial.raised is not None:
        # What a listener raises, and a dead instrument before anything was energised.
        if not isinstance(trial.raised, (InjectedError, LivezeroError, KeyboardInterrupt)):
            yield f"{trial.raised!r} came out"
    elif trial.code not in each.allowed | {1}:
        yield f"exit code {trial.code}"
    elif trial.outcome is not None and trial.outcome.status == "complete":
        yield from _not_as(trial, verdicts)
    if trial.outcome is not None and trial.outcome.status == "not safe":
        return
    yield from _gone_on_with(trial, verdicts)


def _not_as(trial: WholeTrial, verdicts: Mapping[str, str]) -> Iterator[str]:
    for serial, record in trial.records.items():
        result = core.load_record(record).content.verdict.result
        if result != verdicts[serial] and result == "pass":
            yield f"{serial}: {result}, not {verdicts[serial]}"


def _of_the_records(trial: WholeTrial) -> Iterator[str]:
    """Readings that were told and are not kept, or kept and never measured there; a pass without a whole run."""
    places = {serial: frozenset({str(100 + number)}) for number, serial in enumerate(trial.serials, start=1)}
    for serial, record in trial.records.items():
        loaded = core.load_record(record)
        if loaded.content.status != "complete" and loaded.content.verdict.is_pass:
            yield f"{serial}: a pass without a whole run"
        lines = list(entries(record / "journal.jsonl"))
        kept = [line for line in lines if line["kind"] == "reading"]
        keys = Counter((serial, *(line[key] for key in ("number", "tap", "reading", "value"))) for line in kept)
        told = Counter({key: n for key, n in trial.told.items() if key[0] == serial})
        if missing := told - keys:
            yield f"{serial}: told, and not kept: {next(iter(missing))}"
        for name in {line["instrument"] for line in kept}:
            is_own = name == "meter" and len(trial.serials) > 1
            answers = trial.answered.get(name, [])
            measured = Counter(said for said, closed in answers if not is_own or closed == places[serial])
            mine = Counter(line["raw"] for line in kept if line["instrument"] == name and line["value"] is not None)
            if stray := mine - measured:
                yield f"{serial}: {name} never measured {next(iter(stray))} so often there"


def _gone_on_with(trial: WholeTrial, verdicts: Mapping[str, str]) -> Iterator[str]:
    """What is not sealed can be gone on with to its end: all that was read stays, and the verdict is the clean one."""
    open_ones = {serial: record for serial, record in trial.records.items() if not (record / "digest.json").exists()}
    tables = {serial: core.load_record(record).readings for serial, record in open_ones.items()}
    if not any(len(each) for each in tables.values()):
        return
    with mock.patch.object(instruments.bench, "RealClock", VirtualClock):
        try:
            if len(trial.serials) == 1:
                core.resume(next(iter(open_ones.values())), operator=Answering())
            else:
                core.resume_batch(next(trial.folder.glob("*/batch.json")).parent, operator=Answering())
        except LivezeroError as error:
            yield f"not gone on with: {error}"
            return
    for serial, record in open_ones.items():
        loaded = core.load_record(record)
        if loaded.content.status != "complete" or not core.verify(record).is_intact:
            yield f"{serial}: gone on with, {loaded.content.status}: {loaded.content.reason}"
        elif loaded.content.verdict.result != verdicts[serial]:
            yield f"{serial}: gone on with, {loaded.content.verdict.result}, not {verdicts[serial]}"
        if not loaded.readings.iloc[: len(tables[serial])].equals(tables[serial]):
            yield f"{serial}: what was read before is not as it was"


def _sequence(name: str, step: str) -> str:
    return step + TRAVERSE if name == "start-up drift" else TRAVERSE + step  # the unit is cold only once


def _row(name: str, steps: str, bench: str = injection.BENCH, serials: tuple[str, ...] = ("GF-104",)) -> dict[str, Row]:
    return {f"faults by turns, {name}": partial(swept, steps, bench, serials)}


ROWS: dict[str, Row] = {
    **{
        key: row
        for name, step in STEPS.items()
        for key, row in _row(name, _sequence(name, step), BENCHES[ON.get(name, "")]).items()
    },
    **_row("until", UNTIL),
    **_row("a batch of three units", TRAVERSE, BENCHES["batch"], SERIALS),
    **_row("a batch of three units, hold", STEPS["hold"] + TRAVERSE, BENCHES["batch"], SERIALS),
    **_row("a batch one after another, dead band", TRAVERSE + STEPS["dead band"], BENCHES["batch"], SERIALS),
}
