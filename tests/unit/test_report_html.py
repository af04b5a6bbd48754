"""The HTML report: well-formed, self-contained, escaped, and sound for runs that went wrong."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import pytest

from sequencer.evaluation import evaluate
from sequencer.models import TypeSheet
from sequencer.readings import COLUMNS, tidy
from sequencer.reports.content import Content, InstrumentLine, Trace
from sequencer.reports.drawing import nice_ticks
from sequencer.reports.html import html
from sequencer.reports.notebook import evaluation_html
from sequencer.reports.settling import telling_trace
from sequencer.reports.words import percent_used

HOSTILE = '<script>alert("1")</script>&\''
VOID = {"meta", "path", "line", "rect", "circle", "polygon", "polyline", "br"}
SVG = "{http://www.w3.org/2000/svg}"


def sheet(**fields):
    return TypeSheet.model_validate(
        {"type": "flow converter", "input": {"range": "0 .. 1000 Hz"}, "output": {"range": "4 .. 20 mA"}}
        | {"tolerance": "0.2 % of span"}
        | fields
    )


def chain():
    return TypeSheet.model_validate(
        {
            "type": "pump loop",
            "taps": [
                {"tap": "demand", "range": "4 .. 20 mA"},
                {"tap": "speed", "range": "0 .. 1200 rpm"},
                {"tap": "returned", "range": "4 .. 20 mA"},
            ],
            "stages": [{"stage": "drive", "tolerance": "0.5 % of span"}, {"stage": "converter"}],
            "tolerance": "0.8 % of span",
        }
    )


def table(type_sheet, *, points=(0, 25, 50, 75, 100), cycles=2, ways=("up", "down"), error=lambda *_: 0.0, **more):
    """Readings at both taps; `error` in output units; an end pair at each end if both ways are gone."""
    taps = type_sheet.datasheet().taps
    rows = []
    visits = [
        (cycle, way, point, "reading")
        for cycle in range(1, cycles + 1)
        for way in ways
        for point in (range(len(points)) if way != "down" else reversed(range(len(points) - 1)))
    ]
    if len(ways) > 1:
        visits += [(1, "down", len(points) - 1, "end pair"), (1, "up", 0, "end pair")]
    for number, (cycle, way, point, role) in enumerate(visits, start=1):
        frac = points[point] / 100
        for tap in taps:
            ideal = float(tap.value(frac))
            value = ideal + (error(points[point], way) if tap is taps[-1] else 0.0)
            rows += [
                {name: "" for name, kind in COLUMNS.items() if kind == "str"}
                | {"serial": "S", "number": number, "step": 1, "cycle": cycle, "direction": way, "point": point}
                | {"role": role, "attempt": 1, "reading": reading, "tap": tap.name, "setpoint_pct": points[point]}
                | {"value": value + 1e-4 * reading * (cycle - 1), "unit": tap.unit, "settling": "steady"}
                | more
                for reading in (1, 2)
            ]
    return tidy(rows)


def content(evaluation, **fields):
    trace = Trace(
        number=3,
        setpoint_pct=50.0,
        direction="up",
        cycle=1,
        role="reading",
        state="steady",
        after_s=3.0,
        to_go=0.002,
        samples=tuple((0.1 * step, 12 - 8 * 0.8**step) for step in range(1, 31)),
    )
    given = {
        "evaluation": evaluation,
        "advice": "Leave it as it is.",
        "serial": "GF-104",
        "type": "flow converter",
        "sequence": "acceptance",
        "date": "2026-01-05T08:00:00+00:00",
        "operator": "somebody",
        "state": "as found",
        "status": "complete",
        "reason": "all points taken",
        "is_simulated": False,
        "bench": "workshop",
        "instruments": (
            InstrumentLine(name="meter", what="meter", resource="GPIB0::7::INSTR", identity="X", use="reads output"),
        ),
        "cautions": ("Only one end of the loop is powered.",),
        "remarks": ("point 3: taken again",),
        "traces": (trace,),
        "versions": {"livezero": "0.1"},
        "digest": "ab" * 32,
        "folder": "results/x",
    }
    return Content(**(given | fields))


class Strict(HTMLParser):
    """Fails where tags do not nest; keeps tags, attributes, and the text that a reader sees."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.attributes, self.text = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open and "title" not in self.open:
            self.text.append(data)


def read(page):
    """The page parsed: nothing left open; every drawing is XML with a name for those who do not see it."""
    parser = Strict()
    parser.feed(page)
    parser.close()
    assert parser.open == []
    for drawing in drawings(page):
        assert drawing.get("aria-label") == drawing.findtext(f"{SVG}title")
    return parser


