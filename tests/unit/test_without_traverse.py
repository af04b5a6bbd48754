"""A sequence without a traverse: its steps say what they find, and the verdict is that of the limits they state."""

import json
import math

import numpy as np
import pytest

from instruments.errors import InputError, PlanError, ReadingsError
from sequencer import core
from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.result import Ended
from sequencer.inputs.step import registry
from sequencer.readings.table import tidy
from sequencer.reports.html import html
from sequencer.reports.terminal import plan_text, summary
from sequencer.reports.terminal.batch import batch_text

TRAVERSE = "- traverse: {points: 5, cycles: 2, readings: 2}"
EXERCISE = "- exercise: {cycles: 1}\n  "
WARM_UP = {"faults: []": "faults: [{fault: warm-up, size: 0.8 %, tau: 900 s}]"}
DRIFT = "start up drift: {at: 50 %, after: [5 min, 1 h, 3 h], every: 10 min"
ISOLATOR = "sequence: {}\ntype sheet: current-isolator\ncautions: [none]\nsteps:\n"

UNITS = """\
bench: small simulated bench with four places
backend: simulated
simulation: {seed: 11, faults: [], units: {}}
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET"}
  reference: {description: generic-scpi-meter, resource: "GPIB0::7::INSTR"}
  meter: {description: generic-scpi-meter, resource: "TCPIP::127.0.0.1::2::SOCKET"}
  scanner: {description: generic-scpi-scanner, resource: "GPIB0::9::INSTR"}
taps:
  input: {set by: source, read by: reference}
  output: {read by: meter}
units:
  connected by: scanner
  driven: together
  channels: {1: 101, 2: 102, 3: 103, 4: 104}
"""


@pytest.fixture
def alone(small, tmp_path, answers):
    """A run of one step, or some, on the small unit; kept."""

    def ran(*steps, **changes):
        sequence = {EXERCISE + TRAVERSE: "\n  ".join(f"- {each}" for each in steps)}
        planned = small(sequence=sequence, **changes)
        return core.run(planned, serial="GF-104", results=tmp_path / "results", operator=answers())

    return ran


def shown(content):
    """The terminal at 80 columns, with the page and the document made as well."""
    text = summary(content, colour=False)
    assert max(map(len, text.splitlines())) <= 80
    assert content.verdict.reason[1:].replace('"', "&#34;") in html(content)
    assert json.loads(json.dumps(core.document(content)))["verdict"]["result"] == content.verdict.result
    return " ".join(text.split())


@pytest.mark.parametrize(
    "step",
    [
        "hold: {at: 50 %, lasts: 20 s, every: 1 s}",
        "ripple: {at: 50 %}",
        f"{DRIFT}}}",
        "step response: {moves: 10 % to 90 %, repeats: 1}",
        "dead band: {at: 50 %}",
        "capture: {at: 50 %, readings: 50}",
        "influence: {of: supply voltage, reference: 24 V, at: 18 V}",
        "influence: {of: supply voltage, reference: 24 V, at: 18 V, repeat: [{ripple: {at: 50 %}}]}",
    ],
    ids=lambda text: text.partition(":")[0] + (" of another" if "repeat:" in text else ""),
)
def test_each_step_alone_says_what_it_finds_and_judges_nothing(alone, step):
    done = alone(step)
    content = done.record.content
    assert (done.outcome.status, done.exit_code, done.evaluation) == ("complete", 1, None)
    assert list(content.steps) == [step.partition(":")[0].replace(" ", "_")]
    assert done.verdict.result == "not determinable"
    said = shown(content)
    assert said.startswith("NOT DETERMINABLE (SIMULATED BENCH)")
    assert "no step states a limit" in said
    assert 'state limits in them (such as "at most"), or add a traverse' in said
    assert core.verify(done.record.folder).is_intact
    assert core.report(done.record.folder).is_file()


