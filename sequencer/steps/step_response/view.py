"""What step responses say, in words: on the terminal and in the report."""

import math
from collections import Counter
from collections.abc import Sequence

from markupsafe import Markup

from instruments.texts import counted, sized
from sequencer.evaluation.figures.step_response import Estimate
from sequencer.evaluation.step_limits import limit_words
from sequencer.reports.as_text import MINUS as REAL_MINUS
from sequencer.reports.as_text import probability, significant
from sequencer.reports.terminal.lines import MINUS, listed, wrapped
from sequencer.steps.step_response.evaluation import FIGURES, Move
from sequencer.steps.step_response.limits import NAMES, judged, place_of
from sequencer.steps.step_response.plot import step_plot

__all__ = ["figure_rows", "lines", "parameters_told", "remarks", "section", "system_told"]

_NOTE = (
    "Times count from the instant at which the input was set. Aperture of the reading and lateness of the input are "
    "taken out. Uncertainties are expanded, k = 2. The share behind a system is its weight among those that were tried."
)
_PARAMETERS = {
    "tau": ("time constant", "s"),
    "second tau": ("second time constant", "s"),
    "zeta": ("damping", ""),
    "frequency_Hz": ("it swings at", "Hz"),
    "ramp": ("full step at its limited rate in", "s"),
    "tail": ("time constant of the tail", "s"),
    "share": ("share of the tail", ""),
}


def lines(moves: Sequence[Move], width: int) -> list[str]:
    """What each move says, on a terminal."""
    said: list[str] = []
    for each in moves:
        times = counted(len(each.answers), "time")
        head = f'step response {place_of(each)}, tap "{each.tap}", {times}: {system_told(each)}'
        said += ["", *wrapped(head, width, then="  ")]
        parameters = parameters_told(each)
        said += wrapped(parameters, width, first="  ", then="    ") if parameters else []
        rows = figure_rows(each, minus=MINUS)
        if rows:
            wide = [max(len(row[column]) for row in rows) for column in range(3)]
            table = ["  " + "   ".join(cell.ljust(size) for cell, size in zip(row, wide, strict=True)).rstrip()
                     for row in rows]  # fmt: skip
            if max(map(len, table)) <= width:
                said += table
            else:
                said += listed([f"{name}: {fitted}; {direct}" for name, fitted, direct in rows[1:]], width, first="  ",
                               then="    ")  # fmt: skip
        said += listed(remarks(each), width, first="  ", then="    ")
        said += listed([limit_words(one) for one in judged((each,))], width, first="  ", then="    ")
    return said


def section(moves: Sequence[Move]) -> Markup:
    """What each move says, and its plot, as a section of the report."""
    parts = [Markup("<h2>Step response</h2>"), Markup('<p class="note">{}</p>').format(_NOTE)]
    for each in moves:
        parts.append(Markup("<h3>{}, {}</h3>").format(place_of(each, minus=REAL_MINUS), each.tap))
        told = [f"{counted(len(each.answers), 'time')}: {system_told(each)}", parameters_told(each)]
        parts += [Markup("<p>{}</p>").format(sentence) for sentence in told if sentence]
        parts += _table(figure_rows(each, minus=REAL_MINUS))
        remarked = [*remarks(each), *(limit_words(one) for one in judged((each,)))]
        if remarked:
            parts += [Markup("<ul>"), *(Markup("<li>{}</li>").format(one) for one in remarked), Markup("</ul>")]
        parts.append(Markup("<figure>{}</figure>").format(Markup(step_plot(each))))  # noqa: S704  it escapes its texts
    return Markup("\n").join(parts)


def _table(rows: Sequence[tuple[str, str, str]]) -> list[Markup]:
    if not rows:
        return []
    head, *rest = rows
    cells = [Markup("<tr>{}</tr>").format(Markup("").join(Markup("<th>{}</th>").format(cell) for cell in head))]
    cells += [
        Markup("<tr>{}</tr>").format(Markup("").join(Markup("<td>{}</td>").format(c) for c in row)) for row in rest
    ]
    return [Markup("<table>"), *cells, Markup("</table>")]


