"""`livezero risk` and `report --monte-carlo`: what is printed, in 80 columns and as JSON, and what is refused."""

import json
from math import sqrt

import pytest
from click.testing import CliRunner
from scipy import integrate, stats

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


def test_risk_tells_the_chances_over_the_guard_band(tmp_path, quick, livezero, by_trials):
    bench = tmp_path / "quick.bench.yaml"
    done = livezero("risk", quick, "--bench", bench, "--json", cwd=tmp_path)
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout)
    # At 1000 Hz and 20 mA. Source: 0.002 % of 1000 Hz + 1 mHz = 21 mHz, at 16 uA/Hz 0.336 uA. Meter: 0.005 % of 20 mA
    # + 0.001 % of 100 mA = 2 uA. Half a step of each: 8 nA and 50 nA. To go: 20 % of 32 uA. All rectangular.
    halves = (0.336, 0.008, 2.0, 0.05, 6.4)
    U, u = by_trials(*halves) / 1000, sqrt(sum(each**2 for each in halves) / 3) / 1000
    assert found["tolerance"] == pytest.approx(0.032)
    assert found["U"] == pytest.approx(U, rel=0.012)
    assert found["tur"] == pytest.approx(0.032 / U, rel=0.012)
    assert found["in_tolerance"] == pytest.approx(0.95)
    accepts = [point["false_accept"] for point in found["points"]]
    rejects = [point["false_reject"] for point in found["points"]]
    assert accepts == sorted(accepts, reverse=True)
    assert rejects == sorted(rejects)
    sd = 0.032 / stats.norm.ppf(0.975)

    def bad_and_accepted(true):
        accepted = stats.norm.cdf(0.032, loc=true, scale=u) - stats.norm.cdf(-0.032, loc=true, scale=u)
        return 2 * stats.norm.pdf(true, scale=sd) * accepted

    assert accepts[0] == pytest.approx(integrate.quad(bad_and_accepted, 0.032, 0.032 + 8 * u)[0], rel=1e-3)


def test_risk_in_words_fits_the_screen(tmp_path, quick, livezero):
    done = livezero("risk", quick, "--bench", tmp_path / "quick.bench.yaml", "--in-tolerance", "80 %", cwd=tmp_path)
    assert done.exit_code == 0, done.stderr
    assert "80 %" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "nan" not in done.stdout.lower()


@pytest.mark.parametrize(
    ("share", "says"),
    [("0 %", "not between 0 and 100 %"), ("100 %", "not between"), ("0.95", "has no unit"), ("95 mA", "is not in %")],
)
def test_a_share_that_is_none_is_answered_with_what_to_do(tmp_path, quick, livezero, share, says):
    done = livezero("risk", quick, "--bench", tmp_path / "quick.bench.yaml", "--in-tolerance", share, cwd=tmp_path)
    assert done.exit_code == 2
    assert says in done.stderr
    assert done.stdout == ""


@pytest.fixture
def record(tmp_path, quick, livezero):
    bench = tmp_path / "quick.bench.yaml"
    done = livezero("run", quick, "--bench", bench, "--serial", "GF-104", "--confirm", "--json", cwd=tmp_path)
    assert done.exit_code in {0, 1}, done.stderr
    (folder,) = (tmp_path / "results").iterdir()
    return folder


def test_trials_stand_beside_the_first_order(tmp_path, record, livezero):
    done = livezero("report", record, "--monte-carlo", "200000", "--json", cwd=tmp_path)
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["monte_carlo"]["points_n"] == len(found["visits"])
    assert len(found["monte_carlo"]["sentences"]) == 2
    tried = found["monte_carlo"]["worst"]["result"]
    worst = max((visit for visit in found["visits"]), key=lambda visit: abs(visit["used_pct"]))
    assert tried["first_order_estimate"] == pytest.approx(worst["error"], abs=1e-9)
    assert tried["first_order"][1] - tried["first_order"][0] == pytest.approx(2 * worst["U"], rel=1e-3)
    assert tried["trials_n"] <= 200_000
    in_words = livezero("report", record, "--monte-carlo", "20000", cwd=tmp_path)
    assert in_words.exit_code == 0
    assert "Of all 9 points the first order lies farthest off at " in " ".join(in_words.stdout.split())
    assert "By Monte Carlo propagation (JCGM 101:2008)" in (record / "report.html").read_text(encoding="utf-8")


def test_a_run_and_readings_by_hand_are_tried_with_the_same_words(tmp_path, record, quick, livezero):
    kept = livezero("report", record, "--monte-carlo", "20000", "--json", cwd=tmp_path)
    bench, one = tmp_path / "quick.bench.yaml", ("--serial", "GF-104", "--confirm", "--monte-carlo", "20000")
    run = livezero("run", quick, "--bench", bench, *one, "--json", cwd=tmp_path)
    # One seed, one bench: the run that is tried at once finds what the record of the other gave.
    sentences = json.loads(kept.stdout)["monte_carlo"]["sentences"]
    assert json.loads(run.stdout)["monte_carlo"]["sentences"] == sentences
    hand = tmp_path / "hand.csv"
    hand.write_text("input;output\n0;4.001\n500;12.003\n1000;20.002\n500;12.003\n0;4.001\n", encoding="utf-8")
    arguments = ("evaluate", hand, "--type", tmp_path / "quick.type.yaml", "--monte-carlo", "20000")
    told = livezero(*arguments, "--bench", bench, cwd=tmp_path)
    assert "uncertainty by Monte Carlo propagation (JCGM 101:2008)\n  At the worst error, " in told.stdout
    assert "No uncertainty is known, so there is nothing to try." in livezero(*arguments, cwd=tmp_path).stdout


def test_trials_change_nothing_in_the_record(tmp_path, record, livezero):
    before = (record / "figures.json").read_bytes()
    digest = json.loads((record / "digest.json").read_text())["sha256"]
    livezero("report", record, "--monte-carlo", "20000", cwd=tmp_path)
    assert (record / "figures.json").read_bytes() == before
    assert json.loads((record / "digest.json").read_text())["sha256"] == digest


def test_too_few_trials_are_refused(tmp_path, record, livezero):
    done = livezero("report", record, "--monte-carlo", "10", cwd=tmp_path)
    assert done.exit_code == 2
    assert "20000" in done.stderr
