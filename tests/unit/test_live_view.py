"""The live view: cheap, throttled, plain on a pipe, and silent once nobody listens."""

import io
import time

import pytest
from rich.console import Console

from instruments.clock import VirtualClock
from sequencer import core
from sequencer.reports.live import LiveView, sparkline
from sequencer.reports.progress import Progress
from sequencer.running.events import (
    Closed,
    MadeSafe,
    PointBegun,
    PointSettled,
    ReadingTaken,
    Remarked,
    SampleTaken,
    Waited,
)
from sequencer.running.settling import Settled, State

SETTLED_AFTER_S = 2.0


@pytest.fixture(scope="module")
def plan():
    return core.plan("pulse-to-current", "simulated")


def events_of(plan, *, samples_n=5, error=0.0):
    """What a run would tell, without running it."""
    tap = plan.sheet.taps[-1]
    for point in plan.points:
        yield PointBegun(point=point, attempt=1)
        value = point.expected[-1] + error
        for number in range(samples_n):
            yield SampleTaken(
                point=point, after_s=0.1 * number, value=value - 0.5**number, state=State.MOVING, to_go=0.5**number
            )
        settled = Settled(state=State.STEADY, after_s=2.0, to_go=0.001, noise_sd=0.0, time_constant_s=0.5, trace=())
        yield PointSettled(point=point, settled=settled)
        if point.role != "exercise":
            for reading in range(1, point.setpoint.readings_n + 1):
                for name, level, unit in (("input", point.value, "Hz"), (tap.name, value, tap.unit)):
                    yield ReadingTaken(point=point, tap=name, reading=reading, value=level, unit=unit)
    yield MadeSafe(instrument="source", level="0 Hz")
    yield Closed(status="complete", reason="all points taken")


def console(*, terminal, width=80):
    return Console(file=io.StringIO(), force_terminal=terminal, width=width, color_system=None)


def test_on_a_pipe_each_point_gives_one_plain_line(plan):
    shown = console(terminal=False)
    with LiveView(plan, shown) as view:
        for event in events_of(plan, error=0.016):
            view(event)
    lines = shown.file.getvalue().splitlines()
    assert len(lines) == len(plan.points) + 2
    assert lines[6] == "7/73 traverse 0 % up, cycle 1: 4.0160 mA, error +0.0160, 50 % of tol"
    assert lines[0] == "1/73 exercise 100 % up, cycle 1: visited"
    assert lines[-1] == "complete: all points taken"
    assert "\x1b" not in shown.file.getvalue()
    assert max(len(line) for line in lines) <= 80


def test_a_long_remark_is_folded_on_a_pipe(plan):
    shown = console(terminal=False)
    with LiveView(plan, shown) as view:
        view(Remarked(point=None, text="word " * 60))
    assert max(len(line) for line in shown.file.getvalue().splitlines()) <= 80


def test_remarks_are_shown_as_they_are_whatever_they_hold(plan):
    shown = console(terminal=False)
    with LiveView(plan, shown) as view:
        view(Remarked(point=plan.points[8], text='overload; reply "[bold]\x1b[2J"'))
    assert shown.file.getvalue() == 'point 9: overload; reply "[bold]\\x1b[2J"\n'


def test_a_terminal_is_drawn_at_most_eight_times_a_second(plan):
    clock = VirtualClock()
    view = LiveView(plan, console(terminal=True), clock=clock)
    drawn = []
    view._draw = lambda: (drawn.append(clock.now()), setattr(view, "_drawn_s", clock.now()))
    with view:
        for event in events_of(plan):
            clock.sleep(0.01)
            view(event)
    assert 0 < len(drawn) <= 8 * clock.now() + 1


def test_a_whole_run_of_thousands_of_samples_costs_little(plan):
    events = list(events_of(plan, samples_n=80))
    assert len(events) > 6000
    with LiveView(plan, console(terminal=True)) as view:
        begin_s = time.perf_counter()
        for event in events:
            view(event)
        took_s = time.perf_counter() - begin_s
    assert took_s < 1.0  # 0.02 s on an idle computer; the bound leaves room for a busy one


def test_the_block_shows_point_value_worst_and_time_left(plan):
    clock = VirtualClock()
    shown = console(terminal=True, width=100)
    view = LiveView(plan, shown, clock=clock)
    for event in events_of(plan, error=-0.04):
        clock.sleep(0.01)
        view(event)
        if isinstance(event, ReadingTaken) and event.point.number == 20:
            break
    shown.print(view.block())
    text = shown.file.getvalue()
    assert "19 of 73 done" in text
    assert "point 20: traverse" in text
    assert "worst so far 125 % of tolerance" in text
    assert "provisional" in text
    assert "left" in text


@pytest.mark.parametrize(("error", "is_near"), [(0.0315, True), (0.01, False), (0.06, False)])
def test_a_worst_error_nearer_to_its_limit_than_U_says_so(plan, error, is_near):
    shown = console(terminal=True, width=100)
    view = LiveView(plan, shown)
    for event in events_of(plan, error=error):
        view(event)
    shown.print(view.block())
    assert ("nearer to its limit than U" in shown.file.getvalue()) == is_near


def test_no_line_of_the_block_is_wider_than_the_terminal(plan):
    shown = console(terminal=True, width=60)
    view = LiveView(plan, shown)
    for event in events_of(plan):
        view(event)
    shown.print(view.block())
    assert max(len(line) for line in shown.file.getvalue().splitlines()) <= 60


