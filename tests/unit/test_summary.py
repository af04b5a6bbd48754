"""The ranking in words, from hypotheses written down by hand: where, what and how surely, what to check.

And what each stage of a chain brings in of the error end to end, worked out on paper from tables typed by hand.
"""

import pytest
from segments import UP_DOWN, segment_with

from sequencer.diagnosis.diagnose import Finding, Findings
from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.model.chain import Weighing
from sequencer.diagnosis.model.healthy_model import healthy
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.order_of_work import Turn, turn_of
from sequencer.diagnosis.summary import account
from sequencer.readings.csv_import import from_csv
from sequencer.reports.json_document import document

SEGMENT = segment_with(UP_DOWN + 0.01, tolerance=0.002)


def hypothesis(name, **given):
    plain = {"place": "unit", "segment": 0, "log_odds": 9.0, "weight": 1.0, "text": "by much", "check": "Look."}
    return Hypothesis(name=name, **(plain | given))


def told(*findings, segment=SEGMENT):
    ranked = tuple(
        Finding(weight=sure, causes=tuple(causes), shares=(sure,) * len(causes)) for sure, *causes in findings
    )
    weighing = Weighing(segments=(segment,), likelihoods=(healthy(segment),), chain_n=1, ways=())
    return account(Findings(ranked=ranked, leading=ranked[:1], weighing=weighing), segment.sheet)


BOW, LAG = hypothesis("bow"), hypothesis("lag", text="slow")
METER = hypothesis("meter gain", place="output", is_of_bench=True)


@pytest.mark.parametrize(
    ("findings", "stage", "cause"),
    [
        ([(0.995, BOW)], "unit", "bow, by much (over 99 %)"),
        ([(0.95, BOW), (0.05, LAG)], "unit", "bow, by much (95 %)"),
        ([(0.7, BOW), (0.3, LAG)], "unit", "likely: bow, by much (70 %); or lag, slow (30 %)"),
        ([(0.4, BOW), (0.3, LAG)], "unit", "perhaps: bow, by much (40 %); or lag, slow (30 %)"),
        (
            [(0.95, BOW, LAG, METER)],
            "unit",
            "bow, by much (95 %); not distinguishable with these readings from lag or meter gain",
        ),
        ([(0.95, METER)], "output (bench, not the unit)", "meter gain, by much (95 %)"),
        (
            [(0.95, METER, BOW)],
            "output",
            "meter gain, by much (95 %); not distinguishable with these readings from bow",
        ),
        (
            [(0.95, hypothesis("swapped rows"))],
            "unit (what was written down, not the unit)",
            "swapped rows, by much (95 %)",
        ),
        ([(0.95, hypothesis("unknown"))], "unit", "no cause of the catalogue fits these readings (95 %)"),
    ],
)
def test_where_and_what_and_how_surely(findings, stage, cause):
    found = told(*findings)
    assert (found.is_fault, found.stage, found.cause) == (True, stage, cause)
    assert found.check.startswith("Look.")


# The check of bow and lag is the same, so the same is mended; a meter is another place, and a trim another action.
@pytest.mark.parametrize(
    ("findings", "is_said"),
    [
        ([(0.95, BOW)], False),  # nobody asks for more
        ([(0.7, BOW), (0.3, LAG)], True),
        ([(0.995, BOW), (0.004, METER)], False),
        ([(0.95, BOW, LAG)], True),
        ([(0.95, BOW, METER)], False),
        ([(0.7, BOW), (0.3, hypothesis("lag", check="Wait."))], False),
    ],
)
def test_where_the_same_is_to_be_done_whatever_is_true_no_reading_is_asked_for(findings, is_said):
    found = told(*findings)
    assert found.check == "Look." + " No further reading changes what is to be done." * is_said
    assert found.extra == ()