@pytest.mark.parametrize(
    ("limit", "bench", "result", "code"),
    # 0.8 % (1 - exp(-t / 900 s)) from 5 min on: 0.8 exp(-1/3) = 0.573 % of span (closed form).
    [("0.3 %", WARM_UP, "fail", 1), ("0.7 %", WARM_UP, "pass", 0), ("0.1 %", {}, "pass", 0)],
)
def test_a_limit_that_a_step_states_is_the_verdict(alone, limit, bench, result, code):
    done = alone(f"{DRIFT}, at most: {limit}}}", bench=bench)
    assert (done.verdict.result, done.exit_code) == (result, code)
    said = shown(done.record.content)
    assert f"at most {limit}" in said
    assert "within its limit, or beyond it, where it is with its U" in said
    assert core.verify(done.record.folder).is_intact


def test_a_limit_that_cannot_be_told_leaves_the_verdict_open(alone):
    done = alone("hold: {at: 50 %, lasts: 20 s, every: 1 s, at most: 0.001 %}")
    assert (done.verdict.result, done.exit_code) == ("not determinable", 1)
    assert "1 result of its steps not determinable" in done.verdict.reason


# 12 mA and 0 mA where 4 + 0.9 * 16 = 18.4 mA is due: 40 % and 115 % of the span of 16 mA.
@pytest.mark.parametrize(("fault", "off"), [("stuck output, level: 50 %", "40 %"), ("meter fuse blown", "115 %")])
def test_the_limits_that_a_dead_unit_keeps_are_no_pass(alone, fault, off):
    bench = {"faults: []": f"faults: [{{fault: {fault}}}]"}
    done = alone("hold: {at: 90 %, lasts: 20 s, every: 1 s, change at most: 1 %}", bench=bench)
    assert (done.verdict.result, done.exit_code) == ("not determinable", 1)
    assert f"does not answer the input: at 90 % it stands {off}" in shown(done.record.content)


def test_one_limit_that_is_not_kept_outweighs_those_that_are(alone):
    done = alone(f"{DRIFT}, at most: 0.3 %}}", "ripple: {at: 50 %, at most: 5 %}", bench=WARM_UP)
    assert done.verdict.result == "fail"
    assert "ripple" not in done.verdict.reason


def test_a_limit_of_a_repeated_step_counts_at_each_level(alone):
    repeated = "repeat: [{ripple: {at: 50 %, at most: 0.00001 %}}]"
    done = alone(f"influence: {{of: supply voltage, reference: 24 V, at: 18 V, {repeated}}}")
    assert done.verdict.result in {"fail", "not determinable"}
    assert "supply voltage 18 V" in done.verdict.reason


def test_a_limit_for_an_output_that_nothing_repeated_reads_is_refused(alone):
    repeated = "at most: 1 %, repeat: [{ripple: {at: 50 %}}]"
    with pytest.raises(InputError, match='"at most" beside a traverse that is repeated'):
        alone(f"influence: {{of: supply voltage, reference: 24 V, at: 18 V, {repeated}}}")


def test_a_run_that_was_cut_off_is_no_pass(alone):
    done = alone(f"{DRIFT}, at most: 0.7 %}}", bench=WARM_UP)
    journal = done.record.folder / "journal.jsonl"
    for name in ("digest.json", "figures.json"):
        (done.record.folder / name).unlink()
    journal.write_bytes(b"".join(journal.read_bytes().splitlines(keepends=True)[:-1]))
    cut = core.load_record(done.record.folder)
    assert cut.content.verdict.result == "not determinable"
    assert "the run did not finish" in cut.content.verdict.reason


def test_two_without_a_traverse_are_not_compared(alone):
    folder = alone("ripple: {at: 50 %}").record.folder
    with pytest.raises(ReadingsError, match=r"has no traverse[\s\S]*set the reports of both beside each other"):
        core.compare(folder, folder)


def test_the_plan_says_what_the_verdict_rests_on(small):
    planned = small(sequence={TRAVERSE: "- ripple: {at: 50 %}"})
    text = " ".join(plan_text(planned).split())
    assert "TUR: none, no traverse is held against the tolerance" in text
    assert "the verdict is that of the limits which its steps state" in text
    with pytest.raises(PlanError, match="no traverse"):
        core.risk(planned)


