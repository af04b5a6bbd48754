"""Drawings read back from their XML: what stands where, and that the numbers beside it say the same."""

import math
import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from sequencer import core
from sequencer.diagnosis.account import Curve
from sequencer.reports.diagnosis import cause_plot
from sequencer.reports.drawing.chart import WAYS, Chart, Layer, bar_sample, box_sample, legend_drawing, line_sample
from sequencer.reports.drawing.panel import Panel, Scale, nice_ticks, reach
from sequencer.reports.drawing.svg import BAND, DASH, FAINT, FINE_DASH, GRID, HATCHED, LIMIT, UP, Drawing, Look
from sequencer.reports.plots import error_plot
from sequencer.reports.side_by_side import difference_plot, errors_plot
from sequencer.steps.capture.evaluation import Burst, Capture
from sequencer.steps.capture.plot import capture_plot

SVG = "{http://www.w3.org/2000/svg}"


def drawings(page):
    """Every drawing of a page."""
    return [ET.fromstring(text) for text in re.findall(r"<svg xmlns=.*?</svg>", page, flags=re.DOTALL)]


def outside(drawing):
    """Places that lie outside the drawing."""
    _, _, width, height = map(float, drawing.get("viewBox").split())
    found = []
    for element in drawing.iter():
        pairs = [(element.get(x), element.get(y)) for x, y in (("x", "y"), ("x1", "y1"), ("x2", "y2"), ("cx", "cy"))]
        pairs += [place.split(",") for place in (element.get("points") or "").split()]
        known = [(float(x), float(y)) for x, y in pairs if x is not None and element.tag != f"{SVG}pattern"]
        found += [(x, y) for x, y in known if not (0 <= x <= width and 0 <= y <= height)]
    return found


def overlaps(drawing):
    """Texts that are cut by the edge of the drawing, and pairs of texts that lie on each other."""
    boxes = []
    for text in drawing.iter(f"{SVG}text"):
        x, y, wide = float(text.get("x")), float(text.get("y")), 0.5 * 12.5 * len(text.text)
        if text.get("transform") is None:
            left = x - wide * {"middle": 0.5, "end": 1.0}.get(text.get("text-anchor"), 0.0)
            boxes.append((left, y - 9, left + wide, y, text.text))
        else:  # turned, about its middle
            low, high = (x - 9, x + 3) if "-90" in text.get("transform") else (x - 3, x + 9)
            boxes.append((low, y - wide / 2, high, y + wide / 2, text.text))
    _, _, width, height = map(float, drawing.get("viewBox").split())
    found = [box for box in boxes if box[0] < 0 or box[2] > width or box[1] < 0 or box[3] > height]
    for number, one in enumerate(boxes):
        found += [
            (one, other)
            for other in boxes[number + 1 :]
            if not (one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1])
        ]
    return found


def made(drawing):
    return ET.fromstring(drawing if isinstance(drawing, str) else drawing.svg())


def panel(x=(0.0, 100.0), y=(-1.0, 1.0)):
    """x from 100 to 600, y from 250 up to 50."""
    return Panel(Drawing("title", 300), Scale(*x, 100, 600), Scale(*y, 250, 50))


def all_of(root, tag, **attributes):
    wanted = {name.replace("_", "-"): value for name, value in attributes.items()}
    return [each for each in root.iter(f"{SVG}{tag}") if all(each.get(k) == v for k, v in wanted.items())]


def numbers(element, *names):
    return tuple(float(element.get(name)) for name in names)


def corners(element):
    return [tuple(map(float, place.split(","))) for place in element.get("points").split()]


def levels(root, *, anchor="end", below=60.0):
    """From a place on the drawing to the value there, by two numbers beside the panel, as a reader does it."""
    ticks = [
        (float(text.get("y")) - 4, float(text.text.replace("−", "-")))
        for text in all_of(root, "text", text_anchor=anchor)
        if re.fullmatch(r"−?[0-9.]+", text.text or "") and float(text.get("y")) > below
    ]
    (y0, v0), (y1, v1) = ticks[0], ticks[-1]
    return lambda y: v0 + (y - y0) * (v1 - v0) / (y1 - y0)


