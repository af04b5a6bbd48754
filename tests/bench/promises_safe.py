"""What is said of a source that was told to go off: promises tried at each reading of a run, on the simulated bench.

Whether the output is on is taken from the simulated source itself, past all that it says. Used by bench_promises.py,
and by tests/unit.
"""

import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

import injection

import instruments.bench
from instruments.benchfile import load_bench
from instruments.description import DESCRIPTIONS
from sequencer import core
from sequencer.inputs.files import load_sequence
from sequencer.jobs.drive import RunResult
from sequencer.planning.plan import Plan, plan
from sequencer.reports.terminal import summary
from sequencer.running.events import MadeSafe, ReadingTaken

# Input of the unit, its lowest level that counts as apart from the safe one of 0, and what the source is sent.
KINDS = {"0 .. 10 V, limits: 0 .. 12 V": (1.0, "SOUR:VOLT"), "4 .. 20 mA, limits: 0 .. 22 mA": (1.6, "SOUR:CURR")}
ASKED = (
    '    read back: "SOUR:VOLT?"\n', '    read back: "SOUR:CURR?"\n', '    output query: {ask: "OUTP?"}\n',
    'event status: "*ESR?"\n',
)  # fmt: skip


class Deaf:
    """A source that ignores what it is told from a moment on; asked, it says what it was told.

    Args:
        device: the simulated source, whose messages go through here from now on.
        verb: with which its level is set and asked.
        until_n: it hears again after so many commands.
    """

    def __init__(self, device: Any, verb: str, *, until_n: int = 10**6) -> None:
        self._handle, self._verb, self._left_n = device.handle, verb, until_n
        self._told = {f"{verb}?": "0", "OUTP?": "0"}
        self.is_deaf = False
        device.handle = self.handle

    def handle(self, message: str) -> str | None:
        """As of the source."""
        if not self.is_deaf or not message.startswith((self._verb, "OUTP")):
            return self.truly(message)
        if "?" in message:
            return self._told[message]
        self._left_n -= 1
        if self._left_n < 0:
            return self.truly(message)
        if message.startswith(f"{self._verb} "):
            self._told[f"{self._verb}?"] = message.split()[1]
        return None

    def truly(self, message: str) -> str | None:
        """What the source itself says, or does."""
        found: str | None = self._handle(message)
        return found


@dataclass
class Stopped:
    """A run that was stopped at a reading, and what is to be known of it."""

    result: RunResult
    source: Deaf
    told: list[object] = field(default_factory=list)
    levels: list[float] = field(default_factory=list)  # as commanded at each reading of the input, the last one last

    @property
    def said(self) -> str:
        """All that was said of how it ended."""
        safe = " ".join(str(each) for each in self.told if isinstance(each, MadeSafe) and each.is_proved)
        error = self.result.outcome.error
        return f"{summary(self.result.record.content, width=80, colour=False)} {safe} {error}"


def planned(folder: Path, kind: str, *, is_mute: bool = False, is_read: bool = True) -> Plan:
    """A short run; its source cannot be asked if `is_mute`, another instrument reads its tap if `is_read`."""
    folder.mkdir(exist_ok=True)
    text = (DESCRIPTIONS / "generic-scpi-source.yaml").read_text(encoding="utf-8")
    for asked in ASKED if is_mute else ():
        text = text.replace(asked, "")
    (folder / "own.yaml").write_text(text, encoding="utf-8")
    bench = injection.BENCH.replace("{description: generic-scpi-source", "{description: own.yaml")
    (folder / "bench.yaml").write_text(bench if is_read else bench.replace(", read by: reference", ""))
    (folder / "short.type.yaml").write_text(injection.TYPE.replace("0 .. 1000 Hz, limits: 0 .. 1200 Hz", kind))
    (folder / "short.yaml").write_text(injection.SEQUENCE.replace("POINTS", "5"))
    return plan(load_sequence(str(folder / "short.yaml")), load_bench(folder / "bench.yaml"))


def stopped(folder: Path, plan_: Plan, verb: str, *, at: int, is_deaf: bool, until_n: int = 10**6) -> Stopped:
    """Ctrl-C at a reading, from 1; from then on the source may be deaf."""
    original, made = instruments.bench.simulated_bench, []
    told: list[object] = []
    levels: list[float] = []

    def with_deaf(*args: Any, **more: Any) -> Any:
        bench = original(*args, **more)
        made.append(Deaf(bench._devices["source"], verb, until_n=until_n))
        return bench

    def listen(event: object) -> None:
        told.append(event)
        if isinstance(event, ReadingTaken):
            levels.append(event.point.value)
            if len(levels) == at:
                made[0].is_deaf = is_deaf
                signal.raise_signal(signal.SIGINT)

    with mock.patch.object(instruments.bench, "simulated_bench", with_deaf):
        result = core.run(plan_, serial="S-1", results=folder, listener=listen)
    return Stopped(result=result, source=made[0], told=told, levels=levels[:at])


def _each(folder: Path, *, is_deaf: bool, is_mute: bool, is_read: bool) -> list[tuple[str, float, Stopped]]:
    found = []
    for kind, (apart, verb) in KINDS.items():
        plan_ = planned(folder / "files", kind, is_mute=is_mute, is_read=is_read)
        readings_n = sum(point.setpoint.is_read for point in plan_.points) * (1 + is_read)
        for at in range(1, readings_n + 1):
            done = stopped(folder / "results", plan_, verb, at=at, is_deaf=is_deaf)
            found.append((f"{kind[:9]}, reading {at}", apart, done))
    return found


def found_out(folder: Path) -> tuple[int, list[str]]:
    """A source that ignores "off" and says that it obeyed, another instrument at its tap.

    Returns:
        How often it stood at a level apart from the safe one, three others having been read; and where that was not
        found out, with exit code 4.
    """
    tried_n, lost = 0, []
    for name, apart, done in _each(folder, is_deaf=True, is_mute=False, is_read=True):
        if len(set(done.levels[:-1])) < 3 or abs(done.levels[-1]) < apart:
            continue
        tried_n += 1
        if done.result.exit_code != 4 or done.source.truly("OUTP?") != "1":
            lost.append(f"{name}: exit {done.result.exit_code}, {done.result.outcome.reason}")
    return tried_n, lost


def no_alarm(folder: Path) -> tuple[int, list[str]]:
    """A source that goes off: how often it was tried, and where the other instrument alarmed all the same."""
    found = _each(folder, is_deaf=False, is_mute=False, is_read=True)
    return len(found), [f"{name}: {each.result.outcome.reason}" for name, _, each in found if _is_wrong(each)]


def _is_wrong(done: Stopped) -> bool:
    return done.result.exit_code != 130 or done.source.truly("OUTP?") != "0"


def told_only(folder: Path) -> tuple[int, list[str]]:
    """A source that loses "off" and cannot be asked, alone at its tap: how often, and where it was said to be safe."""
    found = _each(folder, is_deaf=True, is_mute=True, is_read=False)
    words = ("outputs are safe", "source is at its safe level", "MadeSafe")
    return len(found), [f"{name}: {word}" for name, _, each in found for word in words if word in each.said]


ROWS: dict[str, Callable[[Path], tuple[int, list[str]]]] = {
    "off ignored, a second instrument at the tap: found out": found_out,
    "off obeyed, a second instrument at the tap: no alarm": no_alarm,
    "off lost, nothing to ask: never said to be safe": told_only,
}
