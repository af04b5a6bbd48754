"""The findings as the reports show them: the plot of readings and recognised cause, and the lines for the terminal."""

from instruments.texts import of_span, sized
from sequencer.diagnosis.summary import Account, Curve
from sequencer.reports import words
from sequencer.reports.drawing import DASH, DOWN, LIMIT, UP, Sample, reach, sentence, series_sample, standard_panel

__all__ = ["cause_plot", "evidence_lines", "share_lines"]

# Where stages cancel, a share of what is left says nothing.
_MOST_SHARE_PCT = 200
_COLOURS = {"up": (UP, "none"), "down": (DOWN, DASH), "": (UP, "none")}


def cause_plot(curve: Curve | None) -> str:
    """Errors that were read as marks, errors that the recognised cause gives as lines; no error is the ideal."""
    if curve is None or not curve.read:
        return sentence("There is nothing to draw of this cause.")
    legend: list[tuple[Sample, str]] = [
        (series_sample(way or "any", width=0), f"read {words.DIRECTIONS[way]}") for way, _ in curve.read
    ]
    for way, _ in curve.foretold:
        colour, dash = _COLOURS[way]
        legend.append((series_sample("", colour=colour, dash=dash, width=2.0), f"the cause, {words.DIRECTIONS[way]}"))
    legend.append((series_sample("", colour=LIMIT, width=1.4), "tolerance"))
    errors = [error for _, points in (*curve.read, *curve.foretold) for _, error in points]
    drawing, panel = standard_panel(
        f"Errors of {curve.name} and the recognised cause against input",
        legend,
        [at for _, points in curve.read for at, _ in points],
        reach([*errors, curve.tolerance_pct, -curve.tolerance_pct], least=1e-3),
    )
    panel.frame("Input in % of range", "Error in % of span")
    for limit in (curve.tolerance_pct, -curve.tolerance_pct):
        panel.curve([(0.0, limit), (100.0, limit)], colour=LIMIT, width=1.4)
    for way, points in curve.foretold:
        colour, dash = _COLOURS[way]
        panel.curve(points, colour=colour, dash=dash, width=2.0)
    for way, points in curve.read:
        panel.marks(points, way or "any")
    panel.edge()
    return drawing.svg()


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
