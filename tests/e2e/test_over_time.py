"""Years of one unit and its type by the command: history, repairs, regression, impact, envelope, control chart."""

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from instruments.benchfile import load_bench
from sequencer import core
from sequencer.cli import cli
from sequencer.history.impact import error_from_text, with_error
from sequencer.inputs.files import load_sequence
from sequencer.planning.plan import plan
from sequencer.record.load import load

TYPE = """\
type: small pulse rate converter (invented)
input: {range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
time constant: 20 ms
settling: {minimum: 80 ms, maximum: 3 s}
"""
SEQUENCE = """\
sequence: small acceptance
type sheet: small.type.yaml
settled within: 20 %
steps:
  - traverse: {points: 3, cycles: 2, readings: 2}
"""
BENCH = """\
bench: bench 1 (invented)
backend: simulated
check unit: CU-1
simulation: {seed: SEED, date: DATE, faults: [FAULT]}
instruments:
  source: {description: generic-scpi-source, resource: "TCPIP::127.0.0.1::1::SOCKET", identity: SIMULATED SOURCE}
  reference: {description: generic-scpi-meter, resource: "GPIB0::7::INSTR", identity: SIMULATED REFERENCE}
  meter: {description: generic-scpi-meter, resource: "TCPIP::127.0.0.1::2::SOCKET", identity: SIMULATED METER}
taps:
  input: {set by: source, read by: reference}
  output: {read by: meter}
"""
# Serial, date, state, zero in % of span: GF-104 drifts, is set back, is found out of tolerance, and is mended.
RUNS = [
    ("GF-104", "2022-01-05", "as left", 0.0),
    ("GF-104", "2023-01-05", "as found", 0.1),
    ("GF-104", "2023-01-06", "as left", 0.0),
    ("GF-104", "2024-01-06", "as found", 0.4),
    ("GF-104", "2024-01-09", "as left", 0.0),
    ("GF-105", "2024-01-09", "as found", 0.02),
    ("GF-106", "2024-01-09", "as found", -0.02),
    ("GF-107", "2024-01-09", "as found", 0.0),
]


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """The records of `RUNS`, in order."""
    folder = tmp_path_factory.mktemp("years")
    (folder / "small.type.yaml").write_text(TYPE)
    (folder / "small.yaml").write_text(SEQUENCE)
    for seed, (serial, date, state, zero) in enumerate(RUNS, start=1):
        fault = f"{{fault: zero and span, zero: {zero} %, span: 0 %}}" if zero else ""
        text = BENCH.replace("SEED", str(seed)).replace("DATE", date).replace("FAULT", fault)
        (folder / "small.bench.yaml").write_text(text)
        planned = plan(load_sequence(str(folder / "small.yaml")), load_bench(folder / "small.bench.yaml"))
        core.run(planned, serial=serial, results=folder / "results", state=state)
    return folder / "results"


@pytest.fixture
def livezero(results, monkeypatch):
    def called(*arguments):
        monkeypatch.chdir(results.parent)
        done = CliRunner().invoke(cli, [str(each) for each in arguments], prog_name="livezero")
        assert done.exception is None or isinstance(done.exception, SystemExit), done.output
        return done

    return called


def test_history_repairs_and_what_a_customer_gets(livezero, tmp_path):
    done = livezero("repaired", "gf-104", "--part", "input board", "--by", "B. Fitter", "--date", "2024-01-08")
    assert done.exit_code == 0, done.stderr
    page = tmp_path / "history.html"
    shown = livezero("history", "gf-104", "--to", page)
    assert shown.exit_code == 0, shown.stderr
    text = " ".join(shown.stdout.split())
    assert "GF-104, PASS (SIMULATED BENCH)" in text
    assert "2024-01-08 input board B. Fitter" in text
    assert "too few: 2 runs as found after an earlier run" in text
    assert max(map(len, shown.stdout.splitlines())) <= 80 + len(str(page))
    assert "ILAC-G24" not in page.read_text()
    livezero("history", "gf-104", "--to", page, "--with-interval")
    assert "ILAC-G24" in page.read_text()

    found = json.loads(livezero("history", "GF-104", "--json").stdout)
    assert [run["stretch"] for run in found["runs"]] == [1, 1, 2, 2, 3]
    assert [event["last_good"][:10] for event in found["out_of_tolerance"]] == ["2023-01-06"]
    # 0.1 in the first stretch, 0.4 in the second, of a year each: 0.25 a year, and beyond what U explains.
    zero = found["drift"][0]
    assert zero["per_year_pct"] == pytest.approx(0.25, abs=0.03)
    assert any("Birge" in each for each in zero["said"])


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("GF-104", "--date", "2999-01-01"), "2999-01-01 is still to come"),
        (("GF-140",), 'there is no record of a unit "GF-140"'),
    ],
)
def test_a_repair_that_could_not_be_taken_back_is_refused_where_it_is_a_slip(livezero, results, arguments, said):
    before = (results / "units.jsonl").read_bytes() if (results / "units.jsonl").exists() else b""
    done = livezero("repaired", *arguments, "--part", "x", "--by", "y")
    assert done.exit_code == 2
    assert said in done.stderr
    assert ((results / "units.jsonl").read_bytes() if (results / "units.jsonl").exists() else b"") == before
    if len(arguments) == 1:
        assert 'meant "GF-104"?' in done.stderr or 'meant "GF-107"?' in done.stderr
        assert livezero("repaired", "GF-140", "--part", "x", "--by", "y", "--no-record-yet").exit_code == 0