def drawings(page):
    return [ET.fromstring(text) for text in re.findall(r"<svg xmlns=.*?</svg>", page, flags=re.DOTALL)]


def bow(pct, way):
    return (0.02 if way == "down" else -0.05) * 4 * pct / 100 * (1 - pct / 100)


GOOD = evaluate(table(sheet(), error=lambda _, way: 0.004 if way == "down" else 0.0), sheet())
BAD = evaluate(table(sheet(), error=bow), sheet())
REVERSED = sheet(output={"range": "20 .. 4 mA"})
ROOT = sheet(input={"range": "0 .. 250 mbar"}, characteristic={"square root": {"cut off": "5 %"}})
READING = sheet(tolerance="0.5 % of reading")
DEGENERATE = {
    "no evaluation": content(None, status="interrupted", reason="stopped before the first point", traces=()),
    "good": content(GOOD),
    "bad, simulated": content(BAD, is_simulated=True),
    "up only, three points": content(
        evaluate(table(sheet(), points=(0, 50, 100), cycles=1, ways=("up",)), sheet()), traces=()
    ),
    "one point": content(evaluate(table(sheet(), points=(50,), cycles=1, ways=("up",)), sheet())),
    "no order": content(evaluate(table(sheet(), ways=("",)), sheet()), status="by hand", traces=(), instruments=()),
    "error of -25 %": content(evaluate(table(sheet(), error=lambda *_: -4.0), sheet())),
    "error of nothing": content(evaluate(table(sheet(), cycles=1), sheet())),
    "reversed": content(evaluate(table(REVERSED, error=bow), REVERSED)),
    "square root": content(evaluate(table(ROOT, points=(0, 1, 4, 25, 64, 100), error=bow), ROOT)),
    "tolerance of reading": content(evaluate(table(READING, error=bow), READING)),
    "never settled": content(
        evaluate(table(sheet(), settling="never settled"), sheet()),
        traces=(replace(content(None).traces[0], state="never settled", to_go=None),),
    ),
    "no reading": content(evaluate(table(sheet(), value=float("nan"), settling="no reading"), sheet())),
    "chain": content(evaluate(table(chain(), error=lambda pct, _: 0.002 * pct), chain())),
    "many points": content(evaluate(table(sheet(), points=range(101)), sheet())),
}


@pytest.mark.parametrize("shown", DEGENERATE.values(), ids=DEGENERATE.keys())
def test_every_page_nests_and_every_drawing_is_xml(shown):
    page = html(shown)
    words = " ".join(read(page).text)
    assert any(word in words for word in ("PASS", "FAIL", "NOT DETERMINABLE"))
    assert "nan" not in re.sub(r"[a-z]nan|nan[a-z]", "", words.lower())


@pytest.mark.parametrize("shown", DEGENERATE.values(), ids=DEGENERATE.keys())
def test_nothing_on_a_drawing_lies_outside_it(shown):
    for drawing in drawings(html(shown)):
        _, _, width, height = map(float, drawing.get("viewBox").split())
        for element in drawing.iter():
            pairs = [
                (element.get(x), element.get(y)) for x, y in (("x", "y"), ("x1", "y1"), ("x2", "y2"), ("cx", "cy"))
            ]
            pairs += [place.split(",") for place in (element.get("points") or "").split()]
            for x, y in pairs:
                if x is not None and element.tag != f"{SVG}pattern":
                    assert 0 <= float(x) <= width
                    assert 0 <= float(y) <= height


@pytest.mark.parametrize("shown", DEGENERATE.values(), ids=DEGENERATE.keys())
def test_no_text_on_a_drawing_is_cut_or_overlaps_another(shown):
    for drawing in drawings(html(shown)):
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
        assert all(box[0] >= 0 and box[2] <= width and box[1] >= 0 and box[3] <= height for box in boxes)
        for number, one in enumerate(boxes):
            for other in boxes[number + 1 :]:
                apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
                assert apart, (one, other)


def test_nothing_is_fetched_from_elsewhere():
    page = html(DEGENERATE["bad, simulated"])
    parser = read(page)
    assert not {"script", "link", "img", "iframe", "object"} & set(parser.tags)
    assert not [value for name, value in parser.attributes if name in {"src", "href", "xlink:href", "action"}]
    assert set(re.findall(r"https?://[^\"' ]+", page)) == {"http://www.w3.org/2000/svg"}
    assert set(re.findall(r"url\([^)]*\)", page)) <= {"url(#hatch)"}
    assert "@import" not in page


