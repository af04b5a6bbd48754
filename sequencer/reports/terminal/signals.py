"""Signals as text for a terminal: an exchange with an instrument on one line, and what a trace shows."""

from typing import TYPE_CHECKING

from instruments.texts import visible
from sequencer.diagnosis.trace_pair import TracePair, pair_lines
from sequencer.diagnosis.waveform import TraceResult, findings, trace_lines
from sequencer.reports.as_text import plain
from sequencer.reports.terminal.lines import listed, wrapped

if TYPE_CHECKING:
    from instruments.session import Exchange

__all__ = ["exchange_line", "pair_text", "trace_text"]


def exchange_line(exchange: "Exchange", *, width: int = 80) -> str:
    """One exchange with an instrument on one line: when, who, what was sent, what came back, how long it took.

    Control characters are written out. What is too long loses its middle; a reply keeps the larger part.
    """
    head = f"{exchange.at_s:10.3f} {plain(exchange.instrument)}: "
    if exchange.fault:
        tail = f" !! {plain(exchange.fault)}"
    elif exchange.received is None:
        tail = ""
    else:
        tail = f" ({1000 * exchange.took_s:.0f} ms)"
    room = max(width - len(head) - len(tail), 20)
    if exchange.received is None:
        return (head + _clipped(exchange.sent, room) + tail)[:width]
    sent = _clipped(exchange.sent, max(room // 3, room - 4 - len(exchange.received)))
    return (head + sent + " -> " + _clipped(exchange.received, room - 4 - len(sent)) + tail)[:width]


def _clipped(text: str, room: int) -> str:
    shown = visible(text)
    if len(shown) <= room:
        return shown
    kept = max(room - 3, 2)
    return f"{shown[: kept - kept // 2]}...{shown[len(shown) - kept // 2 :]}"


def trace_text(result: TraceResult, file: str, *, width: int = 80) -> str:
    """What a trace is, what was found in it with cause and check."""
    lines: list[str] = []
    lines += listed(trace_lines(result, file), width, then="  ")
    lines += ["", "found"]
    for each in findings(result):
        lines += wrapped(each.what, width, first="  - ", then="    ")
        for name, text in (("cause", each.cause), ("check", each.check)):
            if text:
                lines += wrapped(text, width, first=f"    {name}: ", then="      ")
    if lines[-1] == "found":
        lines.append("  nothing: the trace is flat, or too short")
    return "\n".join(lines)


def pair_text(pair: TracePair, first: str, second: str, *, width: int = 80) -> str:
    """What changed from one trace to the other, then each by itself."""
    lines = wrapped(f"{first} -> {second}", width, first="", then="  ")
    for each in pair_lines(pair):
        lines += wrapped(each, width, first="  - ", then="    ")
    for result, file in ((pair.first, first), (pair.second, second)):
        lines += ["", trace_text(result, file, width=width)]
    return "\n".join(lines)
