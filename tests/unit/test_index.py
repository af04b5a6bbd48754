"""The index of records: what is found by what, and that the folders stay the truth; on SQLite and on PostgreSQL."""

import json
import math
import os
import shutil
import signal
import warnings
from multiprocessing import get_context
from pathlib import Path

import made_records
import pandas as pd
import postgres
import pytest

import sequencer
from instruments.errors import InputError, RecordError
from sequencer import core
from sequencer.index.database import HEAD, Database, sqlite_of
from sequencer.index.looking import build, look
from sequencer.index.models import Base
from sequencer.inputs.serials import as_written, serial_key
from sequencer.jobs.index_jobs import (
    build_index,
    find_record,
    list_records,
    list_removable,
    pin_baseline,
    records,
    repaired,
)
from sequencer.jobs.over_time import history
from sequencer.jobs.types import type_envelope

DAY = "2026-01-05T08:00:00.000+00:00"


@pytest.fixture(scope="session")
def server():
    if postgres.binaries() is None:
        pytest.fail(postgres.ABSENT)
    with postgres.running() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def index(request):
    """What names the index: nothing for that in the folder, or the URL of an empty database of a real server."""
    if request.param == "sqlite":
        return ""
    return postgres.database(request.getfixturevalue("server"))


@pytest.fixture
def results(tmp_path):
    folder = tmp_path / "kept"
    folder.mkdir()
    return folder


def forked(*tasks):
    """Run each task in a process of its own, all at once; returns the processes, begun."""
    context = get_context("fork")
    with warnings.catch_warnings():
        warnings.simplefilter(
            "ignore", DeprecationWarning
        )  # that a fork of many threads may lock: none holds a lock here
        processes = [context.Process(target=task, args=arguments) for task, *arguments in tasks]
        for each in processes:
            each.start()
    return processes


def serials_of(found):
    return list(found.records["serial"])


def test_frames_say_what_the_record_of_a_run_says(small, results):
    faulty = small(bench={"faults: []": "faults: [{fault: span error, span: 1 %}]"})
    record = core.run(faulty, serial="GF-104", results=results, state="as found", operator_name="N. N.").record
    figures = json.loads((record.folder / "figures.json").read_text())
    found = sequencer.records(results)
    row = found.records.iloc[0]
    assert (row.serial, row.verdict, row.state, row.operator) == ("GF-104", "fail", "as found", "N. N.")
    assert row.folder == str(record.folder)
    assert row.digest == json.loads((record.folder / "digest.json").read_text())["sha256"]
    assert row.started_at == pd.Timestamp(figures["date"])
    assert "span error" in row.causes[0]
    assert [each.split(":")[0] for each in row.instruments] == ["source", "reference", "meter"]
    assert list(found.figures["figure"]) == [each["name"] for each in figures["figures"]]
    values = [math.nan if each["value"] is None else each["value"] for each in figures["figures"]]
    assert list(found.figures["value"]) == pytest.approx(values, nan_ok=True)
    assert list(found.errors["error"]) == pytest.approx([each["error_pct"] for each in figures["visits"]])
    assert list(found.errors["U"]) == pytest.approx([100 * each["U"] / 16 for each in figures["visits"]])  # 4 .. 20 mA
    measured = found.figures[found.figures["figure"] == "measured error"].iloc[0]
    assert (measured.limit_low, measured.limit_high) == pytest.approx((-0.2, 0.2))  # the tolerance of the type sheet


