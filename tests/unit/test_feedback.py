"""A second instrument at the tap of a source: it finds out a source that ignores "off", and keeps quiet in doubt."""

import math
from types import SimpleNamespace

import pytest
from promises_safe import Deaf

from instruments.clock import VirtualClock
from instruments.errors import NoReadingError, NoReplyError
from instruments.feedback import Feedback
from instruments.roles import Sample
from instruments.units import quantity
from sequencer import core
from sequencer.running.events import MadeSafe, ReadingTaken

VOLTS = {"0 .. 1000 Hz, limits: 0 .. 1200 Hz": "0 .. 10 V, limits: 0 .. 12 V"}


class Source:
    """Driven to levels; once it is made safe nothing is said of it but by the reader."""

    settling_s = 0.0
    is_on = True

    def __init__(self, unit, safe, *, proves_safe=True):
        self.unit, self.safe_level, self.proves_safe = unit, quantity(safe), proves_safe
        self.confirmed = self.safe_level
        self.stood_at = ()
        self.told_n = 0

    def set(self, level):
        self.stood_at = (self.confirmed, quantity(level))
        self.confirmed = quantity(level)

    def make_safe(self):
        self.told_n += 1


class Reader:
    """Shows what `shown` says for a time since the source was told; 0.1 s a reading."""

    takes_s = 0.1

    def __init__(self, clock, shown):
        self._clock, self._shown = clock, shown
        self.instrument = SimpleNamespace(session=SimpleNamespace(is_suspect=False), is_set_up=True)
        self.readings_n = 0

    def read(self):
        self._clock.sleep(0.1)
        self.readings_n += 1
        value = self._shown(self._clock.now())
        if isinstance(value, Exception):
            raise value
        return Sample(value, self._clock.now(), f"{value:.9g}")


def said(shown, *, levels=("0 V", "5 V", "10 V", "5 V"), safe="0 V", gain=0.98, zero=0.1, proves_safe=True):
    """The word of a reader with a gain and a zero error of its own, after it read at some levels."""
    clock = VirtualClock()
    source = Source(levels[0].split()[1], safe, proves_safe=proves_safe)
    reader = Reader(clock, shown)
    feedback = Feedback(source, reader, clock)
    for level in levels:
        source.set(level)
        feedback.take(zero + gain * quantity(level).magnitude)
    begin_s = clock.now()
    return feedback.word(), clock.now() - begin_s, source, reader


@pytest.mark.parametrize(
    ("noise", "word"),
    [pytest.param(0.01, "on", id="a source that sticks"), pytest.param(0.0, "", id="a display that does")],
)
def test_a_reading_that_left_its_level_and_stays_after_off_finds_the_source_out(noise, word):
    clock = VirtualClock()
    source, at_V = Source("V", "0 V"), {"0 V": 0.0, "5 V": 5.0, "10 V": 10.0}
    reader = Reader(clock, lambda s: 5.0 + noise * math.sin(9 * s))
    feedback = Feedback(source, reader, clock)
    for level, shown in (*at_V.items(), ("5 V", 5.0), ("0 V", 5.0), ("0 V", 5.0)):
        source.set(level)
        feedback.take(shown)
    assert feedback.word() == word


def test_a_reader_that_a_signal_put_out_of_step_is_recovered_and_heard():
    clock = VirtualClock()
    source, recovered = Source("V", "0 V"), []
    reader = Reader(clock, lambda s: 5.0 + 0.01 * math.sin(9 * s))
    reader.instrument.session.is_suspect = True
    reader.recover = lambda: recovered.append(True)
    feedback = Feedback(source, reader, clock)
    for level, shown in (("0 V", 0.0), ("10 V", 10.0), ("5 V", 5.0)):
        source.set(level)
        feedback.take(shown)
    assert feedback.word() == "on"
    assert recovered


# With 5 V set it showed 0.1 + 0.98 * 5 = 5.0; its readings spread over 9.8, so 0.098 is the same.
def test_a_reading_that_stays_as_it_was_finds_the_source_out_whatever_zero_and_gain_of_the_reader():
    word, took_s, source, reader = said(lambda s: 5.0 + 0.05 * math.sin(9 * s))
    assert word == "on"
    assert 4 <= took_s <= 5  # 3 s, and ten times the 0.1 s of a reading
    assert source.told_n == 1  # once more
    assert reader.readings_n > 10


def test_a_live_zero_of_4_mA_that_stays_is_found_out():
    assert said(lambda _: 4.0, levels=("4 mA", "12 mA", "20 mA", "4 mA"), safe="0 mA", gain=1, zero=0)[0] == "on"


def test_a_safe_level_other_than_0_counts():
    levels = ("4 mA", "12 mA", "20 mA")
    assert said(lambda _: 4.0, levels=levels, safe="4 mA", gain=1, zero=0)[0] == "safe"
    assert said(lambda _: 20.0, levels=levels, safe="4 mA", gain=1, zero=0)[0] == "on"


@pytest.mark.parametrize(
    "shown",
    [
        lambda _: 0.1,  # its own zero error
        lambda _: 1.7,  # an open input floats
        lambda _: -3.0,
        lambda _: 12.0,  # beyond all that was set: not where it stood, so nothing is said
        lambda s: 0.1 + 4.9 * math.exp(-s / 60),  # it discharges, in a minute
        lambda s: 0.1 + max(0.0, 4.9 - 0.1 * s),  # it is vented, slowly
        lambda s: 5.0 if s < 2 else 0.1,  # a reader that averages, and comes late
        lambda s: 5.0 + 0.5 * math.sin(7 * s),  # hum
        lambda _: NoReadingError("overload", where="", command="", reply=""),
        lambda _: NoReplyError("no answer"),
    ],
    ids=["zero", "floats", "floats below", "beyond", "discharges", "vented", "late", "hum", "overload", "silent"],
)
def test_any_other_reading_is_no_alarm(shown):
    assert said(shown)[0] in {"", "safe"}


