"""A person as source and meter: asked, doubted where it is implausible, corrected, never changed silently."""

import signal
from contextlib import nullcontext
from pathlib import Path

import pytest

from instruments.clock import VirtualClock
from instruments.description import find_description
from instruments.entry import entry
from instruments.errors import InputError, LimitError, NoReadingError, StoppedError, UnsafeError
from instruments.interrupts import held_off, undisturbed
from instruments.keyed import KeyedReceiver, KeyedSource, Person
from instruments.units import quantity, span

METER = find_description("keyed-meter", beside=Path())


class Scripted:
    """Answers one after the other; an exception among them is raised."""

    def __init__(self, *answers):
        self.answers = list(answers)
        self.asked = []

    def ask(self, question):
        self.asked.append(question)
        answer = self.answers.pop(0)
        if isinstance(answer, BaseException):
            raise answer
        return answer


def meter(*answers, function="current", unit="mA"):
    operator = Scripted(*answers)
    spec = METER.functions[function]
    receiver = KeyedReceiver(
        name="hand meter", function=function, spec=spec, tap="output", operator=operator, clock=VirtualClock()
    )
    receiver.select(spec.ranges[0], unit)
    return receiver, operator


def source(*answers):
    operator = Scripted(*answers)
    return hand_set_by(operator), operator


def hand_set_by(operator):
    return KeyedSource(
        name="hand source",
        function="current",
        limits=(("range of the source", span("0 .. 24 mA")), ("limits of the unit", span("3.5 .. 21 mA"))),
        safe_level=quantity("0 mA"),
        operator=operator,
    )


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("12.003", 12.003),
        ("12,003", 12.003),  # decimal comma
        (" 12.003 mA ", 12.003),
        ("12,003 mA", 12.003),
        ("0.012003 A", 12.003),
        ("12003 uA", 12.003),
        ("-0.5", -0.5),
        ("1.2e1", 12.0),
        ("\u22120.5 mA", -0.5),
    ],
)
def test_an_entry_is_taken_with_or_without_its_unit(typed, value):
    assert entry(typed, "mA") == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "typed",
    ["", "twelve", "12 V", "1,234.5", "1.234,5", "1 23", "1 2345", "12'34", "nan", "inf", "1e999", "12\x00", "१२"],
)
def test_an_entry_that_is_no_number_of_that_kind_is_refused(typed):
    with pytest.raises(InputError, match=r"not a number|has no unit|not in mA|too large|not a unit"):
        entry(typed, "mA")


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [("0.0040001 A", "mA", 4.0001), ("296.15 K", "degC", 23.0),
     ("73.4 degF", "degC", 23.0), ("32 degF", "degC", 0.0), ("100000.123456789 ohm", "kohm", 100.000123456789)],
)  # fmt: skip
def test_an_entry_in_another_unit_has_no_rest_of_the_conversion(typed, unit, value):
    assert entry(typed, unit) == value  # to the last digit


@pytest.mark.parametrize("typed", ["5.3774999999999995", "1.757081060368563 mA"])
def test_an_entry_in_the_unit_asked_for_is_taken_to_the_last_digit(typed):
    assert entry(typed, "mA") == float(typed.removesuffix(" mA"))


def test_a_doubt_about_an_entry_prints_no_rounding_rest():
    receiver, operator = meter("5.0", "y")
    receiver.read(expected=2.2e-16)
    assert operator.asked[1].text == "5 mA is +5 mA from the 0 expected. Is that what the meter shows?"


def test_a_temperature_is_keyed_in_degrees():
    assert entry("21,5", "°C") == pytest.approx(21.5)
    assert entry("70.7 degF", "°C") == pytest.approx(21.5)


def test_a_plausible_entry_is_a_reading_at_once():
    receiver, operator = meter("12.003")
    sample = receiver.read(expected=12.0)
    assert (sample.value, sample.raw) == (12.003, "12.003")
    assert [question.kind for question in operator.asked] == ["reading"]
    assert operator.asked[0].text == "Reading of hand meter at output, in mA"
    assert (operator.asked[0].unit, operator.asked[0].expected, operator.asked[0].plausible) == ("mA", 12.0, 1.0)