@pytest.mark.parametrize(
    ("asked", "names"),
    [
        ({"serial": "q1"}, "a b"),
        ({"serial": "Q 1"}, "a b"),
        ({"serial": "q*"}, "a b c"),
        ({"tag": "ft-7"}, "b"),
        ({"type": "WORT"}, "b"),
        ({"verdict": "fail"}, "b"),
        ({"cause": "Span Error"}, "b"),
        ({"bench": "workshop 2"}, "c"),
        ({"operator": "MÜLLER"}, "c"),
        ({"operator": "müller-groß"}, "c"),
        ({"since": "2026-02"}, "b c"),
        ({"until": "2026-01"}, "a"),
        ({"since": "2026-02-03", "until": "2026-02-03"}, "b"),
        ({"since": "2026-02-03T09:00+01:00", "until": "2026-02-03T08:00Z"}, "b"),
        ({"state": "as left"}, "c"),
        ({"text": "100%_done"}, "c"),
        ({"text": "100_done"}, ""),
        ({"instrument": "meter"}, "a b c"),
        ({"instrument": "no such"}, ""),
        ({"serial": "q1", "verdict": "pass"}, "a"),
    ],
    ids=str,
)
def test_records_are_found_by_what_they_say(filled, asked, names):
    results, index = filled
    found = records(results, index=index, is_fresh=False, **asked).records
    assert " ".join(Path(each).name for each in found["folder"]) == names


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def filled(request, tmp_path_factory):
    """Three records, each unlike the others in one thing."""
    results = tmp_path_factory.mktemp("filled")
    made_records.made(results, "a", serial="Q1", date=DAY)
    of_b = {"type": "wort temperature transmitter (invented)", "tag": "FT-7", "verdict": "fail"}
    made_records.made(results, "b", serial="q1", date="2026-02-03T08:00:00+00:00", cause="span error, + 1 %", **of_b)
    of_c = {"bench": "Workshop 2", "operator": "Jürgen Müller-Groß", "state": "as left"}
    made_records.made(results, "c", serial="Q2", date="2026-03-01T00:00:00+00:00", sequence="is 100%_done", **of_c)
    index = "" if request.param == "sqlite" else postgres.database(request.getfixturevalue("server"))
    build_index(results, index=index)
    return results, index


def test_pages_are_sorted_and_both_spellings_told(filled):
    results, index = filled
    page = list_records(results, index=index, per_page=2)
    assert [each.serial for each in page.lines] == ["Q2", "q1"]
    assert (page.found_n, page.pages_n) == (3, 2)
    assert [each.serial for each in list_records(results, index=index, per_page=2, page=2).lines] == ["Q1"]
    by_verdict = list_records(results, index=index, sort="verdict", is_reversed=True)
    assert [each.verdict for each in by_verdict.lines] == ["pass", "pass", "fail"]
    assert set(list_records(results, index=index, serial="Q1").spellings) == {("Q1", 1), ("q1", 1)}
    assert list_records(results, index=index, serial="q2").spellings == ()


def test_serials_that_look_like_one_without_a_record_are_told(filled):
    results, index = filled
    for typed in ("QI", "ql", "Q|"):
        assert set(list_records(results, index=index, serial=typed).alike) == {"Q1", "q1"}
    assert list_records(results, index=index, serial="Q7").alike == ()
    assert list_records(results, index=index, serial="Q2", verdict="fail").alike == ()  # it has a record
    with pytest.raises(RecordError) as refused:
        find_record("QI", results, index=index)
    assert refused.value.todo == 'meant "Q1"?'
    with pytest.raises(RecordError) as refused:
        history("ql", results=results, index=index)
    assert refused.value.todo.startswith('it looks like "Q1" and "q1"')


def test_a_record_is_named_by_serial_state_day_and_digest(filled):
    results, index = filled

    def named(name):
        return find_record(name, results, index=index).folder.name

    assert (named("q2"), named("Q2@as-left"), named("Q2@2026-03")) == ("c", "c", "c")
    assert named("Q1") == "a"  # as it is written, where both are
    assert named(json.loads((results / "b" / "digest.json").read_text())["sha256"][:8]) == "b"
    assert "written" in find_record("Q1", results, index=index).said
    with pytest.raises(RecordError, match=r'"Ｑ1" is written in several ways: "Q1".* and "q1"'):
        named("Ｑ1")
    with pytest.raises(RecordError, match="neither such a folder nor such a record"):
        named("Q2@as-found")
    with pytest.raises(InputError, match="is no date"):
        named("Q2@yesterday")
    with pytest.raises(RecordError, match="no record that is not over"):
        find_record("Q2", results, index=index, is_open=True)


