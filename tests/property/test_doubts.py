"""Healthy readings raise no doubt, noise included; a slip of a given kind is named, at whatever level it happens."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from instruments.shipped import shipped
from sequencer.inputs.files import load_type_sheet
from sequencer.inputs.tolerance import half_width
from sequencer.readings.csv_plausibility import Row, table_doubts
from sequencer.readings.plausibility import Doubts, Expectation, doubt

TYPES = [path.stem for path in sorted(shipped("sequences", "types").glob("*.yaml"))]
FRACTIONS = [number / 10 for number in (*range(11), *range(9, -1, -1))]


@pytest.mark.parametrize("name", TYPES)
@given(data=st.data())
def test_a_healthy_unit_of_any_shipped_type_is_never_doubted(name, data):
    # Anywhere within its tolerance at each point, keyed or read.
    sheet, _ = load_type_sheet(name)
    unit = sheet.datasheet()
    first, last = unit.taps[0], unit.taps[-1]
    doubts = Doubts()
    for frac in FRACTIONS:
        ideal = float(unit.ideal(first.value(frac)))
        width = float(half_width(sheet.tolerance, unit, first.value(frac)))
        value = ideal + data.draw(st.floats(-1, 1)) * (width if width > 0 else 0.005 * abs(last.span))
        at = Expectation(signal=ideal, low=last.low, high=last.high, unit=last.unit, tolerance=max(width, 0.0))
        for typed in ("", f"{value:.3f}"):
            assert doubts.about(last.name, value, at, typed=typed) is None
        doubts.take(last.name, value, at)


LEVELS = st.integers(4100, 19900).map(lambda microamps: microamps / 1000)


def at(level):
    return Expectation(signal=level, low=4.0, high=20.0, unit="mA", tolerance=0.032)


@given(level=LEVELS, error=st.floats(-0.02, 0.02), power=st.sampled_from([-2, -1, 1, 2]))
def test_a_decimal_slip_is_named(level, error, power):
    value = round(level + error, 3) * 10.0**power
    assume(abs(value) > 0.2)  # less is no current at all
    assert doubt(value, at(level), typed=f"{value:g}").kind == "decimal point"


@given(level=LEVELS, place=st.integers(0, 3))
def test_transposed_digits_are_named_or_too_small_to_matter(level, place):
    digits = f"{round(1000 * level):05d}"
    swapped = digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :]
    typed = f"{swapped[:2]}.{swapped[2:]}"
    difference = int(swapped) - int(digits)
    assert difference % 9 == 0
    # Where a decimal point or volts across 250 ohm explain it as well, those are offered; less than 0.2 is nothing.
    assume(all(abs(float(typed) * factor - level) > 0.2 for factor in (0.01, 0.1, 4, 10, 100)) and float(typed) > 0.2)
    found = doubt(float(typed), at(level), typed=typed)
    if abs(difference) <= 160:  # 1 % of 16 mA, in microamps
        assert found is None
    else:
        assert found.kind == "transposed digits"


@given(level=LEVELS, error=st.floats(-0.02, 0.02), factor=st.sampled_from([1e-3, 1e3]))
def test_a_factor_of_a_thousand_is_a_unit(level, error, factor):
    value = (level + error) * factor
    assert doubt(value, at(level)).kind == "unit"


@given(level=LEVELS, error=st.floats(-0.02, 0.02))
def test_swapped_leads_are_polarity(level, error):
    assert doubt(-(level + error), at(level)).kind == "sign"


@pytest.mark.parametrize("name", TYPES)
@given(data=st.data())
def test_a_healthy_table_of_any_shipped_type_has_no_note(name, data):
    # Inputs as a person sets them, up and down; each output anywhere within the tolerance, written to 3 decimals.
    sheet, _ = load_type_sheet(name)
    unit = sheet.datasheet()
    first, last = unit.taps[0], unit.taps[-1]
    rows = []
    for number, frac in enumerate(FRACTIONS, start=2):
        x = float(first.value(frac + data.draw(st.floats(-1e-3, 1e-3))))
        width = float(half_width(sheet.tolerance, unit, x))
        y = float(unit.ideal(x)) + data.draw(st.floats(-1, 1)) * (width if width > 0 else 0.0)
        texts = {first.name: f"{x:.3f} {first.unit}", last.name: f"{y:.3f} {last.unit}"}
        values = {first.name: round(x, 3), last.name: round(y, 3)}
        rows.append(Row(line=number, values=values, cells=texts, setpoint=f"{100 * frac:g}"))
    assert table_doubts(rows, unit) == {}
