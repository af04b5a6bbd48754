"""The findings as the reports show them: the plot of readings and recognised cause, and the lines for the terminal."""

from dataclasses import replace

from instruments.texts import of_span, sized
from sequencer.diagnosis.summary import Account, Curve
from sequencer.reports.as_text import DIRECTIONS
from sequencer.reports.drawing.chart import WAYS, Chart, Layer
from sequencer.reports.drawing.svg import LIMIT, Look, sentence

__all__ = ["cause_plot", "evidence_lines", "share_lines"]

# Where stages cancel, a share of what is left says nothing.
_MOST_SHARE_PCT = 200


def cause_plot(curve: Curve | None) -> str:
    """Errors that were read as marks, errors that the recognised cause gives as lines; no error is the ideal."""
    if curve is None or not curve.read:
        return sentence("There is nothing to draw of this cause.")
    title = f"Errors of {curve.name} and the recognised cause against input"
    chart = Chart(title, "Error in % of span", least=1e-3)
    for way, points in curve.read:
        chart.line(points, Look(mark=WAYS[way].mark), f"read {DIRECTIONS[way]}")
    for way, points in curve.foretold:
        chart.line(points, replace(WAYS[way], mark="", width=2.0), f"the cause, {DIRECTIONS[way]}")
    for limit in (curve.tolerance_pct, -curve.tolerance_pct):
        chart.line([(0.0, limit), (100.0, limit)], Look(LIMIT, width=1.4), "tolerance", layer=Layer.EDGE)
    return chart.svg()


def evidence_lines(account: Account) -> tuple[str, ...]:
    """One line a candidate: weight, causes, place, what it leaves of the error, what speaks against it."""
    lines = []
    for each in account.ranking:
        text = f"{100 * each.weight:3.0f} %  {' / '.join(each.names)}" + (f", {each.place}" if each.place else "")
        if each.residual_after_pct is not None and each.residual_before_pct is not None:
            text += f": error {sized(each.residual_before_pct, 2)} % of span rms, "
            text += f"{of_span(each.residual_after_pct, 2)} after it"
        if each.against:
            text += f"; {'; '.join(each.against)}"
        lines.append(text)
    return tuple(lines)


def share_lines(account: Account) -> tuple[str, ...]:
    """What each part of the chain adds to the largest error at the output."""
    return tuple(
        f"{each.name}: {of_span(each.error_pct, 2, is_signed=True)}"
        + (f", {each.share_pct:.0f} % of the largest error" if abs(each.share_pct) <= _MOST_SHARE_PCT else "")
        for each in account.shares
    )
