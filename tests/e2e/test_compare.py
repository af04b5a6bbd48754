"""Two records side by side by the command: answer on top, exit status, page, and what is refused or cautioned."""

import json
import re

import pytest
from click.testing import CliRunner

from sequencer import core
from sequencer.cli import cli


@pytest.fixture
def kept(small, tmp_path):
    def ran(serial, **changes):
        return core.run(small(**changes), serial=serial, results=tmp_path / "kept").record.folder

    return ran


def compare(*arguments):
    done = CliRunner().invoke(cli, ["compare", *map(str, arguments)], prog_name="livezero")
    assert done.exception is None or isinstance(done.exception, SystemExit), done.output
    return done


SHIFTED = {"bench": {"faults: []": "faults: [{fault: zero shift, zero: 0.5 %}]"}}


def test_a_shifted_unit_is_different_and_the_shift_is_told(kept, tmp_path):
    a, b = kept("GF-104"), kept("GF-105", **SHIFTED)
    done = compare(a, b, "--to", tmp_path / "two.html")
    assert done.exit_code == 1
    lines = done.stdout.splitlines()
    assert lines[0].startswith("DIFFERENT (SIMULATED BENCH): B less A up to +0.")
    assert max(map(len, lines)) <= 80 or "page:" in max(lines, key=len)
    found = json.loads(compare(a, b, "--json").stdout)
    # the catalogue gave 0.5 % of span at every point
    assert [each["difference_pct"] for each in found["points"]] == pytest.approx([0.5] * 9, abs=0.03)
    assert found["is_same_bench"]
    assert found["different_n"] == 9
    page = (tmp_path / "two.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 2
    assert "GF-104" in page
    assert "Simulated bench" in page
    assert not re.search(r"<script|https?://(?!www\.w3\.org)", page)


def test_a_run_beside_itself_is_no_different(kept):
    a = kept("GF-104")
    done = compare(a, a)
    assert done.exit_code == 0
    assert done.stdout.startswith("NO DIFFERENCE FOUND")
    assert "both are the same record" in done.stdout
    assert "does not prove" in " ".join(done.stdout.split())


def test_equivalence_within_a_margin_exits_with_0(kept):
    a, b = kept("GF-104"), kept("GF-105", **SHIFTED)
    assert compare(a, b, "--within", "1 % of span").exit_code == 0
    assert compare(a, b, "--within", "0.2 % of span").exit_code == 1


def test_another_revision_and_an_altered_record_are_cautioned(kept):
    a, b = kept("GF-104"), kept("GF-105", sequence={"points: 5": "points: 3"})
    (b / "readings.csv").chmod(0o644)
    with (b / "readings.csv").open("a", encoding="utf-8") as file:
        file.write("\n")
    found = json.loads(compare(a, b, "--json").stdout)
    assert "the record of B was altered since it was sealed" in found["cautions"]
    assert "the sequence is not the same, or another revision of it" in found["cautions"]
    assert found["not_compared"] == [f"{place} % {way}: only A" for place in (25, 75) for way in ("up", "down")]


def test_another_type_is_refused_and_nothing_is_written_into_a_record(kept):
    a = kept("GF-104")
    b = kept("GF-105", type_sheet={"small pulse": "other pulse"})
    done = compare(a, b)
    assert done.exit_code == 2
    assert "the two are of different types" in done.stderr
    other = kept("GF-106", type_sheet={"0 .. 1000 Hz": "0 .. 1100 Hz"})
    assert "different taps, ranges or sensors" in compare(a, other).stderr
    inside = a / "inputs" / "two.html"
    done = compare(a, a, "--to", inside)
    assert done.exit_code == 2
    assert "lies inside a record" in done.stderr
    assert not inside.exists()


def test_a_csv_wants_its_type_and_stands_beside_a_record(kept, by_hand):
    a = kept("GF-104")
    path = by_hand("input [Hz];output [mA]", [(0, "4,001"), (500, "12,002"), (1000, "20,001")])
    done = compare(a, path)
    assert (done.exit_code, "give --type" in done.stderr) == (2, True)
    sheet = a / "inputs" / "type.yaml"
    done = compare(a, path, "--type", sheet, "--bench", "by-hand")
    assert "other instruments, or not known to be the same" in done.stdout
    assert done.exit_code in {0, 1}