def test_a_serial_with_a_slash_names_its_record_and_a_place_is_a_place(results, index):
    for number, serial in enumerate(("Mälz/7", "LINE 2/GF-1")):
        made_records.made(results, f"of {number}", serial=serial, date=f"2026-01-0{number + 1}T08:00:00+00:00")
        assert find_record(serial, results, index=index).folder == results / f"of {number}"
    assert find_record(str(results / "of 0"), results, index=index).folder == results / "of 0"
    assert find_record(str(results / "no such"), results, index=index).folder == results / "no such"


def test_records_are_asked_for_by_what_there_is(results, index):
    made_records.many(results, 1)
    assert len(sequencer.records(results, index=index, serial=None, tag=None).records) == 1
    with pytest.raises(InputError, match='asked for by "serail"') as raised:
        sequencer.records(results, index=index, serail="x")
    assert 'write "serial"' in raised.value.todo
    assert "instrument" in raised.value.allowed
    for name, word, near in (
        ("verdict", "passed", "pass"),
        ("state", "as-found", "as found"),
        ("condition", "hole", "whole"),
    ):
        with pytest.raises(InputError, match=f"no {name}") as raised:
            sequencer.records(results, index=index, **{name: word})
        assert f'write "{near}"' in raised.value.todo
    assert len(sequencer.records(results, index=index, verdict="P*", condition="WHOLE").records) == 1


def test_a_record_in_two_folders_counts_once(results, index):
    first, *_ = made_records.many(results, 3)
    build_index(results, index=index)
    shutil.copytree(results / first, results / "a copy")
    for ask in (records, build_index, records):
        found = ask(results, index=index)
    assert len(found.records) == 3
    assert found.records["record"].nunique() == found.errors["record"].nunique() == 3
    looked = build_index(results, index=index)
    assert (looked.copied, looked.wrong, looked.missing) == ((("a copy", first),), (), ())
    assert list_records(results, index=index).found_n == 3
    (copy,) = list_records(results, index=index, condition="copied").lines
    assert copy.said == f"the same record as {first}, and counts there alone"
    assert type_envelope("glycol", results=results, index=index).records_n == 3
    # A copy that goes is no loss; and it is the record, where the other is gone.
    shutil.copytree(results / first, results / "second copy")
    build_index(results, index=index)
    shutil.rmtree(results / "second copy")
    looked = build_index(results, index=index)
    assert (looked.missing, looked.moved, [each[0] for each in looked.copied]) == ((), (), ["a copy"])
    shutil.rmtree(results / first)
    looked = build_index(results, index=index)
    assert (looked.copied, looked.missing, looked.moved) == ((), (), ((first, "a copy"),))
    assert list_records(results, index=index).found_n == 3


def test_a_copy_that_was_altered_leaves_the_record_whole(results, index):
    (first,) = made_records.many(results, 1)
    shutil.copytree(results / first, results / "a copy")
    journal = results / first / "journal.jsonl"
    build_index(results, index=index)
    journal.write_bytes(journal.read_bytes().replace(b'"value": 4.0', b'"value": 4.1', 1))
    looked = build_index(results, index=index)
    assert [each[:2] for each in looked.wrong] == [(first, "altered")]
    assert looked.copied == ()
    assert list(records(results, index=index, condition="whole").records["folder"]) == [str(results / "a copy")]


