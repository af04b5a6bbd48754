"""A source, a unit of one line and its meters, each behind a TCP socket of its own, with words of their own.

Nothing of the simulated bench is used. An instrument does as it is told until its fault strikes; it keeps what it
received, how it stands, and what it truly measured, so that it can be asked past every line.
"""

import contextlib
import math
import random
import select
import socket
import struct
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

TIMEOUT_S = 1.0
TAKES_S = 0.01
PER_V_MA = 2.0  # the unit: 2 .. 10 V to 4 .. 20 mA, and no current without an input
_RESET = struct.pack("ii", 1, 0)

SOURCE = """\
instrument: volt giver (invented)
termination: {{write: "{end}", read: "{end}"}}
timeout: {timeout:g} s
identify: "WHO?"
{extra}
functions:
  volts:
    sets: V
    select: ["MODE V"]
    set: "V {{level:.6E}}"
    read back: "V?"
    on: ["GIVE 1"]
    off: ["GIVE 0"]
    output query: {{ask: "GIVE?", off: "NO"}}
    settling: 10 ms
    safe level: 0 V
    ranges:
      - {{range: -1 .. 12 V, resolution: 10 uV, accuracy: 0.003 % of reading + 100 uV}}
"""
METER = """\
instrument: reader (invented)
termination: {{write: "{end}", read: "{end}"}}
timeout: {timeout:g} s
identify: "WHO?"
{extra}
functions:
  reading:
    reads: {unit}
    select: ["MODE {unit}"]
    {query}
    query: "SHOW?"
    takes: {takes:g} s
    ranges:
      - {{range: -50 .. 50 {unit}, resolution: 0.000000001 {unit}, accuracy: 0.003 % of reading + 0.0001 {unit}}}
"""
STATUS = """\
clear: ["WIPE"]
prepare: ["INIT"]
ready: "DONE?"
error query: {ask: "OOPS?", none: "0"}
event status: "EV?"
"""
ACKNOWLEDGED = 'clear: []\nprepare: ["INIT"]\nacknowledge: "OK"'
BARE = 'clear: []\nprepare: ["INIT"]'
DIALECTS = {"status": STATUS, "acknowledged": ACKNOWLEDGED, "bare": BARE}

# What an answer may come to; the rest happens to the instrument, or to its line.
AT_ANSWERS = ("slow", "split", "twice", "stray", "terminator", "garbled", "half open", "dropped")
OF_LINES = ("mute", "refused")  # for good
OF_SOURCES = ("reset", "jump", "lie", "deaf")


@dataclass
class Fault:
    """What goes wrong at one instrument at an instant, once."""

    kind: str
    who: str
    after_s: float  # from the first word that any instrument of the bench received
    struck_s: float = math.nan
    at_word: str = ""

    def __str__(self) -> str:
        return f'"{self.kind}" of {self.who} after {self.after_s:.3f} s, at {self.at_word or "no word"}'


@dataclass
class Physics:
    """How the source truly stands; the unit and the meters follow."""

    level_v: float = 0.0
    is_on: bool = False
    lock: threading.RLock = field(default_factory=threading.RLock)
    began_s: float = math.nan
    last_s: float = math.nan
    fault: Fault | None = None

    @property
    def input_v(self) -> float:
        """At the terminals of the unit."""
        return self.level_v if self.is_on else 0.0

    @property
    def is_safe(self) -> bool:
        """Off, and at its safe level."""
        return not self.is_on and abs(self.level_v) < 1e-6


