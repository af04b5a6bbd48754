"""A person in a run: waits for what the unit takes and no second more, and corrects what was typed points before."""

import math

import pytest

from sequencer import core
from sequencer.running.events import Waited

BENCH = """bench: a source by wire, and a meter that a person reads
backend: simulated
simulation: {}
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET"}
  meter: {description: keyed-meter}
  hand: {description: keyed-source}
taps:
  input: {set by: SOURCE}
  output: {read by: meter}
"""
SEQUENCE = """sequence: x
type sheet: pulse-to-current
settled within: 10 %
if never settled: go on
steps:
  - exercise: {cycles: 1}
  - traverse: {points: 3, cycles: 1, readings: 1, end pair: no}
"""


class Person:
    """Does at once what is asked, and reads what is expected."""

    def ask(self, question):
        return f"{question.expected:.4f}" if question.kind == "reading" else "yes"


@pytest.mark.parametrize("source", ["source", "hand"])
def test_the_wait_is_that_of_the_unit_once_the_input_stands(tmp_path, source):
    (tmp_path / "bench.yaml").write_text(BENCH.replace("SOURCE", source), encoding="utf-8")
    (tmp_path / "x.yaml").write_text(SEQUENCE, encoding="utf-8")
    waited = []

    def listen(event):
        if isinstance(event, Waited):
            waited.append((event.point.setpoint.frac, event.left_s))

    plan = core.plan(tmp_path / "x.yaml", tmp_path / "bench.yaml")
    core.run(plan, serial="S", results=tmp_path / "results", operator=Person(), listener=listen)
    # A first-order lag of 0.5 s, by its exponential: a tenth of the tolerance of 0.2 % of 16 mA is left of a step.
    full, half = (0.5 * math.log(step / 0.0032) for step in (16, 8))
    minimum = 1.0  # of the type sheet, where nothing moves
    expected = [(1.0, full), (0.0, full), (0.0, minimum), (0.5, half), (1.0, half), (0.5, half), (0.0, half)]
    assert [frac for frac, _ in waited] == [frac for frac, _ in expected]
    assert [left_s for _, left_s in waited] == pytest.approx([left_s for _, left_s in expected], abs=0.05)


class Corrects(Person):
    """Types 8.5 at the point of 8 mA, and corrects that two points later."""

    def __init__(self, *back):
        self.at = 0
        self.back = list(back)

    def ask(self, question):
        if question.kind != "reading":
            return "yes"
        if "before" in question.text:
            return self.back.pop(0)
        self.at += 1
        if self.at == 2:
            return "12.5"
        return "back" if self.at == 4 and self.back else super().ask(question)


def test_a_reading_of_points_before_is_corrected_and_the_one_in_between_stays(tmp_path):
    (tmp_path / "bench.yaml").write_text(BENCH.replace("SOURCE", "source"), encoding="utf-8")
    (tmp_path / "x.yaml").write_text(SEQUENCE, encoding="utf-8")
    plan = core.plan(tmp_path / "x.yaml", tmp_path / "bench.yaml")
    found = core.run(plan, serial="S", results=tmp_path / "results", operator=Corrects("back", "12.0004"))
    table = found.record.readings
    rows = table[table["tap"] == "output"].sort_values(["number", "correction"])
    shown = list(rows[["setpoint_pct", "direction", "correction", "value"]].itertuples(index=False, name=None))
    assert shown == [
        (0.0, "up", 0, 4.0),
        (50.0, "up", 0, 12.5),
        (50.0, "up", 1, 12.0004),
        (100.0, "up", 0, 20.0),
        (50.0, "down", 0, 12.0),
        (0.0, "down", 0, 4.0),
    ]
    assert any('of point 4 at tap "output" was corrected to 12.0004' in each for each in found.record.content.remarks)
    assert core.verify(found.record.folder).is_intact
