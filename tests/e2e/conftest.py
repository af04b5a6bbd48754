import contextlib
import json
import os
import subprocess
import sys

import forked
import pytest

QUICK_TYPE = """\
type: quick pulse rate converter (invented)
input: {range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
time constant: 20 ms
settling: {minimum: 80 ms, maximum: 3 s}
"""
QUICK_SEQUENCE = """\
sequence: quick acceptance of a pulse rate converter
type sheet: quick.type.yaml
cautions:
  - The unit is on the bench and its loop is connected to nothing else.
settled within: 20 %
steps:
  - exercise: {cycles: 1}
  - traverse: {points: 5, cycles: 1, readings: 2}
"""
QUICK_BENCH = """\
bench: simulated bench without a reference meter
backend: simulated
simulation: {seed: 11}
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET", identity: SIMULATED SOURCE}
  meter: {description: generic-scpi-meter, resource: "TCPIP::127.0.0.1::2::SOCKET", identity: SIMULATED METER}
taps:
  input: {set by: source}
  output: {read by: meter}
"""


def _livezero(*arguments, cwd, answers="", timeout_s=120):
    """The command in a process of its own."""
    env = os.environ | {"COLUMNS": "80", "PYTHONIOENCODING": "utf-8"}
    return forked.run(arguments, cwd=cwd, answers=answers, env=env, timeout_s=timeout_s)


@contextlib.contextmanager
def _served(sequence, *, cwd, faults=(), bench="simulated"):
    """A simulated bench behind real sockets in another process; the bench file that uses it."""
    path = cwd / "served.yaml"
    command = [sys.executable, "-m", "sequencer", "bench", "simulate", str(sequence), "--bench", bench]
    command += ["--write", str(path), "--json", "--seed", "11"]
    for fault in faults:
        command += ["--fault", fault]
    with subprocess.Popen(command, cwd=cwd, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            text = ""
            for line in process.stdout:
                text += line
                if line == "}\n":
                    break
            assert text, process.stderr.read() if process.stderr else ""
            json.loads(text)
            yield path
        finally:
            process.terminate()
            process.communicate(timeout=20)


@pytest.fixture(autouse=True)
def _state_of_this_test(tmp_path, monkeypatch):
    """A port is used again, by another bench: what one test left on must not be found by the next."""
    monkeypatch.setenv("LIVEZERO_STATE", str(tmp_path / "state"))


@pytest.fixture
def livezero():
    return _livezero


@pytest.fixture
def served():
    return _served


@pytest.fixture
def quick(tmp_path):
    """A short sequence of a fast unit, for real time."""
    (tmp_path / "quick.type.yaml").write_text(QUICK_TYPE)
    (tmp_path / "quick.bench.yaml").write_text(QUICK_BENCH)
    path = tmp_path / "quick.yaml"
    path.write_text(QUICK_SEQUENCE)
    return path
