"""A trace as one HTML file: what was found, the trace and its views, and what a counter would make of it.

No script, no external resource. It computes no figure.
"""

from dataclasses import dataclass

from markupsafe import Markup

from sequencer.diagnosis.trace_views import Counted, TraceViews
from sequencer.diagnosis.trace_words import line_names
from sequencer.diagnosis.waveform import TraceResult, findings, trace_lines
from sequencer.reports import trace_plots as plots
from sequencer.reports.as_text import fixed, significant
from sequencer.reports.page import page

__all__ = ["CounterRow", "capital", "counter_rows", "facts", "html"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterRow:
    """A line of the table of counters, as text."""

    name: str
    edges: str
    rate: str
    off: str
    off_Hz: str
    off_pct: str


def html(result: TraceResult, views: TraceViews, *, file: str, digest: str) -> str:
    """The page of a trace.

    Args:
        result: what was found.
        views: what is drawn.
        file: name of the file.
        digest: SHA-256 of the file.
    """
    found = findings(result)
    return page(
        "trace.html.j2",
        file=file,
        digest=digest,
        r=result,
        headline=capital(found[0].what) if found else "Nothing was found: the trace is flat, or too short",
        found=[(capital(each.what), capital(each.cause), capital(each.check)) for each in found],
        facts=facts(result),
        said=[capital(line) for line in trace_lines(result, file)[1:]],
        why=views.detail.why if views.detail else "",
        periods_n=views.folded.periods_n if views.folded else 0,
        allan=views.allan,
        best=significant(views.allan.best_s, 3) if views.allan else "",
        lines=[
            (significant(line.rate_Hz, 5), significant(line.amplitude, 3), name or "no name")
            for line, name in zip(result.lines, line_names(result), strict=True)
        ],
        counters=counter_rows(views, result),
        whole_plot=Markup(plots.whole_plot(views, result)),  # noqa: S704  the plots escape their texts
        detail_plot=Markup(plots.detail_plot(views.detail, result)),  # noqa: S704
        folded_plot=Markup(plots.folded_plot(views.folded, result)),  # noqa: S704
        intervals_plot=Markup(plots.intervals_plot(views.intervals, result)),  # noqa: S704
        spectrum_plot=Markup(plots.spectrum_plot(views, result)),  # noqa: S704
        allan_plot=Markup(plots.allan_plot(views.allan)),  # noqa: S704
    )


def facts(result: TraceResult) -> list[tuple[str, str]]:
    """Name and text of what is known of a trace before it is looked at."""
    unit = f" {result.unit}" if result.unit else ""
    length, interval = (_time(each) for each in (result.length_s, result.interval_s))
    return [
        ("Channel", f"{result.name}{unit and f', in{unit}'}"),
        ("Length", length),
        ("Interval", interval if result.is_even else f"{interval}, not even"),
        ("Samples", f"{result.samples_n}" + (f", {result.left_out_n} left out" if result.left_out_n else "")),
        ("Values", f"{significant(result.lowest, 4)} to {significant(result.highest, 4)}{unit}"),
    ]


def _time(time_s: float) -> str:
    factor, unit = plots.time_in(time_s)
    return f"{time_s * factor:.6g} {unit}"


def counter_rows(views: TraceViews, result: TraceResult) -> list[CounterRow]:
    """What there was, where that is known, and below it what counters make of it."""
    rows = [_counter_row(each, views.should_n, result) for each in views.counters]
    if views.should_n is None or result.train is None:
        return rows
    true_rate = significant(result.train.rate_Hz, 6)
    true = CounterRow(
        name="as it should be", edges=f"{views.should_n}", rate=true_rate, off="–", off_Hz="–", off_pct="–"
    )
    return [true, *rows]


def _counter_row(counted: Counted, should_n: int | None, result: TraceResult) -> CounterRow:
    off, off_Hz, off_pct = "not known", "–", "–"
    if counted.off_n is not None and should_n is not None and result.train is not None:
        off = fixed(counted.off_n, 0, is_signed=True)
        off_Hz = _signed(counted.rate_Hz - result.train.rate_Hz)
        off_pct = _signed(100 * counted.off_n / should_n)
    return CounterRow(
        name=counted.name,
        edges=f"{counted.edges_n}",
        rate=significant(counted.rate_Hz, 6),
        off=off,
        off_Hz=off_Hz,
        off_pct=off_pct,
    )


def _signed(value: float) -> str:
    return f"{'+' if value > 0 else ''}{significant(value, 3)}"


def capital(text: str) -> str:
    """A sentence that begins as one."""
    return text[:1].upper() + text[1:]
