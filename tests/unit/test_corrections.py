"""Shunt, lead and cold junction as the type sheet states them: what is read, what it is taken for, what it costs.

Ohm's law and the reference tables of IEC 60751 and ITS-90 give the numbers.
"""

import json

import numpy as np
import pytest

from instruments.errors import InputError
from instruments.simulated.setup import entry_from_text
from sequencer.core import by_hand as judged_by_hand
from sequencer.core import load, load_bench, load_record, plan, run
from sequencer.evaluation.budget import basis_from
from sequencer.planning.bench_statements import statements
from sequencer.readings.csv_import import from_csv
from sequencer.reports.html import html
from sequencer.reports.terminal import summary

SHUNT = "{range: 4 .. 20 mA, correction: {shunt: 250 ohm, measured: 249.97 ohm, uncertainty: 0.02 ohm, k: 2}}"
PULSE = f"""\
type: pulse rate converter
input: {{range: 0 .. 1000 Hz}}
output: {SHUNT}
tolerance: 0.2 % of span
time constant: 20 ms
settling: {{minimum: 80 ms, maximum: 3 s}}
"""
RTD = """\
type: wort temperature transmitter
input: {range: 0 .. 100 degC, sensor: {rtd: Pt100}, correction: {lead: 0.4 ohm, uncertainty: 20 mohm, k: 2}}
output: {range: 4 .. 20 mA}
tolerance: 0.5 % of span
time constant: 20 ms
settling: {minimum: 80 ms, maximum: 3 s}
"""
COUPLE = """\
type: flue temperature transmitter
input:
  range: 0 .. 600 degC
  sensor: {thermocouple: K, cold junction: 20 degC}
  correction: {junction: 25 degC, uncertainty: 0.2 degC, k: 2}
output: {range: 4 .. 20 mA}
tolerance: 0.5 % of span
time constant: 20 ms
settling: {minimum: 80 ms, maximum: 3 s}
"""
SEQUENCE = """\
sequence: acceptance
type sheet: unit.type.yaml
steps:
  - exercise: {cycles: 1}
  - traverse: {points: 5, cycles: 1, readings: 2}
"""


@pytest.fixture
def ran(tmp_path):
    def made(text, *faults):
        (tmp_path / "unit.type.yaml").write_text(text, encoding="utf-8")
        path = tmp_path / "unit.yaml"
        path.write_text(SEQUENCE, encoding="utf-8")
        bench = load_bench("simulated").with_simulation(seed=1, faults=tuple(entry_from_text(each) for each in faults))
        return run(plan(load(path), bench), serial="C-1", results=tmp_path / "results").record

    return made


def effects(record):
    """Effect of each contribution at the worst error, mA."""
    found = record.evaluation
    return {each.name: each.u for each in found.budget.ranked(*found.worst_index)}


def test_a_voltmeter_across_the_shunt_reads_the_current(ran):
    record = ran(PULSE)
    read = record.readings[record.readings["tap"] == "output"]
    assert set(read["signal_unit"]) == {"V"}
    assert set(read["unit"]) == {"mA"}
    assert read["signal"].to_numpy() == pytest.approx(read["value"].to_numpy() * 0.24997, rel=1e-12)
    # 20 mA is 4.9994 V. The simulated unit is good to 0.04 % of 16 mA.
    top = read[read["setpoint_pct"] == 100]
    assert top["signal"].to_numpy() == pytest.approx(4.9994, abs=0.002)
    assert record.evaluation.verdict.result == "pass"


def test_the_shunt_and_the_voltmeter_are_lines_of_the_budget(ran):
    record = ran(PULSE)
    at = record.evaluation.worst
    found = effects(record)
    assert found["output: shunt corrected"] == pytest.approx(at["output"] * 0.02 / 249.97 / 2, rel=1e-9)
    # 0.003 % of reading and 80 uV in 10 V, rectangular; 80 uV across 249.97 ohm are 0.32 uA.
    share = 0.003 / 100 * at["output"] + 80e-6 / 249.97 * 1000
    assert found["output: meter accuracy"] == pytest.approx(share / np.sqrt(3), rel=1e-9)
    # One step of 10 uV is 0.04 uA; the readings scatter over many, so that rounding is in their scatter.
    assert found["output: meter resolution"] == 0
    assert found["output: scatter of the readings"] > 0.04e-3


def test_a_true_shunt_that_is_not_the_stated_one_is_an_error_of_gain(ran):
    right, wrong = (ran(PULSE, *each) for each in ((), ("load resistor wrong, actual=249.72 ohm, nominal=249.97 ohm",)))
    gains = [record.evaluation.figure("gain by least squares").value for record in (right, wrong)]
    # Everything is read 0.1 % low: at 20 mA 20 uA, at 4 mA 4 uA, so 0.1 % of gain too.
    assert gains[1] / gains[0] == pytest.approx(249.72 / 249.97, abs=2e-5)
    assert wrong.evaluation.figure("zero error").value < right.evaluation.figure("zero error").value - 0.02


