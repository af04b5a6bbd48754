"""Lets one thing go wrong at one place of a whole run in process, and says which promises were broken by it.

What was commanded is read from what the simulated instruments received, and from the true state of the output; nothing
is taken from the run's own log. Used by bench_promises.py, and by tests/faults and tests/property.
"""

import errno
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import instruments.bench
from instruments.benchfile import load_bench
from instruments.clock import VirtualClock
from instruments.errors import RecordError, StoppedError
from instruments.roles import Operator, Question
from instruments.session import Exchange
from instruments.simulated.bench import Mishap, SimulatedBench
from sequencer import core
from sequencer.inputs.files import load_sequence
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan, plan
from sequencer.record.create import create, opening
from sequencer.record.load import load
from sequencer.record.record import Record
from sequencer.running.loop import run_plan
from sequencer.running.outcome import Outcome

TYPE = """\
type: pulse rate converter (invented)
input: {range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
time constant: 5 ms
settling: {minimum: 20 ms, maximum: 1 s}
"""
SEQUENCE = """\
sequence: short acceptance
type sheet: short.type.yaml
settled within: 20 %
steps:
  - traverse: {points: POINTS, cycles: 1, readings: 1}
"""
BENCH = """\
bench: short simulated bench
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
KEYED_BENCH = """\
bench: hand-held source and meter
instruments:
  source: {description: keyed-source}
  meter: {description: keyed-meter}
taps:
  input: {set by: source}
  output: {read by: meter}
"""
MAKE_SAFE = "Make source safe: set 0 Hz and switch the output off"
SAFE = ["SOUR:FREQ 0.0000000E+00", "OUTP OFF"]

# What goes wrong on a line; each a row of mishaps at one exchange.
ON_THE_LINE: dict[str, tuple[dict[str, Any], ...]] = {
    "time-out": ({"kind": "time-out"},),
    "late answer": ({"kind": "late"},),
    "answers twice": ({"kind": "twice"},),
    "answers again, late": ({"kind": "again, late"},),
    "garbled": ({"kind": "garbled"},),
    "empty": ({"kind": "empty"},),
    "dropped": ({"kind": "dropped"},),
    "error reported": ({"kind": "error"},),
    "overload": ({"kind": "overload"},),
    "not a number": ({"kind": "not a number"},),
    "power-cycled": ({"kind": "power-cycled"},),
    "power-cycled and dropped": ({"kind": "power-cycled"}, {"kind": "dropped"}),
    "another instrument": ({"kind": "wrong identity"}, {"kind": "dropped"}),
    "dead from then on": ({"kind": "time-out", "times_n": 100_000},),
}
# What comes out of an exchange although the line is well: a signal, once or for ever, or a fault of the VISA library.
OF_THE_PROCESS: dict[str, tuple[Callable[[], object], int]] = {
    "Ctrl-C": (partial(signal.raise_signal, signal.SIGINT), 1),
    "Ctrl-C, again and again": (partial(signal.raise_signal, signal.SIGINT), 100_000),
    "SIGTERM": (partial(signal.raise_signal, signal.SIGTERM), 1),
    "SIGHUP": (partial(signal.raise_signal, getattr(signal, "SIGHUP", signal.SIGTERM)), 1),
}

FAULT_OF_VISA = "fault of VISA"


class InjectedError(Exception):
    """A fault in a callback that is none of livezero's own."""


AT_EXCHANGES = (*ON_THE_LINE, FAULT_OF_VISA, *OF_THE_PROCESS)
AT_EVENTS: dict[str, Exception] = {
    "listener raises": InjectedError("of a listener"),
    "stop from a listener": StoppedError("stopped at the page"),
}
AT_QUESTIONS: dict[str, BaseException] = {
    "operator raises": InjectedError("of an operator"),
    "operator stops": StoppedError("stopped by the operator"),
    "Ctrl-C at a prompt": KeyboardInterrupt(),
}
AT_LINES: dict[str, Exception] = {
    "disk full": OSError(errno.ENOSPC, "No space left on device"),
    "journal raises": InjectedError("of a journal"),
}


