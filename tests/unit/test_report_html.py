"""The HTML report: well-formed, self-contained, escaped, and sound for runs that went wrong."""

import importlib.util
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.result import Content, InstrumentLine, Trace
from sequencer.evaluation.adjustment import adjustment
from sequencer.evaluation.budget import Basis, Limits, Statement
from sequencer.evaluation.evaluate import evaluate
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import COLUMNS, tidy
from sequencer.reports.as_text import percent_used, probability, ratio, significant
from sequencer.reports.drawing.svg import HATCHED
from sequencer.reports.html import html
from sequencer.reports.notebook import evaluation_html
from sequencer.reports.settling import telling_trace
from sequencer.reports.uncertainty import budget_table, guard_bands
from sequencer.reports.words import SYMBOLS

spec = importlib.util.spec_from_file_location("drawn", Path(__file__).parent / "test_drawing.py")
drawn = importlib.util.module_from_spec(spec)
spec.loader.exec_module(drawn)

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
    for drawing in drawn.drawings(page):
        assert drawing.get("aria-label") == drawing.findtext(f"{SVG}title")
    return parser


def bow(pct, way):
    return (0.02 if way == "down" else -0.05) * 4 * pct / 100 * (1 - pct / 100)


def basis(output_mA=0.004, **fields):
    """Statements of both ends of `sheet`; the half width of the meter's accuracy sets U, about 1.155 times it."""
    given = {"date": "2026-01-05", "statements": (stated("input", 0.01), stated("output", output_mA))}
    return Basis(**(given | fields))


def stated(tap, floor, **fields):
    accuracy = None if floor is None else Limits(of_reading=0.0, floor=floor)
    return Statement(tap=tap, instrument=f"{tap} meter", accuracy=accuracy, resolution=1e-4, **fields)


def known(output_mA=0.004, *, error=lambda *_: 0.0, type_sheet=None, cycles=2, **fields):
    judged = type_sheet or sheet()
    return evaluate(table(judged, error=error, cycles=cycles), judged, basis=basis(output_mA, **fields))


GOOD = evaluate(table(sheet(), error=lambda _, way: 0.004 if way == "down" else 0.0), sheet())
BAD = evaluate(table(sheet(), error=bow), sheet())
REVERSED = sheet(output={"range": "20 .. 4 mA"})
ROOT = sheet(input={"range": "0 .. 250 mbar"}, characteristic={"square root": {"cut off": "5 %"}})
READING = sheet(tolerance="0.5 % of reading")
# The tolerance is 0.032 mA throughout.
SURE = known(error=bow)
NEAR = known(0.012, error=lambda *_: 0.025)
OVER = known(0.012, error=lambda *_: 0.036)
TILTED = known(error=lambda pct, _: 0.08 - 0.0015 * pct)
OVERDUE = known(statements=(stated("input", 0.01), stated("output", 0.004, certificate_due="2025-12-31")))
TOO_WIDE = known(0.05)
UNKNOWN = known(None)
VERDICTS = {
    "pass": known(),
    "conditional pass": NEAR,
    "conditional fail": OVER,
    "fail": TILTED,
    "not determinable": TOO_WIDE,
}
AS_LEFT = known(error=lambda _, way: 0.002 if way == "down" else -0.001)


def chain_content():
    """The drive gives 2 % of span too much, the converter has the range of 80 %: (f + 0.02) / 0.8, held at 20.8 mA."""
    readings = table(chain(), points=range(0, 101, 10), cycles=1)
    frac = readings["setpoint_pct"] / 100 + 0.02
    readings.loc[readings["tap"] == "speed", "value"] = 1200 * frac
    readings.loc[readings["tap"] == "returned", "value"] = 4 + 16 * (frac / 0.8).clip(upper=1.05)
    found = examine(readings, chain())
    return content(found.evaluation, findings=found.findings, advice=found.advice)