@pytest.mark.parametrize(
    ("low", "high"), [(-0.3, 0.3), (0, 100), (-25, 1), (3.99999, 4.00001), (0, 1e-9), (-1e300, 1e300)]
)
def test_ticks_lie_inside_and_are_told_apart_by_their_decimals(low, high):
    places, decimals = nice_ticks(low, high)
    assert 3 <= len(places) <= 11
    assert all(low - 1e-9 * (high - low) <= each <= high + 1e-9 * (high - low) for each in places)
    assert len({f"{each:.{decimals}f}" for each in places}) == len(places)


@pytest.mark.parametrize(("low", "high"), [(0.0, 1e-310), (0.0, math.inf), (2.0, 2.0), (0.0, math.nan)])
def test_a_scale_without_signal_has_one_tick(low, high):
    assert nice_ticks(low, high) == ((low,), 3)


def test_ticks_are_round():
    # 0.7 wide with at most 9 of them: steps of 0.1; -0.35 and 0.35 lie outside.
    places, decimals = nice_ticks(-0.35, 0.35)
    assert places == pytest.approx([-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3], abs=1e-12)
    assert decimals == 1


def test_a_scale_holds_0_and_has_room_at_both_ends():
    assert reach([20.0, 100.0], least=1.0) == pytest.approx((-7.0, 107.0))
    assert reach([math.nan, 0.0], least=1.0) == pytest.approx((-0.57, 0.57))


def test_numbers_below_the_panel_stand_where_they_say():
    drawn = panel()
    drawn.frame("input", "error")
    texts = {text.text: float(text.get("x")) for text in all_of(made(drawn.drawing), "text", text_anchor="middle")}
    # 500 units for 100 %
    assert [texts[str(value)] for value in range(0, 101, 10)] == [100 + 5 * value for value in range(0, 101, 10)]


def test_numbers_at_the_left_and_at_the_right_say_the_same_in_their_units():
    drawn = panel()
    drawn.frame("input", "error")
    drawn.right(0.16, "error in mA")
    root = made(drawn.drawing)
    left, right = levels(root, below=0), levels(root, anchor="start", below=0)
    for y in (50, 100, 150, 220, 250):
        assert left(y) == pytest.approx((150 - y) / 100)  # 1 % for 100 units, 0 in the middle
        assert right(y) == pytest.approx(0.16 * (150 - y) / 100)


def test_a_line_marks_no_error_where_the_scale_goes_through_it():
    for y, lines_n in (((-1.0, 1.0), 1), ((0.0, 2.0), 0)):
        drawn = panel(y=y)
        drawn.frame("input", "error")
        found = all_of(made(drawn.drawing), "line", stroke=FAINT, stroke_width="1.2")
        assert [numbers(each, "x1", "y1", "x2", "y2") for each in found] == [(100, 150, 600, 150)] * lines_n


def test_names_take_the_place_of_numbers_and_no_label_means_no_numbers():
    drawn = panel()
    drawn.frame("input", None, x_names=[(20.0, "a fifth")])
    assert [text.text for text in all_of(made(drawn.drawing), "text")] == ["a fifth", "input"]
    assert all_of(made(drawn.drawing), "line") == []


def test_the_frame_goes_round_the_panel():
    drawn = panel()
    drawn.edge()
    (frame,) = all_of(made(drawn.drawing), "rect", stroke=FAINT, fill="none")
    assert numbers(frame, "x", "y", "width", "height") == (100, 50, 500, 200)


