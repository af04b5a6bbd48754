"""Input and output ranges that fall (10 .. 2 V, 20 .. 4 mA): what the steps find mirrors what a rising one gives."""

import json
import os

import forked
import pytest

from sequencer.reports.terminal import summary

TRAVERSE = "- traverse: {points: 5, cycles: 2, readings: 2}"
INPUTS = {"rising": {}, "falling": {"0 .. 1000 Hz, ": "1000 .. 0 Hz, "}}
OUTPUTS = {"rising": {}, "falling": {"4 .. 20 mA": "20 .. 4 mA"}}
both_ways = [(one, other) for one in INPUTS for other in OUTPUTS]


def stepped(step):
    return {TRAVERSE: f"{TRAVERSE}\n  - {step}"}


@pytest.fixture
def found(small, run):
    def of(step, name, fault, one, other):
        planned = small(
            type_sheet=INPUTS[one] | OUTPUTS[other],
            sequence=stepped(step),
            bench={"faults: []": f"faults: [{{{fault}}}]"},
        )
        ran = run(planned)
        return ran.record.content.steps[name], summary(ran.record.content, colour=False)

    return of


@pytest.mark.parametrize(("one", "other"), both_ways)
def test_a_dead_band_is_that_of_the_unit(found, one, other):
    step = "dead band: {at: [30 %, 50 %], step: 0.05 %, most: 2 %}"
    places, told = found(step, "dead_band", "fault: dead band, width: 0.63 %", one, other)
    for each in places:
        assert each.low_pct <= 0.63 <= each.high_pct  # the play that is simulated
        assert each.within_pct < 0.1 * 0.63 * 1.1
        assert each.manner == "play"
    assert "did not answer" not in told


@pytest.mark.parametrize(("one", "other"), both_ways)
def test_a_resolution_is_that_of_the_unit(found, one, other):
    step = "resolution: {at: 50 %, step: 0.05 %, most: 2 %}"
    fault = "fault: stiction, width: 0.45 %"
    (at_50,), _ = found(step, "resolution", fault, one, other)
    assert at_50.low_pct <= 0.45 <= at_50.high_pct  # what sticks moves once the input is that far from where it did
    # In mA of a span of 16 mA: it jumps by what it had missed.
    assert at_50.step == pytest.approx(0.45 / 100 * 16, rel=0.15)


@pytest.mark.parametrize(("one", "other"), both_ways)
def test_a_step_response_mirrors(found, one, other):
    step = "step response: {repeats: 1, moves: [10 % to 90 %], lasts: 3 s}"
    (move,), _ = found(step, "step_response", "fault: lag, tau: 200 ms", one, other)
    # Unit and fault in a row, by hand: 1 - (T1 e^(-t/T1) - T2 e^(-t/T2)) / (T1 - T2) = 1 - 1/e for 0.2 and 0.02 s
    # at 0.2211 s.
    t63 = move.estimate("T63")
    assert t63.value == pytest.approx(0.2211, abs=2 * t63.u)


FALLING = """type: isolator with a falling output (invented)
input: {range: 4 .. 20 mA, limits: 0 .. 22 mA}
output: {range: 20 .. 4 mA}
tolerance: 0.5 % of span
time constant: 100 ms
settling: {minimum: 400 ms, maximum: 20 s}
"""
COMPLIANCE = """sequence: load of the loop
type sheet: falling.yaml
cautions: [none here]
steps:
  - traverse: {points: 3, cycles: 1, readings: 2}
  - loop compliance: {supply: [18 V, 24 V], load: 0 .. 1200 ohm, to: 20 ohm}
"""


def test_loop_compliance_of_a_falling_output_is_looked_for_where_its_current_is_largest(tmp_path):
    (tmp_path / "falling.yaml").write_text(FALLING)
    (tmp_path / "own.yaml").write_text(COMPLIANCE)
    arguments = ("run", "own.yaml", "--bench", "simulated-influences", "--serial", "WT-8", "--fault", "loop compliance")
    done = forked.run((*arguments, "--json"), cwd=tmp_path, env=dict(os.environ), timeout_s=280)
    (there,) = json.loads(done.stdout)["steps"]["loop_compliance"]
    assert there["at_pct"] == 0
    assert there["current_mA"] == pytest.approx(20, abs=0.05)
    # The fault: I = min(I, (Vs - 10 V) / R), so the border is (Vs - 10 V) / 20 mA: 400 and 700 ohm.
    for border, ohm in zip(there["borders"], (400, 700), strict=True):
        assert border["holds_ohm"] <= ohm * 1.002
        assert border["drops_ohm"] >= ohm * 0.998
