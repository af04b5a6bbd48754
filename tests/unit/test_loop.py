"""What a run does to the bench: how it moves the input, what it keeps, and what it commands when something ends it."""

import errno
import signal
from datetime import timedelta
from itertools import groupby, pairwise

import pytest

from instruments.clock import VirtualClock
from instruments.errors import InstrumentError, StoppedError
from instruments.simulated.bench import Mishap


def levels(sent):
    """Levels that the source was told, in order."""
    told = [command.split(";")[0] for command in sent if command.startswith("SOUR:FREQ ")]
    return [float(command.removeprefix("SOUR:FREQ ")) for command in told]


def assert_it_was_made_safe_first_and_came_back(ran, clean):
    """The way of a clean run, left once: for the safe level, and back to where it was by the places where it turned."""
    way, found = ([level for level, _ in groupby(levels(each.sent))] for each in (clean, ran))
    left_n = next(number for number, (one, other) in enumerate(zip(way, found, strict=False)) if one != other)
    rest = way[left_n:]
    assert found[left_n] == 0
    assert found[-len(rest) - 1 :] == [way[left_n - 1], *rest]
    exchanges = [each for each in ran.log if hasattr(each, "sent") and not each.sent.startswith("(")]
    at_fault = exchanges.index(next(each for each in exchanges if each.fault or f";{each.received}".endswith(";128")))
    sent = [each.sent for each in exchanges[at_fault + 1 :] if not each.fault]
    assert sent[:2] == ["SOUR:FREQ 0.0000000E+00", "OUTP OFF"]


def after_begin(ran, role):
    """For each point of a role, what was sent from its beginning to the beginning of the next."""
    spans, current = [], None
    for each in ran.log:
        if type(each).__name__ == "PointBegun":
            current = [] if each.point.role == role else None
            if current is not None:
                spans.append(current)
        elif current is not None and hasattr(each, "sent"):
            current.append(each.sent)
    return spans


def test_the_input_goes_through_the_plan_and_nowhere_else(small, run):
    ran = run(small())
    up, down = [250, 500, 750, 1000], [750, 500, 250, 0]
    # safe before set-up, begin at 0 %, one exercise, 0 % and two cycles, safe at the end
    assert levels(ran.sent) == [0, 0, 1000, 0, 0, *up, *down, *up, *down, 0]
    assert ran.sent.index("OUTP ON") > ran.sent.index("SOUR:FREQ 0.0000000E+00")


def test_end_pairs_are_read_without_moving_the_input(small, run):
    ran = run(small())
    pairs = after_begin(ran, "end pair")
    assert len(pairs) == 4
    for sent in pairs[:-1]:
        assert levels(sent) == []
        assert sum(each.startswith("READ?") for each in sent) >= 4
    rows = ran.record.readings.query("role == 'end pair'")
    assert sorted(rows["setpoint_pct"].unique()) == [0, 100]


def test_the_reference_reading_is_the_input_and_not_the_command(small, run):
    # A source 2 % of span low at the top: the unit is without fault, and its reference meter says so.
    change = {"faults: []": "faults: [{fault: source error, gain: -3 %, offset: 1 %}]"}
    found = run(small(bench=change)).record.evaluation
    assert found.input_by == "measured"
    assert found.visits["input"].max() == pytest.approx(980, abs=1)
    assert found.verdict.result == "pass"
    blind = change | {", read by: reference}": "}"}
    found = run(small(bench=blind)).record.evaluation
    assert found.input_by == "commanded"
    assert found.verdict.result == "fail"


def test_after_a_time_out_the_source_is_made_safe_first_and_the_point_is_taken_again(small, run):
    ran = run(small(), wrong=[Mishap(kind="time-out", instrument="meter", at_exchange=40, matching="READ?")])
    assert ran.outcome.status == "complete"
    (again,) = [each.point for each in ran.events("PointBegun") if each.attempt == 2]
    assert_it_was_made_safe_first_and_came_back(ran, run(small()))
    assert ran.record.readings.query("attempt == 2")["number"].unique() == [again.number]