def test_a_line_is_broken_where_a_value_is_missing():
    drawn = panel()
    places = [(0, 0), (10, 1), (20, math.nan), (30, 1), (40, -1), (math.nan, 0), (50, 0)]
    drawn.series(places, Look(UP, DASH, "any", 1.8))
    root = made(drawn.drawing)
    lines = all_of(root, "polyline", stroke=UP, stroke_dasharray="7 4", stroke_width="1.8")
    assert [corners(each) for each in lines] == [[(100, 150), (150, 50)], [(250, 50), (300, 250)]]
    assert [float(each.get("cx")) for each in all_of(root, "circle")] == [100, 150, 250, 300, 350]


def test_what_lies_beside_the_panel_ends_at_its_edge():
    drawn = panel()
    drawn.area([(-math.inf, 0.5), (math.inf, 5.0)], [(-math.inf, -0.5), (math.inf, -0.5)], fill="#eee")
    (area,) = all_of(made(drawn.drawing), "polygon")
    assert corners(area) == [(100, 100), (600, 50), (600, 200), (100, 200)]


def test_a_bar_reaches_from_one_value_to_the_other():
    drawn = panel()
    drawn.bar((10, 30), (0, -0.5), fill=UP, colour=UP)
    (bar,) = all_of(made(drawn.drawing), "rect", fill=UP)
    assert numbers(bar, "x", "y", "width", "height") == (150, 150, 100, 50)


def test_a_cross_is_two_lines_through_its_place():
    drawing = Drawing("", 100)
    drawing.mark((50, 60), "cross")
    found = {numbers(each, "x1", "y1", "x2", "y2") for each in all_of(made(drawing), "line")}
    assert found == {(45, 55, 55, 65), (45, 65, 55, 55)}


def test_up_points_up_and_is_full_down_points_down_and_is_empty():
    for shape, tip_y, fill in (("up", 55, UP), ("down", 65, "#fff")):
        drawing = Drawing("", 100)
        drawing.mark((50, 60), shape)
        (triangle,) = all_of(made(drawing), "polygon")
        assert triangle.get("fill") == fill
        assert [place for place in corners(triangle) if place[0] == 50] == [(50, tip_y)]


@pytest.mark.parametrize("shape", ["up", "down", "any", "dot", "ring", "end", "square", "cross"])
def test_markers_differ_without_colour(shape):
    def outline(name):
        drawing = Drawing("", 100)
        drawing.mark((50, 60), name)
        return [
            (each.tag, each.get("points"), each.get("r"), each.get("fill") not in {"none", "#fff"})
            for each in list(made(drawing))[1:]
        ]

    others = {"up", "down", "any", "dot", "ring", "end", "square", "cross"} - {shape}
    assert all(outline(shape) != outline(other) for other in others)


def test_a_hatch_is_there_where_it_is_used_and_only_there():
    drawing = Drawing("", 100)
    drawing.box((0, 0), (9, 9), fill=UP)
    assert all_of(made(drawing), "pattern") == []
    drawing.box((0, 0), (9, 9), fill=HATCHED)
    (pattern,) = all_of(made(drawing), "pattern")
    assert f"url(#{pattern.get('id')})" == HATCHED


def test_text_title_and_attributes_are_escaped_and_read_back():
    hostile = "</text><script>\"&'"
    drawing = Drawing(f"{hostile}\n\x1b[2J", 100)
    drawing.text((1, 2), hostile, colour=hostile)
    root = made(drawing)
    (text,) = all_of(root, "text")
    assert text.text == text.get("fill") == hostile
    assert root.get("aria-label") == root.findtext(f"{SVG}title") == f"{hostile} \\x1b[2J"
    assert root.get("role") == "img"


def test_places_keep_their_hundredths():
    drawing = Drawing("", 100)
    drawing.line((1.256, 2.0), (0.5, 99.999))
    assert [all_of(made(drawing), "line")[0].get(name) for name in ("x1", "y1", "x2", "y2")] == [
        "1.26",
        "2",
        "0.5",
        "100",
    ]