def test_report_terminal_and_record_say_what_was_corrected(ran):
    record = ran(PULSE)
    said = "output: shunt of 250 Ω taken as 249.97 Ω (U 0.02 Ω, k = 2), +0.012 % of reading"
    assert record.evaluation.corrections == (said,)
    assert f"corrected: {said}" in " ".join(summary(record.content, width=80, colour=False).split())
    assert f"Corrected: {said}." in html(record.content)
    again = load_record(record.folder).evaluation
    assert again.basis == record.evaluation.basis
    assert again.worst["U"] == record.evaluation.worst["U"]
    kept = json.loads((record.folder / "figures.json").read_text(encoding="utf-8"))
    assert kept["corrections"] == [said]
    # Numbers of documents have twelve digits; those of the journal have all.
    for told, known in zip(basis_from(kept["basis"]).statements, again.basis.statements, strict=True):
        assert told.accuracy.floor == pytest.approx(known.accuracy.floor, rel=1e-11)
        assert told.instrument == known.instrument


def test_volts_in_a_table_taken_by_hand_are_taken_for_the_current(type_sheet, by_hand):
    sheet = type_sheet(PULSE)
    table = from_csv(
        by_hand("input [Hz];output [V]", [(0, 0.99988), (500, 2.99964), (1000, 4.9994)]), sheet.datasheet()
    )
    read = table[table["tap"] == "output"]
    assert read["value"].to_numpy() == pytest.approx([4, 12, 20], rel=1e-12)
    assert read["signal"].to_numpy() == pytest.approx([0.99988, 2.99964, 4.9994], rel=1e-12)
    assert judged_by_hand(table, sheet).evaluation.verdict.result == "pass"


def test_a_lead_is_taken_off_what_the_meter_reads_and_not_off_what_the_source_is_told(ran):
    record = ran(RTD)
    read = record.readings[record.readings["tap"] == "input"]
    # IEC 60751: 100 ohm at 0 degC, 138.51 ohm at 100 degC; the meter sees 0.4 ohm of lead besides.
    for setpoint_pct, ohm in ((0, 100.0), (100, 138.5055)):
        assert read[read["setpoint_pct"] == setpoint_pct]["signal"].to_numpy() == pytest.approx(ohm + 0.4, abs=0.02)
    assert np.abs(read["value"] - read["setpoint_pct"]).max() < 0.05
    # 20 mohm, k = 2; a Pt100 has 0.379 to 0.391 ohm/K here; 100 K are 16 mA.
    assert effects(record)["input: lead corrected"] == pytest.approx(0.01 / 0.385 * 0.16, rel=0.02)
    assert record.evaluation.corrections == ("input: lead of 0.4 Ω taken off (U 20 mΩ, k = 2)",)
    assert record.evaluation.verdict.result == "pass"


def test_a_measured_junction_takes_the_place_of_the_nominal_one(ran):
    record = ran(COUPLE)
    read = record.readings[record.readings["tap"] == "input"]
    # ITS-90, type K: 24.905 mV at 600 degC, 1.000 mV at 25 degC, 0 at 0 degC.
    for setpoint_pct, emf_mV in ((0, -1.000), (100, 24.905 - 1.000)):
        assert read[read["setpoint_pct"] == setpoint_pct]["signal"].to_numpy() == pytest.approx(emf_mV, abs=0.003)
    # 0.2 degC, k = 2, at 25 degC 40.5 uV/K; type K has 39 to 43 uV/K over the range; 600 K are 16 mA.
    assert effects(record)["input: cold junction corrected"] == pytest.approx(0.1 * 16 / 600, rel=0.06)
    said = "input: cold junction taken as 25 °C (U 0.2 °C, k = 2) in place of 20 °C"
    assert record.evaluation.corrections == (said,)


def test_a_source_that_nothing_reads_takes_no_part_in_a_lead(type_sheet, tmp_path):
    from instruments.wiring import wire

    sheet = type_sheet(RTD)
    path = tmp_path / "bench.yaml"
    path.write_text(
        "bench: source alone\nbackend: simulated\nsimulation: {seed: 1}\ninstruments:\n"
        "  source: {description: generic-scpi-source, resource: 'TCPIP::127.0.0.1::1::SOCKET'}\n"
        "  meter: {description: generic-scpi-meter, resource: 'TCPIP::127.0.0.1::2::SOCKET'}\n"
        "taps: {input: {set by: source}, output: {read by: meter}}\n",
        encoding="utf-8",
    )
    bench = load_bench(path)
    first, _ = statements(bench, wire(bench, sheet.datasheet()), sheet)
    assert first.correction is None


@pytest.mark.parametrize(
    ("correction", "says"),
    [
        ("{shunt: 250 ohm, uncertainty: 0.02 ohm}", '"measured" beside "shunt"'),
        ("{shunt: 250 ohm, measured: 0 ohm, uncertainty: 0.02 ohm}", "resistances above zero"),
        ("{shunt: 250 ohm, measured: 250 ohm, uncertainty: 0.02 V}", "quantities in ohm"),
        ("{shunt: 250 ohm, measured: 250 ohm, lead: 1 ohm, uncertainty: 1 ohm}", "exactly one of"),
        ("{lead: 1 ohm, uncertainty: 0.1 ohm}", "a lead where the signal is a resistance, not mA"),
        ("{junction: 23 degC, uncertainty: 0.1 degC}", "a junction where a thermocouple is stated"),
        ("{shunt: 250 ohm, measured: 250 ohm}", "uncertainty"),
    ],
)
def test_a_correction_that_does_not_fit_is_refused_with_what_is_allowed(type_sheet, correction, says):
    text = PULSE.replace(SHUNT, f"{{range: 4 .. 20 mA, correction: {correction}}}")
    with pytest.raises(InputError) as refused:
        type_sheet(text)
    assert says in " ".join(line for each in (refused.value, *refused.value.others) for line in each.lines)