class Instrument:
    """One instrument behind a port.

    Args:
        name: on the bench.
        physics: of the bench.
        dialect: of DIALECTS.
        end: of a line.
        rng: for what a fault does.
        takes_one: the next client waits until the one before has gone.
    """

    unit = "V"

    def __init__(
        self, name: str, physics: Physics, *, dialect: str, end: str, rng: random.Random, takes_one: bool
    ) -> None:
        self.name, self.physics, self.dialect, self.end = name, physics, dialect, end
        self.identity = f"INVENTED,{name.upper()},{rng.randrange(10**6)},1"
        self.received: list[tuple[float, str]] = []
        self.events = 0
        self.is_mute = False
        self._rng, self._takes_one = rng, takes_one
        self._stop = threading.Event()
        self._lines: list[socket.socket] = []
        self._listener = self._listening(0)
        self.port: int = self._listener.getsockname()[1]
        self._serving = threading.Thread(target=self._serve, daemon=True)
        self._serving.start()

    @staticmethod
    def _listening(port: int) -> socket.socket:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", port))
        listener.listen(16)
        return listener

    def _serve(self) -> None:
        while not self._stop.is_set():
            listener = self._listener
            try:
                if not select.select([listener], [], [], 0.05)[0]:
                    continue
                line, _ = listener.accept()
            except (OSError, ValueError):
                time.sleep(0.02)
                continue
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._lines.append(line)
            talking = threading.Thread(target=self._talk, args=(line,), daemon=True)
            talking.start()
            if self._takes_one:
                talking.join()

    def _talk(self, line: socket.socket) -> None:
        held = b""
        with line, contextlib.suppress(OSError, ValueError):
            while not self._stop.is_set():
                if not select.select([line], [], [], 0.05)[0]:
                    continue
                if not (chunk := line.recv(4096)):
                    return
                held += chunk
                *words, held = held.split(self.end.encode())
                for word in words:
                    self._answer(line, word.decode("latin-1"))

    def _answer(self, line: socket.socket, word: str) -> None:
        with self.physics.lock:
            now_s = time.monotonic()
            if math.isnan(self.physics.began_s):
                self.physics.began_s = now_s
            self.physics.last_s = now_s
            self.received.append((now_s, word))
            kind = self._struck(word, now_s)
            reply = self.done(word)
        if kind:
            self._go_wrong(line, kind, reply)
        elif reply is not None and not self.is_mute:
            line.sendall((reply + self.end).encode())

    def _struck(self, word: str, now_s: float) -> str:
        """The kind of the fault if it strikes at this word."""
        fault = self.physics.fault
        if fault is None or fault.who != self.name or not math.isnan(fault.struck_s):
            return ""
        if now_s - self.physics.began_s < fault.after_s or (fault.kind in AT_ANSWERS and not word.endswith("?")):
            return ""
        fault.struck_s, fault.at_word = now_s, word
        self.go_astray(fault.kind)
        return fault.kind

    def go_astray(self, kind: str) -> None:
        """What a fault does to the instrument itself."""
        if kind == "mute":
            self.is_mute = True

    def _go_wrong(self, line: socket.socket, kind: str, reply: str | None) -> None:
        """What a fault does to the line and to the answer."""
        raw = ((reply or "") + self.end).encode()
        if kind == "dropped":
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
            line.close()
            raise OSError
        if kind == "refused":
            self.go()
            raise OSError
        if kind == "half open":  # it stands, and nobody reads it any more; a new line is served
            while not self._stop.is_set() and line.recv(4096):
                pass
            raise OSError
        if reply is not None and not self.is_mute:
            for pause_s, some in self._pieces(kind, raw):
                time.sleep(pause_s)
                line.sendall(some)

    def _pieces(self, kind: str, raw: bytes) -> list[tuple[float, bytes]]:
        """What comes of an answer, and after which pauses."""
        rng, end = self._rng, self.end.encode()
        if kind == "slow":
            return [(TIMEOUT_S * rng.choice([0.3, 0.7, 0.95, 1.02, 1.3, 2.0]), raw)]
        if kind == "split":
            pause_s = rng.choice([0.005, 0.03, 0.2])
            return [(pause_s, bytes([each])) for each in raw]
        if kind == "twice":
            return [(0.0, raw), (rng.choice([0.0, 0.0, 0.002, 0.02, 0.2]), raw)]
        if kind == "stray":
            foreign = rng.choice([b"0", b"1", b"NO", b"OK", b"9.99", b"+1.2345678E+01"]) + end
            return [(0.0, rng.choice([foreign + raw, raw + foreign]))]
        if kind == "terminator":
            return [(0.0, raw.removesuffix(end) + rng.choice([b"", b"\r", b";", b"\n\r", b"\0", b"\n\n"]))]
        if kind == "garbled":
            some = bytearray(raw)
            some[rng.randrange(len(some))] ^= rng.choice([0x80, 0xFF, 0x40])
            return [(0.0, bytes(some))]
        return [(0.0, raw)]

    def done(self, word: str) -> str | None:
        """Do what a word says; its answer, None = there is none."""
        if word == "EV?":
            events, self.events = self.events, 0
            return str(events)
        common = {"WHO?": self.identity, "DONE?": "1", "OOPS?": "0, all well"}
        if word in common:
            return common[word]
        if word.endswith("?"):
            return self.asked(word)
        self.told(word)
        return "OK" if self.dialect == "acknowledged" else None

    def asked(self, word: str) -> str | None:
        """The answer to a question of its own."""
        raise NotImplementedError

    def told(self, word: str) -> None:
        """A command of its own."""

    def go(self) -> None:
        """Close every line; refuse from now on."""
        self._listener.close()
        for each in self._lines:
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def come_back(self) -> None:
        """No fault any more: it answers, and obeys."""
        self.is_mute = False
        if self._listener.fileno() < 0:
            self._listener = self._listening(self.port)

    def close(self) -> None:
        """End every thread."""
        self._stop.set()
        self.go()
        self._serving.join(2)


