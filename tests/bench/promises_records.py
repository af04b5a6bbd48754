"""Promises about records, tried out: `kill -9` at random moments, Ctrl-C and resumed, a day of runs in one process.

Used by bench_promises.py, and by tests/e2e.
"""

import contextlib
import gc
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import injection

from instruments.errors import LivezeroError
from sequencer import core
from sequencer.journal.writer import entries
from sequencer.record.digest import alterations, sealed_digest

KILLS_N = 300
DAY_S = 86_400.0
TYPE = """\
type: {name} pulse rate converter (invented)
input: {{range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz}}
output: {{range: 4 .. 20 mA}}
tolerance: 0.2 % of span
time constant: {time_constant}
settling: {{minimum: {minimum}, maximum: 120 s}}
"""
SEQUENCE = """\
sequence: {cycles} cycles of a {name} converter
type sheet: {name}.type.yaml
settled within: 20 %
steps:
  - exercise: {{cycles: {cycles}}}
  - traverse: {{points: {points}, cycles: {cycles}, readings: {readings}}}
"""


def written(
    folder: Path, name: str, *, time_constant: str, minimum: str, cycles: int, points: int, readings: int
) -> Path:
    """A type sheet and a sequence in a folder; the path of the sequence."""
    (folder / f"{name}.type.yaml").write_text(TYPE.format(name=name, time_constant=time_constant, minimum=minimum))
    path = folder / f"{name}.yaml"
    path.write_text(SEQUENCE.format(name=name, cycles=cycles, points=points, readings=readings))
    return path


@dataclass
class Tally:
    """What became of the runs that were killed; in words what should not have."""

    killed_n: int = 0
    acknowledged_n: int = 0  # readings that a subscriber was told of before the kill
    unfinished_n: int = 0  # killed after the first line stood and before the record was sealed
    lost: list[str] = field(default_factory=list)  # readings that were acknowledged
    corrupt: list[str] = field(default_factory=list)  # records that cannot be read, or whose chain is broken
    unfound: list[str] = field(default_factory=list)
    incomplete: list[str] = field(default_factory=list)  # no verdict all the same, or something not kept


def told_until_killed(command: list[str], cwd: Path, *, lines_n: int, wait_s: float) -> list[dict]:
    """The events that a command told on its pipe until it was killed: after so many lines, and a moment more."""
    with subprocess.Popen(
        [sys.executable, "-m", "sequencer", *command],
        cwd=cwd,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        stdin=subprocess.DEVNULL,
        pipesize=4096,  # so that it cannot run far ahead of who reads
    ) as process:
        assert process.stdout is not None
        lines = []
        for line in process.stdout:
            lines.append(line)
            if len(lines) >= lines_n:
                break
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(wait_s)
        process.kill()
        lines += process.stdout.readlines()
    return [json.loads(line) for line in lines if line.endswith(b"\n")]


def readings(found: list[dict]) -> set[tuple]:
    """What names a reading and its value, of events or of lines of a journal."""
    return {
        (each["number"], each["tap"], each["reading"], each["value"])
        for each in found
        if each.get("event", each.get("kind")) == "reading"
    }


