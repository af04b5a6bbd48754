"""A pass on a bench that is barely better than the tolerance: conditional, unless a person answers for it by name."""

import json

import pytest

# 24 uA allowed for the lead, 0.2 * 32 uA to go, 2 uA of the meter; all rectangular.
ALLOWANCE = "output: {range: 4 .. 20 mA, allowances: {lead: 24 uA}}"
ACCEPTED = "A. Brewer: the better meter is away for calibration"


@pytest.fixture
def poor(tmp_path, quick):
    sheet = tmp_path / "quick.type.yaml"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("output: {range: 4 .. 20 mA}", ALLOWANCE), "utf-8")
    text = quick.read_text(encoding="utf-8") + "decision rule: ILAC-G8:09/2019 simple acceptance\n"
    quick.write_text(text, encoding="utf-8")
    return quick


def test_the_plan_says_it_beforehand(tmp_path, poor, livezero, by_trials):
    done = livezero("plan", poor, "--bench", tmp_path / "quick.bench.yaml", "--json", cwd=tmp_path)
    found = json.loads(done.stdout)
    assert found["tur"] == pytest.approx(32 / by_trials(24.0, 6.4, 2.0), rel=0.015)
    assert any("below 1.5 a pass is conditional" in each for each in found["warnings"])


def test_nobody_accepts_it_and_the_pass_is_conditional(tmp_path, poor, livezero):
    bench = tmp_path / "quick.bench.yaml"
    done = livezero("run", poor, "--bench", bench, "--serial", "P-1", "--confirm", cwd=tmp_path)
    assert done.returncode == 1
    assert done.stdout.startswith("CONDITIONAL PASS")
    assert "is below 1.5, not accepted by a named person" in " ".join(done.stdout.split())


def test_it_is_accepted_by_name_and_the_record_keeps_that(tmp_path, poor, livezero):
    bench = tmp_path / "quick.bench.yaml"
    arguments = ("run", poor, "--bench", bench, "--serial", "P-1", "--confirm", "--accept-low-tur", ACCEPTED)
    done = livezero(*arguments, cwd=tmp_path)
    assert done.returncode == 0
    assert done.stdout.startswith("PASS")
    assert f"is below 1.5, accepted by {ACCEPTED}" in " ".join(done.stdout.split())
    (record,) = (tmp_path / "results").iterdir()
    opened = json.loads((record / "journal.jsonl").read_text(encoding="utf-8").splitlines()[0])
    assert opened["basis"]["low_tur_accepted"] == ACCEPTED
    page = (record / "report.html").read_text(encoding="utf-8")
    assert page.count(f"accepted by {ACCEPTED}") == 2  # in the headline, and in the verdict in full
    again = livezero("report", record, "--json", cwd=tmp_path)
    verdict = json.loads(again.stdout)["verdict"]
    assert verdict["result"] == "pass"
    assert verdict["accepted"].endswith(ACCEPTED)


@pytest.mark.parametrize("accepted", ["A. Brewer", "A. Brewer:", ": because"])
def test_an_acceptance_says_who_and_why(tmp_path, poor, livezero, accepted):
    bench = tmp_path / "quick.bench.yaml"
    arguments = ("run", poor, "--bench", bench, "--serial", "P-1", "--confirm", "--accept-low-tur", accepted)
    done = livezero(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert "NAME: reason" in done.stderr
    assert not (tmp_path / "results").exists()
