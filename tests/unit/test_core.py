"""One function for each thing a user can do: what comes back, and with which exit code."""

import json

import pytest

import sequencer
from instruments.errors import InputError, PlanError, RecordError, StoppedError
from instruments.simulated.bench import Mishap
from sequencer import core
from sequencer.running.events import event_document


@pytest.fixture
def kept(tmp_path):
    return tmp_path / "kept"


def test_a_run_hands_back_verdict_record_and_exit_code(small, kept):
    result = core.run(small(), serial=" GF-104 ", results=kept, state="as found", operator_name="N. N.")
    assert result.exit_code == 0
    assert result.outcome.status == "complete"
    content = result.record.content
    assert (content.serial, content.state, content.operator) == ("GF-104", "as found", "N. N.")
    assert (result.record.folder / "report.html").is_file()
    again = core.load_record(result.record.folder)
    assert core.document(again.content) == core.document(content)
    assert again.content.digest == content.digest


def test_a_unit_that_fails_has_exit_code_1(small, kept):
    result = core.run(small(bench={"faults: []": "faults: [{fault: span error, span: 1 %}]"}), serial="x", results=kept)
    assert result.exit_code == 1
    assert result.evaluation.verdict.result == "fail"


def test_a_subscriber_is_told_what_was_found_once_the_record_is_sealed(small, kept):
    seen = []
    faulty = small(bench={"faults: []": "faults: [{fault: zero shift, zero: 1 %}]"})
    result = core.run(faulty, serial="x", results=kept, listener=seen.append)
    documents = [event_document(each) for each in seen]
    assert [each["event"] for each in documents[-2:]] == ["closed", "finding"]
    found = documents[-1]
    assert "zero shift" in found["names"]
    assert 0.5 < found["weight"] <= 1
    assert (found["stage"], found["check"]) == (
        result.record.content.findings.stage,
        result.record.content.findings.check,
    )


def test_two_runs_are_two_records(small, kept):
    one, other = (core.run(small(), serial="x", results=kept).record.folder for _ in range(2))
    assert one != other
    assert (one / "journal.jsonl").read_bytes() == (other / "journal.jsonl").read_bytes()


def test_without_a_serial_nothing_is_opened(small, kept):
    with pytest.raises(InputError, match="the serial of the unit is missing"):
        core.run(small(), serial=" \t", results=kept)
    assert not kept.exists()


@pytest.mark.parametrize(
    ("mishap", "status", "code"),
    [
        ({"instrument": "meter", "at_exchange": 30}, "bench fault", 3),
        ({"instrument": "source", "at_exchange": 20}, "not safe", 4),
    ],
)
def test_a_dead_instrument_is_an_outcome_with_its_exit_code(small, kept, simulated, mishap, status, code):
    simulated[1][:] = [Mishap(kind="time-out", times_n=10_000, **mishap)]
    result = core.run(small(), serial="x", results=kept)
    assert (result.outcome.status, result.exit_code) == (status, code)
    assert json.loads((result.record.folder / "figures.json").read_text())["status"] == status


def test_a_stop_by_a_listener_is_an_outcome_with_exit_code_130(small, kept):
    def stop(event):
        if type(event).__name__ == "ReadingTaken":
            raise StoppedError("stopped at the page")

    result = core.run(small(), serial="x", results=kept, listener=stop)
    assert (result.outcome.status, result.exit_code) == ("interrupted", 130)
    assert "stopped at the page" in result.record.content.reason


def test_a_fault_of_a_listener_comes_out_and_the_record_is_closed(small, kept):
    def fail(event):
        if type(event).__name__ == "ReadingTaken":
            raise ZeroDivisionError("of a listener")

    with pytest.raises(ZeroDivisionError, match="of a listener"):
        core.run(small(), serial="x", results=kept, listener=fail)
    (folder,) = kept.iterdir()
    content = core.load_record(folder).content
    assert content.status == "interrupted"
    assert "a fault of livezero itself, ZeroDivisionError (at point 3 of 23)" in content.reason


def test_an_output_that_is_not_safe_does_not_hide_behind_a_full_disk(small, kept, simulated, monkeypatch):
    def full(_):
        raise RecordError("the record cannot be written: No space left on device")

    monkeypatch.setattr("sequencer.jobs.drive.seal", full)
    whole = core.run(small(), serial="x", results=kept)
    assert "No space left" in whole.unwritten.what
    assert (whole.evaluation.verdict.result, whole.exit_code) == ("pass", 3)  # judged, and not sealed
    simulated[1][:] = [Mishap(kind="time-out", instrument="source", at_exchange=20, times_n=10_000)]
    unsafe = core.run(small(), serial="x", results=kept)
    assert "switch it off by hand, now" in unsafe.outcome.error.todo
    assert unsafe.exit_code == 4