def try_kill(folder: Path, sequence: Path, rng: random.Random, tally: Tally, *, events_n: int) -> None:
    """One run in a process of its own, killed at a random moment; found again, and resumed."""
    results = folder / f"results-{tally.killed_n}"
    tally.killed_n += 1
    command = ["run", str(sequence), "--bench", "simulated", "--serial", "K-9", "--results", str(results), "--events"]
    at = rng.randint(1, events_n + events_n // 10)  # some of them while it seals
    told = told_until_killed(command, folder, lines_n=at, wait_s=rng.choice([0, rng.uniform(0, 0.3)]))
    if at > 1 and rng.random() < 0.25:  # killed once more, while it is resumed
        for found in core.cut_off(results):
            again = ["resume", str(found.folder), "--events"]
            told += told_until_killed(again, folder, lines_n=rng.randint(1, events_n), wait_s=0)
    this = f"run {tally.killed_n}, killed after event {at}"
    acknowledged = readings(told)
    tally.acknowledged_n += len(acknowledged)
    record = next(results.iterdir(), None) if results.exists() else None
    if record is None or not (record / "journal.jsonl").exists():
        tally.lost += _lost(this, acknowledged)
        return
    try:
        lines = list(entries(record / "journal.jsonl"))
        tally.lost += _lost(this, acknowledged - readings(lines))
        if not lines:  # killed before its first line; nothing had been asked of an instrument
            return
        core.load_record(record)
        tally.corrupt += [f"{this}: {what}" for what in alterations(record)[:1]]
    except LivezeroError as error:
        tally.corrupt.append(f"{this}: {error.what}")
        return
    if sealed_digest(record):
        return
    tally.unfinished_n += 1
    if [each.folder for each in core.cut_off(results)] != [record]:
        tally.unfound.append(this)
        return
    done = core.resume(record)
    kept = readings(list(entries(record / "journal.jsonl")))
    is_judged = done.evaluation is not None and done.evaluation.verdict.result == "pass"
    is_whole = done.outcome.status == "complete" and core.verify(record).is_intact and acknowledged <= kept
    if not (is_judged and is_whole):
        tally.incomplete.append(f"{this}: {done.outcome.status}, {done.outcome.reason}")


def _lost(this: str, lost: set[tuple]) -> list[str]:
    return [f"{this}: point {number}, tap {tap}, reading {reading}" for number, tap, reading, _ in sorted(lost)]


def kills(folder: Path, kills_n: int, *, seed: int, cycles: int = 3) -> Tally:
    """Runs killed at random moments, each in a process of its own."""
    rng = random.Random(seed)
    tally = Tally()
    sequence = written(folder, "quick", time_constant="20 ms", minimum="80 ms", cycles=cycles, points=5, readings=3)
    told: list[object] = []
    core.run(core.plan(sequence, "simulated"), serial="K-9", results=folder / "whole", listener=told.append)
    for _ in range(kills_n):
        try_kill(folder, sequence, rng, tally, events_n=len(told))
    return tally


@lru_cache(maxsize=1)
def _all_kills() -> Tally:
    with tempfile.TemporaryDirectory() as name:
        return kills(Path(name), KILLS_N, seed=1)


def interrupted(folder: Path) -> tuple[int, list[str]]:
    """Ctrl-C at each event of a run after its first reading; then resumed.

    Returns:
        How many were resumed, and those that lost a reading, or came to another verdict than the run in one go.
    """
    plan = injection.planned(folder / "files", points=3)
    told: list[object] = []
    whole = core.run(plan, serial="K-9", results=folder / "whole", listener=told.append)
    assert whole.evaluation is not None
    tried_n, lost = 0, []
    for place in range(1, len(told) + 1):
        seen: list[object] = []

        def stop(event: object, place: int = place, seen: list[object] = seen) -> None:
            seen.append(event)
            if len(seen) == place:
                signal.raise_signal(signal.SIGINT)

        stopped = core.run(plan, serial="K-9", results=folder / "results", listener=stop)
        if not stopped.outcome.can_resume:  # over, or nothing was read yet
            continue
        tried_n += 1
        before = stopped.record.readings
        done = core.resume(stopped.record.folder)
        is_same = done.evaluation is not None and done.evaluation.verdict.result == whole.evaluation.verdict.result
        is_whole = done.outcome.status == "complete" and core.verify(stopped.record.folder).is_intact
        if not (is_same and is_whole and done.record.readings.iloc[: len(before)].equals(before)):
            lost.append(f"event {place}: {done.outcome.status}, {done.outcome.reason}")
    return tried_n, lost


def _resident_kB() -> int:
    with Path("/proc/self/status").open(encoding="ascii") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))


def soak(folder: Path, until_s: float, *, warm_n: int = 8, points: int = 11, cycles: int = 3) -> tuple[int, list[str]]:
    """Runs in one process until the bench's clocks have gone so far in all.

    Returns:
        Runs after the first few, and those of them after which more was open, or over 4 MB more was held, than then.
    """
    tried_n, lost, gone_s = 0, [], 0.0
    open_n = held_kB = 0
    sequence = written(folder, "slow", time_constant="4 s", minimum="8 s", cycles=cycles, points=points, readings=5)
    while gone_s < until_s or tried_n < 1:
        result = core.run(core.plan(sequence, "simulated"), serial="S-1", results=folder / "results")
        gone_s += float(result.record.readings["at_s"].max())
        del result
        gc.collect()
        warm_n -= 1
        now = len(os.listdir("/dev/fd")), _resident_kB()  # noqa: PTH208  names alone
        if warm_n >= 0:
            open_n, held_kB = now
            continue
        tried_n += 1
        if now[0] > open_n or now[1] > held_kB + 4096:
            lost.append(f"run {tried_n}: {now[0] - open_n} more open, {now[1] - held_kB} kB more held")
    return tried_n, lost


# Those of kill -9 look at the same kills, which the first of them does.
ROWS: dict[str, Callable[[Path], tuple[int, list[str]]]] = {
    "kill -9: readings acknowledged before it, kept": lambda _: (_all_kills().acknowledged_n, _all_kills().lost),
    "kill -9: records that can be read": lambda _: (_all_kills().killed_n, _all_kills().corrupt),
    "kill -9: unfinished runs found at the next start": lambda _: (_all_kills().unfinished_n, _all_kills().unfound),
    "kill -9: resumed to the end, judged, sealed": lambda _: (_all_kills().unfinished_n, _all_kills().incomplete),
    "Ctrl-C after each event: resumed to the end, judged, sealed": interrupted,
    "a day of runs in one process: memory and handles flat": lambda folder: soak(folder, DAY_S),
}
