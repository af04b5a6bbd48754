"""Two traces of one signal as one HTML file: what changed, and both side by side on one scale.

No script, no external resource. It computes no figure.
"""

from dataclasses import dataclass

from markupsafe import Markup

from sequencer.diagnosis.trace_pair import TracePair, pair_lines
from sequencer.diagnosis.trace_views import TraceViews
from sequencer.diagnosis.waveform import TraceResult, findings
from sequencer.reports import trace_plots as plots
from sequencer.reports.as_text import significant
from sequencer.reports.page import page
from sequencer.reports.trace import capital, facts

__all__ = ["pair_html"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """What is shown of one of them."""

    file: str
    digest: str
    facts: list[tuple[str, str]]
    found: list[str]
    whole_plot: Markup
    spectrum_plot: Markup


def pair_html(
    pair: TracePair, views: tuple[TraceViews, TraceViews], *, files: tuple[str, str], digests: tuple[str, str]
) -> str:
    """The page of two traces.

    Args:
        pair: what was found.
        views: what is drawn of each.
        files: their names.
        digests: SHA-256 of each.
    """
    results = pair.first, pair.second
    return page(
        "trace_pair.html.j2",
        changes=[capital(line) for line in pair_lines(pair)],
        unit=pair.first.unit,
        lines=[
            (significant(each.rate_Hz, 5), *(significant(size, 3) for size in each.amplitudes), each.name or "no name")
            for each in pair.lines
        ],
        sides=[
            _side(results, views, at, file=file, digest=digest)
            for at, (file, digest) in enumerate(zip(files, digests, strict=True))
        ],
    )


def _side(
    results: tuple[TraceResult, TraceResult],
    views: tuple[TraceViews, TraceViews],
    at: int,
    *,
    file: str,
    digest: str,
) -> _Side:
    result, view, beside = results[at], views[at], 1 - at
    return _Side(
        file=file,
        digest=digest,
        facts=facts(result),
        found=[capital(each.what) for each in findings(result)],
        whole_plot=Markup(plots.whole_plot(view, result, beside=results[beside])),  # noqa: S704  the plots escape
        spectrum_plot=Markup(plots.spectrum_plot(view, result, beside=views[beside])),  # noqa: S704
    )
