"""The command as a user meets it: exit codes, streams, 80 columns, wrong input, a stop in the middle."""

import json
import signal
import subprocess
import sys
import time

import pytest


def test_the_main_job_ends_in_a_verdict_and_a_report(tmp_path, livezero):
    done = livezero("run", "pulse-to-current", "--bench", "simulated", "--serial", "GF-104", "--as-found", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "PASS" in done.stdout.splitlines()[0]
    (folder,) = (tmp_path / "results").iterdir()
    assert (folder / "report.html").is_file()
    assert max(map(len, done.stdout.splitlines()[:-1])) <= 80  # the last line is a path
    assert "\x1b" not in done.stdout + done.stderr


def test_json_is_one_document_and_nothing_else(tmp_path, livezero):
    done = livezero(
        "run",
        "current-isolator",
        "--bench",
        "simulated",
        "--serial",
        "LI-7",
        "--json",
        "--fault",
        "span error, span=1 %",
        cwd=tmp_path,
    )
    found = json.loads(done.stdout)
    assert done.returncode == 1
    assert found["verdict"]["result"] == "fail"
    assert found["is_simulated"]
    span = next(figure for figure in found["figures"] if figure["name"] == "span error")
    assert span["value"] == pytest.approx(1.0, abs=0.05)  # the size that was put in
    (folder,) = (tmp_path / "results").iterdir()
    assert json.loads((folder / "figures.json").read_text())["verdict"] == found["verdict"]


def test_one_seed_gives_the_same_readings_to_the_last_digit(tmp_path, livezero):
    for _ in range(2):
        livezero("run", "voltage-to-current", "--bench", "simulated", "--serial", "MV-3", "--seed", "5", cwd=tmp_path)
    one, other = sorted((tmp_path / "results").iterdir())
    assert (one / "readings.csv").read_bytes() == (other / "readings.csv").read_bytes()
    assert (one / "journal.jsonl").read_bytes() == (other / "journal.jsonl").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("plan", "puls-to-current", "--bench", "simulated"), 'write "pulse-to-current"'),
        (("plan", "pulse-to-current", "--bench", "simulatd"), 'write "simulated"'),
        (("run", "pulse-to-current", "--bench", "simulated", "--serial", " "), "serial of the unit is missing"),
        (("run", "pulse-to-current", "--bench", "simulated", "--serial", "x", "--fault", "span eror"), "span error"),
        (("run", "pulse-to-current", "--bench", "workshop-network", "--serial", "x", "--seed", "1"), "bench is real"),
        (("evaluate", "none.csv", "--type", "pulse-to-current"), "cannot be read"),
        (("report", "nowhere"), "is not a record"),
        (("bench", "check", "nowhere"), "no bench file"),
    ],
)
def test_wrong_input_is_answered_with_what_to_do(tmp_path, arguments, says, livezero):
    done = livezero(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_an_error_with_json_is_a_document_too(tmp_path, livezero):
    done = livezero("plan", "puls-to-current", "--bench", "simulated", "--json", cwd=tmp_path)
    assert json.loads(done.stdout)["error"]["exit_code"] == 2


def test_a_dead_instrument_is_a_bench_fault_and_nothing_was_energised(tmp_path, quick, livezero, served):
    bench = tmp_path / "dead.yaml"
    with served(quick, cwd=tmp_path, bench="quick.bench.yaml") as path:
        bench.write_text(path.read_text())
    done = livezero("run", quick, "--bench", bench, "--serial", "x", "--confirm", cwd=tmp_path)  # the server has gone
    assert done.returncode in {3, 4}
    assert "source" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_caution_that_is_not_confirmed_stops_before_energising(tmp_path, quick, livezero, served):
    with served(quick, cwd=tmp_path, bench="quick.bench.yaml") as bench:
        done = livezero("run", quick, "--bench", bench, "--serial", "x", cwd=tmp_path, answers="no\n")
    assert done.returncode == 130
    assert "nothing was energised" in done.stderr
    (folder,) = (tmp_path / "results").iterdir()
    sent = [json.loads(line).get("sent", "") for line in (folder / "journal.jsonl").read_text().splitlines()]
    assert "OUTP OFF" in sent
    assert "OUTP ON" not in sent


def first_reading(results, process, *, within_s=90):
    """The journal of a run that goes on, once it holds a reading; a busy machine may take its time to start one."""
    end_s = time.monotonic() + within_s
    while process.poll() is None and time.monotonic() < end_s:
        for journal in results.glob("*/journal.jsonl"):
            if '"kind": "reading"' in journal.read_text():
                return journal
        time.sleep(0.02)
    process.kill()
    raise AssertionError(f"no reading came: {process.communicate()}")


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "SIGTERM"])
def test_a_stop_in_the_middle_makes_safe_first_and_can_be_resumed(tmp_path, quick, number, livezero, served):
    with served(quick, cwd=tmp_path, bench="quick.bench.yaml") as bench:
        command = [
            sys.executable,
            "-m",
            "sequencer",
            "run",
            str(quick),
            "--bench",
            str(bench),
            "--serial",
            "x",
            "--confirm",
        ]
        with subprocess.Popen(
            command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True
        ) as process:
            journal = first_reading(tmp_path / "results", process)
            process.send_signal(number)
            _, err = process.communicate(timeout=60)
        assert process.returncode == 130, err
        assert "Traceback" not in err
        lines = [json.loads(line) for line in journal.read_text().splitlines()]
        assert err.endswith(f"  do: livezero resume {journal.parent.relative_to(tmp_path)}\n"
                            f"  or: livezero close {journal.parent.relative_to(tmp_path)}\n")  # fmt: skip
        assert livezero("report", journal.parent, cwd=tmp_path).returncode == 0
        verified = livezero("verify", journal.parent, cwd=tmp_path)
        assert (verified.returncode, "NOT SEALED" in verified.stdout) == (1, True)
        resumed = livezero("resume", journal.parent, "--confirm", cwd=tmp_path)
        assert resumed.returncode == 0, resumed.stderr
        assert livezero("verify", journal.parent, cwd=tmp_path).returncode == 0
    assert (lines[-1]["kind"], lines[-1]["status"]) == ("interrupted", "interrupted")
    sent = [line["sent"] for line in lines if line["kind"] == "exchange"]
    last_on = len(sent) - 1 - sent[::-1].index("OUTP ON")
    assert "OUTP OFF" in sent[last_on:]


