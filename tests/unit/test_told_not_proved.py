"""A source that gives no way to ask whether it is safe: "told, not proved" wherever something is said of it."""

import json
import shutil
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from instruments.clock import RealClock
from instruments.errors import StoppedError, UnsafeError
from instruments.latch import LeftOn
from instruments.proof import prove_safe
from instruments.simulated.bench import SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.server import serve
from sequencer import core
from sequencer.cli.command import cli
from sequencer.reports.html import html
from sequencer.reports.terminal import plan_text, summary
from sequencer.running.events import MadeSafe, event_document
from sequencer.running.outcome import outcome_of

READ_BACK, OUTPUT_QUERY = '    read back: "SOUR:FREQ?"\n', '    output query: {ask: "OUTP?"}\n'
IDENTIFY = 'identify: "*IDN?"'
MUTE = {
    READ_BACK: "",
    '    output query: {ask: "OUTP?"}\n': "",
    IDENTIFY: 'identify: ""',
    'error query: {ask: "SYST:ERR?", none: "0"}\n': "",
    'event status: "*ESR?"\n': "",
    'ready: "*OPC?"\n': "",
}
TOLD = "source was told to go to its safe level, 0 Hz, and off: told, not proved"
NO_READER = {"input: {set by: source, read by: reference}": "input: {set by: source}"}


@pytest.fixture
def mute(small, described):
    """The small plan, its source with nothing to ask but what is kept."""

    def planned(bench=NO_READER, *, but=()):
        name = described("source", {old: new for old, new in MUTE.items() if old not in but})
        return small(bench={"source: {description: generic-scpi-source": f"source: {{description: {name}"} | bench)

    return planned


def test_plan_says_so_and_asks_for_a_second_instrument(mute, small):
    planned = mute()
    text = " ".join(plan_text(planned, width=80).split())
    assert "safe level 0 Hz, told, not proved" in text
    assert (
        "source gives no way to ask whether it is at its safe level and off: told, not proved; let a second instrument "
        'read the tap "input", or give "read back" or "output query" in the description if there is one'
    ) in text
    assert core.plan_document(planned)["wiring"][0]["proves_safe"] is False
    read = " ".join(plan_text(mute({}), width=80).split())
    assert "told, not proved, unless reference reads it there" in read
    sound = small()
    assert "told, not proved" not in plan_text(sound, width=80)
    assert [each["proves_safe"] for each in core.plan_document(sound)["wiring"]] == [True, None]


@pytest.mark.parametrize("kept", [READ_BACK, OUTPUT_QUERY], ids=str.strip)
def test_one_thing_to_ask_is_a_proof(mute, kept):
    assert mute(but=[kept]).wires[0].source.proves_safe


def test_a_pass_with_such_a_source_carries_a_reservation_wherever_it_is_shown(mute, tmp_path):
    told = []
    result = core.run(mute(), serial="x", results=tmp_path / "results", listener=told.append)
    assert (result.exit_code, result.evaluation.verdict.result) == (0, "pass")  # the unit is none the worse for it
    content = result.record.content
    assert f"reservation: {TOLD}" in " ".join(summary(content, width=80, colour=False).split())
    assert TOLD in html(content)
    assert core.document(content)["told_not_proved"] == [TOLD]
    assert json.loads((result.record.folder / "figures.json").read_text())["told_not_proved"] == [TOLD]
    (safe,) = [event_document(each) for each in told if isinstance(each, MadeSafe)]
    assert safe == {"event": "safe", "instrument": "source", "level": "0 Hz", "proved": False}
    assert "source is at its safe level" not in summary(content, width=80, colour=False) + html(content)


def test_a_source_that_proves_it_carries_none(small, tmp_path):
    result = core.run(small(), serial="x", results=tmp_path / "results")
    assert core.document(result.record.content)["told_not_proved"] == []
    assert "told" not in summary(result.record.content, width=80, colour=False)


