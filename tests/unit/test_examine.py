"""A table taken by hand is examined as a run is: the readings of a run give the run's own result."""

import pytest

from sequencer import core
from sequencer.jobs.bench import check_bench  # noqa: F401  the jobs load without a bench
from sequencer.reports.json_document import document

# What a table does not say: who, when, with what, and how the run went.
OF_THE_RUN = {"serial", "sequence", "date", "operator", "state", "status", "reason", "bench", "is_simulated"}
OF_THE_RUN |= {"versions", "remarks", "basis"}
# Zero and span alone are left where no meter can have made them.
CLEARED = "A. Brewer: second meter at the terminals"


@pytest.mark.parametrize(
    ("sequence", "fault", "cleared"),
    [
        pytest.param(
            "current-isolator", {"fault": "zero and span", "zero": "0.4 %", "span": "0.6 %"}, CLEARED, id="trims"
        ),
        pytest.param("current-isolator", {"fault": "leak across transmitter"}, "", id="leak"),
        pytest.param("glycol-pump-loop", {"fault": "slip"}, "", id="chain"),
    ],
)
def test_the_readings_of_a_run_give_what_the_run_gave(sequence, fault, cleared, tmp_path):
    bench = core.load_bench("simulated").with_simulation(seed=7, faults=(fault,))
    plan = core.plan(sequence, bench)
    ran = core.run(plan, serial="GF-104", results=tmp_path, bench_cleared=cleared).record
    assert ran.content.evaluation.verdict.result == "fail"
    again = core.by_hand(
        ran.folder / "readings.csv", plan.sequence.sheet, serial="GF-104", bench="simulated", bench_cleared=cleared
    )
    one, other = document(ran.content), document(again)
    assert one.keys() == other.keys()
    for name in one.keys() - OF_THE_RUN:
        assert other[name] == one[name], name
    assert (again.adjustment is not None) == bool(cleared)
    assert not again.steps
    assert again.versions


def test_a_square_root_that_is_vented_a_hair_below_zero_is_judged_by_what_its_extractor_gives(tmp_path):
    # 16 mA times the root of the share of 400 kPa; at -0.02 and at -10 kPa 4 mA (common practice, no source).
    sheet = tmp_path / "flow.yaml"
    sheet.write_text(
        "type: flow transmitter (invented)\ninput: {range: 0 .. 400 kPa}\noutput: {range: 4 .. 20 mA}\n"
        "characteristic: square root\ntolerance: 0.5 % of span\n"
    )
    for zero in (-0.02, -10):
        levels = [zero, 40, 100, 200, 300, 400]
        rows = [f"{each},{4 + 16 * (max(each, 0) / 400) ** 0.5:.3f}" for each in levels + levels[-2::-1]]
        table = tmp_path / "flow.csv"
        table.write_text("\n".join(["in [kPa],out [mA]", *rows]) + "\n")
        found = core.by_hand(table, core.load_type(str(sheet)), serial="x")
        assert found.evaluation.verdict.result == "pass"
        assert found.findings is None or not found.findings.is_fault
