"""The effects of a quantity, in words: on the terminal, in the report, as JSON."""

import math
from collections.abc import Iterator, Sequence
from typing import Any

from markupsafe import Markup

from instruments.texts import finite_or_none, sized
from sequencer.evaluation.step_limits import is_within, limit_words
from sequencer.inputs.step import Judged
from sequencer.reports.terminal.lines import listed, wrapped
from sequencer.steps.influence.evaluation import Influence, Moved
from sequencer.steps.influence.plot import influence_plot

__all__ = ["as_json", "changes", "limits", "lines", "section"]

_NOTE = (
    "Changes from the value at the reference, which was come back to between the levels: what drifted meanwhile is "
    "taken off. What the instruments share at all levels drops out of a change and of its uncertainty."
)


def limits(found: Influence) -> Iterator[Judged]:
    """The limits of repeated steps at each stay, then the largest change of the output against its own."""
    yield from found.limits
    if found.at_most_pct is None:
        return
    limit = f"at most {sized(found.at_most_pct)} % of span"
    name = f"change of the output with {found.quantity}{_beside(found)}"
    changes = [
        (abs(float(each.effect.change[index])), float(each.effect.U[index]))
        for each in found.outputs
        if (index := each.effect.largest) is not None
    ]
    if not changes or found.missing:
        reason = found.missing[0] if found.missing else "no output was read"
        yield Judged(name=name, value=math.nan, unit="% of span", limit=limit, is_met=None, reason=reason)
        return
    value, U = max(changes)
    is_met = [is_within(change, its_U, found.at_most_pct) for change, its_U in changes]
    verdict = False if False in is_met else None if None in is_met else True
    reason = "the limit lies within U of it" if verdict is None else ""
    yield Judged(name=name, value=value, U=U, unit="% of span", limit=limit, is_met=verdict, reason=reason)


def changes(found: Influence) -> Iterator[Judged]:
    """The change of each value from the reference to each level."""
    for each in found.moved:
        for level, change, U in zip(each.effect.levels, each.effect.change, each.effect.U, strict=True):
            way = f"{sized(found.reference)} to {sized(float(level))} {found.unit}"
            name = f"{each.name}: change with {found.quantity}{_beside(found)}, {way}"
            yield Judged(name=name, value=float(change), U=float(U), unit=each.unit, limit="", is_met=None)


def lines(results: Sequence[Influence], width: int) -> list[str]:
    """A table for each quantity, on a terminal."""
    said: list[str] = []
    for found in results:
        said += ["", *wrapped(_head(found), width)]
        said += listed([*(_line(each, found) for each in found.moved), *_words(found)], width, first="  ", then="    ")
    return said


def section(results: Sequence[Influence]) -> Markup:
    """The same as a section of the report, each quantity with its plot."""
    parts = [Markup("<h2>Influence</h2>"), Markup('<p class="note">{}</p>').format(_NOTE)]
    for found in results:
        parts.append(Markup("<h3>{}</h3>").format(_head(found)))
        head, *rows = _rows(found)
        cells = Markup("").join(Markup("<th>{}</th>").format(cell) for cell in head)
        parts.append(Markup("<table><thead><tr>{}</tr></thead><tbody>").format(cells))
        parts += [
            Markup("<tr>{}</tr>").format(Markup("").join(Markup("<td>{}</td>").format(cell) for cell in row))
            for row in rows
        ]
        parts.append(Markup("</tbody></table><ul>"))
        parts += [Markup("<li>{}</li>").format(each) for each in _words(found)]
        parts.append(Markup("</ul>"))
        if found.outputs:
            parts.append(Markup("<figure>{}</figure>").format(Markup(influence_plot(found))))  # noqa: S704  it escapes
    return Markup("\n").join(parts)