def test_the_terminal_says_so_and_nobody_is_told_that_outputs_are_safe(mute, tmp_path, monkeypatch):
    planned = mute()
    monkeypatch.chdir(tmp_path / "files")
    done = CliRunner().invoke(cli, ["run", "small.yaml", "--bench", "small.bench.yaml", "--serial", "x"])
    assert done.exit_code == 0
    assert TOLD in " ".join(done.stderr.split())
    assert f"reservation: {TOLD}" in " ".join(done.stdout.split())
    assert planned.wires[0].source.proves_safe is False
    stopped = outcome_of(KeyboardInterrupt("Ctrl-C"), None, at="at point 3", told={"source"})
    assert isinstance(stopped.error, StoppedError)
    assert stopped.error.what == "stopped by Ctrl-C at point 3; source told to be safe, not proved"
    assert outcome_of(KeyboardInterrupt(), None, at="at point 3").error.what.endswith("; outputs are safe")


@pytest.mark.parametrize(
    ("kept", "label", "said"),
    [
        ([], "told", "2 ranges told, told its safe level of 0 Hz and off: told, not proved"),
        ([READ_BACK], "ok", "2 ranges told, at its safe level of 0 Hz, told to switch off"),
        ([OUTPUT_QUERY], "ok", "2 ranges told, told its safe level of 0 Hz, output off"),
        ([IDENTIFY], "ok", "2 ranges told, told its safe level of 0 Hz and off: told, not proved"),
    ],
    ids=["nothing", "level read back", "output query", "identity"],
)
def test_bench_check_says_only_what_was_asked(mute, tmp_path, monkeypatch, kept, label, said):
    mute({}, but=kept)
    monkeypatch.chdir(tmp_path / "files")
    text = (tmp_path / "files" / "own-source.yaml").read_text(encoding="utf-8")
    head, functions = text.split("functions:\n")
    frequency = "  frequency:" + functions.split("  frequency:")[1].split("  resistance:")[0]
    (tmp_path / "files" / "own-source.yaml").write_text(f"{head}functions:\n{frequency}", encoding="utf-8")
    done = CliRunner().invoke(cli, ["bench", "check", "small.bench.yaml"])
    assert done.exit_code == 0, done.output
    first, *lines = done.stdout.split("ok    meter:")[0].split("ok    reference:")[0].splitlines()
    assert first.split()[:2] == [label, "source:"]
    found = [line.strip() for line in lines]
    assert found[0] == f"{'identified' if IDENTIFY in kept else 'not asked who it is'}, not asked for errors"
    assert found[1] == f"frequency: {said}"


@pytest.mark.parametrize(
    ("kept", "why"),
    [
        ([], "which instrument it is"),
        ([READ_BACK], "which instrument it is"),
        ([IDENTIFY], "whether it did"),
    ],
)
def test_what_a_killed_run_left_on_is_told_and_left_to_a_person(mute, kept, why):
    """After a crash nobody knows that it is the same source, or that it obeyed."""
    planned = mute(but=kept)
    identity = "LIVEZERO,SIMULATED SOURCE,0,0.1"
    wired = (SimulatedInstrument(name="source", resource="x", identity=identity, sets="input"),)
    simulated = SimulatedBench(planned.sheet, wired, clock=RealClock())
    for message in ("SOUR:FUNC FREQ", "SOUR:FREQ 500", "OUTP ON"):
        simulated.exchange("source", message)
    with serve(simulated) as there:
        left = LeftOn(
            name="source", resource=there.resources["source"], library="@py", function="frequency", safe_level="0 Hz",
            description=planned.bench.descriptions["source"], identity=identity if IDENTIFY in kept else "",
        )  # fmt: skip
        with pytest.raises(UnsafeError, match=f"NOT proved safe: told .* its description gives no way to ask {why}"):
            prove_safe(left)
        end_s = time.monotonic() + 10  # nothing was asked, so nobody knows when it is obeyed
        while float(simulated.exchange("source", "OUTP?").line) and time.monotonic() < end_s:
            time.sleep(0.01)
        assert float(simulated.exchange("source", "OUTP?").line) == 0


@pytest.mark.parametrize(
    "line", ['{"kind": "safe"}', '{"kind": "safe", "instrument": ["x"], "level": {}, "proved": false}']
)
def test_a_safe_line_of_another_shape_keeps_no_record_from_being_read(tmp_path, line):
    shutil.copytree(Path(__file__).parents[1] / "kept_records" / "cut-off", tmp_path / "record")
    with (tmp_path / "record" / "journal.jsonl").open("a", encoding="utf-8") as journal:
        journal.write(f"{line}\n")
    assert len(core.load_record(tmp_path / "record").readings) > 0
