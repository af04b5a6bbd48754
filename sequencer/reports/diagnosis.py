"""The findings as the reports show them: the plot of readings and recognised cause, and the lines of text."""

from collections.abc import Sequence
from dataclasses import replace

from instruments.texts import of_span, sized
from sequencer.diagnosis.account import Account, Curve
from sequencer.diagnosis.cause_words import known_as, percent
from sequencer.reports.as_text import DIRECTIONS
from sequencer.reports.drawing.chart import WAYS, Chart
from sequencer.reports.drawing.svg import BAND, LIMIT, Look, sentence

__all__ = ["cause_plot", "evidence_lines", "work_lines"]

_HEIGHT = 150  # one below the other they stay on one page


def cause_plot(curve: Curve) -> str:
    """Errors that were read as marks, errors that the recognised cause gives as lines; no error is the ideal."""
    if not curve.read:
        return sentence("There is nothing to draw of this cause.")
    title = f"Errors of {curve.name} and the recognised cause against input: {curve.cause}"
    chart = Chart(title, "Error in % of span", least=1e-3, height=_HEIGHT)
    for way, points in curve.read:
        chart.line(points, Look(mark=WAYS[way].mark), f"read {DIRECTIONS[way]}")
    for way, points in curve.foretold:
        chart.line(points, replace(WAYS[way], mark="", width=2.0), f"the cause, {DIRECTIONS[way]}")
    chart.band(curve.tolerance, BAND, Look(LIMIT, width=1.4), "tolerance")
    return chart.svg()


def evidence_lines(account: Account) -> tuple[str, ...]:
    """One line a candidate: weight, causes, place, what it leaves of the error, what speaks against it."""
    lines = []
    for each in account.ranking:
        text = f"{percent(each.weight):>9}  {' / '.join(each.names)}" + (f", {each.place}" if each.place else "")
        if each.residual_after_pct is not None and each.residual_before_pct is not None:
            text += f": error {sized(each.residual_before_pct, 2)} % of span rms, "
            text += f"{of_span(each.residual_after_pct, 2)} after it"
        if each.against:
            text += f"; {'; '.join(each.against)}"
        lines.append(text)
    return tuple(lines)


def work_lines(account: Account) -> tuple[str, ...]:
    """What to mend first where several places are wrong, and what to read again after each; () where there is one."""
    return tuple(
        f"{each.place}: {known_as(each.names)} ({percent(each.weight)}). Then read {_and(each.again)} again."
        for each in account.work
    )


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