def test_a_good_unit_has_no_fault_and_two_points_tell_no_cause():
    good = told((0.9, hypothesis("no fault", segment=-1)), (0.1, BOW))
    assert (good.is_fault, good.names) == (False, ())
    few = told((0.95, BOW), segment=segment_with([0.01, 1.01], [0.0, 1.0]))
    assert few.cause == "2 points cannot distinguish the causes"
    assert few.names == ()


def test_what_a_cause_leaves_is_the_root_mean_square_of_the_rest():
    # 1 % everywhere; a cause that takes off 0.9 % leaves 0.1 %, and one that foretells nothing no number.
    shift = hypothesis("zero shift", predicted=UP_DOWN + 0.009, scale=4.0)
    first, second = told((0.6, shift), (0.3, hypothesis("noise"))).ranking
    assert first.residual_before_pct == pytest.approx(1.0)
    assert first.residual_after_pct == pytest.approx(0.1)
    assert first.against == ("it leaves 4.0 times the scatter that was expected",)
    assert (second.residual_after_pct, second.against) == (None, ())


@pytest.mark.parametrize(
    ("left", "words"),
    [
        # 1 % at every point, all but one of them explained; a good unit is off by up to 0.6 x 0.2 % = 0.12 %.
        (0.0034, "0.34 of 1 % of span remains"),
        (-0.0125, "1.3 of 1 % of span remains"),  # what points the other way remains too
        (0.0013, "0.13 of 1 % of span remains"),
        (0.0011, ""),
    ],
)
def test_what_remains_is_said_where_it_is_more_than_a_good_unit_has(left, words):
    predicted = UP_DOWN + 0.01
    predicted[3] -= left
    found = told((0.95, hypothesis("zero shift", predicted=predicted)))
    assert found.cause == "zero shift, by much (95 %)" + f"; {words}" * bool(words)
    assert found.ranking[0].against == ((words,) if words else ())


# Invented. The transmitter gives 0.81 of the pressure, the extractor takes the root and loses 5 % of span everywhere:
# at p the flow is sqrt(0.81 p) - 5 % = 0.9 sqrt(p) - 5 %, so 10 sqrt(p) + 5 % of span are missing, most at 100 %.
FLOW = """\
type: glycol flow by orifice (invented)
taps:
  - {tap: differential pressure, range: 0 .. 100 mbar}
  - {tap: signal, range: 4 .. 20 mA}
  - {tap: flow, range: 4 .. 20 mA}
stages:
  - {stage: transmitter, tolerance: 0.2 % of span}
  - {stage: extractor, characteristic: square root, tolerance: 0.2 % of span}
tolerance: 0.5 % of span
"""
FLOW_HEADER = "differential pressure [mbar];signal [mA];flow [mA]"
FLOW_UP = [
    (0, 4.0, 3.2), (4, 4.5184, 6.08), (16, 6.0736, 8.96), (25, 7.24, 10.4), (36, 8.6656, 11.84),
    (49, 10.3504, 13.28), (64, 12.2944, 14.72), (81, 14.4976, 16.16), (100, 16.96, 17.6),
]  # fmt: skip

# Invented. What reads the speed shows 3 % too much, and the converter gives 2 % of span too much everywhere.
PUMP = """\
type: hot liquor pump loop (invented)
taps:
  - {tap: demand, range: 4 .. 20 mA}
  - {tap: speed, range: 0 .. 1500 rpm}
  - {tap: pulse, range: 0 .. 3000 Hz}
  - {tap: returned, range: 4 .. 20 mA}
stages:
  - {stage: drive, tolerance: 0.5 % of span}
  - {stage: pickup, pulses per revolution: 120, tolerance: 0.2 % of span}
  - {stage: converter, tolerance: 0.3 % of span}
tolerance: 1 % of span
"""
PUMP_HEADER = "demand [mA];speed [rpm];pulse [Hz];returned [mA]"
PUMP_UP = [(4 + 1.6 * n, 154.5 * n, 300 * n, round(4.32 + 1.6 * n + (0.001 if n == 5 else 0), 3)) for n in range(11)]


