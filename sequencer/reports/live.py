"""The live view of a run: a listener that shows where it is. The run itself never prints.

On a terminal one block is drawn again a few times a second; on a pipe there is a plain line a point. The worst error
shown is provisional: it holds the mean of a point's readings against the ideal for the *commanded* input, while the
evaluation takes the measured one.
"""

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from textwrap import wrap
from types import TracebackType
from typing import Self

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from instruments.clock import Clock, RealClock
from instruments.roles import said_safe
from instruments.texts import counted
from sequencer.inputs.step import READING
from sequencer.planning.plan import Plan, Point
from sequencer.planning.times import PointTime
from sequencer.reports.as_text import decimals_for, duration, fixed, percent_used, plain, way
from sequencer.reports.time_left import LivePace
from sequencer.running.events import (
    Answered,
    Closed,
    Event,
    MadeSafe,
    Planned,
    PointBegun,
    PointSettled,
    ReadingTaken,
    Remarked,
    SampleTaken,
    Waited,
)

__all__ = ["LiveView", "Progress", "sparkline"]

_REFRESH_S = 0.125
_BARS = "▁▂▃▄▅▆▇█"
_SPARK_N = 40
_KEPT_N = 400
_PIPE_WIDTH = 80
_MINUS = "-"


def sparkline(values: Sequence[float], width: int = _SPARK_N) -> str:
    """Values as a row of small bars, lowest to highest, the last `width` of an even thinning; "" without any."""
    known = [value for value in values if math.isfinite(value)]
    if not known:
        return ""
    stride = math.ceil(len(known) / width)
    thin = known[::-1][::stride][::-1]  # the last value is always there
    low, high = min(thin), max(thin)
    if high == low:
        return _BARS[0] * len(thin)
    return "".join(_BARS[min(int((value - low) / (high - low) * len(_BARS)), len(_BARS) - 1)] for value in thin)


class AtPoint:
    """What is known of the point where a run is.

    Attributes:
        point: where.
        attempt: from 1.
        state: what goes on there, in words.
        samples: levels while waiting, the newest last.
        after_s: time since the setpoint change.
        to_go: the residual settling error, at most.
        error: of the mean of its readings, once it is complete.
    """

    def __init__(self, point: Point, attempt: int) -> None:
        self.point = point
        self.attempt = attempt
        self.state = "moving"
        self.samples: deque[float] = deque(maxlen=_KEPT_N)
        self.after_s = self.to_go = self.error = math.nan
        self._sum = 0.0
        self._read_n = 0

    def read(self, event: ReadingTaken) -> bool:
        """Take a reading at the last tap; True with the last of its point."""
        if math.isfinite(event.value):
            self._sum += event.value
            self._read_n += 1
        readings_n = self.point.setpoint.readings_n
        self.state = f"reading {event.reading} of {readings_n}"
        if event.reading < readings_n:
            return False
        if self._read_n and not self.point.setpoint.is_quick:
            self.error = self.mean - self.point.expected[-1]
        return True

    @property
    def used_pct(self) -> float:
        """The error in % of the tolerance; NaN where none is judged."""
        is_judged = self.point.role == READING and self.point.tolerance > 0
        return 100 * self.error / self.point.tolerance if is_judged else math.nan

    @property
    def value(self) -> float:
        """The last sample; NaN before the first."""
        return self.samples[-1] if self.samples else math.nan

    @property
    def mean(self) -> float:
        """Mean of the readings of the point; NaN before the first."""
        return self._sum / self._read_n if self._read_n else math.nan

    def level(self, value: float, *, is_signed: bool = False) -> str:
        """A level in the unit of the output, to the digits that the tolerance asks for."""
        return fixed(value, decimals_for(self.point.tolerance), minus=_MINUS, is_signed=is_signed)