def test_a_legend_goes_on_below_where_the_line_is_full():
    labels = [f"{'entry of a legend, long':30}{number}" for number in range(5)]
    drawing, top = legend_drawing("", [(line_sample(Look(width=1)), label) for label in labels], below=10)
    # 31 letters of 7 units, 38 for the sample and 18 behind: 273 each, so two stand on a line of 720.
    found = [numbers(text, "x", "y") for text in all_of(made(drawing), "text")]
    assert found == [(46, 20), (319, 20), (46, 40), (319, 40), (46, 60)]
    assert top == 74
    assert outside(made(drawing)) == overlaps(made(drawing)) == []


def test_samples_of_areas_show_their_edges():
    drawing = Drawing("", 100)
    box_sample("#eee", Look(LIMIT, width=1.6), Look(LIMIT, FINE_DASH, width=1.2))(drawing, 10, 20)
    bar_sample(UP, LIMIT)(drawing, 50, 20)
    root = made(drawing)
    edges = [(*numbers(each, "x1", "y1", "x2", "y2"), each.get("stroke-dasharray")) for each in all_of(root, "line")]
    assert edges == [(10, 14, 42, 14, "none"), (10, 26, 42, 26, FINE_DASH)]
    (area,), (bar,) = all_of(root, "rect", fill="#eee", stroke="none"), all_of(root, "rect", fill=UP, stroke=LIMIT)
    assert numbers(area, "x", "y", "width", "height") == (10, 14, 32, 12)
    assert numbers(bar, "x", "y", "width", "height") == (50, 14, 32, 12)


X = (626 - 90) / 107  # units for 1 % of input in a chart: 3.5 % of room at both ends


@pytest.mark.parametrize(
    ("setpoints", "at"), [((0, 50, 100), (90 + 3.5 * X, 358, 90 + 103.5 * X)), ((-10, 50, 110), (107.53, 358, 608.47))]
)
def test_a_chart_holds_every_setpoint_that_was_visited(setpoints, at):
    chart = Chart("title", "error")
    chart.line([(x, 1.0) for x in setpoints], Look(mark="any"))
    assert [float(each.get("cx")) for each in all_of(made(chart.svg()), "circle")] == pytest.approx(at, abs=0.01)


def test_a_chart_draws_where_its_scales_say():
    chart = Chart("title", "error", right=(0.16, "mA"))
    chart.line([(0, 0.0), (40, -0.731), (100, 0.2)], Look(mark="any", width=1.8))
    root = made(chart.svg())
    left, right = levels(root), levels(root, anchor="start")
    ys = [float(each.get("cy")) for each in all_of(root, "circle")]
    assert [left(y) for y in ys] == pytest.approx([0, -0.731, 0.2], abs=1e-3)
    assert [right(y) for y in ys] == pytest.approx([0, -0.11696, 0.032], abs=2e-4)


@pytest.mark.parametrize("look", [*WAYS.values(), Look(LIMIT, FINE_DASH, width=1.6), Look(mark="ring"), Look(width=1)])
def test_the_legend_shows_what_is_drawn(look):
    chart = Chart("title", "error")
    chart.line([(0, 0.0), (100, 1.0)], look, "entry")
    root = made(chart.svg())
    label = next(text for text in all_of(root, "text") if text.text == "entry")
    assert numbers(label, "x", "y") == (46, 20)
    looks = {"stroke": look.colour, "stroke_width": f"{look.width:g}", "stroke_dasharray": look.dash}
    if look.width:
        sample = next(each for each in all_of(root, "line", **looks) if float(each.get("y1")) < 34)
        assert numbers(sample, "x1", "x2") == (8, 40)
        assert len(all_of(root, "polyline", **looks)) == 1
    if look.mark:
        marks = [*all_of(root, "circle"), *all_of(root, "polygon")]
        assert len(marks) == 3
        assert len({(each.get("r"), each.get("fill"), each.get("stroke-width")) for each in marks}) == 1


