"""A driver of an installed package: an instrument of binary frames with a checksum, which no description can say."""

import json
import os
import socket
import struct
import threading

import forked
import pytest

MODULE = '''
import re
import socket
import struct

from instruments.errors import InstrumentError, NoReplyError
from instruments.roles import Sample
from instruments.units import magnitude


class Box:
    """Frames: length, a letter, a float64, and the XOR of all that."""

    def __init__(self, resource, *, description, clock):
        host, _, port = resource.rpartition(":")
        self.clock, self.description = clock, description
        self.line = socket.create_connection((host, int(port)), timeout=description.timeout)

    def ask(self, letter, number=0.0):
        body = struct.pack(">Bcd", 9, letter, number)
        check = 0
        for each in body:
            check ^= each
        self.line.sendall(body + bytes([check]))
        reply = b""
        while len(reply) < 11:
            try:
                part = self.line.recv(11 - len(reply))
            except OSError as error:
                raise NoReplyError("no frame in time", where="box", command=letter.decode()) from error
            if not part:
                raise NoReplyError("no frame", where="box", command=letter.decode())
            reply += part
        check = 0
        for each in reply[:-1]:
            check ^= each
        if check != reply[-1]:
            raise InstrumentError("a frame with a wrong checksum", where="box")
        return struct.unpack(">Bcdx", reply)[2]

    def identify(self):
        return f"INVENTED,BOX,{self.ask(b'I'):.0f},1"

    def source(self, function, *, safe_level):
        return Source(self, function, safe_level)

    def receiver(self, function):
        return Receiver(self, function)

    def close(self):
        self.line.close()


class Source:
    is_keyed = False
    proves_safe = True
    went_off = False
    name = "box"

    def __init__(self, box, function, safe_level):
        self.box, self.function, self.safe_level = box, function, safe_level

    def select(self, entry):
        pass

    def energise(self):
        self.box.ask(b"O", 1.0)

    def set(self, level):
        self.box.ask(b"S", magnitude(level, "Hz"))

    def wait_stable(self, look):
        return False

    def make_safe(self):
        self.box.ask(b"S", magnitude(self.safe_level, "Hz"))
        self.box.ask(b"O", 0.0)
        if self.box.ask(b"?") != 0.0:
            raise InstrumentError("is still on", where="box")

    def tell_off(self):
        self.box.ask(b"O", 0.0)

    def check(self, *, closely=False):
        pass

    def recover(self):
        return False


class Receiver:
    is_keyed = False
    name = "box"

    def __init__(self, box, function):
        self.box, self.function = box, function

    def select(self, entry, unit):
        self.unit = unit

    def read(self, *, expected=None, doubt=None):
        value = self.box.ask(b"R")
        return Sample(value, self.box.clock.now(), repr(value))

    def check(self):
        pass

    def take_correction(self):
        return None

    def wider(self):
        return None

    def recover(self):
        pass
'''
FILES = {
    "box.yaml": """\
instrument: box of binary frames (invented)
driver: brewhouse box
timeout: 2 s
functions:
  rate:
    sets: Hz
    safe level: 0 Hz
    ranges: [{range: 0 .. 1500 Hz, resolution: 1 mHz, accuracy: 0.002 % of reading + 1 mHz}]
  current:
    reads: mA
    ranges: [{range: 0 .. 24 mA, resolution: 0.1 uA, accuracy: 0.005 % of reading + 0.2 uA}]
""",
    "own.yaml": """\
sequence: a box with a driver
type sheet: own.type.yaml
settled within: 10 %
cautions: [none here]
steps:
  - traverse: {points: 3, cycles: 1, readings: 2}
""",
    "own.type.yaml": """\
type: glycol flow converter (invented)
input: {range: 0 .. 1000 Hz}
output: {range: 4 .. 20 mA}
characteristic: linear
tolerance: 0.2 % of span
time constant: 10 ms
settling: {minimum: 50 ms, maximum: 5 s}
""",
}


