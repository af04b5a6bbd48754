"""Found, adjusted, run again: the as-left run stands beside the as-found run of the same unit, or says why not."""

import json

import pytest
from click.testing import CliRunner

from sequencer.cli import cli


@pytest.fixture
def livezero(monkeypatch):
    """The command in this process, which many short runs do not start again."""

    def called(*arguments, cwd):
        monkeypatch.chdir(cwd)
        done = CliRunner().invoke(cli, [str(each) for each in arguments], prog_name="livezero")
        assert done.exception is None or isinstance(done.exception, SystemExit), done.output
        return done

    return called


@pytest.fixture
def tested(tmp_path, quick, livezero):
    def run(*options, serial="GF-104"):
        arguments = ("run", quick, "--bench", tmp_path / "quick.bench.yaml", "--serial", serial, "--confirm", "--json")
        done = livezero(*arguments, *options, cwd=tmp_path)
        assert done.exit_code in {0, 1}, done.stderr
        return json.loads(done.stdout)

    return run


def folders(tmp_path):
    return sorted((tmp_path / "results").iterdir())


def test_as_left_holds_what_was_found_and_what_to_turn(tmp_path, tested):
    # A meter that is out reads the same: until it is cleared there is nothing to turn.
    fault, cleared = "zero and span, zero=0.8 %, span=-1.5 %", "A. Brewer: second meters read the same"
    found = tested("--as-found", "--fault", fault, "--bench-cleared", cleared)
    assert found["verdict"]["result"] == "fail"
    assert f"bench and wiring proved right by {cleared}" in found["remarks"]
    # 0.8 % of 16 mA is 0.128 mA too much: turn it back by that.
    assert found["adjustment"]["zero"] == pytest.approx(-0.128, abs=0.01)
    assert found["adjustment"]["steps"][0].startswith("At 0 %: turn zero until 4.0")
    (there,) = folders(tmp_path)
    left = tested("--as-left")
    assert left["state"] == "as left"
    assert left["as_found"]["folder"] == there.name
    assert left["as_found"]["verdict"] == found["verdict"]
    assert left["as_found"]["figures"] == found["figures"]
    assert abs(left["visits"][0]["error_pct"]) < 0.1
    assert not any("as-found" in remark for remark in left["remarks"])


def test_nothing_is_turned_for_what_meter_or_wiring_may_do(tested):
    # 0.8 % and -1.5 % of 16 mA: I (1 - 0.015) + 0.188 mA, as a meter shows that is out.
    found = tested("--as-found", "--fault", "zero and span, zero=0.8 %, span=-1.5 %")
    assert found["adjustment"] is None
    assert "meter gain" in found["advice"]
    meter = tested("--as-found", "--fault", "meter gain, gain=-1.5 %, offset=1.175 %", serial="GF-105")
    assert meter["adjustment"] is None


def test_a_bench_is_cleared_by_name_and_way_or_not_at_all(tmp_path, quick, livezero):
    arguments = ("run", quick, "--bench", tmp_path / "quick.bench.yaml", "--serial", "GF-1", "--confirm")
    done = livezero(*arguments, "--bench-cleared", "yes", cwd=tmp_path)
    assert done.exit_code == 2
    assert "who proved bench and wiring right, and how, is not said" in done.stderr
    assert not (tmp_path / "results").exists()


def test_the_last_as_found_of_this_unit_counts_and_no_other(tmp_path, tested):
    tested("--as-found", "--fault", "zero shift, zero=0.8 %")
    tested("--as-found", "--fault", "zero shift, zero=0.4 %")
    tested("--as-found", "--fault", "zero shift, zero=0.9 %", serial="GF-105")
    left = tested("--as-left")
    (zero,) = [each["value"] for each in left["as_found"]["figures"] if each["name"] == "zero error"]
    assert zero == pytest.approx(0.4, abs=0.05)
    assert len(folders(tmp_path)) == 4  # nothing was written over


def test_an_altered_as_found_record_is_reported(tmp_path, tested, livezero):
    tested("--as-found", "--fault", "zero shift, zero=0.8 %")
    there = folders(tmp_path)[0]
    tested("--as-left")
    with (there / "readings.csv").open("a", encoding="utf-8") as file:
        file.write("\n")
    done = livezero("report", folders(tmp_path)[1], "--json", cwd=tmp_path)
    assert "the as-found run was altered since" in json.loads(done.stdout)["remarks"]


def test_an_as_found_record_that_was_taken_away_is_reported(tmp_path, tested, livezero):
    tested("--as-found")
    there = folders(tmp_path)[0]
    tested("--as-left")
    there.rename(tmp_path / "elsewhere")
    done = livezero("report", folders(tmp_path)[0], "--json", cwd=tmp_path)
    assert done.exit_code == 0, done.stderr
    left = json.loads(done.stdout)
    assert left["as_found"] is None
    assert any(f"the as-found run {there.name} cannot be read" in remark for remark in left["remarks"])


def test_a_record_that_names_itself_ends_in_a_remark(tmp_path, tested, livezero):
    tested("--as-found")
    tested("--as-left")
    there, left = folders(tmp_path)
    journal = left / "journal.jsonl"
    journal.write_text(journal.read_text(encoding="utf-8").replace(there.name, left.name), encoding="utf-8")
    done = livezero("report", left, "--json", cwd=tmp_path)
    assert done.exit_code == 0, done.stderr
    assert f"{left.name} is not an as-found run" in json.loads(done.stdout)["remarks"]


def test_without_an_as_found_run_it_is_said(tested):
    left = tested("--as-left")
    assert left["as_found"] is None
    assert "no as-found run of this unit is stored here: what was adjusted is not determinable" in left["remarks"]


def test_a_run_that_was_cut_off_is_no_as_found_run(tmp_path, tested):
    tested("--as-found", "--fault", "zero shift, zero=0.8 %")
    (there,) = folders(tmp_path)
    told = json.loads((there / "figures.json").read_text(encoding="utf-8"))
    (there / "figures.json").write_text(json.dumps(told | {"status": "interrupted"}), encoding="utf-8")
    assert tested("--as-left")["as_found"] is None


def test_no_trim_is_offered_for_a_good_unit(tested):
    assert tested("--as-found")["adjustment"] is None
