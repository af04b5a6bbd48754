"""What is kept of a run for good: readable whatever ended it, never overwritten, and without a NaN in it."""

import hashlib
import json

import pytest

from instruments.errors import RecordError
from instruments.version import __version__
from sequencer import core
from sequencer.record.create import create
from sequencer.record.load import load
from sequencer.record.seal import seal
from sequencer.record.verify import verify
from sequencer.reports import json_document
from sequencer.reports.json_document import document, plan_document


def strict(path):
    def refuse(word):
        raise AssertionError(f"{word} stands in {path.name}")

    return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)


@pytest.fixture
def sealed(small, run):
    def made(**given):
        ran = run(small(), **given)
        seal(ran.folder)
        return ran

    return made


def test_a_record_holds_what_is_needed_to_compute_it_again(sealed):
    folder = sealed().folder
    assert {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()} >= {
        "journal.jsonl",
        "readings.csv",
        "figures.json",
        "digest.json",
        "inputs/sequence.yaml",
        "inputs/type.yaml",
        "inputs/bench.yaml",
    }
    assert len(list((folder / "inputs" / "descriptions").iterdir())) == 3


def test_the_digest_is_that_of_the_files(sealed):
    folder = sealed().folder
    digest = strict(folder / "digest.json")
    for name, each in digest["files"].items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == each
    assert load(folder).content.digest == digest["sha256"]
    assert "report.html" not in digest["files"]


def test_figures_are_computed_again_to_the_last_digit(sealed):
    folder = sealed().folder
    kept = strict(folder / "figures.json")
    assert json.loads(json.dumps(document(load(folder).content))) == kept


def numbers(told):
    """Every fraction of a document, however deep."""
    if isinstance(told, dict):
        told = list(told.values())
    if isinstance(told, list):
        return [number for each in told for number in numbers(each)]
    return [told] if isinstance(told, float) else []


def test_no_number_of_a_document_has_a_rest_of_arithmetic(small, run):
    planned = small()
    ran = run(planned)
    seal(ran.folder)
    kept = strict(ran.folder / "figures.json")
    found = numbers([kept, plan_document(planned)])
    # Twelve digits at most: 9.999999999999999e-06 has sixteen.
    assert [each for each in found if float(f"{each:.12g}") != each] == []
    visits = load(ran.folder).evaluation.visits
    assert any(float(f"{each:.12g}") != each for each in visits["error"])  # the table itself is not cut
    # 4.0002 less 4 is 0.0002, not 0.00020000000000042206: digits count from the 20 mA that both are part of.
    errors = [visit["error"] for visit in kept["visits"]]
    assert errors == [round(each, 10) + 0.0 for each in errors]
    assert errors == pytest.approx(visits["error"].to_list(), abs=1e-10)


def test_a_record_that_was_sealed_with_all_digits_is_intact(small, run, monkeypatch):
    folder = run(small()).folder
    with monkeypatch.context() as earlier:
        earlier.setattr(json_document, "COMPUTED_DIGITS", None)
        seal(folder)
    assert any(float(f"{each:.12g}") != each for each in numbers(strict(folder / "figures.json")))
    assert verify(folder).is_intact


@pytest.mark.parametrize("name", ["advice", "verdict", "remarks", "serial"])
def test_an_opinion_or_a_sentence_that_was_altered_is_an_alteration(sealed, name):
    # What verify does not compare when it computes again, the digest covers all the same.
    path = sealed().folder / "figures.json"
    told = strict(path)
    told[name] = told[name] | {"reason": "good"} if name == "verdict" else "turn zero"
    path.chmod(0o644)
    path.write_text(json.dumps(told, indent=1) + "\n")
    assert "figures.json: was changed" in verify(path.parent).findings


def test_no_document_holds_a_nan(small, run):
    # At 0 % of a square root the slope has no bound, so U is not known: NaN in the tables, null in every document.
    sheet = {"0.2 % of span": "2 Hz", "time constant": "characteristic: square root\ntime constant"}
    ran = run(small(type_sheet=sheet, sequence={"points: 5": "points: [0 %, 4 %, 25 %, 100 %]"}))
    found = seal(ran.folder)
    assert found.evaluation.visits["U"].isna().any()
    assert "NaN" not in (ran.folder / "journal.jsonl").read_text()
    visits = strict(ran.folder / "figures.json")["visits"]
    assert {visit["U"] for visit in visits if visit["setpoint_pct"] == 0} == {None}


def test_a_record_is_never_overwritten(small, tmp_path):
    plan = small()
    folders = [create(tmp_path / "kept", plan, date="2026-01-05T08:00:00", serial="GF-104") for _ in range(3)]
    assert [folder.name for folder in folders] == [
        "2026-01-05T08-00-00_GF-104_small",
        "2026-01-05T08-00-00_GF-104_small_2",
        "2026-01-05T08-00-00_GF-104_small_3",
    ]