@pytest.mark.parametrize(
    ("takes", "silent_s"), [("100 ms", 5 + 0.1), ("12 s", 5 + 12)], ids=["a quick reading", "a slow reading"]
)
def test_however_patient_a_meter_is_the_source_is_told_within_its_own_time_out(small, run, described, takes, silent_s):
    # The promise: from a fault to "off" 1 s and one time-out of the source, 5 s here, beyond what a reading takes.
    patient = described("meter", {"timeout: 5 s": "timeout: 60 s", "takes: 100 ms": f"takes: {takes}"})
    planned = small(bench={"  meter: {description: generic-scpi-meter": f"  meter: {{description: {patient}"})
    ran = run(planned, wrong=[Mishap(kind="time-out", instrument="meter", at_exchange=40, matching="READ?")])
    assert ran.outcome.status == "complete"
    exchanges = [each for each in ran.log if hasattr(each, "sent")]
    (fault,) = (each for each in exchanges if each.fault)
    off = next(each for each in exchanges if each.sent == "OUTP OFF" and each.at_s > fault.at_s)
    assert fault.took_s == pytest.approx(silent_s)
    assert off.at_s - fault.at_s <= silent_s + 1


@pytest.mark.parametrize("kind", ["time-out", "late"])
@pytest.mark.parametrize("answer", ["SYST:ERR?", "SOUR:FREQ?"])
def test_a_set_that_timed_out_is_set_again_before_the_point_is_read(small, run, kind, answer):
    # The source went back to the level it had confirmed; a reading there would pass for one of the new point.
    ran = run(small(), wrong=[Mishap(kind=kind, instrument="source", at_exchange=30, matching=answer)])
    assert ran.outcome.status == "complete"
    assert any(each.attempt == 2 for each in ran.events("PointBegun"))
    found = ran.record.evaluation
    assert (found.visits["input"] / 10 - found.visits["setpoint_pct"]).abs().max() < 0.1
    assert found.verdict.result == "pass"


@pytest.mark.parametrize("instrument", ["reference", "meter"])
def test_a_late_answer_is_thrown_away_and_not_taken_for_the_next(small, run, instrument):
    ran = run(small(), wrong=[Mishap(kind="late", instrument=instrument, at_exchange=45, matching="READ?")])
    clean = run(small())
    assert ran.outcome.status == "complete"
    resent = [each for each in ran.sent if each in {"*IDN?", "*CLS"}]
    assert len(resent) > len([each for each in clean.sent if each in {"*IDN?", "*CLS"}])
    for tap in ("input", "output"):
        column = "output" if tap == "output" else "input"
        found, expected = (each.record.evaluation.visits[column] for each in (ran, clean))
        span = 16 if tap == "output" else 1000
        assert found.to_numpy() == pytest.approx(expected.to_numpy(), abs=0.001 * span)


def test_a_point_that_answers_in_no_attempt_ends_the_run_safe(small, run):
    plan = small(sequence={"if never": "retries: 1\nif never"})
    wrong = [Mishap(kind="time-out", instrument="meter", at_exchange=40, matching="READ?", times_n=50)]
    ran = run(plan, wrong=wrong)
    assert ran.outcome.status == "bench fault"
    assert isinstance(ran.outcome.error, InstrumentError)
    assert ran.is_safe()


