"""Repaired units held against what they were, as a report: one table of all, and each unit by itself."""

from typing import Any

import numpy as np

from instruments.texts import COMPUTED_DIGITS, json_value
from sequencer.history.regression import Held, Regression, UnitRegression
from sequencer.reports.as_text import as_pct, fixed, p_value, significant, way
from sequencer.reports.sections import Section, Told
from sequencer.reports.side_by_side import difference_plot

__all__ = ["regression_document", "told"]


def told(found: Regression) -> Told:
    """The report of all units."""
    as_before_n = sum(each.result == "as before" for each in found.units)
    answer = "AS BEFORE" if found.is_as_before else "NOT ALL AS BEFORE"
    rows = [_row(each) for each in found.units]
    table = Section(
        title="Units",
        heads=("serial", "result", "verdict", "held against", "largest", "U", "p", "of type"),
        rows=rows,
        texts_n=4,
        notes=(
            "largest: difference in % of span to what it is held against, where it is closest to the margin",
            "p: of two one-sided tests at every point; below 0.05 it is shown to be as before",
            "of type: points outside what 95 % of the other units have, by more than U; – = fewer than 3 units",
        ),
    )
    return Told(
        answer=answer,
        largest=f"{as_before_n} of {len(found.units)} units, within {found.margin}",
        is_good=found.is_as_before,
        sentences=("shown by two one-sided tests at every point; no significant difference alone would prove nothing",),
        sections=(table, *(_unit(each) for each in found.units)),
        is_simulated=any(each.is_simulated for each in found.units),
    )


def _row(unit: UnitRegression) -> tuple[str, ...]:
    deciding = next((each for each in unit.held if each.decides), None)
    of_type = f"{len(unit.beyond)}" if unit.type_units_n else "–"
    if deciding is None:
        return (unit.serial, unit.result, unit.verdict or "–", "–", "–", "–", "–", of_type)
    largest, U = _largest(deciding)
    return (
        unit.serial,
        unit.result,
        unit.verdict,
        deciding.name,
        largest,
        U,
        p_value(deciding.tested.overall_p),
        of_type,
    )


def _largest(held: Held) -> tuple[str, str]:
    """Difference and U where it is closest to its margin, or most beyond."""
    points = held.compared.points
    share = np.abs(held.tested.difference) / held.tested.margin
    place = int(np.nan_to_num(share).argmax())
    row = points.iloc[place]
    return fixed(float(row["difference_pct"]), 3, is_signed=True), significant(float(row["U_pct"]))


def _unit(unit: UnitRegression) -> Section:
    said = [unit.reason] if unit.reason else []
    said += [text for each in unit.held for text in _words(each)]
    said += [
        f"{each.name} is {fixed(each.value, 3, is_signed=True)} {each.unit} (U {significant(each.U)}), outside "
        f"{fixed(each.low, 3, is_signed=True)} .. {fixed(each.high, 3, is_signed=True)}, which holds 95 % of its type"
        for each in unit.beyond
    ]
    if unit.type_units_n and not unit.beyond:
        said.append(f"within what 95 % of its type have, at every point ({unit.type_units_n} other units)")
    return Section(
        title=f"{unit.serial}: {unit.result}",
        sentences=said or ("nothing to hold it against",),
        plots=tuple(difference_plot(each.compared) for each in unit.held if each.decides),
        notes=(f"record: {unit.folder}",) if unit.folder else (),
    )


def _words(held: Held) -> list[str]:
    compared = held.compared
    head = f"against {held.name}: "
    if compared.reason and not held.tested.overall_p >= 0:
        return [f"{head}not determinable, {compared.reason}"]
    worst = compared.worst
    place = f"{as_pct(float(worst['setpoint_pct']))}{way(str(worst['direction']))}"
    said = f"{head}{held.shown}"
    if held.decides:
        said += f" (p {p_value(held.tested.overall_p)})"
    said += f"; changed beyond U at {compared.different_n} of {compared.tested_n} points"
    said += f", most by {fixed(float(worst['difference_pct']), 3, is_signed=True)} % of span at {place}"
    if held.changed_figures:
        many = (
            ""
            if compared.different_n
            else " (each rests on all points together, so its U can be less than that of any one)"
        )
        said += f"; changed beyond their own U: {', '.join(held.changed_figures)}{many}"
    cautions = [f"against {held.name}: {each}" for each in compared.cautions if not each.startswith("simulated bench")]
    return [said, *(cautions if held.decides else [])]


def regression_document(found: Regression) -> dict[str, Any]:
    """All units as JSON values."""

    def of_held(each: Held) -> dict[str, Any]:
        tested = each.tested
        return {
            "against": each.name,
            "record": each.folder,
            "decides": each.decides,
            "equivalence": each.shown,
            "p": tested.overall_p,
            "changed_figures": list(each.changed_figures),
            "changed_points": each.compared.different_n,
            "points": [
                {
                    "setpoint_pct": row["setpoint_pct"],
                    "direction": row["direction"],
                    "difference_pct": row["difference_pct"],
                    "U_pct": row["U_pct"],
                    "margin_pct": float(tested.margin[place]),
                    "low_pct": float(tested.low[place]),
                    "high_pct": float(tested.high[place]),
                    "p": float(tested.p[place]),
                }
                for place, row in enumerate(each.compared.points.to_dict("records"))
            ],
        }

    document = json_value(
        {
            "is_as_before": found.is_as_before,
            "margin": found.margin,
            "units": [
                {
                    "serial": each.serial,
                    "result": each.result,
                    "record": each.folder,
                    "verdict": each.verdict,
                    "held": [of_held(side) for side in each.held],
                    "type_units": each.type_units_n,
                    "beyond_type": [
                        {name: getattr(one, name) for name in ("name", "value", "U", "low", "high", "unit")}
                        for one in each.beyond
                    ],
                    "reason": each.reason,
                }
                for each in found.units
            ],
        },
        digits=COMPUTED_DIGITS,
    )
    assert isinstance(document, dict)
    return document