def test_two_that_are_included_with_a_traverse_each_are_refused_with_what_to_run(tmp_path):
    for name in ("one", "two"):
        (tmp_path / f"{name}.yaml").write_text(f"{ISOLATOR.format(name)}  - traverse:\n", encoding="utf-8")
    both = tmp_path / "both.yaml"
    steps = "  - include: one.yaml\n  - ripple: {at: 50 %}\n  - include: two.yaml\n"
    both.write_text(ISOLATOR.format("both") + steps, encoding="utf-8")
    with pytest.raises(PlanError) as refused:
        core.plan(str(both), "simulated")
    assert "1 traverse (included one.yaml), 3 traverse (included two.yaml)" in refused.value.what
    assert refused.value.todo.endswith("--only 1,2, then --only 2,3")
    assert len(core.plan(str(both), "simulated", only="1,2").points) > 11


def test_a_batch_has_a_verdict_of_each_unit(small, tmp_path):
    planned = small(
        sequence={EXERCISE + TRAVERSE: "- hold: {at: 50 %, lasts: 1 h, every: 1 min, at most: 50 %}"}, bench_text=UNITS
    )
    result = core.batch(planned, serials=("A1", "A2"), results=tmp_path / "results")
    assert [unit.result for unit in result.content.units] == ["pass", "pass"]
    assert "no points: none was read in a traverse" in batch_text(result.content)


@pytest.mark.parametrize(
    "step",
    [
        "hold: {at: 50 %, lasts: 20 s, every: 1 s, at most: 9 %}",
        "hold: {at: 50 %, lasts: 20 s, every: 1 s, change at most: 9 %}",
        "ripple: {at: 50 %, readings: 40, at most: 9 %}",
        "step response: {moves: 10 % to 90 %, repeats: 1, at most: {T63: 9 s}}",
        "dead band: {at: 50 %, repeats: 1, most: 10 %, at most: 9 %}",
        "resolution: {at: 50 %, repeats: 1, most: 10 %, at most: 9 %}",
        "limits: {below: none, above: 110 %, levels: NE 43}",
        "limits: {below: none, above: 110 %, recovery: 9 s, recovery at most: 9 s}",
    ],
    ids=lambda text: text[:50],
)
@pytest.mark.parametrize("is_left_out", [False, True], ids=["no value", "no row"])
def test_a_step_that_no_reading_tells_of_is_never_a_pass(small, step, is_left_out):
    """The other step keeps its limit; the one that has no value leaves the verdict open."""
    hold = "- hold: {at: 90 %, lasts: 20 s, every: 1 s, change at most: 99 %}"
    plan = small(sequence={EXERCISE + TRAVERSE: f"{hold}\n  - {step}"})
    t = np.arange(21.0)
    rows = [
        {"serial": "A", "number": 1, "step": 1, "step_name": "hold", "cycle": 1, "direction": "up", "point": 0,
         "role": "hold", "attempt": 1, "reading": n, "tap": "output", "setpoint_pct": 90.0, "commanded": 900.0,
         "value": 18.4 + 1e-5 * (n % 3), "unit": "mA", "at_s": at_s, "settling": "steady"}
        for n, at_s in enumerate(t.tolist(), start=1)
    ]  # fmt: skip
    (role, *_) = registry()[step.partition(":")[0].replace(" ", "_")].roles
    bare = [row | {"number": 2, "step": 2, "role": role, "value": math.nan, "at_s": row["at_s"] + 60} for row in rows]
    found = examine(
        tidy(rows if is_left_out else rows + bare),
        plan.sequence.sheet,
        planned_n=0,
        ended=Ended(status="complete", reason=""),
        settings={number: settings for number, _, settings in plan.sequence.steps()},
    )
    assert found.verdict.result == "not determinable"
    assert "no reading of it has a value" in found.verdict.reason