def test_an_implausible_entry_is_asked_about_and_kept_if_it_is_insisted_on():
    receiver, operator = meter("21.003", "yes")
    assert receiver.read(expected=12.0).value == 21.003
    assert operator.asked[1].kind == "confirm"
    assert operator.asked[1].text == "21.003 mA is +9.003 mA from the 12 expected. Is that what the meter shows?"


def test_an_implausible_entry_that_was_a_slip_is_asked_for_again():
    receiver, operator = meter("1.2003", "no", "12.003")
    assert receiver.read(expected=12.0).value == 12.003
    assert [question.kind for question in operator.asked] == ["reading", "confirm", "reading"]


def test_without_an_expectation_any_number_will_do():
    receiver, _ = meter("21.003")
    assert receiver.read().value == 21.003


def test_what_is_no_number_is_asked_for_again_with_the_reason():
    receiver, operator = meter("twelve", "12 V", "12.0")
    assert receiver.read(expected=12.0).value == 12.0
    assert '"twelve" is not a number with a unit' in operator.asked[1].text
    assert '"12 V" is not in mA' in operator.asked[2].text


def test_back_corrects_the_entry_before_and_then_asks_for_this_one():
    receiver, operator = meter("4.001", "back", "4.011", "8.002")
    assert receiver.read(expected=4.0).value == 4.001
    assert receiver.take_correction() is None
    assert receiver.read(expected=8.0).value == 8.002
    assert operator.asked[2].text == "Entry before, 4.001, of hand meter at output, in mA"
    assert operator.asked[2].expected == 4.0
    correction = receiver.take_correction()
    assert (correction.value, correction.raw) == (4.011, "4.011")
    assert receiver.take_correction() is None


WRONG = ["12.003", "twelve", "no", "?", "9" * 5000, "\x1b[A", "back"]


@pytest.mark.parametrize("typed", WRONG)
@pytest.mark.parametrize("act", ["set", "energise"])
def test_a_wrong_key_where_something_is_to_be_done_is_asked_again(act, typed):
    hand, operator = source(typed, "")
    hand.set(quantity("12 mA")) if act == "set" else hand.energise()
    said, question = operator.asked[1].text.splitlines()
    assert question == operator.asked[0].text
    if typed == "back":
        assert said == "nothing was set or read before this to go back to"
    else:
        assert said.endswith("type Enter when done, back, ?, or stop")
    assert len(said) < 80


@pytest.mark.parametrize("typed", ["stop", " STOP "])
def test_stop_stops_at_every_prompt_of_a_run(typed):
    with pytest.raises(StoppedError, match='stopped by the operator at "Set hand source to 12 mA"'):
        source(typed)[0].set(quantity("12 mA"))
    with pytest.raises(StoppedError, match="stopped by the operator at"):
        meter(typed)[0].read(expected=12.0)
    with pytest.raises(StoppedError, match="stopped by the operator at"):
        meter("21", typed)[0].read(expected=12.0)  # at the question whether that is what the meter shows


@pytest.mark.parametrize("typed", [each for each in WRONG if each != "no"] + ["stop"])
def test_a_wrong_key_at_the_safe_level_is_no_output_that_is_not_safe(typed):
    hand, operator = source("", typed, "")
    hand.set(quantity("12 mA"))
    hand.make_safe()
    assert operator.asked[2].text.splitlines()[-1] == operator.asked[1].text
    said = operator.asked[2].text.splitlines()[0]
    assert said.endswith("type Enter when done, no if it cannot be done, or ?")
    assert ("the output comes first" in said) == (typed in ("back", "stop"))


def test_an_output_that_cannot_be_made_safe_is_told_by_no():
    hand, _ = source("", "no")
    hand.set(quantity("12 mA"))
    with pytest.raises(UnsafeError, match="could not bring hand source to be at its safe level of 0 mA"):
        hand.make_safe()


def test_what_a_run_that_was_cut_off_left_on_is_asked_about():
    hand, operator = source("")
    hand.left_by_others()
    hand.make_safe()
    assert [question.text for question in operator.asked] == [
        "Make hand source safe: set 0 mA and switch the output off"
    ]


