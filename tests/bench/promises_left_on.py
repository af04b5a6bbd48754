"""A bench that a killed run left on: said first by every command, ended with 4, made safe by its own source alone.

Real sockets: the instruments stay, as on a bench, while what answers at the address of the source changes. Used by
bench_promises.py, and by tests/e2e.
"""

import contextlib
import json
import os
import random
import re
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import promises_records

from instruments.clock import RealClock
from instruments.datasheet import DataSheet
from instruments.description import DESCRIPTIONS
from instruments.simulated.bench import Reply, SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.server import serve
from sequencer import core

KILLS_N = 8
BENCH = """\
bench: two instruments by socket
watchdog: {watchdog}
instruments:
  source: {{description: quick-source.yaml, resource: "{source}", identity: SOURCE}}
  meter: {{description: quick-meter.yaml, resource: "{meter}", identity: SIMULATED METER}}
taps:
  input: {{set by: source}}
  output: {{read by: meter}}
"""
OWN = "LIVEZERO,SIMULATED SOURCE,0,0.1"
OTHER = "LIVEZERO,SIMULATED SOURCE,4711,0.1"  # of the same kind, by its serial another one
NOT_PROVED = re.compile(r"source \(TCPIP::127\.0\.0\.1::\d+::SOCKET\): NOT proved safe since .* \(run of GF-104\)")


class Address:
    """A TCP port whose listener passes what comes to an instrument, or is not there (`to` None): refused."""

    def __init__(self, to: int, *, takes_one: bool = False) -> None:
        self._takes_one = takes_one  # the next client waits until the one before is gone
        self._stop = threading.Event()
        self._listener = self._listening(0)
        self.port: int = self._listener.getsockname()[1]
        self._begin(to)

    @staticmethod
    def _listening(port: int) -> socket.socket:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", port))
        listener.listen()
        listener.settimeout(0.05)
        return listener

    def _begin(self, to: int) -> None:
        self._stop = threading.Event()
        self._serving = threading.Thread(target=self._serve, args=(self._listener, to))
        self._serving.start()

    def lead_to(self, to: int | None) -> None:
        """Close every connection; from now on pass what comes to another port, or refuse it."""
        self.close()
        if to is not None:
            self._listener = self._listening(self.port)
            self._begin(to)

    def _serve(self, listener: socket.socket, to: int) -> None:
        threads = []
        while not self._stop.is_set():
            try:
                line, _ = listener.accept()
            except TimeoutError:
                continue
            threads.append(threading.Thread(target=self._pass_on, args=(line, to)))
            threads[-1].start()
            if self._takes_one:
                threads[-1].join()
        for each in threads:
            each.join()

    def _pass_on(self, line: socket.socket, to: int) -> None:
        with line, socket.create_connection(("127.0.0.1", to)) as onwards:
            while not self._stop.is_set():
                for each in select.select([line, onwards], [], [], 0.05)[0]:
                    try:
                        data = each.recv(4096)
                    except ConnectionError:
                        data = b""
                    if not data:
                        return
                    (onwards if each is line else line).sendall(data)

    def close(self) -> None:
        """Close every connection; refuse from now on."""
        self._stop.set()
        self._serving.join()
        self._listener.close()


class Listening(SimulatedBench):
    """Keeps what its source receives, in order."""

    def __init__(self, sheet: DataSheet, identity: str, which: str, heard_here: list[tuple[str, str]]) -> None:
        meter = "LIVEZERO,SIMULATED METER,0,0.1"
        wired = (
            SimulatedInstrument(name="source", resource="unused", identity=identity, sets="input"),
            SimulatedInstrument(name="meter", resource="unused", identity=meter, reads="output"),
        )
        super().__init__(sheet, wired, clock=RealClock())
        self._which, self._heard_here = which, heard_here

    def exchange(self, name: str, message: str) -> Reply:
        """As of any simulated bench."""
        if name == "source":
            self._heard_here.append((self._which, message))
        return super().exchange(name, message)


class Bench:
    """A source that a killed run left on, another one of its kind, and the address at which either answers."""

    here: Callable[[], None]
    gone: Callable[[], None]
    swapped: Callable[[], None]
    record: Path

    def __init__(self, folder: Path, sheet: DataSheet) -> None:
        self.folder, self.path = folder, folder / "served.yaml"
        self.heard: list[tuple[str, str]] = []  # (which source, message), both sources in order
        self.own = Listening(sheet, OWN, "own", self.heard)
        self.other = Listening(sheet, OTHER, "other", self.heard)

    @property
    def output(self) -> float:
        """Whether the source that was left on is on now, asked past every line."""
        kept = list(self.heard)
        found = float(self.own.exchange("source", "OUTP?").line or b"nan")
        self.heard[:] = kept
        return found

    def told(self, which: str) -> list[str]:
        """What a source received beyond questions since `heard` was cleared."""
        return [message for name, message in self.heard if name == which and "?" not in message]


@contextlib.contextmanager
def at_sockets(folder: Path, sequence: Path, *, watchdog: str = "none", takes_one: bool = False) -> Iterator[Bench]:
    """The bench at its addresses, nothing driven yet."""
    for name in ("source", "meter"):
        text = (DESCRIPTIONS / f"generic-scpi-{name}.yaml").read_text(encoding="utf-8")
        limit = "timeout: 400 ms" if name == "source" else "timeout: 5 s"
        (folder / f"quick-{name}.yaml").write_text(text.replace("timeout: 5 s", limit), encoding="utf-8")
    bench = Bench(folder, core.load(sequence).sheet.datasheet())
    with serve(bench.own) as own, serve(bench.other) as other:
        address = Address(own.ports["source"], takes_one=takes_one)
        try:
            bench.here = lambda: address.lead_to(own.ports["source"])
            bench.gone = lambda: address.lead_to(None)
            bench.swapped = lambda: address.lead_to(other.ports["source"])
            source = f"TCPIP::127.0.0.1::{address.port}::SOCKET"
            text = BENCH.format(source=source, meter=own.resources["meter"], watchdog=watchdog)
            bench.path.write_text(text, encoding="utf-8")
            yield bench
        finally:
            address.close()