SEVERAL = chain_content()
ALONE = content(BAD, findings=examine(table(sheet(), points=range(0, 101, 10), error=bow), sheet()).findings)
DEGENERATE = {
    "several places": SEVERAL,
    "a cause in one stage": ALONE,
    "with U": content(SURE),
    "conditional pass": content(NEAR),
    "conditional fail": content(OVER),
    "overdue": content(OVERDUE),
    "U wider than the tolerance": content(TOO_WIDE),
    "accuracy not stated": content(UNKNOWN),
    "adjustment": content(TILTED, adjustment=adjustment(TILTED)),
    "as left": content(AS_LEFT, state="as left", before=TILTED, before_folder="results/y"),
    "as left, found far away": content(AS_LEFT, before=known(error=lambda *_: 4.0), before_folder="results/y"),
    "as left, other points": content(
        AS_LEFT, before=evaluate(table(sheet(), points=(0, 40, 100), cycles=1, ways=("",)), sheet())
    ),
    "guarded, tolerance of reading": content(known(error=bow, type_sheet=sheet(tolerance="0.5 % of reading"))),
    "guarded, square root": content(
        evaluate(
            table(sheet(characteristic={"square root": {"cut off": "5 %"}}), points=(0, 1, 4, 25, 64, 100)),
            sheet(characteristic={"square root": {"cut off": "5 %"}}),
            basis=basis(),
        )
    ),
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
def test_nothing_on_a_drawing_is_outside_it_cut_or_over_another_text(shown):
    for drawing in drawn.drawings(html(shown)):
        assert drawn.outside(drawing) == []
        assert drawn.overlaps(drawing) == []


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
    evil = replace(GOOD, output_unit=HOSTILE, input_unit=HOSTILE, tolerance=HOSTILE, suspect_taps=(HOSTILE,))
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


@pytest.mark.parametrize("result", VERDICTS)
def test_each_verdict_has_its_own_word_sign_and_border(result):
    found = VERDICTS[result]
    assert found.verdict.result == result
    page = html(content(found))
    said = " ".join(read(page).text)
    assert f" {result.upper()} " in said
    assert f"<title>{result.upper()}: " in page
    others = [html(content(other)) for name, other in VERDICTS.items() if name != result]
    for part in (r'<svg class="sign".*?</svg>', r'<div class="(verdict [a-z-]+)">'):
        assert re.search(part, page, re.DOTALL).group() not in {
            re.search(part, other, re.DOTALL).group() for other in others
        }
    kind = re.search(r'<div class="verdict ([a-z-]+)">', page).group(1)
    assert kind == "pass" or re.search(rf"\.verdict\.{kind} {{ border", page)
    assert f"{SYMBOLS[result]} {result.upper()}" in evaluation_html(found)


def test_symbols_of_verdicts_differ():
    assert len(set(SYMBOLS.values())) == len(SYMBOLS) == 5


def test_the_box_weighs_the_worst_error_against_U_tolerance_and_rule():
    said = shown_text(content(NEAR))
    U = significant(NEAR.budget.U[NEAR.worst_index])
    assert f"U = {U} mA (k = 1.65, 95.45 %), tolerance ±0.0320 mA, rule ILAC-G8:09/2019 non-binary." in said
    assert f"TUR, smallest {ratio(NEAR.tur)} (tolerance over U)" in said
    assert "Uncertainty not known, tolerance ±0.0320 mA." in shown_text(content(GOOD))


def test_a_verdict_not_determinable_leads_with_its_reason():
    said = shown_text(content(TOO_WIDE))
    assert "NOT DETERMINABLE GF-104, as found U = 0.04773 mA exceeds the tolerance" in said


def test_reservations_stand_in_the_verdict_box():
    said = shown_text(content(OVERDUE))
    assert OVERDUE.verdict.result == "conditional pass"
    assert said.index("calibration certificate expired: output meter (due 2025-12-31)") < said.index("What to do")
    assert "Reservations" in evaluation_html(OVERDUE)


def shown_text(shown):
    return " ".join(" ".join(read(html(shown)).text).split())


def cells(page, section, number=0):
    """Rows of a table of a section, as texts."""
    part = page.split(f"<h2>{section}</h2>")[1].split("<h2>")[0]
    rows = re.findall(r"<tr.*?</tr>", re.findall(r"<tbody>.*?</tbody>", part, re.DOTALL)[number], re.DOTALL)
    return [
        [re.sub(r"<.*?>", "", cell).strip() for cell in re.findall(r"<td.*?>(.*?)</td>", row, re.DOTALL)]
        for row in rows
    ]


@pytest.mark.parametrize("found", [SURE, NEAR, TILTED], ids=["sure", "near", "tilted"])
def test_the_budget_shown_is_that_of_the_evaluation_and_adds_up_as_printed(found):
    at, budget = found.worst_index, found.budget
    *lines, combined, factor, expanded = cells(html(content(found)), "Uncertainty")
    shares = budget.ranked(*at)
    assert [line[0] for line in lines] == [share.name for share in shares]
    for line, share in zip(lines, shares, strict=True):
        name, u, _, _, sensitivity, effect, _, percent = line
        step = 10.0 ** -len(effect.split(".")[1])
        assert float(effect) == pytest.approx(share.u, abs=0.51 * step), name
        assert float(percent) == pytest.approx(100 * share.share_frac, abs=0.051)
        by_hand = abs(float(sensitivity.split()[0].replace("−", "-"))) * float(u.replace("−", "-"))
        assert by_hand == pytest.approx(share.u, rel=2e-3, abs=step)
    together = sum(float(line[5]) ** 2 for line in lines) ** 0.5
    assert float(combined[1]) == pytest.approx(together, rel=2e-3)
    assert float(combined[1]) == pytest.approx(budget.u[at], rel=1e-3)
    assert float(factor[1]) == pytest.approx(budget.k[at], abs=5e-4)
    assert float(expanded[1]) == pytest.approx(budget.U[at], rel=1e-3)
    assert float(combined[1]) * float(factor[1]) == pytest.approx(float(expanded[1]), rel=2e-3)


def test_effective_degrees_of_freedom_follow_from_the_rows_by_welch_satterthwaite():
    found = known(0.0001, error=lambda *_: 0.01)  # worst in the second cycle, whose readings scatter
    *lines, combined, _, _ = cells(html(content(found)), "Uncertainty")
    limit = sum(float(line[5]) ** 4 / float(line[6]) for line in lines if line[6] != "infinite")
    assert float(combined[2]) == pytest.approx(float(combined[1]) ** 4 / limit, rel=0.01)


def test_units_of_contributions_are_those_of_their_tap():
    units = {line[0]: (line[2], line[4]) for line in cells(html(content(SURE)), "Uncertainty")[:-3]}
    assert units["output: output meter accuracy"] == ("mA", "1.000")
    assert units["input: input meter accuracy"] == ("Hz", "−0.01600 mA/Hz")


def test_a_sensor_at_the_input_has_its_statements_in_its_signal():
    probe = sheet(input={"range": "0 .. 100 degC", "sensor": {"rtd": "Pt100"}})
    rows = budget_table(known(type_sheet=probe)).rows
    assert {row.name: row.unit for row in rows}["input: input meter accuracy"] == "ohm"
    assert {row.name: row.unit for row in rows}["input: scatter of the readings"] == "°C"


def test_setpoints_show_the_largest_U_and_the_smallest_tur_and_probability():
    rows = cells(html(content(NEAR)), "Uncertainty", 1)
    assert len(rows) == 5
    for row, (place, part) in zip(rows, NEAR.visits.groupby("setpoint_pct"), strict=True):
        assert row[0] == f"{place:g} %"
        assert float(row[1]) == pytest.approx(part["U"].max(), abs=5e-5)
        assert row[5] == ratio(part["tur"].min())
        assert row[6].replace("&gt;", ">").replace("&lt;", "<") == probability(part["p_conform"].min())
        assert row[7] == "(✓) conditional pass"


def test_guard_bands_are_what_the_rule_asks_for():
    assert guard_bands(NEAR).to_numpy() == pytest.approx(NEAR.visits["U"].to_numpy())  # non-binary: w = U
    simple = known(0.012, rule="ILAC-G8:09/2019 simple acceptance")
    assert not guard_bands(simple).any()
    assert guard_bands(GOOD).isna().all()
    labels = [
        [text.text for text in drawn.drawings(html(content(each)))[0].iter(f"{SVG}text")] for each in (NEAR, simple)
    ]
    assert "guard band" in labels[0]
    assert "guard band" not in labels[1]


def test_bars_of_U_reach_as_far_as_U():
    drawing = drawn.drawings(html(content(NEAR)))[0]
    places = {text.text: float(text.get("y")) for text in drawing.iter(f"{SVG}text")}
    per_pct = (places["0.0"] - places["0.1"]) / 0.1
    tall = [
        abs(float(line.get("y2")) - float(line.get("y1")))
        for line in drawing.iter(f"{SVG}line")
        if line.get("x1") == line.get("x2") and line.get("stroke") == "#0b4f8a" and float(line.get("x1")) > 90
    ]
    expected = 2 * per_pct * 100 * NEAR.visits.query("direction == 'up'").groupby("point")["U"].max() / 16
    assert sorted(tall)[-5:] == pytest.approx(sorted(expected), abs=0.1)


def test_where_nothing_is_stated_one_sentence_says_so_and_what_to_add():
    said = shown_text(content(GOOD))
    assert "Nothing is stated of the instruments" in said
    assert "State accuracy and resolution" in said
    assert "TUR, smallest not known" in said
    assert "U expanded" not in said


def test_an_accuracy_that_is_not_stated_is_named_in_the_budget():
    said = shown_text(content(UNKNOWN))
    assert "Not determinable: output: output meter accuracy: uncertainty not known" in said


def test_readings_carry_U_and_the_verdict_of_each_point():
    rows = cells(html(content(TILTED)), "Readings")
    verdicts = [row[-3] for row in rows]
    assert set(verdicts) == {"✓", "✗", "(✗)"}
    for row, verdict in zip(rows, verdicts, strict=True):
        assert (float(row[-4]) > 100) == (verdict in {"✗", "(✗)"})


def test_figures_carry_their_expanded_uncertainty():
    rows = {row[0].split("IEC")[0].split("least")[0]: row for row in cells(html(content(SURE)), "Figures")}
    assert rows["zero error"][3] == significant(SURE.figure("zero error").U)
    assert "95.45 % coverage" in shown_text(content(SURE))


def test_what_the_tests_of_the_fit_say_stands_under_the_residuals():
    said = shown_text(content(SURE))
    assert all(sentence in said for sentence in SURE.tests)


def test_adjustment_steps_are_shown_in_order_with_the_note_and_escaped():
    trims = adjustment(TILTED)
    page = html(content(TILTED, adjustment=replace(trims, steps=(*trims.steps, HOSTILE))))
    assert "script" not in read(page).tags
    part = page.split("<h2>Adjustment</h2>")[1].split("<h2>")[0]
    assert re.findall(r"<li>(.*?)</li>", part)[:-1] == list(trims.steps)
    assert "&lt;script&gt;" in part
    assert "opinions and interpretations" in part
    assert "can bring it within" in part
    rows = cells(page, "Adjustment")
    assert rows == [["zero", "−0.0801", "−0.500", "0 %", "4.0000"], ["span", "+0.1500", "+0.938", "100 %", "20.0000"]]
    assert "Adjustment" not in html(content(TILTED))


def test_as_found_stands_beside_as_left():
    page = html(content(AS_LEFT, before=TILTED, before_folder=HOSTILE))
    assert "script" not in read(page).tags
    rows = cells(page, "As found / as left")
    assert [row[0] for row in rows] == ["0 %", "25 %", "50 %", "75 %", "100 %"]
    assert (rows[0][1], rows[0][3], rows[0][6]) == ("+0.0801", "✗", "✓")
    zero = {row[0]: row for row in cells(page, "As found / as left", 1)}["zero error"]
    assert zero[1:] == [f"{each.figure('zero error').value:+.3f}" for each in (TILTED, AS_LEFT)]
    assert "As found: ✗ fail" in " ".join(" ".join(read(page).text).replace("  ", " ").split())
    assert "as found" in [text.text for text in drawn.drawings(page)[0].iter(f"{SVG}text")]


def test_as_found_far_away_does_not_squeeze_as_left():
    labels = [text.text for text in drawn.drawings(html(DEGENERATE["as left, found far away"]))[0].iter(f"{SVG}text")]
    assert "as found (9 points beyond the scale)" in labels
    assert "25" not in labels


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.00392, "0.0039"), (0.0996, "0.10"), (12.34, "12"), (0, "0"), (3e-8, "3.0e−08"), (-0.5, "−0.50")],
)
def test_significant_digits(value, text):
    assert significant(value) == text


