"""The batch as a user has it: the command, its text in 80 columns, files, exit codes; killed and gone on with."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest

BENCH = """\
bench: simulated bench with three places
backend: simulated
simulation:
  seed: 11
  units: {2: {faults: [{fault: span error, span: 0.8 %}]}}
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET"}
  meter: {description: generic-scpi-meter, resource: "TCPIP::127.0.0.1::2::SOCKET"}
  scanner: {description: generic-scpi-scanner, resource: "GPIB0::9::INSTR"}
taps:
  input: {set by: source}
  output: {read by: meter}
units: {connected by: scanner, driven: together, channels: "101:103"}
"""


@pytest.fixture
def bench(quick):
    path = quick.parent / "batch.bench.yaml"
    path.write_text(BENCH)
    return path


def test_a_batch_prints_a_line_a_unit_and_leaves_a_record_of_each(livezero, quick, bench, tmp_path):
    (tmp_path / "units.csv").write_text("serial\nA1\nA2\nA3\n")
    done = livezero("batch", quick, "--bench", bench, "--serials-from", "units.csv", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert "NOT ALL PASS (SIMULATED BENCH): 2 of 3 units pass" in done.stdout
    assert max(map(len, done.stdout.splitlines()[:-1])) <= 80  # but for the path of the page, which is one word
    rows = {line.split()[0]: line.split()[1] for line in done.stdout.splitlines() if line[:2] in {"A1", "A2", "A3"}}
    assert rows == {"A1": "pass", "A2": "fail", "A3": "pass"}
    assert "1 (100 %, 100 %) span error: A2" in done.stdout
    (page,) = (tmp_path / "results").glob("*/batch.html")
    assert "A2" in page.read_text()
    records = [str(path.parent) for path in sorted((tmp_path / "results").glob("*/journal.jsonl"))]
    assert len(records) == 3
    assert livezero("verify", *records, cwd=tmp_path).returncode == 0
    again = livezero("report", page.parent, "--json", cwd=tmp_path)
    assert again.returncode == 0
    assert [unit["verdict"] for unit in json.loads(again.stdout)["units"]] == ["pass", "fail", "pass"]


def test_serials_are_typed_as_a_barcode_reader_does(livezero, quick, bench, tmp_path):
    done = livezero("batch", quick, "--bench", bench, cwd=tmp_path, answers="A1\nA1\nA3\n\n")
    assert "given twice" in done.stderr
    assert done.returncode == 1  # the second of them stands at place 2
    assert len(list((tmp_path / "results").glob("*/journal.jsonl"))) == 2


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--serials", "A1,A2,A3,A4"), "4 units for a bench with 3 places"),
        (("--serials", "A1,A1"), "given twice"),
        (("--serials-from", "none.csv"), "none.csv"),
        (("--serials", "A1", "--serials-from", "none.csv"), "take one of them"),
    ],
)
def test_what_cannot_be_a_batch_is_refused_with_exit_code_2(livezero, quick, bench, tmp_path, arguments, said):
    done = livezero("batch", quick, "--bench", bench, *arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
def test_a_batch_that_is_killed_goes_on_with_every_unit(livezero, quick, bench, tmp_path):
    command = [sys.executable, "-m", "sequencer", "batch", str(quick), "--bench", str(bench), "--serials", "A1,A2,A3"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        for _ in range(6000):
            read_n = sum(
                path.read_bytes().count(b'"kind": "reading"') for path in tmp_path.glob("results/*/journal.jsonl")
            )
            if read_n >= 5 or process.poll() is not None:
                break
            time.sleep(0.005)
        os.kill(process.pid, signal.SIGKILL)
    (folder,) = (path.parent for path in tmp_path.glob("results/*/batch.json"))
    before = {
        path.parent: [line for line in path.read_text().splitlines() if '"kind": "reading"' in line]
        for path in tmp_path.glob("results/*/journal.jsonl")
    }
    done = livezero("resume", folder, cwd=tmp_path)
    assert done.returncode in {0, 1}, done.stderr
    assert "2 of 3 units pass" in done.stdout
    for record, lines in before.items():
        kept = (record / "journal.jsonl").read_text()
        assert all(line in kept for line in lines)  # nothing that was read is lost