@pytest.mark.parametrize("ask", [build_index, records], ids=["built anew", "looked at"])
def test_a_record_that_was_renamed_is_moved_and_not_missing(results, index, ask):
    first, second = made_records.many(results, 2)
    build_index(results, index=index)
    (results / first).rename(results / "elsewhere")
    if ask is build_index:
        looked = build_index(results, index=index)
        assert (looked.moved, looked.missing, looked.wrong) == (((first, "elsewhere"),), (), ())
    found = records(results, index=index).records
    assert list(found["condition"]) == ["whole", "whole"]
    assert {Path(each).name for each in found["folder"]} == {"elsewhere", second}


def test_one_that_was_missing_and_comes_back_under_another_name_is_moved(results, index):
    first, _ = made_records.many(results, 2)
    build_index(results, index=index)
    shutil.move(results / first, results.parent / "away")
    assert build_index(results, index=index).missing == (first,)
    shutil.move(results.parent / "away", results / "back")
    found = records(results, index=index).records
    assert list(found["condition"]) == ["whole", "whole"]
    assert build_index(results, index=index).missing == ()


def test_a_serial_with_a_star_is_listed_alone_and_a_star_still_stands_for_any(results, index):
    for number, serial in enumerate(("Q*7", "Q17", "Q27", "q*7")):
        made_records.made(results, f"{number}", serial=serial, date=DAY)
    assert sorted(records(results, index=index, serial="q*7").records["serial"]) == ["Q*7", "q*7"]
    assert list_records(results, index=index, serial="Q*7").found_n == 2
    assert list_records(results, index=index, serial="Q*").found_n == 4


def test_serials_that_look_alike_are_told_apart():
    assert as_written("GF-104") == '"GF-104"'
    assert as_written("GF\u2011104") == '"GF\u2011104" (U+2011 NON-BREAKING HYPHEN)'
    assert as_written("GF 104") == '"GF 104"'


def test_letters_of_a_serial_do_not_matter():
    assert {serial_key(each) for each in ("GF-104", " gf-104 ", "GF\u2011104", "ＧＦ-104", "G F-104")} == {"gf-104"}


def test_what_is_altered_or_gone_is_told_and_what_comes_back_is_whole(results, index):
    names = made_records.many(results, 4)
    assert build_index(results, index=index).wrong == ()
    journal = results / names[0] / "journal.jsonl"
    whole = journal.read_bytes()
    journal.write_bytes(whole.replace(b'"value": 4.0', b'"value": 4.1', 1))
    (results / names[1] / "figures.json").unlink()
    (results / names[2] / "digest.json").write_text("{}")
    shutil.move(results / names[3], results.parent / "away")
    found = build_index(results, index=index)
    assert {folder: what for folder, what, _ in found.wrong} == dict(
        zip(names, ["altered"] * 2 + ["unreadable"], strict=False)
    )
    assert "journal.jsonl" in found.wrong[0][2]
    assert found.wrong[1][2].startswith("figures.json: is missing")
    assert found.missing == (names[3],)
    assert list(records(results, index=index, condition="missing").records["verdict"]) == [
        "pass"
    ]  # what was known stays
    journal.write_bytes(whole)
    shutil.move(results.parent / "away", results / names[3])
    assert build_index(results, index=index, forgets_missing=True).missing == ()
    assert set(records(results, index=index, condition="whole").records["folder"]) == {
        str(results / names[0]),
        str(results / names[3]),
    }
    shutil.rmtree(results / names[3])
    assert build_index(results, index=index, forgets_missing=True).missing == (names[3],)
    assert len(records(results, index=index).records) == 3


@pytest.mark.parametrize("file", ["journal.jsonl", "figures.json"])
def test_a_file_that_was_written_over_is_seen_by_the_next_look(results, index, file):
    (name,) = made_records.many(results, 1)
    for each in (*(results / name).iterdir(), results / name):
        os.utime(each, (1e9, 1e9))  # settled long ago
    assert list(records(results, index=index).records["condition"]) == ["whole"]
    path = results / name / file
    text = path.read_text(encoding="utf-8")
    with path.open("r+", encoding="utf-8") as written:  # in place: the folder does not change
        written.write(text.replace("pass", "fail").replace('"value": 4.0', '"value": 4.1', 1))
    assert list(records(results, index=index).records["condition"]) == ["altered"]


