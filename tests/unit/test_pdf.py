"""Pages as PDF: read again by another library, page by page. Text is text, whatever it looks like."""

import re
import sys
from html import escape, unescape

import pypdfium2
import pytest

from instruments.errors import InputError, RecordError
from sequencer import core
from sequencer.documents.blocks import blocks, parsed
from sequencer.documents.foot import Foot
from sequencer.documents.pdf import pdf


def pages_of(data):
    """The text of each page, blanks as one."""
    document = pypdfium2.PdfDocument(data)
    return [" ".join(page.get_textpage().get_text_range().replace("\u200b", "").split()) for page in document]


def table_of(page):
    (found,) = [each for each in blocks(*parsed(page), width_pt=493)[0] if each["kind"] == "table"]
    return found


def test_a_report_has_serial_date_digest_and_page_on_each_page(adjusted, tmp_path):
    record = adjusted
    path = core.write_document(record, tmp_path / "report.pdf")
    pages = pages_of(path.read_bytes())
    assert len(pages) > 2
    for number, page in enumerate(pages, start=1):
        for each in ("GF-104", record.content.date[:10], record.content.digest, f"page {number} of {len(pages)}"):
            assert each in page
        assert "Simulated bench: no real unit was tested." in page


def test_it_says_what_the_page_says(adjusted, tmp_path):
    text = " ".join(pages_of(core.write_document(adjusted, tmp_path / "report.pdf").read_bytes()))
    for each in ("PASS", "What to do", "As found / as left", "non-linearity, independent", "Hysteresis", "Settling"):
        assert each in text
    error = f"{adjusted.evaluation.points['error'].iloc[0]:+.4f}".replace("-", "\N{MINUS SIGN}")
    assert error in text


def test_the_same_record_gives_the_same_file(adjusted, tmp_path):
    one, other = (core.write_document(adjusted, tmp_path / f"{name}.pdf").read_bytes() for name in "ab")
    assert one == other


def test_texts_of_the_typesetter_stay_texts():
    hostile = escape('#panic("x") $ \\ *b* `raw` #read("/etc/hostname") <script>&lt;b&gt; @ref')
    page = f"<title>t</title><h1>{hostile}</h1><p>{hostile}</p><table><tr><td>{hostile}</td></tr></table>"
    (text,) = pages_of(pdf(page, Foot(lines=(unescape(hostile),), page="#{n} of {m}")))
    assert text.count(unescape(hostile)) == 4
    assert "#1 of 1" in text


