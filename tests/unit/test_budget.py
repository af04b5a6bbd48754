"""Contributions and sensitivities worked out by hand; what a bench states becomes plain numbers, and comes back."""

import json
import re
from dataclasses import asdict
from math import hypot, sqrt

import numpy as np
import pytest

from instruments.errors import InputError
from sequencer.evaluation.budget import (
    Basis,
    Limits,
    Statement,
    basis_from,
    budget,
    correlated_pairs,
)
from sequencer.evaluation.scatter import is_scatter_unknown
from sequencer.planning.bench_statements import basis_of
from sequencer.readings.table import Grid

PULSE = """\
type: pulse rate converter
input: {range: 0 .. 1000 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
PT100 = PULSE.replace("0 .. 1000 Hz", "0 .. 100 degC, sensor: {rtd: Pt100}")
TYPE_K = PULSE.replace("0 .. 1000 Hz", "0 .. 600 degC, sensor: {thermocouple: K, cold junction: 25 degC}")
FLOW = PULSE.replace("0 .. 1000 Hz", "0 .. 100 mbar") + "characteristic: {square root: {cut off: 5 %}}\n"
ROOT = FLOW.replace("{square root: {cut off: 5 %}}", "square root")
VOLT = PULSE.replace("0 .. 1000 Hz", "0 .. 10 V").replace("4 .. 20 mA", "0 .. 10 V")
REVERSED = VOLT.replace("output: {range: 0 .. 10 V", "output: {range: 10 .. 0 V")
FALLING = VOLT + 'characteristic: {table: {points: [["0 %", "100 %"], ["100 %", "0 %"]]}}\n'
EXACT = Limits(of_reading=0.0, floor=0.0)


def stated(tap, instrument="", *, accuracy=EXACT, resolution=0.0, **more):
    return Statement(tap=tap, instrument=instrument or f"{tap} meter", accuracy=accuracy, resolution=resolution, **more)


def grid(x, y, *, x_sd=None, y_sd=None, n=1, to_go=np.nan):
    """Readings of shape (cycles, points), upscale only; `x` None = nothing reads the input."""

    def shaped(level):
        full = np.full((1, *np.atleast_2d(y).shape[:1], 2, np.atleast_2d(y).shape[1]), np.nan)
        full[0, :, 0, :] = np.atleast_2d(level)
        return full

    value = {"output": shaped(y)} | ({} if x is None else {"input": shaped(x)})
    sd = {"output": shaped(np.nan if y_sd is None else y_sd), "input": shaped(np.nan if x_sd is None else x_sd)}
    return Grid(
        setpoint_pct=np.linspace(0, 100, value["output"].shape[-1]),
        value=value,
        sd={tap: sd[tap] for tap in value},
        highest=value,
        lowest=value,
        readings_n={tap: np.where(np.isnan(level), np.nan, n) for tap, level in value.items()},
        end_pair={},
        to_go=shaped(to_go),
        is_steady=np.ones(value["output"].shape, dtype=bool),
        has_directions=True,
        taken=shaped(np.arange(np.atleast_2d(y).size).reshape(np.atleast_2d(y).shape)),
    )


@pytest.fixture
def found(type_sheet):
    """The budget of one unit."""

    def made(text, first, last, *, x, y, **more):
        sheet = type_sheet(text).datasheet()
        scatter = {name: more.pop(name) for name in ("x_sd", "y_sd", "n", "to_go") if name in more}
        commanded = more.pop("commanded", None)
        readings = grid(None if commanded is not None else x, y, **scatter)
        values = grid(x if commanded is None else commanded, y).value["input"]
        return budget(readings, sheet, (first, last), input_signal=sheet.taps[0].to_signal(values), **more)

    return made


def line(made, name, point=0, cycle=0):
    """Effect of one contribution on the error at a point, with its sign."""
    (place,) = [number for number, each in enumerate(made.contributions) if each.name == name]
    return float(made.effect[place, 0, cycle, 0, point])


def test_accuracy_is_of_reading_and_of_range_and_rectangular(found):
    # 0.02 % of 12 mA + 10 uA = 12.4 uA at the output; 0.1 % of 500 Hz + 0.2 Hz = 0.7 Hz at the input, 16 uA/Hz.
    made = found(
        PULSE,
        stated("input", accuracy=Limits(of_reading=0.001, floor=0.2)),
        stated("output", accuracy=Limits(of_reading=0.0002, floor=0.01)),
        x=[500.0],
        y=[12.0],
    )
    assert line(made, "output: output meter accuracy") == pytest.approx(0.0124 / sqrt(3))
    # What the input is read too high makes the error too low.
    assert line(made, "input: input meter accuracy") == pytest.approx(-0.7 * 0.016 / sqrt(3))
    assert made.u[0, 0, 0, 0] == pytest.approx(hypot(0.0124, 0.0112) / sqrt(3))


def test_half_a_step_of_resolution_is_rectangular(found):
    made = found(PULSE, stated("input", resolution=1.0), stated("output", resolution=0.01), x=[500.0], y=[12.0])
    assert line(made, "output: output meter resolution") == pytest.approx(0.01 / sqrt(12))  # GUM F.2.2.1
    assert line(made, "input: input meter resolution") == pytest.approx(-0.016 / sqrt(12))


def test_a_certificate_is_divided_by_its_k_and_stands_beside_a_stated_accuracy(found):
    certificate = {"certificate": Limits(of_reading=0.001, floor=0.03), "certificate_k": 2.1}
    made = found(PULSE, stated("input"), stated("output", **certificate), x=[500.0], y=[12.0])
    assert line(made, "output: output meter certificate") == pytest.approx(0.042 / 2.1)
    assert "output: output meter accuracy" in {each.name for each in made.contributions}
    alone = found(PULSE, stated("input"), stated("output", accuracy=None, **certificate), x=[500.0], y=[12.0])
    assert "output: output meter accuracy" not in {each.name for each in alone.contributions}
    assert alone.u[0, 0, 0, 0] == pytest.approx(0.02)


def test_temperature_counts_by_the_kelvin_outside_the_reference(found):
    drifting = {"temperature": Limits(of_reading=1e-4, floor=0.001)}
    made = found(PULSE, stated("input"), stated("output", **drifting, outside_K=3.0), x=[500.0], y=[12.0])
    assert line(made, "output: output meter temperature") == pytest.approx(3 * 0.0022 / sqrt(3))
    inside = found(PULSE, stated("input"), stated("output", **drifting), x=[500.0], y=[12.0])
    assert not any("temperature" in each.name for each in inside.contributions)


def test_an_allowance_is_a_line_of_its_own(found):
    made = found(PULSE, stated("input", allowances=(("lead", 0.5),)), stated("output"), x=[500.0], y=[12.0])
    assert line(made, "input: lead") == pytest.approx(-0.5 * 0.016 / sqrt(3))


def test_where_nothing_reads_the_input_the_source_answers_for_it(found):
    source = stated("input", "source", accuracy=Limits(of_reading=0.0, floor=1.0))
    made = found(PULSE, source, stated("output"), x=[500.0], y=[12.0], commanded=[500.0])
    assert line(made, "input: source accuracy") == pytest.approx(-0.016 / sqrt(3))


def test_what_is_still_to_go_counts_as_a_half_width(found):
    made = found(PULSE, stated("input"), stated("output"), x=[500.0, 600.0], y=[12.0, 13.6], to_go=[0.006, np.nan])
    assert line(made, "settling: still to go at most") == pytest.approx(0.006 / sqrt(3))
    assert line(made, "settling: still to go at most", point=1) == 0


def test_a_pt100_goes_from_ohm_to_degC_to_mA(found):
    # IEC 60751 at 50 degC: R = 119.397 ohm, dR/dt = R0 (A + 2 B t) = 0.39083 - 2 * 5.775e-5 * 50 = 0.385055 ohm/degC.
    first = stated("input", accuracy=Limits(of_reading=0.0, floor=0.01))
    made = found(PT100, first, stated("output"), x=[50.0], y=[12.0])
    assert line(made, "input: input meter accuracy") == pytest.approx(-0.01 / 0.385055 * 0.16 / sqrt(3), rel=1e-6)


def test_of_reading_of_a_pt100_is_of_its_ohms(found):
    made = found(
        PT100, stated("input", accuracy=Limits(of_reading=1e-4, floor=0.0)), stated("output"), x=[0.0], y=[4.0]
    )
    # 0.01 % of 100 ohm, though the value is 0 degC; 0.39083 ohm/degC.
    assert line(made, "input: input meter accuracy") == pytest.approx(-0.01 / 0.39083 * 0.16 / sqrt(3), rel=1e-6)


def test_a_cold_junction_in_degC_counts_by_its_own_slope(type_sheet, small):
    # Type K, NIST ITS-90 table: E(25 degC) = 1.000 mV, E(26 degC) = 1.041 mV, printed to 1 uV.
    allowances = "cold junction: 25 degC}, allowances: {cold junction: 1 degC}"
    kind = {"0 .. 1000 Hz, limits: 0 .. 1200 Hz": "0 .. 600 degC, sensor: {thermocouple: K, " + allowances}
    basis = stated_on(small(type_sheet=kind))
    ((name, width),) = basis.statements[0].allowances
    assert name == "cold junction"
    assert width == pytest.approx(0.041, abs=0.0007)
    # At 600 degC the slope is 42.5 uV/degC (E(599) = 24.863 mV, E(601) = 24.948 mV): 1 degC there is 0.96 at the top.
    sheet = type_sheet(TYPE_K).datasheet()
    first = stated("input", allowances=(("cold junction", width),))
    x = grid([600.0], [20.0]).value["input"]
    readings = grid([600.0], [20.0])
    made = budget(readings, sheet, (first, stated("output")), input_signal=sheet.taps[0].to_signal(x))
    in_degC = line(made, "input: cold junction") * sqrt(3) * 600 / 16
    assert in_degC == pytest.approx(-0.041 / 0.0425, abs=0.02)


@pytest.mark.parametrize(
    ("pressure", "per_mbar"),
    [
        pytest.param(25.0, 0.16, id="a quarter of the range: slope 1"),
        pytest.param(1.0, 0.8, id="1 %: slope 5"),
        pytest.param(0.25, 1.6, id="the cut-off itself: slope 10"),
        pytest.param(0.24, 0.0, id="below the cut-off the output is held"),
    ],
)
def test_a_square_root_is_steep_near_zero_and_flat_below_the_cut_off(found, pressure, per_mbar):
    first = stated("input", accuracy=Limits(of_reading=0.0, floor=0.01))
    made = found(FLOW, first, stated("output"), x=[pressure], y=[4.0])
    assert line(made, "input: input meter accuracy") == pytest.approx(-0.01 * per_mbar / sqrt(3), abs=1e-15)


def test_at_zero_of_a_square_root_the_uncertainty_is_not_determinable_and_says_why(found):
    first = stated("input", accuracy=Limits(of_reading=0.0, floor=0.01))
    made = found(ROOT, first, stated("output"), x=[0.0, 25.0], y=[4.0, 12.0])
    assert np.isnan(made.U[0, 0, 0, 0])
    assert made.reason(0, 0, 0, 0) == "input: input meter accuracy: sensitivity not known"
    # 0.01 mbar at a quarter of the range is 1.6 uA, rectangular and alone: 95.45 % of its half width.
    assert made.U[0, 0, 0, 1] == pytest.approx(0.9545 * 0.0016, rel=1e-4)


def test_so_it_is_as_near_to_zero_as_the_input_is_known(found):
    # Give or take 0.01 mbar: at 0.009 mbar the input may be 0, at 0.01 it is never less than that.
    first = stated("input", accuracy=Limits(of_reading=0.0, floor=0.01))
    x = [-0.009, 0.0, 0.001, 0.009, 0.01]
    made = found(ROOT, first, stated("output"), x=x, y=[4.0, 4.0, 4.0, 4.1, 4.1])
    assert np.isnan(made.U[0, 0, 0]).tolist() == [True, True, True, True, False]
    # Below a cut-off the output is held, and so known.
    made = found(FLOW, first, stated("output"), x=x, y=[4.0] * 5)
    assert not np.isnan(made.U[0, 0, 0]).any()


@pytest.mark.parametrize(
    ("text", "coefficient", "u"),
    [
        # 10 mV at either end. Through a gain of 1 a common error cancels; through -1 it counts twice.
        pytest.param(VOLT, 1.0, 0.0, id="cancels"),
        pytest.param(VOLT, -1.0, 0.02 / sqrt(3), id="opposed"),
        pytest.param(VOLT, 0.0, 0.01 * sqrt(2 / 3), id="independent"),
        pytest.param(REVERSED, 1.0, 0.02 / sqrt(3), id="reversed output"),
        pytest.param(REVERSED, -1.0, 0.0, id="reversed output, opposed"),
        pytest.param(FALLING, 1.0, 0.02 / sqrt(3), id="table that falls"),
    ],
)
def test_one_calibrator_at_both_ends(found, text, coefficient, u):
    ends = [stated(tap, "calibrator", accuracy=Limits(of_reading=0.0, floor=0.01)) for tap in ("input", "output")]
    made = found(text, *ends, x=[5.0], y=[5.0], correlations={("calibrator", "calibrator"): coefficient})
    assert made.u[0, 0, 0, 0] == pytest.approx(u, abs=1e-12)


def test_accuracies_and_certificates_go_together_but_never_with_one_another(found):
    certified = {"accuracy": Limits(of_reading=0, floor=0.01), "certificate": Limits(of_reading=0, floor=0.004)}
    first, last = stated("input", "a", **certified), stated("output", "b", **certified)
    # The order in which a bench file names the two does not matter.
    made = found(VOLT, first, last, x=[5.0], y=[5.0], correlations={("b", "a"): 0.5})
    assert made.u[0, 0, 0, 0] == pytest.approx(sqrt(0.01**2 / 3 + 0.002**2))  # 2 u^2 (1 - 0.5) of each
    assert correlated_pairs(made.contributions, first, last, {("a", "c"): 0.5}) == {}


def test_scatter_is_that_of_the_mean_with_n_less_one_degrees_of_freedom(found):
    made = found(PULSE, stated("input"), stated("output"), x=[500.0], y=[12.0], x_sd=1.0, y_sd=0.02, n=4)
    assert line(made, "output: scatter of the readings") == pytest.approx(0.01)
    assert line(made, "input: scatter of the readings") == pytest.approx(-0.016 / 2)
    # Welch-Satterthwaite: (0.01^2 + 0.008^2)^2 / (0.01^4 / 3 + 0.008^4 / 3) = 5.723.
    assert made.dof[0, 0, 0, 0] == pytest.approx(3 * 0.000164**2 / (0.01**4 + 0.008**4))


def test_scatter_of_a_pt100_is_of_degC_not_of_ohm(found):
    made = found(PT100, stated("input"), stated("output"), x=[50.0], y=[12.0], x_sd=0.2, y_sd=0.0, n=4)
    assert line(made, "input: scatter of the readings") == pytest.approx(-0.1 * 0.16, rel=1e-6)


def test_one_reading_a_point_takes_its_scatter_from_the_cycles(found):
    # Three cycles at two points. Means 12.02 and 20.04, cycles off by -0.03, 0, 0.03, left -+0.01, 0, +-0.01.
    y = [[12.00, 20.00], [12.02, 20.04], [12.04, 20.08]]
    made = found(PULSE, stated("input"), stated("output"), x=[[500.0, 1000.0]] * 3, y=y)
    # Two-way analysis of variance by hand: left 4 * 0.01^2 / 2 degrees, between 2 * (2 * 0.03^2) / 2 degrees; each
    # visit has the first in half, since the mean square between the cycles, over 2 visits, holds the other half.
    assert line(made, "scatter from visit to visit", cycle=2) == pytest.approx(sqrt(0.0002 / 2))
    assert line(made, "shift from cycle to cycle", cycle=2) == pytest.approx(0.03)
    assert made.u[0, 0, 0, 0] == pytest.approx(sqrt(0.0009 + 0.0001))
    assert made.dof[0, 0, 0, 0] == pytest.approx(0.001**2 / (0.0009**2 / 2 + 0.0001**2 / 2))


def test_one_reading_in_one_cycle_leaves_the_scatter_unknown():
    single = grid([500.0], [12.0])
    assert is_scatter_unknown(single, "output")
    assert not is_scatter_unknown(grid([[500.0]] * 2, [[12.0], [12.0]]), "output")  # a perfect repeat is known
    assert not is_scatter_unknown(grid([500.0], [12.0], y_sd=0.0, n=2), "output")


def test_readings_that_do_not_scatter_at_all_add_nothing(found):
    first = stated("input", accuracy=Limits(of_reading=0.0, floor=1.0))
    made = found(PULSE, first, stated("output"), x=[500.0], y=[12.0], x_sd=0.0, y_sd=0.0, n=2)
    assert made.u[0, 0, 0, 0] == pytest.approx(0.016 / sqrt(3))
    assert np.isinf(made.dof[0, 0, 0, 0])


def test_nothing_stated_of_one_end_gives_no_budget(type_sheet):
    sheet = type_sheet(PULSE).datasheet()
    readings = grid([500.0], [12.0])
    assert budget(readings, sheet, (), input_signal=readings.value["input"]) is None
    assert budget(readings, sheet, (stated("output"),), input_signal=readings.value["input"]) is None


def test_a_missing_accuracy_is_named(found):
    made = found(PULSE, stated("input"), stated("output", accuracy=None), x=[500.0], y=[12.0])
    assert np.isnan(made.U[0, 0, 0, 0])
    assert made.reason(0, 0, 0, 0) == "output: output meter accuracy: uncertainty not known"


CERTIFIED = {
    "SIMULATED METER}": "SIMULATED METER, certificate: {number: K-7, k: 2.1, due: 2026-03-31,"
    " uncertainty: {current: 0.01 % of reading + 0.002 % of range}}}",
    "taps:": "ambient: 19 .. 31 degC\ncorrelations: [{between: [meter, reference], coefficient: -0.25}]\ntaps:",
}


def stated_on(planned, **more):
    what = {"coverage": 0.9545, "rule": "ISO 14253-1:2017", "date": "2026-04-01T07:00:00+00:00"} | more
    return basis_of(planned.bench, planned.wires, planned.sequence.sheet, **what)


def test_a_bench_states_what_its_descriptions_and_certificates_say(small):
    basis = stated_on(small(bench=CERTIFIED))
    first, last = basis.statements
    # Reference: 0.001 % of reading + 1 mHz. Meter, 100 mA range: 0.005 % of reading + 0.001 % of range.
    assert (first.tap, first.instrument) == ("input", "reference")
    assert (first.accuracy.of_reading, first.accuracy.floor) == pytest.approx((1e-5, 1e-3))
    assert first.resolution == pytest.approx(1e-3)
    assert (last.accuracy.of_reading, last.accuracy.floor) == pytest.approx((5e-5, 1e-3))
    assert (last.certificate.of_reading, last.certificate.floor) == pytest.approx((1e-4, 2e-3))
    assert (last.certificate_k, last.certificate_due) == (2.1, "2026-03-31")
    assert basis.correlations == (("meter", "reference", -0.25),)
    assert basis.overdue == ("meter (due 2026-03-31)",)
    assert stated_on(small(bench=CERTIFIED), date="2026-03-31T23:59:00").overdue == ()  # it holds until that day


def test_an_instrument_at_two_taps_is_overdue_once():
    both = tuple(stated(tap, "meter", certificate_due="2025-01-01") for tap in ("input", "output"))
    assert Basis(statements=both, date="2026-01-05").overdue == ("meter (due 2025-01-01)",)
    assert Basis(statements=both).overdue == ()  # nobody knows the day


DRIFTING = """\
instrument: meter that drifts
reference temperature: 18 .. 28 degC
functions:
  current:
    reads: mA
    query: "READ?"
    ranges: [{range: -25 .. 25 mA, accuracy: 2 uA, temperature coefficient: 0.001 % of reading + 0.1 uA}]
