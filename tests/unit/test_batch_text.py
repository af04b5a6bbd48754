"""The text of a batch: 80 columns whatever its units are called and however many points there are."""

import re

from sequencer.diagnosis.batch import BatchContent, Column, InBatch, UnitLine, of_batch
from sequencer.reports.batch import batch_document, html
from sequencer.reports.terminal import batch_text


def content(units, points_n):
    columns = tuple(Column(setpoint_pct=float(number), direction="up") for number in range(points_n))
    return BatchContent(
        name="batch",
        date="2026-01-05T08:00:00+00:00",
        bench="bench",
        type="converter (invented)",
        sequence="acceptance",
        is_together=True,
        is_simulated=False,
        units=tuple(units),
        columns=columns,
        medians={},
        common=(),
        causes=(),
        rule="none",
    )


def unit(serial, cells, result="pass"):
    beyond = tuple(cell is not None and abs(cell) > 100 for cell in cells)
    return UnitLine(serial=serial, place=1, result=result, worst_pct=50.0, cells=tuple(cells), beyond=beyond)


def test_long_serials_and_many_points_stay_within_the_width_and_no_failure_is_lost():
    cells = [10.0] * 300
    cells[137] = -250.0
    text = batch_text(content([unit("G" * 60, cells, "fail"), unit("A1", [None, *cells[1:]])], 300), width=80)
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    first = next(line for line in lines if line.startswith("GGG"))
    assert first.count("-") == 1  # of all points that share its place the worst is shown
    assert "NOT ALL PASS: 1 of 2 units pass" in text


def test_a_control_character_in_a_serial_does_not_reach_the_terminal_nor_a_tag_the_page():
    found = content([unit("A\x1b[2J", [1.0]), unit("<script>", [1.0])], 1)
    assert "\x1b" not in batch_text(found, width=80)
    assert "<script>" not in html(found)


def test_units_that_were_not_begun_are_not_over_and_pass_nothing():
    found = of_batch(
        [InBatch(serial="A1", place=None, content=None), InBatch(serial="A2", place=None, content=None, fault="gone")],
        name="batch",
        date="2026-01-05T08:00:00+00:00",
        bench="bench",
        is_together=False,
    )
    assert not found.is_pass
    assert found.open_n == 1
    assert [each.result for each in found.units] == ["not begun", "not determinable"]
    assert batch_document(found)["answer"] == "not over"
    assert "NOT OVER" in html(found)


def test_no_table_of_the_page_is_wider_than_paper_and_every_point_stands_in_one():
    page = html(content([unit("A1", [float(number) for number in range(50)])], 50))
    grids = re.findall(r'<table class="grid">.*?</table>', page, re.DOTALL)
    heads = [re.findall(r'<th class="n">(\d+) %', each) for each in grids]
    assert max(map(len, heads)) <= 22  # as many as were seen to fit on A4, landscape
    assert [int(each) for head in heads for each in head] == list(range(50))
    cells = [re.findall(r'<td class="n [a-z]*">\+(\d+)<', each) for each in grids]
    assert cells == heads