def test_an_entry_stands_once_in_the_legend_and_in_the_order_of_adding():
    chart = Chart("title", "error")
    chart.line([(0, 0.0)], Look(mark="any"), "second kind", layer=Layer.SIGN)
    chart.line([(0, 1.0)], Look(mark="any"), "second kind")
    chart.band([(-math.inf, 1.0), (math.inf, 1.0)], "#eee", Look(LIMIT, width=1), "area")
    chart.explain(Look(), "words alone")
    chart.line([(0, 1.0)], Look(mark="any"))
    labels = [text.text for text in all_of(made(chart.svg()), "text") if not re.match(r"[−0-9]", text.text)]
    assert labels == ["second kind", "area", "words alone", "error", "Input in % of range"]


def test_areas_lie_below_the_grid_and_signs_above_lines():
    chart = Chart("title", "error")
    chart.line([(50, 0.5)], Look(mark="ring"))
    chart.line([(0, 0.0), (100, 1.0)], Look(UP, width=1.8))
    chart.line([(0, 0.0), (100, 1.0)], Look("#8b949e", width=1.3), layer=Layer.BEHIND)
    chart.band([(0.0, 0.5), (100.0, 0.5)], "#eeeeee", Look(LIMIT, width=1.6))
    elements = list(made(chart.svg()))
    order = [
        next(number for number, each in enumerate(elements) if each.get(name) == value)
        for name, value in (
            ("fill", "#eeeeee"),
            ("stroke", GRID),
            ("stroke", LIMIT),
            ("stroke", "#8b949e"),
            ("stroke", UP),
            ("r", "10"),
        )
    ]
    assert order == sorted(order)
    assert elements[-1].tag == f"{SVG}rect"  # the frame, on which nothing lies


def test_a_margin_lies_between_its_two_lines_on_both_sides_of_0():
    chart = Chart("title", "error")
    outer, inner = [(0.0, 1.0), (100.0, 1.0)], [(0.0, 0.75), (100.0, 0.75)]
    chart.margin(outer, inner, "#f3ecd2", (Look(LIMIT, width=1.6), Look(LIMIT, FINE_DASH, width=1.2)), "guard")
    root = made(chart.svg())
    value = levels(root)
    found = [sorted({round(value(y), 2) for _, y in corners(each)}) for each in all_of(root, "polygon")]
    assert found == [[0.75, 1.0], [-1.0, -0.75]]
    lines = [corners(each)[0][1] for each in all_of(root, "polyline", stroke_dasharray=FINE_DASH)]
    assert [value(y) for y in lines] == pytest.approx([0.75, -0.75], abs=0.01)


def test_spans_reach_as_far_as_they_say_and_stand_beside_each_other():
    chart = Chart("title", "error")
    chart.spans([(50.0, 0.2, 0.3, "up"), (50.0, 0.1, 0.3, "down")], "U")
    root = made(chart.svg())
    value = levels(root)
    upright = [
        each for each in all_of(root, "line") if each.get("x1") == each.get("x2") and each.get("stroke-width") == "1"
    ]
    upright = [each for each in upright if each.get("stroke") in {WAYS["up"].colour, WAYS["down"].colour}]
    assert [float(each.get("x1")) for each in upright] == [355.5, 360.5]
    assert all(34 <= y <= 284 for each in upright for y in numbers(each, "y1", "y2"))  # the panel, 250 high
    assert [[value(y) for y in numbers(each, "y1", "y2")] for each in upright] == [
        pytest.approx([-0.1, 0.5], abs=2e-3),
        pytest.approx([-0.2, 0.4], abs=2e-3),
    ]


