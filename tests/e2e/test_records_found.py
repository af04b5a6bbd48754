"""Records found again by the command: listed, named by serial, built anew, taken to another site."""

import json
import shutil
import time
import zipfile

import made_records
import pytest
from click.testing import CliRunner

from instruments.errors import RecordError
from sequencer import core
from sequencer.cli import cli
from sequencer.jobs.transfer import export_records, import_records
from sequencer.record.addenda import added
from sequencer.record.verify import verify

LONG = "wort temperature transmitter with a name that is much longer than any line of a terminal (invented)"


@pytest.fixture
def livezero(results, monkeypatch):
    """The command in this process, in the folder beside the records: returns code, stdout and stderr."""
    monkeypatch.chdir(results.parent)
    monkeypatch.setattr("sys.argv", ["livezero"])

    def run(*arguments):
        done = CliRunner().invoke(cli, [*map(str, arguments)], prog_name="livezero")
        assert done.exception is None or isinstance(done.exception, SystemExit), done.output
        return done

    return run


@pytest.fixture
def results(tmp_path):
    folder = tmp_path / "results"
    folder.mkdir()
    made_records.made(folder, "a", serial="Q1", date="2026-01-05T08:00:00+00:00", state="as found")
    made_records.made(folder, "b", serial="q1", date="2026-02-05T08:00:00+00:00", state="as left", type=LONG)
    of_c = {"verdict": "conditional fail", "cause": "span error, and more words than there is room for in a line"}
    made_records.made(folder, "c", serial="GF-104-WITH-A-LONG-SERIAL", date="2026-03-05T08:00:00+00:00", **of_c)
    shutil.copytree(made_records.KEPT / "cut-off", folder / "d")
    return folder


def test_records_are_listed_within_the_terminal_and_as_documents(livezero):
    done = livezero("records")
    assert (done.exit_code, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0].split() == ["begun", "(UTC)", "serial", "state", "verdict", "record", "type"]
    assert lines[1].startswith("2026-03-05 08:00 GF-104-WITH-A-LON~")
    assert max(map(len, lines)) <= 80 < len(LONG)
    done = livezero("records", "Q1", "--json")
    assert 'written in several ways: "Q1": 1, "q1": 1' in done.stderr
    found = json.loads(done.stdout)
    assert [each["serial"] for each in found["records"]] == ["q1", "Q1"]
    assert found["records"][0]["begun"] == "2026-02-05T08:00:00.000+00:00"
    done = livezero("records", "--csv", "--sort", "serial")
    assert done.stdout.splitlines()[0].startswith("folder,host,serial,tag,type")
    assert len(done.stdout.splitlines()) == 5
    assert livezero("records", "--since", "soon").exit_code == 2


def test_a_serial_stands_in_place_of_a_folder(livezero, results):
    done = livezero("verify", "Q1", "q1@as-left", "c")
    assert [line for line in done.stdout.splitlines() if not line.startswith("  ")][:2] == [
        "results/a: intact",
        "results/b: ALTERED",  # its type sheet is another type's
    ]
    assert 'it is written "Q1"' in done.stderr
    done = livezero("report", "nothing-like-it")
    assert (done.exit_code, "Traceback" in done.stderr) == (2, False)
    assert "there is neither such a folder nor such a record" in done.stderr
    assert "SERIAL@as-found" in done.stderr
    serial = json.loads((results / "d" / "journal.jsonl").read_text().partition("\n")[0])["serial"]
    done = livezero("close", serial.lower())
    assert (done.exit_code, "d" in done.stderr) == (0, True)
    assert (results / "d" / "digest.json").is_file()
    assert json.loads(livezero("records", serial, "--json").stdout)["records"][0]["status"] != "not over"


def test_the_index_is_built_anew_and_what_is_wrong_is_told_with_what_to_do(livezero, results):
    assert livezero("index").stdout == "4 records read, 0 not whole, 0 missing\n"
    journal = results / "a" / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b'"closed"', b'"clozed"'))
    shutil.rmtree(results / "b")
    done = livezero("index")
    assert done.exit_code == 1
    assert "a: ALTERED: journal.jsonl" in done.stdout
    assert "b: MISSING" in done.stdout
    assert "do: livezero verify results/a" in done.stdout
    assert livezero("index", "--results", "nowhere").exit_code == 2
    done = livezero("verify", "results/a")
    assert "do: put results/a back from a copy" in done.stdout
    assert "do: livezero salvage results/a" in done.stdout


