"""What the README and the guides show is what the command prints, and the test command is the one that CI runs."""

import os
import re
import subprocess
from pathlib import Path

import forked

from instruments.certificate import Certificate, LoadedCertificate, certificate_faults
from instruments.description import find_description
from instruments.yamlfile import read

TOP = Path(__file__).resolve().parents[2]
GUIDES = [TOP / folder / "README.md" for folder in ("", "sequencer", "sequences", "instruments", "shared", "results")]
README = "\n".join(path.read_text(encoding="utf-8") for path in GUIDES)


def _block(name: str) -> str:
    found = re.search(rf"<!-- {name} -->\n```[a-z]*\n(.*?)```", README, re.DOTALL)
    assert found, f"no guide has a block {name}"
    return found.group(1)


def _ran(tmp_path: Path, *arguments: str) -> "subprocess.CompletedProcess[str]":
    return forked.run(arguments, cwd=tmp_path, env=os.environ, timeout_s=120)


def _dated(text: str) -> str:
    """A record is named by the time of day."""
    return re.sub(r"\d{4}-\d\d-\d\dT\d\d-\d\d-\d\d", "2026-01-05T08-00-00", text)


def _printed(tmp_path: Path, *arguments: str) -> str:
    return _dated(_ran(tmp_path, *arguments).stdout)


def test_a_run_prints_what_the_readme_shows(tmp_path):
    command = _block("run: command").strip().split(" && ")[-1].removeprefix(".venv/bin/livezero ").split()
    printed = _printed(tmp_path, *command)
    assert printed == _block("run: whole output")
    assert printed.startswith(_block("run: output").removesuffix("...\n"))


def test_a_failing_run_prints_what_the_readme_shows(tmp_path):
    arguments = ["run", "glycol-pump-loop", "--bench", "simulated", "--serial", "GP-2", "--fault", "slip"]
    shown = _block("fault: output")
    assert _printed(tmp_path, *arguments).startswith(shown.removesuffix("...\n"))


def test_the_test_command_is_the_one_that_ci_runs():
    assert _block("tests: command").strip() in (TOP / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_ci_tries_every_python_that_the_readme_promises():
    (promised,) = re.findall(r"Python (3\.[0-9]+) or newer", README)
    project = (TOP / "pyproject.toml").read_text(encoding="utf-8")
    assert f'requires-python = ">={promised}"' in project
    assert f"sys.version_info >= ({promised.replace('.', ', ')})" in (TOP / ".ci" / "run").read_text(encoding="utf-8")


def test_readings_by_hand_as_shown_are_judged_as_shown(tmp_path):
    (tmp_path / "readings.csv").write_text(_block("by hand: readings"), encoding="utf-8")
    printed = _printed(tmp_path, "evaluate", "readings.csv", "--type", "pulse-to-current")
    assert printed.startswith(_block("by hand: output").removesuffix("...\n"))


def test_what_is_said_of_a_run_that_was_cut_off_is_what_the_readme_shows(tmp_path):
    _printed(tmp_path, "run", "pulse-to-current", "--bench", "simulated", "--serial", "GF-104")
    (record,) = (tmp_path / "results").iterdir()
    lines = (record / "journal.jsonl").read_bytes().splitlines(keepends=True)
    # Six points of exercise, 23 of cycle 1, seven of cycle 2.
    last = next(number for number, line in enumerate(lines) if b'"number": 36, "step": 2' in line)
    for name in ("digest.json", "figures.json", "readings.csv", "journal.jsonl"):
        (record / name).unlink()
    (record / "journal.jsonl").write_bytes(b"".join(lines[: last + 1]))
    told = _ran(tmp_path, "run", "pulse-to-current", "--bench", "simulated", "--serial", "GF-105").stderr
    assert _dated(told).startswith(_block("cut off: output"))


def test_a_sequence_with_all_that_the_readme_shows_is_run_as_it_says(tmp_path):
    (tmp_path / "noise.yaml").write_text(_block("noise: sequence"), encoding="utf-8")
    (tmp_path / "warm.yaml").write_text(_block("language: sequence"), encoding="utf-8")
    planned = _ran(tmp_path, "plan", "warm.yaml", "--bench", "simulated", "--only", "2,capture").stdout
    assert "in part, left out: 1 ask, 3 traverse" in planned
    done = forked.run(
        ["run", "warm.yaml", "--bench", "simulated", "--serial", "GF-104"],
        cwd=tmp_path,
        env=os.environ,
        timeout_s=120,
        answers="50\n",
    )
    assert done.returncode == 0, done.stderr
    assert "an order that has no up and down" in " ".join(done.stdout.split())
    assert "What does the display of the unit show? 50 Hz" in done.stdout


def test_a_capture_says_of_the_noise_what_the_readme_shows(tmp_path):
    (tmp_path / "noise.yaml").write_text(_block("noise: sequence"), encoding="utf-8")
    arguments = ["run", "noise.yaml", "--bench", "simulated", "--serial", "GF-104", "--fault", "inverter pickup"]
    printed = _printed(tmp_path, *arguments)
    assert _block("noise: output") in printed
    assert _block("noise: cause") in printed


def test_the_certificate_of_the_readme_fits_the_meter_that_comes_along(tmp_path):
    path = tmp_path / "meter-2026.yaml"
    path.write_text(_block("certificate: file"), encoding="utf-8")
    document = read(path)
    loaded = LoadedCertificate(document, (), document.into(Certificate))
    assert certificate_faults(loaded, "meter", find_description("generic-scpi-meter", beside=tmp_path)) == []


def test_every_file_the_readme_names_is_there():
    for path in re.findall(r"`((?:sequencer|sequences|instruments|tests|shared|results)/[\w-][\w./-]+)`", README):
        assert (TOP / path).exists(), path


def test_influences_are_told_as_the_readme_says(tmp_path):
    (tmp_path / "own.yaml").write_text(_block("influence: sequence"), encoding="utf-8")
    arguments = [
        "run",
        "own.yaml",
        "--bench",
        "simulated-influences",
        "--serial",
        "GF-104",
        "--fault",
        "loop compliance",
    ]
    done = forked.run(arguments, cwd=tmp_path, env=os.environ, timeout_s=280)
    assert done.returncode == 0, done.stderr
    told = " ".join(done.stdout.split())
    for said in (
        "influence of supply voltage: change from 24 V",
        "influence of supply voltage (load 500 Ω): change from 24 V",
        "the unit needs 9.94 V, within 0.2 V either way",  # 10 V as the fault is defined
        "until U of the mean errors is 0.03 % of span",
    ):
        assert said in told