@pytest.mark.parametrize(
    "levels",
    [("0 V", "5 V", "10 V", "0 V"), ("0 V", "5 V", "10 V", "0.5 V"), ("5 V", "10 V"), ("5 V",)],
    ids=["at its safe level last", "near it", "two levels seen", "one level seen"],
)
def test_a_reader_that_cannot_decide_says_nothing(levels):
    last = 0.1 + 0.98 * quantity(levels[-1]).magnitude
    assert said(lambda _: last, levels=levels)[0] in {"", "safe"}


@pytest.mark.parametrize("gain", [0.0, 0.001], ids=["stuck", "one digit of noise"])
def test_a_reader_that_never_followed_the_source_says_nothing(gain):
    clock = VirtualClock()
    source, reader = Source("V", "0 V"), Reader(clock, lambda _: 0.01)
    feedback = Feedback(source, reader, clock)
    for level in ("0 V", "5 V", "10 V"):
        source.set(level)
        feedback.take(round(gain * quantity(level).magnitude, 2))  # 0.00, 0.00, 0.01
    assert feedback.word() == ""
    assert reader.readings_n == 0


def test_a_counter_that_holds_its_last_count_says_nothing_and_one_that_counts_finds_out():
    levels = ("0 Hz", "500 Hz", "1000 Hz", "500 Hz")
    assert said(lambda _: 500.0, levels=levels, safe="0 Hz", gain=1, zero=0)[0] == ""
    assert said(lambda s: 500 + 1e-3 * s, levels=levels, safe="0 Hz", gain=1, zero=0)[0] == "on"


def test_it_proves_a_source_that_cannot_prove_itself_and_takes_one_reading_of_one_that_can():
    assert said(lambda s: 5.0 if s < 1 else 0.1, proves_safe=False)[0] == "safe"
    assert said(lambda _: 1.7, proves_safe=False)[0] == ""  # told, not proved
    assert said(lambda _: 0.1, levels=("5 V", "10 V", "2 V", "0 V"), proves_safe=False)[0] == "safe"
    assert said(lambda _: 1.7)[3].readings_n == 1


# -- a run -----------------------------------------------------------------------------------------------------------

MUTE = {'    read back: "SOUR:VOLT?"\n': "", '    output query: {ask: "OUTP?"}\n': "", 'event status: "*ESR?"\n': ""}


@pytest.fixture
def stopped(run, small, described):
    """A run that is stopped at half the range, from where on its source is deaf."""

    def ran(*, until_n=10**6, mute=False, bench=()):
        changes = {"source: {description: generic-scpi-source": f"source: {{description: {described('source', MUTE)}"}
        planned = small(type_sheet=VOLTS, bench=(changes if mute else {}) | dict(bench))
        deaf = []

        def begin(_bench, _journal, found):
            deaf.append(Deaf(found.simulated[0]._devices["source"], "SOUR:VOLT", until_n=until_n))

        def stop(event, _):
            at = event.point.setpoint if isinstance(event, ReadingTaken) else None
            if at is not None and (at.direction, at.frac) == ("down", 0.5):
                deaf[0].is_deaf = True
                raise KeyboardInterrupt

        return run(planned, on_event=stop, change=begin)

    return ran


def test_a_source_that_ignores_off_and_says_it_obeyed_is_found_out(stopped):
    done = stopped()
    assert (done.outcome.status, done.outcome.error.exit_code) == ("not safe", 4)
    assert done.outcome.error.what == (
        'source says that it is off, yet reference reads the tap "input" as with 7.5 V or 5 V set'
    )
    assert float(done.ask("source", "OUTP?")) == 0  # so it says
    assert done.events("MadeSafe") == []
    assert done.raised is None


def test_without_a_second_instrument_nobody_can_know(stopped):
    done = stopped(bench={"input: {set by: source, read by: reference}": "input: {set by: source}"})
    assert done.outcome.status == "interrupted"


def test_a_source_that_loses_commands_and_cannot_be_asked_is_found_out(stopped):
    done = stopped(mute=True)
    assert done.outcome.status == "not safe"
    assert done.outcome.error.what.startswith("source was told to go off, yet reference reads the tap")


def test_commands_that_were_lost_once_are_sent_once_more_and_the_reader_proves_it(stopped):
    done = stopped(mute=True, until_n=2)
    assert done.outcome.status == "interrupted"
    assert [each.is_proved for each in done.events("MadeSafe")] == [True]
    assert done.outcome.error.what.endswith("; outputs are safe")


def test_a_source_that_cannot_be_asked_is_proved_by_the_reader(small, described, tmp_path):
    name = described("source", MUTE)
    bench = {"source: {description: generic-scpi-source": f"source: {{description: {name}"}
    told = []
    result = core.run(small(type_sheet=VOLTS, bench=bench), serial="x", results=tmp_path / "r", listener=told.append)
    assert [each.is_proved for each in told if isinstance(each, MadeSafe)] == [True]
    assert core.document(result.record.content)["told_not_proved"] == []