@pytest.mark.parametrize(
    "field", ["serial", "type", "sequence", "operator", "advice", "reason", "bench", "date", "folder"]
)
def test_text_from_outside_cannot_become_markup(field):
    page = html(content(GOOD, status="interrupted", **{field: HOSTILE}))
    assert "script" not in read(page).tags
    assert "&lt;script&gt;" in page


def test_identities_remarks_cautions_and_units_cannot_become_markup():
    line = InstrumentLine(name=HOSTILE, what=HOSTILE, resource=HOSTILE, identity=HOSTILE, use=HOSTILE)
    evil = replace(GOOD, output_unit=HOSTILE, input_unit=HOSTILE, tolerance=HOSTILE, suspect_tap=HOSTILE)
    page = html(
        content(evil, instruments=(line,), remarks=(HOSTILE,), cautions=(HOSTILE,), versions={HOSTILE: HOSTILE})
    )
    assert "script" not in read(page).tags
    assert "script" not in _tags(evaluation_html(evil))


def _tags(fragment):
    parser = Strict()
    parser.feed(fragment)
    return parser.tags


def test_the_page_begins_with_verdict_worst_and_what_to_do():
    words = " ".join(" ".join(read(html(DEGENERATE["bad, simulated"])).text).split())
    order = ["Simulated bench", "FAIL", "Worst −0.0500 mA", "What to do", "Serial", "Readings", "Figures", "Cautions"]
    assert [words.index(each) for each in order] == sorted(words.index(each) for each in order)


def test_figures_stand_there_as_evaluated():
    page = html(content(BAD))
    for name in ("measured error", "hysteresis", "zero error"):
        assert f"{abs(BAD.figure(name).value):.3f}" in page
    assert f"{BAD.figure('gain by least squares').value:.4f}" in page
    missing = html(DEGENERATE["up only, three points"])
    assert "not determinable: no downscale readings" in missing


def test_an_unsafe_output_is_said_before_everything_else():
    words = "".join(read(html(content(GOOD, status="not safe", reason="source does not answer"))).text)
    assert words.index("OUTPUT NOT SAFE: source does not answer") < words.index("PASS")


def test_a_verdict_on_a_simulated_bench_says_so_and_a_real_one_does_not():
    assert "no real unit was tested" in html(content(GOOD, is_simulated=True))
    assert "imulated" not in html(content(GOOD))


def test_a_run_that_did_not_complete_says_how_it_ended():
    words = "".join(read(html(content(GOOD, status="bench fault", reason="the meter is gone"))).text)
    assert "The run did not complete (bench fault): the meter is gone" in words


def test_a_stage_that_fails_leads_where_the_whole_is_within():
    failing = evaluate(table(chain(), error=lambda *_: 0.0), chain())
    stage = replace(failing.stages[0], worst_pct=0.9, result="fail")
    page = html(content(replace(failing, stages=(stage, failing.stages[1]))))
    assert "Stage &#34;drive&#34; +0.900 % of span, 180 % of its own tolerance." in page


def test_the_worst_reading_is_ringed_where_it_was_read():
    ring = [each for each in drawings(html(content(BAD)))[0].iter(f"{SVG}circle") if each.get("r") == "10"]
    assert len(ring) == 1
    x = 90 + (720 - 94 - 90) / 2
    assert float(ring[0].get("cx")) == pytest.approx(x, abs=0.01)  # at 50 %, the middle of the frame


def test_a_page_is_the_same_each_time():
    assert html(content(BAD)) == html(content(BAD))


def test_the_trace_that_never_settled_tells_more_than_the_slowest():
    steady = content(None).traces[0]
    never = replace(steady, number=4, state="never settled", after_s=1.0)
    slow = replace(steady, number=5, after_s=9.0)
    assert telling_trace((steady, never, slow)) == never
    assert telling_trace((steady, slow)) == slow
    assert telling_trace((replace(slow, role="exercise"), replace(slow, samples=()))) is None


@pytest.mark.parametrize(
    ("used_pct", "text"),
    [(99.7, "100"), (100.0, "100"), (100.2, "100.2"), (-158.4, "158"), (100.00001, ">100"), (float("nan"), "–")],
)
def test_a_share_is_never_rounded_across_the_limit(used_pct, text):
    assert percent_used(used_pct) == text


@pytest.mark.parametrize(("low", "high"), [(-0.3, 0.3), (0, 100), (-25, 1), (3.99999, 4.00001), (0, 1e-9)])
def test_ticks_lie_inside_and_are_told_apart_by_their_decimals(low, high):
    places, decimals = nice_ticks(low, high)
    assert 3 <= len(places) <= 11
    assert all(low - 1e-9 * (high - low) <= each <= high + 1e-9 * (high - low) for each in places)
    assert len({f"{each:.{decimals}f}" for each in places}) == len(places)
