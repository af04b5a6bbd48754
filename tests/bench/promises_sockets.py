"""Faults and kills at random instants over real sockets; the judge is what each instrument received, and how it stands.

Its instruments are its own (`socket_instruments`). Used by bench_promises.py; one trial again:

python tests/bench/promises_sockets.py fault 17
"""

import contextlib
import json
import math
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Any

from socket_instruments import AT_ANSWERS, OF_LINES, OF_SOURCES, Fault, SocketBench, served

from sequencer.start import main

FAULTS_N = 500
KILLS_N = 500
AT_A_TIME_N = 2
SEED = 20
RUN_S = 1.6  # from the first word to the last one
START_S = 3.0  # before the first word
EARLY_FRAC = 0.15  # of the signals come before it
OFF_WITHIN_S = 15.0  # the watchdog's time, and what a busy computer takes to start a process and to prove
MOST_S = 120.0
STATE = "LIVEZERO_STATE"
TYPE = """\
type: valve position converter (invented)
input: {range: 2 .. 10 V, limits: -1 .. 12 V}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
time constant: 20 ms
settling: {minimum: 60 ms, maximum: 5 s}
"""
SEQUENCE = """\
sequence: three points up and down
type sheet: type.yaml
settled within: 20 %
steps:
  - traverse: {points: 3, cycles: 1, readings: 2}
"""
GONE = {"mute", "refused"}


_FORKS = multiprocessing.get_context("forkserver")  # importing livezero takes longer than a run
_FORKS.set_forkserver_preload(["sequencer.core", "sequencer.cli.command", "sequencer.cli.plans", "pyvisa_py"])


