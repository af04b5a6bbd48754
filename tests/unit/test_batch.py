"""A batch on the simulated bench: each unit's record its own, whatever becomes of the others; one bench fault, all."""

import json
import math
import shutil

import pytest

import instruments.bench
from instruments.clock import VirtualClock
from instruments.errors import InputError
from instruments.simulated.bench import Mishap
from sequencer import core
from sequencer.journal.writer import Journal, entries
from sequencer.record.batch import records_of
from sequencer.reports.terminal.batch import batch_text
from sequencer.running.events import PointBegun, ReadingTaken

BENCH = """\
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
SHORT = {"{points: 5, cycles: 2, readings: 2}": "{points: 3, cycles: 1, readings: 2}"}
SERIALS = ("A1", "A2", "A3", "A4")


@pytest.fixture
def planned(small):
    def made(**changes):
        return small(**({"sequence": SHORT, "bench_text": BENCH} | changes))

    return made


def with_faults(text):
    return {"units: {}": f"units: {{{text}}}"}


def lines(result, serial):
    return list(entries(records_of(result.folder)[serial] / "journal.jsonl"))


def readings(result, serial, tap="output"):
    return [line for line in lines(result, serial) if line["kind"] == "reading" and line["tap"] == tap]


def verdicts(result):
    return {unit.serial: unit.result for unit in result.content.units}


def test_each_unit_has_a_sealed_record_of_its_own_and_says_which_batch_it_is_of(planned, tmp_path):
    result = core.batch(planned(), serials=SERIALS, results=tmp_path / "results", operator_name="A. Cellarman")
    assert result.exit_code == 0
    assert verdicts(result) == dict.fromkeys(SERIALS, "pass")
    records = records_of(result.folder)
    assert list(records) == list(SERIALS)
    for number, serial in enumerate(SERIALS, start=1):
        assert core.verify(records[serial]).is_intact
        content = core.load_record(records[serial]).content
        assert (content.serial, content.operator) == (serial, "A. Cellarman")
        assert (
            f"unit {number} of 4 of the batch {result.folder.name}, at place {number} of the bench" in content.remarks
        )
        assert {line["serial"] for line in lines(result, serial) if line["kind"] == "reading"} == {serial}
    assert json.loads((result.folder / "result.json").read_text())["answer"] == "all pass"


def test_a_reading_is_taken_behind_the_channel_of_its_unit_alone(planned, tmp_path):
    result = core.batch(planned(), serials=SERIALS, results=tmp_path / "results")
    closed = {"A1": "101", "A2": "102", "A3": "103", "A4": "104"}
    for serial, channel in closed.items():
        switched = [
            line["sent"] for line in lines(result, serial) if line["kind"] == "exchange" and "CLOS (" in line["sent"]
        ]
        assert set(switched) == {f"ROUT:CLOS (@{channel})"}


def test_the_fault_of_one_unit_stands_in_its_record_alone(planned, tmp_path):
    plan = planned(bench=with_faults("2: {faults: [{fault: span error, span: 0.8 %}]}"))
    result = core.batch(plan, serials=SERIALS, results=tmp_path / "results")
    assert verdicts(result) == {"A1": "pass", "A2": "fail", "A3": "pass", "A4": "pass"}
    assert result.exit_code == 1
    # y = x (1 + s): 0.8 % of span at the top, by the catalogue of faults.
    top = max(line["value"] for line in readings(result, "A2"))
    assert top == pytest.approx(20 + 0.008 * 16, abs=0.01)
    assert [each.cause for each in result.content.causes] == ["span error"]


def test_a_unit_that_settles_late_costs_the_others_no_reading_and_their_settling_is_their_own(planned, tmp_path):
    plan = planned(bench=with_faults("3: {faults: [{fault: lag, tau: 0.3 s}]}"))
    result = core.batch(plan, serials=SERIALS, results=tmp_path / "results")
    # A step of 50 % into 0.04 % of span takes ln(1250) = 7 time constants of 0.3 s; at 0 Hz the counter takes longer.
    steps = [line for line in lines(result, "A3") if line["kind"] == "settled" and line["after_s"] > 1.0]
    late = {line["number"] for line in steps if plan.points[line["number"] - 1].value > 0}
    assert len(late) > 2
    for number in late:
        first = min((line["at_s"] for line in readings(result, "A3") if line["number"] == number), default=math.inf)
        for serial in ("A1", "A2", "A4"):
            assert all(line["at_s"] < first for line in readings(result, serial) if line["number"] == number)
    assert len({len(readings(result, serial)) for serial in SERIALS}) == 1
    assert all(verdicts(result)[serial] == "pass" for serial in ("A1", "A2", "A4"))


def test_what_a_unit_waited_for_others_is_told_apart_from_its_own_settling(planned, tmp_path):
    plan = planned(bench=with_faults("3: {faults: [{fault: lag, tau: 0.3 s}]}"))
    result = core.batch(plan, serials=SERIALS, results=tmp_path / "results")
    settled = {serial: [line for line in lines(result, serial) if line["kind"] == "settled"] for serial in SERIALS}
    waited = {serial: sum(line.get("waited_s", 0.0) for line in settled[serial]) for serial in SERIALS}
    assert waited["A3"] > waited["A1"] >= 0  # it settles late, and is read between the others
    assert all(0 <= line.get("waited_s", 0.0) < line["after_s"] for each in settled.values() for line in each)


def test_the_input_is_read_while_the_units_settle_and_the_reading_that_ends_a_wait_is_the_first(planned, tmp_path):
    plan = planned(type_sheet={"time constant: 20 ms": "time constant: 0.4 s", "maximum: 3 s": "maximum: 20 s"})
    result = core.batch(plan, serials=SERIALS, results=tmp_path / "results")
    for serial in SERIALS:
        settled = {line["number"]: line for line in lines(result, serial) if line["kind"] == "settled"}
        for inputs, outputs in zip(readings(result, serial, "input"), readings(result, serial), strict=True):
            waited = settled[inputs["number"]]
            if outputs["reading"] == 1:
                assert outputs["at_s"] == pytest.approx(waited["at_s"] + waited["after_s"])
            if plan.points[inputs["number"] - 1].value > 0 and outputs["role"] == "reading":
                assert waited["at_s"] + 1 < inputs["at_s"] < waited["at_s"] + waited["after_s"]
            assert inputs["value"] == pytest.approx(plan.points[inputs["number"] - 1].value, abs=0.1)


def test_a_channel_that_does_not_close_leaves_its_unit_unread_and_the_others_as_they_are(planned, simulated, tmp_path):
    made, _ = simulated

    def stick(_, event):
        made[0].board.stuck.add("102")
        del event

    result = core.batch(planned(), serials=SERIALS, results=tmp_path / "results", listener=stick)
    assert verdicts(result)["A2"] == "no reading" or verdicts(result)["A2"] == "not determinable"
    assert all(line["value"] is None and line["note"] == "not connected" for line in readings(result, "A2"))
    assert [verdicts(result)[serial] for serial in ("A1", "A3", "A4")] == ["pass"] * 3


def test_a_channel_that_does_not_open_leaves_no_reading_of_two_units_at_once(planned, simulated, tmp_path):
    made, _ = simulated

    def stick(_, event):
        if "103" in made[0].plant.closed:
            made[0].board.stuck.add("103")
        del event

    plan = planned(bench=with_faults("3: {faults: [{fault: zero shift, zero: 40 %}]}"))
    result = core.batch(plan, serials=SERIALS, results=tmp_path / "results", listener=stick)
    for serial in ("A1", "A2", "A4"):  # not one of their readings is drawn to that of A3, 6.4 mA higher
        for line in readings(result, serial):
            ideal = 4 + 16 * line["setpoint_pct"] / 100
            assert line["value"] is None or line["value"] == pytest.approx(ideal, abs=0.05)
    assert any(line["note"] == "not connected" for line in readings(result, "A1"))


def test_a_dead_source_ends_all_and_every_journal_has_what_became_of_the_outputs(planned, simulated, tmp_path):
    _, mishaps = simulated
    mishaps.append(Mishap(kind="dropped", instrument="source", at_exchange=40, times_n=1000))
    result = core.batch(planned(), serials=SERIALS, results=tmp_path / "results")
    assert result.exit_code in {3, 4}
    ends = {serial: lines(result, serial)[-1] for serial in SERIALS}
    assert len({(line["kind"], line["status"], line["reason"]) for line in ends.values()}) == 1
    assert all(line["status"] in {"bench fault", "not safe"} for line in ends.values())


def test_a_dead_meter_is_recovered_once_for_all_and_nothing_is_lost(planned, simulated, tmp_path):
    made, mishaps = simulated
    mishaps.append(Mishap(kind="time-out", instrument="meter", at_exchange=60))
    result = core.batch(planned(), serials=SERIALS, results=tmp_path / "results")
    assert verdicts(result) == dict.fromkeys(SERIALS, "pass")
    told = [line for line in lines(result, "A3") if line["kind"] == "remark" and "point discarded" in line["text"]]
    assert len(told) == 1
    assert float(made[0]._devices["source"].handle("OUTP?")) == 0


def test_a_scanner_that_was_switched_off_and_on_is_set_up_again(planned, simulated, tmp_path):
    _, mishaps = simulated
    mishaps.append(Mishap(kind="power-cycled", instrument="scanner", at_exchange=40))
    result = core.batch(planned(), serials=SERIALS, results=tmp_path / "results")
    assert verdicts(result) == dict.fromkeys(SERIALS, "pass")


def test_dead_and_hopeless_units_are_dropped_only_where_that_is_wanted(planned, tmp_path):
    plan = planned(
        sequence={},
        bench=with_faults("2: {faults: [{fault: stuck output}]}, 3: {faults: [{fault: zero shift, zero: 5 %}]}"),
    )
    kept = core.batch(plan, serials=SERIALS, results=tmp_path / "kept")
    dropped = core.batch(plan, serials=SERIALS, results=tmp_path / "dropped", drops_failed=True)
    assert [unit.dropped != "" for unit in dropped.content.units] == [False, True, True, False]
    assert not any(unit.dropped for unit in kept.content.units)
    assert len(readings(dropped, "A2")) < len(readings(kept, "A2"))
    assert len(readings(dropped, "A1")) == len(readings(kept, "A1"))
    end = lines(dropped, "A2")[-1]
    assert (end["kind"], end["status"]) == ("closed", "stopped by the sequence")
    assert [line["kind"] for line in lines(dropped, "A2")].count("safe") == 1
    assert core.verify(records_of(dropped.folder)["A2"]).is_intact
    assert verdicts(dropped)["A1"] == "pass"


def test_an_error_of_the_bench_shows_in_all_units_and_is_told_apart_from_theirs(planned, tmp_path):
    plan = planned(bench={"faults: []": "faults: [{fault: meter gain, gain: 0.5 %}]"})
    result = core.batch(plan, serials=SERIALS, results=tmp_path / "results")
    assert result.exit_code == 1
    assert {unit.result for unit in result.content.units} == {"fail"}
    found = {each.name: each for each in result.content.common}
    # 0.5 % of reading, 4 .. 20 mA over a span of 16 mA: 0.125 % of span at 0 %, and 0.5 % more up to 100 %.
    assert found["span error"].found.size_pct == pytest.approx(0.5, abs=0.03)
    assert found["zero error"].found.size_pct == pytest.approx(0.125, abs=0.02)
    assert "all 4 units show" in found["span error"].text
    assert "suspect the bench" in found["span error"].text
    assert result.content.without_common_n == 4


def stopped_after(readings_n):
    seen = []

    def stop(serial, event):
        if isinstance(event, ReadingTaken) and serial:
            seen.append(event)
            if len(seen) == readings_n:
                raise KeyboardInterrupt

    return stop


@pytest.mark.parametrize("readings_n", [1, 13])
def test_a_batch_that_was_stopped_goes_on_with_all_its_units(planned, tmp_path, readings_n):
    stopped = core.batch(planned(), serials=SERIALS, results=tmp_path / "results", listener=stopped_after(readings_n))
    assert (stopped.exit_code, stopped.can_resume) == (130, True)
    before = {serial: readings(stopped, serial) for serial in SERIALS}
    assert sum(map(len, before.values())) > 0 or readings_n == 1
    assert {lines(stopped, serial)[-1]["kind"] for serial in SERIALS} == {"interrupted"}
    result = core.resume_batch(stopped.folder)
    assert result.exit_code == 0
    for serial in SERIALS:
        assert readings(result, serial)[: len(before[serial])] == before[serial]  # nothing that was read is lost
        assert core.verify(records_of(result.folder)[serial]).is_intact


def test_a_batch_that_was_killed_in_the_middle_of_a_point_goes_on_whatever_each_unit_had(planned, tmp_path):
    whole = core.batch(planned(), serials=SERIALS, results=tmp_path / "whole")
    results = tmp_path / "cut"
    shutil.copytree(whole.folder, results / whole.folder.name)
    for cut_n, (_, record) in zip((3, 4, 9, 0), records_of(whole.folder).items(), strict=True):
        shutil.copytree(record / "inputs", results / record.name / "inputs")
        written = (record / "journal.jsonl").read_bytes().splitlines(keepends=True)
        read = [number for number, line in enumerate(written) if line.startswith(b'{"kind": "reading"')]
        last = read[cut_n - 1] + 1 if cut_n else read[0] - 5
        (results / record.name / "journal.jsonl").write_bytes(b"".join(written[:last]) + b'{"kind": "rea')
    result = core.resume_batch(results / whole.folder.name)
    assert verdicts(result) == dict.fromkeys(SERIALS, "pass")
    assert all(core.verify(record).is_intact for record in records_of(result.folder).values())


def test_one_unit_of_a_stopped_batch_can_be_gone_on_with_alone_at_its_place(planned, tmp_path):
    plan = planned(bench=with_faults("2: {faults: [{fault: span error, span: 0.8 %}]}"))
    stopped = core.batch(plan, serials=SERIALS, results=tmp_path / "results", listener=stopped_after(13))
    alone = core.resume(records_of(stopped.folder)["A2"])
    assert alone.evaluation.verdict.result == "fail"  # it is the unit at place 2 that was read
    result = core.resume_batch(stopped.folder)
    assert verdicts(result) == {"A1": "pass", "A2": "fail", "A3": "pass", "A4": "pass"}


ONE_AFTER_ANOTHER = {
    "driven: together": "driven: one after another",
    "{1: 101, 2: 102, 3: 103, 4: 104}": "{1: [101, 201], 2: [102, 202], 3: [103, 203], 4: [104, 204]}",
}


def test_units_that_are_driven_one_after_another_are_connected_with_their_source(planned, simulated, tmp_path):
    made, _ = simulated
    plan = planned(bench=ONE_AFTER_ANOTHER | with_faults("2: {faults: [{fault: span error, span: 0.8 %}]}"))
    result = core.batch(plan, serials=SERIALS[:3], results=tmp_path / "results")
    assert verdicts(result) == {"A1": "pass", "A2": "fail", "A3": "pass"}
    assert len(made) == 3
    for serial, channels in zip(SERIALS, ("101,201", "102,202", "103,203"), strict=False):
        sent = [line["sent"] for line in lines(result, serial) if line["kind"] == "exchange"]
        assert next(each for each in sent if "CLOS (" in each) == f"ROUT:CLOS (@{channels})"
        assert sent.index(f"ROUT:CLOS (@{channels})") < sent.index("OUTP ON")  # no source is switched while it drives


def test_a_batch_one_after_another_that_was_stopped_goes_on_with_the_unit_and_those_not_begun(planned, tmp_path):
    plan = planned(bench=ONE_AFTER_ANOTHER)
    stopped = core.batch(plan, serials=SERIALS[:3], results=tmp_path / "results", listener=stopped_after(16))
    assert [unit.result for unit in stopped.content.units][2] == "not begun"
    assert stopped.exit_code == 130
    result = core.resume_batch(stopped.folder)
    assert verdicts(result) == dict.fromkeys(SERIALS[:3], "pass")
    assert result.exit_code == 0
    named = {record.name.rpartition("_")[2] for record in records_of(result.folder).values()}
    assert named == {plan.sequence.document.path.stem}  # also of the one that was begun from the inputs kept by another


def test_a_person_moves_the_leads_once_a_unit(small, answers, monkeypatch, tmp_path):
    monkeypatch.setattr(instruments.bench, "RealClock", VirtualClock)
    bench = """\