@pytest.mark.parametrize(
    ("kind", "why"),
    [("overload", "overload"), ("not a number", "not a number"), ("empty", "empty"), ("garbled", "garbled")],
)
def test_what_is_no_reading_never_becomes_a_number(small, run, kind, why):
    ran = run(small(), wrong=[Mishap(kind=kind, instrument="meter", at_exchange=60, matching="READ?", times_n=400)])
    assert ran.outcome.status == "complete"
    rows = ran.record.readings.query("tap == 'output'")
    missing = rows[rows["value"].isna()]
    assert len(missing) > 20
    assert set(missing["note"]) == {why}
    assert missing["signal"].isna().all()
    assert rows["value"].dropna().between(3.9, 20.1).all()
    assert ran.record.evaluation.verdict.result == "not determinable"
    assert "not read" in ran.record.evaluation.verdict.reason
    # Every reading of a point misses for the same reason, tried again and again: said once.
    remarks = [line for line in ran.lines if line["kind"] == "remark" and f"reading is {why}" in line["text"]]
    assert remarks
    assert len(remarks) == len({(line["number"], line["text"]) for line in remarks})


def test_a_stop_as_soon_as_the_first_reading_is_kept_leaves_a_run_that_can_go_on(small, run):
    def stop_after_the_first_reading(bench, journal, found):
        del bench, found
        write, kept = journal.write, []

        def written(kind, **fields):
            write(kind, **fields)
            if kind == "reading" and not kept:
                kept.append(kind)
                raise KeyboardInterrupt

        journal.write = written

    ran = run(small(), change=stop_after_the_first_reading)
    assert [line["kind"] for line in ran.lines].count("reading") == 1
    assert (ran.outcome.status, ran.outcome.can_resume, ran.lines[-1]["kind"]) == ("interrupted", True, "interrupted")


def test_a_reference_without_a_reading_leaves_no_verdict_although_the_output_was_read(small, run):
    wrong = [Mishap(kind="not a number", instrument="reference", at_exchange=20, matching="READ?", times_n=24)]
    found = run(small(), wrong=wrong).record.evaluation
    assert found.visits["input"].isna().sum() >= 1
    assert found.visits["output"].notna().all()
    assert found.verdict.result == "not determinable"


def test_a_single_overload_is_tried_again_and_told(small, run):
    ran = run(small(), wrong=[Mishap(kind="not a number", instrument="meter", at_exchange=40, matching="READ?")])
    assert ran.record.evaluation.verdict.result == "pass"
    assert len(ran.record.readings) == len(run(small()).record.readings)


LAGGING = {"faults: []": "faults: [{fault: lag, tau: 30 s}]"}


def test_a_point_that_never_settles_is_kept_and_marked_and_the_run_goes_on(small, run):
    ran = run(small(bench=LAGGING))
    assert ran.outcome.status == "complete"
    settling = ran.record.readings.query("tap == 'output' and role == 'reading'")["settling"]
    assert "never settled" in set(settling)
    assert not ran.record.evaluation.visits["is_steady"].all()
    assert ran.record.evaluation.verdict.result != "pass"
    assert settling.size == 17 * 2


def test_a_point_that_never_settles_stops_the_run_where_the_sequence_says_so(small, run):
    ran = run(small(sequence={"go on": "stop"}, bench=LAGGING))
    assert ran.outcome.status == "stopped by the sequence"
    assert "at point 1 of 23" in ran.outcome.reason
    assert ran.is_safe()
    assert ran.record.content.status == "stopped by the sequence"


# A source that can tell neither that it lost its power nor whether its output is on.
MUTE = {'event status: "*ESR?"\n': "", '    output query: {ask: "OUTP?"}\n': ""}


def test_a_source_that_lost_power_and_cannot_tell_leaves_no_verdict(small, run, described):
    # Power-cycled with the set itself: the level reads back right, and the output is off from then on.
    wrong = [Mishap(kind="power-cycled", instrument="source", at_exchange=20, matching="SOUR:FREQ ")]
    plan = small(bench={"{description: generic-scpi-source": f"{{description: {described('source', MUTE)}"})
    found = run(plan, wrong=wrong).record.evaluation
    assert found.verdict.result == "not determinable"
    assert "from its setpoint" in found.verdict.reason


