"""Errors that a certificate gives at points: corrected once, interpolated with their correlation, drifted, recorded.

Straight lines and roots of sums of squares worked out by hand; the correlation against the `uncertainties` package.
"""

import json
from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
import uncertainties
import yaml
from click.testing import CliRunner

from instruments.certified import Certified
from instruments.errors import InputError
from instruments.shipped import shipped
from sequencer import core
from sequencer.cli.command import cli
from sequencer.evaluation.budget import Limits, Statement, error_budget
from sequencer.evaluation.certificates import with_certified
from sequencer.jobs.interrupted import kept_plan
from sequencer.planning.bench_statements import statements
from sequencer.reports.html import html
from sequencer.reports.json_document import plan_document
from sequencer.reports.terminal import plan_text, summary

POINTS = ((4.0, 0.010, 0.002), (12.0, -0.006, 0.004), (20.0, 0.002, 0.002))
METER = Certified(points=POINTS)
SOURCE = Certified(points=POINTS, is_set=True)
CERTIFICATE = """\
number: C-2026-017
calibrated: 2025-01-04
due: 2026-01-31
k: 2
corrections:
  - function: current
    range: -100 .. 100 mA
    points:
      - {at: 4 mA, error: 10 uA, U: 2 uA}
      - {at: 12 mA, error: -6 uA, U: 4 uA}
      - {at: 20 mA, error: 2 uA, U: 2 uA}
    drift: 0.01 % of reading + 1 uA per year
"""
NAMED = {"SIMULATED METER}": "SIMULATED METER, certificate: meter-2026.yaml}"}


def test_between_points_errors_go_straight_and_beyond_them_the_nearest_is_held():
    at = np.array([4.0, 8.0, 14.0, 20.0, 2.0, 22.0])
    # By hand: half way from 10 to -6 is 2 uA; a quarter of the way from -6 to 2 is -4 uA.
    off = np.array([0.010, 0.002, -0.004, 0.002, 0.010, 0.002])
    assert METER.shown(at) == pytest.approx(at + off, abs=1e-12)
    assert METER.true(at + off) == pytest.approx(at, abs=1e-12)
    assert SOURCE.true(at) == pytest.approx(at + off, abs=1e-12)


@pytest.mark.parametrize("certified", [METER, SOURCE], ids=["meter", "source"])
def test_what_is_shown_for_a_true_signal_is_the_inverse(certified):
    shown = np.linspace(0, 25, 101)
    assert certified.shown(certified.true(shown)) == pytest.approx(shown, abs=1e-12)


@pytest.mark.parametrize("r", [0.0, 0.4, 1.0])
def test_neighbours_correlate_as_in_the_uncertainties_package(r):
    certified = replace(METER, correlation=r)
    low, high = uncertainties.correlated_values_norm([(0.010, 0.002), (-0.006, 0.004)], [[1, r], [r, 1]])
    for at in (4.0, 5.5, 8.0, 11.0):
        share = (at - 4) / 8
        assert float(certified.U(np.array(at))) == pytest.approx(((1 - share) * low + share * high).s, rel=1e-9)


def test_by_default_one_standard_served_all_points():
    # GUM 5.2.2, example: resistors that one standard served are off together, and their uncertainties add as they are.
    assert METER.U(np.array([8.0, 16.0])) == pytest.approx([0.003, 0.003])


def stated(**more):
    accuracy = Limits(of_reading=0.0, floor=0.012)
    return Statement(tap="output", instrument="meter", accuracy=accuracy, resolution=0.0, **more)


def effects(sheet, statement, output):
    first = Statement(tap="input", instrument="source", accuracy=Limits(of_reading=0.0, floor=0.0), resolution=0.0)
    found = error_budget(
        sheet,
        (first, statement),
        input_signal=np.full(len(output), 500.0),
        output=np.array(output),
        to_go=np.full(len(output), np.nan),
    )
    names = {each.name.removeprefix("output: meter "): number for number, each in enumerate(found.contributions)}
    return {name: np.abs(found.effect[number]) for name, number in names.items()}