@pytest.fixture
def sealed(small, tmp_path):
    """A real record of a run, in a folder of its own."""
    return core.run(small(), serial="GF-104", results=tmp_path / "here").record.folder


def test_what_is_imported_twice_is_there_once_and_what_was_added_elsewhere_is_added(sealed, tmp_path):
    here, there, file = sealed.parent, tmp_path / "there", tmp_path / "to-there.zip"
    assert export_records(file, here).folders == (sealed.name,)
    with pytest.raises(RecordError, match="is there already"):
        export_records(file, here)
    for what in ("new", "there already"):
        assert [each.what for each in import_records(file, there).taken] == [what]
    assert [each.name for each in there.iterdir() if not each.name.startswith(".")] == [sealed.name]
    assert verify(there / sealed.name).is_intact
    core.remark(sealed, "The cover was off.", by="A. Cellarman")
    export_records(tmp_path / "again.zip", here)
    assert [each.what for each in import_records(tmp_path / "again.zip", there).taken] == ["amended"]
    assert (there / sealed.name / "addenda.jsonl").read_bytes() == (sealed / "addenda.jsonl").read_bytes()
    assert [each.what for each in import_records(file, there).taken] == ["there already"]  # the older one takes nothing
    core.remark(sealed, "And on again.", by="A. Cellarman")
    core.remark(there / sealed.name, "It rattles.", by="B. Brewer")
    export_records(tmp_path / "third.zip", here)
    (taken,) = import_records(tmp_path / "third.zip", there).taken
    assert (taken.what, taken.said) == ("amended", "1 line added to it, beside what was added here")
    assert [each["text"] for each in added(there / sealed.name)] == [
        "The cover was off.", "It rattles.", "And on again.",
    ]  # fmt: skip
    assert verify(there / sealed.name).is_intact
    assert [each.what for each in import_records(tmp_path / "third.zip", there).taken] == ["there already"]


def test_two_sites_that_corrected_one_record_hold_the_same_one_after_they_exchanged_it(sealed, tmp_path):
    here, there = sealed.parent, tmp_path / "there"
    export_records(tmp_path / "first.zip", here)
    import_records(tmp_path / "first.zip", there)
    other = there / sealed.name

    readings = core.load_record(sealed).readings.query("tap == 'output' and role == 'reading'")
    first, second = readings["number"].unique()[:2].tolist()
    shown = {number: readings.query("number == @number")["value"].iloc[0] for number in (first, second)}

    def correct(folder, point, more, why):
        to = f"{shown[point] + more:.3f} mA"
        core.correct(folder, point=point, tap="output", reading=1, to=to, by="A. Cellarman", why=why,
                     is_meant=lambda _: True)  # fmt: skip

    correct(sealed, second, -0.01, "read from the sheet, here")
    time.sleep(1.1)  # they are dated by the second
    correct(other, second, 0.02, "read from the sheet, there")
    correct(other, first, 0.01, "a smudge")
    for number, (source, target) in enumerate(((there, here), (here, there), (there, here))):
        export_records(tmp_path / f"{number}.zip", source)
        (taken,) = import_records(tmp_path / f"{number}.zip", target).taken
        assert (number, taken.what) in {(0, "amended"), (1, "amended"), (2, "there already")}
        if number == 0:
            assert "1 correction of what was corrected here too" in taken.said
    records = [core.load_record(each) for each in (sealed, other)]
    assert all(verify(each).is_intact for each in (sealed, other))
    assert len(added(sealed)) == len(added(other)) == 3
    # By hand: the later one of both sites counts, on either.
    for record in records:
        rows = record.readings.query("number == @second and tap == 'output' and reading == 1").sort_values("correction")
        assert rows["value"].iloc[-1] == pytest.approx(shown[second] + 0.02, abs=0.001)
    one, two = (record.evaluation.verdict.result for record in records)
    assert one == two


def test_a_batch_goes_along_with_its_records_and_has_its_page_there(small, tmp_path):
    checked = {"backend: simulated": "backend: simulated\ncheck unit: CU-1"}
    made = core.batch(small(bench=checked), serials=("GF-104", "CU-1"), results=tmp_path / "here")
    never = "the check unit CU-1 was never run on this bench: whether it is in control is not known"
    assert [never in made.results[serial].record.content.remarks for serial in ("GF-104", "CU-1")] == [True, False]
    export_records(tmp_path / "x.zip", tmp_path / "here")
    there = tmp_path / "there"
    for what in ("new", "there already"):
        taken = {each.folder: each for each in import_records(tmp_path / "x.zip", there).taken}
        assert (len(taken), {each.what for each in taken.values()}) == (3, {what})
    assert (there / made.folder.name / "batch.json").read_bytes() == (made.folder / "batch.json").read_bytes()
    content, page = core.batch_report(there / made.folder.name)
    assert [each.serial for each in content.units] == ["GF-104", "CU-1"]
    assert [each.result for each in content.units] == [each.result for each in made.content.units]
    assert page.parent == there / made.folder.name
    (there / made.folder.name / "batch.json").write_text("{}")
    taken = import_records(tmp_path / "x.zip", there).taken
    assert [(each.what, each.said) for each in taken if each.is_batch] == [
        ("refused", "something else has its name here")
    ]


