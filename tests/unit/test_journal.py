"""The journal: what was acknowledged is on the disk, and a journal that was cut off is read."""

import json
import math
import os
import shutil
from datetime import UTC, datetime

import pytest

from instruments.errors import RecordError
from instruments.session import Exchange
from sequencer.journal.writer import Journal, chain_faults, entries

EXCHANGE = Exchange(at_s=1.0, instrument="meter", sent="READ?", received="+1.2E-02", took_s=0.02)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "journal.jsonl"


def test_an_existing_journal_is_never_overwritten(path):
    path.write_text("kept\n")
    with pytest.raises(RecordError, match=r"cannot be written: File exists\n  do: check disk and rights"):
        Journal(path)
    assert path.read_text() == "kept\n"


def test_a_synced_line_is_on_the_disk_before_the_journal_is_closed(path):
    with Journal(path) as journal:
        journal.exchange(EXCHANGE)
        journal.write("reading", sync=True, value=12.0)
        assert [each["kind"] for each in entries(path)] == ["exchange", "reading"]


def test_a_missing_number_is_null_at_any_depth(path):
    with Journal(path) as journal:
        journal.write("settled", sync=True, trace=[(0.1, math.nan), (0.2, 4.0)], to_go=math.inf, more={"u": [math.nan]})
    text = path.read_text()
    assert "NaN" not in text
    assert "Infinity" not in text
    assert json.loads(text) | {"chain": ""} == {
        "kind": "settled",
        "trace": [[0.1, None], [0.2, 4.0]],
        "to_go": None,
        "more": {"u": [None]},
        "chain": "",
    }


def test_numbers_come_back_to_the_last_digit(path):
    values = [0.1 + 0.2, 1 / 3, 5e-324, 1.7976931348623157e308, -0.0]
    with Journal(path) as journal:
        for value in values:
            journal.write("reading", sync=False, value=value)
    assert [each["value"] for each in entries(path)] == values


def test_a_name_that_is_no_unicode_does_not_stop_a_run(path):
    with Journal(path) as journal:
        journal.opened(datetime(2026, 1, 5, tzinfo=UTC), operator="Ren\udce9")
    (line,) = entries(path)
    assert line["operator"] == "Ren\udce9"
    assert line["date"] == "2026-01-05T00:00:00.000+00:00"


def test_a_journal_cut_off_anywhere_is_read_up_to_there(path, tmp_path):
    with Journal(path) as journal:
        for number in range(3):
            journal.write("reading", sync=True, number=number, raw="µ°Ω", value=1.5)
    whole = path.read_bytes()
    cut = tmp_path / "cut.jsonl"
    for length in range(len(whole) + 1):
        cut.write_bytes(whole[:length])
        found = list(entries(cut))
        complete_n = whole[:length].count(b"\n") + (whole[length : length + 1] == b"\n")  # only the line end is missing
        assert [each["number"] for each in found] == list(range(complete_n))


@pytest.mark.parametrize("tail", [b"\0\0\0\0", b'{"kind": "rea', b"[" * 100_000], ids=["zeros", "half", "nested"])
def test_what_a_power_loss_leaves_at_the_end_is_left_out(path, tail):
    path.write_bytes(b'{"kind": "opened"}\n' + tail)
    assert [each["kind"] for each in entries(path)] == ["opened"]


@pytest.mark.parametrize("line", ["{broken", "[1, 2]", '"text"', '{"no": "kind"}'])
def test_a_damaged_line_in_the_middle_is_an_error_with_its_place(path, line):
    path.write_text(f'{{"kind": "opened"}}\n{line}\n{{"kind": "closed"}}\n')
    with pytest.raises(RecordError, match=r"journal\.jsonl:2: is not a line of a journal"):
        list(entries(path))


def test_a_journal_that_is_not_there_says_what_to_name(tmp_path):
    with pytest.raises(RecordError, match="name the folder of a record"):
        list(entries(tmp_path / "none.jsonl"))


def test_what_a_line_says_after_the_journal_is_closed_is_no_error(path):
    with Journal(path) as journal:
        journal.write("closed", sync=True)
    journal.exchange(EXCHANGE)
    with pytest.raises(RecordError, match="it is closed"):
        journal.write("reading", sync=True)
    assert [each["kind"] for each in entries(path)] == ["closed"]


