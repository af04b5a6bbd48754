"""A damaged record: what is whole is judged as a new one, what is lost is said, and no altered value is ever kept."""

import json
import random
import shutil

import pytest

from instruments.errors import RecordError
from sequencer import core
from sequencer.journal.writer import chain_faults, entries


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    plan = core.plan("pulse-to-current", bench="simulated")
    return core.run(plan, serial="GF-104", results=tmp_path_factory.mktemp("whole")).record


@pytest.fixture
def damaged(whole, tmp_path):
    """A copy of a sealed record with bytes of its journal's lines replaced; `seal=False`: as if it never was."""

    def made(change, *, is_sealed=True):
        folder = tmp_path / "results" / "run"
        shutil.copytree(whole.folder, folder)
        for path in (folder, *folder.rglob("*")):
            path.chmod(0o755 if path.is_dir() else 0o644)
        if not is_sealed:
            for name in ("digest.json", "figures.json", "readings.csv", "report.html"):
                (folder / name).unlink()
        journal = folder / "journal.jsonl"
        lines = journal.read_bytes().splitlines(keepends=True)
        journal.write_bytes(b"".join(change(lines)))
        return folder

    return made


def of_kind(lines, kind):
    return [number for number, line in enumerate(lines) if line.startswith(f'{{"kind": "{kind}"'.encode())]


def broken(kind, nth):
    """Overwrite the middle of the nth line of a kind."""

    def change(lines):
        at = of_kind(lines, kind)[nth]
        lines[at] = lines[at][:40] + b"\xff\x00##" + lines[at][44:]
        return lines

    return change


def readings(folder):
    return [line for line in entries(folder / "journal.jsonl") if line["kind"] == "reading"]


def test_a_reading_that_is_lost_is_named_and_all_others_are_there(whole, damaged):
    folder = damaged(broken("reading", 40))
    before = (folder / "journal.jsonl").read_bytes()
    with pytest.raises(RecordError, match="is not a line of a journal") as refused:
        core.load_record(folder)
    assert f"livezero salvage {folder}" in refused.value.todo
    result = core.salvage(folder)
    new = result.record.folder
    kept = readings(whole.folder)
    assert readings(new) == kept[:40] + kept[41:]
    assert chain_faults(new / "journal.jsonl") == ()
    assert core.verify(new).is_intact
    assert (folder / "journal.jsonl").read_bytes() == before
    number = of_kind(before.splitlines(keepends=True), "reading")[40] + 1
    assert f"lost in run: journal.jsonl: line {number}: cannot be read" in result.record.content.remarks
    assert result.record.evaluation.verdict.result == "not determinable"  # it was a PASS; now not every point is there
    assert f"line {number}" in result.record.content.reason


def test_a_digit_that_changed_is_lost_although_it_can_be_read(whole, damaged):
    def change(lines):
        at = of_kind(lines, "reading")[7]
        entry = json.loads(lines[at])
        text = f'"signal": {json.dumps(entry["signal"])}'.encode()
        assert text in lines[at]
        lines[at] = lines[at].replace(text, b'"signal": 12.345')
        return lines

    kept = readings(whole.folder)
    assert readings(core.salvage(damaged(change)).record.folder) == kept[:7] + kept[8:]


def test_what_only_people_read_costs_no_verdict(whole, damaged):
    record = core.salvage(damaged(broken("exchange", 30))).record
    assert record.content.status == "complete"
    assert record.evaluation.verdict.result == whole.evaluation.verdict.result == "pass"
    assert any("cannot be read" in each for each in record.content.remarks)


def test_a_line_that_is_gone_counts_as_what_may_have_been_a_reading(damaged):
    def change(lines):
        del lines[of_kind(lines, "exchange")[30]]
        return lines

    record = core.salvage(damaged(change)).record
    assert record.content.status == "interrupted"
    assert "1 missing" in record.content.reason


def test_a_tail_that_is_cut_off_a_sealed_record_is_lost_too(damaged):
    record = core.salvage(damaged(lambda lines: lines[:-3])).record
    assert any("lines were taken off" in each for each in record.content.remarks)
    assert record.content.status == "interrupted"
    assert record.evaluation.verdict.result == "not determinable"


def test_a_run_that_was_cut_off_and_damaged_is_no_dead_end(damaged):
    folder = damaged(lambda lines: broken("reading", 3)(lines[: of_kind(lines, "reading")[20] + 1]), is_sealed=False)
    (found,) = core.cut_off(folder.parent)
    assert found.damage
    with pytest.raises(RecordError) as refused:
        core.close(folder)
    assert "livezero salvage" in refused.value.todo
    new = core.salvage(folder).record.folder
    assert len(readings(new)) == 20
    assert core.cut_off(folder.parent) == ()
    assert json.loads((folder / "salvaged.json").read_text())["record"] == new.name
    for again in (core.salvage, core.close, core.resume):
        with pytest.raises(RecordError, match="salvaged"):
            again(folder)


def test_what_was_added_after_sealing_comes_with_it(damaged):
    folder = damaged(lambda lines: lines)
    core.remark(folder, "The cover was off.", by="A. Cellarman")
    journal = folder / "journal.jsonl"
    journal.write_bytes(b"".join(broken("reading", 0)(journal.read_bytes().splitlines(keepends=True))))
    remarks = core.salvage(folder).record.content.remarks
    assert any("A. Cellarman: The cover was off." in each for each in remarks)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        pytest.param(broken("opened", 0), "the first line of the journal is lost", id="no first line"),
        pytest.param(lambda lines: lines, "nothing in it is damaged", id="nothing damaged"),
    ],
)
def test_what_cannot_be_salvaged_makes_no_record(damaged, change, says):
    folder = damaged(change)
    with pytest.raises(RecordError, match=says):
        core.salvage(folder)
    assert [each.name for each in folder.parent.iterdir()] == ["run"]


def test_another_type_sheet_would_be_another_tolerance(damaged):
    folder = damaged(broken("reading", 5))
    sheet = folder / "inputs" / "type.yaml"
    sheet.write_text(sheet.read_text().replace("0.2 %", "2 %"))
    with pytest.raises(RecordError, match="type sheet is not the one that was used"):
        core.salvage(folder)
    assert [each.name for each in folder.parent.iterdir()] == ["run"]


@pytest.mark.parametrize("seed", range(12))
def test_wherever_it_is_damaged_no_value_is_kept_that_was_not_read(whole, damaged, seed):
    rng = random.Random(seed)

    def change(lines):
        text = bytearray(b"".join(lines))
        for _ in range(rng.randint(1, 6)):
            at = rng.randrange(len(lines[0]), len(text))  # the first line is another case
            text[at : at + rng.randint(0, 200)] = rng.randbytes(rng.randint(0, 200))
        return [bytes(text)]

    record = core.salvage(damaged(change, is_sealed=rng.random() < 0.5)).record
    kept = {json.dumps(each, sort_keys=True) for each in readings(whole.folder)}
    found = [json.dumps(each, sort_keys=True) for each in readings(record.folder)]
    assert kept.issuperset(found)
    assert len(found) == len(set(found))
    assert len(found) > 60
    assert record.evaluation.verdict.result == "pass" or record.content.status == "interrupted"
