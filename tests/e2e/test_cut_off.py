"""kill -9, and what the next start makes of it: nothing acknowledged is lost, the bench made safe, the run resumed."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import promises_records as promises
import pytest
import pyvisa
import yaml

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kill -9 and pseudo terminals are POSIX")


def test_nothing_acknowledged_is_lost_by_kill_9(tmp_path):
    found = promises.kills(tmp_path, 6, seed=7, cycles=1)  # bench_promises.py does it some hundred times
    assert found.killed_n == 6
    assert found.acknowledged_n > 60
    assert found.unfinished_n >= 3
    assert (found.lost, found.corrupt, found.unfound, found.incomplete) == ([], [], [], [])


def test_runs_one_after_another_leave_nothing_open_and_hold_no_more(tmp_path):
    if not Path("/proc/self/status").exists():
        pytest.skip("memory held is read from /proc")
    tried, lost = promises.soak(tmp_path, 7 * 229.0, warm_n=4, points=3, cycles=1)  # s of the bench's time: 8 runs
    assert tried >= 2
    assert lost == []


@pytest.fixture
def killed(tmp_path, quick, served):
    """A run on a bench behind real sockets, killed in the middle with the output on; the bench still stands."""
    with served(quick, cwd=tmp_path, bench="quick.bench.yaml") as bench:
        command = [sys.executable, "-m", "sequencer", "run", str(quick), "--bench", str(bench), "--serial", "GF-104"]
        with subprocess.Popen(
            [*command, "--confirm", "--events"],
            cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL, text=True,
        ) as process:  # fmt: skip
            for line in process.stdout:
                if json.loads(line)["event"] == "reading":
                    break
            process.kill()
        (record,) = (tmp_path / "results").iterdir()
        yield bench, record


def output_of(bench):
    """What the source itself says of its output, asked past livezero."""
    resource = yaml.safe_load(bench.read_text())["instruments"]["source"]["resource"]
    manager = pyvisa.ResourceManager("@py")
    try:
        line = manager.open_resource(resource, read_termination="\n", write_termination="\n")
        found = float(line.query("OUTP?"))
        line.close()
    finally:
        manager.close()
    return found


def test_the_next_start_makes_the_bench_safe_and_says_what_can_be_done(killed, quick, tmp_path, livezero):
    bench, record = killed
    assert output_of(bench) == 1
    done = livezero("run", quick, "--bench", bench, "--serial", "GF-105", "--as-left", "--as-found", cwd=tmp_path)
    assert output_of(bench) == 1  # refused before anything was touched
    # Another unit on the simulated bench: the bench that was left on is seen to all the same.
    done = livezero("run", "current-isolator", "--bench", "simulated", "--serial", "LI-7", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert output_of(bench) == 0
    folder = record.relative_to(tmp_path)
    assert f"{folder}: the run of GF-104 was cut off after a reading at point 3\n" in done.stderr
    assert "source is at its safe level, 0 Hz\n" in done.stderr
    assert f"  do: livezero resume {folder}\n  or: livezero close {folder}\n" in done.stderr


def test_it_is_resumed_on_its_bench_to_a_verdict(killed, tmp_path, livezero):
    bench, record = killed
    (tmp_path / "quick.yaml").unlink()  # the record keeps what it needs
    bench.rename(tmp_path / "elsewhere.yaml")
    done = livezero("resume", record, "--confirm", "--operator", "B. Cellarman", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("PASS (SIMULATED BENCH), GF-104")  # it is served, and says so itself
    assert "resumed after" in done.stdout
    assert "B. Cellarman: exercise (preconditioning) repeated, then cycle 1 from point 3" in " ".join(
        done.stdout.split()
    )
    assert livezero("verify", record, cwd=tmp_path).returncode == 0
    assert output_of(tmp_path / "elsewhere.yaml") == 0


def test_it_is_closed_with_the_bench_made_safe(killed, tmp_path, livezero):
    bench, record = killed
    done = livezero("close", record, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "run: interrupted: cut off after a reading at point 3, and closed without" in done.stdout
    assert output_of(bench) == 0


def test_a_second_run_on_a_bench_is_told_who_holds_it(tmp_path, quick, served, livezero):
    with served(quick, cwd=tmp_path, bench="quick.bench.yaml") as bench:
        command = [sys.executable, "-m", "sequencer", "run", str(quick), "--bench", str(bench), "--serial", "GF-104"]
        with subprocess.Popen(
            [*command, "--confirm", "--events"],
            cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL, text=True,
        ) as first:  # fmt: skip
            for line in first.stdout:
                if json.loads(line)["event"] == "reading":
                    break
            first.send_signal(signal.SIGSTOP)  # it holds the bench for as long as the second takes to start
            second = livezero("run", quick, "--bench", bench, "--serial", "GF-105", "--confirm", cwd=tmp_path)
            first.kill()
    assert second.returncode == 3
    head, allowed, todo = second.stderr.splitlines()
    assert head.endswith(": quick of GF-104")
    assert f"is in use by process {first.pid} on " in head
    assert (allowed, todo) == (
        "  allowed: one run at a time on a bench",
        "  do: wait until that has ended, or stop it there with Ctrl-C",
    )
    assert len(list((tmp_path / "results").iterdir())) == 1  # nothing was begun


def test_a_follower_is_told_the_verdict_and_where_the_record_lies(tmp_path, quick, livezero):
    done = livezero("run", quick, "--bench", "quick.bench.yaml", "--serial", "GF-104", "--events", cwd=tmp_path)
    (record,) = (tmp_path / "results").iterdir()
    last = json.loads(done.stdout.splitlines()[-1])
    assert last == {"event": "judged", "result": "pass", "record": str(record.relative_to(tmp_path))}


def test_a_follower_that_goes_away_does_not_stop_the_run(tmp_path, quick, livezero):
    command = [
        sys.executable,
        "-m",
        "sequencer",
        "run",
        str(quick),
        "--bench",
        "quick.bench.yaml",
        "--serial",
        "GF-104",
    ]
    with subprocess.Popen(
        [*command, "--events"], cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert json.loads(process.stdout.readline())["event"] == "planned"
        process.stdout.close()
        err = process.stderr.read()
    assert process.returncode == 0, err
    (record,) = (tmp_path / "results").iterdir()
    assert livezero("verify", record, cwd=tmp_path).returncode == 0


@pytest.mark.parametrize("answer", ["close", "leave", "resume"])
def test_at_a_terminal_it_asks(tmp_path, quick, answer):
    import pty

    from sequencer import core

    # Killed by hand: everything behind the first reading taken off the journal, as if it had never been written.
    plan = core.plan(str(quick), str(tmp_path / "quick.bench.yaml"))
    record = core.run(plan, serial="GF-104", results=tmp_path / "results").record.folder
    lines = (record / "journal.jsonl").read_bytes().splitlines(keepends=True)
    first = next(number for number, line in enumerate(lines) if line.startswith(b'{"kind": "reading"'))
    for name in ("digest.json", "figures.json", "readings.csv", "report.html", "journal.jsonl"):
        (record / name).unlink()
    (record / "journal.jsonl").write_bytes(b"".join(lines[: first + 1]))

    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "sequencer", "run", str(quick), "--bench", str(tmp_path / "quick.bench.yaml")]
    with subprocess.Popen(
        [*command, "--serial", "GF-105"],
        cwd=tmp_path, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"COLUMNS": "80"},
    ) as process:  # fmt: skip
        os.close(theirs)
        asked = ""
        while "leave it for later" not in " ".join(asked.split()) and (letter := process.stderr.read(1)):
            asked += letter
        os.write(ours, f"{answer}\n".encode())  # what is typed before it is asked is no answer
        try:
            out, err = process.communicate(timeout=60)
        finally:
            process.kill()
        os.close(ours)
    err = asked + err
    assert "resume it, close it as interrupted, or leave it for later" in err
    assert process.returncode == 0, err
    records = sorted(path for path in (tmp_path / "results").iterdir() if path != record)
    if answer == "resume":
        assert "GF-104" in out.splitlines()[0]
        assert records == []  # no new run was begun
    else:
        assert "GF-105" in out.splitlines()[0]
        assert (record / "digest.json").exists() == (answer == "close")
        assert len(records) == 1