def test_readings_by_hand_get_the_same_figures(tmp_path, livezero):
    rows = ["setpoint;injected [Hz];returned [mA];remark", "# decimal commas, as typed"]
    for percent in (*range(0, 101, 25), *range(75, -1, -25)):
        returned = 4 + 0.16 * percent * 1.01  # a span error of 1 %
        rows.append(f"{percent};{percent * 10},0;{returned:.4f};".replace(".", ","))
    (tmp_path / "hand.csv").write_text("\n".join(rows))
    done = livezero(
        "evaluate", "hand.csv", "--type", "pulse-to-current", "--json", "--report", "hand.html", cwd=tmp_path
    )
    assert done.returncode == 1
    figures = {figure["name"]: figure for figure in json.loads(done.stdout)["figures"]}
    assert figures["span error"]["value"] == pytest.approx(1.0, abs=1e-3)
    assert figures["zero error"]["value"] == pytest.approx(0.0, abs=1e-3)
    assert figures["gain by least squares"]["value"] == pytest.approx(1.01, abs=1e-5)
    assert figures["non-repeatability"]["value"] is None
    assert "1 cycle" in figures["non-repeatability"]["remark"]
    assert (tmp_path / "hand.html").is_file()


def test_python_m_sequencer_and_every_help_has_an_example(tmp_path, livezero):
    for command in ((), ("plan",), ("run",), ("evaluate",), ("report",), ("bench",), ("bench", "check"),
                    ("bench", "simulate"), ("bench", "faults"), ("sequences",), ("schema",),
                    ("completion",), ("risk",), ("resume",), ("close",), ("verify",), ("remark",),
                    ("correct",), ("batch",), ("compare",), ("trace",), ("records",), ("index",), ("export",),
                    ("import",), ("history",), ("repaired",), ("regression",), ("baseline",), ("impact",),
                    ("envelope",), ("control",), ("new",), ("new", "type"), ("new", "instrument"),
                    ("bench", "find")):  # fmt: skip
        done = livezero(*command, "--help", cwd=tmp_path)
        assert done.returncode == 0
        assert "Example" in done.stdout
        lines = [line for line in done.stdout.splitlines() if len(line.split()) > 1]  # a path is one word
        assert max(map(len, lines)) <= 80


def test_a_usage_error_with_json_is_one_document(livezero, tmp_path):
    done = livezero("plan", "--json", cwd=tmp_path)
    assert done.returncode == 2
    assert "SEQUENCE" in json.loads(done.stdout)["error"]["what"]
    assert "Usage:" in done.stderr


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("livezero plan pul", "pulse-to-current"),
        ("livezero plan x --bench si", "simulated"),
        ("livezero plan x --fault span", "span error"),
    ],
)
def test_completion_knows_what_comes_along(livezero, tmp_path, monkeypatch, words, found):
    monkeypatch.setenv("_LIVEZERO_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", words)
    monkeypatch.setenv("COMP_CWORD", str(len(words.split()) - 1))
    assert f"plain,{found}" in livezero(cwd=tmp_path).stdout


# What a command loads to show its help: nothing that takes longer than the help itself.
HEAVY = ("jinja2", "numpy", "pandas", "pint", "pydantic", "pyvisa", "scipy", "serial", "soundfile", "yaml")


@pytest.mark.parametrize("command", [(), ("run",), ("evaluate",), ("risk",), ("trace",)], ids=" ".join)
def test_help_loads_no_library_that_measures_or_computes(command):
    code = (
        "import sys\n"
        "from sequencer.cli import main\n"
        f"sys.argv = ['livezero', *{command!r}, '--help']\n"
        "try:\n    main()\n"
        "except SystemExit as done:\n    assert not done.code\n"
        "print('LOADED', *sorted({name.split('.')[0] for name in sys.modules}))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    help_text, loaded = done.stdout.split("LOADED")
    assert "Usage:" in help_text
    assert "sequencer" in loaded.split()
    assert not set(HEAVY) & set(loaded.split())


@pytest.mark.parametrize("command", ["run", "report", "verify", "close", "remark", "compare"])
def test_a_name_of_over_255_bytes_is_told_and_no_fault_of_ours(tmp_path, livezero, command):
    name = "a" * 300
    more = {
        "run": ("pulse-to-current", "--bench", "simulated", "--serial", "GF-104", "--results", name),
        "remark": (name, "--by", "A. Cellarman", "text"),
        "compare": (name, name),
    }
    done = livezero(command, *more.get(command, (name,)), cwd=tmp_path)
    assert done.returncode == 2, done.stderr
    assert "File name too long" in done.stderr or "no such record" in done.stderr
    assert "do: " in done.stderr