@pytest.mark.parametrize(
    ("share", "text"), [(1.0, "> 99.99 %"), (0.0, "< 0.01 %"), (0.9999, "99.99 %"), (0.5, "50.0 %"), (0.0123, "1.23 %")]
)
def test_a_probability_is_never_certain(share, text):
    assert probability(share) == text


@pytest.mark.parametrize(("tur", "text"), [(3.99, "3.9"), (4.0, "4.0"), (float("inf"), "infinite"), (None, "–")])
def test_a_tur_is_never_rounded_up(tur, text):
    assert ratio(tur) == text


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
    ring = [each for each in drawn.drawings(html(content(BAD)))[0].iter(f"{SVG}circle") if each.get("r") == "10"]
    assert len(ring) == 2  # the first is the sample in the legend
    x = 90 + (720 - 94 - 90) / 2
    assert float(ring[1].get("cx")) == pytest.approx(x, abs=0.01)  # at 50 %, the middle of the frame


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


def test_bars_of_stages_begin_where_the_one_before_ended_and_add_up_to_the_total():
    # On paper, at 80 %: (0.8 + 0.02) / 0.8 = 1.025, so 22.5 % of span are too much; 2.0 of the drive, 20.5 behind it.
    (drawing,) = [each for each in drawn.drawings(html(SEVERAL)) if "stage by stage" in each.get("aria-label")]
    texts = [text.text for text in drawing.iter(f"{SVG}text")]
    at = {text.text: float(text.get("x")) for text in drawing.iter(f"{SVG}text")}
    per_pct = (at["20"] - at["0"]) / 20
    bars = [each for each in drawing.iter(f"{SVG}rect") if each.get("height") == "18"]
    ends = [[(float(bar.get("x")) + wide - at["0"]) / per_pct for wide in (0, float(bar.get("width")))] for bar in bars]
    assert ends == [pytest.approx(each, abs=0.02) for each in ([0, 2.0], [2.0, 22.5], [0, 22.5])]
    assert [bar.get("fill") for bar in bars] == [HATCHED, HATCHED, drawn.UP]
    for said in ("+2.00 (9 %)", "+20.50 (91 %)", "+22.50", "zero shift", "a fault is named", "tolerance, end to end"):
        assert any(said in text for text in texts), said
    limits = [each for each in drawing.iter(f"{SVG}line") if each.get("x1") == each.get("x2")]
    green = [(float(each.get("x1")) - at["0"]) / per_pct for each in limits if each.get("stroke") == drawn.LIMIT]
    assert green == pytest.approx([-0.8, 0.8], abs=0.02)


