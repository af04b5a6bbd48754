"""A run that leaves causes in question takes the points that tell most, one by one, while the bench is still there."""

import json

import pytest

from instruments.errors import PlanError
from sequencer import core
from sequencer.jobs import further_points

# Three points cannot tell pulses that are lost at speed from a supply that gives no more than 18 mA.
SEQUENCE = """
sequence: three points of a glycol flow converter (invented)
type sheet: pulse-to-current
steps:
  - exercise: {cycles: 1}
  - traverse: {points: [0 %, 25 %, 100 %], cycles: 2, readings: 3}
"""


@pytest.fixture
def planned(tmp_path):
    path = tmp_path / "three-points.yaml"
    path.write_text(SEQUENCE, encoding="utf-8")
    shipped = (core.BENCHES / "simulated.yaml").read_text(encoding="utf-8")
    bench = tmp_path / "bench.yaml"
    faulty = shipped.replace("faults: []", "faults: [{fault: missing pulses at high speed}]")
    assert faulty != shipped
    bench.write_text(faulty, encoding="utf-8")
    return core.plan(path, bench)


def test_without_the_further_points_the_two_cannot_be_told_apart(planned, tmp_path):
    found = core.run(planned, serial="GF-3", results=tmp_path / "results").record.content.findings
    assert len(found.names) > 1
    assert found.extra


def test_with_them_the_one_that_is_simulated_is_left(planned, tmp_path):
    result = core.run(planned, serial="GF-3", results=tmp_path / "results", pursue=True)
    found = result.record.content.findings
    assert found.names == ("missing pulses at high speed",)
    assert found.ranking[0].weight > 0.95
    assert "more to distinguish causes" in result.outcome.reason


def test_the_figures_stay_those_of_the_sequence(planned, tmp_path):
    plain, further = (
        core.run(planned, serial="GF-3", results=tmp_path / name, pursue=pursue).record
        for name, pursue in (("plain", False), ("further", True))
    )
    assert [figure.value for figure in plain.evaluation.figures] == [
        figure.value for figure in further.evaluation.figures
    ]
    assert len(further.readings) > len(plain.readings)


def test_a_run_with_further_points_verifies_and_is_reported_again(planned, tmp_path):
    result = core.run(planned, serial="GF-3", results=tmp_path / "results", pursue=True)
    again = core.load_record(result.record.folder)
    assert again.content.alterations == ()
    assert again.content.findings == result.record.content.findings
    kept = json.loads((result.record.folder / "figures.json").read_text(encoding="utf-8"))
    assert tuple(kept["findings"]["ranking"][0]["names"]) == again.content.findings.names


def test_every_further_point_lies_within_the_limits_and_comes_from_its_side(planned, tmp_path):
    table = core.run(planned, serial="GF-3", results=tmp_path / "results", pursue=True).record.readings
    further = table[table["step_name"] == "further"]
    assert further["setpoint_pct"].between(0, 100).all()
    assert set(further["direction"]) <= {"up", "down"}


def further_of(record):
    return record.readings[record.readings["step_name"] == "further"]


def test_each_point_is_chosen_by_what_the_one_before_told_and_there_is_an_end_of_it(planned, tmp_path, monkeypatch):
    plain = core.run(planned, serial="GF-3", results=tmp_path / "plain").record
    taken = further_of(core.run(planned, serial="GF-3", results=tmp_path / "one by one", pursue=True).record)
    # The first is the one that the plain run advises; each is read as often as the others.
    assert taken.iloc[0]["setpoint_pct"] == pytest.approx(plain.content.findings.extra[0].setpoint_pct)
    assert taken.groupby("cycle")["setpoint_pct"].nunique().eq(1).all()
    assert taken["reading"].max() == 3
    monkeypatch.setattr(further_points, "_MOST_READINGS", 0)
    assert further_of(core.run(planned, serial="GF-3", results=tmp_path / "none", pursue=True).record).empty


def test_a_point_that_a_limit_forbids_is_left_out_and_the_run_is_complete(planned, tmp_path, monkeypatch):
    def refused(*_args, **_options):
        raise PlanError("85 % lies outside the limits", where="bench.yaml:3", allowed="0 .. 80 %", todo="leave it out")

    monkeypatch.setattr(further_points, "further_points", refused)
    result = core.run(planned, serial="GF-3", results=tmp_path / "results", pursue=True)
    assert result.outcome.status == "complete"
    assert further_of(result.record).empty


def stopped_at(point):
    """A listener that stops a run, as Ctrl-C does, at the last reading of a point."""

    def stop(event):
        if type(event).__name__ == "ReadingTaken" and event.point.number == point and event.reading == 3:
            raise KeyboardInterrupt

    return stop


def test_a_resumed_run_pursues_as_one_in_one_go(planned, tmp_path):
    cut = core.run(planned, serial="GF-3", results=tmp_path / "results", listener=stopped_at(10), pursue=True)
    assert cut.outcome.can_resume
    result = core.resume(cut.record.folder, pursue=True)
    assert result.record.content.findings.names == ("missing pulses at high speed",)
    assert "more to distinguish causes" in result.outcome.reason


@pytest.mark.parametrize("beyond_n", [0, 2], ids=["at the last point", "between further points"])
def test_a_run_interrupted_after_its_last_point_takes_further_points_of_its_own(planned, tmp_path, beyond_n):
    last = planned.points[-1].number
    cut = core.run(
        planned, serial="GF-3", results=tmp_path / "results", listener=stopped_at(last + beyond_n), pursue=True
    )
    assert cut.outcome.can_resume
    result = core.resume(cut.record.folder, pursue=True)
    assert result.outcome.status == "complete"
    assert result.record.content.findings.names == ("missing pulses at high speed",)
    table = result.record.readings
    further = table[table["step_name"] == "further"]
    assert further["number"].min() > last
    # No two setpoints share a visit, whenever it was taken; or their readings would be averaged.
    visits = further.groupby(["step", "cycle", "direction", "point", "role"])
    assert (visits["commanded"].nunique() == 1).all()
    assert core.verify(cut.record.folder).is_intact


def test_resume_can_be_given_everything_that_a_run_can_but_what_its_record_keeps():
    from sequencer.cli import cli

    run, resume = ({option.name for option in cli.get_command(None, name).params} for name in ("run", "resume"))
    kept = {"sequence", "bench", "faults", "seed", "serial", "as_found", "as_left", "tag", "low_tur_accepted"}
    kept |= {"bench_cleared", "only", "first"}
    assert run - resume == kept
    assert resume - run == {"record"}
