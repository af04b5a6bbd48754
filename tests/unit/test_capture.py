"""A capture: many readings in a row at one tap; what it says is what the fault catalogue was told to do."""

import json
import math
import re

import pytest

from instruments.errors import InputError, PlanError
from instruments.simulated.bench import Mishap
from sequencer.reports.html import html
from sequencer.reports.json_document import document
from sequencer.reports.terminal import summary

TRAVERSE = "- traverse: {points: 5, cycles: 2, readings: 2}"


def capture(settings):
    return {TRAVERSE: f"{TRAVERSE}\n  - capture: {{{settings}}}"}


def fault(text):
    return {"faults: []": f"faults: [{{{text}}}]"}


def best(ran, drive="on"):
    (found,) = ran.record.content.steps["capture"]
    return next(burst for burst in found.bursts if burst.drive == drive).noise


def test_the_readings_stand_beside_the_figures_and_change_none(small, run):
    plain, captured = run(small()).record, run(small(sequence=capture("at: 50 %, readings: 40"))).record
    assert captured.evaluation.verdict == plain.evaluation.verdict
    assert captured.evaluation.figures == plain.evaluation.figures
    rows = captured.readings[captured.readings["step_name"] == "capture"]
    assert set(rows["role"]) == {"capture"}
    assert set(rows["tap"]) == {"output"}  # the last tap alone, as fast as its meter gives
    assert list(rows["reading"]) == list(range(1, 41))
    assert rows["at_s"].diff().dropna().max() == pytest.approx(0.02, abs=1e-3)  # one power line cycle a reading
    assert rows["setpoint_pct"].unique() == pytest.approx([50])


def test_a_healthy_unit_has_white_noise_of_the_simulated_size(small, run):
    # 0.004 % of 16 mA for 20 ms, from the unit; 5e-7 of 100 mA from the meter (physics.py, instrument.py).
    found = best(run(small(sequence=capture("readings: 400"))))
    assert found.best.kind == "white noise"
    assert found.sd == pytest.approx(math.hypot(0.00064, 0.00005), rel=0.12)  # 400 readings: 3.5 %
    assert found.mean == pytest.approx(12, abs=0.01)


@pytest.mark.parametrize(
    ("faulty", "kind", "word"),
    [
        # 60 Hz seen through 20 ms: sinc(1.2) = 0.156 of 0.16 mA is left; read every 20 ms it lies at 10 Hz.
        ("fault: mains pickup", "mains pickup", r"^60 Hz, amplitude 0\.025 mA \(0\.16.*at 10 Hz"),
        # 5 % of the readings are 0.
        ("fault: intermittent contact, share: 5 %", "intermittent contact", r"^[3-7](\.\d+)? % of the readings"),
        ("fault: meter resolution, step: 0.5 %", "quantisation flicker", "levels of the last digit"),
    ],
)
def test_a_fault_of_the_catalogue_is_told_from_its_noise(small, run, faulty, kind, word):
    found = best(run(small(bench=fault(faulty), sequence=capture("readings: 200, at: 45 %"))))
    assert found.best.kind == kind
    assert found.best.weight > 0.7
    assert re.search(word, found.best.words), found.best.words


def test_the_flicker_of_a_gate_has_its_step_and_its_duty(small, run):
    # 450 Hz + 3 Hz: 45.3 pulses in 0.1 s, so 30 % of the gates count one more; 10 Hz are 0.16 mA.
    # Ten time constants of the unit pass in a gate, so nearly every reading stands on a level.
    found = best(run(small(bench=fault("fault: gate quantisation"), sequence=capture("readings: 400, at: 45.3 %"))))
    assert found.best.kind == "quantisation flicker"
    assert re.search(r"^two levels 0\.1[56]\d* mA apart", found.best.words)
    assert found.best_value == pytest.approx(4 + 0.453 * 16, abs=0.03)


def test_inverter_pickup_is_there_with_the_drive_on_alone(small, run):
    ran = run(small(bench=fault("fault: inverter pickup"), sequence=capture("readings: 200, drive: off and on")))
    assert best(ran, "off").best.kind == "white noise"
    assert best(ran, "on").best.kind == "bursts to one side"
    (found,) = ran.record.content.steps["capture"]
    assert found.effect.is_louder
    # Size of a burst at half speed: 1 % of 16 mA x (0.3 + 0.35) x |normal|, mean sqrt(2 / pi): 0.083 mA. About 60 of
    # 200 readings have one, so that their mean scatters by 0.008 mA, and their share by 3.2 % of the readings.
    told = re.search(r"^(\d+) % of the readings by ([0-9.]+) mA", best(ran).best.words)
    assert float(told[1]) == pytest.approx(30, abs=3.5 * 3.2), best(ran).best.words
    assert float(told[2]) == pytest.approx(0.083, abs=3.5 * 0.008), best(ran).best.words
    rows = ran.record.readings
    assert list(dict.fromkeys(rows.loc[rows["step_name"] == "capture", "role"])) == ["capture, drive off", "capture"]
    assert "it comes from the drive" in summary(ran.record.content, colour=False)