@pytest.fixture
def found(type_sheet, by_hand):
    def examined(text, header, up):
        sheet = type_sheet(text)
        return examine(from_csv(by_hand(header, [*up, *up[-2::-1]]), sheet.datasheet()), sheet)

    return examined


def test_what_stages_bring_in_adds_up_to_the_whole_error_where_one_of_them_takes_a_root(found):
    told_of = found(FLOW, FLOW_HEADER, FLOW_UP).findings
    # Of 100 % the transmitter leaves 81 %, whose root is 90 %: 10 % of output span, though 19 % of its own.
    assert {each.name: each.error_pct for each in told_of.shares} == pytest.approx(
        {"transmitter": -10.0, "extractor": -5.0}
    )
    assert {each.name: each.share_pct for each in told_of.shares} == pytest.approx(
        {"transmitter": 200 / 3, "extractor": 100 / 3}
    )
    # 17.6 mA where 20 mA are ideal: 2.4 of 16 mA.
    assert sum(each.error_pct for each in told_of.shares) == pytest.approx(told_of.largest.error_pct, rel=1e-12)
    assert told_of.largest.error_pct == pytest.approx(-15.0)
    assert (told_of.largest.setpoint_pct, told_of.largest.direction) == (pytest.approx(100.0), "up")
    assert [each.causes for each in told_of.shares] == [
        ("upper range wrong (over 99 %)",),
        ("zero shift or meter offset (over 99 %)",),
    ]


def test_each_stage_with_a_fault_has_its_readings_and_what_is_foretold(found):
    curves = found(FLOW, FLOW_HEADER, FLOW_UP).findings.curves
    assert [each.name for each in curves] == ["transmitter", "extractor"]
    # Errors of each stage against its own ideal: -0.19 p of the one, -5 % of the other.
    for curve, errors in zip(curves, ([-0.19 * p for p, *_ in FLOW_UP], [-5.0] * 9), strict=True):
        assert [way for way, _ in curve.read] == [way for way, _ in curve.foretold] == ["up", "down"]
        assert [y for _, y in curve.read[0][1]] == pytest.approx(errors, abs=1e-9)
        assert [y for _, y in curve.foretold[0][1]] == pytest.approx(errors, abs=0.02)
        assert [y for _, y in curve.tolerance] == pytest.approx([0.2] * 9)


def test_a_tap_that_is_misread_on_the_way_brings_in_what_the_next_stage_takes_away(found):
    told_of = found(PUMP, PUMP_HEADER, PUMP_UP).findings
    # Largest where the returned current is one last digit higher: 0.321 of 16 mA. Half of 3 % is misread of the speed.
    assert [each.error_pct for each in told_of.shares] == pytest.approx([1.5, -1.5, 2.00625])
    assert told_of.largest.error_pct == pytest.approx(2.00625)
    assert [each.causes[0].partition(" (")[0] for each in told_of.shares[:2]] == ["meter gain"] * 2
    assert told_of.shares[0].causes[0].endswith('at "speed"')


def test_what_is_misread_comes_first_in_the_order_of_work_though_it_adds_nothing(found):
    content = found(PUMP, PUMP_HEADER, PUMP_UP)
    told_of = content.findings
    assert (told_of.stage, told_of.cause) == (told_of.stages[0].stage, told_of.stages[0].cause)
    assert [each.place for each in told_of.stages] == ["converter", "speed"]
    assert [(each.place, each.order, each.again) for each in told_of.work] == [
        ("speed", 1, ("speed",)),
        ("converter", 2, ("returned",)),
    ]
    assert content.advice.index('at "speed"') < content.advice.index('in stage "converter"')


