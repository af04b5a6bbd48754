"""Units of process work: each with the factor of the standards, from the type sheet to the report.

Factors from NIST SP 811:2008, B.8, and the SI Brochure (from memory): conventional columns of mercury (13595.1 kg/m³)
and water (1000 kg/m³) under 9.80665 m/s²; torr = 101325/760 Pa; 1 in = 25.4 mm; 1 psi = 6894.757 Pa.
"""

import json

import pytest
from click.testing import CliRunner

from instruments.errors import InputError, PlanError, ReadingsError
from instruments.units import canonical, difference, is_alike, is_width, magnitude, quantity, rescale, show, span, width
from sequencer import core
from sequencer.cli.command import cli
from sequencer.planning.cautions import general_cautions


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("1 mmHg", "Pa", 133.3224),
        ("1 inHg", "Pa", 3386.389),
        ("1 torr", "Pa", 133.3224),
        ("1 mmH2O", "Pa", 9.80665),
        ("1 inH2O", "Pa", 249.0889),
        ("1 psig", "Pa", 6894.757),
        ("760 torr", "Pa", 101325),
        ("3.6 m3/h", "l/min", 60),  # 3.6 m³/h = 1 l/s
        ("1 m³/h", "m3/h", 1),
        ("1 l/min", "m3/h", 0.06),
        ("1 mS/cm", "S/m", 0.1),
        ("1 mS/cm", "uS/cm", 1000),
        ("1 mA/V", "mS", 1),  # siemens = 1 / ohm
        ("45 % RH", "%RH", 45),
        ("45 %rh", "%RH", 45),
        ("7 pH", "pH", 7),
        ("2 bar(g)", "kPa(g)", 200),
        ("2 barg", "bar g", 2),
        ("100 kPa(a)", "mbar abs", 1000),
        ("2 bara", "kPa absolute", 200),
        ("2 bar gauge", "bar", 2),  # a gauge pressure is a difference, as a plain one is
    ],
)
def test_a_unit_of_process_work_is_taken(text, unit, number):
    assert magnitude(quantity(text), unit) == pytest.approx(number, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "symbol"),
    [
        ("%RH", "%RH"),
        ("m3/h", "m³/h"),
        ("kPa (g)", "kPa(g)"),
        ("psia", "psi(a)"),
        ("mbarg", "mbar(g)"),
        ("inHg(a)", "inHg(a)"),
        ("pH", "pH"),
        ("mS/cm", "mS/cm"),
        ("mmHg", "mmHg"),
    ],
)
def test_its_symbol_is_taken_again(text, symbol):
    assert canonical(text) == canonical(symbol) == symbol
    assert span(f"1 .. 9 {text}").unit == symbol
    assert str(span(str(span(f"1 .. 9 {text}")))) == f"1 .. 9 {symbol}"
    level = quantity(f"5 {text}")
    assert show(level) == f"5 {symbol}"
    assert quantity(str(level)) == level  # as a record keeps it


@pytest.mark.parametrize(
    ("unit", "other"),
    [("%RH", "%"), ("pH", "1"), ("bar(a)", "bar(g)"), ("bar(a)", "bar"), ("kPa", "psia"), ("m3/h", "m3"), ("mS", "ms")],
)
def test_what_is_no_level_of_the_other_is_refused(unit, other):
    assert not is_alike(unit, other)
    with pytest.raises(InputError, match="is not a level in"):
        rescale(unit, other)


def test_gauge_to_absolute_says_what_is_missing():
    for text, like in (("2 bar(g)", "bar(a)"), ("2 bara", "kPa(g)"), ("2 bar", "bar(a)"), ("2 bara", "mmHg")):
        with pytest.raises(InputError) as caught:
            quantity(text, like=like)
        assert caught.value.todo == (
            f"give it in {like}: an absolute pressure is a gauge pressure plus the atmospheric one at the bench, "
            "which is not known here"
        )


def test_a_difference_of_absolute_pressures_is_a_pressure():
    assert magnitude(difference("2 kPa(a)"), "mbar") == pytest.approx(20)
    assert is_width("mbar", "bar(a)")
    assert width(quantity("2 mbar"), "kPa(a)") == pytest.approx(0.2)
    assert width(quantity("1 degC"), "degF") == pytest.approx(1.8)


@pytest.mark.parametrize(
    ("text", "guess"), [("Bar", "bar"), ("PH", "pH"), ("KPA", "kPa"), ("mS/Cm", "mS/cm"), ("mmHG", "mmHg")]
)
def test_the_nearest_spelling_is_named(text, guess):
    with pytest.raises(InputError, match="is not a unit") as caught:
        canonical(text)
    assert caught.value.todo.startswith(f'did you mean "{guess}"?')