def system_told(move: Move) -> str:
    """Which system the repeats speak for, with its weight; where they differ, all of them."""
    names = Counter(answer.fitted.name for answer in move.answers if answer.fitted is not None)
    if not names:
        return "no system told"
    if len(names) > 1:
        return " or ".join(f"{name} ({count} of {len(move.answers)})" for name, count in names.most_common())
    (name,) = names
    weights = [dict(answer.fitted.weights).get(name) for answer in move.answers if answer.fitted is not None]
    least = min((each for each in weights if each is not None), default=math.nan)
    return f"{name} ({probability(least, minus=MINUS)})" if math.isfinite(least) else name


def parameters_told(move: Move) -> str:
    """Parameters of the system, where all repeats speak for the same."""
    fitted = [answer.fitted for answer in move.answers if answer.fitted is not None]
    if not fitted or len({each.name for each in fitted}) > 1:
        return ""
    told = []
    for name, (words, unit) in _PARAMETERS.items():
        found = [each.parameters[name] for each in fitted if name in each.parameters]
        if found:
            value = sum(each.value for each in found) / len(found)
            u = max(each.u for each in found) if all(math.isfinite(each.u) for each in found) else math.nan
            told.append(f"{words} {_sized(value, 2 * u)}{f' {unit}' if unit else ''}")
    return ", ".join(told)


def figure_rows(move: Move, *, minus: str) -> list[tuple[str, str, str]]:
    """Name, of the system, and straight from the readings, with a head; () where nothing is known."""
    if all(answer.direct is None for answer in move.answers):
        return []
    rows = [("", "of the system", "from the readings")]
    for figure in FIGURES:
        name = NAMES[figure]
        if figure == "settling":
            name += f" to {sized(100 * move.band_frac)} %"
        direct = move.direct(figure) if figure != "dead_time" else _seen_between(move)
        rows.append((name, _told(move.fitted(figure), figure, minus), _told(direct, figure, minus)))
    return rows


def _seen_between(move: Move) -> Estimate:
    """The reading that shows a change first ends later than the dead time."""
    seen = [answer.direct.first_seen_s[1] for answer in move.answers if answer.direct is not None]
    return Estimate(at_most=max(seen)) if seen and all(math.isfinite(each) for each in seen) else Estimate()


def _told(found: Estimate, figure: str, minus: str) -> str:
    """A figure with its expanded uncertainty, or what it is not above."""
    factor, unit = (100.0, "%") if figure == "overshoot" else (1.0, "s")
    if found.is_known:
        return f"{_sized(factor * found.value, 2 * factor * found.u)} {unit}"
    if math.isfinite(found.at_most):
        what = "none beyond" if figure == "overshoot" else "at most"
        return f"{what} {significant(factor * found.at_most, 2, minus=minus)} {unit}"
    return "not determinable"


def _sized(value: float, U: float) -> str:
    """A value to the second digit of its uncertainty, with that in brackets."""
    if not (math.isfinite(U) and U > 0):
        return sized(value, 3)
    decimals = min(max(1 - math.floor(math.log10(U)), 0), 6)
    return f"{value:.{decimals}f} (U {U:.{decimals}f})"


def remarks(move: Move) -> list[str]:
    """What stands against figures, once, with how often where not always."""
    words: dict[str, list[str]] = {}
    for answer in move.answers:
        for doubt in answer.doubts:
            words.setdefault(doubt.kind, []).append(doubt.words)
    count = len(move.answers)
    left_out = f"{counted(move.left_out_n, 'repeat')} interrupted, and left out: the input did not come from rest"
    told = [left_out] if move.left_out_n and not any(answer.has("interrupted") for answer in move.answers) else []
    return told + [
        said[0] + (f" ({len(said)} of {count} times)" if len(said) < count else "") for said in words.values()
    ]
