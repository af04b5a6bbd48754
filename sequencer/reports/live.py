"""The live view of a run: a listener that shows where it is. The run itself never prints.

On a terminal one block is drawn anew a few times a second; on a pipe there is a plain line a point. The worst error
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
from instruments.texts import counted
from sequencer.planning.plan import Plan, Point
from sequencer.reports.as_text import DIRECTIONS, decimals_for, duration, fixed, percent_used, plain
from sequencer.running.events import (
    Closed,
    Event,
    MadeSafe,
    PointBegun,
    PointSettled,
    ReadingTaken,
    Remarked,
    SampleTaken,
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
        self._before_s = [0.0]
        for point in plan.points:
            self._before_s.append(self._before_s[-1] + point.estimate_s)
        self.point: Point | None = None
        self.attempt = 1
        self.state = ""
        self.samples: deque[float] = deque(maxlen=_KEPT_N)
        self.after_s = math.nan
        self.to_go = math.nan
        self.settled_s = math.nan
        self.error = math.nan
        self.used_pct = math.nan
        self.worst_pct = math.nan
        self.worst_at = ""
        self.worst_U_pct = math.nan
        self.done_n = 0
        self._sum = 0.0
        self._read_n = 0

    def take(self, event: Event) -> bool:
        """Take an event; True if it completes a point."""
        if isinstance(event, SampleTaken):
            self.samples.append(event.value)
            self.after_s, self.to_go = event.after_s, event.to_go
        elif isinstance(event, ReadingTaken):
            return event.tap == (event.point.setpoint.tap or self._last_tap) and self._read(event)
        elif isinstance(event, PointBegun):
            self._begin(event)
        elif isinstance(event, PointSettled):
            self.state, self.settled_s = str(event.settled.state), event.settled.after_s
            if event.point.role == "exercise":
                self.done_n = event.point.number
                return True
        return False

    def _begin(self, event: PointBegun) -> None:
        self.point, self.attempt, self.state = event.point, event.attempt, "moving"
        self.samples.clear()
        self.after_s = self.to_go = self.settled_s = self.error = self.used_pct = math.nan
        self._sum, self._read_n = 0.0, 0

    def _read(self, event: ReadingTaken) -> bool:
        """Take a reading at the last tap; True with the last of its point."""
        if math.isfinite(event.value):
            self._sum += event.value
            self._read_n += 1
        self.state = f"reading {event.reading} of {event.point.setpoint.readings_n}"
        if event.reading < event.point.setpoint.readings_n:
            return False
        point = event.point
        self.done_n = point.number
        if self._read_n and not point.is_capture:
            self.error = self._sum / self._read_n - point.expected[-1]
            if point.role == "reading" and point.tolerance > 0:
                self.used_pct = 100 * self.error / point.tolerance
                if not abs(self.used_pct) <= abs(self.worst_pct):
                    self.worst_pct, self.worst_at = self.used_pct, place(point)
                    self.worst_U_pct = math.nan if point.U is None else 100 * point.U / point.tolerance
        return True

    @property
    def value(self) -> float:
        """The last sample; NaN before the first."""
        return self.samples[-1] if self.samples else math.nan

    @property
    def mean(self) -> float:
        """Mean of the readings of the point; NaN before the first."""
        return self._sum / self._read_n if self._read_n else math.nan

    @property
    def left_s(self) -> float:
        """Real time left: the plan's estimate of what remains, scaled by how the part that is done went."""
        done_s, whole_s = self._before_s[min(self.done_n, len(self.plan.points))], self._before_s[-1]
        if done_s <= 0:
            return whole_s
        return (whole_s - done_s) * (self._clock.now() - self._start_s) / done_s

    def level(self, value: float, *, is_signed: bool = False) -> str:
        """A level in the unit of the output, to the digits that the tolerance asks for."""
        width = self.point.tolerance if self.point is not None else math.nan
        return fixed(value, decimals_for(width), minus=_MINUS, is_signed=is_signed)


def place(point: Point) -> str:
    """A point in words: "40 % upscale, cycle 2"."""
    setpoint = point.setpoint
    return f"{100 * setpoint.frac:g} % {DIRECTIONS[setpoint.direction]}, cycle {setpoint.cycle}"


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
        if not isinstance(event, SampleTaken):
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
            self._lines.append(Text(f"{plain(event.instrument)} is at its safe level, {plain(event.level)}"))
        elif isinstance(event, Closed):
            style = "" if event.status == "complete" else "bold red"
            self._lines.append(Text(f"{event.status}: {plain(event.reason)}", style=style))
        elif is_done and not self._is_terminal:
            self._lines.append(Text(self._point_line()))

    def _point_line(self) -> str:
        now = self.progress
        point = now.point
        assert point is not None
        setpoint = point.setpoint
        at = f"{100 * setpoint.frac:g} % {setpoint.direction}, cycle {setpoint.cycle}"
        head = f"{point.number}/{len(now.plan.points)} {point.step_name} {at}"
        if point.role == "exercise":
            return f"{head}: visited"
        if point.is_capture:
            return f"{head}: {counted(setpoint.readings_n, 'reading')}{', drive off' if 'off' in point.role else ''}"
        kind = ", end pair" if point.role == "end pair" else ""
        if not math.isfinite(now.error):
            return f"{head}{kind}: no reading"
        used = f", {percent_used(now.used_pct, minus=_MINUS)} % of tol" if math.isfinite(now.used_pct) else ""
        return f"{head}{kind}: {now.level(now.mean)} {now.unit}, error {now.level(now.error, is_signed=True)}{used}"

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
        now = self.progress
        point, all_n = now.point, len(now.plan.points)
        done = round(24 * now.done_n / all_n) if all_n else 0
        head = f"[{'#' * done}{'.' * (24 - done)}] {now.done_n} of {all_n} done, about {duration(now.left_s)} left"
        if point is None:
            return Group(Text(head, no_wrap=True, overflow="ellipsis"))
        again = f", attempt {now.attempt}" if now.attempt > 1 else ""
        where = f"point {point.number}: {point.step_name}, {place(point)}{again}: {now.state}"
        value = f"{now.level(now.value)} {now.unit}" if math.isfinite(now.value) else "no sample yet"
        to_go = f", at most {now.level(now.to_go)} to go" if math.isfinite(now.to_go) else ""
        wide = max(min(_SPARK_N, self._console.width - 45), 8)
        trace = f"{sparkline(now.samples, wide)} {value}{to_go}"
        worst = "no error yet"
        if math.isfinite(now.worst_pct):
            worst = f"worst so far {percent_used(now.worst_pct, minus=_MINUS)} % of tolerance at {now.worst_at}"
            near = abs(abs(now.worst_pct) - 100) < now.worst_U_pct  # false where U is not known
            worst += " (provisional; nearer to its limit than U)" if near else " (provisional)"
        style = "bold red" if abs(now.worst_pct) > 100 else ""
        return Group(
            Text(head, style="bold", no_wrap=True, overflow="ellipsis"),
            Text(where, no_wrap=True, overflow="ellipsis"),
            Text(trace, no_wrap=True, overflow="ellipsis"),
            Text(worst, style=style, no_wrap=True, overflow="ellipsis"),
        )

    def _guarded(self, show: Callable[[], object]) -> None:
        """Show something; once the console is gone, nothing any more."""
        if self._is_silent:
            return
        try:
            show()
        except OSError:
            self._is_silent = True