# Power-cycled on its way to 50 % downscale: 0 % and the full stroke put the unit on its downscale branch, 75 % is the
# point before.
def down_to_50(clean):
    """The source loses its power with the second "50 %" of a run without mishap."""
    sent = [each.sent for each in clean.log if getattr(each, "instrument", "") == "source" and hasattr(each, "sent")]
    places = [number for number, command in enumerate(sent, start=1) if command.startswith("SOUR:FREQ 5.0")]
    return Mishap(kind="power-cycled", instrument="source", at_exchange=places[1])


EITHER_WAY = pytest.mark.parametrize(
    "tells", [{}, {'event status: "*ESR?"\n': ""}, {'    output query: {ask: "OUTP?"}\n': ""}], ids=str
)


@EITHER_WAY
def test_a_source_that_lost_power_is_set_up_again_and_the_point_approached_from_its_side(small, run, described, tells):
    plan = small(bench={"{description: generic-scpi-source": f"{{description: {described('source', tells)}"})
    ran = run(plan, wrong=[down_to_50(run(plan))])
    assert ran.outcome.status == "complete"
    (again,) = [each.point.number for each in ran.events("PointBegun") if each.attempt == 2]
    assert (again, plan.points[again - 1].setpoint.direction) == (10, "down")
    up, down = [250, 500, 750, 1000], [750, 500, 250, 0]
    # ... 50 % and the loss; safe at once, while it is identified and with proof; 0 %, then by way of 0 %, 100 %, 75 %
    came_back = [0, 0, 0, 0, 0, 1000, 750]
    assert levels(ran.sent) == [0, 0, 1000, 0, 0, *up, 750, 500, *came_back, *down[1:], *up, *down, 0]
    assert ran.sent.count("OUTP ON") == 2
    assert ran.record.evaluation.verdict.result == "pass"
    assert "point approached again by way of 0 %, 100 %, 75 %" in " ".join(ran.record.content.remarks)


@pytest.mark.parametrize("later", range(8, 27, 3))
def test_a_second_mishap_on_the_way_back_begins_the_way_anew(small, run, later):
    first = down_to_50(run(small()))
    again = Mishap(kind="time-out", instrument="source", at_exchange=first.at_exchange + later)
    ran = run(small(), wrong=[first, again])
    assert ran.outcome.status == "complete"
    assert ran.record.evaluation.verdict.result == "pass"
    moved = [level for level, after in pairwise([*levels(ran.sent), -1]) if level != after]
    came_back = moved[: -len([250, 0, 250, 500, 750, 1000, 750, 500, 250, 0])]
    assert came_back[-4:] == [0, 1000, 750, 500]  # each reading at 50 % downscale comes after the whole way


def test_a_unit_with_hysteresis_reads_the_same_after_the_output_was_off(small, run):
    change = {"faults: []": "faults: [{fault: hysteresis, size: 1.2 %}]"}
    clean = run(small(bench=change))
    ran = run(small(bench=change), wrong=[down_to_50(clean)])
    assert ran.outcome.status == "complete"
    before, after = (each.record.evaluation.visits["output"].to_numpy() for each in (clean, ran))
    # Coming from 0 % straight away it would read on the upscale branch: 1.2 % of 16 mA = 0.192 mA lower.
    assert after == pytest.approx(before, abs=0.01)


def test_a_meter_that_lost_power_is_set_up_again_and_no_reading_in_between_is_kept(small, run):
    wrong = [Mishap(kind="power-cycled", instrument="meter", at_exchange=60, matching="READ?")]
    ran = run(small(), wrong=wrong)
    assert ran.outcome.status == "complete"
    assert_it_was_made_safe_first_and_came_back(ran, run(small()))
    # On voltage in 1000 V range it reads a few mV of what is a current: no such number may be in the table.
    assert ran.record.readings.query("tap == 'output'")["value"].dropna().between(3.99, 20.01).all()
    assert "has lost its settings" in " ".join(ran.record.content.remarks)


