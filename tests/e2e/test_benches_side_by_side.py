"""Two benches on one computer: an instrument that is slow or dead holds up its own run, and no other."""

import os
import random
import subprocess
import sys
from itertools import pairwise

import pytest
from socket_instruments import Fault, served

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


@pytest.fixture
def two(tmp_path):
    """Two benches of instruments at sockets, each in a folder of its own; the state of the computer is shared."""
    folders = [tmp_path / name for name in ("kettle", "tank")]
    for folder in folders:
        folder.mkdir()
        (folder / "type.yaml").write_text(TYPE, encoding="utf-8")
        (folder / "sequence.yaml").write_text(SEQUENCE, encoding="utf-8")
    rng = random.Random(5)
    with (
        served(folders[0], rng, watchdog="none", is_read_back=False) as first,
        served(folders[1], rng, watchdog="none", is_read_back=False) as second,
    ):
        yield list(zip((first, second), folders, strict=True))


def begun(bench, folder, state):
    words = ["run", "sequence.yaml", "--bench", str(bench.path), "--serial", "VP-7", "--confirm", "--json"]
    return subprocess.Popen(
        [sys.executable, "-m", "sequencer", *words],
        cwd=folder,
        env=os.environ | {"LIVEZERO_STATE": str(state)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_a_dead_instrument_holds_up_its_own_run_alone(two, tmp_path):
    (sick, its_folder), (well, folder) = two
    sick.physics.fault = Fault(kind="mute", who="meter", after_s=0.3)
    runs = [begun(sick, its_folder, tmp_path / "state"), begun(well, folder, tmp_path / "state")]
    out, err = runs[1].communicate(timeout=60)
    assert runs[1].returncode == 0, err
    assert '"pass"' in out
    _, said = runs[0].communicate(timeout=120)
    assert runs[0].returncode == 3, said
    assert "meter" in said
    assert sick.physics.is_safe
    assert well.physics.is_safe
    # On the line of the other bench: from its first word to its last no pause of the dead one's time-out (1 s).
    words = sorted(at_s for each in well.instruments for at_s, _ in each.received)
    assert words[0] > 0
    assert max(after - before for before, after in pairwise(words)) < 0.9
