"""Records of earlier days: they load, verify, and are judged as they were sealed.

They lie in tests/kept_records, byte for byte, and are never made again: what reads records may change, records do not.
"""

import json
import math
import re
import shutil
from pathlib import Path

import pytest

from sequencer import core
from sequencer.reports import json_document

KEPT = Path(__file__).resolve().parent.parent / "kept_records"
VERDICTS = {"pass": "pass", "failed-chain": "fail"}


def differences(kept, now, at=""):
    """Where two JSON values differ: words, order and kinds at all; numbers by more than another processor makes.

    Keys that later versions add are no difference.
    """
    if isinstance(kept, dict) and isinstance(now, dict) and list(kept) == [name for name in now if name in kept]:
        return [each for name in kept for each in differences(kept[name], now[name], f"{at}.{name}")]
    if isinstance(kept, list) and isinstance(now, list) and len(kept) == len(now):
        pairs = enumerate(zip(kept, now, strict=True))
        return [each for index, (one, other) in pairs for each in differences(one, other, f"{at}[{index}]")]
    if isinstance(kept, float) and isinstance(now, float):
        # The order of sums is the processor's (measured with older instructions: 7e-13 of the number at most).
        return [] if math.isclose(kept, now, rel_tol=1e-9, abs_tol=1e-12) else [(at, kept, now)]
    return [] if type(kept) is type(now) and kept == now else [(at, kept, now)]


def without_uncertainty(document):
    """Takes out what hangs on how uncertainties are computed, and the two figures defined otherwise since."""
    del document["tur"], document["budget"], document["verdict"]["reason"], document["verdict"]["reservations"]
    document["tests"] = document["tests"][:1]
    otherwise = ("inaccuracy", "offset, both", "gain, both")
    document["figures"] = [each for each in document["figures"] if not each["name"].startswith(otherwise)]
    for each in document["figures"]:
        each.pop("u", None)
        del each["U"], each["definition"]
    for each in document["visits"]:
        for name in ("U", "k", "dof", "tur", "p_conform"):
            del each[name]


def figures_of(folder):
    return json.loads((folder / "figures.json").read_text(encoding="utf-8"))


@pytest.fixture
def cut_off(tmp_path):
    """A copy of the run that was cut off, to go on with."""
    return Path(shutil.copytree(KEPT / "cut-off", tmp_path / "results" / "cut-off"))


@pytest.mark.parametrize("name", VERDICTS)
def test_a_record_of_an_earlier_day_loads(name):
    found = core.load_record(KEPT / name)
    assert (found.content.status, found.evaluation.verdict.result) == ("complete", VERDICTS[name])
    assert found.content.alterations == ()


@pytest.mark.parametrize("name", VERDICTS)
def test_it_is_what_was_sealed(name):
    found = core.verify(KEPT / name)
    assert found.findings == ()
    assert found.is_intact
    assert (found.files_n, found.added_n) == (11, 0)


@pytest.mark.parametrize("name", VERDICTS)
def test_its_figures_are_computed_again_as_sealed(name, monkeypatch):
    monkeypatch.setattr(json_document, "COMPUTED_DIGITS", None)  # sealed with all digits that arithmetic gave
    kept = figures_of(KEPT / name)
    now = json.loads(json.dumps(core.document(core.load_record(KEPT / name).content)))
    assert differences(kept.pop("versions"), now.pop("versions")) == []  # of the day it was taken, not of today
    for name_ in ("advice", "findings"):  # opinions on the figures, in words that may change
        assert bool(kept.pop(name_, None)) == bool(now.pop(name_, None))
    # Each point was read twice in its one visit, so the words of then were not true.
    reworded = ("no point was read twice", "no point was approached twice from the same side")
    kept["tests"] = [each.replace(*reworded) for each in kept["tests"]]
    # Uncertainties are computed otherwise since (`result.METHOD`); readings, errors and figures are as sealed.
    for each in (kept, now):
        without_uncertainty(each)
    # What the rule bounds is computed since, for the degrees of freedom of the run; the rule is the same.
    rules = [each["verdict"].pop("rule").partition(" (")[0] for each in (kept, now)]
    assert rules[0] == rules[1]
    assert differences(kept, now) == []


def test_the_chain_is_still_told_where_it_fails():
    found = core.load_record(KEPT / "failed-chain").content.findings
    assert found.stage == "drive"
    # What was simulated is a slip of 3 %; the last digit goes with what is ordinary beside it.
    assert re.match(r"slip, turns 3\.0\d % slower than demanded", found.cause)


def test_a_number_or_a_word_that_is_another_would_be_found():
    kept = figures_of(KEPT / "pass")
    other = figures_of(KEPT / "pass")
    other["points"][1]["error"] *= 1 + 1e-8
    other["verdict"]["result"] = "fail"
    assert [each[0] for each in differences(kept, other)] == [".verdict.result", ".points[1].error"]


def test_a_run_that_was_cut_off_is_found_and_its_plan_is_had_back():
    (found,) = core.cut_off(KEPT)
    assert (found.folder.name, found.serial, found.point, found.is_closed) == ("cut-off", "GF-104", 6, False)
    assert [point.number for point in core.kept_plan(KEPT / "cut-off").points] == list(range(1, 10))
    told = core.verify(KEPT / "cut-off")
    assert (told.sha256, told.findings) == ("", ())


def test_it_is_resumed_to_its_end(cut_off):
    before = core.load_record(cut_off).readings
    done = core.resume(cut_off)
    assert (done.outcome.status, done.evaluation.verdict.result) == ("complete", "pass")
    assert done.record.readings.iloc[: len(before)].equals(before)
    assert core.verify(cut_off).is_intact


def test_or_it_is_closed(cut_off):
    assert core.close(cut_off).evaluation.verdict.result == "not determinable"
    assert core.verify(cut_off).is_intact