def test_json_has_the_share_of_each_place_and_its_turn(found):
    document_of = document(found(PUMP, PUMP_HEADER, PUMP_UP))["findings"]
    shares = document_of["shares"]
    converter, speed = document_of["stages"]
    assert (converter["names"][0], converter["order"], converter["again"]) == ("zero shift", 2, ["returned"])
    assert (converter["error_pct"], converter["share_pct"]) == (pytest.approx(2.00625), pytest.approx(100.0))
    assert (speed["error_pct"], speed["share_pct"], speed["order"]) == (None, None, 1)
    assert 0.9 < converter["weight"] <= 1
    assert "+0.32" in converter["text"]
    assert (document_of["stage"], document_of["cause"]) == (converter["stage"], converter["cause"])
    assert shares[1]["causes"] == shares[0]["causes"]
    assert document_of["largest"]["error_pct"] == pytest.approx(sum(each["error_pct"] for each in shares))


def test_an_output_that_is_held_adds_up_to_what_came_out(found):
    # The drive turns 1.3 times too fast, the output is held at 105 %: at 80 % 24 % of span too much come out, at 100 %
    # only 5 %, and nowhere the 30 % that the drive alone would make there.
    up = [(4 + 1.6 * n, 195 * n, 390 * n, round(4 + 16 * min(0.13 * n, 1.05), 3)) for n in range(11)]
    told_of = found(PUMP, PUMP_HEADER, up).findings
    assert (told_of.largest.setpoint_pct, told_of.largest.error_pct) == (pytest.approx(80.0), pytest.approx(24.0))
    assert [each.error_pct for each in told_of.shares] == pytest.approx([24.0, 0.0, 0.0], abs=1e-9)


def test_with_a_reversed_output_errors_have_the_sign_of_what_is_read(found):
    # 0.32 mA too little at every input, of a span of 16 mA, as in the table of readings.
    up = [(*taps, round(24 - returned - 0.001 * (taps[1] == 772.5), 3)) for *taps, returned in PUMP_UP]
    reversed_pump = PUMP.replace("{tap: returned, range: 4 .. 20 mA}", "{tap: returned, range: 20 .. 4 mA}")
    content = found(reversed_pump, PUMP_HEADER, up)
    assert content.evaluation.visits["error_pct"].min() == pytest.approx(-2.0125)  # 0.322 mA at 50 %
    assert content.findings.largest.error_pct == pytest.approx(-2.0125)
    (curve,) = [each for each in content.findings.curves if each.name == "converter"]
    assert min(y for _, y in curve.read[0][1]) == pytest.approx(-2.0125)
    assert max(y for _, y in curve.foretold[0][1]) < -1.9
    assert {round(y, 9) for _, y in curve.tolerance} == {0.3}


def test_a_slip_of_the_table_stands_at_its_tap_and_keeps_the_rest_open(found):
    # The tenth row of the way up has its speed with the point one place too far to the right.
    up = [(demand, speed / 1.03 * (10 if n == 9 else 1), pulse, round(returned - 0.32, 3))
          for n, (demand, speed, pulse, returned) in enumerate(PUMP_UP)]  # fmt: skip
    told_of = found(PUMP, PUMP_HEADER, up).findings
    at_tap = 'decimal slip (over 99 %) at "speed"'
    assert [each.causes for each in told_of.shares] == [
        (at_tap,),
        (at_tap,),
        (f"not told before this is put right: {at_tap}",),
    ]
    (curve,) = told_of.curves
    assert curve.name == "drive"
    # 10 x 90 % less 90 % of its range, read up at 90 %.
    assert max(y for _, y in curve.read[0][1]) == pytest.approx(810.0)


# Invented. 1500 rpm are 25 Hz, counted in whole hertz: 2.5 Hz for each 10 %, and at 60 % one of 15 pulses is missed.
# The converter is scaled 0 .. 20 mA where 4 .. 20 mA are due, 0.8 mA for each hertz, and gives no less than 4 mA.
SLOW_PUMP = PUMP.replace("0 .. 3000 Hz", "0 .. 25 Hz").replace("revolution: 120", "revolution: 1")
WHOLE_HZ = (0, 2, 5, 7, 10, 12, 14, 17, 20, 22, 25)