def test_time_left_follows_how_fast_it_really_goes(plan):
    clock = VirtualClock()
    progress = Progress(plan, clock)
    assert progress.left_s == pytest.approx(plan.estimate_s)
    half = len(plan.points) // 2
    for event in events_of(plan):
        if isinstance(event, PointBegun):
            if event.point.number > half:
                break
        elif isinstance(event, PointSettled):
            clock.sleep(2 * event.point.settles_s)  # twice as slow as planned
        progress.take(event)
    # The plan's word counts as two average points against those that were taken.
    settles_s = [point.settles_s for point in plan.points]
    doubt_s, told_s = 2 * sum(settles_s) / len(settles_s), sum(settles_s[:half])
    ratio = (doubt_s + 2 * told_s) / (doubt_s + told_s)
    reads_s = sum(point.reads_s for point in plan.points[half:])
    assert ratio * sum(settles_s[half:]) < progress.left_s < ratio * sum(settles_s[half:]) + reads_s


def test_while_paused_nothing_is_drawn(plan):
    shown = console(terminal=True)
    with LiveView(plan, shown) as view:
        events = events_of(plan)
        view(next(events))
        with view.paused():
            before = shown.file.getvalue()
            for _ in range(5):
                view(next(events))
            assert shown.file.getvalue() == before


class Gone(io.StringIO):
    """A pipe whose reader, or a terminal whose window, has gone."""

    def __init__(self, error):
        super().__init__()
        self.error = error

    def write(self, text):
        del text
        raise self.error


@pytest.mark.parametrize(("terminal", "error"), [(True, OSError(5, "gone")), (False, BrokenPipeError())])
def test_a_console_that_is_gone_does_not_end_the_run(plan, terminal, error):
    with LiveView(plan, Console(file=Gone(error), force_terminal=terminal)) as view:
        for event in events_of(plan):
            view(event)
    assert view.progress.done_n == len(plan.points)


def test_a_point_without_a_reading_says_so(plan):
    shown = console(terminal=False)
    point = plan.points[7]
    with LiveView(plan, shown) as view:
        view(PointBegun(point=point, attempt=1))
        for reading in range(1, point.setpoint.readings_n + 1):
            view(ReadingTaken(point=point, tap="output", reading=reading, value=float("nan"), unit="mA"))
    assert shown.file.getvalue() == "8/73 traverse 10 % up, cycle 1: no reading\n"


@pytest.mark.parametrize(("values", "bars"), [([], ""), ([1, 1], "▁▁"), ([0, 7, 14], "▁▅█"), ([float("nan")], "")])
def test_a_sparkline_goes_from_lowest_to_highest(values, bars):
    assert sparkline(values) == bars


def test_a_long_sparkline_is_thinned_and_ends_with_the_last_value():
    bars = sparkline(range(1000), 9)
    assert len(bars) <= 9
    assert bars[-1] == "█"


@pytest.fixture(scope="module")
def hand_plan():
    return core.plan("pulse-to-current", "by-hand")


def test_for_a_person_each_point_has_a_line_before_and_one_after_and_nothing_is_erased(hand_plan):
    shown = console(terminal=True)
    with LiveView(hand_plan, shown) as view:
        for event in events_of(hand_plan, samples_n=0, error=0.016):
            with view.paused():
                view(event)
    text = shown.file.getvalue()
    assert "\x1b" not in text  # no cursor is moved
    lines = text.splitlines()
    at = lines.index("point 7 of 73: traverse 0 % upscale, cycle 1")
    assert lines[at + 1].startswith("    4.0000 mA expected at output, about ")
    # 0.016 mA of 16 mA is 0.1 % of span, half of the 0.2 % allowed.
    assert lines[at + 2] == "    4.0160 mA, error +0.0160, 50 % of tol"
    assert max(map(len, lines)) <= 80


def test_a_block_that_comes_again_is_drawn_below_what_was_asked(plan):
    clock, shown = VirtualClock(), console(terminal=True)
    first, other, *_ = list(events_of(plan))
    with LiveView(plan, shown, clock=clock) as view:
        view(first)
        with view.paused():
            shown.file.write("question? yes\n")
        before = len(shown.file.getvalue())
        clock.sleep(1)
        view(other)
        again = shown.file.getvalue()[before:]
    assert "0 of 73 done" in again
    assert "\x1b[1A" not in again  # above it stands the question: the cursor stays below


def test_a_person_is_told_once_how_long_to_wait_where_nothing_is_read_too(hand_plan):
    shown = console(terminal=True)
    point = next(each for each in hand_plan.points if not each.setpoint.is_read)
    with LiveView(hand_plan, shown) as view:
        view(PointBegun(point=point, attempt=1))
        for left_s in (12.0, 11.0, 0.0):
            view(Waited(point=point, left_s=left_s))
        view(PointBegun(point=point, attempt=2))
        view(Waited(point=point, left_s=12.0))
    assert shown.file.getvalue().count("    wait 12 s: the unit settles\n") == 2
    assert "wait 11 s" not in shown.file.getvalue()


@pytest.mark.parametrize("width", [40, 80, 120])
def test_a_long_line_is_broken_between_words_on_a_terminal(hand_plan, width):
    shown = console(terminal=True, width=width)
    reason = "Ctrl-C; the run ended at point 4 of 13, and the source is at its safe level: " * 3
    with LiveView(hand_plan, shown) as view:
        view(Closed(status="interrupted", reason=reason.strip()))
    lines = shown.file.getvalue().splitlines()
    assert max(map(len, lines)) < width
    assert " ".join(" ".join(lines).split()) == f"interrupted: {reason.strip()}"
