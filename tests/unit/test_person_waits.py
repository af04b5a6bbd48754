"""How long a person is made to wait before a reading: what the unit takes, and no second more."""

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