def test_a_scale_is_no_smaller_than_its_least_and_holds_what_it_is_told():
    for told, least, top in (([], 1.0, 0.57), ([3.0], 1.0, 3.21)):
        chart = Chart("title", "error", least=least)
        chart.line([(0, 0.0)], Look(mark="any"))
        chart.reach(np.array(told))
        assert chart.extreme == max([0.0, *told])
        root = made(chart.svg())
        assert levels(root)(8) == pytest.approx(top, rel=0.01)  # the panel begins 8 units below the upper edge


CURVE = Curve(
    name="drive",
    cause="slip (95 %)",
    read=(("up", ((0.0, 0.0), (50.0, -1.5), (100.0, -3.0))), ("down", ((50.0, -1.4), (0.0, 0.1)))),
    foretold=(("up", ((0.0, 0.0), (100.0, -3.1))), ("down", ((100.0, -3.1), (0.0, 0.0)))),
    tolerance=((0.0, 0.5), (50.0, 0.5), (100.0, 0.5)),
)


def test_a_cause_is_drawn_through_the_errors_that_were_read():
    root = made(cause_plot(CURVE))
    value = levels(root)
    marks = [
        [corners(each)[0], each.get("fill")] for each in all_of(root, "polygon") if each.get("fill") in {UP, "#fff"}
    ]
    marks = marks[2:]  # two are in the legend
    # tip of a marker: 5 units above its place if up, below if down
    read = [(at[0], value(at[1] + (5 if fill == UP else -5))) for at, fill in marks]
    x = [90 + (3.5 + each) * X for each in (0, 50, 100, 50, 0)]
    assert [each[0] for each in read] == pytest.approx(x, abs=0.06)
    assert [each[1] for each in read] == pytest.approx([0.0, -1.5, -3.0, -1.4, 0.1], abs=2e-3)
    lines = {each.get("stroke-dasharray"): corners(each) for each in all_of(root, "polyline", stroke_width="2")}
    assert value(lines["none"][1][1]) == value(lines[DASH][0][1]) == pytest.approx(-3.1, abs=2e-3)
    limits = [value(corners(each)[0][1]) for each in all_of(root, "polyline", stroke=LIMIT)]
    assert limits == pytest.approx([0.5, -0.5], abs=2e-3)
    (band,) = all_of(root, "polygon", fill=BAND)
    assert sorted({round(value(y), 2) for _, y in corners(band)}) == [-0.5, 0.5]


def test_without_errors_a_cause_is_one_sentence():
    assert "nothing to draw" in cause_plot(replace(CURVE, read=()))


def burst(values, drive="on"):
    return Burst(drive=drive, times_s=0.1 * np.arange(len(values)), values=np.array(values), noise=None)


def capture(*bursts):
    return Capture(setpoint_pct=25.0, tap="returned", unit="mA", span=16.0, bursts=bursts, effect=None)


def test_a_capture_shows_each_reading_and_the_share_of_each_level():
    root = made(capture_plot(capture(burst([8.0, 8.0, 8.0, 9.0, math.nan, 8.0, 8.0, 8.0, 9.0]))))
    value = levels(root)
    (line,) = all_of(root, "polyline")
    assert [value(y) for _, y in corners(line)] == pytest.approx([8, 8, 8, 9, 8, 8, 8, 9], abs=2e-3)
    bars = [numbers(each, "x", "y", "width", "height") for each in all_of(root, "rect", fill="#fff", stroke=UP)]
    # 75 % at 8 mA, 25 % at 9 mA; the longest leaves a twentieth of 204 units free
    assert sorted(width for _, _, width, _ in bars) == pytest.approx([204 / 1.05 / 3, 204 / 1.05], abs=0.01)
    longest = max(bars, key=lambda each: each[2])
    assert value(longest[1] + longest[3]) < 8 < value(longest[1])
    assert "75" in [text.text for text in all_of(root, "text")]


