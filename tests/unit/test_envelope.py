"""The envelope of a type: the same from Parquet as from memory, what it proposes, what stands apart, and too few."""

import math
import sys

import numpy as np
import pandas as pd
import pytest

from instruments.errors import InputError, ReadingsError
from sequencer.history.envelope import envelope, units_of
from sequencer.history.parquet import Store, write_part
from sequencer.history.tolerance_interval import two_sided_factor
from sequencer.reports.sections import html
from sequencer.reports.terminal import sections_text
from sequencer.reports.type_envelope import envelope_document, told

TYPE = "wort temperature transmitter (invented)"
SETPOINTS = (0.0, 50.0, 100.0)


def frames(errors_of, *, records_n=2, cycles_n=2, type_=TYPE, **more):
    """Records of units whose error is a function of setpoint and record."""
    records, figures, errors = [], [], []
    for unit, error_of in errors_of.items():
        for number in range(records_n):
            record = abs(hash((type_, unit, number, str(more))))
            records.append(
                {"record": record, "serial": unit, "type": type_, "state": "as found", "verdict": "pass"}
                | {
                    "status": "complete",
                    "condition": "whole",
                    "bench": "b",
                    "is_simulated": False,
                    "started_at": pd.Timestamp("2026-01-05"),
                }
                | more
            )
            figures.append(
                {"record": record, "stage": "", "figure": "zero error", "unit": "% of span", "U": 0.01}
                | {"value": error_of(0.0, number), "limit_high": math.nan}
            )
            errors += [
                {"record": record, "stage": "", "direction": "up", "setpoint_pct": at, "cycle": cycle, "U": 0.02}
                | {"error": error_of(at, number), "tolerance_pct": 0.2}
                for cycle in range(cycles_n)
                for at in SETPOINTS
            ]
    return {"records": pd.DataFrame(records), "figures": pd.DataFrame(figures), "errors": pd.DataFrame(errors)}


def drawn(units_n, *, sd=0.03, records_sd=0.01, cycles_sd=0.004, seed=1):
    random = np.random.default_rng(seed)
    levels = sd * random.standard_normal(units_n)
    of_records = records_sd * random.standard_normal((units_n, 9))

    def error_of(unit):
        return lambda at, record: (
            levels[unit] + of_records[unit, record] + 1e-4 * at + cycles_sd * random.standard_normal()
        )

    return {f"S{unit:03d}": error_of(unit) for unit in range(units_n)}


def in_memory(made):
    serials = made["records"][["record", "serial"]]
    points = made["errors"].merge(serials, on="record").rename(columns={"error": "value", "tolerance_pct": "limit"})
    figures = made["figures"].merge(serials, on="record").rename(columns={"limit_high": "limit"})
    sums = units_of(points, ["setpoint_pct", "direction"]), units_of(figures, ["stage", "figure", "unit"])
    return envelope(TYPE, *sums, records_n=len(made["records"]))


def test_a_query_over_parquet_is_what_memory_gives(tmp_path):
    made = frames(drawn(12), records_n=3)
    half = made["records"]["record"].iloc[:17]
    parts = [
        {name: frame[frame["record"].isin(half) == is_in] for name, frame in made.items()} for is_in in (True, False)
    ]
    for number, part in enumerate(parts):
        write_part(tmp_path, f"{number:04d}", part)
    write_part(tmp_path, "other", frames(drawn(4, seed=9), type_="another type (invented)"))
    write_part(tmp_path, "bad", frames(drawn(4, seed=8), type_=TYPE, condition="altered"))
    with Store(tmp_path) as store:
        found = envelope(TYPE, store.points(TYPE), store.figures(TYPE), records_n=store.records_n(TYPE))
        assert store.types() == ("another type (invented)", TYPE)
    direct = in_memory(made)
    assert found.records_n == direct.records_n == 36
    for a, b in zip((*found.points, *found.figures), (*direct.points, *direct.figures), strict=True):
        assert (a.setpoint_pct, a.direction, a.name) == (
            pytest.approx(b.setpoint_pct, nan_ok=True),
            b.direction,
            b.name,
        )
        for name in ("between", "within", "cycles"):
            one, other = getattr(a, name).variance, getattr(b, name).variance
            assert one == pytest.approx(other, rel=1e-9, abs=1e-18, nan_ok=True)
        assert (a.interval.low, a.interval.high) == pytest.approx((b.interval.low, b.interval.high), rel=1e-12)


def test_simulated_units_are_marked_and_a_mix_is_told(tmp_path):
    made, simulated = frames(drawn(5)), frames(drawn(3, seed=2), is_simulated=True)
    write_part(tmp_path, "1", made)
    write_part(tmp_path, "2", simulated)
    with Store(tmp_path) as store:
        asked = store.points(TYPE), store.figures(TYPE)
        found = envelope(TYPE, *asked, records_n=store.records_n(TYPE), simulated_n=store.simulated_n(TYPE))
    assert found.is_simulated
    assert found.remarks[0].startswith("6 of 16 records are of a simulated bench")  # 3 of 8 units, two records each
    assert "(SIMULATED BENCH)" in sections_text(told(found))
    assert "Simulated bench: no real unit" in html(told(found), title="type")
    assert envelope_document(found)["is_simulated"] is True
    real = in_memory(made)
    assert not real.is_simulated
    assert "SIMULATED" not in sections_text(told(real))