# Without the event status register; with it asked for its function in place of that.
NO_STATUS = {'event status: "*ESR?"\n': ""}
ASKED = NO_STATUS | {"    reads: mA\n": '    reads: mA\n    select query: {ask: "SENS:FUNC?", reply: \'"CURR"\'}\n'}


def test_a_meter_without_event_status_is_asked_for_its_function(small, run, described):
    bench = {"meter: {description: generic-scpi-meter": f"meter: {{description: {described('meter', ASKED)}"}
    plan = small(bench=bench)
    assert not [each for each in plan.warnings if "power loss" in each]
    ran = run(plan, wrong=[Mishap(kind="power-cycled", instrument="meter", at_exchange=60, matching="READ?")])
    assert ran.outcome.status == "complete"
    assert ran.record.readings.query("tap == 'output'")["value"].dropna().between(3.99, 20.01).all()
    assert "no longer has its function selected" in " ".join(ran.record.content.remarks)
    assert ran.record.evaluation.verdict.result == "pass"


def test_of_a_meter_that_cannot_tell_the_plan_warns_once(small, described):
    mute = described("meter", NO_STATUS)
    bench = {
        f"{name}: {{description: generic-scpi-meter": f"{name}: {{description: {mute}"
        for name in ("reference", "meter")
    }
    (warning,) = [each for each in small(bench=bench).warnings if "power loss" in each]
    assert warning == (
        "reference, meter cannot report a power loss and may resume in another function: give "
        '"event status" or "select query" in the description if there is one'
    )


@pytest.mark.parametrize(("instrument", "place"), [("source", 28), ("reference", 40), ("meter", 60)])
def test_a_dropped_connection_is_opened_again_and_the_run_goes_on(small, run, instrument, place):
    ran = run(small(), wrong=[Mishap(kind="dropped", instrument=instrument, at_exchange=place)])
    assert ran.outcome.status == "complete"
    assert "(opened again)" in ran.sent
    assert_it_was_made_safe_first_and_came_back(ran, run(small()))
    assert ran.record.evaluation.verdict.result == "pass"
    assert "the line failed" in " ".join(ran.record.content.remarks)


def next_sent(ran, mark):
    """What was sent after the first mark in the log."""
    place = ran.log.index(mark)
    return [each.sent for each in ran.log[place:] if hasattr(each, "sent")]


class BrokenError(Exception):
    pass


ENDS = {
    "an exception in a listener": BrokenError("of a listener"),
    "Ctrl-C": KeyboardInterrupt(),
    "SIGTERM": KeyboardInterrupt("SIGTERM"),
    "a stop by the operator": StoppedError("stopped at the page"),
    "no memory": MemoryError(),
}


@pytest.mark.parametrize("error", ENDS.values(), ids=ENDS.keys())
@pytest.mark.parametrize("at", ["Planned", "SampleTaken", "ReadingTaken"])
def test_whatever_ends_a_run_the_safe_level_is_the_next_thing_commanded(small, run, error, at):
    marks = []

    def end(event, _):
        if type(event).__name__ == at and not marks and (at == "Planned" or event.point.number >= 7):
            marks.append(event)
            raise error

    ran = run(small(), on_event=end)
    assert next_sent(ran, marks[0])[:2] == ["SOUR:FREQ 0.0000000E+00", "OUTP OFF"]
    assert ran.is_safe()
    last = ran.lines[-1]
    assert last["kind"] == ("closed" if at == "Planned" else "interrupted")
    assert ("before the first point" if at == "Planned" else "at point 7 of 23") in last["reason"]
    assert ran.record.content.reason == last["reason"]
    is_ours = isinstance(error, (KeyboardInterrupt, StoppedError))
    assert (ran.raised is None) == is_ours
    assert ran.record.content.status == "interrupted"