def one_person(*answers):
    """A source and two meters that one person serves."""
    operator = Scripted(*answers)
    person = Person(operator)
    spec = METER.functions["current"]
    meters = [
        KeyedReceiver(name=name, function="current", spec=spec, tap=tap, operator=person, clock=VirtualClock())
        for name, tap in (("first meter", "input"), ("second meter", "output"))
    ]
    for each in meters:
        each.select(spec.ranges[0], "mA")
    limits = (("range of the source", span("0 .. 24 mA")),)
    made = KeyedSource(
        name="hand source", function="current", limits=limits, safe_level=quantity("0 mA"), operator=person
    )
    return made, *meters, operator


def test_back_where_a_level_is_set_corrects_the_reading_before():
    hand, first, _, operator = one_person("4.001", "back", "4.011", "")
    first.read(expected=4.0)
    hand.set(quantity("8 mA"))
    assert [question.text.splitlines() for question in operator.asked[1:]] == [
        ["Set hand source to 8 mA"],
        ["Entry before, 4.001, of first meter at input, in mA"],
        ["4.001 is 4.011 now", "Set hand source to 8 mA"],
    ]
    assert first.take_correction().value == 4.011


def test_before_the_first_reading_back_goes_to_what_was_to_be_set_step_by_step():
    hand, first, _, operator = one_person("", "", "back", "back", "back", "", "", "4.001")
    hand.set(quantity("4 mA"))
    hand.energise()
    assert first.read(expected=4.0).value == 4.001
    reading, level, on = "Reading of first meter at input, in mA", "Set hand source to 4 mA", "Switch the output of"
    assert [question.text.splitlines()[-1][: len(on)] for question in operator.asked] == [
        each[: len(on)] for each in (level, on, reading, on, level, level, on, reading)
    ]  # fmt: skip
    assert operator.asked[5].text.splitlines()[0] == "nothing was set or read before this to go back to"


def test_neither_a_level_nor_a_correction_stands_before_the_safe_level():
    hand, first, _, operator = one_person("", "4.001", "back", "")
    hand.set(quantity("20 mA"))
    first.read(expected=4.0)
    hand.make_safe()
    assert [question.text.splitlines()[-1][:11] for question in operator.asked] == [
        "Set hand so", "Reading of ", "Make hand s", "Make hand s",
    ]  # fmt: skip
    assert first.take_correction() is None


def test_back_goes_to_the_entry_before_at_whatever_meter_it_was_read():
    _, first, second, _ = one_person("4.001", "back", "4.002", "12.0")
    first.read(expected=4.0)
    assert second.read(expected=12.0).value == 12.0
    assert (first.take_correction().value, second.take_correction()) == (4.002, None)


def test_back_at_a_doubt_corrects_the_entry_before_and_asks_the_doubt_again():
    _, first, second, operator = one_person("4.001", "21", "back", "4.002", "no", "12.0")
    first.read(expected=4.0)
    assert second.read(expected=12.0).value == 12.0
    assert first.take_correction().value == 4.002
    assert [question.kind for question in operator.asked] == [
        "reading", "reading", "confirm", "reading", "confirm", "reading",
    ]  # fmt: skip


@pytest.mark.parametrize("typed", ["", "maybe", "?"])
def test_a_doubt_is_neither_confirmed_nor_dropped_by_a_wrong_key(typed):
    receiver, operator = meter("1.2", typed, "no", "12.0")
    assert receiver.read(expected=12.0).value == 12.0
    assert operator.asked[2].kind == "confirm"
    assert operator.asked[2].text.splitlines()[0].endswith("type yes, no, a number, OL, back, ?, or stop")


def test_what_corrects_an_entry_is_a_number_and_no_overload():
    receiver, operator = meter("4.001", "back", "OL", "4.002", "8.0")
    receiver.read(expected=4.0)
    assert receiver.read(expected=8.0).value == 8.0
    assert operator.asked[3].text.startswith('"OL" is not a number')
    assert receiver.take_correction().value == 4.002


def test_an_overload_is_not_corrected_as_if_it_were_the_number_before_it():
    receiver, operator = meter("4.001", "OL", "back", "8.0")
    receiver.read(expected=4.0)
    with pytest.raises(NoReadingError, match="overload"):
        receiver.read(expected=8.0)
    assert receiver.read(expected=8.0).value == 8.0
    assert receiver.take_correction() is None
    assert operator.asked[3].text.startswith("nothing was set or read before this to go back to")