class Progress:
    """Where a run is, from its events: point, trace, worst error so far, time left. It shows nothing.

    Args:
        plan: of the run.
        clock: real time, which is what "time left" is about.
    """

    def __init__(self, plan: Plan, clock: Clock) -> None:
        self.plan = plan
        self._clock = clock
        self._start_s = clock.now()
        self._last_tap = plan.sheet.taps[-1].name
        self.unit = plan.sheet.taps[-1].unit
        self._pace = LivePace([PointTime(point.settles_s, point.reads_s) for point in plan.points])
        self._moved_s = self._start_s  # where the part of a point that goes on now began
        self.here: AtPoint | None = None
        self.worst: AtPoint | None = None
        self.done_n = 0

    def take(self, event: Event) -> bool:
        """Take an event; True if it completes a point."""
        if isinstance(event, Planned):
            if event.exchange_s:
                self._take_measured(event)
        elif isinstance(event, PointBegun):
            self.here = AtPoint(event.point, event.attempt)
            self._moved_s = self._clock.now()
        elif self.here is None:
            return False
        elif isinstance(event, SampleTaken):
            self.here.samples.append(event.value)
            self.here.after_s, self.here.to_go = event.after_s, event.to_go
        elif isinstance(event, ReadingTaken):
            is_last = event.tap == (event.point.setpoint.tap or self._last_tap)
            return is_last and self.here.read(event) and self._complete(self.here)
        elif isinstance(event, PointSettled):
            self.here.state = str(event.settled.state)
            self._pace.settled(event.point.number, self._passed_s())
            return not event.point.setpoint.is_read and self._complete(self.here)
        elif isinstance(event, Waited):
            because = event.point.setpoint.because
            self.here.state = f"waiting, {duration(event.left_s)} left" + (f": {plain(because)}" if because else "")
            return event.left_s <= 0 and self._complete(self.here)
        elif isinstance(event, Answered):
            self.here.state = f"answered: {plain(event.answer)}"
            return self._complete(self.here)
        return False

    def _complete(self, here: AtPoint) -> bool:
        if here.point.setpoint.is_read:
            self._pace.read(here.point.number, self._passed_s())
        self.done_n = here.point.number
        if math.isfinite(here.used_pct) and (self.worst is None or abs(here.used_pct) > abs(self.worst.used_pct)):
            self.worst = here
        return True

    def _passed_s(self) -> float:
        """Time since this was asked last, or the point was begun."""
        now_s = self._clock.now()
        passed_s, self._moved_s = now_s - self._moved_s, now_s
        return passed_s

    def _take_measured(self, event: Planned) -> None:
        """What an exchange takes is known once the instruments were prepared."""
        if not self.plan.timed_by_n:  # an earlier run says more
            timed = self.plan.timed({}, measured_s=event.exchange_s)
            self._pace = LivePace([PointTime(point.settles_s, point.reads_s) for point in timed.points])

    @property
    def left_s(self) -> float:
        """Real time left: the plan's estimate of what remains, corrected by how the part that is done went."""
        if self.here is None:
            passed_s = self._clock.now() - self._start_s
            return self._pace.left_s(0) + max(self.plan.begin_s - passed_s, 0.0)
        return self._pace.left_s(self.done_n, now_s=self._clock.now() - self._moved_s)


def place(point: Point) -> str:
    """A point in words: "40 % upscale, cycle 2"."""
    setpoint = point.setpoint
    return f"{100 * setpoint.frac:g} %{way(setpoint.direction)}, cycle {setpoint.cycle}"


