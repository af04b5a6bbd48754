"""A step of an installed package: a distribution of its own on the path, in an interpreter of its own."""

import json
import os

import forked
import pytest

MODULE = """
from markupsafe import Markup
from pydantic import Field

from instruments.filemodel import FileModel
from sequencer.inputs.step import Setpoint, Step


class Settings(FileModel):
    readings: int = Field(4, ge=2, le=100)


class Rest(Step):
    settings = Settings
    roles = ("rest",)

    def plan(self, settings):
        n = settings.readings
        return (
            Setpoint(frac=0.25, role="rest", direction="up", cycle=1, point=0, readings_n=n, tap="output"),
        )

    def evaluate(self, seen):
        table = seen.table
        rows = table[table["role"] == "rest"]
        return ((len(rows), sorted(set(rows["tap"])), float(rows["value"].mean())),) if len(rows) else ()

    def terminal(self, results, width):
        return [f"rest: {n} readings of {taps[0]}" for n, taps, mean in results]

    def html(self, results):
        return Markup("<h2>Rest</h2><p>{}</p>").format("<b>" + str(results[0][0]) + " readings at rest")

    def json(self, results):
        return [{"readings_n": n, "mean": mean} for n, taps, mean in results]


STEP = Rest()
"""
SEQUENCE = """sequence: a step of a package
type sheet: pulse-to-current
settled within: 10 %
if never settled: go on
cautions: [none here]
steps:
  - traverse: {points: 3, cycles: 1, readings: 2}
  - rest check: {readings: 6}
"""


@pytest.fixture
def livezero(tmp_path):
    """Runs livezero with a distribution "brewhouse-steps" that has these entry points and this module."""

    def run(*arguments, module=MODULE, points="rest check = brewhouse_steps:STEP"):
        info = tmp_path / "site" / "brewhouse_steps-2.1.dist-info"
        info.mkdir(parents=True, exist_ok=True)
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: brewhouse-steps\nVersion: 2.1\n")
        (info / "entry_points.txt").write_text(f"[livezero.steps]\n{points}\n")
        (tmp_path / "site" / "brewhouse_steps.py").write_text(module)
        (tmp_path / "own.yaml").write_text(SEQUENCE)
        env = {**os.environ, "PYTHONPATH": str(tmp_path / "site")}
        return forked.run(arguments, cwd=tmp_path, env=env, timeout_s=120)

    return run


def test_it_is_planned_run_and_shown_wherever_a_step_is(livezero, tmp_path):
    planned = livezero("plan", "own.yaml", "--bench", "simulated")
    assert planned.returncode == 0, planned.stderr
    assert "2 rest_check: 1 cycle, 1 move, 6 readings" in planned.stdout
    ran = livezero("run", "own.yaml", "--bench", "simulated", "--serial", "GF-104", "--confirm", "--json")
    assert ran.returncode == 0, ran.stderr
    (told,) = json.loads(ran.stdout)["steps"]["rest_check"]
    assert told["readings_n"] == 6
    assert told["mean"] == pytest.approx(8, abs=0.05)  # mA: 25 % of 4 .. 20 mA
    (page,) = tmp_path.glob("results/**/report.html")
    assert "<h2>Rest</h2><p>&lt;b&gt;6 readings at rest</p>" in page.read_text(encoding="utf-8")
    again = livezero("report", str(page.parent))
    assert again.returncode == 0, again.stderr
    assert "rest: 6 readings of output" in again.stdout
    assert livezero("verify", str(page.parent)).returncode == 0
    # The record outlives the package.
    gone = livezero("verify", str(page.parent), points="")
    assert gone.returncode == 0, gone.stdout + gone.stderr
    assert "rest:" not in livezero("report", str(page.parent), points="").stdout


def test_its_settings_are_in_the_schema(livezero):
    shown = livezero("schema", "sequence")
    assert '"rest check"' in shown.stdout
    assert livezero("schema", "sequence", points="").stdout.count("rest check") == 0