bench: a person sets, reads and moves the leads
instruments:
  source: {description: keyed-source, safe level: 0 Hz}
  meter: {description: keyed-meter}
taps:
  input: {set by: source}
  output: {read by: meter}
"""

    class Person(answers):
        def ask(self, question):
            self.questions.append(question)
            return f"{question.expected:.4f}" if question.kind == "reading" else "yes"

    person = Person()
    result = core.batch(
        small(sequence=SHORT, bench_text=bench), serials=("A1", "A2"), results=tmp_path / "results", operator=person
    )
    moves = [each.text for each in person.questions if "Connect" in each.text]
    assert moves == [
        "Unit 1 of 2: the source is off. Connect A1, source and meter leads. Is it connected?",
        "Unit 2 of 2: the source is off. Connect A2 in place of A1, source and meter leads. Is it connected?",
    ]
    assert len(readings(result, "A1")) == len(readings(result, "A2")) > 0


@pytest.mark.parametrize(
    ("serials", "why"),
    [
        (("A1", "A2", "a1"), "given twice"),
        (("A1", "A2", "A3", "A4", "A5"), "5 units for a bench with 4 places"),
        ((), "no unit in this batch"),
    ],
)
def test_units_that_do_not_fit_are_refused_before_anything_is_energised(planned, tmp_path, serials, why):
    with pytest.raises(InputError, match=why):
        core.batch(planned(), serials=serials, results=tmp_path / "results")
    assert not (tmp_path / "results").exists()


def test_steps_that_follow_one_unit_are_done_unit_by_unit_where_the_source_drives_all(planned, tmp_path):
    more = "{points: 3, cycles: 1, readings: 2, until: 0.05 % of span, most: 3}"
    search = "dead band: {at: 50 %, step: 0.2 %, most: 4 %, repeats: 1}"
    plan = planned(
        sequence={"{points: 5, cycles: 2, readings: 2}": f"{more}\n  - {search}"},
        bench=with_faults("2: {faults: [{fault: dead band, width: 2 %}]}"),
    )
    told = "steps 2 traverse, 3 dead band follow one unit: the units of a batch are tested one after another"
    assert any(each.startswith(told) for each in plan.warnings)
    result = core.batch(plan, serials=("A1", "A2"), results=tmp_path / "results")
    bands = {}
    for serial, folder in records_of(result.folder).items():
        assert core.verify(folder).is_intact
        content = core.load_record(folder).content
        assert content.status == "complete"
        (bands[serial],) = content.steps["dead_band"]
    # The catalogue: the output follows once the input has moved by the band, 2 % here; the other one answers at once.
    assert bands["A1"].high_pct < 0.5
    assert bands["A2"].low_pct <= 2 <= bands["A2"].high_pct
    assert readings(result, "A1")[-1]["at_s"] > 0


def test_units_under_a_quantity_that_the_bench_holds_are_each_judged_by_what_it_does_to_them(planned, tmp_path):
    step = "{points: 3, cycles: 1, readings: 2}"
    bench = BENCH.replace("taps:", '  supply: {description: generic-scpi-supply, resource: "GPIB0::11::INSTR"}\ntaps:')
    plan = planned(
        sequence={
            "{points: 5, cycles: 2, readings: 2}": f"{step}\n  - influence: {{of: supply voltage, reference: 24 V, "
            "at: [18 V, 30 V], at most: 0.1 %}"
        },
        bench_text=f"{bench}quantities:\n  supply voltage: {{set by: supply, reference: 24 V}}\n",
        bench=with_faults("2: {faults: [{fault: supply effect}]}"),
    )
    result = core.batch(plan, serials=("A1", "A2"), results=tmp_path / "results")
    # 0.02 % of span a volt by the catalogue: 0.12 % at 6 V from the reference.
    assert verdicts(result) == {"A1": "pass", "A2": "fail"}
    for serial in ("A1", "A2"):
        held = [line["level"] for line in lines(result, serial) if line["kind"] == "held"]
        assert held == ["24 V", "18 V", "24 V", "30 V", "24 V"]


def test_a_person_who_reads_is_asked_unit_by_unit(planned):
    plan = planned(
        bench={
            "output: {read by: meter}": "output: {read by: hand}",
            "  scanner:": "  hand: {description: keyed-meter}\n  scanner:",
        }
    )
    told = '"hand" is read by a person: the units of a batch are tested one after another'
    assert any(each.startswith(told) for each in plan.warnings)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"connected by: scanner": "connected by: scaner"}, 'no instrument "scaner" on this bench'),
        ({"connected by: scanner": "connected by: meter"}, '"meter" is no scanner'),
        ({"2: 102": "2: 101"}, "each channel at one place"),
        ({"2: 102": "2: x"}, "is no channel list"),
        (with_faults("7: {seed: 3}"), "no place 7 on this bench"),
    ],
)
def test_a_bench_file_that_cannot_be_wired_so_is_refused(planned, change, why):
    with pytest.raises(InputError) as refused:
        planned(bench=change)
    assert why in str([refused.value.what, refused.value.allowed, *(each.what for each in refused.value.others)])


def test_a_full_journal_of_one_unit_ends_the_run_and_every_unit_keeps_what_was_read(planned, monkeypatch, tmp_path):
    written = Journal._append

    def full(self, kind, *, sync, fields):
        written(self, kind, sync=sync, fields=fields)
        if kind == "reading" and "_A2_" in str(self.path):
            self._fault = OSError(28, "No space left on device")

    monkeypatch.setattr(Journal, "_append", full)
    result = core.batch(planned(), serials=SERIALS, results=tmp_path / "results")
    assert result.exit_code == 3
    assert len(readings(result, "A1")) >= 1
    assert len(readings(result, "A2", tap="input")) == 1
    assert not any(math.isnan(line["value"]) for line in readings(result, "A1"))


def test_a_quantity_of_the_bench_is_led_through_its_levels_for_all_units_at_once(small, tmp_path):
    # Unit 3 moves by 0.05 % of span a volt: -0.3 % at 18 V, +0.3 % at 30 V (closed form); the others do not.
    supply = '  supply: {description: generic-scpi-supply, resource: "TCPIP::127.0.0.1::3::SOCKET"}\ntaps:'
    bench = BENCH.replace("taps:", supply).replace(
        "units: {}", "units: {3: {faults: [{fault: supply effect, zero: 0.05 %}]}}"
    )
    led = "- influence: {of: supply voltage, reference: 24 V, at: [18 V, 30 V], at most: 0.1 %}"
    planned = small(
        sequence={"- exercise: {cycles: 1}\n  - traverse: {points: 5, cycles: 2, readings: 2}": led},
        bench_text=f"{bench}quantities: {{supply voltage: {{set by: supply, reference: 24 V}}}}\n",
    )
    result = core.batch(planned, serials=SERIALS, results=tmp_path / "results")
    assert verdicts(result) == {"A1": "pass", "A2": "pass", "A3": "fail", "A4": "pass"}
    (found,) = core.load_record(records_of(result.folder)["A3"]).content.steps["influence"]
    middle = next(each for each in found.moved if each.name == "output at 50 %")
    assert middle.effect.change == pytest.approx([-0.3, 0.3], abs=0.02)
    safe = [line["instrument"] for line in lines(result, "A3") if line["kind"] == "safe"]
    assert {"source", "supply"} <= set(safe)


def test_units_that_are_not_over_are_no_failures_and_the_shares_are_of_those_that_are(planned, tmp_path):
    plan = planned(
        sequence={},
        bench=with_faults(
            "2: {faults: [{fault: span error, span: 3 %}]}, 3: {faults: [{fault: zero shift, zero: 3 %}]}"
        ),
    )

    def stop(_, event):
        if isinstance(event, PointBegun) and event.point.number == 9:
            raise KeyboardInterrupt

    result = core.batch(plan, serials=SERIALS, results=tmp_path / "results", listener=stop)
    assert verdicts(result)["A1"] == "not determinable"
    causes = result.content.causes
    assert sorted(serial for each in causes for serial in each.serials) == ["A2", "A3"]
    # Two units failed, each of another cause: 50 % each, 50 and 100 % counted up.
    assert [(each.share_pct, each.cumulative_pct) for each in causes] == [(50, 50), (50, 100)]


def test_what_all_units_have_in_common_is_their_cause_where_it_explains_them(planned, tmp_path):
    faults = ", ".join(f"{place}: {{faults: [{{fault: zero shift, zero: 1 %}}]}}" for place in (1, 2, 3))
    faults += ", 4: {faults: [{fault: zero shift, zero: 1 %}, {fault: hysteresis, size: 2 %}]}"
    result = core.batch(planned(sequence={}, bench=with_faults(faults)), serials=SERIALS, results=tmp_path / "results")
    assert any("suspect the bench" in each.text for each in result.content.common)
    first, *others = result.content.causes
    assert (first.cause, first.serials) == ("what all units have in common: suspect the bench", ("A1", "A2", "A3"))
    assert [each.serials for each in others] == [("A4",)]
    told = " ".join(batch_text(result.content).split())
    assert "causes of 4 units that failed or could not be judged: share of these, and of all up to there" in told
    assert "3 (75 %, 75 %) what all units have in common" in told
