"""Whatever becomes of stdout and stderr: the exit code is that of the judgement, and the record is whole."""

import json
import os
import subprocess
import sys

import pytest

from sequencer import core

FAILS = "setpoint,injected [Hz],returned [mA]\n0,0,4.001\n50,500,12.5\n100,1000,20.001\n"
RUN = ("run", "quick.yaml", "--bench", "quick.bench.yaml", "--serial", "GF-104")
TOO_WIDE = "span error, span=1 %"


@pytest.fixture
def livezero(tmp_path, quick):
    """The command with its streams as given: "gone" (nobody reads), "full" (no room on the disk), "closed"."""

    assert quick.parent == tmp_path

    def run(*arguments, stdout="gone", stderr="kept", encoding="utf-8"):
        opened = {"kept": subprocess.PIPE, "closed": subprocess.DEVNULL}
        read, opened["gone"] = os.pipe()
        os.close(read)
        opened["full"] = os.open("/dev/full", os.O_WRONLY)
        command = [sys.executable, "-m", "sequencer", *map(str, arguments)]
        shut = "".join(f" {number}>&-" for number, how in ((1, stdout), (2, stderr)) if how == "closed")
        try:
            return subprocess.run(
                ["/bin/sh", "-c", f'exec "$@"{shut}', "sh", *command],
                cwd=tmp_path,
                stdin=subprocess.DEVNULL,
                stdout=opened[stdout],
                stderr=opened[stderr],
                env=os.environ | {"PYTHONIOENCODING": encoding},
                timeout=120,
                check=False,
            )
        finally:
            os.close(opened["gone"])
            os.close(opened["full"])

    (tmp_path / "fails.csv").write_text(FAILS)
    return run


@pytest.mark.parametrize("as_json", [(), ("--json",)], ids=["text", "JSON"])
@pytest.mark.parametrize("broken", ["gone", "full", "closed"])
def test_the_exit_code_of_a_judgement_outlives_stdout(livezero, broken, as_json):
    done = livezero("evaluate", "fails.csv", "--type", "pulse-to-current", *as_json, stdout=broken)
    assert done.returncode == 1, done.stderr
    said = done.stderr.decode()
    assert said == ("stdout cannot be written: No space left on device\n" if broken == "full" else "")


@pytest.mark.parametrize(("stdout", "stderr"), [("gone", "gone"), ("full", "full"), ("closed", "closed")])
def test_a_run_goes_on_to_its_end_and_its_verdict_whatever_becomes_of_its_streams(livezero, tmp_path, stdout, stderr):
    failed = livezero(*RUN, "--fault", TOO_WIDE, stdout=stdout, stderr=stderr)
    watched = livezero(*RUN, "--fault", TOO_WIDE, "--trace", "--events", stdout=stdout, stderr=stderr)
    whole = livezero(*RUN, "--fault", TOO_WIDE, stdout="kept")
    assert {failed.returncode, watched.returncode, whole.returncode} == {1}
    folders = sorted((tmp_path / "results").iterdir())
    assert len(folders) == 3
    assert len({(each / "journal.jsonl").read_bytes() for each in folders}) == 1
    assert all(core.verify(each).is_intact and (each / "report.html").is_file() for each in folders)
    assert b"FAIL" in whole.stdout.splitlines()[0]


@pytest.mark.parametrize("broken", ["gone", "full", "closed"])
def test_so_do_those_of_a_pass_a_comparison_and_a_verification(livezero, tmp_path, broken):
    assert livezero(*RUN, stdout=broken).returncode == 0
    (record,) = (tmp_path / "results").iterdir()
    assert livezero("verify", record, stdout=broken).returncode == 0
    assert livezero("compare", record, record, stdout=broken).returncode == 0
    (record / "readings.csv").chmod(0o644)
    (record / "readings.csv").write_text("")
    assert livezero("verify", record, stdout=broken).returncode == 1
    assert livezero("verify", record, "--json", stdout=broken, stderr=broken).returncode == 1


def test_what_judges_nothing_is_no_success_where_the_disk_is_full(livezero):
    schema = ("schema", "sequence")
    assert [livezero(*schema, stdout=how).returncode for how in ("kept", "gone", "closed", "full")] == [0, 0, 0, 2]
    assert livezero("plan", "no-such-sequence", "--bench", "simulated", "--json", stdout="full").returncode == 2
    assert livezero("plan", "--json", stdout="gone", stderr="gone").returncode == 2


def test_a_reader_that_leaves_after_the_first_line_changes_nothing(livezero, tmp_path):
    whole = livezero(*RUN, "--fault", TOO_WIDE, stdout="kept")
    (record,) = (tmp_path / "results").iterdir()
    code = f'"{sys.executable}" -m sequencer report "{record}" | head -1; echo "${{PIPESTATUS[0]}}"'
    done = subprocess.run(["bash", "-c", code], capture_output=True, text=True, timeout=120, check=False)
    assert done.stdout.splitlines() == [whole.stdout.decode().splitlines()[0], "0"]
    assert done.stderr == ""


def test_a_document_stays_one_in_an_encoding_that_lacks_its_letters(livezero):
    shown = livezero("sequences", "--json", stdout="kept", encoding="latin-1").stdout
    assert json.loads(shown.decode("latin-1")) == json.loads(livezero("sequences", "--json", stdout="kept").stdout)
    done = livezero("evaluate", "fails.csv", "--type", "pulse-to-current", stdout="kept", encoding="cp1252")
    assert done.returncode == 1, done.stderr
