"""From a fault to "safe level, off", over sockets in real time: what the source received, and when, is the judge."""

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeAlias

from instruments.clock import RealClock
from instruments.description import DESCRIPTIONS
from instruments.errors import UnsafeError
from instruments.simulated.bench import Mishap, Reply, SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.server import serve
from sequencer import core

Found: TypeAlias = tuple[int, list[str]]

TYPE = """\
type: quick pulse rate converter (invented)
input: {range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
time constant: 5 ms
settling: {minimum: 20 ms, maximum: 1 s}
"""
SEQUENCE = """\
sequence: quick acceptance
type sheet: quick.type.yaml
cautions: [The unit is on the bench.]
settled within: 20 %
steps:
  - traverse: {points: 3, cycles: 1, readings: 2}
"""
BENCH = """\
bench: two instruments by socket
instruments:
  source: {{description: quick-source.yaml, resource: "{source}", identity: SIMULATED SOURCE}}
  meter: {{description: quick-meter.yaml, resource: "{meter}", identity: SIMULATED METER}}
taps:
  input: {{set by: source}}
  output: {{read by: meter}}
"""
WIRED = tuple(
    SimulatedInstrument(name=name, resource="unused", identity=f"LIVEZERO,SIMULATED {name.upper()},0,0.1", **tap)
    for name, tap in (
        ("source", {"sets": "input"}),
        ("meter", {"reads": "output"}),
    )
)
LEVEL, OFF = "SOUR:FREQ 0.0000000E+00", "OUTP OFF"
ONCE_MORE_S = 0.4  # what is no reading is asked for again, three times in all, before the reader is given up
PROMISED_S = 1.0  # and one time-out of the source


class LoggedBench(SimulatedBench):
    """Keeps what each instrument received, and when."""

    log: list[tuple[float, str, str]]

    def exchange(self, name: str, message: str) -> Reply:
        """As the bench; what is received is kept before it is obeyed."""
        self.log.append((time.monotonic(), name, message))
        return super().exchange(name, message)


class Person:
    """Confirms whatever is asked."""

    def ask(self, question: object) -> str:
        """Yes."""
        del question
        return "yes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """A run with one thing gone wrong, as the source saw it.

    Attributes:
        status: how it ended.
        reaction_s: from the message at which it went wrong to "off" at the source; infinity if that never came.
        last: commands to the source.
        is_off: its output, past all lines.
    """

    status: str
    reaction_s: float
    last: tuple[str, ...]
    is_off: bool


def ran(folder: Path, mishap: Mishap, *, timeout_s: float, meter_s: float = 0.0) -> Ran:
    """Run with that mishap, the meter with a time-out of its own; with nothing due in the whole run reaction is 0."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, own_s in (("source", timeout_s), ("meter", meter_s or timeout_s)):
        text = (DESCRIPTIONS / f"generic-scpi-{name}.yaml").read_text(encoding="utf-8")
        text = text.replace("timeout: 5 s", f"timeout: {own_s} s")
        (folder / f"quick-{name}.yaml").write_text(text, encoding="utf-8")
    (folder / "quick.type.yaml").write_text(TYPE, encoding="utf-8")
    (folder / "quick.yaml").write_text(SEQUENCE, encoding="utf-8")
    sequence, bench = folder / "quick.yaml", folder / "quick.bench.yaml"
    simulated = LoggedBench(core.load(sequence).sheet.datasheet(), WIRED, clock=RealClock(), mishaps=[mishap])
    simulated.log = []
    status = "not safe"
    with serve(simulated) as served, contextlib.suppress(UnsafeError):
        bench.write_text(BENCH.format(**served.resources), encoding="utf-8")
        planned = core.plan(sequence, bench)
        status = core.run(planned, serial="GF-104", results=folder / "results", operator=Person()).outcome.status
    log = list(simulated.log)
    off = [simulated.exchange("source", ask).line for ask in ("OUTP?", "SOUR:FREQ?")]
    own = [at_s for at_s, name, _ in log if name == mishap.instrument]
    reaction_s = 0.0
    if len(own) >= mishap.at_exchange:
        struck_s = own[mishap.at_exchange - 1]
        offs = (at_s for at_s, name, message in log if name == "source" and message == OFF and at_s > struck_s)
        reaction_s = next(offs, float("inf")) - struck_s
    commands = tuple(message for _, name, message in log if name == "source" and "?" not in message)
    return Ran(
        status=status,
        reaction_s=reaction_s,
        last=commands[-2:],
        is_off=mishap.times_n > 1 or all(float(each or b"nan") == 0 for each in off),
    )


CASES: dict[str, tuple[str, int]] = {
    "silent": ("time-out", 100_000),
    "dropped": ("dropped", 1),
    "garbled": ("garbled", 100_000),
    "late": ("late", 1),
}


def reacted(
    case: str,
    folder: Path,
    *,
    timeout_s: float = 1.0,
    meter_s: float = 0.0,
    instruments: tuple[str, ...] = ("source", "meter"),
    places: tuple[int, ...] = (22, 30, 38),
) -> Found:
    """A case at each instrument, at some of its messages: "off" is received in time, and is the last word."""
    kind, times_n = CASES[case]
    tried_n, lost = 0, []
    for instrument in instruments:
        for place in places:
            mishap = Mishap(
                kind=kind, instrument=instrument, at_exchange=place, times_n=times_n, late_s=1.5 * timeout_s
            )  # type: ignore[arg-type]
            found = ran(folder / f"{instrument}-{place}", mishap, timeout_s=timeout_s, meter_s=meter_s)
            tried_n += 1
            where = f"{instrument} {case} at its message {place}"
            if not 0 < found.reaction_s <= PROMISED_S + timeout_s:
                lost.append(f"{where}: off after {found.reaction_s:.2f} s")
            if found.last != (LEVEL, OFF) or not found.is_off:
                lost.append(f"{where}: its last words were {found.last}")
            print(f"{where}: {found.status}, off after {found.reaction_s:.2f} s")
    return tried_n, lost


ROWS: dict[str, Callable[[Path], Found]] = {
    f"reaction: an instrument {case}, over sockets": partial(reacted, case) for case in CASES
} | {
    "reaction: an instrument silent, with its time-out of 5 s": partial(reacted, "silent", timeout_s=5.0, places=(30,)),
    "reaction: a patient meter silent, with a time-out of 5 s": partial(
        reacted, "silent", meter_s=5.0, instruments=("meter",)
    ),
}
