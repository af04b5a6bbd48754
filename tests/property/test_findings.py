"""Whatever a table holds, the findings are ranked, finite and whole."""

import tempfile
import warnings
from pathlib import Path

import numpy as np
import pytest
from fleet import measured, prepared
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.diagnosis.diagnose import diagnose
from sequencer.diagnosis.missing_information import lacking
from sequencer.diagnosis.model.series import series_of
from sequencer.readings.csv_import import from_csv

NAMES = ("current-isolator", "pulse-to-current", "glycol-pump-loop", "reversed-current", "pt100-to-current")
TABLES = {name: measured(name, (), seed=5) for name in NAMES}
RESULTS = ("pass", "conditional pass", "conditional fail", "fail", "not determinable")


def assert_whole(table, name, result, type_sheet=None):
    planned, basis = prepared(name)
    sheet = type_sheet or planned.sequence.sheet
    found = diagnose(table, sheet, result=result, basis=basis)
    weights = np.array([each.weight for each in found.ranked])
    assert np.isfinite(weights).all()
    assert (np.diff(weights) <= 0).all()
    # Findings of less than 1e-4 are left out.
    for segment in range(found.weighing.chain_n):
        # What explains one part of a chain excludes all else that does, but a fault beside a tap that is misread.
        here = [each for each in found.ranked if each.first <= segment < each.end]
        alone = [each.weight for each in here if each.end - each.first == 1 or found.weighing.chain_n == 1]
        assert sum(alone) < 1.02
    if found.weighing.chain_n == 1:
        assert weights.sum() == pytest.approx(1, abs=0.02)
    assert all(each.causes and all(cause.text for cause in each.causes) for each in found.ranked)
    lacking(series_of(table, planned.sheet), planned.sheet)
    return found


@settings(max_examples=12, deadline=None, derandomize=True)
@given(data=st.data())
def test_any_part_of_a_table_with_any_numbers_gives_whole_findings(data):
    name = data.draw(st.sampled_from(NAMES))
    table = TABLES[name].copy()
    rng = np.random.default_rng(data.draw(st.integers(0, 1000)))
    taps = table["tap"].unique().tolist()
    kept = data.draw(st.lists(st.sampled_from(taps), min_size=1, unique=True))
    points = data.draw(st.lists(st.sampled_from(sorted(table["point"].unique())), min_size=1, unique=True))
    cycles = data.draw(st.sampled_from([(1,), (1, 2, 3)]))
    ways = data.draw(st.sampled_from([("up",), ("down",), ("up", "down")]))
    readings = data.draw(st.sampled_from([1, 5]))
    part = table["tap"].isin(kept) & table["point"].isin(points) & table["cycle"].isin(cycles)
    part &= table["direction"].isin(ways) & (table["reading"] <= readings)
    part |= table.index == table.index[0]
    table = table[part]
    value = table["value"].to_numpy(copy=True)
    is_hit = rng.random(value.size) < data.draw(st.sampled_from([0.0, 0.05, 0.5, 1.0]))
    wild = data.draw(st.sampled_from(["noise", "nan", "same", "huge", "largest", "negative"]))
    number = {"nan": np.nan, "same": value[0], "huge": 1e9, "largest": 1e300, "negative": -1e5}
    value[is_hit] = value[is_hit] + rng.normal(size=int(is_hit.sum())) if wild == "noise" else number[wild]
    table = table.assign(value=value)
    if data.draw(st.booleans()):
        table = table.assign(at_s=np.nan, direction="")
    assert_whole(table, name, data.draw(st.sampled_from(RESULTS)))


@settings(max_examples=8, deadline=None, derandomize=True)
@given(
    levels=st.lists(st.tuples(st.floats(0, 10), st.one_of(st.none(), st.floats(-30, 300))), min_size=1, max_size=12),
    has_unit=st.booleans(),
)
def test_any_table_by_hand_gives_whole_findings(levels, has_unit):
    rows = [f"{x:.3f};{'' if y is None else f'{y:.3f}'};as found".replace(".", ",") for x, y in levels]
    header = "input [V];returned [mA];remark" if has_unit else "input;returned;remark"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        path.write_text("\n".join((header, *rows, "", ";;")) + "\n")
        table = from_csv(path, prepared("reversed-current")[0].sheet, serial="LZ-1")
    assert_whole(table, "reversed-current", "fail")


@pytest.mark.parametrize("tolerance", ["0.5 % of reading + 10 uA", "1 nA", "100 mA"])
def test_any_tolerance_gives_whole_findings(tolerance):
    planned, _ = prepared("current-isolator")
    given_sheet = planned.sequence.sheet
    sheet = type(given_sheet).model_validate(given_sheet.model_dump(by_alias=True) | {"tolerance": tolerance})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert_whole(TABLES["current-isolator"], "current-isolator", "fail", sheet)


def test_a_thousand_visits_are_as_good_as_sixty():
    x = np.tile([*range(0, 101, 10), *range(90, -1, -10)], 48)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        rows = [f"{4 + 0.16 * each:.3f},{4.05 + 0.16 * each:.3f}" for each in x]
        path.write_text("\n".join(("input [mA],returned [mA]", *rows)) + "\n")
        table = from_csv(path, prepared("current-isolator")[0].sheet, serial="LZ-1")
    first = assert_whole(table, "current-isolator", "fail").ranked[0]
    assert "zero shift" in first.names


def test_where_nothing_was_read_nothing_is_claimed():
    table = TABLES["current-isolator"].assign(value=np.nan)
    ranked = assert_whole(table, "current-isolator", "fail").ranked
    assert ranked[0].names == ("unknown",)


def test_readings_far_off_any_scale_are_no_known_cause():
    table = TABLES["current-isolator"]
    is_output = table["tap"] == prepared("current-isolator")[0].sheet.taps[-1].name
    ranked = assert_whole(table.assign(value=table["value"].where(~is_output, 1e9)), "current-isolator", "fail").ranked
    assert ranked[0].names == ("unknown",)
