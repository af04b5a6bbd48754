"""Text from outside on its way out, field by field and medium by medium; texts that were made to do harm."""

import csv
import io
import json
import math
import re
from dataclasses import replace
from functools import partial

import numpy as np
import promises_hostile as promises
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.errors import InputError
from instruments.texts import (
    as_cell,
    as_json,
    as_page,
    from_cell,
    json_value,
    of_span,
    sized,
    to_digits,
    visible,
    without_rest,
)
from sequencer import core
from sequencer.reports.notebook import evaluation_html

TEXTS = promises.TEXTS
ids = [repr(text)[:20] for text in TEXTS]


@pytest.fixture(scope="module")
def content(tmp_path_factory):
    return promises.small(tmp_path_factory.mktemp("run")).record.content


@pytest.fixture(scope="module")
def plain(content):
    return promises.shown(promises.told(content, "plain"), content)[0]


@pytest.mark.parametrize("text", TEXTS, ids=ids)
def test_no_text_acts_on_what_shows_it(content, plain, text):
    pages, lines = promises.shown(promises.told(content, text), content)
    assert all(map(promises.is_tame_page, pages, plain))
    assert all(map(promises.is_tame_line, lines))
    assert json.loads(as_json({"x": text})) == {"x": text}


@pytest.mark.parametrize("text", TEXTS, ids=ids)
def test_no_text_acts_on_a_notebook_or_an_error(content, text):
    found = replace(content.evaluation, type=text, tolerance=text, standard=text)
    plain = replace(content.evaluation, type="plain", tolerance="plain", standard="plain")
    assert promises.is_tame_page(evaluation_html(found), evaluation_html(plain))
    error = InputError(text, where=text, allowed=text, todo=text)
    assert promises.is_tame_line(str(error))
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
        ("-0,5", "-0,5"),
        ("-0.5 mA", "-0.5 mA"),
        ("+0012.0 RPM", "+0012.0 RPM"),
        ("-0.5%", "-0.5%"),
        ("-3 1/min", "-3 1/min"),
        ("-12.5 inH2O", "-12.5 inH2O"),
        ("-10 .. 10 V", "-10 .. 10 V"),
        ("-100 mV .. 1 V", "-100 mV .. 1 V"),
        ("-1e-05 .. 1e-05 A", "-1e-05 .. 1e-05 A"),
        ("-40 .. 120 °C", "-40 .. 120 °C"),
        ("-10 .. 10 V ", "'-10 .. 10 V "),  # nothing but what is meant stays
        ("-1 m3", "'-1 m3"),  # the name of a cell
        ("-1 A1/B2", "'-1 A1/B2"),
        ("-1 V*2", "'-1 V*2"),
        ("-1 SUM(A)", "'-1 SUM(A)"),
        ("-1 cmd|x", "'-1 cmd|x"),
        ("-1 .. 2 .. 3 V", "'-1 .. 2 .. 3 V"),
        ("-1-1", "'-1-1"),
        ("+OVER RPM", "'+OVER RPM"),
        ("-inf", "'-inf"),
        ("=-0.5 mA", "'=-0.5 mA"),
        ("@1 V", "'@1 V"),
    ],
)
def test_a_cell_is_no_formula_and_a_number_stays_one(text, cell):
    assert as_cell(text) == cell
    assert from_cell(cell) == text.replace("\r", r"\r")


def test_a_cell_of_an_older_table_comes_back_without_the_apostrophe_that_it_has_too_much():
    assert from_cell("'-0.5 mA") == "-0.5 mA"


MANY_CELLS = st.lists(
    st.sampled_from([*"+-=@'0123456789.,|!()*/ ", "A1", "mA", "V", "..", "SUM", "1/", "e5", "\xa0"]), max_size=8
).map("".join)


@given(MANY_CELLS)
def test_what_stays_without_an_apostrophe_is_numbers_and_units_alone(text):
    cell = as_cell(text)
    assert from_cell(cell) == text
    if cell == text and text.strip(" \xa0'")[:1] in {"+", "-", "=", "@"}:
        assert not set(text) & set("=@|!()*'")
        assert not re.search(r"[A-Za-z][0-9]+(?![A-Za-z0-9])(?<!e5)", text)  # no cell is named


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
    result = promises.small(tmp_path, serial=serial)
    assert result.record.folder.parent == tmp_path / "results"
    assert {path.name for path in tmp_path.iterdir()} == {"results", "s.yaml"}
    assert len(result.record.folder.name) < 150


def test_a_report_is_not_written_through_a_link(tmp_path):
    folder = promises.small(tmp_path).record.folder
    mine = tmp_path / "mine.txt"
    mine.write_text("mine")
    (folder / "report.html").unlink()
    (folder / "report.html").symlink_to(mine)
    core.report(folder)
    assert mine.read_text() == "mine"
    assert not (folder / "report.html").is_symlink()


