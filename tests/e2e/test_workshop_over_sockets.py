"""The runner, with pyvisa-py, drives a bench over TCP in another process: a good unit, and each of ten faults."""

import json

import pytest

# A fault, and what its row of the fault catalogue says of the worst error, in % of span (trade practice, simulation).
FAULTS = [
    ("zero shift, zero=0.5 %", 0.5),
    ("span error, span=0.8 %", 0.8),
    ("upper range wrong, configured=125 %", -20.0),  # y = x S/S': 100/125 - 1
    ("0-20 sent", -25.0),  # e = -25 + 25 x
    ("live zero lost", -18.75),  # held at 4 mA to x = 0.2; at 25 %, I = 5 mA for 8 mA: -3/16
    ("double counting", 50.0),  # f doubled, held at full output by the clamp: worst at 50 %
    ("reversed action", 100.0),  # y = 1 - x
    ("hysteresis, size=1.2 %", 0.6),  # lens: half the size on each side, in the middle
    ("loop compliance", -15.6),  # (24 - 10) V / 800 ohm = 17.5 mA at full scale: -2.5/16
    ("stuck output, level=50 %", 50.0),
]


def _run(livezero, tmp_path, bench, quick):
    done = livezero(
        "run", quick, "--bench", bench, "--serial", "GF-104", "--confirm", "--json", cwd=tmp_path, timeout_s=120
    )
    return done.returncode, json.loads(done.stdout)


def test_a_good_unit_passes(tmp_path, quick, livezero, served):
    with served(quick, cwd=tmp_path, bench="quick.bench.yaml") as bench:
        code, found = _run(livezero, tmp_path, bench, quick)
    assert code == 0
    assert found["verdict"]["result"] == "pass"
    assert found["status"] == "complete"
    assert found["is_simulated"]  # the bench file does not say so; the instruments do
    assert len(found["visits"]) == 9  # 5 up, 4 down
    assert len(found["end_pairs"]) == 2


@pytest.mark.parametrize(("fault", "worst_pct"), FAULTS, ids=[fault.split(",")[0] for fault, _ in FAULTS])
def test_a_faulty_unit_fails_with_the_error_of_its_fault(tmp_path, quick, fault, worst_pct, livezero, served):
    with served(quick, cwd=tmp_path, bench="quick.bench.yaml", faults=(fault,)) as bench:
        code, found = _run(livezero, tmp_path, bench, quick)
    assert code == 1
    assert found["verdict"]["result"] == "fail"
    worst = max((visit["error_pct"] for visit in found["visits"]), key=abs)
    # The unit's own imperfections and the bench are within 0.06 % of span together.
    assert abs(worst) == pytest.approx(abs(worst_pct), abs=0.06)