@pytest.fixture
def found_of_hertz(type_sheet, by_hand):
    """What is said of one traverse up, the converter following these rates while whole hertz are written down."""

    def examined(followed_Hz):
        sheet = type_sheet(SLOW_PUMP)
        rows = [
            (round(4 + 1.6 * n, 1), 150 * n, WHOLE_HZ[n], round(max(4, 20 * rate_Hz / 25), 1))
            for n, rate_Hz in enumerate(followed_Hz)
        ]
        return examine(from_csv(by_hand(PUMP_HEADER, rows), sheet.datasheet()), sheet).findings

    return examined


def test_pulses_counted_in_whole_hertz_are_named_beside_a_live_zero_that_is_lost(found_of_hertz):
    told_of = found_of_hertz(WHOLE_HZ)
    names = {each.place: set(each.names) for each in told_of.stages}
    assert names == {"converter": {"live zero lost", "lower range wrong"}, "pickup": {"gate quantisation"}}
    (counted,) = [each for each in told_of.stages if each.place == "pickup"]
    assert "steps of 1 Hz (4 % of span), rounded down" in counted.text
    # 4 mA in place of 7.2 mA at 20 %, and 5.6 mA in place of 8.8 mA at 30 %, where 7 of 7.5 Hz are counted: 3.2 of
    # 16 mA at either, of which half a hertz is 2 %.
    shares = {20: (0, 0, -20), 30: (0, -2, -18)}[round(told_of.largest.setpoint_pct)]
    assert [each.error_pct for each in told_of.shares] == pytest.approx(shares, abs=1e-9)
    assert told_of.largest.error_pct == pytest.approx(-20.0)


def test_pulses_shown_in_whole_hertz_are_those_of_a_coarse_meter_where_the_output_follows_all_of_them(found_of_hertz):
    told_of = found_of_hertz([2.5 * n for n in range(11)])
    stages = {each.place: each for each in told_of.stages}
    assert {place: set(each.names) for place, each in stages.items()} == {
        "converter": {"live zero lost", "lower range wrong"},
        "pulse": {"meter resolution"},
    }
    assert stages["pulse"].stage == "pulse (bench, not the unit)"
    assert "steps of 1 Hz (4 % of span), rounded down" in stages["pulse"].text
    # 4 mA in place of 7.2 mA at 20 %, where 5 Hz are a whole number.
    assert told_of.largest.setpoint_pct == pytest.approx(20.0)
    assert [each.error_pct for each in told_of.shares] == pytest.approx((0, 0, -20), abs=1e-9)
    assert told_of.largest.error_pct == pytest.approx(-20.0)


def test_a_unit_of_one_stage_has_no_shares_and_no_order_of_work():
    alone = told((0.995, BOW))
    assert (alone.shares, alone.largest, alone.work) == ((), None, ())
    assert [each.name for each in alone.curves] == ["unit"]


# The order of work is common practice, no source.
@pytest.mark.parametrize(
    ("causes", "turn"),
    [
        ([hypothesis("swapped rows")], Turn.WRITTEN),
        ([METER], Turn.MISREAD),
        ([hypothesis("live zero lost")], Turn.RANGE),
        ([hypothesis("output limit")], Turn.RANGE),
        ([hypothesis("span error"), hypothesis("upper range wrong")], Turn.RANGE),
        ([BOW], Turn.UNIT),
        ([hypothesis("zero shift"), METER], Turn.TRIM),
        ([hypothesis("zero shift + output limit")], Turn.RANGE),
    ],
)
def test_what_hides_more_has_its_turn_earlier(causes, turn):
    assert turn_of(Finding(weight=0.9, causes=tuple(causes), shares=(0.9,) * len(causes))) is turn
