"""Doubts while a run goes on: a person is asked on the spot, an instrument read once more, nothing changed silently."""

import pytest

from instruments.clock import VirtualClock
from instruments.errors import AbsentError, StoppedError
from instruments.roles import Sample
from sequencer.core import BENCHES
from sequencer.readings.plausibility import Expectation
from sequencer.running.plausibility_check import Questioning


class Person:
    """Keys what a healthy unit shows, but for the slips: text by the number of the reading, from 1."""

    def __init__(self, slips, *, error=0.0, said="no"):
        self.slips, self.error, self.said = slips, error, said
        self.readings_n, self.confirms = 0, []

    def ask(self, question):
        if question.kind == "confirm":
            self.confirms.append(question.text)
            return self.said
        if question.kind != "reading":
            return "yes"
        self.readings_n += 1
        return self.slips.get(self.readings_n) or f"{question.expected + self.error:.3f}"


@pytest.fixture
def keyed(small, run, monkeypatch):
    """Runs 0, 25 .. 100 % and back once, two readings a point, with hand-held instruments; nobody waits in a test."""
    monkeypatch.setattr("instruments.bench.RealClock", VirtualClock)
    text = (BENCHES / "by-hand.yaml").read_text(encoding="utf-8")

    def ran(person):
        return run(small(bench_text=text, sequence={"cycles: 2": "cycles: 1"}), operator=person)

    return ran


def doubts(ran):
    return [(line["doubt"], line["answer"]) for line in ran.lines if line["kind"] == "doubt"]


# Reading 5 is the first at 50 %: 12 mA.
@pytest.mark.parametrize(
    ("typed", "kind", "asks"),
    [
        ("1.204", "decimal point", "1.204 mA where about 12 mA is expected: decimal point? 12.04 mA would fit."),
        ("21.01", "transposed digits", "two digits transposed? 12.01 would fit."),
        ("-12.01", "sign", "polarity, leads swapped? 12.01 mA would fit."),
        ("8.000", "copied", "the value of the point before once more?"),
        ("16.01", "row", "the value of the point before or after?"),
        ("500", "channel", 'the value of the tap "input"'),
        ("0", "loop open", "fuse of the meter"),
    ],
)
def test_a_slip_is_asked_about_on_the_spot_and_keyed_again(keyed, typed, kind, asks):
    person = Person({5: typed})
    ran = keyed(person)
    assert ran.outcome.status == "complete"
    (asked,) = person.confirms
    assert asks in asked
    assert asked.endswith("Is that what the meter shows?")
    assert doubts(ran) == [(kind, "keyed again")]
    # the slip is in the journal, and not in the table
    assert [line["typed"] for line in ran.lines if line["kind"] == "doubt"] == [typed]
    assert ran.record.readings.query("tap == 'output'")["value"].between(3.99, 20.01).all()
    assert ran.record.evaluation.verdict.result == "pass"
    assert any(asks in remark and "keyed again" in remark for remark in ran.record.content.remarks)
    assert not ran.record.content.doubts


def test_what_the_meter_shows_may_be_keyed_at_once(keyed):
    person = Person({5: "1.204"}, said="12.004")
    ran = keyed(person)
    assert len(person.confirms) == 1
    assert ran.record.readings.query("tap == 'output'")["value"].iloc[4] == 12.004


def test_a_confirmed_entry_stands_and_its_kind_is_not_asked_about_again(keyed):
    person = Person({5: "1.204", 9: "2.0004"}, said="yes")
    ran = keyed(person)
    assert len(person.confirms) == 1
    assert doubts(ran) == [("decimal point", "confirmed")]
    assert ran.record.readings.query("tap == 'output'")["value"].iloc[4] == 1.204
    assert any("Confirmed as keyed." in remark for remark in ran.record.content.remarks)
    (doubt,) = ran.record.content.doubts
    assert "Confirmed as keyed." in doubt
    assert ran.record.evaluation.verdict.result != "pass"


def test_slips_that_were_keyed_again_are_asked_about_each_time(keyed):
    person = Person({5: "1.204", 10: "2.0004"})  # 6 is what was keyed again, so 10 is the first at 100 %
    assert doubts(keyed(person)) == [("decimal point", "keyed again")] * 2


def test_a_unit_with_a_large_error_of_its_own_is_asked_about_once(keyed):
    person = Person({}, error=1.5, said="yes")
    ran = keyed(person)
    assert [text.split(" is ")[0] for text in person.confirms] == ["5.5 mA"]
    assert ran.record.evaluation.verdict.result == "fail"