@pytest.mark.parametrize("command", [("history", "GF-104"), ("envelope", "small pulse"), ("control", "GF-104")])
def test_a_page_whose_name_says_no_form_is_refused(livezero, tmp_path, command):
    done = livezero(*command, "--to", tmp_path / "page.docx")
    assert (done.exit_code, done.stdout) == (2, "")
    assert ".pdf, .html" in done.stderr
    assert not (tmp_path / "page.docx").exists()


def test_repaired_units_are_held_against_what_they_were_with_one_exit_code(livezero, tmp_path):
    page = tmp_path / "regression.html"
    done = livezero("regression", "GF-104", "nobody", "--json", "--to", page)
    document = json.loads(done.stdout)
    unit, missing = document["units"]
    assert (done.exit_code, document["is_as_before"]) == (1, False)  # one that is missing stops no other, and is told
    assert missing["reason"] == 'there is no record of a unit "nobody"'
    assert unit["result"] == "as before"
    found, good = unit["held"]
    assert (found["against"], found["equivalence"], found["decides"]) == ("as found", "not equivalent", False)
    assert "zero error" in found["changed_figures"]
    assert (good["against"], good["equivalence"], good["decides"]) == ("last good", "equivalent", True)
    assert unit["type_units"] == 3
    # An error of 0.4 less 0.0 (as found, now) at each point.
    assert [point["difference_pct"] for point in found["points"]] == pytest.approx([-0.4] * 5, abs=0.03)
    assert "1 of 2 units" in page.read_text()
    for margin in ("a lot", "1 bar"):
        refused = livezero("regression", "GF-104", "--within", margin)
        assert (refused.exit_code, refused.stdout) == (2, ""), margin


def test_a_baseline_is_pinned_by_its_digest(livezero, results):
    (first,) = (each.parent for each in results.glob("*_GF-105_*/journal.jsonl"))
    pinned = livezero("baseline", first, "--name", "reference", "--by", "A. Cellarman", "--of-type")
    assert pinned.exit_code == 0, pinned.stderr
    done = livezero("regression", "GF-106", "--baseline", "reference", "--within", "0.1 % of span", "--json")
    (unit,) = json.loads(done.stdout)["units"]
    assert [each["against"] for each in unit["held"] if each["decides"]] == ["baseline reference"]
    assert unit["result"] == "as before"  # 0.04 apart, within 0.1
    digest = first / "digest.json"
    kept = digest.read_text()
    try:
        digest.write_text(kept.replace(json.loads(kept)["sha256"], "0" * 64))
        altered = livezero("regression", "GF-106", "--baseline", "reference")
        assert "is not the one that was pinned" in " ".join(altered.stdout.split())
    finally:
        digest.write_text(kept)


def test_impact_judges_again_with_the_error_known(livezero, results):
    # 0.05 mA of 16 mA is 0.3125 % of span: a meter that shows so much too much hid an error of -0.3125.
    sealed = {path: path.read_bytes() for path in results.glob("*/figures.json")}
    done = livezero("impact", "meter", "--error", "0.05 mA", "--since", "2024", "--json")
    found = json.loads(done.stdout)["records"]
    assert done.exit_code == 1
    assert {each["date"][:4] for each in found} == {"2024"}
    changed = {Path(each["folder"]).name.split("_")[1]: each for each in found if each["state"] == "as found"}
    # GF-104 was found at 0.4: 0.0875 with the meter right; the others at 0.02, -0.02 and 0.0: beyond 0.2 then.
    assert (changed["GF-104"]["before"], changed["GF-104"]["after"]) == ("fail", "pass")
    assert [(changed[serial]["before"], changed[serial]["after"]) for serial in ("GF-105", "GF-106", "GF-107")] == [
        ("pass", "fail")
    ] * 3
    for serial, zero in (("GF-105", 0.02), ("GF-106", -0.02), ("GF-107", 0.0)):
        worst = abs(zero - 0.3125) / 0.2 * 100
        assert changed[serial]["used_after_pct"] == pytest.approx(worst, abs=12), serial
    assert {path: path.read_bytes() for path in sealed} == sealed