@pytest.mark.parametrize(
    "row",
    [
        "numbers, units, ranges, tolerances",
        "bytes that are no YAML",
        "records with links out of them",
        "texts in cells of CSV",
        "levels in commands",
        "replies that are no numbers",
        "a reply without an end",
    ],
)
def test_a_promise_is_kept(tmp_path, row):
    tried_n, lost = promises.ROWS[f"hostile input: {row}"](tmp_path)
    assert tried_n
    assert not lost


@pytest.mark.parametrize("kind", ["sequence", "type", "bench", "instrument"])
def test_a_file_with_a_hostile_value_is_used_or_refused(tmp_path, kind):
    tried_n, lost = promises.files(kind, 60, tmp_path)
    assert tried_n
    assert not lost


@pytest.mark.parametrize(
    "some",
    [
        partial(promises.damaged_records, tries=24),
        partial(promises.tables_by_hand, tries=150),
        partial(promises.lying_instruments, every=31),
        partial(promises.traces, tries=80),
    ],
    ids=["records", "tables", "instruments", "traces"],
)
def test_some_of_what_is_altered_ends_in_a_result_or_an_error_of_ours(tmp_path, some):
    tried_n, lost = some(tmp_path)
    assert tried_n
    assert not lost


@pytest.mark.parametrize(
    ("value", "digits", "expected"),
    [(370.4, 2, "370"), (1234.0, 3, "1230"), (99.96, 2, "100"), (12050.0, 4, "12050"), (0.0000123, 2, "0.000012"),
     (0.5, 3, "0.5"), (-1500.0, 2, "-1500"), (0.0, 2, "0"), (4.56e-8, 2, "4.6e-08"), (2.5e14, 3, "2.5e+14")],
)  # fmt: skip
def test_a_size_has_no_power_of_ten_as_long_as_it_can_be_read(value, digits, expected):
    assert sized(value, digits) == expected


@pytest.mark.parametrize("rest", [2.22e-16, -2.22e-16, 3.69e-13, 0.0])
def test_a_rounding_rest_is_nothing(rest):
    assert without_rest(rest) == 0.0
    assert sized(rest) == "0"
    assert sized(rest, is_signed=True) == "+0"


@pytest.mark.parametrize("level", [1e-12, -1e-9, 4.0, -1e9, math.inf])
def test_a_level_is_no_rounding_rest(level):
    assert without_rest(level) == level
    assert math.isnan(without_rest(math.nan))


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (math.nan, None),
        (-math.inf, None),
        (1.5, 1.5),
        (True, True),
        (None, None),
        ("nan", "nan"),
        ((1.0, math.nan), [1.0, None]),
        ({"a": [math.inf, {"b": math.nan}], "c": "x"}, {"a": [None, {"b": None}], "c": "x"}),
        (np.float64("nan"), None),
        (np.int64(3), 3),
        (np.array([[1.0, math.nan]]), [[1.0, None]]),
    ],
)
def test_a_number_that_json_has_not_is_null(value, told):
    assert json_value(value) == told
    assert type(json_value(value)) is type(told)
    assert json.loads(as_json(json_value(value))) == told


@pytest.mark.parametrize(
    ("number", "scale", "told"),
    [
        (9.999999999999999e-06, 0.0, 1e-05),
        (20.002989200000002, 20.0, 20.0029892),
        (20.0002875 - 20, 20.0, 0.0002875),  # 0.00028750000000021814: arithmetic
        (20 - 20.000000000000004, 20.0, 0.0),
        (1 / 3, 0.0, 0.333333333333),
        (1.5e-30, 0.0, 1.5e-30),
        (12345678901234.5, 0.0, 12345678901200.0),
    ],
)
def test_a_computed_number_has_the_digits_that_count_where_it_comes_from(number, scale, told):
    found = json_value([number], digits=12, scale=scale)
    assert found == [told]
    assert math.copysign(1.0, found[0]) == 1.0  # 0 is no -0


def test_a_reading_keeps_all_its_digits():
    assert json_value([20.002989200000002, -0.0]) == [20.002989200000002, 0.0]
    assert to_digits(296.15 - 273.15, scale=296.15) == 23.0
    assert math.isnan(to_digits(math.nan))
    assert to_digits(-math.inf, scale=3.0) == -math.inf


def test_a_size_with_its_sign_keeps_it():
    assert sized(33_000.0, 2, is_signed=True) == "+33000"
    assert sized(-0.00002, 2, is_signed=True) == "-0.00002"


def test_below_a_millionth_of_the_span_there_is_nothing():
    assert of_span(0.93, 2) == "0.93 % of span"
    assert of_span(0.00011, 2, is_signed=True) == "+0.00011 % of span"
    assert of_span(-3.5e-14) == "nothing measurable"