def _raise(error: BaseException) -> None:
    raise error


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """What goes wrong, and where; 0 is no place.

    Args:
        mishaps: of the lines, all due at `at_message`.
        at_message: to the bench, from 1; from it on, `act` is called at `times_n` of them.
        act: raises a signal, or an error.
        times_n: how often.
        at_event: number of the event at which the listener raises `error`.
        at_line: number of the line of the journal at whose writing `error` is raised; an OSError: the disk is full.
        error: what is raised.
    """

    mishaps: tuple[Mishap, ...] = ()
    at_message: int = 0
    act: Callable[[], object] | None = None
    times_n: int = 1
    at_event: int = 0
    at_line: int = 0
    error: Exception | None = None


class Trial:
    """One run with one thing gone wrong.

    `wire` holds what the instruments received, each with its number over the whole bench; `struck_n` is the number of
    the message at which it went wrong, None if it never did.
    """

    def __init__(self, what: Plan, results: Path, strike: Strike, *, operator: Operator | None = None) -> None:
        self.folder = results
        self.wire: list[tuple[int, str, str]] = []
        self.struck_n: int | None = None
        self.readings_n = self.events_n = self.lines_n = 0  # told; the last are lines for the journal
        self.outcome: Outcome | None = None
        self.raised: BaseException | None = None
        self.strike = strike
        self._acts_left_n = strike.times_n
        self._stray_n: int | None = None  # messages until a line was found that nobody had asked for
        self._simulated: SimulatedBench | None = None
        self._run(what, results, operator or core.Nobody())
        if strike.mishaps:
            self.struck_n = self._mishap_n()

    def ask(self, message: str) -> float:
        """The true state of the source, past all lines."""
        assert self._simulated is not None
        return float(self._simulated._devices["source"].handle(message) or "nan")

    @property
    def source_after(self) -> list[str]:
        """What the source received after it went wrong."""
        assert self.struck_n is not None
        return [message for number, name, message in self.wire if name == "source" and number > self.struck_n]

    @property
    def was_energised(self) -> bool:
        """The output stood switched on when it went wrong."""
        assert self.struck_n is not None
        told = [message for number, name, message in self.wire if name == "source" and number <= self.struck_n]
        return next((each == "OUTP ON" for each in reversed(told) if each in {"OUTP ON", "OUTP OFF"}), False)

    def struck(self) -> None:
        """It goes wrong now."""
        if self.struck_n is None:
            assert self._simulated is not None
            self.struck_n = self._simulated._all_n

    def _run(self, what: Plan, results: Path, operator: Operator) -> None:
        self.folder = create(results, what, date="2026-01-05T08:00:00", serial="GF-104")
        journals: list[Journal] = []

        def tell(exchange: Exchange) -> None:
            self._told_of(exchange)
            for journal in journals:  # there is none before the first exchange
                journal.exchange(exchange)

        with self._on_the_bench():
            bench = instruments.bench.open_bench(
                what.bench,
                sheet=what.sheet,
                wires=what.wires,
                limits=what.limits,
                operator=operator,
                tell=tell,
            )
        try:
            with bench, StruckJournal(self.folder / "journal.jsonl", trial=self) as journal:
                journals.append(journal)
                said = opening(what, date="2026-01-05", serial="GF-104", operator="", state="")
                journal.opened(bench.clock.date(), **said)
                self.outcome = run_plan(
                    what, bench, serial="GF-104", operator=operator, journal=journal, listener=self._listen
                )
        except BaseException as caught:  # noqa: BLE001  what came out is looked at
            self.raised = caught

    @contextmanager
    def _on_the_bench(self) -> Iterator[None]:
        """What is opened meanwhile is a simulated bench with what goes wrong; nobody waits, whoever sets and reads."""
        original = instruments.bench.simulated_bench

        def simulated(*arguments: Any) -> SimulatedBench:
            self._simulated = original(*arguments, mishaps=self.strike.mishaps, heard=self._heard)
            self._opened(self._simulated)
            return self._simulated

        with mock.patch.multiple(instruments.bench, simulated_bench=simulated, RealClock=VirtualClock):
            yield

    def _opened(self, bench: SimulatedBench) -> None:
        """The bench is there."""

    def _told_of(self, exchange: Exchange) -> None:
        if exchange.sent == "(not asked for)" and self._stray_n is None and self._simulated is not None:
            self._stray_n = self._simulated._all_n

    def _heard(self, name: str, message: str) -> None:
        assert self._simulated is not None
        number = self._simulated._all_n
        self.wire.append((number, name, message))
        if self.strike.act is not None and number >= self.strike.at_message and self._acts_left_n:
            self._acts_left_n -= 1
            self.struck()
            self.strike.act()

    def _listen(self, event: object) -> None:
        self.events_n += 1
        self.readings_n += type(event).__name__ == "ReadingTaken"
        if self.events_n == self.strike.at_event and self.strike.error is not None:
            self.struck()
            raise self.strike.error

    def _mishap_n(self) -> int | None:
        """Where it can be noticed: at the next reply; what happens inside an instrument, where that is asked about."""
        mishaps, place = self.strike.mishaps, self.strike.at_message
        kinds = {mishap.kind for mishap in mishaps}
        if "dropped" in kinds:  # that message was never received
            return place
        asked = "SYST:ERR?" if "error" in kinds else "*ESR?" if "power-cycled" in kinds else "?"
        who = mishaps[0].instrument or self.wire[place - 1][1]
        found = (
            (number, name)
            for number, name, message in self.wire
            if number >= place and (name == who or asked == "?") and asked in message
        )
        struck_n, struck = next(found, (None, ""))
        if "twice" in kinds:
            return self._stray_n
        if "again, late" in kinds:  # it stands before the next answer of the same instrument
            return next((number for number, name in found if name == struck), None)
        return struck_n