def test_each_stage_with_a_fault_has_its_own_plot_and_work_has_an_order():
    page = html(SEVERAL)
    named = [each.get("aria-label") for each in drawn.drawings(page) if "recognised cause" in each.get("aria-label")]
    assert [label.split()[2] for label in named] == ["converter", "drive"]
    work = re.search(r"Order of work</b>\s*<ol>(.*?)</ol>", page, re.DOTALL).group(1)
    first, second = re.findall(r"<li>(.*?)</li>", work)
    assert first.startswith("converter: upper range wrong")
    assert first.endswith("Then read returned again.")
    assert second.startswith("drive: zero shift")
    assert second.endswith("Then read speed and returned again.")


def test_causes_stand_behind_the_verdict_as_opinions_that_a_check_would_change():
    said = shown_text(SEVERAL)
    opinion = "Opinion (ISO/IEC 17025:2017, 7.8.7), would be told otherwise by its check:"
    assert said.index("FAIL") < said.index("Worst") < said.index(opinion) < said.index("Check next")
    assert opinion not in shown_text(content(GOOD))


def test_a_unit_of_one_stage_has_no_bars_of_stages():
    page = html(ALONE)
    assert "stage by stage" not in page
    assert "Order of work" not in page
    assert sum("recognised cause" in each.get("aria-label") for each in drawn.drawings(page)) == 1
