"""What a step may ask of a run: read while the output moves, for a time, at a pace, later; and go on after it has read.

The step here is one of the tests; what it reads is held against the closed form of the simulated unit's lag.
"""

import math

import numpy as np
import pytest

from instruments.filemodel import FileModel
from sequencer import core
from sequencer.inputs.sequence_file import sequence_model, step_entry
from sequencer.inputs.step import Judged, Setpoint, Step, registry
from sequencer.readings.table import valid_rows

SEQUENCE = """sequence: trial
type sheet: pulse-to-current
cautions: [none here]
steps:
  - traverse: {points: 3, cycles: 1, readings: 2}
  - bisect: {}
"""


class Settings(FileModel):
    wanted: float = 0.37
    most: float = 10.0


class Bisect(Step):
    """Finds by halving where the output is `wanted` of its span; first a jump is watched, then a place is waited on."""

    settings = Settings
    roles = ("bisect", "jump", "later")

    def plan(self, settings):  # noqa: ARG002
        jump = Setpoint(
            frac=0.9, role="jump", direction="up", cycle=1, point=9, readings_n=5000, is_quick=True,
            is_waited_for=False, lasts_s=2.0,
        )  # fmt: skip
        later = Setpoint(
            frac=0.5, role="later", direction="down", cycle=1, point=8, readings_n=4, every_s=7.0, due_s=100.0,
        )  # fmt: skip
        return jump, later

    def go_on(self, number, settings, seen):
        rows = seen.rows("bisect")
        rows = rows[(rows["tap"] == "output") & (rows["step"] == number)]
        low, high = 0.0, 1.0
        for at, value in zip(rows["setpoint_pct"] / 100, seen.sheet.taps[-1].fraction(rows["value"]), strict=True):
            low, high = (at, high) if value < settings.wanted else (low, at)
        if len(rows) >= 7:
            return ()
        return (Setpoint(frac=(low + high) / 2, role="bisect", direction="up", cycle=1, point=len(rows), readings_n=1),)

    def evaluate(self, seen):
        rows = seen.rows("bisect")
        return (float(rows["setpoint_pct"].iloc[-1]), seen.settings[2].most) if len(rows) else ()

    def judged(self, results):
        place, most = results
        return (Judged(name="place", value=place, unit="%", limit=f"at most {most:g} %", is_met=place <= most),)


ASKED_BY = (
    "sequencer.planning.warnings",
    "sequencer.planning.together",
    "sequencer.planning.checks",
    "sequencer.diagnosis.examine",
    "sequencer.planning.plan",
    "sequencer.jobs.further_points",
    "sequencer.inputs.including",
    "sequencer.inputs.pictures",
    "sequencer.inputs.sequence_file",
    "sequencer.reports.terminal.result",
    "sequencer.reports.html",
    "sequencer.reports.json_document",
)


@pytest.fixture
def bisect(monkeypatch):
    """The registry with a step more."""
    known = {**registry(), "bisect": Bisect()}
    for module in ASKED_BY:
        monkeypatch.setattr(f"{module}.registry", lambda: known)
    for model in (sequence_model, step_entry):
        model.cache_clear()
    yield
    for model in (sequence_model, step_entry):
        model.cache_clear()


@pytest.mark.usefixtures("bisect")
def test_a_step_watches_waits_and_searches(tmp_path):
    (tmp_path / "own.yaml").write_text(SEQUENCE)
    plan = core.plan(str(tmp_path / "own.yaml"), "simulated")
    result = core.run(plan, serial="GF-104", results=tmp_path)
    table = result.record.readings
    # The jump: from the instant it was set, for two seconds, along the unit's own lag.
    jump = table[table["role"] == "jump"]
    after_s = (jump["at_s"] - jump["set_at_s"]).to_numpy()
    assert after_s[0] < 0.3
    assert 2.0 <= after_s[-1] < 2.3
    assert set(jump["settling"]) == {"not waited for"}
    # A first-order lag between the levels (closed form); tau from the logarithm of what is still to go.
    y = plan.sheet.taps[-1].fraction(jump["value"].to_numpy())
    is_moving = (y > 0.15) & (y < 0.8)
    tau_s = plan.sheet.stages[-1].time_constant_s
    slope = np.polyfit(after_s[is_moving], np.log(0.9 - y[is_moving]), 1)[0]
    assert -1 / slope == pytest.approx(tau_s, rel=0.15)
    later = table[(table["role"] == "later") & (table["tap"] == "output")]["at_s"].to_numpy()
    assert later[0] - jump["set_at_s"].iloc[0] == pytest.approx(100, abs=2)
    assert np.diff(later) == pytest.approx(7.0, abs=0.01)
    # Halving finds the place to 1 in 2 to the 7th.
    search = table[(table["role"] == "bisect") & (table["tap"] == "output")]
    assert len(search) == 7
    assert search["setpoint_pct"].iloc[-1] == pytest.approx(37, abs=100 / 2**7)
    verdict = result.evaluation.verdict
    assert verdict.result == "fail"
    assert "at most 10 %" in verdict.reason
    assert math.isclose(result.record.content.steps["bisect"][0], search["setpoint_pct"].iloc[-1])
    # Sealed, read again: the same, though the search is not asked again.
    again = core.load_record(result.record.folder)
    assert again.evaluation.verdict == verdict


@pytest.mark.usefixtures("bisect")
@pytest.mark.parametrize("at_n", [3, 6, 30, 45])
def test_a_search_that_was_cut_off_goes_on_where_it_was(tmp_path, at_n):
    (tmp_path / "own.yaml").write_text(SEQUENCE.replace("lasts_s=2.0", "lasts_s=0.5"))
    plan = core.plan(str(tmp_path / "own.yaml"), "simulated")
    seen = []

    def listen(event):
        if type(event).__name__ == "ReadingTaken" and (event.point.role != "jump" or event.reading % 10 == 1):
            seen.append(event)
            if len(seen) == at_n:
                raise KeyboardInterrupt

    whole = core.run(plan, serial="GF-105", results=tmp_path)
    cut = core.run(plan, serial="GF-105", results=tmp_path, listener=listen)
    assert cut.outcome.can_resume, cut.outcome
    result = core.resume(cut.record.folder)
    assert result.outcome.status == "complete", result.outcome
    for role, n in (("bisect", 7), ("later", 4)):
        rows = valid_rows(result.record.readings)
        rows = rows[(rows["role"] == role) & (rows["tap"] == "output")]
        assert len(rows) == n
    assert result.record.content.steps["bisect"][0] == pytest.approx(whole.record.content.steps["bisect"][0])