def test_a_listener_that_always_fails_does_not_hide_how_the_run_ended(small, run):
    def broken(_, __):
        raise BrokenError("always")

    ran = run(small(), on_event=broken)
    assert isinstance(ran.raised, BrokenError)
    assert ran.is_safe()
    assert ran.lines[-1]["kind"] == "closed"


@pytest.mark.parametrize("number", [1, 5, 21, 60, 150])
def test_ctrl_c_at_any_exchange_leaves_the_bench_safe_and_the_record_readable(small, run, number):
    seen = []

    def interrupt(exchange, _):
        seen.append(exchange)
        if len(seen) == number:
            raise KeyboardInterrupt

    ran = run(small(), on_exchange=interrupt)
    assert ran.raised is None
    assert ran.outcome.status == "interrupted"
    # A line that may still owe an answer is cleared first, and a source that was not met yet is asked who it is.
    after = [each for each in next_sent(ran, seen[number - 1])[1:] if not each.startswith("(")]
    assert after[1 if after[0] == "*IDN?" else 0] == "SOUR:FREQ 0.0000000E+00"
    assert ran.is_safe()
    assert ran.record.content.status == "interrupted"


def test_a_real_signal_in_the_middle_stops_the_run_and_the_handlers_are_given_back(small, run):
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)

    def terminate(event, _):
        if type(event).__name__ == "ReadingTaken" and event.point.number == 7:
            signal.raise_signal(signal.SIGTERM)

    ran = run(small(), on_event=terminate)
    assert ran.outcome.status == "interrupted"
    assert "SIGTERM at point 7 of 23" in ran.outcome.reason
    assert ran.is_safe()
    assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == before


