"""Where a run is, shown below the cell of a notebook that runs it. It asks nobody and prints nothing elsewhere."""

import io
import math
import sys
from collections.abc import Callable

from rich.console import Console

from instruments.clock import Clock, RealClock
from sequencer.planning.plan import Plan
from sequencer.reports.as_text import plain
from sequencer.reports.live import LiveView
from sequencer.running.events import Closed, Event, Listener

__all__ = ["NotebookView", "notebook_listener"]

_EVERY_S = 0.25  # each is a message to a browser
_WIDTH = 100


class NotebookView:
    """A listener that shows the block of the live view, at most four times a second, and at last how the run ended.

    Args:
        plan: of the run.
        show: takes what is to stand below the cell, in place of what stood there.
        clock: real time.
    """

    def __init__(self, plan: Plan, show: Callable[[str], None], *, clock: Clock | None = None) -> None:
        self._clock = clock or RealClock()
        self._view = LiveView(plan, Console(file=io.StringIO(), width=_WIDTH), clock=self._clock)
        self._show = show
        self._shown_s = -math.inf

    def __call__(self, event: Event) -> None:
        """Take an event, and show where the run is if it is time."""
        self._view.progress.take(event)
        is_over = isinstance(event, Closed)
        if not is_over and self._clock.now() - self._shown_s < _EVERY_S:
            return
        self._shown_s = math.inf if is_over else self._clock.now()  # what is told after the end takes nothing away
        ended = f"\n{event.status}: {plain(event.reason)}".removesuffix(": ") if isinstance(event, Closed) else ""
        self._show(self._view.text() + ended)


def notebook_listener(plan: Plan) -> Listener | None:
    """A listener for the cell that runs now; None outside of a notebook."""
    shell = sys.modules.get("IPython")  # who is in a notebook has loaded it
    if shell is None or getattr(shell.get_ipython(), "kernel", None) is None:
        return None
    shown = sys.modules["IPython.display"].display({"text/plain": ""}, raw=True, display_id=True)
    return NotebookView(plan, lambda text: shown.update({"text/plain": text}, raw=True))