@pytest.mark.parametrize("text", ["V(g)", "gauge", "absolute", "bar(g)(a)", "mA*gauge", "pH(a)", "%RHx", "m4", "RH"])
def test_what_is_no_unit_stays_none(text):
    with pytest.raises(InputError, match="is not a unit"):
        canonical(text)


SHEET = """\
type: invented transmitter
input: {{range: {range}}}
output: {{range: 4 .. 20 mA}}
tolerance: {tolerance}
time constant: 20 ms
settling: {{minimum: 80 ms, maximum: 3 s}}
"""


@pytest.fixture
def by_hand(tmp_path):
    def judge(range_, heading, rows, tolerance="0.5 % of span"):
        sheet = tmp_path / "sheet.yaml"
        sheet.write_text(SHEET.format(range=range_, tolerance=tolerance), encoding="utf-8")
        path = tmp_path / "hand.csv"
        lines = [f"{x};{y}" for x, y in rows]
        path.write_text("\n".join([f"{heading};returned [mA]", *lines]), encoding="utf-8")
        return core.by_hand(path, sheet)

    return judge


@pytest.mark.parametrize(
    ("range_", "heading", "inputs"),
    [
        ("0 .. 100 %RH", "injected [%RH]", (0, 50, 100)),
        ("0 .. 100 %RH", "injected [%]", (0, 50, 100)),  # the same number, of the range or not
        ("2 .. 12 pH", "injected (pH)", (2, 7, 12)),
        ("0 .. 10 bar(g)", "injected [bar(g)]", (0, 5, 10)),
        ("0 .. 10 bar(g)", "injected, kPa(g)", (0, 500, 1000)),
        ("0 .. 10 bar(g)", "injected (barg)", (0, 5, 10)),
        ("0 .. 10 bar(g)", "injected [bar]", (0, 5, 10)),
        ("0 .. 60 m3/h", "injected [l/min]", (0, 500, 1000)),
        ("0 .. 20 mS/cm", "injected [uS/cm]", (0, 10000, 20000)),
        ("0 .. 1013.25 mbar(a)", "injected [torr(a)]", (0, 380, 760)),
        ("0 .. 1000 mmH2O", "injected [kPa]", (0, 4.903325, 9.80665)),
    ],
)
def test_a_table_by_hand_in_units_of_process_work(by_hand, range_, heading, inputs):
    found = by_hand(range_, heading, zip(inputs, (4, 12, 20.016), strict=True))
    # 0.016 mA of 16 mA at the top is 0.1 % of span, so 20 % of the tolerance.
    assert found.evaluation.worst["used_pct"] == pytest.approx(20, abs=0.01)
    assert found.evaluation.visits["setpoint_pct"].tolist() == pytest.approx([0, 50, 100])


@pytest.mark.parametrize(
    ("range_", "heading", "says"),
    [
        ("0 .. 10 bar(a)", "injected [bar(g)]", "an absolute pressure is a gauge pressure plus the atmospheric one"),
        ("0 .. 10 bar(a)", "injected [bar]", "an absolute pressure is a gauge pressure plus the atmospheric one"),
        ("0 .. 10 bar(g)", "injected [psia]", "an absolute pressure is a gauge pressure plus the atmospheric one"),
        ("20 .. 80 %RH", "injected [%]", "% may be %RH here, or % of the range"),
    ],
)
def test_a_heading_that_may_mean_another_level_is_refused(by_hand, range_, heading, says):
    with pytest.raises(ReadingsError) as caught:
        by_hand(range_, heading, [(0, 4), (5, 12), (10, 20)])
    assert says in " ".join(caught.value.lines)


def test_a_cell_in_percent_is_no_relative_humidity(by_hand):
    with pytest.raises(ReadingsError, match='"50 %" is not in %RH'):
        by_hand("20 .. 80 %RH", "injected [%RH]", [(20, 4), ("50 %", 12), (80, 20)])


@pytest.mark.parametrize("tolerance", ["20 mbar", "20 mbar(a)", "2 kPa"])
def test_a_tolerance_of_an_absolute_pressure_is_a_difference(by_hand, tolerance):
    found = by_hand("0 .. 2 bar(a)", "injected [bar(a)]", [(0, 4), (1, 12), (2, 20.016)], tolerance)
    # 20 mbar of 2 bar is 1 % of span; 0.016 mA is 0.1 % of it.
    assert found.evaluation.worst["used_pct"] == pytest.approx(10, abs=0.01)