def test_a_fault_of_a_line_is_kept(path):
    with Journal(path) as journal:
        journal.exchange(Exchange(at_s=1, instrument="m", sent="READ?", received=None, took_s=5, fault="VI_ERROR_TMO"))
    (line,) = entries(path)
    assert (line["received"], line["fault"]) == (None, "VI_ERROR_TMO")


def test_the_folders_that_name_a_journal_are_synced_with_it(path, monkeypatch):
    synced = []
    monkeypatch.setattr(os, "fsync", lambda number: synced.append(os.fstat(number).st_ino))
    with Journal(path):
        assert synced == [path.parent.stat().st_ino, path.parent.parent.stat().st_ino]


def test_the_chain_tells_which_line_was_changed_added_or_taken_out(path):
    with Journal(path) as journal:
        for number in range(5):
            journal.write("reading", sync=False, reading=1, number=number, tap="output")
    whole = path.read_text().splitlines(keepends=True)
    cases = {
        (): whole,
        ('journal.jsonl:3: was changed (reading 1 at point 2, tap "output")',): [
            *whole[:2],
            whole[2].replace('"reading": 1', '"reading":  1'),  # a blank
            *whole[3:],
        ],
        ("journal.jsonl: line 3 is missing",): [*whole[:2], *whole[3:]],
        ("journal.jsonl: lines 2 to 4 are missing",): [whole[0], whole[4]],
        ("journal.jsonl: line 1 is missing",): whole[1:],
        ('journal.jsonl:3: was added, or moved (reading 1 at point 1, tap "output")',): [
            *whole[:2],
            whole[1],
            *whole[2:],
        ],
    }
    for told, lines in cases.items():
        path.write_text("".join(lines))
        assert chain_faults(path)[:1] == told, lines


@pytest.mark.parametrize("tail", [b"", b'{"kind": "rea', b"\0\0"], ids=["whole", "half", "zeros"])
def test_a_journal_that_is_opened_again_is_touched_by_nothing_but_a_line(path, tail):
    with Journal(path) as journal:
        journal.write("opened", sync=True)
    whole = path.read_bytes() + tail
    path.write_bytes(whole)
    with Journal(path, again=True) as journal:
        assert journal.torn == tail.decode()
    assert path.read_bytes() == whole
    with Journal(path, again=True) as journal:
        journal.write("resumed", sync=True)
    assert [each["kind"] for each in entries(path)] == ["opened", "resumed"]
    assert chain_faults(path) == ()


@pytest.mark.skipif(os.name == "nt", reason="there a file that is open can neither be moved nor deleted")
@pytest.mark.parametrize("how", ["moved", "deleted"])
@pytest.mark.parametrize("found_by", ["write", "exchange"])
def test_a_journal_that_is_taken_away_goes_on_beside_and_says_so_once(tmp_path, how, found_by):
    path = tmp_path / "record" / "journal.jsonl"
    path.parent.mkdir()

    def elsewhere():
        (tmp_path / "beside").mkdir()
        return tmp_path / "beside"

    with Journal(path) as journal:
        journal.elsewhere = elsewhere
        journal.write("reading", sync=True, number=1)
        if how == "moved":
            path.parent.rename(tmp_path / "moved")
        else:
            shutil.rmtree(path.parent)
        if found_by == "exchange":
            journal.exchange(EXCHANGE)  # never raises
        with pytest.raises(RecordError, match="was moved or deleted during the run; its journal goes on in"):
            journal.write("reading", sync=True, number=2)
        journal.write("closed", sync=True)
    assert journal.path == tmp_path / "beside" / "journal.jsonl"
    kinds = [line["kind"] for line in entries(journal.path)]
    assert [kind for kind in kinds if kind != "exchange"] == ["reading", "remark", "reading", "closed"]
    assert chain_faults(journal.path) == ()
    if how == "moved":  # what was written until then stays there whole
        assert [line["number"] for line in entries(tmp_path / "moved" / "journal.jsonl")] == [1]


@pytest.mark.skipif(os.name == "nt", reason="there a file that is open can neither be moved nor deleted")
def test_a_journal_that_is_taken_away_with_no_place_to_go_to_stops_whoever_writes(path):
    with Journal(path) as journal:
        journal.write("reading", sync=True, number=1)
        path.unlink()
        with pytest.raises(RecordError, match="it was moved or deleted") as gone:
            journal.write("reading", sync=True, number=2)
        assert gone.value.todo == "leave results where they are"
        with pytest.raises(RecordError, match="it was moved or deleted"):
            journal.write("reading", sync=True, number=3)