class LiveView:
    """A listener that shows a run; a context manager.

    On a terminal the block is drawn at most 8 times a second, whatever comes; elsewhere each point gives one line. Once
    its console is gone (a closed pipe) it falls silent: nobody's terminal may end a run.

    Args:
        plan: of the run.
        console: where to show, such as `Console(stderr=True)`.
        clock: real time.
    """

    def __init__(self, plan: Plan, console: Console, *, clock: Clock | None = None) -> None:
        self._clock = clock or RealClock()
        self.progress = Progress(plan, self._clock)
        self._console = console
        self._is_terminal = console.is_terminal
        self._live = Live(console=console, auto_refresh=False, transient=True) if self._is_terminal else None
        self._lines: list[Text] = []
        self._drawn_s = -math.inf
        self._is_silent = False
        self._is_shown = False

    def __enter__(self) -> Self:
        """Begin to show."""
        if self._live is not None:
            self._guarded(self._live.start)
            self._is_shown = True
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Show the last lines and take the block away."""
        self._flush()
        if self._live is not None:
            self._is_shown = False
            self._guarded(self._live.stop)

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Within this the terminal belongs to somebody else, such as a question to the operator."""
        self._flush()
        was_shown, self._is_shown = self._is_shown, False
        if self._live is not None and was_shown:
            self._guarded(self._live.stop)
        try:
            yield
        finally:
            if self._live is not None and was_shown:
                self._guarded(self._live.start)
                self._is_shown = True

    def __call__(self, event: Event) -> None:
        """Take an event, and show it if it is time."""
        is_done = self.progress.take(event)
        if not isinstance(event, (SampleTaken, Waited)) or is_done:
            self._say(event, is_done=is_done)
        if self._is_silent:
            self._lines.clear()
        elif not self._is_terminal:
            self._flush()
        elif self._is_shown and self._clock.now() - self._drawn_s >= _REFRESH_S:
            self._draw()

    def _say(self, event: Event, *, is_done: bool) -> None:
        """A line for what is worth one: remarks, what was made safe, the end; on a pipe each point too."""
        if isinstance(event, Remarked):
            at = f"point {event.point.number}: " if event.point is not None else ""
            self._lines.append(Text(f"{at}{plain(event.text)}", style="yellow"))
        elif isinstance(event, MadeSafe):
            style = "" if event.is_proved else "yellow"
            said = said_safe(plain(event.instrument), plain(event.level), is_proved=event.is_proved)
            self._lines.append(Text(said, style=style))
        elif isinstance(event, Closed):
            style = "" if event.status == "complete" else "bold red"
            self._lines.append(Text(f"{event.status}: {plain(event.reason)}", style=style))
        elif is_done and not self._is_terminal:
            self._lines.append(Text(self._point_line()))

    def _point_line(self) -> str:
        now = self.progress.here
        assert now is not None
        point, setpoint = now.point, now.point.setpoint
        if setpoint.is_still:
            said = now.state if setpoint.ask else f"waited {duration(setpoint.lasts_s)}"
            return f"{point.number}/{len(self.progress.plan.points)} {point.step_name}: {said}"
        at = f"{100 * setpoint.frac:g} % {setpoint.direction}".rstrip() + f", cycle {setpoint.cycle}"
        head = f"{point.number}/{len(self.progress.plan.points)} {point.step_name} {at}"
        if not setpoint.is_read:
            return f"{head}: visited"
        if point.setpoint.is_quick:
            return f"{head}: {counted(setpoint.readings_n, 'reading')}{', drive off' if setpoint.is_off else ''}"
        kind = ", end pair" if setpoint.is_again else ""
        if not math.isfinite(now.error):
            return f"{head}{kind}: no reading"
        used = f", {percent_used(now.used_pct, minus=_MINUS)} % of tol" if math.isfinite(now.used_pct) else ""
        mean, error = now.level(now.mean), now.level(now.error, is_signed=True)
        return f"{head}{kind}: {mean} {self.progress.unit}, error {error}{used}"

    def _flush(self) -> None:
        """Print the lines that wait."""
        lines, self._lines = self._lines, []
        if not lines:
            return
        if self._is_terminal:
            self._guarded(lambda: self._console.print(*lines, sep="\n", soft_wrap=True))
        else:
            self._guarded(lambda: self._write(lines))

    def _write(self, lines: Sequence[Text]) -> None:
        """Lines straight to the file: on a broken pipe rich would close stdout, and the results with it, and exit."""
        shown = [part for line in lines for part in wrap(line.plain, _PIPE_WIDTH, subsequent_indent="    ")]
        self._console.file.write("".join(f"{line}\n" for line in shown))
        self._console.file.flush()

    def _draw(self) -> None:
        self._drawn_s = self._clock.now()
        self._flush()
        live = self._live
        assert live is not None
        self._guarded(lambda: live.update(self.block(), refresh=True))

    def block(self) -> Group:
        """What stands on the terminal now."""
        progress, now = self.progress, self.progress.here
        all_n = len(progress.plan.points)
        done = round(24 * progress.done_n / all_n) if all_n else 0
        left = duration(progress.left_s)
        head = f"[{'#' * done}{'.' * (24 - done)}] {progress.done_n} of {all_n} done, about {left} left"
        if now is None:
            return Group(Text(head, no_wrap=True, overflow="ellipsis"))
        again = f", attempt {now.attempt}" if now.attempt > 1 else ""
        at = "" if now.point.setpoint.is_still else f", {place(now.point)}"
        where = f"point {now.point.number}: {now.point.step_name}{at}{again}: {now.state}"
        value = f"{now.level(now.value)} {progress.unit}" if math.isfinite(now.value) else "no sample yet"
        if not now.samples and math.isfinite(now.mean):  # a person reads
            value = f"{now.level(now.mean)} {progress.unit}, mean of the readings"
        if now.point.setpoint.is_still:
            value = ""
        to_go = f", at most {now.level(now.to_go)} to go" if math.isfinite(now.to_go) else ""
        wide = max(min(_SPARK_N, self._console.width - 45), 8)
        trace = f"{sparkline(now.samples, wide)} {value}{to_go}".lstrip()
        worst, is_out = self._worst()
        return Group(
            Text(head, style="bold", no_wrap=True, overflow="ellipsis"),
            Text(where, no_wrap=True, overflow="ellipsis"),
            Text(trace, no_wrap=True, overflow="ellipsis"),
            Text(worst, style="bold red" if is_out else "", no_wrap=True, overflow="ellipsis"),
        )

    def _worst(self) -> tuple[str, bool]:
        """The worst error so far in words, and whether it is beyond the tolerance."""
        worst = self.progress.worst
        if worst is None:
            return "no error yet", False
        used = percent_used(worst.used_pct, minus=_MINUS)
        text = f"worst so far {used} % of tolerance at {place(worst.point)}"
        U = worst.point.U
        is_near = U is not None and abs(abs(worst.used_pct) - 100) < 100 * U / worst.point.tolerance
        more = " (provisional; nearer to its limit than U)" if is_near else " (provisional)"
        return text + more, abs(worst.used_pct) > 100

    def _guarded(self, show: Callable[[], object]) -> None:
        """Show something; once the console is gone, nothing any more."""
        if self._is_silent:
            return
        try:
            show()
        except OSError:
            self._is_silent = True