@pytest.mark.parametrize(
    ("serial", "named"),
    [
        ("../../etc", "etc"),
        ("a/b\\c:d", "a-b-c-d"),
        ("  ", "unit"),
        ("..", "unit"),
        ("Nº 7 µ", "N-7"),
        ("x" * 300, "x" * 40),
    ],
)
def test_a_serial_never_leads_out_of_the_folder(small, tmp_path, serial, named):
    folder = create(tmp_path / "kept", small(), date="2026-01-05T08:00:00", serial=serial)
    assert folder.parent == tmp_path / "kept"
    assert folder.name == f"2026-01-05T08-00-00_{named}_small"


def test_a_folder_that_cannot_be_written_is_an_error(small, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordError, match="the record cannot be written"):
        create(tmp_path / "file", small(), date="2026-01-05T08:00:00", serial="x")


def test_a_run_cut_off_anywhere_is_a_record_that_says_where(small, run):
    ran = run(small())
    path = ran.folder / "journal.jsonl"
    whole = path.read_bytes()
    readings_n = []
    for share in (0.05, 0.2, 0.5, 0.8, 0.9):
        path.write_bytes(whole[: int(share * len(whole))])
        found = load(ran.folder)
        assert found.content.status == "interrupted"
        place = (
            f"after a reading at point {found.readings['number'].max()}"
            if len(found.readings)
            else "before the first reading"
        )
        assert found.content.reason == f"the run was cut off {place}: its journal has no closing line"
        assert found.evaluation is None or found.evaluation.verdict.result == "not determinable"
        readings_n.append(len(found.readings))
    assert readings_n == sorted(readings_n)
    assert readings_n[-1] > 50


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda lines: lines[1:], "the journal has no first line"),
        (lambda _: [], "the journal has no first line"),
        (lambda lines: [*lines[:3], "{broken", *lines[3:]], r"journal\.jsonl:4: is not a line of a journal"),
        (lambda lines: [lines[0].replace('"standard"', '"norm"'), *lines[1:]], "lacks 'standard'"),
        (lambda lines: [each.replace('"cycle": 1,', '"cycle": "one",') for each in lines], "altered, or is not ours"),
        (lambda lines: [*lines, '{"kind": "correction"}'], "lacks 'tap'"),
    ],
)  # fmt: skip
def test_a_damaged_record_is_an_error_and_no_traceback(sealed, change, says):
    folder = sealed().folder
    path = folder / "journal.jsonl"
    path.write_text("\n".join(change(path.read_text().splitlines())) + "\n")
    with pytest.raises(RecordError, match=says) as damaged:
        load(folder)
    assert damaged.value.exit_code == 2


def rewritten(folder, change, *, version):
    """A journal as another version of livezero wrote it."""
    path = folder / "journal.jsonl"
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    lines[0]["versions"]["livezero"] = version
    path.chmod(0o644)
    path.write_text("".join(json.dumps(line) + "\n" for line in change(lines)))


def without(name):
    return lambda lines: [{key: each for key, each in line.items() if key != name} for line in lines]


@pytest.mark.parametrize("name", ["to_go", "basis"], ids=["of a reading", "of the first line"])
def test_what_an_earlier_version_did_not_write_is_an_error_that_names_it(sealed, name):
    folder = sealed().folder
    rewritten(folder, without(name), version="0.0.7")
    with pytest.raises(RecordError, match=f"the journal lacks '{name}'") as lacking:
        load(folder)
    assert lacking.value.todo == f"read it with livezero 0.0.7, which wrote it; this is {__version__}"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda lines: [line | {"humidity": 40} for line in lines], "what is new in that is passed over"),
        (
            lambda lines: [*lines[:9], {"kind": "ventilated", "at_s": 1}, *lines[9:]],
            "lines of the kind ventilated are passed over",
        ),
    ],
    ids=["field", "kind"],
)
def test_what_a_later_version_wrote_is_read_as_far_as_it_can_be_and_said(sealed, change, says):
    folder = sealed().folder
    before = load(folder)
    rewritten(folder, change, version="99.2.0")
    found = load(folder)
    assert found.readings.equals(before.readings)
    assert found.content.remarks[0] == f"written by livezero 99.2.0, read by {__version__}: {says}"


def test_a_kind_of_line_that_nobody_knows_is_said_whatever_the_version(sealed):
    folder = sealed().folder
    rewritten(folder, lambda lines: [*lines, {"kind": "ventilated"}], version=__version__)
    assert "lines of the kind ventilated are passed over" in load(folder).content.remarks[0]


def test_a_record_of_this_version_says_nothing_of_versions(sealed):
    assert not [each for each in sealed().record.content.remarks if "written by" in each]


