"""The notebook in `results/` is run as it stands, cell by cell, on a small fleet whose truth is known.

Its cells are run without a kernel: what the last line of one gives is what a notebook would show below it.
"""

import json
from pathlib import Path

import notebooks
import numpy as np
import pytest
from lxml import etree

from instruments.benchfile import load_bench
from sequencer import core
from sequencer.inputs.files import load_sequence
from sequencer.planning.plan import plan

NOTEBOOK = Path(__file__).resolve().parents[2] / "results" / "characterise-a-type.ipynb"
TYPE = """\
type: small pulse rate converter (invented)
input: {range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.5 % of span
time constant: 20 ms
settling: {minimum: 80 ms, maximum: 3 s}
"""
SEQUENCE = """\
sequence: small acceptance
type sheet: small.type.yaml
settled within: 20 %
steps:
  - traverse: {points: 3, cycles: 1, readings: 2}
"""
BENCH = """\
bench: bench 1 (invented)
backend: simulated
simulation: {seed: 1, faults: [{fault: zero and span, zero: ZERO %, span: SPAN %}]}
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET", identity: SIMULATED SOURCE}
  reference: {description: generic-scpi-meter, resource: "GPIB0::7::INSTR", identity: SIMULATED REFERENCE}
  meter: {description: generic-scpi-meter, resource: "TCPIP::127.0.0.1::2::SOCKET", identity: SIMULATED METER}
taps:
  input: {set by: source, read by: reference}
  output: {read by: meter}
"""
# Errors at 0 % and, beyond that, at 100 % of the range, in % of span: one a unit.
ZERO = np.array([0.04, -0.06, 0.1, 0.02, -0.02])
SPAN = np.array([0.1, 0.05, -0.08, 0.03, 0.12])
K = 5.08  # 5 units, 95 % of them with 95 % confidence: Berthouex and Brown, table 21.1
INSTRUMENTS_PCT = 0.01  # what the simulated instruments add, all together


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """What each cell shows: five runs are what takes the time."""
    folder = tmp_path_factory.mktemp("fleet")
    (folder / "small.type.yaml").write_text(TYPE)
    (folder / "small.yaml").write_text(SEQUENCE)
    for number, (zero, span) in enumerate(zip(ZERO, SPAN, strict=True), start=1):
        (folder / "small.bench.yaml").write_text(BENCH.replace("ZERO", str(zero)).replace("SPAN", str(span)))
        planned = plan(load_sequence(str(folder / "small.yaml")), load_bench(folder / "small.bench.yaml"))
        core.run(planned, serial=f"GF-{number}", results=folder / "results")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        names = notebooks.run(NOTEBOOK)
    assert all(each is not None for each in names["Out"]), "each cell ends in what it shows"
    return names["Out"]


def test_a_type_is_characterised_in_ten_lines():
    assert sum(bool(line.strip()) for cell in notebooks.cells(NOTEBOOK) for line in cell.splitlines()) <= 10
    document = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    assert all(not cell.get("outputs") for cell in document["cells"])  # it shows what is measured, nothing kept


def test_mean_curve_and_spread_are_those_of_the_fleet(shown):
    curve = shown[1]
    assert list(curve["size"]) == [5, 5, 5, 5, 5]
    for (_, setpoint_pct), row in curve.iterrows():
        truth = ZERO + SPAN * setpoint_pct / 100
        assert row["mean"] == pytest.approx(truth.mean(), abs=INSTRUMENTS_PCT)
        assert row["std"] == pytest.approx(truth.std(ddof=1), abs=INSTRUMENTS_PCT)


def test_the_interval_is_the_spread_times_the_factor_of_the_table(shown):
    for row in shown[2].itertuples():
        truth = ZERO + SPAN * row.setpoint_pct / 100
        for end, sign in ((row.low, -1), (row.high, 1)):
            assert end == pytest.approx(truth.mean() + sign * K * truth.std(ddof=1), abs=K * INSTRUMENTS_PCT)
        assert (row.units, row.tolerance) == (5, pytest.approx(0.5))


def test_the_plot_is_one_picture_of_curve_and_tolerance(shown):
    page = shown[3]._repr_html_()
    (picture,) = etree.HTML(page).iter("svg")
    said = " ".join(picture.itertext())
    assert all(each in said for each in ("mean, upscale", "95/95, upscale", "tolerance of the type sheet"))
    assert len(list(picture.iter("polyline", "path"))) >= 6


def test_the_figures_are_those_of_the_fleet(shown):
    figures = shown[4]["mean"]
    assert figures["zero error", "% of span"] == pytest.approx(ZERO.mean(), abs=INSTRUMENTS_PCT)
    assert figures["span error", "% of span"] == pytest.approx(SPAN.mean(), abs=2 * INSTRUMENTS_PCT)
