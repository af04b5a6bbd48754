"""Every ready sequence loads, plans, and passes on the simulated bench; the chain names its guilty stage."""

import pytest

from instruments.clock import VirtualClock
from instruments.shipped import shipped
from sequencer import core
from sequencer.inputs.files import load_sequence, load_type_sheet
from sequencer.planning.plan import plan

TYPE_TESTS = sorted(path.stem for path in shipped("sequences").glob("*-type-test.yaml"))
# For a person, and the bench that a person has for it.
BY_HAND = {
    "pulse-to-current-by-hand": "by-hand",
    "pt100-to-current-by-hand": "by-hand-decade",
    "thermocouple-k-to-current-by-hand": "by-hand-millivolts",
    "differential-pressure-flow-by-hand": "by-hand-pressure",
    "glycol-pump-loop-by-hand": "by-hand-pump-loop",
}
ALL = {path.stem for path in shipped("sequences").glob("*.yaml")}
NAMES = sorted(ALL - {"noise-check"} - set(TYPE_TESTS) - set(BY_HAND))
TYPES = sorted(path.stem for path in shipped("sequences", "types").glob("*.yaml"))
# One cycle, few readings: enough to see each point both ways, and quick.
SHORT = {"cycles: 3, readings: 5": "cycles: 1, readings: 2", "exercise: {cycles: 3}": "exercise: {cycles: 1}"}


@pytest.fixture
def planned(tmp_path):
    def made(name, *, faults=(), short=True):
        text = shipped("sequences", f"{name}.yaml").read_text(encoding="utf-8")
        for old, new in SHORT.items() if short else ():
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / f"{name}.yaml"
        kind = next(line for line in text.splitlines() if line.startswith("type sheet:"))
        text = text.replace(kind, f"type sheet: {name}")  # by the name it comes along under
        path.write_text(text, encoding="utf-8")
        bench = core.load_bench("simulated").with_simulation(seed=7, faults=tuple(faults))
        return plan(load_sequence(str(path)), bench)

    return made


def test_every_type_sheet_has_its_sequence():
    assert NAMES == TYPES


@pytest.mark.parametrize("name", NAMES)
def test_a_ready_sequence_loads_by_its_name_with_its_own_type_sheet(name):
    loaded = load_sequence(name)
    assert loaded.sheet.type == load_type_sheet(name)[0].type
    assert "invented" in loaded.sheet.type
    assert any("live loop" in caution for caution in loaded.file.cautions)
    assert any("Local codes" in caution for caution in loaded.file.cautions)


class Reader:
    """A person at a unit without any error: reads what is expected, and counts what there was to do."""

    def __init__(self):
        self.asked = []

    def ask(self, question):
        self.asked.append(question.kind)
        return {"caution": "yes", "set": "", "reading": f"{question.expected or 0:.5f}"}.get(question.kind, "yes")


def test_every_ready_sequence_by_hand_has_its_bench():
    assert set(BY_HAND) == {name for name in ALL if name.endswith("-by-hand")}


@pytest.mark.parametrize("name", BY_HAND)
def test_a_person_does_a_ready_sequence_in_five_points_up_and_down(name, run, monkeypatch):
    monkeypatch.setattr("instruments.bench.RealClock", VirtualClock)
    person = Reader()
    planned = core.plan(name, BY_HAND[name])
    verdict = run(planned, operator=person).record.evaluation.verdict
    assert verdict.result == "conditional pass", verdict.reason
    assert verdict.reservations == ("one reading a point, one cycle: the scatter of the readings is not known",)
    taps_n = sum(wire.receiver is not None for wire in planned.wires)
    # Five points up and five down, one reading each at every tap that is read; an end pair of one at each end.
    assert person.asked.count("reading") <= 12 * taps_n
    assert person.asked.count("set") <= 18


@pytest.mark.parametrize("name", NAMES)
def test_a_ready_sequence_plans_on_the_simulated_bench(name, planned):
    found = planned(name, short=False)
    reading = [point for point in found.points if point.role == "reading"]
    assert {point.setpoint.cycle for point in reading} == {1, 2, 3}
    assert {point.setpoint.direction for point in reading} == {"up", "down"}
    assert sum(point.role == "end pair" for point in found.points) == 6
    assert sum(point.role == "exercise" for point in found.points) == 6
    assert min(point.setpoint.frac for point in reading) == 0
    assert max(point.setpoint.frac for point in reading) == 1
    assert found.wires[0].receiver is not None
    assert 20 < found.estimate_s < 4 * 3600


