"""The live view of a run: a listener that shows where it is. The run itself never prints.

On a terminal one block is drawn again a few times a second; on a pipe there is a plain line a point. Where a person
sets or reads, what was asked and answered stays on the terminal, and each point has a line before its questions and
one after them.
"""

import math
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
from sequencer.planning.plan import Plan
from sequencer.reports.as_text import duration, percent_used, plain
from sequencer.reports.progress import MINUS, AtPoint, Progress, place
from sequencer.running.events import Closed, Event, MadeSafe, PointBegun, Remarked, SampleTaken, Waited

__all__ = ["LiveView", "sparkline"]

_REFRESH_S = 0.125
_BARS = "▁▂▃▄▅▆▇█"
_SPARK_N = 40
_PIPE_WIDTH = 80
_LEAST_WIDTH = 20


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
        self._keyed = _read_by_a_person(plan)
        self._is_by_hand = bool(self._keyed) or _is_set_by_a_person(plan)
        self._live: Live | None = None
        self._lines: list[Text] = []
        self._drawn_s = -math.inf
        self._is_silent = False
        self._waits_at: AtPoint | None = None

    def __enter__(self) -> Self:
        """Begin to show."""
        self._show()
        return self

    def _show(self) -> None:
        """Begin a block below what stands on the terminal; one that was taken away would be drawn over that."""
        if self._is_terminal and not self._is_by_hand:
            self._live = Live(console=self._console, auto_refresh=False, transient=True)
            self._guarded(self._live.start)

    def _take_away(self) -> bool:
        """Take the block away; True if there was one."""
        live, self._live = self._live, None
        if live is not None:
            self._guarded(live.stop)
        return live is not None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Show the last lines and take the block away."""
        self._flush()
        self._take_away()

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Within this the terminal belongs to somebody else, such as a question to the operator."""
        self._flush()
        was_shown = self._take_away()
        try:
            yield
        finally:
            if was_shown:
                self._show()

    def __call__(self, event: Event) -> None:
        """Take an event, and show it if it is time."""
        is_done = self.progress.take(event)
        if self._is_told(event) or is_done:
            self._say(event, is_done=is_done)
        if self._is_silent:
            self._lines.clear()
        elif self._live is None:
            self._flush()
        elif self._clock.now() - self._drawn_s >= _REFRESH_S:
            self._draw()

    def _is_told(self, event: Event) -> bool:
        """Whether an event is more than one of many; a person who waits for a point to settle is told so."""
        if isinstance(event, Waited):  # of a wait that is a step the first one alone
            is_first, self._waits_at = self._waits_at is not self.progress.here, self.progress.here
            return self._is_by_hand and is_first
        return not isinstance(event, SampleTaken)

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
        elif self._is_by_hand:
            if isinstance(event, PointBegun):
                self._lines += self._before()
            elif isinstance(event, Waited):
                because = plain(event.point.setpoint.because) if event.point.setpoint.is_still else "the unit settles"
                said = f"    wait {duration(event.left_s)}{f': {because}' if because else ''}"
                self._lines.append(Text(said))
            elif is_done and (result := self._result()):
                self._lines.append(Text(f"    {result}"))
        elif is_done and not self._is_terminal:
            self._lines.append(Text(self._point_line()))

    def _before(self) -> Iterator[Text]:
        """What comes now, for who is asked next."""
        now = self.progress.here
        assert now is not None
        point, setpoint = now.point, now.point.setpoint
        again = f", attempt {now.attempt}" if now.attempt > 1 else ""
        at = "" if setpoint.is_still else f" {place(point)}"
        yield Text(f"point {point.number} of {self.progress.all_n}: {point.step_name}{at}{again}", "bold")
        expected = []
        if setpoint.is_read and not setpoint.is_still:
            last = self.progress.plan.sheet.taps[-1]
            for tap, level in zip(self.progress.plan.sheet.taps, point.expected, strict=True):
                if tap.name in self._keyed:
                    value = now.level(level) if tap is last else f"{level:.6g}"
                    expected.append(f"{value} {tap.unit} expected at {tap.name}")
        said = ", ".join([*expected, f"about {duration(self.progress.left_s)} left"])
        for line in wrap(said, self._console.width - 1, initial_indent="    ", subsequent_indent="    "):
            yield Text(line)

    def _result(self) -> str:
        """What was read at the point, and how far it is off; "" where nothing is read."""
        now = self.progress.here
        assert now is not None
        if not now.point.setpoint.is_read or now.point.setpoint.is_still or now.point.setpoint.is_quick:
            return ""
        if not math.isfinite(now.error):
            return "no reading"
        used = f", {percent_used(now.used_pct, minus=MINUS)} % of tol" if math.isfinite(now.used_pct) else ""
        mean, error = now.level(now.mean), now.level(now.error, is_signed=True)
        return f"{mean} {self.progress.unit}, error {error}{used}"

    def _point_line(self) -> str:
        now = self.progress.here
        assert now is not None
        point, setpoint = now.point, now.point.setpoint
        if setpoint.is_still:
            said = now.state if setpoint.ask else f"waited {duration(setpoint.lasts_s)}"
            return f"{self.progress.done_n}/{self.progress.all_n} {point.step_name}: {said}"
        at = f"{100 * setpoint.frac:g} % {setpoint.direction}".rstrip() + f", cycle {setpoint.cycle}"
        head = f"{self.progress.done_n}/{self.progress.all_n} {point.step_name} {at}"
        if not setpoint.is_read:
            return f"{head}: visited"
        if point.setpoint.is_quick:
            return f"{head}: {counted(setpoint.readings_n, 'reading')}{', drive off' if setpoint.is_off else ''}"
        kind = ", end pair" if setpoint.is_again else ""
        return f"{head}{kind}: {self._result()}"

    def _flush(self) -> None:
        """Print the lines that wait."""
        lines, self._lines = self._lines, []
        if not lines:
            return
        if self._is_terminal:
            shown = [part for line in lines for part in self._folded(line)]
            self._guarded(lambda: self._console.print(*shown, sep="\n", soft_wrap=True))
        else:
            self._guarded(lambda: self._write(lines))

    def _folded(self, line: Text) -> list[Text]:
        """A line as it fits, broken between words, where the terminal would break it within one."""
        parts = wrap(line.plain, max(self._console.width - 1, _LEAST_WIDTH), subsequent_indent="    ")
        return [Text(part, style=line.style) for part in parts] or [line]

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
        all_n = progress.all_n
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

    def text(self) -> str:
        """The block as plain lines, cut where it is too wide."""
        lines = [each.plain for each in self.block().renderables if isinstance(each, Text)]
        return "\n".join(line[: self._console.width].rstrip() for line in lines)

    def _worst(self) -> tuple[str, bool]:
        """The worst error so far in words, and whether it is beyond the tolerance."""
        worst = self.progress.worst
        if worst is None:
            return "no error yet", False
        used = percent_used(worst.used_pct, minus=MINUS)
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


def _read_by_a_person(plan: Plan) -> set[str]:
    """The taps that a person reads."""
    ports = ((wire.tap, wire.receiver) for wire in plan.all_wires)
    return {tap for tap, port in ports if port is not None and plan.bench.descriptions[port.instrument].kind == "keyed"}


def _is_set_by_a_person(plan: Plan) -> bool:
    ports = (wire.source for wire in plan.all_wires)
    return any(port is not None and plan.bench.descriptions[port.instrument].kind == "keyed" for port in ports)