def test_back_before_any_entry_only_asks_again():
    receiver, operator = meter("back", " Back ", "4.0")
    assert receiver.read(expected=4.0).value == 4.0
    assert len(operator.asked) == 3


def test_an_empty_line_leaves_the_entry_before_as_it_was():
    receiver, operator = meter("4.001", "back", "", "8.0")
    receiver.read(expected=4.0)
    assert receiver.read(expected=8.0).value == 8.0
    assert receiver.take_correction() is None
    assert operator.asked[3].text.startswith("the entry before stays as it was\n")


def test_back_goes_further_back_entry_by_entry_and_then_to_the_prompt_where_it_began():
    receiver, operator = meter(
        "4.001", "8.001", "12.001", "back", "back", "back", "back", "4.002", "back", "back", "8.003", "16.0"
    )
    first, second, _ = (receiver.read(expected=each) for each in (4.0, 8.0, 12.0))
    assert receiver.read(expected=16.0).value == 16.0
    assert [question.text for question in operator.asked[4:9]] == [
        "Entry before, 12.001, of hand meter at output, in mA",
        "2 entries before, 8.001, of hand meter at output, in mA",
        "3 entries before, 4.001, of hand meter at output, in mA",
        "nothing was set or read before this to go back to\n3 entries before, 4.001, of hand meter at output, in mA",
        "4.001 is 4.002 now\nReading of hand meter at output, in mA",
    ]
    one, other = receiver.take_correction(), receiver.take_correction()
    assert (one.value, one.instead_of is first) == (4.002, True)
    assert (other.value, other.instead_of is second) == (8.003, True)
    assert receiver.take_correction() is None


def test_a_correction_can_be_corrected():
    receiver, operator = meter("4.001", "back", "5.0", "yes", "back", "4.002", "8.0")
    receiver.read(expected=4.0)
    receiver.read(expected=8.0)
    assert operator.asked[5].text == "Entry before, 5.0, of hand meter at output, in mA"
    one, other = receiver.take_correction(), receiver.take_correction()
    assert (one.raw, other.raw, other.instead_of is one) == ("5.0", "4.002", True)


def test_back_does_not_go_behind_the_traverse_that_is_read():
    receiver, operator = meter("4.001", "8.001", "back", "back", "", "back", "", "12.0")
    receiver.read(expected=4.0)
    receiver.part_begins(2)
    receiver.read(expected=8.0)
    receiver.read(expected=12.0)
    assert "Entry before, 8.001" in operator.asked[3].text
    assert operator.asked[4].text.startswith("nothing was set or read before this")


@pytest.mark.parametrize("typed", ["OL", "O.L", "0L", "overload"])
def test_an_overload_on_the_display_is_no_reading(typed):
    receiver, _ = meter(typed)
    with pytest.raises(NoReadingError, match="reading is overload"):
        receiver.read(expected=12.0)


@pytest.mark.parametrize("ending", [EOFError(), KeyboardInterrupt(), StoppedError("stopped at the prompt")])
def test_whoever_leaves_the_prompt_ends_the_reading(ending):
    receiver, _ = meter(ending)
    with pytest.raises(type(ending)):
        receiver.read(expected=12.0)


def test_a_level_is_asked_for_in_words():
    hand, operator = source("", "")
    hand.set(quantity("12 mA"))
    hand.energise()
    assert [question.text for question in operator.asked] == [
        "Set hand source to 12 mA",
        "Switch the output of hand source on",
    ]


@pytest.mark.parametrize("level", ["3.4 mA", "22 mA", "1 A"])
def test_a_level_outside_the_limits_is_never_asked_for(level):
    hand, operator = source()
    with pytest.raises(LimitError, match="refused: outside the"):
        hand.set(quantity(level))
    assert operator.asked == []


def test_a_source_that_was_never_set_is_not_asked_about():
    hand, operator = source()
    hand.make_safe()
    assert operator.asked == []


def test_a_source_that_was_set_is_brought_to_its_safe_level_once():
    hand, operator = source("", "")
    hand.set(quantity("12 mA"))
    hand.make_safe()
    hand.make_safe()
    assert [question.text for question in operator.asked[1:]] == [
        "Make hand source safe: set 0 mA and switch the output off"
    ]