class Source(Instrument):
    """What drives the unit."""

    def __init__(self, *args: object, **named: object) -> None:
        self._would_lie = self._lies = self._is_deaf = False
        super().__init__(*args, **named)  # type: ignore[arg-type]

    def asked(self, word: str) -> str | None:
        """Level or output; what it says, not how it stands."""
        if word == "V?":
            return f"{0.0 if self._lies else self.physics.level_v:.6E}"
        return ("NO" if self._lies or not self.physics.is_on else "YES") if word == "GIVE?" else None

    def told(self, word: str) -> None:
        """Set a level, switch on or off."""
        verb, _, number = word.partition(" ")
        if verb == "V":
            is_safe = abs(float(number)) < 1e-9
            self._lies = self._would_lie and is_safe
            if not (is_safe and (self._lies or self._is_deaf)):
                self.physics.level_v = float(number)
        elif verb == "GIVE":
            self._lies = self._would_lie and number == "0"
            self.physics.is_on = number == "1" or (self.physics.is_on and (self._lies or self._is_deaf))
        elif verb == "INIT" and not (self._lies or self._is_deaf):
            self.physics.level_v, self.physics.is_on = 0.0, False

    def go_astray(self, kind: str) -> None:
        """Reset itself; jump to another level; from now on lie of "off", or ignore it and say so."""
        super().go_astray(kind)
        if kind == "reset":
            self.physics.level_v, self.physics.is_on = 0.0, False
            self.events |= 128
        elif kind == "jump":
            self.physics.level_v = self._rng.choice([-0.5, 3.3, 7.7, 11.0])
        elif kind == "lie":
            self._would_lie = True
        elif kind == "deaf":
            self._is_deaf = True

    def come_back(self) -> None:
        """As of any instrument."""
        super().come_back()
        self._would_lie = self._is_deaf = self._lies = False

    @property
    def last_words(self) -> list[str]:
        """What it was told to do, without what moves nothing."""
        return [word for _, word in self.received if word.startswith(("V ", "GIVE ")) and not word.endswith("?")]

    @property
    def told_safe_last(self) -> bool:
        """The last words were its safe level and off; or it was told nothing else but that."""
        words = self.last_words
        levels = [float(word.split()[1]) for word in words if word.startswith("V ")]
        outputs = [word for word in words if word.startswith("GIVE ")]
        is_driven = "GIVE 1" in outputs or any(abs(level) > 1e-9 for level in levels)
        return not is_driven or (abs(levels[-1]) < 1e-9 and outputs[-1:] == ["GIVE 0"])

    @property
    def was_energised(self) -> bool:
        """It was told to give anything."""
        return any(word == "GIVE 1" for _, word in self.received)