def test_the_source_is_off_for_the_first_burst_and_on_again_for_the_second(small, run):
    ran = run(small(sequence=capture("readings: 16, drive: off and on")))
    begun = [index for index, each in enumerate(ran.log) if type(each).__name__ == "PointBegun"][-2:]
    sent = [
        [each.sent for each in ran.log[start:end] if hasattr(each, "sent")]
        for start, end in ((begun[0], begun[1]), (begun[1], None))
    ]
    assert "OUTP OFF" in sent[0]
    assert "OUTP ON" not in sent[0]
    # On again at 0 %, and from there to the level: never a jump with the output going on.
    told = [each.split(";")[0] for each in sent[1] if each.startswith(("SOUR:FREQ ", "OUTP O"))]
    assert told[:3] == ["SOUR:FREQ 0.0000000E+00", "OUTP ON", "SOUR:FREQ 5.0000000E+02"]
    assert ran.outcome.status == "complete"


@pytest.mark.parametrize("instrument", ["source", "meter"])
@pytest.mark.parametrize("kind", ["time-out", "dropped", "power-cycled"])
@pytest.mark.parametrize("drive", ["off", "on"])
def test_a_mishap_leaves_the_drive_off_for_the_burst_without_it_and_the_burst_whole(
    small, run, instrument, kind, drive
):
    plan = small(sequence=capture("readings: 16, drive: off and on"))
    clean = run(plan)
    until = clean.log.index(clean.events("PointSettled")[-2 if drive == "off" else -1])
    asked = [
        each for each in clean.log[:until] if getattr(each, "instrument", "") == instrument and hasattr(each, "sent")
    ]
    # The meter while it takes the burst; the source with the last thing that it was told before.
    place = len(asked) + 8 if instrument == "meter" else len(asked)
    ran = run(plan, wrong=[Mishap(kind=kind, instrument=instrument, at_exchange=place)])
    assert ran.outcome.status == "complete"
    assert ran.is_safe()
    off, on = plan.points[-2:]
    assert (off.role, on.role) == ("capture, drive off", "capture")
    first, *_, last = (index for index, each in enumerate(ran.log) if getattr(each, "point", None) is off)
    assert "OUTP ON" not in [each.sent for each in ran.log[first:last] if hasattr(each, "sent")]
    (found,) = ran.record.content.steps["capture"]
    assert [len(each.values) for each in found.bursts] == [16, 16]
    assert found.bursts[0].values == pytest.approx(4, abs=0.02)
    assert found.bursts[1].values == pytest.approx(12, abs=0.02)


def test_another_tap_can_be_captured(small, run):
    ran = run(small(sequence=capture("readings: 16, tap: input")))
    (found,) = ran.record.content.steps["capture"]
    assert (found.tap, found.unit) == ("input", "Hz")


def test_it_is_shown_in_json_in_the_report_and_on_the_terminal_at_80_columns(small, run):
    ran = run(small(bench=fault("fault: mains pickup"), sequence=capture("readings: 64, at: [20 %, 80 %]")))
    content = ran.record.content
    told = json.loads(json.dumps(document(content), allow_nan=False))["captures"]
    assert [each["setpoint_pct"] for each in told] == pytest.approx([20, 80])
    assert told[0]["bursts"][0]["kinds"][0]["kind"] == "mains pickup"
    text = summary(content, colour=False)
    assert text.count("noise of 64 readings at") == 2
    assert max(map(len, text.splitlines())) <= 80
    page = html(content)
    assert page.count("Capture at") >= 2
    assert "integrate whole mains cycles" in page


def test_a_bench_without_an_instrument_at_the_tap_is_refused(small):
    with pytest.raises(PlanError, match='reads the tap "shaft"') as refused:
        small(sequence=capture("tap: shaft"))
    assert refused.value.allowed == "input, output"
    assert "small.yaml:8" in refused.value.where


@pytest.mark.parametrize(
    ("settings", "match"),
    [("readings: 5", "16"), ("at: [50 %, 50 %]", "each place once"), ("at: 130 %", "125 %"), ("drive: off", "drive")],
)
def test_settings_that_make_no_capture_are_refused(small, settings, match):
    with pytest.raises((InputError, PlanError)) as refused:
        small(sequence=capture(settings))
    assert re.search(match, str(refused.value) + str(getattr(refused.value, "allowed", "")))


def test_a_place_outside_the_limits_is_refused(small):
    with pytest.raises(PlanError, match="lies outside the limits of the unit"):
        small(sequence=capture("at: 122 %"))