class FullDisk:
    """A file on a disk with room for so many more lines; then it takes half a line, and no more."""

    def __init__(self, file, lines_n):
        self._file, self._left_n = file, lines_n

    def write(self, line):
        self._left_n -= 1
        if self._left_n < 0:
            if self._left_n == -1:
                self._file.write(line[: len(line) // 2])
            raise OSError(errno.ENOSPC, "No space left on device")
        return self._file.write(line)

    def __getattr__(self, name):
        return getattr(self._file, name)


@pytest.mark.parametrize("lines_n", [0, 3, 30, 200])
def test_a_full_disk_ends_the_run_safe_and_what_was_written_is_read(small, run, lines_n):
    def fill(_, journal, __):
        journal._file = FullDisk(journal._file, lines_n)

    ran = run(small(), change=fill)
    assert ran.raised is None
    assert ran.outcome.status == "bench fault"
    assert "cannot be written: No space left on device" in ran.outcome.reason
    assert ran.is_safe()
    assert "OUTP OFF" in ran.sent[-8:]
    content = ran.record.content
    assert content.status == "interrupted"
    assert "cut off" in content.reason
    if lines_n == 200:
        assert f"at point {ran.lines[-2].get('number') or ran.record.readings['number'].max()}" in content.reason


@pytest.mark.parametrize("place", range(1, 120, 7))
def test_a_disk_that_fills_at_an_exchange_ends_the_run_before_the_input_moves_again(small, run, place):
    # With a wait of a minute at each point: it must not be waited out, nor sampled on.
    plan = small(type_sheet={"minimum: 80 ms, maximum: 3 s": "minimum: 60 s, maximum: 90 s"})
    struck_at = []

    def fill(_, journal, found):
        told = journal.exchange

        def exchange(each):
            if len(found.log) >= place and not struck_at:
                struck_at.append(len(found.sent))
                journal._file = FullDisk(journal._file, 0)
            told(each)

        journal.exchange = exchange

    ran = run(plan, change=fill)
    assert ran.outcome.status == "bench fault"
    assert "cannot be written: No space left on device" in ran.outcome.reason
    assert ran.is_safe()
    after = ran.sent[struck_at[0] :]
    assert set(levels(after)) == {0.0}
    assert "OUTP ON" not in after
    if "OUTP ON" in ran.sent[: struck_at[0]]:
        assert after.count("READ?") <= 1  # the one under way


def test_an_output_that_cannot_be_made_safe_outranks_everything(small, run):
    wrong = [Mishap(kind="time-out", instrument="source", at_exchange=20, times_n=1000)]
    ran = run(small(), wrong=wrong)
    assert ran.outcome.status == "not safe"
    assert ran.outcome.error.exit_code == 4
    assert "by hand, now" in ran.outcome.error.todo
    assert ran.record.content.advice.startswith("Switch the source off by hand, now: ")


def test_one_seed_gives_one_journal(small, run):
    one, other = (run(small()) for _ in range(2))
    assert (one.folder / "journal.jsonl").read_bytes() == (other.folder / "journal.jsonl").read_bytes()


def test_another_seed_gives_other_readings(small, run):
    one, other = (run(small(bench={"seed: 11": f"seed: {seed}"})) for seed in (1, 2))
    assert not one.record.readings["value"].equals(other.record.readings["value"])


def test_a_level_outside_the_limits_is_refused_at_the_set_as_well(small, run):
    # The plan would refuse it; here the limits grow narrower after it was made, as a file changed in between would do.
    def narrow(bench, _, __):
        source = bench.sources["input"]
        source._limits = tuple((reason, type(limit)(0.0, 600.0, limit.unit)) for reason, limit in source._limits)

    ran = run(small(), change=narrow)
    assert ran.outcome.status == "bench fault"
    assert "refused: outside the" in ran.outcome.reason
    assert max(levels(ran.sent)) <= 600
    assert ran.is_safe()


KEYED_BENCH = """\
bench: hand-held source and meter
instruments:
  hand source: {description: keyed-source}
  hand meter: {description: keyed-meter}
taps:
  input: {set by: hand source}
  output: {read by: hand meter}
"""


def true_reading(question):
    """What a person types who reads a unit without fault."""
    return f"{question.expected:.3f}" if question.kind == "reading" else "yes"


@pytest.fixture
def keyed(small, monkeypatch):
    """A plan for hand-held instruments; nobody waits in a test."""
    monkeypatch.setattr("instruments.bench.RealClock", VirtualClock)

    def planned(**changes):
        return small(bench_text=KEYED_BENCH, sequence={"cycles: 2": "cycles: 1"} | changes)

    return planned


def test_readings_keyed_in_give_a_verdict(keyed, run, answers):
    operator = answers(*[true_reading] * 200)
    ran = run(keyed(), operator=operator)
    assert ran.outcome.status == "complete"
    found = ran.record.evaluation
    assert found.verdict.result == "pass"
    assert found.input_by == "commanded"
    assert found.visits["is_steady"].all()
    assert set(ran.record.readings["settling"]) == {"by the operator"}
    assert operator.questions[-1].text == "Make hand source safe: set 0 Hz and switch the output off"


def test_a_keyed_run_is_not_stopped_as_never_settled(keyed, run, answers):
    ran = run(keyed(**{"go on": "stop"}), operator=answers(*[true_reading] * 200))
    assert ran.outcome.status == "complete"


def test_back_corrects_the_reading_before_and_keeps_both_in_the_table(keyed, run, answers):
    readings = []

    def slip(question):
        if question.kind != "reading":
            return "yes"
        readings.append(question)
        if len(readings) == 5:
            return "12.2"  # a slip at 50 %
        if len(readings) == 6:
            return "back"
        return true_reading(question)

    ran = run(keyed(), operator=answers(*[slip] * 200))
    assert ran.outcome.status == "complete"
    assert "Entry before, 12.2," in readings[6].text
    rows = ran.record.readings.query("point == 2 and direction == 'up'")
    assert list(rows["value"]) == [12.2, 12.0, 12.0]
    assert list(rows["correction"]) == [0, 1, 0]
    assert list(rows["reading"]) == [1, 1, 2]
    assert rows["note"].iloc[1] == "corrected by the operator"
    assert ran.record.evaluation.verdict.result == "pass"
    assert any("corrected to 12.000" in remark for remark in ran.record.content.remarks)


def test_a_person_who_goes_away_stops_the_run(keyed, run, answers):
    operator = answers(*[true_reading] * 20, StoppedError("stopped by the operator"))
    ran = run(keyed(), operator=operator)
    assert ran.outcome.status == "interrupted"
    assert operator.questions[-1].text.startswith("Make hand source safe")


def test_cautions_are_asked_of_a_real_bench_before_anything_is_energised(keyed, run, answers):
    plan = keyed(**{"settled within": "cautions: [Guards are fitted.]\nsettled within"})
    operator = answers("no")
    ran = run(plan, operator=operator)
    assert ran.outcome.status == "interrupted"
    assert "caution 1 was not confirmed, so nothing was energised" in ran.outcome.reason
    assert [question.kind for question in operator.questions] == ["caution"]


@pytest.mark.parametrize("kind", ["garbled", "overload"])
def test_a_run_that_reads_nothing_at_all_is_a_run(small, run, kind):
    nothing = [Mishap(kind=kind, instrument=name, matching="READ?", times_n=10_000) for name in ("meter", "reference")]
    ran = run(small(), wrong=nothing)
    assert ran.outcome.status == "complete"
    content = ran.record.content
    assert ran.record.readings["value"].isna().all()
    assert content.evaluation.verdict.result == "not determinable"
    assert content.findings.cause == "no reading at any tap, so no cause can be told"
    assert "journal" in content.findings.check


@pytest.mark.parametrize("reply", ["+4.0E+30", "+9.9E+37", "20"])
def test_a_number_beyond_the_range_is_no_reading(small, run, reply):
    # A meter in its range of 100 mA (0.1 A on the wire): 20 A is none of it, and neither is a makeshift for infinity.
    def change(bench, journal, found):
        del journal, found
        session = bench.receivers["output"].instrument.session
        asked = session.query

        def answered(command):
            found = asked(command)
            if "READ?" not in command:
                return found
            # The event status comes along, before or behind.
            return f"0;{reply}" if command.startswith("*ESR?") else f"{reply};0"

        session.query = answered

    ran = run(small(), change=change)
    assert ran.outcome.status == "complete"
    rows = ran.record.readings.query("tap == 'output'")
    assert rows["value"].isna().all()
    assert set(rows["note"]) == {"overload"}
    assert ran.record.evaluation.verdict.result == "not determinable"


@pytest.mark.parametrize(("step_s", "said"), [(3600, "went on by 3600 s"), (-7200, "went back by 7200 s"), (0.5, "")])
def test_a_step_of_the_computers_clock_is_recorded_and_moves_no_time_of_the_run(small, run, step_s, said):
    def change(bench, journal, found):
        del journal, found
        date = bench.clock.date
        bench.clock.date = lambda: date() + timedelta(seconds=step_s if bench.clock.now() > 3 else 0)

    ran = run(small(), change=change)
    assert ran.outcome.status == "complete"
    remarks = [line["text"] for line in ran.lines if line["kind"] == "remark"]
    assert [text for text in remarks if "clock" in text] == [text for text in remarks if said and said in text]
    assert len(remarks) == (said != "")
    # Every line counts from the same moment, exchanges too, and none is written before the one that it follows.
    at_s = [line["at_s"] for line in ran.lines if "at_s" in line and line["kind"] in {"exchange", "reading", "remark"}]
    assert at_s == pytest.approx(sorted(at_s), abs=2.0)
    assert 0 <= at_s[0] < 2
    assert at_s[-1] < bench_time(ran) + 1


def bench_time(ran):
    return ran.simulated[0].clock.now()