class Meter(Instrument):
    """What reads the output of the unit, in mA, or its input, in V; no two of its readings have the same digits."""

    def __init__(self, *args: object, unit: str, **named: object) -> None:
        self.unit = unit
        self.measured: dict[str, float] = {}  # by what it showed: the volts at the input then; nan = the source was off
        super().__init__(*args, **named)  # type: ignore[arg-type]

    def asked(self, word: str) -> str | None:
        """A reading, or what is selected."""
        if word == "MODE?":
            return self.unit
        if word != "SHOW?":
            return None
        self.physics.lock.release()  # the source goes on meanwhile
        time.sleep(TAKES_S)
        self.physics.lock.acquire()
        volts = self.physics.input_v
        truth = volts if self.unit == "V" else PER_V_MA * volts
        shown = f"{truth + 1e-9 * (len(self.measured) * 7919 % 9973):+.9f}"
        self.measured[shown] = volts if self.physics.is_on else math.nan
        return shown


@dataclass
class SocketBench:
    """Instruments at their ports, and their bench file."""

    path: Path
    physics: Physics
    source: Source
    meters: dict[str, Meter]

    @property
    def instruments(self) -> list[Instrument]:
        """All of them."""
        return [self.source, *self.meters.values()]


@contextlib.contextmanager
def served(folder: Path, rng: random.Random, *, watchdog: str, is_read_back: bool) -> Iterator[SocketBench]:
    """The bench at its ports, described in a folder.

    Args:
        folder: for bench file and descriptions.
        rng: which words and line ends they have.
        watchdog: of the bench file.
        is_read_back: a second meter reads the input of the unit.
    """
    physics = Physics()
    names = {"meter": "mA", **({"monitor": "V"} if is_read_back else {})}
    made: dict[str, Instrument] = {}
    text = f"bench: instruments of their own at sockets\nwatchdog: {watchdog}\ninstruments:\n"
    for name in ("source", *names):
        dialect, end = rng.choice([*DIALECTS]), rng.choice(["\n", "\r\n"])
        given = {"dialect": dialect, "end": end, "rng": random.Random(rng.random()), "takes_one": rng.random() < 0.3}
        query = 'select query: {ask: "MODE?", reply: "' + names.get(name, "") + '"}' if rng.random() < 0.5 else ""
        shown = end.replace("\r", "\\r").replace("\n", "\\n")
        extra = DIALECTS[dialect]
        form = {"end": shown, "timeout": TIMEOUT_S, "extra": extra}
        if name == "source":
            made[name] = Source(name, physics, **given)
            written = SOURCE.format(**form)
        else:
            made[name] = Meter(name, physics, unit=names[name], **given)
            written = METER.format(**form, unit=names[name], query=query, takes=TAKES_S)
        (folder / f"{name}.yaml").write_text("\n".join(line for line in written.splitlines() if line.strip()) + "\n")
        resource = f"TCPIP::127.0.0.1::{made[name].port}::SOCKET"
        text += f'  {name}: {{description: {name}.yaml, resource: "{resource}", identity: "{name.upper()}"}}\n'
    text += f"taps:\n  input: {{set by: source{', read by: monitor' if is_read_back else ''}}}\n"
    path = folder / "bench.yaml"
    path.write_text(text + "  output: {read by: meter}\n")
    source = made.pop("source")
    assert isinstance(source, Source)
    bench = SocketBench(path, physics, source, {k: v for k, v in made.items() if isinstance(v, Meter)})
    try:
        yield bench
    finally:
        for each in bench.instruments:
            each.close()