def test_a_folder_that_is_no_record_says_what_to_name(tmp_path):
    with pytest.raises(RecordError, match="there is no journal in it\n  do: name a folder in results"):
        load(tmp_path)


def test_a_run_without_a_reading_has_a_document_that_says_why(small, run):
    def stop(event, _):
        if type(event).__name__ == "Planned":
            raise KeyboardInterrupt

    ran = run(small(), on_event=stop)
    found = seal(ran.folder)
    assert found.evaluation is None
    document = strict(ran.folder / "figures.json")
    assert document["verdict"]["result"] == "not determinable"
    assert document["reason"] == "Ctrl-C before the first point"


def test_what_a_simulated_bench_was_given_stands_in_the_record(small, run):
    ran = run(small(bench={"faults: []": "faults: [{fault: zero shift, zero: 1 %}]"}))
    content = ran.record.content
    assert content.is_simulated
    assert "simulated with seed 11; fault zero shift, zero 1 %" in content.remarks


def test_a_fault_of_the_evaluation_is_not_called_an_altered_journal(sealed, monkeypatch):
    def fails(*_, **__):
        raise IndexError("tuple index out of range")

    folder = sealed().folder
    monkeypatch.setattr("sequencer.record.load.examine", fails)
    with pytest.raises(RecordError, match="the journal is whole") as ours:
        load(folder)
    assert "IndexError in test_record.py:" in ours.value.what
    assert "altered" not in str(ours.value)
    assert "nothing in it is lost" in ours.value.todo


def test_a_journal_that_was_altered_so_that_it_cannot_be_evaluated_names_its_line(sealed, monkeypatch):
    def fails(*_, **__):
        raise IndexError("tuple index out of range")

    folder = sealed().folder
    path = folder / "journal.jsonl"
    lines = path.read_text().splitlines()
    number = next(number for number, line in enumerate(lines, start=1) if '"kind": "reading"' in line)
    lines[number - 1] = lines[number - 1].replace('"cycle": ', '"cycle": 1')
    path.chmod(0o644)
    path.write_text("\n".join(lines) + "\n")
    monkeypatch.setattr("sequencer.record.load.examine", fails)
    with pytest.raises(RecordError, match=rf"journal\.jsonl:{number}: was changed") as altered:
        load(folder)
    assert altered.value.todo == "it was altered, or is not ours"


@pytest.mark.parametrize("text", ["null", "[]", "7", '"PASS"', '{"verdict": null}', '{"verdict": 3}', "{", ""])
def test_figures_of_another_shape_are_an_alteration_and_no_fault(sealed, text):
    folder = sealed().folder
    number = int(load(folder).readings.query("tap == 'output'")["number"].iloc[0])
    core.correct(folder, point=number, tap="output", reading=1, to="4.001 mA", by="A. Cellarman", why="transposed")
    path = folder / "figures.json"
    path.chmod(0o644)
    path.write_text(text)
    found = core.verify(folder)
    assert "figures.json: was changed" in found.findings
    remarks = load(folder).content.remarks
    assert any("the verdict as sealed is not known: figures.json does not hold it any more" in each for each in remarks)


@pytest.mark.parametrize("name", ["a" * 256, "\N{SNOWMAN}" * 90])
def test_a_name_of_over_255_bytes_is_an_error_of_the_input(small, tmp_path, name):
    with pytest.raises(RecordError, match="File name too long"):
        load(tmp_path / name)
    with pytest.raises(RecordError, match="no such record"):
        core.compare(tmp_path / name, tmp_path / name)
    with pytest.raises(RecordError, match="File name too long") as refused:
        core.run(small(), serial="GF-104", results=tmp_path / name, state="as left")
    assert "name another folder" in refused.value.todo


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('{"kind": "remark", "date": "2026-01-05T08:00:00+00:00", "by": "A. Cellarman", "text": "fine"}', "was added"),
        ("a note of somebody", "ends in what is no line of it"),
    ],
)
@pytest.mark.parametrize("end", ["", "\n"])
def test_foreign_addenda_are_seen_with_and_without_a_last_line_end(sealed, text, says, end):
    folder = sealed().folder
    (folder / "addenda.jsonl").write_text(text + end)
    found = core.verify(folder)
    assert not found.is_intact
    if text.startswith("{") or not end:
        assert any(each.startswith("addenda.jsonl") and says in each for each in found.findings)


@pytest.mark.parametrize("kept", [40, -1, 0], ids=["half", "no line end", "whole"])
def test_addenda_that_a_power_cut_shortened_are_no_alteration(sealed, kept):
    folder = sealed().folder
    for text in ("one", "two"):
        core.remark(folder, text, by="A. Cellarman")
    path = folder / "addenda.jsonl"
    first, second = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(first + (second[:kept] if kept else second))
    assert core.verify(folder).findings == ()