def test_where_nobody_is_there_the_run_stops_at_the_first_question():
    with pytest.raises(StoppedError, match=r"no operator is present to answer: .*\n  do: run at a terminal"):
        core.Nobody().ask(type("Question", (), {"text": "Guards on?"})())


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: core.load("puls-to-current"), 'write "pulse-to-current"'),
        (lambda: core.load_type("puls-to-current"), 'write "pulse-to-current"'),
        (lambda: core.load_bench("simulatd"), 'write "simulated"'),
        (lambda: core.load_bench(""), "there is no bench file"),
        (lambda: core.load(""), "there is no sequence"),
    ],
)
def test_a_slip_in_a_name_is_answered_with_the_nearest(call, says):
    with pytest.raises(InputError, match=says):
        call()


def test_a_bench_with_limits_for_another_quantity_is_refused_before_it_is_opened():
    with pytest.raises(PlanError, match='limits of "source" are in mA, but it sets Hz here'):
        core.plan("pulse-to-current", "workshop-network")
    assert core.plan("current-isolator", "workshop-network").limits[1][1].high == 22


@pytest.mark.parametrize("name", sorted(core.shipped_names()["sequences"]))
def test_a_plan_is_a_document_without_a_nan(name):
    document = core.plan_document(core.plan(name, "simulated"))
    again = json.loads(json.dumps(document, allow_nan=False))
    assert again["points"][0]["number"] == 1
    assert again["limits"]["limits of the unit"]


def test_readings_by_hand_are_a_document_without_a_nan(by_hand):
    path = by_hand("input;output", [(0, 4), (500, "")])
    content = core.by_hand(path, "pulse-to-current", serial="GF-104")
    document = json.loads(json.dumps(core.document(content), allow_nan=False))
    assert document["verdict"]["result"] == "not determinable"
    assert document["visits"][1]["output"] is None
    assert content.status == "by hand"


def test_a_table_of_a_run_evaluates_to_what_the_run_found(small, kept):
    plan = small()
    result = core.run(plan, serial="x", results=kept)
    again = core.evaluate(result.record.folder / "readings.csv", plan.sequence.sheet)
    for each in again.figures:  # what the instruments are good for is not in the table
        assert each.value == result.evaluation.figure(each.name).value, each.name
    assert again.visits.equals(result.evaluation.visits[again.visits.columns])


def test_what_comes_along_is_copied_and_nothing_is_overwritten(tmp_path):
    copied = core.copy_shipped(tmp_path / "mine")
    assert core.load(tmp_path / "mine" / "pulse-to-current.yaml").sheet.type
    assert (tmp_path / "mine" / "types" / "pulse-to-current.yaml") in copied
    with pytest.raises(InputError, match="nothing is overwritten"):
        core.copy_shipped(tmp_path / "mine")


@pytest.mark.parametrize("kind", ["sequence", "type", "bench", "instrument"])
def test_a_schema_forbids_what_is_not_a_key(kind):
    schema = core.schema(kind)
    assert schema["additionalProperties"] is False
    assert schema["title"] == f"livezero {kind}"


def test_every_name_that_the_package_offers_is_there():
    for name in sequencer.__all__:
        assert getattr(sequencer, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'plna'"):
        sequencer.plna  # noqa: B018


def test_readings_by_hand_get_the_uncertainty_of_the_instruments_named(tmp_path, by_trials):
    table = tmp_path / "readings.csv"
    table.write_text("injected [Hz];returned [mA]\n0;4,000\n500;12,000\n1000;20,000\n500;12,000\n0;4,000\n")
    found = core.by_hand(table, "pulse-to-current", bench="by-hand").evaluation
    assert core.by_hand(table, "pulse-to-current").evaluation.budget is None
    top = found.visits[found.visits["setpoint_pct"] == 100].iloc[0]
    # At 1000 Hz and 20 mA. Source 0.01 % of 1000 Hz + 0.02 Hz = 0.12 Hz, at 16 uA/Hz 1.92 uA; half its step of 0.01 Hz
    # 0.08 uA. Meter 0.02 % of 20 mA + 2 uA = 6 uA; half its step 0.5 uA. All rectangular (GUM 4.3.7).
    assert top["U"] == pytest.approx(by_trials(1.92, 0.08, 6.0, 0.5) * 1e-3, rel=0.012)
    assert found.verdict.result == "conditional pass"  # one reading a point: the scatter is not known


def test_what_a_run_found_is_locked_and_only_the_report_can_be_written_again(small, tmp_path):
    folder = core.run(small(), serial="GF-104", results=tmp_path / "results").record.folder
    for name in ("journal.jsonl", "readings.csv", "figures.json", "digest.json", "inputs/type.yaml"):
        assert not (folder / name).stat().st_mode & 0o222
    core.report(folder)
