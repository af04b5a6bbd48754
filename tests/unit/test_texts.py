"""Text from outside on its way out, field by field and medium by medium; texts that were made to do harm."""

import csv
import io
import json
import runpy
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.errors import InputError
from instruments.texts import as_cell, as_json, as_page, from_cell, visible
from sequencer import core
from sequencer.record import document
from sequencer.reports.html import html
from sequencer.reports.notebook import evaluation_html
from sequencer.reports.terminal import summary

HOSTILE = runpy.run_path(str(Path(__file__).parents[1] / "bench" / "promises_hostile.py"))
TEXTS = HOSTILE["TEXTS"]
FIELDS = (*HOSTILE["FIELDS"], "remarks", "cautions", "instruments", "evaluation")
ids = [repr(text)[:20] for text in TEXTS]


@pytest.fixture(scope="module")
def content(tmp_path_factory):
    return HOSTILE["small"](tmp_path_factory.mktemp("run")).record.content


@pytest.fixture(scope="module")
def plain_pages(content):
    return {field: html(HOSTILE["told"](content, field, "plain")) for field in FIELDS}


@pytest.mark.parametrize("text", TEXTS, ids=ids)
@pytest.mark.parametrize("field", FIELDS)
def test_no_text_acts_on_what_shows_it(content, plain_pages, field, text):
    told = HOSTILE["told"](content, field, text)
    assert HOSTILE["is_tame_page"](html(told), plain_pages[field])
    assert HOSTILE["is_tame_line"](summary(told, colour=False))
    assert HOSTILE["is_tame_line"](as_json(document(told), indent=1))
    found = json.loads(as_json({"x": text}))
    assert found == {"x": text}


@pytest.mark.parametrize("text", TEXTS, ids=ids)
def test_no_text_acts_on_a_notebook_or_an_error(content, text):
    found = replace(content.evaluation, type=text, tolerance=text, standard=text)
    plain = replace(content.evaluation, type="plain", tolerance="plain", standard="plain")
    assert HOSTILE["is_tame_page"](evaluation_html(found), evaluation_html(plain))
    error = InputError(text, where=text, allowed=text, todo=text)
    assert HOSTILE["is_tame_line"](str(error))
    assert len(error.lines) == 3


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("a\x1b[2J", r"a\x1b[2J"),
        ("\x9b31m", r"\x9b31m"),
        ("\u202egnp", r"\u202egnp"),
        ("\ud800", r"\ud800"),
        ("GF-104 µ Ω 流量", "GF-104 µ Ω 流量"),
    ],
)
def test_what_does_not_print_is_written_out(text, shown):
    assert visible(text) == shown


# As spreadsheets take a cell: OWASP, CSV injection (from memory).
@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+1+1", "'+1+1"),
        ("-2+3", "'-2+3"),
        ("@SUM(A1)", "'@SUM(A1)"),
        (" =1", "' =1"),
        ("-1.5", "-1.5"),
        ("+1.5E-03", "+1.5E-03"),
        ("GF-104", "GF-104"),
        ("'quoted'", "'quoted'"),
        ("\r=1", r"\r=1"),
    ],
)
def test_a_cell_is_no_formula_and_a_number_stays_one(text, cell):
    assert as_cell(text) == cell


@given(st.text(st.characters(codec="utf-8")))
def test_a_cell_comes_back_as_the_line_it_was(text):
    line = visible(text, keep="\n\xa0\u2009\u202f")
    assert from_cell(as_cell(text)) == line or as_cell(line) == line
    kept = io.StringIO(newline="")
    csv.writer(kept, lineterminator="\n").writerow(["1", as_cell(text)])
    assert list(csv.reader(io.StringIO(kept.getvalue(), newline=""))) == [["1", as_cell(text)]]


@given(st.text(st.characters()))
def test_json_holds_any_text_and_only_what_prints(text):
    written = as_json([text])
    assert written.isprintable()
    assert json.loads(written) == [text] or any("\ud800" <= letter <= "\udfff" for letter in text)


@given(st.text(st.characters(codec="utf-8", exclude_characters="\n\t\xa0\u2009\u202f")))
def test_a_page_holds_only_what_prints(text):
    assert as_page(text).isprintable()


@pytest.mark.parametrize("serial", ["../../x", "/etc/x", "C:\\CON", "NUL", "x" * 300, "a\0b", "\ud800", "~", "."])
def test_a_record_lies_in_the_folder_of_results_whatever_the_serial(tmp_path, serial):
    result = HOSTILE["small"](tmp_path, serial=serial)
    assert result.record.folder.parent == tmp_path / "results"
    assert {path.name for path in tmp_path.iterdir()} == {"results", "s.yaml"}
    assert len(result.record.folder.name) < 150


def test_a_report_is_not_written_through_a_link(tmp_path):
    folder = HOSTILE["small"](tmp_path).record.folder
    mine = tmp_path / "mine.txt"
    mine.write_text("mine")
    (folder / "report.html").unlink()
    (folder / "report.html").symlink_to(mine)
    core.report(folder)
    assert mine.read_text() == "mine"
    assert not (folder / "report.html").is_symlink()


SLOW = ("hostile value", "terminal", "serials", "long", "altered", "lie")  # tried above or below, or a matter of time
ROWS = [row for row in HOSTILE["rows"] if not any(word in row[0] for word in SLOW)]


@pytest.mark.parametrize("row", [row for _, row in ROWS], ids=[name for name, _ in ROWS])
def test_a_promise_is_kept(row):
    tried, lost = row()
    assert tried
    assert not lost


@pytest.mark.parametrize("kind", ["sequence", "type", "bench", "instrument"])
def test_a_file_with_a_hostile_value_is_used_or_refused(kind):
    tried, lost = HOSTILE["files"](kind, 80)
    assert tried
    assert not lost


def test_some_damaged_records_and_lying_instruments_end_in_an_error_of_ours():
    for tried, lost in (HOSTILE["damaged_records"](60), HOSTILE["lying_instruments"](every=29)):
        assert tried
        assert not lost
