"""No reading at the last tap is left out of a verdict without a word that names it, whatever the tolerance."""

import math
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from instruments.yamlfile import parse
from sequencer.evaluation.budget import Basis, Limits, Statement
from sequencer.evaluation.evaluate import evaluate
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import tidy

PARTS = ("% of span", "% of reading", "% of output", "mbar", "V")
SHAPES = (
    "linear",
    "square root",
    "{square root: {cut off: 5 %}}",
    '{table: {points: [["0 %", "0 %"], ["100 %", "90 %"]]}}',
)
RULES = ("ILAC-G8:09/2019 non-binary", "ILAC-G8:09/2019 simple acceptance", "ILAC-G8:09/2019 guard band")
STEPS_PCT = (-25.0, 0.0, 0.2, 1.0, 12.5, 50.0, 100.0, 125.0)
# Readings are given to 1 mV and 1 ubar, and every instrument below is good to 2 mV: more than that is an error.
U_V = 0.002

tolerances = st.lists(
    st.tuples(st.sampled_from((0.0, 1e-6, 0.01, 1.0)), st.sampled_from(PARTS)), min_size=1, max_size=3
).filter(lambda parts: any(value for value, _ in parts))


def sheet(parts, shape):
    """0 .. 100 mbar to 0 .. 10 V: at 0 % every base but the span leaves nothing."""
    tolerance = " + ".join(f"{value:.6f} {base}" for value, base in parts)
    text = "type: x\ninput: {range: 0 .. 100 mbar}\noutput: {range: 0 .. 10 V}\n"
    return parse(f"{text}tolerance: {tolerance}\ncharacteristic: {shape}\n", Path("x.yaml")).into(TypeSheet)


def table(places, ideal, errors, unread):
    rows = []
    for point, (pct, error) in enumerate(zip(places, errors, strict=True)):
        at = {"step": 1, "cycle": 1, "direction": "up", "point": point, "role": "reading", "attempt": 1, "reading": 1}
        at |= {"setpoint_pct": pct, "settling": "steady"}
        rows.append(at | {"tap": "input", "unit": "mbar", "value": pct})
        if unread.get(point) != "no row":
            value = round(ideal[point] + error, 3) if point not in unread else math.nan
            rows.append(at | {"tap": "output", "unit": "V", "value": value})
    return tidy(rows)


def stated():
    good = Limits(of_reading=0.0, floor=1e-9)
    meter = Limits(of_reading=0.0, floor=U_V / 2 * 3**0.5)  # rectangular: u is U / 2
    return (
        Statement(tap="input", instrument="a", accuracy=good, resolution=0.0),
        Statement(tap="output", instrument="b", accuracy=meter, resolution=0.0),
    )


@settings(max_examples=150)
@given(
    parts=tolerances,
    shape=st.sampled_from(SHAPES),
    places=st.lists(st.sampled_from(STEPS_PCT), min_size=2, max_size=6, unique=True).map(sorted),
    wrong=st.dictionaries(st.integers(0, 5), st.sampled_from((0.0005, 0.004, -0.5, 9.0)), max_size=3),
    unread=st.dictionaries(st.integers(0, 5), st.sampled_from(("no value", "no row")), max_size=2),
    basis=st.one_of(st.none(), st.sampled_from(RULES)),
)
@example(parts=[(1e-06, "% of output")], shape="square root", places=[-25.0, 0.0, 1.0], wrong={}, unread={}, basis=None)
def test_no_visit_is_left_out_of_the_verdict_without_a_word_that_names_it(parts, shape, places, wrong, unread, basis):
    unit = sheet(parts, shape)
    ideal = unit.datasheet().ideal(tidy([{"value": place} for place in places])["value"].to_numpy())
    unread = {point: how for point, how in unread.items() if 0 < point < len(places)}
    readings = table(places, ideal, [wrong.get(point, 0.0) for point in range(len(places))], unread)
    found = evaluate(
        readings, unit, planned_n=len(places), basis=None if basis is None else Basis(statements=stated(), rule=basis)
    )
    verdict = found.verdict
    said = f"{verdict.reason} {'; '.join(verdict.reservations)}"
    assert len(found.visits) == len(places)
    for point, place in enumerate(places):
        (row,) = found.visits[found.visits["point"] == point].to_dict("records")
        if verdict.result in {"pass", "conditional pass"}:
            # It was judged, and lies within what its tolerance and the instruments make of no error.
            assert row["is_judged"], said
            assert abs(row["error"]) <= row["tolerance"] * (1 + 1e-9) + (0 if basis is None else U_V * 1.01), said
        elif not row["is_judged"] and verdict.result != "fail":
            assert f"{place:g} %" in said, said
        if math.isfinite(row["error"]) and abs(row["error"]) > row["tolerance"] + 0.6:
            assert verdict.result not in {"pass", "conditional pass"}, said


@pytest.mark.parametrize("basis", [None, Basis(statements=stated())], ids=["by hand", "on a bench"])
@pytest.mark.parametrize("shape", SHAPES[:3])
@pytest.mark.parametrize("tolerance", ["% of reading", "% of output"])
def test_an_output_that_is_wrong_where_the_tolerance_is_nothing_never_passes(basis, shape, tolerance):
    unit = sheet([(1.0, tolerance)], shape)
    places = [0.0, 25.0, 50.0, 100.0]
    ideal = unit.datasheet().ideal(tidy([{"value": place} for place in places])["value"].to_numpy())
    for error in (0.0, 0.5):
        found = evaluate(table(places, ideal, [error, 0.0, 0.0, 0.0], {}), unit, planned_n=4, basis=basis)
        assert found.verdict.result in {"fail", "not determinable"}
        assert "at 0 % upscale" in found.verdict.reason
    # At 0 of a square root U has no bound, and half a step of whole mbar gives 10 V * root(0.005) = 0.7 V.
    assert found.verdict.result == ("not determinable" if shape == "square root" else "fail")