@contextlib.contextmanager
def killed(folder: Path, sequence: Path, *, readings_n: int = 1) -> Iterator[Bench]:
    """A run over real sockets, killed with kill -9 after so many readings, while the output of its source is on."""
    with at_sockets(folder, sequence) as bench:
        run_and_signal(bench, sequence, signal.SIGKILL, readings_n=readings_n)
        assert bench.output == 1
        bench.heard.clear()
        yield bench


def run_and_signal(bench: Bench, sequence: Path, number: int, *, readings_n: int = 1) -> None:
    """Run, and after so many readings send the process a signal; returns when it is gone, whoever ended it."""
    command = [sys.executable, "-m", "sequencer", "run", str(sequence), "--bench", str(bench.path)]
    with subprocess.Popen(
        [*command, "--serial", "GF-104", "--confirm", "--events"],
        cwd=bench.folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        stdin=subprocess.DEVNULL,
        text=True,
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            readings_n -= json.loads(line)["event"] == "reading"
            if readings_n <= 0:
                break
        process.send_signal(number)
    (bench.record,) = (bench.folder / "results").iterdir()


def commands(bench: Bench, sequence: Path) -> dict[str, tuple[object, ...]]:
    """Every command that is to do with a bench."""
    run = ("run", sequence, "--bench", bench.path, "--serial", "GF-105", "--confirm")
    return {
        "resume": ("resume", bench.record, "--confirm"),
        "run": run,
        "run elsewhere": (*run, "--results", bench.folder / "other"),
        "bench check": ("bench", "check", bench.path),
        "plan": ("plan", sequence, "--bench", bench.path),
        "close": ("close", bench.record),
    }


def left_on(_: Path) -> tuple[int, list[str]]:
    """Runs killed at random readings; then, while another answers or none does, commands at random; then its own again.

    Returns:
        How many commands were started on a bench that was left on; and those that did not say so first, end with 4, and
        keep quiet towards another instrument, or that did not make it safe once it was back.
    """
    rng = random.Random(1)
    tried_n, lost = 0, []
    for kill in range(1, KILLS_N + 1):
        with tempfile.TemporaryDirectory() as name:
            folder, sequence = _fresh(name)
            with killed(folder, sequence, readings_n=rng.randint(1, 15)) as bench:
                what = rng.choice(["gone", "swapped"])
                getattr(bench, what)()
                some = commands(bench, sequence)
                for each in rng.sample([*some], 2):  # a close seals: what is after it is tried on a sealed record
                    tried_n += 1
                    lost += [f"kill {kill}, {what}, {each}: {wrong}" for wrong in _wrong(bench, some[each], each)]
                bench.here()
                tried_n += 1
                done = _started(some["bench check"], folder)
                if done.returncode or bench.output or not NOT_PROVED.match(done.stderr):
                    lost.append(f"kill {kill}, back again: exit {done.returncode}, output {bench.output:g}")
    return tried_n, lost


def _fresh(name: str) -> tuple[Path, Path]:
    """A folder, in which nothing is known of any bench, and a sequence of 15 readings in it."""
    folder = Path(name)
    os.environ["LIVEZERO_STATE"] = str(folder / "state")
    return folder, promises_records.written(
        folder, "quick", time_constant="20 ms", minimum="80 ms", cycles=1, points=5, readings=2
    )


def guarded(_: Path) -> tuple[int, list[str]]:
    """Runs under a watchdog of 1 s, killed or stopped at random readings: the source is off within 15 s of it."""
    rng = random.Random(8)
    lost = []
    for kill in range(KILLS_N):
        with tempfile.TemporaryDirectory() as name:
            folder, sequence = _fresh(name)
            with at_sockets(folder, sequence, watchdog="1 s", takes_one=rng.random() < 0.5) as bench:
                number = rng.choice([signal.SIGKILL, signal.SIGSTOP])
                run_and_signal(bench, sequence, number, readings_n=rng.randint(1, 15))
                clock = RealClock()
                until_s = clock.now() + 15
                while bench.output and clock.now() < until_s:
                    clock.sleep(0.1)
                if bench.output:
                    lost.append(f"kill {kill}, {number.name}: the output is on")
    return KILLS_N, lost


def _wrong(bench: Bench, command: tuple[object, ...], name: str) -> list[str]:
    done = _started(command, bench.folder)
    is_over = name == "resume" and (bench.record / "digest.json").exists()  # of a sealed record: nothing is driven
    wrong = [] if done.returncode == (2 if is_over else 4) else [f"exit {done.returncode}"]
    wrong += [] if is_over or NOT_PROVED.match(done.stderr) else [f"said first: {done.stderr[:80]}"]
    wrong += [f"another was told {message}" for message in bench.told("other")]
    return wrong if bench.output == 1 else [*wrong, "was switched off by another command"]


def _started(command: tuple[object, ...], folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "sequencer", *map(str, command)],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


ROWS: dict[str, Callable[[Path], tuple[int, list[str]]]] = {
    "kill -9 while energised: not proved safe, said first, ended with 4": left_on,
    "kill -9 or SIGSTOP while energised: made safe by the watchdog": guarded,
}
