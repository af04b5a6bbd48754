"""A bench that was left energised stays "not proved safe" until its own source, or a person by name, says otherwise.

What counts is what each instrument received, and how its output stands.
"""

import json
import signal
import subprocess
import sys

import forked
import pytest
from promises_left_on import NOT_PROVED, commands, killed

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is POSIX")

BY_NAME = "A. Brewer: source switched off at its mains, taken to repair"


@pytest.fixture
def left_on(tmp_path, quick):
    """A run over real sockets, killed with kill -9 while the output of its source is on."""
    with killed(tmp_path, quick) as bench:
        yield bench


def said_first(done):
    """The first line that a command wrote to stderr."""
    return done.stderr.splitlines()[0]


@pytest.mark.parametrize("what", ["gone", "swapped"])
def test_whatever_is_started_says_so_first_and_ends_with_4_until_the_source_proves_it(left_on, quick, livezero, what):
    getattr(left_on, what)()
    for name, command in commands(left_on, quick).items():
        done = livezero(*command, cwd=left_on.folder)
        assert (name, done.returncode) == (name, 4), done.stderr
        assert NOT_PROVED.match(said_first(done)), f"{name}: {done.stderr}"
        assert "made safe" not in done.stdout + done.stderr.replace("NOT made safe", "")
    assert left_on.output == 1
    assert left_on.told("own") == []
    # Another instrument was asked who it is, and told nothing.
    assert left_on.told("other") == []
    assert [path.name for path in (left_on.folder / "results").iterdir()] == [left_on.record.name]
    assert not (left_on.folder / "other").exists()  # no run was begun
    # The source is back: the next start, in whichever folder, proves it before anything else.
    left_on.here()
    left_on.heard.clear()
    done = livezero(*commands(left_on, quick)["run elsewhere"], cwd=left_on.folder)
    assert done.returncode == 0, done.stderr
    assert NOT_PROVED.match(said_first(done))
    assert "source is at its safe level, 0 Hz" in done.stderr
    told = left_on.told("own")
    level, off = next(i for i, each in enumerate(told) if each.startswith("SOUR:FREQ")), told.index("OUTP OFF")
    on = told.index("OUTP ON")
    assert level < off < on
    assert left_on.output == 0
    assert livezero("plan", quick, "--bench", left_on.path, cwd=left_on.folder).returncode == 0


