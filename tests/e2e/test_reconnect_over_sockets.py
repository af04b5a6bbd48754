"""Over real sockets, in real time, through pyvisa-py: a run that loses its source goes on, or ends safe if told to."""

from pathlib import Path

import pytest

from instruments.clock import RealClock
from instruments.description import DESCRIPTIONS
from instruments.simulated.bench import Mishap, SimulatedBench
from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.server import serve
from sequencer import core

BENCH = """\
bench: two instruments by socket
instruments:
  source: {{description: quick-source.yaml, resource: "{source}", identity: SIMULATED SOURCE}}
  meter: {{description: quick-meter.yaml, resource: "{meter}", identity: SIMULATED METER}}
taps:
  input: {{set by: source}}
  output: {{read by: meter}}
"""
WIRED = tuple(
    SimulatedInstrument(name=name, resource="unused", identity=f"LIVEZERO,SIMULATED {name.upper()},0,0.1", **tap)
    for name, tap in (("source", {"sets": "input"}), ("meter", {"reads": "output"}))
)


class Person:
    """Confirms every caution, and answers as given when asked whether to energise again."""

    def __init__(self, again):
        self.again = again
        self.asked = []

    def ask(self, question):
        self.asked.append(question.kind)
        return self.again if question.kind == "confirm" else "yes"


MUTE = {'identify: "*IDN?"': "identify: ", 'event status: "*ESR?"': "event status: "}


def run(folder, sequence, person, *mishaps, changes=()):
    for name in ("source", "meter"):
        text = (DESCRIPTIONS / f"generic-scpi-{name}.yaml").read_text(encoding="utf-8")
        for old, new in dict(changes).items():
            assert old in text
            text = text.replace(old, new)
        (folder / f"quick-{name}.yaml").write_text(text.replace("timeout: 5 s", "timeout: 400 ms"), encoding="utf-8")
    simulated = SimulatedBench(core.load(sequence).sheet.datasheet(), WIRED, clock=RealClock(), mishaps=mishaps)
    with serve(simulated) as served:
        path = Path(folder / "served.yaml")
        path.write_text(BENCH.format(**served.resources), encoding="utf-8")
        result = core.run(core.plan(sequence, path), serial="GF-104", results=folder / "results", operator=person)
        states = [simulated.exchange("source", ask).line for ask in ("OUTP?", "SOUR:FREQ?")]
    assert [float(state) for state in states] == [0, 0]
    return result


@pytest.mark.parametrize("instrument", ["source", "meter"])
def test_a_dropped_connection_costs_no_more_than_a_point(tmp_path, quick, instrument):
    person = Person("no")
    result = run(tmp_path, quick, person, Mishap(kind="dropped", instrument=instrument, at_exchange=30))
    assert result.outcome.status == "complete"
    assert result.exit_code in {0, 1}
    assert len(result.evaluation.visits) == 9
    assert result.evaluation.visits["error_pct"].abs().max() < 0.1
    assert person.asked == ["caution"]  # the output stood all the time
    assert "point discarded" in " ".join(result.record.content.remarks)
    assert result.record.content.is_simulated


@pytest.mark.parametrize("instrument", ["source", "meter"])
def test_a_dropped_connection_of_an_instrument_without_identity_costs_no_more_than_a_point(tmp_path, quick, instrument):
    dropped = Mishap(kind="dropped", instrument=instrument, at_exchange=30)
    result = run(tmp_path, quick, Person("no"), dropped, changes=MUTE)
    assert result.outcome.status == "complete"
    assert len(result.evaluation.visits) == 9
    assert result.evaluation.visits["error_pct"].abs().max() < 0.1
    assert "(opened again)" in (result.record.folder / "journal.jsonl").read_text()


LOST = [Mishap(kind=kind, instrument="source", at_exchange=28) for kind in ("power-cycled", "dropped")]


def test_an_output_that_went_off_is_energised_again_once_a_person_says_so(tmp_path, quick):
    person = Person("yes")
    result = run(tmp_path, quick, person, *LOST)
    assert result.outcome.status == "complete"
    assert person.asked == ["caution", "confirm"]
    assert "point approached again by way of" in " ".join(result.record.content.remarks)
    assert result.evaluation.visits["error_pct"].abs().max() < 0.1


def test_an_output_that_went_off_stays_off_if_nobody_wants_it_on(tmp_path, quick):
    result = run(tmp_path, quick, Person("no"), *LOST)
    assert result.outcome.status == "interrupted"
    assert result.exit_code == 130
    assert "went off, and was not to be energised again" in result.outcome.reason