HERTZ = "0 .. 1000 Hz, limits: 0 .. 1200 Hz"


@pytest.fixture
def reported():
    def ran(planned):
        """What a run on the simulated bench keeps: JSON of the report, the table, and the page."""
        folder = core.run(planned, serial="x", results=planned.bench.path.parent / "results").record.folder
        shown = CliRunner().invoke(cli, ["report", str(folder), "--json"])
        assert shown.exit_code == 0, shown.output
        texts = ((folder / name).read_text(encoding="utf-8") for name in ("readings.csv", "report.html"))
        return json.loads(shown.stdout), *texts

    return ran


@pytest.mark.parametrize(("range_", "unit"), [("0 .. 2 bar(g)", "bar(g)"), ("0 .. 750 mmHg", "mmHg")])
def test_a_pressure_goes_from_the_type_sheet_through_the_run_to_the_report(small, reported, range_, unit):
    planned = small(type_sheet={HERTZ: range_})
    assert str(planned.limits[0][1]) == range_
    told, rows, page = reported(planned)
    assert told["verdict"]["result"] == "pass"
    assert f",{unit}," in rows
    assert unit in page


def test_an_absolute_pressure_takes_instruments_that_say_so(small, described, reported):
    absolute = {"0 .. 2500 mbar,": "0 .. 2500 mbar(a),"}
    source = described(
        "source",
        absolute | {"sets: mbar\n    in: Pa": "sets: mbar(a)\n    in: Pa(a)", "level: 0 mbar": "level: 0 mbar(a)"},
    )
    meter = described(
        "meter",
        absolute | {"reads: mbar\n    in: Pa": "reads: mbar(a)\n    in: Pa(a)", "0 .. 250 mbar,": "0 .. 250 mbar(a),"},
    )
    sheet = {HERTZ: "0 .. 200 kPa(a)"}
    with pytest.raises(PlanError, match=r"sets no 0 .. 200 kPa\(a\)") as caught:
        small(type_sheet=sheet)
    assert "an absolute pressure is a gauge pressure plus the atmospheric one" in " ".join(caught.value.lines)
    told, rows, _ = reported(
        small(
            type_sheet=sheet,
            bench={
                "source: {description: generic-scpi-source": f"source: {{description: {source}",
                "reference: {description: generic-scpi-meter": f"reference: {{description: {meter}",
            },
        )
    )
    assert told["verdict"]["result"] == "pass"
    assert ",kPa(a)," in rows


GENERATOR = """\
instrument: generator with a dialect of its own
termination: {{write: "\\r", read: "\\r"}}
serial: {{baud: 9600}}
identify: "V"
clear: []
error query: {{ask: "E?", none: "0"}}
refusal: "E[1-4]"
acknowledge: "OK"
functions:
  made:
    sets: "{unit}"
    set: "S {{level:.4F}}"
    on: ["O1"]
    off: ["O0"]
    safe level: 0 {unit}
    ranges:
      - {{range: {range}, resolution: 0.01 {unit}, accuracy: 0.05 % of reading + 1 digit}}
"""


@pytest.mark.parametrize("range_", ["0 .. 100 %RH", "0 .. 14 pH", "0 .. 20 mS/cm", "0 .. 25 m3/h", "0 .. 30 l/min"])
def test_what_no_meter_of_electricity_gives_is_set_by_an_instrument_of_its_own(small, tmp_path, reported, range_):
    unit = range_.split()[-1]
    (tmp_path / "files").mkdir()
    (tmp_path / "files" / "generator.yaml").write_text(GENERATOR.format(unit=unit, range=range_), encoding="utf-8")
    source = 'source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET"'
    planned = small(
        type_sheet={HERTZ: range_, "0.2 % of span": "1 % of span"},
        bench={
            source: 'source: {description: generator.yaml, resource: "ASRL1::INSTR"',
            "set by: source, read by: reference": "set by: source",
        },
    )
    told, _, page = reported(planned)
    assert told["verdict"]["result"] == "pass"
    assert told["input_unit"] == canonical(unit)
    assert canonical(unit) in page


@pytest.mark.parametrize("range_", ["0 .. 2 bar(a)", "0 .. 2 bar(g)", "0 .. 750 mmHg"])
def test_any_pressure_is_vented_first(tmp_path, range_):
    path = tmp_path / "sheet.yaml"
    path.write_text(SHEET.format(range=range_, tolerance="0.5 % of span"), encoding="utf-8")
    assert any("Pressure is vented" in each for each in general_cautions(core.load_type(path).datasheet()))