@pytest.mark.parametrize("ending", [EOFError(), KeyboardInterrupt(), StoppedError("nobody there")])
def test_a_safe_level_that_nobody_confirms_is_told_as_not_safe(ending):
    hand, _ = source("", ending, ending)
    hand.set(quantity("12 mA"))
    with pytest.raises(UnsafeError, match="not confirmed that hand source is at its safe level of 0 mA") as caught:
        hand.make_safe()
    assert caught.value.todo == "switch it off by hand, now"


def test_the_first_signal_at_the_safe_level_is_answered_with_what_the_second_one_does():
    hand, operator = source("", KeyboardInterrupt("SIGTERM"), "", "")
    hand.set(quantity("12 mA"))
    hand.make_safe()
    assert operator.asked[2].text.splitlines() == [
        "SIGTERM: once more, and you leave; the output is NOT made safe then (exit status 4)",
        "the output comes first: type Enter when done, no if it cannot be done, or ?",
        operator.asked[1].text,
    ]


def test_who_has_left_is_asked_about_no_output_any_more():
    hand, operator = source("", KeyboardInterrupt(), KeyboardInterrupt())
    hand.set(quantity("12 mA"))
    for _ in range(2):  # a bench that is left tries once more
        with pytest.raises(UnsafeError, match="not confirmed that hand source is"):
            hand.make_safe()
    assert len(operator.asked) == 3


class Pressing:
    """Ctrl-C comes while the question stands, as often as said; then it is answered."""

    def __init__(self, times):
        self.left, self.asked = times, []

    def ask(self, question):
        self.asked.append(question.text)
        if len(self.asked) > 1 and self.left:
            self.left -= 1
            signal.raise_signal(signal.SIGINT)
        return ""


@pytest.mark.parametrize("around", [undisturbed, held_off, nullcontext])
def test_ctrl_c_at_the_safe_level_comes_through_and_counts_once_the_output_is_safe(around):
    operator = Pressing(1)
    hand = hand_set_by(operator)
    hand.set(quantity("12 mA"))
    counts = nullcontext() if around is undisturbed else pytest.raises(KeyboardInterrupt)
    before = signal.getsignal(signal.SIGINT)
    with counts, around():
        hand.make_safe()
    assert signal.getsignal(signal.SIGINT) is before
    assert len(operator.asked) == 3
    hand.make_safe()
    assert len(operator.asked) == 3  # it is safe


@pytest.mark.parametrize("around", [undisturbed, held_off, nullcontext])
def test_the_second_ctrl_c_at_the_safe_level_leaves(around):
    operator = Pressing(2)
    hand = hand_set_by(operator)
    hand.set(quantity("12 mA"))
    with pytest.raises(UnsafeError, match="not confirmed that hand source is"), around():
        hand.make_safe()
    assert len(operator.asked) == 3


def test_a_level_that_stands_is_not_asked_for_again():
    made, operator = source("", "", "", "")
    made.set(quantity("4 mA"))
    made.energise()
    made.set(quantity("4000 uA"))
    made.set(quantity("8 mA"))
    made.set(quantity("4 mA"))
    assert [each.text for each in operator.asked] == [
        "Set hand source to 4 mA",
        "Switch the output of hand source on",
        "Set hand source to 8 mA",
        "Set hand source to 4 mA",
    ]


def test_after_the_safe_level_a_level_is_asked_for_anew():
    made, operator = source("", "", "")
    made.set(quantity("4 mA"))
    made.make_safe()
    made.set(quantity("4 mA"))
    assert [each.text for each in operator.asked][::2] == ["Set hand source to 4 mA"] * 2


def test_a_level_that_nobody_confirmed_does_not_stand():
    made, operator = source("", "stop", "")
    made.set(quantity("4 mA"))
    with pytest.raises(StoppedError):
        made.set(quantity("8 mA"))
    made.set(quantity("4 mA"))
    assert operator.asked[-1].text == "Set hand source to 4 mA"


def test_an_empty_line_at_a_doubt_is_called_so():
    receiver, operator = meter("12", "", "no", "4.0")
    assert receiver.read(expected=4.0).raw == "4.0"
    assert "an empty line: type yes, no, a number" in operator.asked[2].text