@pytest.fixture(scope="module")
def compared(tmp_path_factory):
    """Three cycles of both units up and down; B lies 0.032 mA above A at the middle and nowhere else."""
    folder = tmp_path_factory.mktemp("compared")
    (folder / "x.yaml").write_text(
        "type: x\ninput: {range: 0 .. 1000 Hz}\noutput: {range: 4 .. 20 mA}\ntolerance: 0.2 % of span\n"
    )
    for name, more in (("A", 0.0), ("B", 0.032)):
        rows = [
            f"{x};{4 + 16 * x / 1000 + 0.001 * (cycle - 2) + (more if x == 500 else 0):.3f};{way};{cycle}"
            for cycle in (1, 2, 3)
            for way, inputs in (("up", (0, 500, 1000)), ("down", (1000, 500, 0)))
            for x in inputs
        ]
        (folder / f"{name}.csv").write_text("\n".join(["input [Hz];output [mA];direction;cycle", *rows]) + "\n")
    return core.compare(
        folder / "A.csv", folder / "B.csv", type_sheet=folder / "x.yaml", bench="by-hand", margin="0.3 % of span"
    )


def test_the_difference_is_drawn_and_ringed_where_it_is_significant(compared):
    root = made(difference_plot(compared))
    value = levels(root)
    rings = [numbers(each, "cx", "cy") for each in all_of(root, "circle", r="10")][1:]  # the first is in the legend
    assert [x for x, _ in rings] == pytest.approx([358, 358], abs=0.01)
    assert [value(y) for _, y in rings] == pytest.approx([0.2, 0.2], abs=2e-3)  # 0.032 of 16 mA
    margin = [value(corners(each)[0][1]) for each in all_of(root, "polyline", stroke=LIMIT)]
    assert margin == pytest.approx([0.3, -0.3], abs=2e-3)


def test_errors_of_both_lie_in_the_tolerance_of_the_first(compared):
    root = made(errors_plot(compared))
    value = levels(root)
    dots = [numbers(each, "cx", "cy") for each in all_of(root, "circle")][1:]
    assert [value(y) for _, y in dots] == pytest.approx([0] * 6, abs=2e-3)
    top_of_B = min(corners(each)[0][1] for each in all_of(root, "polygon", fill="#fff")[1:]) + 5
    assert value(top_of_B) == pytest.approx(0.2, abs=2e-3)
    limits = [corners(each) for each in all_of(root, "polyline", stroke=LIMIT)]
    assert [value(each[0][1]) for each in limits] == pytest.approx([0.2, -0.2], abs=2e-3)
    assert [(each[0][0], each[-1][0]) for each in limits] == [(90, 626)] * 2


@pytest.mark.parametrize(
    "plot",
    [
        pytest.param(lambda _: cause_plot(CURVE), id="cause"),
        pytest.param(lambda _: capture_plot(capture(burst([8.0, 9.0, 8.5] * 9))), id="capture"),
        pytest.param(lambda _: capture_plot(capture(burst([8.0] * 9, "off"), burst([8.0, 9.0] * 9))), id="two bursts"),
        pytest.param(errors_plot, id="errors"),
        pytest.param(difference_plot, id="difference"),
    ],
)
def test_nothing_lies_outside_and_no_text_on_another(compared, plot):
    assert outside(made(plot(compared))) == []
    assert overlaps(made(plot(compared))) == []


def test_one_huge_uncertainty_is_cut_and_said_and_flattens_nothing(adjusted):
    found = adjusted.evaluation
    visits = found.visits.copy()
    visits.loc[visits["point"] == visits["point"].iloc[0], "U"] = 100.0  # of 16 mA: 625 % of span
    plain, huge = error_plot(found), error_plot(replace(found, visits=visits))
    assert "expanded uncertainty U, cut at 1 input: up to 625 % of span, at" in huge
    assert "cut at" not in plain

    def highest(drawing):
        ticks = [each.text for each in all_of(ET.fromstring(drawing), "text", text_anchor="end")]
        return max(float(each) for each in ticks if re.fullmatch(r"[0-9.]+", each or ""))

    assert 0 < highest(huge) <= 6 * highest(plain)
