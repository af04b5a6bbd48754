"""A record whose seal was taken away is told, and never sealed again in silence; a run killed before it is not."""

import json
import shutil

import pytest

from instruments.errors import InputError, RecordError
from sequencer import core
from sequencer.jobs.index_jobs import build_index, list_deeds, records

BY = "A. Cellarman: the disk lost digest.json; the printed report agrees"


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    plan = core.plan("pulse-to-current", bench="simulated")
    return core.run(plan, serial="GF-104", results=tmp_path_factory.mktemp("whole")).record.folder


@pytest.fixture
def record(whole, tmp_path):
    return shutil.copytree(whole, tmp_path / "results" / whole.name)


def digest_of(record):
    return json.loads((record / "digest.json").read_text())["sha256"]


def told(record):
    (found,) = build_index(record.parent).wrong
    return found[1:]


@pytest.mark.parametrize("is_known", [True, False], ids=["the index knew it", "no index was made"])
def test_a_seal_that_was_taken_away_is_told_and_not_made_again(record, is_known):
    if is_known:
        build_index(record.parent)
    digest = digest_of(record)
    (record / "digest.json").unlink()
    condition, said = told(record)
    assert (condition, said.startswith("digest.json: is missing: the record was sealed")) == ("altered", True)
    assert (f"{digest[:8]}" in said) == is_known
    for again in (core.close, core.resume):
        with pytest.raises(RecordError, match=r"digest\.json: is missing"):
            again(record)
    assert not (record / "digest.json").exists()
    assert core.cut_off(record.parent) == ()
    found = core.verify(record)
    assert not found.is_intact
    assert found.findings[0].startswith("digest.json: is missing")
    assert "from a copy" in found.todo[0]
    assert "--seal-anew" in found.todo[1]
    # It is told each time, and what the index knew of it stays.
    assert told(record)[0] == "altered"
    (verdict,) = records(record.parent, condition="altered").records["verdict"]
    assert verdict == "pass"


def test_a_journal_cut_with_the_seal_gone_is_told_as_lines_that_are_missing(record):
    build_index(record.parent)
    digest = digest_of(record)
    for name in ("digest.json", "figures.json", "readings.csv"):
        (record / name).unlink()
    journal = record / "journal.jsonl"
    journal.chmod(0o644)
    journal.write_bytes(b"".join(journal.read_bytes().splitlines(keepends=True)[:-20]))
    condition, said = told(record)
    assert condition == "altered"
    assert "journal.jsonl lacks the lines at its end" in said
    assert digest[:8] in said
    assert any("lacks the lines at its end" in each for each in core.verify(record).findings)
    with pytest.raises(RecordError, match="lacks the lines at its end"):
        core.resume(record)


def test_one_that_another_program_sealed_again_is_told(record):
    build_index(record.parent)
    before = digest_of(record)
    figures = record / "figures.json"
    figures.chmod(0o644)
    figures.write_text(figures.read_text() + "\n")
    (record / "digest.json").chmod(0o644)
    from sequencer.record.digest import digest_of as computed

    (record / "digest.json").write_text(json.dumps(computed(record)))
    for _ in range(2):  # the index does not learn the new one
        condition, said = told(record)
        assert condition == "altered"
        assert said == f"digest.json: is not that which it was sealed with: that was {before[:8]}..."
    assert not core.verify(record).is_intact


def test_a_named_person_seals_anew_and_that_stands_as_a_revision(record):
    core.remark(record, "The cover was off.", by="B. Brewer")
    build_index(record.parent)
    before = digest_of(record)
    (record / "digest.json").unlink()
    with pytest.raises(InputError, match="who has the record sealed anew"):
        core.close(record, sealed_anew_by="A. Cellarman")
    done = core.close(record, sealed_anew_by=BY)
    assert done.outcome.status == "complete"
    assert done.evaluation.verdict.result == "pass"
    assert digest_of(record) != before
    assert core.verify(record).is_intact
    remarks = core.load_record(record).content.remarks
    assert any("sealed anew" in each and "A. Cellarman" in each and before in each for each in remarks)
    assert any("The cover was off." in each for each in remarks)
    assert build_index(record.parent).wrong == ()
    assert list(records(record.parent).records["revision"]) == [2]
    (deed,) = (each for each in list_deeds(record.parent) if each["what"] == "sealed anew")
    assert (deed["by"], deed["text"]) == ("A. Cellarman", BY.partition(": ")[2])
    corrected = core.correct(
        record, point=9, tap="", reading=1, to="7.2 mA", by="B", why="slip", is_meant=lambda _: True
    )
    assert corrected["replaces"] == f"revision 2 of {digest_of(record)}"


def test_an_altered_journal_is_not_sealed_anew(record):
    (record / "digest.json").unlink()
    journal = record / "journal.jsonl"
    journal.chmod(0o644)
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(lines[:60] + lines[61:]))
    with pytest.raises(RecordError, match="its journal was altered besides"):
        core.close(record, sealed_anew_by=BY)
    assert not (record / "digest.json").exists()


def test_what_was_not_lost_is_not_sealed_anew(record):
    with pytest.raises(RecordError, match="the run is over, and its record sealed"):
        core.close(record, sealed_anew_by=BY)


def test_a_run_that_was_killed_before_its_seal_is_sealed_as_ever(record):
    # As it lies there: closed, the file of what is not sealed beside it.
    for name in ("digest.json", "figures.json", "readings.csv"):
        (record / name).unlink()
    (record / "unsealed").touch()
    assert build_index(record.parent).wrong == ()
    assert [each.place for each in core.cut_off(record.parent)] == ["before it was sealed"]
    core.close(record)
    assert core.verify(record).is_intact
    assert not (record / "unsealed").exists()
    assert build_index(record.parent).wrong == ()


@pytest.mark.parametrize("end", [core.resume, core.close], ids=["resumed", "closed"])
def test_a_run_of_an_earlier_livezero_goes_on_without_a_word_of_a_seal(record, end):
    # It has no file of what is not sealed, and was cut off in the middle.
    for name in ("digest.json", "figures.json", "readings.csv"):
        (record / name).unlink()
    journal = record / "journal.jsonl"
    journal.chmod(0o644)
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(lines[: len(lines) // 2]))
    assert end(record).record.content.alterations == ()
    assert core.verify(record).is_intact
    assert not (record / "unsealed").exists()