DRIFT = {"drift": Limits(of_reading=1e-4, floor=0.001), "drift_years": 0.5}
PULSE = """\
type: pulse rate converter
input: {range: 0 .. 1000 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""


def test_a_stated_drift_takes_the_place_of_the_accuracy_between_the_points_alone(type_sheet):
    found = effects(type_sheet(PULSE).datasheet(), stated(certified=METER, **DRIFT), [4.0, 12.0, 3.9, 3.0, 21.0])
    # Half a year of 0.01 % of 12 mA + 1 uA is 1.1 uA, rectangular. U 2 uA and 4 uA, k = 2.
    assert found["drift"][1] == pytest.approx(0.0011 / sqrt(3))
    assert found["certificate"] == pytest.approx([0.001, 0.002, 0.001, 0.001, 0.001])
    # 3.9 mA lies beyond by less than a hundredth of the 16 mA; 3 and 21 mA do not: there the accuracy of 12 uA counts.
    assert found["accuracy"] == pytest.approx(np.array([0, 0, 0, 0.012, 0.012]) / sqrt(3))


def test_without_a_drift_the_accuracy_stands_beside_the_certificate(type_sheet):
    found = effects(type_sheet(PULSE).datasheet(), stated(certified=METER), [4.0, 12.0])
    assert found["accuracy"] == pytest.approx(0.012 / sqrt(3))
    assert found["certificate"] == pytest.approx([0.001, 0.002])
    assert "drift" not in found


def test_without_a_drift_and_an_accuracy_nothing_is_known_beyond_the_points(type_sheet):
    bare = replace(stated(certified=METER), accuracy=None)
    sheet = type_sheet(PULSE).datasheet()
    assert "accuracy" not in effects(sheet, bare, [4.0, 20.0])
    assert np.isnan(effects(sheet, bare, [4.0, 21.0])["accuracy"]).tolist() == [False, True]


def test_the_standard_of_ea_4_02_s3(type_sheet):
    """U = 5 mohm with k = 2, and 10 mohm of drift since: 2.5 and 5.8 mohm. From memory, `shared/published/ea-4-02`."""
    facts = yaml.safe_load(
        shipped("shared", "published", "ea-4-02", "s3-standard-resistor-10k.yaml").read_text("utf-8")
    )
    # The value of the standard is 10000.053 ohm, 53 mohm more than its nominal 10 kohm, and drifted by 20 mohm.
    certified = Certified(points=((0.0, -0.053, 0.005), (10_000.0, -0.053, 0.005), (20_000.0, -0.053, 0.005)))
    statement = replace(
        stated(certified=certified, drift=Limits(of_reading=0.0, floor=0.010), drift_years=1.0), resolution=0.0
    )
    sheet = type_sheet(PULSE.replace("4 .. 20 mA", "0 .. 20000 ohm")).datasheet()
    found = effects(sheet, statement, [10_000.0])
    told = facts["published"]["contributions_mohm"]
    assert [1000 * float(found[name][0]) for name in ("certificate", "drift")] == pytest.approx(told[:2], abs=0.05)
    tap = with_certified(sheet, (statement,)).taps[-1]
    values = {each["name"]: each["value"] for each in facts["inputs"]}
    assert float(tap.from_reading(np.array(10_000.0))) == pytest.approx(values["R_S"], abs=1e-9)


@pytest.fixture
def certified(small):
    """Plans the small unit with a certificate of the meter in a file of its own; `changes` replace text in it."""

    def planned(changes=(), **more):
        text = CERTIFICATE
        for old, new in dict(changes).items():
            assert old in text
            text = text.replace(old, new)
        small()  # makes the folder
        folder = small().bench.path.parent
        (folder / "meter-2026.yaml").write_text(text, encoding="utf-8")
        return small(bench=NAMED, **more)

    return planned


@pytest.fixture
def ran(certified, tmp_path):
    def made(*args, **more):
        return core.run(certified(*args, **more), serial="C-1", results=tmp_path / "results").record

    return made


def test_a_reading_is_corrected_once_and_the_record_needs_no_bench(ran, tmp_path):
    record = ran()
    read = record.readings[record.readings["tap"] == "output"]
    # The journal keeps what was shown, the value is less by the error at that point.
    for setpoint_pct, error in ((0, 0.010), (25, 0.002), (50, -0.006), (75, -0.002), (100, 0.002)):
        rows = read[read["setpoint_pct"] == setpoint_pct]
        assert (rows["signal"] - rows["value"]).to_numpy() == pytest.approx(error, abs=5e-5)
    # The simulated meter errs as its certificate says, so that the unit is right once that is taken off.
    assert record.evaluation.verdict.result == "pass"
    before = record.evaluation
    for path in (tmp_path / "files").iterdir():
        path.unlink()
    again = core.load_record(record.folder).evaluation
    assert again.basis == before.basis
    assert again.corrections == before.corrections
    assert again.worst["U"] == before.worst["U"]


def test_the_record_keeps_the_certificate_and_resumes_with_it(ran, tmp_path):
    record = ran()
    (kept,) = (record.folder / "inputs" / "certificates").iterdir()
    assert kept.read_text("utf-8") == CERTIFICATE
    (tmp_path / "files" / "meter-2026.yaml").unlink()
    again = kept_plan(record.folder)
    assert again.sheet.taps[-1].certified.points == pytest.approx(np.array(POINTS))
    assert core.verify(record.folder).findings == ()


def test_plan_report_and_json_say_what_is_corrected(certified, ran):
    planned = certified()
    said = (
        "output: meter, error of +0.01 at 4, -0.006 at 12, +0.002 at 20 mA by certificate C-2026-017 "
        "(U 0.004 mA at most) taken off what it shows; drift of 0.01 % of reading + 0.001 mA a year "
        "over 1.1 years in place of its accuracy, which counts beyond the points"
    )
    # From 2025-01-04 to the due date, 392 days.
    assert planned.corrections == (said,)
    assert said in " ".join(plan_text(planned).split())
    assert plan_document(planned)["corrections"] == [said]
    record = ran()
    (told,) = record.evaluation.corrections
    assert told.startswith(said[:120])
    assert told in " ".join(summary(record.content, width=80, colour=False).split())
    assert f"Corrected: {told}." in html(record.content)
    assert json.loads((record.folder / "figures.json").read_text("utf-8"))["corrections"] == [told]


def test_drift_counts_from_the_calibration_to_the_readings(certified):
    def years(date):
        planned = certified()
        return statements(planned.bench, planned.wires, planned.sequence.sheet, date=date)[-1].drift_years

    assert years("2026-01-04T08:00:00") == pytest.approx(1.0, abs=0.002)
    assert years("2025-07-05") == pytest.approx(0.5, abs=0.005)
    assert years("") == pytest.approx(392 / 365.25)


def test_a_source_that_nothing_reads_gives_what_it_is_set_to_and_its_error(small, tmp_path):
    folder = small().bench.path.parent
    (folder / "source.yaml").write_text(
        "number: S-1\ncorrections:\n  - function: frequency\n    range: 0 .. 1000 Hz\n    points:\n"
        "      - {at: 0 Hz, error: 0 Hz, U: 0.1 Hz}\n      - {at: 1000 Hz, error: 5 Hz, U: 0.1 Hz}\n",
        encoding="utf-8",
    )
    changes = {
        "SIMULATED SOURCE}": "SIMULATED SOURCE, certificate: source.yaml}",
        "input: {set by: source, read by: reference}": "input: {set by: source}",
        "  reference: {": "  unused: {",
    }
    found = core.run(small(bench=changes), serial="S", results=tmp_path / "results").record.evaluation
    assert found.input_by == "commanded"
    # The unit gets 0.5 % more than it is told: 5 Hz at 1000 Hz, and gives that much more.
    top = found.visits[found.visits["setpoint_pct"] == 100]
    assert top["input"].to_numpy() == pytest.approx(1005.0)
    assert top["output"].to_numpy() == pytest.approx(20.08, abs=0.01)
    assert found.verdict.result in {"pass", "conditional pass"}
    assert "+5 at 1000 Hz" in found.corrections[0]
    assert "added to what it is set to; no drift is stated, so its accuracy counts besides" in found.corrections[0]


def test_a_table_taken_by_hand_with_this_bench_is_corrected_too(certified, by_hand, type_sheet):
    bench = certified().bench
    path = by_hand("input [Hz];output [mA]", [(0, 4.010), (500, 11.994), (1000, 20.002)])
    found = core.by_hand(path, type_sheet(PULSE), bench=bench)
    assert found.evaluation.visits["output"].to_numpy() == pytest.approx([4, 12, 20], abs=1e-9)
    assert len(found.evaluation.corrections) == 1


def test_behind_a_shunt_the_errors_of_the_voltmeter_are_those_of_the_current(certified):
    shunt = "{range: 4 .. 20 mA, correction: {shunt: 250 ohm, measured: 250 ohm, uncertainty: 20 mohm}}"
    volts = {
        "function: current": "function: voltage",
        "-100 .. 100 mA": "-10 .. 10 V",
        "at: 4 mA, error: 10 uA, U: 2 uA": "at: 1 V, error: 0.5 mV, U: 0.1 mV",
        "at: 12 mA, error: -6 uA, U: 4 uA": "at: 3 V, error: 1 mV, U: 0.2 mV",
        "at: 20 mA, error: 2 uA, U: 2 uA": "at: 5 V, error: -0.25 mV, U: 0.1 mV",
        "1 uA per year": "0.05 mV per year",
    }
    planned = certified(volts, type_sheet={"output: {range: 4 .. 20 mA}": f"output: {shunt}"})
    tap = planned.sheet.taps[-1]
    # Ohm's law: 1 mV across 250 ohm are 4 uA; 3.001 V are shown where 12 mA flow.
    known = [(4, 0.002, 0.0004), (12, 0.004, 0.0008), (20, -0.001, 0.0004)]
    assert np.array(tap.certified.points) == pytest.approx(np.array(known))
    assert float(tap.from_reading(np.array(3.001))) == pytest.approx(12.0, abs=1e-9)
    assert float(tap.to_reading(np.array(12.0))) == pytest.approx(3.001, abs=1e-9)
    drift = statements(planned.bench, planned.wires, planned.sequence.sheet)[-1].drift
    assert (drift.of_reading, drift.floor) == pytest.approx((1e-4, 0.0002))


def test_a_tap_that_goes_beyond_the_points_is_warned_of(certified):
    planned = certified({"      - {at: 20 mA, error: 2 uA, U: 2 uA}\n": ""})
    assert any("meter was calibrated from 4 to 12 mA only, output goes beyond" in each for each in planned.warnings)
    assert not any("was calibrated" in each for each in certified().warnings)
    other = certified({"range: -100 .. 100 mA": "range: -10 .. 10 mA", "12 mA": "5 mA", "20 mA": "9 mA"})
    assert any("in the range -10 .. 10 mA of current, output takes -100 .. 100 mA" in each for each in other.warnings)
    assert other.corrections == ()


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"function: current": "function: curent"}, 'has no function "curent"'),
        ({"    range: -100 .. 100 mA\n": ""}, "has 2 ranges of current"),
        ({"range: -100 .. 100 mA": "range: -50 .. 50 mA"}, "has no range -50 .. 50 mA"),
        ({"calibrated: 2025-01-04\n": ""}, '"calibrated", the date since which it drifts'),
        ({"at: 12 mA": "at: 3 mA"}, "points that rise from row to row"),
        ({"at: 20 mA": "at: 200 mA"}, "lies outside its range"),
        ({"error: -6 uA": "error: -6 mV"}, "an error and a U in the unit of the point"),
        ({"error: -6 uA": "error: -9 mA"}, "errors that change by less than the distance"),
        ({"U: 4 uA": "U: -4 uA"}, "a U of zero or more"),
        ({" per year": ""}, "is not a drift"),
        ({"at: 4 mA, error: 10 uA, U: 2 uA": "at: 4 V, error: 10 uV, U: 2 uV"}, "points in one unit"),
        ({"due: 2026-01-31": "due: 2024-01-31"}, '"due" after "calibrated"'),
    ],
)  # fmt: skip
def test_a_certificate_that_does_not_fit_is_refused_in_its_own_file(certified, changes, says):
    with pytest.raises(InputError) as refused:
        certified(changes)
    faults = (refused.value, *refused.value.others)
    assert says in " ".join(line for each in faults for line in each.lines)
    assert all("meter-2026.yaml:" in each.where for each in faults)


@pytest.mark.parametrize("name", ["meter-2026.yaml", "x" * 5000, "."])
def test_a_certificate_that_is_not_there_is_named_where_the_bench_names_it(small, name):
    with pytest.raises(InputError, match="there is no certificate") as refused:
        small(bench={"SIMULATED METER}": f"SIMULATED METER, certificate: {name}}}"})
    assert "small.bench.yaml:7" in refused.value.where


def test_the_schema_of_a_certificate_is_printed():
    shown = CliRunner().invoke(cli, ["schema", "certificate"])
    assert set(json.loads(shown.stdout)["properties"]) >= {"number", "calibrated", "due", "k", "corrections"}


def test_a_served_bench_takes_its_certificate_along(certified, tmp_path):
    folder = certified().bench.path.parent
    with core.simulate(folder / "small.yaml", folder / "small.bench.yaml") as served:
        (tmp_path / "elsewhere").mkdir()
        path = tmp_path / "elsewhere" / "served.yaml"
        path.write_text(served.bench_text, encoding="utf-8")
        planned = core.plan(folder / "small.yaml", path)
    assert planned.sheet.taps[-1].certified.points == pytest.approx(np.array(POINTS))
    assert "by certificate C-2026-017" in planned.corrections[0]