@pytest.mark.parametrize("length", [60, 200, 2000])
def test_a_word_however_long_stays_on_the_page(length):
    word = "A1-" * (length // 3)
    page = f"<h1>{word}</h1><p>{word}</p><table><tr><td>{word}</td><td>x</td></tr></table><dl class='facts'>"
    data = pdf(f"{page}<div><dt>serial</dt><dd>{word}</dd></div></dl>", Foot(lines=(word[:200],)))
    document = pypdfium2.PdfDocument(data)
    for page in document:
        text, width = page.get_textpage(), page.get_width()
        boxes = [text.get_charbox(at) for at in range(text.count_chars())]
        assert max(right for _, _, right, _ in boxes) < width - 30  # the margin is 18 mm, 51 points
    assert "".join(pages_of(data)).replace(" ", "").count("A1-") >= 4 * (length // 3)


def test_a_table_of_hundreds_of_rows_repeats_its_head_on_each_page():
    rows = "".join(f"<tr><td class='n'>{at / 3:.1f} %</td><td class='n'>{at}</td></tr>" for at in range(600))
    page = f"<table><thead><tr><th class='n'>Setpoint</th><th>n</th></tr></thead><tbody>{rows}</tbody></table>"
    pages = pages_of(pdf(page, Foot()))
    assert len(pages) > 5
    assert all("Setpoint" in each for each in pages)
    assert "199.7 % 599" in pages[-1]


def test_a_row_of_several_lines_stays_on_one_page():
    lines = "<br>".join(["begins {0}", *["tank level"] * 4, "ends {0}"])
    rows = "".join(f"<tr><td>{lines.format(number)};</td></tr>" for number in range(100, 160))
    pages = pages_of(pdf(f"<title>t</title><table>{rows}</table>", Foot(lines=("x",), page="{n}/{m}")))
    assert len(pages) > 3
    for number in range(100, 160):
        (at,) = [place for place, page in enumerate(pages) if f"begins {number}" in page]
        assert f"ends {number};" in pages[at]


@pytest.mark.parametrize("before_n", range(30, 52, 3))
def test_no_row_of_a_table_and_no_signature_stands_alone_on_a_page(before_n):
    before = "".join(f"<p>line {at}</p>" for at in range(before_n))
    rows = "".join(f"<tr><td>row {at};</td></tr>" for at in range(8))
    table = f"<h2>Figures</h2><table><thead><tr><th>Figure</th></tr></thead><tbody>{rows}</tbody></table>"
    signed = "<p>above the signatures</p><div class='signatures'><p>signed</p></div><p class='end'>the end</p>"
    pages = pages_of(pdf(f"<title>t</title>{before}{table}{before}{signed}", Foot()))
    (heading,) = [at for at, page in enumerate(pages) if "Figures" in page]
    parts = [page.count("row ") for page in pages]
    assert sum(parts) == 8
    assert all(each == 0 or each >= 3 for each in parts)
    assert parts[heading] >= 3
    (last,) = [page for page in pages if "signed" in page]
    assert "above the signatures" in last
    assert "the end" in last


def test_cells_that_span_leave_their_place_free():
    page = (
        "<table><tr><th>a</th><th>b</th><th class='n'>c</th></tr><tr><td rowspan='2'>one</td><td>2</td><td>3</td></tr>"
        "<tr><td>a rather long text in the second column</td><td>6</td></tr><tr><td colspan='3'>all</td></tr></table>"
    )
    found = table_of(page)
    assert len(found["columns"]) == 3
    narrow, wide, _ = (parts for _, parts in found["columns"])
    assert wide > 4 * narrow
    (text,) = pages_of(pdf(page, Foot()))
    assert re.search(r"one 2 3 a rather long text in the second column 6 all", text)


def test_where_not_all_fits_no_number_is_broken():
    heads = "".join(f"<th class='n'>a head of some words {at}</th>" for at in range(9))
    cells = "".join("<td class='n'>-12345.678901</td>" for _ in range(9))
    page = f"<table><thead><tr>{heads}</tr></thead><tbody><tr>{cells}</tr></tbody></table>"
    assert pages_of(pdf(page, Foot()))[0].count("-12345.678901") == 9


def test_a_broken_picture_is_told_plainly():
    with pytest.raises(InputError, match="the page cannot be typeset"):
        pdf('<img src="data:image/png;base64,AAAA">', Foot())


def test_a_picture_from_elsewhere_is_not_looked_for():
    (text,) = pages_of(pdf('<p>a</p><img src="file:///etc/hostname"><img src="http://127.0.0.1:9/x.png">', Foot()))
    assert text.startswith("a")


def test_without_the_typesetter_it_is_said_how_to_install_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(InputError, match='a PDF needs the package "typst"') as refused:
        pdf("<p>a</p>", Foot())
    assert refused.value.todo == 'python -m pip install "livezero[documents]"'


def test_nothing_is_written_into_a_record_or_under_another_name(adjusted, tmp_path):
    record = adjusted
    with pytest.raises(RecordError, match="lies inside a record"):
        core.write_document(record, record.folder / "inputs" / "report.pdf")
    with pytest.raises(InputError, match="does not say what to write") as refused:
        core.write_document(record, tmp_path / "report.doc")
    assert ".xlsx" in refused.value.allowed


def test_an_unfinished_run_and_a_comparison_are_pages_too(adjusted, kept_record, tmp_path):
    pages = pages_of(core.write_document(kept_record("cut-off"), tmp_path / "cut-off.pdf").read_bytes())
    assert "The run did not complete" in " ".join(pages)
    assert all("not sealed" in each for each in pages)
    compared = core.compare(adjusted.folder, kept_record("cut-off").folder)
    pages = pages_of(core.write_comparison(compared, tmp_path / "compared.pdf").read_bytes())
    assert "Difference, B less A" in " ".join(pages)
    assert all(adjusted.content.digest in each for each in pages)