def test_the_proposal_is_interval_and_guard_band():
    values = np.array([-0.03, -0.02, -0.01, 0.0, 0.01, 0.02, 0.03])
    made = frames({f"S{n}": (lambda at, _, level=level: level * at / 100) for n, level in enumerate(values)})
    found = in_memory(made)
    # At 100 %: mean 0, s of the seven values by hand, k of the table for seven; U 0.02.
    reach = two_sided_factor(7) * math.sqrt(sum(values**2) / 6)
    proposal = found.proposal
    assert (proposal.at.setpoint_pct, proposal.guard_pct) == (100.0, pytest.approx(0.02))
    assert proposal.reach_pct == pytest.approx(reach, rel=1e-12)
    assert proposal.half_width_pct == 0.11  # 0.0867 + 0.02, rounded up to two digits
    assert proposal.stated_pct == pytest.approx(0.2)


def test_components_are_those_that_were_drawn():
    found = in_memory(frames(drawn(300, cycles_sd=0.006), records_n=4))
    for point in found.points:
        assert point.between.sd == pytest.approx(0.03, rel=0.15)
        assert point.within.sd == pytest.approx(0.01, rel=0.1)
        assert point.cycles.sd == pytest.approx(0.006, rel=0.1)


def test_a_unit_that_stands_apart_is_named_and_kept():
    made = drawn(20)
    made["S999"] = lambda *_: 0.4
    found = in_memory(frames(made))
    assert found.apart == ("S999",)
    assert found.units_n == 21
    assert found.points[0].mean > 0.01
    assert "S999" in sections_text(told(found))


def test_too_few_units_give_no_interval_and_say_so():
    found = in_memory(frames(drawn(2)))
    assert found.proposal is None
    assert found.points[0].interval is None
    text = " ".join(sections_text(told(found)).split())
    assert "no tolerance is proposed: too few units" in text
    assert "2 units: 3 are the least" in text
    with pytest.raises(ReadingsError, match="no record of this type"):
        envelope(
            "x",
            units_of(pd.DataFrame(columns=["a", "serial", "record", "value", "U", "limit"]), ["a"]),
            pd.DataFrame(),
            records_n=0,
        )


def test_one_record_of_one_cycle_leaves_components_unknown_and_says_which():
    found = in_memory(frames(drawn(10), records_n=1, cycles_n=1))
    assert not found.points[0].within.is_known
    assert not found.points[0].cycles.is_known
    told_is = " ".join(found.remarks)
    assert "one record of each unit alone" in told_is
    assert "one cycle in each record alone" in told_is


def test_an_interval_that_is_less_sure_than_it_should_be_says_how_sure_it_is():
    # Eleven alike and one far off: not normal, and 12 are too few for an interval from ranks.
    made = {f"S{n}": (lambda *_, level=0.001 * n: level) for n in range(11)} | {"S99": lambda *_: 0.3}
    found = in_memory(frames(made))
    text, page = " ".join(sections_text(told(found)).split()), html(told(found), title="type")
    # Wilks: from the smallest of 12 to the largest, 1 - 12 * 0.95^11 + 11 * 0.95^12 = 11.8 %.
    for shown, tables in ((text, ("Errors of the units", "Figures of the units")), (page, ("<table",))):
        assert all("11.8 %" in shown.partition(each)[2] for each in tables)
        assert "12 units give 11.8 % confidence, 93 would give what is asked for" in " ".join(shown.split())
    assert "3 of 3 points have an interval that is distribution-free" in text
    assert "1 of 1 figures have an interval that is distribution-free" in text
    assert "95/95" not in page
    assert list(found.curve["confidence"]) == pytest.approx([1 - 12 * 0.95**11 + 11 * 0.95**12] * 3)


def test_without_duckdb_the_message_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "duckdb", None)
    with pytest.raises(InputError, match="duckdb") as raised:
        Store(tmp_path)
    assert "livezero[types]" in raised.value.todo


def test_a_folder_without_tables_is_refused(tmp_path):
    with pytest.raises(InputError, match="holds no table of records"):
        Store(tmp_path)


def test_page_and_terminal_and_json():
    found = in_memory(frames(drawn(12)))
    text, page, document = sections_text(told(found)), html(told(found), title="type"), envelope_document(found)
    assert max(map(len, text.splitlines())) <= 80
    assert "<svg" in page
    assert len(document["points"]) == 3
    assert document["proposal"]["guard_pct"] == pytest.approx(0.02)