def as_json(found: Influence) -> dict[str, Any]:
    """One quantity as JSON values; what is not known is null."""
    return {
        "quantity": found.quantity,
        "unit": found.unit,
        "reference": found.reference,
        "beside": found.beside,
        "missing": list(found.missing),
        "values": [
            {
                "name": each.name,
                "unit": each.unit,
                "at_reference": each.at_reference,
                "levels": each.effect.levels.tolist(),
                "change": [finite_or_none(value) for value in each.effect.change],
                "U": [finite_or_none(value) for value in each.effect.U],
                "per_unit": finite_or_none(each.effect.per_unit),
                "U_per_unit": finite_or_none(each.effect.U_per_unit),
                "is_proportional": each.effect.is_proportional,
                "drift": finite_or_none(each.effect.drift),
            }
            for each in found.moved
        ],
        "limits": [limit_words(each) for each in limits(found)],
    }


def _beside(found: Influence) -> str:
    return f" ({found.beside})" if found.beside else ""


def _head(found: Influence) -> str:
    what = ", in % of span" if all(each.unit == "% of span" for each in found.moved) else ""
    return f"influence of {found.quantity}{_beside(found)}: change from {sized(found.reference)} {found.unit}{what}"


def _rows(found: Influence) -> list[list[str]]:
    """A head, and a row for each value: its change at each level with U, and the effect per unit."""
    levels = sorted({float(level) for each in found.moved for level in each.effect.levels})
    rows = [["", *(f"{sized(level)} {found.unit}" for level in levels), f"per {found.unit}"]]
    for each in found.moved:
        at = dict(zip(each.effect.levels.tolist(), zip(each.effect.change, each.effect.U, strict=True), strict=True))
        cells = [_change(*at.get(level, (math.nan, math.nan))) for level in levels]
        rows.append([f"{each.name}, {each.unit}", *cells, _per_unit(each)])
    return rows


def _line(each: Moved, found: Influence) -> str:
    """A value on a terminal: its largest change, where, and the effect per unit; all levels are in the report."""
    index = each.effect.largest
    if index is None:
        return f"{each.name}: not found"
    change = _change(float(each.effect.change[index]), float(each.effect.U[index]))
    at = f"{change} {_short(each.unit)} at {sized(float(each.effect.levels[index]))} {found.unit}"
    per = _per_unit(each)
    return f"{each.name}: {at}; {per if per.startswith('not') else f'{per} per {found.unit}'}"


def _short(unit: str) -> str:
    return "%" if unit == "% of span" else unit


def _change(value: float, U: float) -> str:
    if math.isnan(value):
        return "not found"
    return f"{sized(value, 2, is_signed=True)} +- {sized(U, 2)}" if U > 0 else sized(value, 2, is_signed=True)


def _per_unit(each: Moved) -> str:
    found = each.effect
    if math.isnan(found.per_unit):
        return "not told" if found.not_held else "not found"
    if found.is_proportional is False:
        return "not proportional"
    if math.isnan(found.U_per_unit):
        return f"{sized(found.per_unit, 3, is_signed=True)} (U not known)"
    if abs(found.per_unit) <= found.U_per_unit:
        return f"none within {sized(found.U_per_unit, 2)}"
    return f"{sized(found.per_unit, 3, is_signed=True)} +- {sized(found.U_per_unit, 2)}"


def _words(found: Influence) -> list[str]:
    """What belongs beside the table."""
    said = list(found.missing)
    drifts = [(abs(each.effect.drift), each) for each in found.outputs if math.isfinite(each.effect.drift)]
    if drifts:
        size, each = max(drifts, key=lambda pair: pair[0])
        said.append(
            f"drift meanwhile, at the reference: at most {sized(size, 2)} {each.unit} ({each.name}), "
            "taken off the changes"
        )
    not_held = sorted({level for each in found.moved for level in each.effect.not_held})
    if not_held:
        levels = ", ".join(f"{sized(level)} {found.unit}" for level in not_held)
        said.append(f"the output is not held at {levels}: nothing per {found.unit} is told from there")
    if any(each.effect.returns_n < 2 for each in found.moved):
        said.append(
            "with fewer than two returns to the reference what scatters from stay to stay is not in U; "
            "write returns: yes, or more levels"
        )
    said += [f"limit: {limit_words(each)}" for each in limits(found)]
    return said