class StruckJournal(Journal):
    """A journal of a trial, which may find its disk full at one of its lines; lines count over all that a trial has."""

    def __init__(self, path: Path, *, trial: Trial, again: bool = False) -> None:
        super().__init__(path, again=again)
        self._trial = trial

    def write(self, kind: str, *, sync: bool, **fields: Any) -> None:
        """Write a line, or fail to; of an exchange that is never told: it must not stop what talks to an instrument."""
        try:
            super().write(kind, sync=sync, **fields)
        except (InjectedError, RecordError):
            self._trial.struck()
            raise

    def _append(self, kind: str, *, sync: bool, fields: dict[str, Any]) -> None:
        trial, error = self._trial, self._trial.strike.error
        trial.lines_n += 1  # every line comes here, those of exchanges too
        if trial.lines_n == trial.strike.at_line:
            if isinstance(error, OSError):
                self._file = FullDisk(self._file, error)  # type: ignore[assignment]
            elif error is not None:
                raise error
        super()._append(kind, sync=sync, fields=fields)


class FullDisk:
    """The file of a journal on a disk that has just become full: half a line fits, and no more."""

    def __init__(self, file: Any, error: OSError) -> None:
        self._file, self._error, self._has_room = file, error, True

    def write(self, line: bytes) -> int:
        if self._has_room:
            self._has_room = False
            self._file.write(line[: len(line) // 2])
        raise self._error

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


def planned(
    folder: Path, *, points: int = 2, type_sheet: str = TYPE, sequence: str = SEQUENCE, bench: str = BENCH
) -> Plan:
    """The plan of a short run; its files are written to the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "short.type.yaml").write_text(type_sheet, encoding="utf-8")
    (folder / "short.yaml").write_text(sequence.replace("POINTS", str(points)), encoding="utf-8")
    (folder / "short.bench.yaml").write_text(bench, encoding="utf-8")
    return plan(load_sequence(str(folder / "short.yaml")), load_bench(folder / "short.bench.yaml"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Injection:
    """Something to go wrong at one place, and what is right then.

    Args:
        kind: of what goes wrong.
        place: where.
        strike: the same for a trial.
        ends_at_once: nothing may come between it and the safe level.
        allowed: exit codes that are right.
        verdict: of a run that comes to its end all the same: that of the clean one.
    """

    kind: str
    place: int
    strike: Strike
    ends_at_once: bool
    allowed: frozenset[int]
    verdict: str


def broken(trial: Trial, injection: Injection) -> list[str]:
    """The promises that a trial broke, in words; none if it broke none, or if it was over before it went wrong."""
    record = load(trial.folder)
    found = [*of_the_bench(trial, injection), *_of_the_record(trial, record)]
    if trial.outcome is not None:
        found += _of_the_outcome(trial.outcome, record, injection)
        if trial.raised is not None:
            found.append(f"{trial.raised!r} came out after the run")
    elif not isinstance(trial.raised, InjectedError):
        found.append(f"{trial.raised!r} came out")
    return found


class Person:
    """Sets and reads as asked, until something comes over them at one question; then they only make safe."""

    def __init__(self, at_question: int, error: BaseException | None) -> None:
        self.questions: list[Question] = []
        self._at_question, self._error = at_question, error

    def ask(self, question: Question) -> str:
        self.questions.append(question)
        if len(self.questions) == self._at_question and self._error is not None:
            raise self._error
        return f"{question.expected:.4f}" if question.kind == "reading" else "yes"


def asked(folder: Path, error: BaseException) -> tuple[int, list[str]]:
    """A run on hand-held instruments, an error out of each of its questions in turn.

    Returns:
        How many were tried, and what was lost, in words.
    """
    plan_by_hand = planned(folder / "files", bench=KEYED_BENCH)
    clean = Person(0, error)
    Trial(plan_by_hand, folder / "clean", Strike(), operator=clean)
    lost = []
    for number, question in enumerate(clean.questions, start=1):
        person = Person(number, error)
        trial = Trial(plan_by_hand, folder / f"results-{number}", Strike(), operator=person)
        ended = trial.outcome.status if trial.outcome is not None else type(trial.raised).__name__
        is_making_safe = question.text == MAKE_SAFE
        after = [each.text for each in person.questions[number:]]
        if is_making_safe and isinstance(error, KeyboardInterrupt):  # the output comes first: it is asked once more
            if not after or not after[0].endswith(MAKE_SAFE):
                lost.append(f"question {number}: not asked once more to make safe, but {after[:1]}")
            if ended not in {"interrupted", "complete"}:
                lost.append(f"question {number}: {ended}, though it was made safe then")
            continue
        wanted = "not safe" if is_making_safe else "interrupted"
        if ended != wanted and (is_making_safe or trial.raised is not error):
            lost.append(f"question {number}: {ended}, not {wanted}")
        # Before the last caution is confirmed nothing is energised, so nothing is to be made safe.
        if not is_making_safe and after[:1] != ([] if question.kind == "caution" else [MAKE_SAFE]):
            lost.append(f"question {number}: not asked to make safe next, but {after[:1]}")
        if load(trial.folder).content.status not in {wanted, "interrupted"}:
            lost.append(f"question {number}: the record says something else")
    return len(clean.questions), lost


def of_the_bench(trial: Trial, injection: Injection) -> Iterator[str]:
    """What is wrong with the source after a trial, by its true state and by what it received."""
    # A source that is dead obeys still, and only cannot say so.
    if trial.ask("OUTP?") != 0 or trial.ask("SOUR:FREQ?") != 0:
        yield "the output is on"
    if trial.struck_n is None or (trial.outcome is not None and trial.outcome.status == "complete"):
        return
    after = trial.source_after
    told = [message for message in after if "?" not in message and message != "*CLS"]
    begun = told[1:] if told[:1] == SAFE[1:] else told  # it struck in the middle of making safe, which went on
    if told and (begun[:2] != SAFE or told[-2:] != SAFE):
        yield f"not made safe next and last, but {told[:2]} and {told[-2:]}"
    # Safe, it may have been set up again before another instrument did not come back; energised it was not.
    if driven := [each for each in told if each == "OUTP ON" or (each.startswith("SOUR:FREQ ") and each != SAFE[0])]:
        yield f"driven on by {driven[:2]}"
    if injection.ends_at_once and trial.was_energised and after and after[0] not in SAFE:
        yield f"before the safe level came {after[0]}"


def _of_the_outcome(outcome: Outcome, record: Record, injection: Injection) -> Iterator[str]:
    code = core.RunResult(outcome=outcome, record=record).exit_code
    if code not in injection.allowed:
        yield f"exit code {code}"
    found = record.evaluation
    if record.content.status == "complete" and (found is None or found.verdict.result != injection.verdict):
        yield f"another verdict: {found and found.verdict.reason}"
    if not outcome.reason or not outcome.reason.isprintable() or "Traceback" in outcome.reason:
        yield f"no clear message: {outcome.reason!r}"
    if record.content.status not in {outcome.status, "interrupted"}:  # interrupted: its last line did not fit any more
        yield f"the record says {record.content.status}, the run {outcome.status}"


def _of_the_record(trial: Trial, record: Record) -> Iterator[str]:
    if record.content.status != "complete" and record.evaluation is not None and record.evaluation.verdict.is_pass:
        yield "a pass without a whole run"
    table = record.readings
    if len(table) < trial.readings_n:
        yield f"{trial.readings_n - len(table)} readings lost"
    frac = table["setpoint_pct"] / 100
    for tap, expected, within in (("input", 1000 * frac, 1.0), ("output", 4 + 16 * frac, 0.05)):
        rows = (table["tap"] == tap) & table["value"].notna()
        if ((table["value"] - expected).abs()[rows] > within).any():
            yield f"a wrong number at the {tap}"


def injections(clean: Trial) -> Iterator[Injection]:
    """Every kind at every place of a run: each message, each event, each line of the journal.

    Args:
        clean: that run, with nothing gone wrong.
    """
    assert clean.outcome is not None
    record = load(clean.folder)
    assert record.evaluation is not None
    well = core.RunResult(outcome=clean.outcome, record=record).exit_code
    verdict = record.evaluation.verdict.result
    made = partial(Injection, verdict=verdict)
    for place in range(1, len(clean.wire) + 1):
        yield from at_message(clean, place, well, verdict)
    for place in range(1, clean.events_n + 1):
        for kind, error in AT_EVENTS.items():
            yield made(
                kind=kind,
                place=place,
                strike=Strike(at_event=place, error=error),
                ends_at_once=True,
                allowed=frozenset({well, 130}),
            )
    for place in range(2, clean.lines_n + 1):  # without its first line there is no record
        for kind, error in AT_LINES.items():
            yield made(
                kind=kind,
                place=place,
                strike=Strike(at_line=place, error=error),
                ends_at_once=True,
                allowed=frozenset({well, 1, 3}),  # 1: all was read, and the last lines did not fit
            )


def at_message(clean: Trial, place: int, well: int, verdict: str) -> Iterator[Injection]:
    """Every kind at one message of a run.

    Args:
        clean: as for `injections`.
        place: number of the message, from 1.
        well: exit code of the clean run.
        verdict: of it.
    """
    made = partial(Injection, verdict=verdict)
    for kind, (act, times_n) in OF_THE_PROCESS.items():
        yield made(
            kind=kind,
            place=place,
            strike=Strike(at_message=place, act=act, times_n=times_n),
            ends_at_once=True,
            allowed=frozenset({well, 130}),  # well where the outputs were being made safe at the end anyway
        )
    names = [name for _, name, _ in clean.wire]
    who = names[place - 1]
    for kind, rows in ON_THE_LINE.items():
        mishaps = tuple(Mishap(**row, at_exchange=place) for row in rows)
        may_be_unsafe = kind in {"dead from then on", "another instrument"} and who == "source"
        if kind == "dead from then on":
            mishaps = tuple(Mishap(**row, at_exchange=names[:place].count(who), instrument=who) for row in rows)
        yield made(
            kind=kind,
            place=place,
            strike=Strike(mishaps=mishaps, at_message=place),
            ends_at_once=False,
            allowed=frozenset({well, 3, 4} if may_be_unsafe else {well, 3}),
        )
    fault = partial(_raise, RuntimeError("invented"))
    yield made(
        kind=FAULT_OF_VISA,
        place=place,
        strike=Strike(at_message=place, act=fault),
        ends_at_once=False,
        allowed=frozenset({well, 3}),
    )