def test_a_correction_is_doubted_too(keyed):
    # "back" at reading 6, and again a slip in what was corrected; the person reads 12.010 then.
    person = Person({6: "back", 7: "120.1", 8: "12.010"})
    ran = keyed(person)
    assert doubts(ran) == [("decimal point", "keyed again")]
    rows = ran.record.readings.query("tap == 'output' and note == 'corrected by the operator'")
    assert list(rows["value"]) == [12.010]


# -- instruments -----------------------------------------------------------------------------------------------------


def faulty(small, fault):
    return small(bench={"faults: []": f"faults: [{{fault: {fault}}}]"})


@pytest.mark.parametrize(
    ("fault", "kinds"),
    [("meter fuse blown", {"loop open"}), ("loop compliance", {"flat top"}), ("stuck output", {"not moved"})],
)
def test_an_instrument_in_doubt_is_read_once_more_and_told_once(small, run, fault, kinds):
    # 24 V less the 10 V that the unit needs drive 14 mA through 1000 ohm, so 75 % (16 mA) and 100 % stay short
    extra = ", loop: 1000 ohm" if fault == "loop compliance" else ""
    ran = run(faulty(small, fault + extra))
    assert ran.outcome.status == "complete"
    assert {kind for kind, _ in doubts(ran)} == kinds
    assert len(doubts(ran)) == len(kinds)
    assert {answer for _, answer in doubts(ran)} == {"persists"}
    assert sum("Read once more: the same." in remark for remark in ran.record.content.remarks) == len(kinds)
    # the second look is no reading of the table
    assert len(ran.record.readings) == len(run(small()).record.readings)


def test_a_healthy_run_has_no_doubt_and_no_reading_more(small, run):
    ran = run(small())
    assert doubts(ran) == []
    assert ran.record.content.remarks[-1] == "simulated with seed 11; no fault"
    assert not [each for each in ran.record.content.remarks if "point" in each]


@pytest.fixture
def questioning(small, monkeypatch, answers):
    """The doubts of a run on a bench that is not simulated, by itself."""
    plan = small()
    monkeypatch.setattr(type(plan.bench.file), "is_simulated", property(lambda _: False))

    def made(*said):
        operator, kept, remarks = answers(*said), [], []
        found = Questioning(
            plan, operator, keep=lambda kind, **fields: kept.append((kind, fields)), remark=remarks.append
        )
        return found, operator, kept, remarks

    return made


def loop(signal):
    return Expectation(signal=signal, low=4.0, high=20.0, unit="mA")


def again(value):
    return lambda: Sample(value, 0.0, "")


def test_an_open_loop_is_put_to_the_operator_once(questioning):
    found, operator, kept, _ = questioning("yes")
    for level in (4.0, 8.0, 12.0):
        found.read("output", loop(level), Sample(0.0002, 0.0, ""), again(0.0001))
    (question,) = operator.questions
    assert question.kind == "go on"
    assert "loop open" in question.text
    assert [fields["answer"] for _, fields in kept] == ["persists", "go on"]


def test_no_stops_the_run(questioning):
    found, *_ = questioning("no")
    with pytest.raises(StoppedError, match='stopped at a doubt at tap "output"'):
        found.read("output", loop(4.0), Sample(0.0, 0.0, ""), again(0.0))


def test_where_nobody_is_there_the_run_goes_on_and_says_so(questioning):
    found, _, _, remarks = questioning(AbsentError("nobody"))
    found.read("output", loop(4.0), Sample(0.0, 0.0, ""), again(0.0))
    assert remarks[-1] == "no operator was present to ask, so the run went on"


def test_where_going_on_could_do_harm_nobody_there_means_stop(questioning):
    found, *_ = questioning(AbsentError("no operator is present to answer"))
    with pytest.raises(StoppedError, match="no operator is present"):
        found.read("output", loop(12.0), Sample(96.0, 0.0, ""), again(96.1))


def test_what_came_and_went_is_told_and_not_asked_about(questioning):
    found, operator, kept, remarks = questioning()
    found.read("output", loop(12.0), Sample(0.0, 0.0, ""), again(12.01))
    assert operator.questions == []
    assert remarks[0].endswith("Read once more: 12.01 mA.")
    assert kept[0][1]["answer"] == "gone"
    assert kept[0][1]["signal"] == 0.0


def test_a_doubt_without_harm_is_not_put_to_the_operator(questioning):
    found, operator, kept, _ = questioning()
    found.read("output", loop(12.0), Sample(24.0, 0.0, ""), again(24.0))
    assert [fields["doubt"] for _, fields in kept] == ["alarm level"]
    assert operator.questions == []