def test_what_was_altered_on_the_way_or_leads_elsewhere_is_refused(sealed, tmp_path):
    file = tmp_path / "x.zip"
    export_records(file, sealed.parent)

    def changed(name, change):
        path = tmp_path / name
        with zipfile.ZipFile(file) as old, zipfile.ZipFile(path, "w") as new:
            for info in old.infolist():
                for at, raw in change(info.filename, old.read(info)):
                    new.writestr(at, raw)
        return path

    def evil(name):
        return [(f"records/{sealed.name}/../../../evil", b"x")] if name == "contents.json" else []

    another = changed("a.zip", lambda name, raw: [(name, raw.replace(b"GF-104", b"GF-105"))])
    out = changed("b.zip", lambda name, raw: [(name, raw), *evil(name)])
    for path in (another, out):
        (taken,) = import_records(path, tmp_path / "there").taken
        assert taken.what == "refused"
    assert not (tmp_path / "evil").exists()
    assert [each for each in (tmp_path / "there").iterdir() if each.name != ".index"] == []
    (tmp_path / "no.zip").write_bytes(b"PK no zip")
    with pytest.raises(RecordError, match="is no file of records, or was damaged"):
        import_records(tmp_path / "no.zip", tmp_path / "there")


def test_a_name_that_is_taken_by_another_record_is_not_overwritten(sealed, tmp_path):
    export_records(tmp_path / "x.zip", sealed.parent)
    other = tmp_path / "there" / sealed.name
    shutil.copytree(made_records.KEPT / "pass", other)
    before = (other / "digest.json").read_bytes()
    (taken,) = import_records(tmp_path / "x.zip", tmp_path / "there").taken
    assert (taken.what, taken.where.name) == ("new", f"{sealed.name}_2")
    assert (other / "digest.json").read_bytes() == before


def test_an_amendment_names_the_revision_that_it_replaces_and_the_reason(sealed):
    digest = json.loads((sealed / "digest.json").read_text())["sha256"]
    row = core.load_record(sealed).readings.iloc[-1]
    for value in ("19.99 mA", "19.98 mA"):
        core.correct(
            sealed,
            point=int(row["number"]),
            tap="output",
            reading=int(row["reading"]),
            to=value,
            by="B. Brewer",
            why="read wrong",
            is_meant=lambda _: True,
        )
    lines = [json.loads(line) for line in (sealed / "addenda.jsonl").read_text().splitlines()]
    assert [(each["revision"], each["replaces"]) for each in lines] == [
        (2, f"revision 1 of {digest}"),
        (3, f"revision 2 of {digest}"),
    ]
    remarks = core.load_record(sealed).content.remarks
    assert remarks[1].startswith("revision 3, in place of 2: corrected after sealing")
    assert verify(sealed).is_intact


def test_the_tag_of_a_run_is_found(small, tmp_path):
    core.run(small(), serial="GF-104", tag=" FT-7 ", results=tmp_path / "here")
    import sequencer

    assert sequencer.records(tmp_path / "here", tag="ft-7").records["tag"].tolist() == ["FT-7"]


def test_who_did_what_when_is_told_in_order_of_time(livezero, results):
    from sequencer.jobs.index_jobs import repaired

    repaired(results, "Q1", part="input filter", by="A. Cellarman", text="changed", date="2026-01-20T08:00:00+00:00")
    done = livezero("records", "q1", "--deeds")
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    heads = [line for line in lines if not line.startswith(" ")]
    assert [line[:16] for line in heads] == sorted(line[:16] for line in heads)
    assert [line[:23] for line in heads if "begun" in line or "repair" in line] == [
        "2026-01-05 08:00 Q1: be",
        "2026-01-20 08:00 Q1: re",
        "2026-02-05 08:00 q1: be",
    ]
    assert "repair, A. Cellarman: input filter: changed" in done.stdout