def test_the_error_of_a_reference_goes_the_other_way(results):
    # A reference that shows 0.1 % of reading too much: the input was less, so the output is too high by that, at most
    # 0.1 % of span at 100 %. GF-107 has no error of its own.
    (record,) = (each.parent for each in results.glob("*_GF-107_*/journal.jsonl"))
    error = error_from_text("0.1 % of reading")
    found = load(record, as_if=lambda basis, sheet: with_error(basis, sheet, ["reference"], error)[0]).evaluation
    assert float(found.worst["error_pct"]) == pytest.approx(0.1, abs=0.03)
    assert float(found.worst["setpoint_pct"]) == 100


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("meter", "--error", "wrong"), "is not a number with a unit"),
        (("meter", "--error", "0.1 %"), "does not say of what"),
        (("balance", "--error", "0.1 mA"), "no record used an instrument"),
        (("meter", "--error", "0.1 mA", "--since", "yesterday"), "is no date"),
    ],
)
def test_what_cannot_be_judged_again_is_said(livezero, arguments, said):
    done = livezero("impact", *arguments)
    assert done.exit_code == 2
    assert said in done.stderr


def test_impact_and_envelope_say_that_the_bench_is_simulated(livezero, tmp_path):
    for command in (("impact", "meter", "--error", "0.0001 mA"), ("envelope", "small pulse")):
        shown = livezero(*command)
        assert "(SIMULATED BENCH)" in shown.stdout
        assert json.loads(livezero(*command, "--json").stdout)["is_simulated"] is True
        page = tmp_path / f"{command[0]}.html"
        livezero(*command, "--to", page)
        assert "Simulated bench: no real unit" in page.read_text()


def test_an_error_of_a_signal_that_the_instrument_nowhere_reads_is_no_all_clear(livezero):
    done = livezero("impact", "meter", "--error", "3 degC", "--since", "2024-01-09")
    assert done.exit_code == 2
    assert "meter sets or reads no signal that an error of 3 degC could be of" in done.stderr
    assert done.stdout == ""


def test_a_record_that_cannot_be_judged_again_is_not_known_and_no_all_clear(livezero, results):
    (record,) = (each.parent for each in results.glob("*_GF-107_*/journal.jsonl"))
    sheet = next(record.glob("inputs/*type*"))
    sheet.rename(record.parent / "away")
    try:
        done = livezero("impact", "meter", "--error", "0.0001 mA", "--since", "2024-01-09")
    finally:
        (record.parent / "away").rename(sheet)
    assert done.exit_code == 1
    assert "0 OF 4 VERDICTS CHANGE, 1 NOT KNOWN" in done.stdout


def test_the_envelope_from_memory_and_from_parquet(livezero, results, tmp_path):
    for each in results.iterdir():  # a folder that was changed a moment ago is looked at again
        os.utime(each, (1e9, 1e9))
    memory = json.loads(livezero("envelope", "small pulse", "--state", "as found", "--json").stdout)
    asked = ("envelope", "small pulse", "--state", "as found", "--parquet", tmp_path / "store", "--json")
    parquet = json.loads(livezero(*asked).stdout)
    assert parquet["units"] == memory["units"] == 4
    for one, other in zip(memory["points"], parquet["points"], strict=True):
        assert one["mean"] == pytest.approx(other["mean"], rel=1e-9)
        assert one["interval"]["high"] == pytest.approx(other["interval"]["high"], rel=1e-9)
    files = sorted(path.name for path in (tmp_path / "store").iterdir())
    assert len(files) == 3
    livezero(*asked)  # nothing is written again
    assert sorted(path.name for path in (tmp_path / "store").iterdir()) == files
    unknown = livezero("envelope", "no such type")
    assert unknown.exit_code == 2
    assert "small pulse rate converter" in unknown.stderr


def test_a_run_on_a_bench_that_was_never_checked_is_remarked(livezero, results):
    (record,) = (each.parent for each in results.glob("*_GF-107_*/journal.jsonl"))
    remarks = json.loads((record / "figures.json").read_text())["remarks"]
    assert any("the check unit CU-1 was never run on this bench" in each for each in remarks)
    few = livezero("control", "GF-104")
    assert few.exit_code == 1
    assert "TOO FEW RUNS" in few.stdout


def test_a_unit_without_records_is_told_where_to_look(livezero):
    for command in ("history", "control"):
        done = livezero(command, "GF-999")
        assert done.exit_code == 2
        assert "livezero records lists the units" in done.stderr