@pytest.mark.parametrize(
    ("module", "points", "says"),
    [
        (MODULE, "traverse = brewhouse_steps:STEP", "livezero has a step of that name"),
        (MODULE, "further = brewhouse_steps:STEP", "livezero has a step of that name"),
        (MODULE, "rest check = brewhouse_steps:MISSING", "AttributeError"),
        ("import no_such_thing", "rest check = brewhouse_steps:STEP", "ModuleNotFoundError: No module named"),
        (MODULE, "rest check = brewhouse_steps:Rest", "is no sequencer.inputs.step.Step"),
        (MODULE, "rest check = brewhouse_steps:STEP\nrest_check = brewhouse_steps:STEP", "has a step of that name"),
        (MODULE.replace('role="rest"', 'role="reading"'), "rest check = brewhouse_steps:STEP", 'no role "reading"'),
        (MODULE.replace("return (\n", "return 1 / 0, (\n"), "rest check = brewhouse_steps:STEP", "ZeroDivisionError"),
    ],
)
def test_one_that_cannot_be_used_is_named_with_its_package(livezero, module, points, says):
    refused = livezero("plan", "own.yaml", "--bench", "simulated", module=module, points=points)
    assert refused.returncode == 2, refused.stdout + refused.stderr
    assert 'of the package "brewhouse-steps 2.1" cannot be used' in refused.stderr
    assert says in refused.stderr
    assert "Traceback" not in refused.stderr


BROKEN = {
    "evaluate": ('rows = table[table["role"] == "rest"]', "return 1 / 0"),
    "leaves": ('rows = table[table["role"] == "rest"]', "raise SystemExit(0)"),
    "terminal": ('return [f"rest: {n} readings', 'return [1 / 0 or f"rest: {n} readings'),
    "html": ('return Markup("<h2>', 'return 1 / 0 + Markup("<h2>'),
    "json": ('return [{"readings_n": n', 'return 1 / 0 + [{"readings_n": n'),
    "no JSON": ('return [{"readings_n": n', 'return [{"readings": {1, 2}, "readings_n": n'),
}


@pytest.mark.parametrize("where", BROKEN)
def test_one_that_fails_after_the_run_costs_neither_verdict_nor_record(livezero, tmp_path, where):
    module = MODULE.replace(*BROKEN[where])
    assert module != MODULE
    ran = livezero("run", "own.yaml", "--bench", "simulated", "--serial", "GF-104", "--json", module=module)
    assert ran.returncode == 0, ran.stderr  # that of the verdict
    found = json.loads(ran.stdout)
    assert found["verdict"]["result"] == "pass"
    assert len(found["figures"]) > 10
    (record,) = (tmp_path / "results").iterdir()
    assert (record / "readings.csv").read_text().count(",rest,") == 6
    assert '"kind": "safe"' in (record / "journal.jsonl").read_text()
    again = livezero("report", str(record), module=module)
    assert again.returncode == 0, again.stderr
    said = " ".join(again.stdout.split()) + (record / "report.html").read_text() + str(found["steps"])
    assert 'the step "rest check" of the package "brewhouse-steps 2.1" cannot be used: ' in said.replace("&#34;", '"')
    assert livezero("verify", str(record), module=module).returncode == 0
    # Once the package is mended the same record gives what it could not.
    assert "rest: 6 readings of output" in livezero("report", str(record)).stdout


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('tap="output"', 'tap="input"'), 'no instrument reads the tap "input"'),
        (('tap="output"', 'tap="sump"'), 'no instrument reads the tap "sump"'),
        (('tap="output"', 'tap="input", is_quick=True'), 'no instrument with an interface reads the tap "input"'),
    ],
)
def test_one_whose_tap_nothing_reads_is_refused_before_anything_is_energised(livezero, tmp_path, change, says):
    bench = """\
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
    (tmp_path / "two.bench.yaml").write_text(bench)
    module = MODULE.replace(*change)
    for verb in (("plan",), ("run", "--serial", "GF-104")):
        refused = livezero(*verb, "own.yaml", "--bench", "two.bench.yaml", module=module)
        assert refused.returncode == 2, refused.stdout + refused.stderr
        assert f"own.yaml:8:5: {says}" in refused.stderr
        assert "allowed: output" in refused.stderr
    assert not (tmp_path / "results").exists()
