"""Slips of bench and person, as a user meets them: at the terminal, in the record, and in a table taken by hand."""

import html
import json

HAND_BENCH = """\
bench: hand-held source and meter (invented)
instruments:
  hand source: {description: keyed-source}
  hand meter: {description: keyed-meter}
taps:
  input: {set by: hand source}
  output: {read by: hand meter}
"""
# 0, 50 and 100 % of 0 .. 1000 Hz and back, one reading each: 4, 12, 20, 12 mA, as a person answers them in turn.
SEQUENCE = """\
sequence: three points by hand
type sheet: quick.type.yaml
cautions: [The unit is on the bench.]
steps:
  - traverse: {points: 3, cycles: 1, readings: 1, end pair: "no"}
"""


def test_a_decimal_slip_is_asked_about_at_the_terminal_and_both_are_kept(tmp_path, quick, livezero):
    (tmp_path / "hand.bench.yaml").write_text(HAND_BENCH)
    (tmp_path / "three.yaml").write_text(SEQUENCE)
    del quick  # its type sheet is what is wanted
    answers = ["yes", "", "", "", "4.002", "", "1.2003", "no", "12.003", "", "20.004", "", "12.004", "", "4.002", ""]
    done = livezero(
        "run", "three.yaml", "--bench", "hand.bench.yaml", "--serial", "GF-104", "--confirm",
        cwd=tmp_path, answers="\n".join(answers) + "\n",
    )  # fmt: skip
    question = (
        "1.2003 mA where about 12 mA is expected: decimal point? 12.003 mA would fit. Is that what the meter shows?"
    )
    assert question in " ".join(done.stderr.split())  # in lines of 80 letters
    assert "It was keyed again." in " ".join(done.stdout.split())
    (record,) = (tmp_path / "results").iterdir()
    lines = [json.loads(line) for line in (record / "journal.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [line["typed"] for line in lines if line["kind"] == "doubt"] == ["1.2003"]
    assert [line["value"] for line in lines if line["kind"] == "reading"][1] == 12.003
    assert "It was keyed again." in (record / "report.html").read_text(encoding="utf-8")


def test_a_blown_fuse_is_told_and_the_run_goes_on_where_nobody_is_there(tmp_path, quick, livezero, served):
    with served(quick, cwd=tmp_path, faults=["meter fuse blown"]) as bench:
        done = livezero("run", quick, "--bench", bench, "--serial", "x", "--confirm", "--json", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    remarks = json.loads(done.stdout)["remarks"]
    assert sum("loop open (fuse of the meter, polarity, no supply)" in each for each in remarks) == 1
    assert any("no operator was present to ask, so the run went on" in each for each in remarks)


def test_slips_of_a_table_are_told_in_its_report(tmp_path, livezero):
    (tmp_path / "r.csv").write_text("input;output\n0;4.001\n250;8.002\n500;1.2001\n750;16.003\n1000;20.001\n")
    done = livezero("evaluate", "r.csv", "--type", "pulse-to-current", "--report", "r.html", cwd=tmp_path)
    page = html.unescape((tmp_path / "r.html").read_text(encoding="utf-8"))
    for text in (" ".join(done.stdout.split()), page):
        assert 'line 4, column "output": 1.2001 mA was written, 12.001 mA fits' in text
    assert max(map(len, done.stdout.splitlines())) <= 80