def test_a_record_that_can_no_longer_be_read_stays_with_its_unit_and_the_file_at_fault_is_named(results, index):
    names = made_records.many(results, 5)  # all of GF-0
    at_fault = {
        "figures.json": b"{",
        "digest.json": b"",
        "journal.jsonl": bytes(range(128, 256)),
    }
    for name, (file, raw) in zip(names, at_fault.items(), strict=False):
        (results / name / file).write_bytes(raw)
    (results / names[3] / "journal.jsonl").unlink()
    found = {folder: (what, said) for folder, what, said in build_index(results, index=index).wrong}
    assert {what for what, _ in found.values()} == {"unreadable"}
    assert found[names[0]][1] == "figures.json: is damaged: it is not what a run writes"
    assert found[names[1]][1].startswith("digest.json: ")
    assert found[names[2]][1].startswith("journal.jsonl: is damaged")
    assert found[names[3]][1].startswith("journal.jsonl: is missing")
    listed = list_records(results, index=index, serial="gf-0")
    assert listed.found_n == 5
    assert sorted(each.condition for each in listed.lines) == ["unreadable"] * 4 + ["whole"]
    assert len({each.begun.date() for each in listed.lines}) == 5
    timeline, _ = history("GF-0", results=results, index=index)
    assert sum("the record is unreadable" in each for each in timeline.remarks) == 4
    of_type = type_envelope("glycol flow", results=results, index=index)
    assert of_type.records_n == 1
    assert of_type.remarks[0] == "records of the type that are left out: 4 unreadable"


def test_an_index_that_was_lost_or_broken_is_made_again(results):
    made_records.many(results, 3)
    assert len(records(results).records) == 3
    shutil.rmtree(results / ".index")
    assert len(records(results).records) == 3
    Database.of(results).close()
    sqlite_of(results).write_bytes(b"no database at all" * 100)
    with pytest.raises(RecordError, match="the index cannot be used"):
        records(results)
    assert build_index(results).read_n == 3
    assert len(records(results).records) == 3


def test_an_index_that_another_file_took_the_place_of_is_read_from_that_file(results, tmp_path):
    made_records.many(results, 3)
    assert len(records(results).records) == 3
    other = tmp_path / "other"
    made_records.many(other, 2)
    assert len(records(other).records) == 2
    assert len(records(results, is_fresh=False).records) == 3  # kept open from here on
    Database.of(other).close()
    sqlite_of(other).replace(sqlite_of(results))
    assert len(records(results, is_fresh=False).records) == 2


@pytest.mark.skipif(not hasattr(os, "fork"), reason="only where processes are forked")
def test_a_process_that_was_forked_opens_its_own_and_leaves_the_other_s_whole(results):
    made_records.many(results, 3)
    assert len(records(results).records) == 3
    with get_context("fork").Pool(1) as pool:
        assert pool.apply(_count_and_add, (results,)) == 4
    assert len(records(results, is_fresh=False).records) == 4


def _count_and_add(results):
    made_records.many(results, 1, first=7)
    return len(records(results).records)