class Instrument:
    """The box itself, and a unit that makes 4 to 20 mA of 0 to 1000 Hz at once."""

    def __init__(self):
        self.rate_hz, self.is_on, self.frames, self.levels = 0.0, False, [], []
        self.is_broken = False
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                line, _ = self._listener.accept()
            except OSError:
                return
            with line:
                while len(frame := line.recv(11, socket.MSG_WAITALL)) == 11:
                    line.sendall(self._answer(frame))

    def _answer(self, frame):
        _, letter, number = struct.unpack(">Bcdx", frame)
        self.frames.append(letter)
        if letter == b"S":
            self.rate_hz = number
            self.levels.append(number)
        elif letter == b"O":
            self.is_on = number == 1.0
        found = {b"I": 77.0, b"?": float(self.is_on), b"R": 4 + 16 * self.rate_hz * self.is_on / 1000}
        body = struct.pack(">Bcd", 9, letter, found.get(letter, number))
        check = 0
        for each in body:
            check ^= each
        return body + bytes([check ^ (self.is_broken and letter == b"R")])

    def close(self):
        self._listener.close()


@pytest.fixture
def box():
    found = Instrument()
    yield found
    found.close()


@pytest.fixture
def livezero(tmp_path, box):
    def run(*arguments, points="brewhouse box = brewhouse_box:Box", limits="0 .. 1200 Hz"):
        info = tmp_path / "site" / "brewhouse_box-1.0.dist-info"
        info.mkdir(parents=True, exist_ok=True)
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: brewhouse-box\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text(f"[livezero.drivers]\n{points}\n" if points else "")
        (tmp_path / "site" / "brewhouse_box.py").write_text(MODULE)
        for name, text in FILES.items():
            (tmp_path / name).write_text(text)
        (tmp_path / "own.bench.yaml").write_text(
            "bench: a box with a driver\nwatchdog: none\ninstruments:\n"
            f'  box: {{description: box.yaml, resource: "127.0.0.1:{box.port}", limits: {limits}, identity: "X,77"}}\n'
            "taps: {input: {set by: box}, output: {read by: box}}\n"
        )
        state = tmp_path / "state"
        env = {**os.environ, "PYTHONPATH": str(tmp_path / "site"), "LIVEZERO_STATE": str(state)}
        return forked.run(arguments, cwd=tmp_path, env=env, timeout_s=120)

    return run


RUN = ("run", "own.yaml", "--bench", "own.bench.yaml", "--serial", "GF-104", "--confirm", "--json")


def test_it_sets_and_reads_like_any_other_and_is_left_safe(livezero, box, tmp_path):
    checked = livezero("bench", "check", "own.bench.yaml")
    assert checked.returncode == 0, checked.stderr
    assert "INVENTED,BOX,77,1" in checked.stdout
    assert "rate: at its safe level of 0 Hz" in checked.stdout
    ran = livezero(*RUN)
    assert ran.returncode == 0, ran.stderr
    assert json.loads(ran.stdout)["verdict"]["result"] == "pass"
    assert {0.0, 500.0, 1000.0} <= set(box.levels)
    assert (box.is_on, box.rate_hz) == (False, 0.0)
    assert not [*(tmp_path / "state").glob("**/not-proved-safe/*.json")]


def test_what_is_outside_the_limits_does_not_reach_the_driver(livezero, box):
    refused = livezero(*RUN, limits="0 .. 900 Hz")
    assert refused.returncode in {2, 3}, refused.stdout
    assert not [each for each in box.levels if each > 900]


def test_what_a_driver_raises_is_a_fault_of_its_instrument_and_everything_is_safe(livezero, box):
    box.is_broken = True
    failed = livezero(*RUN)
    assert failed.returncode == 3, failed.stdout
    assert "a frame with a wrong checksum" in failed.stderr
    assert "Traceback" not in failed.stderr
    assert (box.is_on, box.rate_hz) == (False, 0.0)


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ("", 'no installed package has a driver "brewhouse box"'),
        ("brewhouse bax = brewhouse_box:Box", 'do: write "brewhouse bax"'),
        ("brewhouse box = brewhouse_box:Missing", 'the driver "brewhouse box" cannot be used: AttributeError'),
    ],
)
def test_one_that_cannot_be_used_is_told(livezero, points, says):
    refused = livezero(*RUN, points=points)
    assert refused.returncode == 2, refused.stderr
    assert says in refused.stderr
    assert "Traceback" not in refused.stderr