@pytest.mark.parametrize("first", ["resume", "close", "bench check"])
def test_a_source_that_is_back_is_made_safe_by_the_first_command_after_a_failed_resume(left_on, quick, livezero, first):
    left_on.gone()
    before = (left_on.record / "journal.jsonl").read_bytes()
    assert livezero("resume", left_on.record, "--confirm", cwd=left_on.folder).returncode == 4
    assert (left_on.record / "journal.jsonl").read_bytes() == before  # it was not resumed, nor interrupted
    left_on.here()
    done = livezero(*commands(left_on, quick)[first], cwd=left_on.folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert NOT_PROVED.match(said_first(done))
    assert "OUTP OFF" in left_on.told("own")
    assert left_on.output == 0
    # Proved once, it is not disturbed again: whoever uses it now keeps it.
    left_on.own.exchange("source", "OUTP ON")
    left_on.heard.clear()
    if first == "bench check":
        done = livezero("close", left_on.record, cwd=left_on.folder)
        assert done.returncode == 0, done.stderr
    assert left_on.told("own") == []
    assert livezero("verify", left_on.record, cwd=left_on.folder).returncode == 0


def test_a_person_clears_it_by_name_and_the_record_says_who(left_on, quick, livezero):
    left_on.gone()
    for wrong in ("A. Brewer", ": switched off", "A. Brewer: "):
        done = livezero("resume", left_on.record, "--confirm", "--acknowledge", wrong, cwd=left_on.folder)
        assert done.returncode == 2
        assert "--acknowledge: who answers for the bench, and why, is not said" in done.stderr
    done = livezero("resume", left_on.record, "--confirm", "--json", cwd=left_on.folder)
    assert json.loads(done.stdout)["error"]["exit_code"] == 4
    done = livezero("bench", "check", left_on.path, "--acknowledge", BY_NAME, cwd=left_on.folder)
    assert NOT_PROVED.match(said_first(done))
    assert done.returncode == 3, done.stderr  # the source is still not there, and that is all
    assert f"acknowledged by {BY_NAME}" in " ".join(done.stderr.split())
    assert livezero("plan", quick, "--bench", left_on.path, cwd=left_on.folder).returncode == 0
    done = livezero("close", left_on.record, cwd=left_on.folder)
    assert done.returncode == 0, done.stderr
    assert f"acknowledged by {BY_NAME}" in " ".join(done.stdout.split())
    assert livezero("verify", left_on.record, cwd=left_on.folder).returncode == 0


def test_a_run_that_loses_its_source_for_good_leaves_it_to_the_next_start(left_on, quick, livezero):
    assert livezero("close", left_on.record, cwd=left_on.folder).returncode == 0
    command = [*forked.COMMAND, "run", str(quick), "--bench", str(left_on.path)]
    with subprocess.Popen(
        [*command, "--serial", "GF-104", "--confirm", "--events"],
        cwd=left_on.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True,
    ) as process:  # fmt: skip
        for line in process.stdout:
            if json.loads(line)["event"] == "reading":
                break
        process.send_signal(signal.SIGSTOP)  # it goes on for as long as the plan takes: that is not "left on"
        planned = livezero("plan", quick, "--bench", left_on.path, cwd=left_on.folder)
        left_on.gone()
        process.send_signal(signal.SIGCONT)
        out, err = process.communicate(timeout=120)
    assert (planned.returncode, planned.stderr) == (0, "")
    assert process.returncode == 4, out + err
    assert left_on.output == 1
    assert livezero("plan", quick, "--bench", left_on.path, cwd=left_on.folder).returncode == 4
    left_on.here()
    done = livezero("plan", quick, "--bench", left_on.path, "--json", cwd=left_on.folder)
    assert done.returncode == 4  # it drives nothing, so it proves nothing
    assert json.loads(done.stdout)["bench"]
    assert left_on.output == 1
    done = livezero("bench", "check", left_on.path, cwd=left_on.folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert left_on.output == 0


def test_proof_counts_before_a_name(left_on, livezero):
    done = livezero("close", left_on.record, "--acknowledge", BY_NAME, cwd=left_on.folder)
    assert done.returncode == 0, done.stderr
    assert left_on.output == 0
    assert "acknowledged" not in done.stdout + done.stderr


def test_a_record_that_was_altered_or_taken_away_keeps_no_bench_hot(left_on, quick, livezero):
    (left_on.record / "inputs" / "bench.yaml").unlink()
    left_on.record.rename(left_on.folder / "moved")
    done = livezero(*commands(left_on, quick)["run"], cwd=left_on.folder)
    assert done.returncode == 0, done.stderr
    assert NOT_PROVED.match(said_first(done))
    assert left_on.output == 0


@pytest.mark.parametrize("command", ["resume", "close"])
def test_a_damaged_journal_keeps_no_bench_hot(left_on, quick, livezero, command):
    lines = (left_on.record / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (left_on.record / "journal.jsonl").write_bytes(b"".join([lines[0], b"\0\n", *lines[1:]]))
    left_on.gone()
    assert livezero(*commands(left_on, quick)[command], cwd=left_on.folder).returncode == 4
    left_on.here()
    done = livezero(*commands(left_on, quick)[command], cwd=left_on.folder)
    assert done.returncode == 2  # of the journal
    assert NOT_PROVED.match(said_first(done))
    assert left_on.output == 0


def test_a_record_of_before_keeps_it_too(left_on, quick, livezero):
    # Its run left no mark beside the locks: what it drove, and that nobody proved it, stands in its journal.
    for path in (left_on.folder / "state").rglob("*.json"):
        path.unlink()
    left_on.gone()
    for name in ("resume", "run"):
        done = livezero(*commands(left_on, quick)[name], cwd=left_on.folder)
        assert (name, done.returncode) == (name, 4), done.stderr
        assert NOT_PROVED.search(done.stderr)
    left_on.here()
    done = livezero("close", left_on.record, cwd=left_on.folder)
    assert done.returncode == 0, done.stderr
    assert left_on.output == 0


def test_a_close_that_cannot_tell_how_leaves_it_to_a_person_though_the_record_is_sealed(left_on, livezero):
    for path in (left_on.folder / "state").rglob("*.json"):
        path.unlink()
    (left_on.record / "inputs" / "bench.yaml").unlink()
    assert livezero("close", left_on.record, cwd=left_on.folder).returncode == 4
    for _ in range(2):
        done = livezero("plan", "no-such-sequence", "--bench", left_on.path, "--json", cwd=left_on.folder)
        assert done.returncode == 4
        assert NOT_PROVED.match(said_first(done))
        (other,) = json.loads(done.stdout)["error"]["others"]
        assert "no-such-sequence" in other["what"] + other["where"]
    done = livezero("bench", "check", left_on.path, "--acknowledge", BY_NAME, cwd=left_on.folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert left_on.output == 0
