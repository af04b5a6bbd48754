"""A run that is killed, stopped or hangs does not leave its source on: the process beside it makes it safe.

What counts is what the source received over real sockets, and how its output stands.
"""

import json
import signal
import subprocess
import sys
import time

import pytest
from promises_left_on import at_sockets, run_and_signal

from sequencer.jobs.watchdog import Watchdog

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGSTOP is POSIX")

# A run whose main thread hangs where Python goes on, or whose operator takes 3 s to answer.
SCRIPT = """\
import sys, time
from sequencer import core
from sequencer.running.events import ReadingTaken

def hang(event):
    if isinstance(event, ReadingTaken):
        time.sleep(1000)

class Slow:
    def ask(self, question):
        time.sleep(3)
        return "yes"

plan = core.plan(sys.argv[1], sys.argv[2])
core.run(plan, serial="GF-104", operator=Slow(), listener=hang if sys.argv[3] == "hang" else None)
"""

WITHOUT_A_GUARD = """\
import os, signal, subprocess

seen = []

def end_the_guard(event):
    if isinstance(event, ReadingTaken):
        seen.append(event)
        if len(seen) == 1:
            guards = subprocess.run(["pgrep", "-P", str(os.getpid()), "-f", "guard.py"], capture_output=True, text=True)
            os.kill(int(guards.stdout), signal.SIGKILL)
        if len(seen) == 4:
            os.kill(os.getpid(), signal.SIGKILL)
"""


def off_within(bench, most_s):
    """Seconds until the output is off."""
    began_s = time.monotonic()
    while bench.output:
        assert time.monotonic() - began_s < most_s, bench.heard
        time.sleep(0.05)
    return time.monotonic() - began_s


def said(bench):
    lines = [json.loads(line) for line in (bench.record / "journal.jsonl").read_text().splitlines()]
    return [line["text"] for line in lines if line["kind"] == "remark"]


@pytest.mark.parametrize("takes_one", [False, True], ids=["a line for all", "a line for one"])
@pytest.mark.parametrize(
    ("number", "says"),
    [
        pytest.param(signal.SIGKILL, "it was killed", id="kill -9"),
        pytest.param(signal.SIGSTOP, "it gave no sign of life for 2 s, and was killed", id="SIGSTOP"),
    ],
)
def test_a_run_that_is_gone_leaves_a_safe_source(tmp_path, quick, livezero, number, says, takes_one):
    with at_sockets(tmp_path, quick, watchdog="2 s", takes_one=takes_one) as bench:
        run_and_signal(bench, quick, number)
        off_within(bench, 15)
        told = bench.told("own")
        last_on = max(i for i, each in enumerate(told) if each == "OUTP ON")
        assert "OUTP OFF" in told[last_on:]
        assert float(bench.own.exchange("source", "SOUR:FREQ?").line) == 0
        deadline_s = time.monotonic() + 10
        while not any(says in each for each in said(bench)):
            assert time.monotonic() < deadline_s, said(bench)
            time.sleep(0.1)
        # Nothing is left to be proved, and the run can go on.
        done = livezero("plan", quick, "--bench", bench.path, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        done = livezero("resume", bench.record, "--confirm", cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        assert says in " ".join(done.stdout.split())
        assert bench.output == 0


def test_a_run_that_hangs_is_ended(tmp_path, quick):
    with at_sockets(tmp_path, quick, watchdog="1 s") as bench:
        command = [sys.executable, "-c", SCRIPT, str(quick), str(bench.path), "hang"]
        assert subprocess.run(command, cwd=tmp_path, timeout=60, check=False).returncode == -signal.SIGKILL
        off_within(bench, 15)


def test_a_guard_that_is_ended_is_started_again_and_the_record_says_so(tmp_path, quick):
    script = SCRIPT.replace("class Slow:", f"{WITHOUT_A_GUARD}\nclass Slow:").replace("=hang", "=end_the_guard")
    with at_sockets(tmp_path, quick, watchdog="2 s") as bench:
        command = [sys.executable, "-c", script, str(quick), str(bench.path), "hang"]
        assert subprocess.run(command, cwd=tmp_path, timeout=60, check=False).returncode == -signal.SIGKILL
        (bench.record,) = (tmp_path / "results").iterdir()
        off_within(bench, 15)  # the second one does what the first could not
        assert "the watchdog was ended, and is started again" in said(bench)


def test_a_guard_that_is_stopped_is_noticed_and_another_takes_its_place():
    with Watchdog({"source": "TCPIP::127.0.0.1::1::SOCKET"}, within_s=0.5, longest_s=5.0) as watchdog:
        time.sleep(1.2)  # more than twice its time: it answers
        watchdog.alive()
        assert watchdog.restarts == []
        stopped = watchdog._guard
        stopped.send_signal(signal.SIGSTOP)
        deadline_s = time.monotonic() + 10
        while not watchdog.restarts:
            assert time.monotonic() < deadline_s
            time.sleep(0.05)
            watchdog.alive()
        assert watchdog.restarts == ["did not answer for 0.5 s"]
        assert stopped.poll() == -signal.SIGKILL
        assert watchdog._guard.poll() is None
        second = watchdog._guard
    assert second.poll() == 0  # it was told that all is over


def test_who_waits_for_a_person_does_not_hang(tmp_path, quick):
    with at_sockets(tmp_path, quick, watchdog="1 s") as bench:
        command = [sys.executable, "-c", SCRIPT, str(quick), str(bench.path), "ask"]
        assert subprocess.run(command, cwd=tmp_path, timeout=60, check=False).returncode == 0
        assert bench.output == 0


def test_without_one_the_plan_says_so(tmp_path, quick, livezero):
    for watchdog, is_said in (("none", True), ("10 s", False)):
        with at_sockets(tmp_path, quick, watchdog=watchdog) as bench:
            done = livezero("plan", quick, "--bench", bench.path, cwd=tmp_path)
            assert done.returncode == 0
            assert ("no watchdog: a run that is killed or hangs" in " ".join(done.stdout.split())) == is_said