def test_a_run_a_remark_and_a_correction_are_handed_over(small, results):
    made_records.many(results, 1)
    build_index(results)
    result = core.run(small(), serial="GF-500", results=results, operator_name="N. N.")
    assert result.not_indexed is None
    found = sequencer.records(results, is_fresh=False, serial="gf-500")
    assert list(found.records["verdict"]) == ["pass"]
    folder = result.record.folder
    core.remark(folder, "The cover was off.", by="A. Cellarman")
    reading = result.record.readings[result.record.readings["tap"] == "output"].iloc[-1]
    core.correct(
        folder,
        point=int(reading["number"]),
        tap="output",
        reading=int(reading["reading"]),
        to="20.5 mA",
        by="B. Brewer",
        why="read wrong",
        is_meant=lambda _: True,
    )
    found = sequencer.records(results, is_fresh=False, serial="gf-500")
    row = found.records.iloc[0]
    assert (row.revision, row.verdict, row.sealed_verdict) == (2, "fail", "pass")
    deeds = found.deeds
    assert list(zip(deeds["what"], deeds["by"], strict=True)) == [
        ("begun", "N. N."),
        ("closed", "N. N."),
        ("remark", "A. Cellarman"),
        ("correction", "B. Brewer"),
    ]
    assert (deeds["revision"].iloc[-1], deeds["replaces"].iloc[-1]) == (2, f"revision 1 of {row.digest}")
    assert sequencer.records(results, is_fresh=False, text="cover was off").records["serial"].tolist() == ["GF-500"]


def test_a_database_out_of_reach_costs_the_run_nothing_and_has_the_record_later_once(
    small, results, server, monkeypatch
):
    monkeypatch.setenv("LIVEZERO_INDEX", "postgresql://livezero@127.0.0.1:1/none")  # nobody listens at port 1
    result = core.run(small(), serial="GF-500", results=results)
    assert (result.exit_code, result.unwritten) == (0, None)
    assert "the index cannot be used" in result.not_indexed.what
    assert find_record("gf-500", results).folder == result.record.folder  # by what lies in the folder itself
    monkeypatch.setenv("LIVEZERO_INDEX", postgres.database(server))
    core.run(small(), serial="GF-501", results=results)
    assert serials_of(records(results, is_fresh=False)) == ["GF-500", "GF-501"]


def test_repairs_and_baselines_outlive_the_index(results, index):
    (name,) = made_records.many(results, 1)
    done = {"part": "input filter", "by": "A. Cellarman", "text": "changed", "date": "2026-03-01T08:00:00+01:00"}
    repaired(results, " gf-0", index=index, **done)
    pin_baseline(results / name, name="delivery", by="N. N.", why="first of its type", is_of_type=True)
    for _ in range(2):
        found = records(results, index=index, serial="GF-0")
        assert list(found.repairs["part"]) == ["input filter"]
        assert list(found.repairs["at"]) == [pd.Timestamp("2026-03-01T07:00:00Z")]
        assert list(found.baselines["folder"]) == [name]
        build_index(results, index=index)
    with pytest.raises(InputError, match="without a name"):
        repaired(results, "GF-0", part="x", by=" ")
    log = results / "units.jsonl"
    log.write_bytes(log.read_bytes().replace(b"input filter", b"output filter"))
    assert build_index(results, index=index).log_faults[0].startswith("units.jsonl:1: was changed")


def hand_over_one(results, index, number, together):
    """What a bench does: its record is kept, then handed over."""
    together.wait()
    made_records.many(results, 2, first=100 * number)
    look(Database.of(results, index), results)


def test_sixteen_processes_that_write_at_once_lose_nothing(results, index):
    together = get_context("fork").Barrier(16)
    processes = forked(*((hand_over_one, results, index, number, together) for number in range(16)))
    for each in processes:
        each.join(120)
        assert each.exitcode == 0
    with Database.of(results, index).reading() as connection:
        rows = connection.exec_driver_sql("select folder, count(*) from records group by folder").all()
        figures_n = connection.exec_driver_sql("select count(*) from figures").scalar()
    assert len(rows) == 32
    assert {number for _, number in rows} == {1}
    assert figures_n == 32 * len(json.loads((made_records.KEPT / "pass" / "figures.json").read_text())["figures"])


def build_again_and_again(results, index):
    while True:
        build(Database.of(results, index), results)