def program(folder: Path, to: str, words: list[str]) -> None:
    """`livezero` as this process: in a folder, nobody to answer, what it says in files there."""
    os.chdir(folder)
    os.environ[STATE] = str(folder / "state")
    for number, path, how in (
        (0, os.devnull, os.O_RDONLY),
        (1, folder / f"{to}.out", os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
        (2, folder / f"{to}.err", os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
    ):
        opened = os.open(path, how)
        os.dup2(opened, number)
        os.close(opened)
    sys.argv = ["livezero", *words]
    main()


class Running:
    """A command that goes on, forked or started.

    Args:
        process: its own.
    """

    def __init__(self, process: "subprocess.Popen[bytes] | ForkServerProcess") -> None:
        self._process = process

    def wait(self, most_s: float) -> int | None:
        """Its exit code, below 0 the signal that ended it; None if it goes on after so long."""
        if isinstance(self._process, subprocess.Popen):
            with contextlib.suppress(subprocess.TimeoutExpired):
                return self._process.wait(most_s)
            return None
        self._process.join(most_s)
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        """Unless it has ended."""
        if self.wait(0) is None and self._process.pid is not None:
            os.kill(self._process.pid, number)


@dataclass
class Trial:
    """One run on a bench of its own, and what was found wrong with it."""

    bench: SocketBench
    folder: Path
    lost: list[str] = field(default_factory=list)
    code: float = math.nan
    said: str = ""

    def command(self, *arguments: object) -> tuple[float, str]:
        """A command, to its end: exit code, and what stands on stderr. A traceback is a loss whatever it ends with."""
        return self._to_its_end(self._started(*arguments, to="next"), str(arguments[0]), "next")

    def begun(self, *, is_fresh: bool = False) -> "Running":
        """The run, going on; what it says is in files."""
        words = ("run", "sequence.yaml", "--bench", self.bench.path, "--serial", "VP-7", "--confirm", "--events")
        return self._started(*words, to="run", is_fresh=is_fresh)

    def ended(self, running: "Running") -> float:
        """The exit code of the run."""
        self.code, self.said = self._to_its_end(running, "run", "run")
        return self.code

    def _started(self, *arguments: object, to: str, is_fresh: bool = False) -> "Running":
        words = [*map(str, arguments)]
        if is_fresh:
            with (self.folder / f"{to}.out").open("wb") as out, (self.folder / f"{to}.err").open("wb") as err:
                started = subprocess.Popen(
                    [sys.executable, "-m", "sequencer", *words],
                    cwd=self.folder,
                    env=os.environ | {STATE: str(self.folder / "state")},
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=err,
                )
            return Running(started)
        process = _FORKS.Process(target=program, args=(self.folder, to, words))
        process.start()
        return Running(process)

    def _to_its_end(self, running: "Running", verb: str, to: str) -> tuple[float, str]:
        code = running.wait(MOST_S)
        if code is None:
            running.send_signal(signal.SIGKILL)
            code = running.wait(MOST_S)
            self.lost.append(f"{verb} did not end within {MOST_S:g} s")
        said = (self.folder / f"{to}.err").read_text(errors="replace") if (self.folder / f"{to}.err").exists() else ""
        if "Traceback" in said or code == 70:
            self.lost.append(f"{verb}: a fault of its own, exit {code}: {said[-300:]}")
        return (math.nan if code is None else code), said

    def check(self, is_right: object, what: str) -> None:
        """Keep what was wrong."""
        if not is_right:
            self.lost.append(what)

    @property
    def marks_n(self) -> int:
        """Sources that the next start finds not proved safe."""
        folder = self.folder / "state" / "not-proved-safe"
        return sum(path.suffix == ".json" for path in folder.iterdir()) if folder.is_dir() else 0

    @property
    def record(self) -> Path | None:
        """Of the run; None where it did not come so far."""
        records = [*(self.folder / "results").glob("*/journal.jsonl")]
        return records[0].parent if records else None

    @property
    def journal(self) -> list[dict[str, Any]]:
        """Its whole lines."""
        text = (self.record / "journal.jsonl").read_text() if self.record else ""
        return [json.loads(line) for line in text.split("\n")[:-1]]

    def judge_readings(self, *, is_level_known: bool = True) -> None:
        """Each reading is one that its meter took once, with the source on at the level of the point; none is lost."""
        kept = [line for line in self.journal if line["kind"] == "reading"]
        last = {line["number"]: line["attempt"] for line in kept}  # a point that is taken again counts with that
        for line in kept:
            if line["value"] is None:
                continue
            place = f"point {line['number']}, attempt {line['attempt']}, {line['tap']}: {line['raw']}"
            volts = self.bench.meters[line["instrument"]].measured.get(line["raw"])
            if volts is None:
                self.lost.append(f"{place} was measured by nobody")
            elif (
                is_level_known and line["attempt"] == last[line["number"]] and not abs(volts - line["commanded"]) < 1e-4
            ):
                self.lost.append(f"{place} was measured with {volts:g} V, not {line['commanded']:g} V")
        for (name, raw), n in Counter((line["instrument"], line["raw"]) for line in kept if line["raw"]).items():
            self.check(n == 1, f"one reading of {name} is kept {n} times: {raw}")
        lines = (self.folder / "run.out").read_text().split("\n")[:-1]
        acknowledged = Counter(_key(event) for event in map(json.loads, lines) if event["event"] == "reading")
        self.check(acknowledged <= Counter(map(_key, kept)), "a reading that was acknowledged is not in the journal")

    def judge_safe(self, when: str) -> None:
        """The source stands safe, and was told so last."""
        physics, source = self.bench.physics, self.bench.source
        how = f"{physics.level_v:g} V, {'on' if physics.is_on else 'off'}, last words {source.last_words[-3:]}"
        self.check(physics.is_safe and source.told_safe_last, f"{when}: {how}")


def _key(each: dict[str, Any]) -> tuple[object, ...]:
    return each["number"], each["tap"], each["reading"], each["value"]


def fault_of(rng: random.Random, *, is_read_back: bool) -> Fault:
    """A fault at one instrument at a random instant."""
    kind = rng.choice([*AT_ANSWERS, *OF_LINES, *OF_SOURCES])
    meters = ["meter", "monitor"] if is_read_back else ["meter"]
    who = "source" if kind in OF_SOURCES or rng.random() < 0.5 else rng.choice(meters)
    return Fault(kind=kind, who=who, after_s=rng.uniform(0, RUN_S))


def with_fault(trial: Trial, fault: Fault, *, is_read_back: bool) -> bool:
    """A run with a fault; False if it was over before the fault struck."""
    bench = trial.bench
    bench.physics.fault = fault
    code = trial.ended(trial.begun())
    if math.isnan(fault.struck_s):
        trial.check(code == 0, f"exit {code} without any fault")
    # Nobody can know the level of a liar; what a run that was ended had to discard, nothing takes its place.
    is_measured = fault.kind == "jump" and (is_read_back or code not in {0, 1})
    trial.judge_readings(is_level_known=fault.kind != "lie" and not is_measured)
    read = {line["commanded"] for line in trial.journal if line["kind"] == "reading" and line["tap"] == "input"}
    can_be_known = fault.kind != "lie" or len(read) >= 3
    is_safe = bench.physics.is_safe
    allowed = _codes(trial, fault, is_safe=is_safe, can_be_known=can_be_known)
    trial.check(code in allowed, f"exit {code}, not {allowed}: {trial.said[-200:]}")
    is_heard = not (fault.who == "source" and fault.kind in GONE)
    if code != 4:
        trial.check(not trial.marks_n, f"exit {code}, and a mark")
        trial.check(not can_be_known or is_safe, f"exit {code}, with {bench.physics.input_v:g} V on")
    if is_heard:
        trial.check(bench.source.told_safe_last, f"last words {bench.source.last_words[-3:]}")
    if code == 4:
        _after_not_safe(trial, fault)
    return not math.isnan(fault.struck_s)


def _codes(trial: Trial, fault: Fault, *, is_safe: bool, can_be_known: bool) -> set[int]:
    """With what a run may end after a fault; the unit is good."""
    # What comes between "on" and the first point ends the run safe: nothing is lost by it.
    is_early = not any(line["kind"] == "settled" for line in trial.journal)
    if not is_safe:
        return {4} if can_be_known else {0, 1, 3, 4, 130}
    if fault.kind in GONE:
        # Mute, it obeys; what cannot be asked is not proved all the same.
        return {0, 3, 4} if fault.who == "source" else {0, 3}
    if fault.kind in OF_SOURCES:
        return {0, 3, 130} if not is_early else {0, 3}
    return {0, 3} if is_early else {0}


def _after_not_safe(trial: Trial, fault: Fault) -> None:
    """The mark stays, is said, and goes with the proof of the source itself once it is back, or with a name."""
    check = ("bench", "check", trial.bench.path)
    trial.check(trial.marks_n == 1, f"exit 4, and {trial.marks_n} marks")
    code, said = trial.command("plan", "sequence.yaml", "--bench", trial.bench.path)
    trial.check(code == 4 and "NOT proved safe" in said, f"plan after exit 4: exit {code}")
    trial.bench.source.come_back()
    code, said = trial.command(*check)
    trial.judge_safe("next start")
    if fault.kind == "lie":
        trial.check(code == 4, f"the word of a liar counts: exit {code}")
        code, said = trial.command(*check, "--acknowledge", "A. Brewer: off at its mains")
    trial.check(code == 0 and not trial.marks_n, f"next start: exit {code}, {said[-200:]}")


def with_kill(trial: Trial, number: signal.Signals, after_s: float, *, is_guarded: bool, rng: random.Random) -> None:
    """A run that gets a signal; who comes after it finds, or makes, a source that is safe.

    Args:
        trial: its bench and folder.
        number: of the signal.
        after_s: from the first word that any instrument received; below 0: from the start, so much later.
        is_guarded: by a watchdog of 1 s.
        rng: for what is started next.
    """
    running = trial.begun(is_fresh=after_s < 0)
    while after_s >= 0 and math.isnan(trial.bench.physics.began_s) and running.wait(0) is None:
        time.sleep(0.002)
    running.wait(abs(after_s))
    running.send_signal(number)
    if number in {signal.SIGINT, signal.SIGTERM}:
        trial.ended(running)
        # Before the first line of the program is read the signal is Python's.
        is_early = trial.code == -number and math.isnan(trial.bench.physics.began_s) and trial.record is None
        trial.check(trial.code == 130 or is_early or _is_complete(trial), f"exit {trial.code}: {trial.said[-200:]}")
        trial.judge_safe("at its end")
        trial.check(not trial.marks_n, "ended safe, and a mark")
    elif is_guarded:
        until_s = time.monotonic() + OFF_WITHIN_S
        while (trial.marks_n or not trial.bench.physics.is_safe) and time.monotonic() < until_s:
            time.sleep(0.05)
        trial.judge_safe(f"{OFF_WITHIN_S:g} s after")
        trial.check(not trial.marks_n, "made safe, and a mark")
    if running.wait(0.3) is None:
        running.send_signal(signal.SIGKILL)
    trial.ended(running)
    trial.judge_readings()
    _next_start(trial, rng)


def _is_complete(trial: Trial) -> bool:
    """It was over before the signal came."""
    return trial.code == 0 and any(line["kind"] == "closed" and line["status"] == "complete" for line in trial.journal)


def _next_start(trial: Trial, rng: random.Random) -> None:
    """Whatever is started next leaves the bench safe, and nothing to be proved."""
    run = ("run", "sequence.yaml", "--bench", trial.bench.path, "--serial", "VP-8", "--confirm")
    starts: list[tuple[object, ...]] = [("bench", "check", trial.bench.path), run]
    if trial.record and any(line["kind"] == "reading" for line in trial.journal):
        starts.append(("resume", trial.record, "--confirm"))
        starts.append(("close", trial.record))
    start = rng.choice(starts)
    code, said = trial.command(*start)
    is_over = start[0] in {"resume", "close"} and "sealed" in said
    allowed = {0, 1} if start[0] == "close" else {0}
    trial.check(code in allowed or is_over, f"{start[0]}: exit {code}: {said[-300:]}")
    trial.judge_safe(f"after {start[0]}")
    trial.check(not trial.marks_n, f"after {start[0]}: a mark")


def fault_trial(number: int) -> tuple[bool, list[str]]:
    """One run with a fault; whether it struck, and what was lost."""
    rng = random.Random(f"{SEED} fault {number}")
    is_read_back = rng.random() < 0.4
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = _written(Path(name))
        with served(folder, rng, watchdog=rng.choice(["10 s", "none"]), is_read_back=is_read_back) as bench:
            trial, fault = Trial(bench, folder), fault_of(rng, is_read_back=is_read_back)
            has_struck = with_fault(trial, fault, is_read_back=is_read_back)
            words = f"{bench.source.dialect}, {'read back, ' if is_read_back else ''}{fault}"
            return has_struck, [f"fault {number}, {words}: {what}" for what in trial.lost]


def kill_trial(number: int) -> tuple[bool, list[str]]:
    """One run with a signal; what was lost."""
    rng = random.Random(f"{SEED} kill {number}")
    which = rng.choice([signal.SIGKILL, signal.SIGTERM, signal.SIGINT, signal.SIGSTOP])
    is_guarded = rng.random() < 0.5
    after_s = -rng.uniform(0, START_S) if rng.random() < EARLY_FRAC else rng.uniform(0, RUN_S)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = _written(Path(name))
        with served(folder, rng, watchdog="1 s" if is_guarded else "none", is_read_back=rng.random() < 0.4) as bench:
            trial = Trial(bench, folder)
            with_kill(trial, which, after_s, is_guarded=is_guarded, rng=rng)
            words = f"{which.name} after {after_s:.3f} s, {'guarded' if is_guarded else 'no watchdog'}"
            return True, [f"kill {number}, {words}: {what}" for what in trial.lost]


def _written(folder: Path) -> Path:
    (folder / "type.yaml").write_text(TYPE)
    (folder / "sequence.yaml").write_text(SEQUENCE)
    return folder


def each_of(trial: Callable[[int], tuple[bool, list[str]]], most: int, _: Path) -> tuple[int, list[str]]:
    """So many trials, some at a time; those that were over before anything struck do not count.

    Returns:
        How many counted, and what was lost in them.
    """
    with ThreadPoolExecutor(AT_A_TIME_N) as pool:
        done = [*pool.map(trial, range(most))]
    return sum(counts for counts, _ in done), [what for _, lost in done for what in lost]


ROWS: dict[str, Callable[[Path], tuple[int, list[str]]]] = {
    "a fault at a random instant, own instruments at sockets": partial(each_of, fault_trial, FAULTS_N),
    "a signal at a random instant, own instruments at sockets": partial(each_of, kill_trial, KILLS_N),
}


if __name__ == "__main__":
    chosen = {"fault": fault_trial, "kill": kill_trial}[sys.argv[1]]
    for one in sys.argv[2:]:
        print(one, *chosen(int(one)), sep="\n  ")