@pytest.mark.parametrize("name", NAMES)
def test_a_good_unit_passes_the_ready_sequence(name, planned, run):
    ran = run(planned(name))
    assert ran.outcome.status == "complete"
    found = ran.record.evaluation
    assert found.verdict.result == "pass", found.verdict.reason
    assert found.input_by == "measured"
    assert found.visits["is_steady"].all()
    assert {stage.result for stage in found.stages} <= {"pass"}


def test_the_noise_check_captures_with_the_drive_off_and_on_and_its_plan_says_for_how_long(run):
    bench = core.load_bench("simulated").with_simulation(seed=7, faults=({"fault": "inverter pickup"},))
    found = plan(load_sequence("noise-check"), bench)
    assert any("live loop" in caution for caution in found.sequence.file.cautions)
    # 4 captures of 200 readings; a reading of one power line cycle takes 20 ms at least.
    taken = [point for point in found.points if point.role.startswith("capture")]
    assert [point.role for point in taken] == ["capture, drive off", "capture"] * 2
    assert found.estimate_s > 4 * 200 * 0.02
    captured = run(found).record.content.steps["capture"]
    assert [capture.setpoint_pct for capture in captured] == [25, 75]
    assert all(capture.effect.is_louder for capture in captured)


@pytest.mark.parametrize("name", TYPE_TESTS)
def test_a_type_test_has_the_acceptance_in_it_and_asks_its_cautions(name):
    short = name.removesuffix("-type-test")
    found = core.plan(name, "simulated")
    assert found.sheet.type == load_type_sheet(short)[0].type
    assert [step for _, step, _ in found.sequence.steps()] == [
        "ask", "start_up_drift", "ask", "exercise", "traverse", "dead_band", "step_response", "ripple", "limits",
        "influence", "influence", "capture", "hold", "ask",
    ]  # fmt: skip
    alone = core.plan(short, "simulated")
    assert set(alone.cautions) < set(found.cautions)
    assert [each.value for each in found.points if each.step_name == "traverse"] == [
        each.value for each in alone.points if each.step_name == "traverse"
    ]
    assert len(shipped("sequences", f"{name}.yaml").read_text(encoding="utf-8").splitlines()) <= 30


def test_a_good_unit_passes_the_type_test(answers, tmp_path):
    bench = core.load_bench("simulated-influences").with_simulation(seed=7, faults=())
    asked = answers("yes", "yes", "22.4", "nothing")
    done = core.run(core.plan("pt100-to-current-type-test", bench), serial="TT-1", results=tmp_path, operator=asked)
    assert (done.outcome.status, done.evaluation.verdict.result) == ("complete", "pass")
    assert list(done.record.content.steps) == [
        "ask", "start_up_drift", "dead_band", "step_response", "ripple", "limits", "influence", "capture", "hold",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("fault", "guilty"),
    [
        ({"fault": "slip", "slip": "3 %"}, "drive"),
        ({"fault": "pulses per revolution wrong", "actual": "59", "expected": "60"}, "pickup"),
        ({"fault": "span error", "span": "1 %", "stage": "converter"}, "converter"),
    ],
)
def test_the_chain_names_its_guilty_stage(fault, guilty, planned, run):
    record = run(planned("glycol-pump-loop", faults=[fault])).record
    found = record.evaluation
    assert found.verdict.result == "fail"
    assert {stage.name: stage.result for stage in found.stages} == {
        stage: "fail" if stage == guilty else "pass" for stage in ("drive", "pickup", "converter")
    }
    assert record.content.findings.stage == guilty
    assert fault["fault"] in record.content.findings.names
    assert found.suspect_tap == ""


def test_the_chain_suspects_a_tachometer_that_sees_two_marks(planned, run):
    record = run(planned("glycol-pump-loop", faults=[{"fault": "tachometer marks", "factor": "2"}])).record
    assert record.evaluation.suspect_tap == "speed"
    assert record.content.findings.stage == "speed (bench, not the unit)"
    assert record.content.findings.names[0] == "tachometer marks"
    assert '"speed"' in record.content.advice
    # The loop as the control room sees it is right all the same.
    assert record.evaluation.visits["is_within"].all()