def test_a_kill_at_any_moment_loses_nothing_and_takes_nothing_twice(results, index):
    made_records.many(results, 40)
    for each in range(5):
        (process,) = forked((build_again_and_again, results, index))
        process.join(0.02 + 0.11 * each)
        assert process.is_alive()
        os.kill(process.pid, signal.SIGKILL)
        process.join()
    database = Database.of(results, index)
    look(database, results)
    found = records(results, index=index)
    assert found.records["folder"].is_unique
    assert len(found.records) == 40
    assert set(found.figures.groupby("record").size()) == {len(found.figures) // 40}
    if database.is_sqlite:
        with database.reading() as connection:
            assert connection.exec_driver_sql("pragma integrity_check").scalar() == "ok"


def test_tables_are_those_of_the_models_and_a_later_livezero_is_told(index, results):
    from alembic.autogenerate import compare_metadata
    from alembic.config import Config
    from alembic.migration import MigrationContext
    from alembic.script import ScriptDirectory

    import sequencer.index

    config = Config()
    config.set_main_option("script_location", str(Path(sequencer.index.__file__).parent / "migrations"))
    assert ScriptDirectory.from_config(config).get_current_head() == HEAD
    database = Database.of(results, index)
    with database.writing() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
        connection.exec_driver_sql("update alembic_version set version_num = '9999'")
    database._is_current = False
    with pytest.raises(RecordError, match="made by a later livezero"), database.reading():
        pass


@pytest.mark.parametrize("named", ["mysql://x/y", "://"])
def test_an_index_that_is_no_database_of_ours_is_refused(results, named):
    with pytest.raises(InputError, match=r"no index is kept in|is not the URL"):
        records(results, index=named)


def test_the_as_found_run_of_an_old_record_that_stays_is_not_removed(results):
    old = {"serial": "Q1"}
    found_as = made_records.made(results, "a", date="2010-01-05T08:00:00+00:00", **old)
    digest = json.loads((found_as / "digest.json").read_text())["sha256"]
    left = {"state": "as left", "as_found": {"folder": "a", "sha256": digest}}
    made_records.made(results, "b", date="2010-01-06T08:00:00+00:00", **old | left)
    made_records.made(results, "c", date="2011-01-05T08:00:00+00:00", **old)
    made_records.made(results, "d", date="2100-01-05T08:00:00+00:00", **old)
    names = [Path(each.folder).name for each in list_removable(results, kept_for="3 years").lines]
    assert names == ["a", "b", "c"]  # nothing that stays needs them
    pin_baseline(results / "b", name="delivery", by="N. N.", why="kept")
    found = list_removable(results, kept_for="3 years")
    assert [Path(each.folder).name for each in found.lines] == ["c"]
    assert dict(found.stay_n)["the as-found run of a record that stays"] == 1


def test_what_may_be_removed_is_listed_with_what_stays_and_why(results):
    old = {"date": "2010-01-05T08:00:00+00:00"}
    made_records.made(results, "a", serial="Q1", **old)
    made_records.made(results, "b", serial="Q1", **old | {"operator": "pinned"})
    found_as = made_records.made(results, "c", serial="Q1", **old | {"operator": "as found of a young one"})
    digest = json.loads((found_as / "digest.json").read_text())["sha256"]
    made_records.made(results, "d", serial="Q2", **old)
    young = {"date": "2100-01-05T08:00:00+00:00", "as_found": {"folder": "c", "sha256": digest}}
    made_records.made(results, "e", serial="Q1", **young)
    shutil.copytree(made_records.KEPT / "cut-off", results / "f")
    pin_baseline(results / "b", name="delivery", by="N. N.", why="kept")
    found = list_removable(results, kept_for="3 years")
    assert [Path(each.folder).name for each in found.lines] == ["a"]
    reasons = dict(found.stay_n)
    assert reasons["named as a baseline"] == reasons["the as-found run of a record that stays"] == 1
    assert reasons["the last of their unit"] == 1
    assert (results / "a").is_dir()
    with pytest.raises(InputError, match="is no time"):
        list_removable(results, kept_for="some years")