"""


@pytest.mark.parametrize(
    ("ambient", "outside_K"), [("19 .. 31 degC", 3.0), ("16 .. 30 degC", 2.0), ("20 .. 26 degC", 0.0)]
)
def test_kelvin_outside_the_reference_are_those_of_the_worst_moment(small, tmp_path, ambient, outside_K):
    planned = small(**drifting(tmp_path, f"ambient: {ambient}\ntaps:"))
    last = stated_on(planned).statements[-1]
    assert last.outside_K == pytest.approx(outside_K)
    assert (last.temperature.of_reading, last.temperature.floor) == pytest.approx((1e-5, 1e-4))
    assert not any("ambient" in each for each in planned.warnings)


def test_a_bench_that_states_no_ambient_temperature_is_told(small, tmp_path):
    warned = small(**drifting(tmp_path, "taps:")).warnings
    assert "the bench file states no ambient temperature: the reference temperatures are taken to be held" in warned


def drifting(tmp_path, taps):
    (tmp_path / "files").mkdir(exist_ok=True)
    (tmp_path / "files" / "drifting.yaml").write_text(DRIFTING, encoding="utf-8")
    return {"bench": {"meter: {description: generic-scpi-meter": "meter: {description: drifting.yaml", "taps:": taps}}


def test_a_source_that_nothing_reads_behind_is_stated(small):
    unread = stated_on(small(bench={"input: {set by: source, read by: reference}": "input: {set by: source}"}))
    assert [each.instrument for each in unread.statements] == ["source", "meter"]
    # 0 .. 1000 Hz range of the source: 0.002 % of reading + 1 mHz.
    assert unread.statements[0].accuracy.of_reading == pytest.approx(2e-5)


def test_a_basis_comes_back_from_json_as_it_was(small):
    planned = small(bench=CERTIFIED, type_sheet={"1200 Hz}": "1200 Hz, allowances: {cable: 2 mHz}}"})
    basis = stated_on(planned, coverage=0.99)
    assert basis.statements[0].allowances == (("cable", 0.002),)
    assert basis_from(json.loads(json.dumps(asdict(basis)))) == basis


def test_a_basis_that_is_none_is_refused():
    broken = asdict(Basis(statements=(stated("input"),)))
    broken["statements"][0]["certificat"] = 1
    with pytest.raises(TypeError, match="certificat"):
        basis_from(broken)


@pytest.mark.parametrize(
    ("changed", "says", "allowed"),
    [
        (
            {"type_sheet": {"1200 Hz}": "1200 Hz, allowances: {cable: -2 Hz}}"}},
            "do not fit together",
            "zero or more in Hz",
        ),
        (
            {"type_sheet": {"1200 Hz}": "1200 Hz, allowances: {cable: 2 mA}}"}},
            "do not fit together",
            "zero or more in Hz",
        ),
        (
            {
                "type_sheet": {
                    "1000 Hz, limits: 0 .. 1200 Hz}": "90 degC, sensor: {rtd: Pt100}, allowances: {a: 1 degC}}"
                }
            },
            "do not fit together",
            "zero or more in ohm",
        ),
    ],
    ids=["negative", "another unit", "degC of a Pt100"],
)
def test_an_allowance_that_cannot_be_is_refused_with_its_place(small, changed, says, allowed):
    with pytest.raises(InputError, match=says) as refused:
        small(**changed)
    assert "small.type.yaml:2" in refused.value.where
    assert allowed in refused.value.allowed


def metered(extra):
    return {"identity: SIMULATED METER}": f"identity: SIMULATED METER, {extra}}}"}


@pytest.mark.parametrize(
    ("bench", "says", "allowed", "todo"),
    [
        pytest.param(
            metered("certificate: {uncertainty: {curent: 1 uA}}"),
            'instrument "meter" has no function "curent"',
            "current, voltage, resistance",
            'write "current"',
            id="certificate of an unknown function",
        ),
        pytest.param(
            metered("certificate: {uncertainty: {current: 1 mV}}"),
            'the certificate of "meter" states 1 mV for current',
            "an uncertainty in mA",
            "",
            id="certificate in another unit",
        ),
        pytest.param(
            metered("certificate: {uncertainty: {current: -1 uA}}"), "negative", "zero or more", "", id="negative U"
        ),
        pytest.param(
            metered("certificate: {due: 31.03.2026}"), '"31.03.2026" cannot stand here', "date", "", id="due date"
        ),
        pytest.param(metered("certificate: {due: 2026-02-30}"), "cannot stand here", "date", "", id="no such day"),
        pytest.param(metered("certificate: {k: 0}"), '"0" cannot stand here', "greater than 0", "", id="k of zero"),
        pytest.param(
            {"taps:": "correlations: [{between: [metre, reference], coefficient: 0.5}]\ntaps:"},
            'this bench has no instrument "metre"',
            "source, reference, meter",
            'write "meter"',
            id="correlation of an unknown instrument",
        ),
        pytest.param(
            {"taps:": "correlations: [{between: [meter, reference], coefficient: 1.5}]\ntaps:"},
            '"1.5" cannot stand here',
            "less than or equal to 1",
            "",
            id="coefficient above 1",
        ),
        pytest.param({"taps:": "ambient: 20 .. 25 mA\ntaps:"}, "is not in degC", "degC", "", id="ambient in mA"),
    ],
)
def test_what_a_bench_cannot_state_is_refused_with_place_and_remedy(small, bench, says, allowed, todo):
    with pytest.raises(InputError, match=says) as refused:
        small(bench=bench)
    assert re.search(r"small\.bench\.yaml:\d+:\d+", refused.value.where)
    assert allowed in refused.value.allowed
    assert todo in refused.value.todo


@pytest.mark.parametrize(
    ("old", "new", "says", "allowed"),
    [
        ("accuracy: 2 uA", "accuracy: -2 uA", "negative", "zero or more"),
        ("accuracy: 2 uA", "accuracy: 2 uV", "do not fit together", "an accuracy in mA"),
        ("accuracy: 2 uA", "accuracy: 0.1 % of span", "not a base", "of range"),
        ("0.1 uA}", "0.1 uV}", "do not fit together", "a temperature coefficient in mA"),
        ("accuracy: 2 uA", "accuracy: 2 uA, resolution: -1 uA", "do not fit together", "a resolution in mA"),
        ("reference temperature: 18 .. 28 degC\n", "", "do not fit together", '"reference temperature" beside'),
    ],
    ids=["negative accuracy", "accuracy unit", "accuracy of span", "drift unit", "negative resolution", "no reference"],
)
def test_what_a_description_cannot_state_is_refused_with_place_and_remedy(small, tmp_path, old, new, says, allowed):
    changes = drifting(tmp_path, "taps:")
    assert old in DRIFTING
    (tmp_path / "files" / "drifting.yaml").write_text(DRIFTING.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=says) as refused:
        small(**changes)
    assert "drifting.yaml" in refused.value.where
    assert allowed in refused.value.allowed


@pytest.mark.parametrize(
    ("rule", "says"),
    [
        ("", "so no verdict by ILAC-G8:09/2019 non-binary"),
        ("ILAC-G8:09/2019 simple acceptance", "so a verdict without it"),
        ("root sum square", "so no verdict by root sum square"),
    ],
)
def test_the_plan_says_what_a_missing_accuracy_costs(small, tmp_path, rule, says):
    changes = drifting(tmp_path, "ambient: 20 .. 24 degC\ntaps:")
    without = DRIFTING.replace("accuracy: 2 uA, ", "")
    (tmp_path / "files" / "drifting.yaml").write_text(without, encoding="utf-8")
    if rule:
        changes |= {"sequence": {"settled within: 20 %": f'settled within: 20 %\ndecision rule: "{rule}"'}}
    planned = small(**changes)
    assert planned.tur is None
    assert any(warning.endswith(says) for warning in planned.warnings)


def test_a_decision_rule_that_is_none_is_answered_with_the_nearest(small):
    with pytest.raises(InputError, match="decision rule") as refused:
        small(sequence={"settled within: 20 %": 'settled within: 20 %\ndecision rule: "ISO 14253-1:2018"'})
    assert "ISO 14253-1:2017" in refused.value.allowed
    assert refused.value.todo.startswith('write "decision rule: ISO 14253-1:201')


@pytest.mark.parametrize("coverage", ["50 %", "100 %", "-5 %", "2"])
def test_a_coverage_that_is_none_is_refused(small, coverage):
    with pytest.raises(InputError, match=r"small\.yaml:\d+:\d+: .*coverage"):
        small(sequence={"settled within: 20 %": f"settled within: 20 %\ncoverage: {coverage}"})
