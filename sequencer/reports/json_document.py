"""Everything that was found, as JSON values: what `--json` prints and `figures.json` holds. It computes nothing.

Numbers are given to the digits that arithmetic leaves right: those of a difference are counted from what it is one of.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import pandas as pd

from instruments.texts import COMPUTED_DIGITS, json_value
from instruments.units import show
from sequencer.diagnosis.compared import Comparison
from sequencer.diagnosis.result import Content
from sequencer.evaluation.figure_list import Figure
from sequencer.evaluation.result import METHOD, Evaluation
from sequencer.evaluation.stage_errors import StageResult
from sequencer.inputs.step import registry
from sequencer.planning.bench_statements import reaction_s
from sequencer.planning.many_units import units_time
from sequencer.planning.plan import Plan
from sequencer.planning.risk_table import expected_chances

__all__ = ["comparison_document", "document", "plan_document", "step_numbers"]

# Columns in the unit of the output: each is a level there, or a difference of two.
_OF_OUTPUT = ("ideal", "output", "error", "tolerance", "sd", "U", "first", "second", "change")


def document(content: Content) -> dict[str, Any]:
    """Everything that was found, as JSON values: what `--json` prints and `figures.json` holds."""
    told: dict[str, Any] = json_value(_document(content), digits=COMPUTED_DIGITS)
    return told


def _document(content: Content) -> dict[str, Any]:
    found = content.evaluation
    head = {
        name: getattr(content, name)
        for name in ("serial", "type", "sequence", "date", "operator", "state", "status", "reason", "advice", "bench")
    }
    head |= {
        "is_simulated": content.is_simulated,
        "remarks": list(content.remarks),
        "doubts": list(content.doubts),
        "versions": content.versions,
    }
    head |= {"told_not_proved": list(content.told)}
    head |= _of_steps(content)
    if content.findings is not None:
        head["findings"] = asdict(content.findings)
    if found is None:
        verdict = content.verdict
        told = {"result": verdict.result, "reason": verdict.reason, "rule": verdict.rule}
        return head | {"verdict": asdict(verdict) if content.alone is not None else told}
    if content.trials is not None:
        head["monte_carlo"] = asdict(content.trials) | {"sentences": list(content.trials.sentences)}
    return head | {
        "verdict": asdict(found.verdict),
        "method": METHOD,
        "standard": found.standard,
        "tolerance": found.tolerance,
        "input_by": found.input_by,
        "input_unit": found.input_unit,
        "corrections": list(found.corrections),
        "output_unit": found.output_unit,
        "output_span": found.output_span,
        "figures": _figures(found.figures, found),
        "not_determined": list(found.not_determined),
        "tur": found.tur,
        "basis": asdict(found.basis),
        "budget": _budget_rows(found),
        "tests": list(found.tests),
        "adjustment": asdict(content.adjustment) if content.adjustment is not None else None,
        "as_found": None
        if content.before is None
        else {"folder": content.before_folder}
        | {"verdict": asdict(content.before.verdict), "figures": _figures(content.before.figures, content.before)},
        "stages": [_stage(stage) for stage in found.stages],
        "points": _rows(found.points, _scales(found)),
        "visits": _rows(found.visits, _scales(found)),
        "end_pairs": _rows(found.end_pairs, _scales(found)),
    }


def _scales(found: Evaluation) -> dict[str, float]:
    """What the numbers of a column were computed from, by its name."""
    levels = found.visits[["ideal", "output"]].abs().max().max()
    output = max(found.output_span, float(levels if levels == levels else 0.0))  # noqa: PLR0124  NaN: nothing was read
    return dict.fromkeys(_OF_OUTPUT, output) | {"input": max(map(abs, found.input_range))}


_OF_A_FIGURE = ("value", "u_scatter", "U", "low", "high", "by_noise", "corrected")


def _figures(figures: Sequence[Figure], found: Evaluation) -> list[dict[str, Any]]:
    output = _scales(found)["output"]
    scales = {"% of span": 100.0, found.output_unit: output, "1": 1.0, "": 1.0}
    return [_computed(asdict(each), dict.fromkeys(_OF_A_FIGURE, scales.get(each.unit, 0.0))) for each in figures]


def _stage(stage: StageResult) -> dict[str, Any]:
    """As records have it since their first day: a reason only where there is one."""
    return {name: value for name, value in asdict(stage).items() if name != "reason" or value}


def _of_steps(content: Content) -> dict[str, Any]:
    """The part of each step: under a key of its own, or by its name in "steps"."""
    own: dict[str, Any] = {}
    others: dict[str, Any] = {}
    for name, results in content.steps.items():
        step = registry()[name]
        value = step.json(results)
        if value is not None:
            (own if step.json_key else others)[step.json_key or name] = value
    numbers = step_numbers(content)
    return own | ({"steps": others} if others else {}) | ({"step_results": numbers} if numbers else {})


def step_numbers(content: Content) -> list[dict[str, Any]]:
    """What the steps found as numbers, each with its limit where it has one: one form for all of them.

    Each has step (its name in the registry), name, value and U (NaN = not known), unit, limit ("" = none), is_met.
    """
    found = []
    for name, results in content.steps.items():
        judged = {each.name: each for each in registry()[name].judged(results)}
        for each in ({each.name: each for each in registry()[name].values(results)} | judged).values():
            fields = {key: getattr(each, key) for key in ("name", "value", "U", "unit", "limit", "is_met")}
            found.append({"step": name} | fields)
    return found


def comparison_document(compared: Comparison) -> dict[str, Any]:
    """Everything that a comparison found, as JSON values."""
    sides = {
        name: {key: getattr(side.content, key) for key in ("serial", "type", "state", "date", "sequence", "bench")}
        | {"folder": side.content.folder, "sha256": side.content.digest, "is_altered": bool(side.content.alterations)}
        | {
            "is_simulated": side.content.is_simulated,
            "result": side.content.verdict.result,
        }
        | {"cause": side.content.findings.cause if side.content.findings and side.content.findings.is_fault else ""}
        for name, side in (("a", compared.a), ("b", compared.b))
    }
    names = ("mean_pct", "mean_U_pct", "mean_p_family", "overall_p", "needed_pct", "coverage", "margin", "reason")
    figures = [
        asdict(each) | {"difference": each.difference, "is_different": each.is_different} for each in compared.figures
    ]
    of_figures = dict.fromkeys(("a", "b", "U", "difference"), 100.0)  # % of span, or of the tolerance
    return {
        "result": compared.result,
        **sides,
        **_computed({name: getattr(compared, name) for name in names}),
        "is_same_bench": compared.is_same_bench,
        "different_n": compared.different_n,
        "tested_n": compared.tested_n,
        "points": _rows(compared.points),
        "figures": [_computed(each, of_figures) for each in figures],
        "not_compared": list(compared.unmatched),
        "cautions": list(compared.cautions),
    }


def plan_document(planned: Plan) -> dict[str, Any]:
    """A plan as JSON values."""
    told: dict[str, Any] = json_value(_plan_document(planned), digits=COMPUTED_DIGITS)
    return told


def _plan_document(planned: Plan) -> dict[str, Any]:
    ends = [max(abs(tap.low), abs(tap.high)) for tap in planned.sheet.taps]
    return {
        "sequence": planned.sequence.file.sequence,
        "type": planned.sheet.type,
        "bench": planned.bench.file.bench,
        "estimate_s": planned.estimate_s,
        "estimate_most_s": planned.most_s,
        "units": _units_document(planned),
        "reaction_s": reaction_s(planned.bench, planned.all_wires),
        "tur": planned.tur,
        "risk": None if (chances := expected_chances(planned)) is None else asdict(chances),
        "cautions": list(planned.cautions),
        "warnings": list(planned.warnings),
        "corrections": list(planned.corrections),
        "limits": {reason: str(limit) for reason, limit in planned.limits},
        "wiring": [
            {"tap": each.tap}
            | {
                use: port and {"instrument": port.instrument, "function": port.function, "range": str(port.entry.range)}
                for use, port in (("set_by", each.source), ("read_by", each.receiver))
            }
            | {"safe_level": show(each.safe_level) if each.safe_level is not None else None}
            | {"proves_safe": each.source and each.source.proves_safe}
            for each in planned.wires
        ],
        "points": [
            {"number": point.number, "step": point.step_name, "role": point.role, "cycle": point.setpoint.cycle}
            | {"direction": point.setpoint.direction, "setpoint_pct": _number(100 * point.setpoint.frac, 100.0)}
            | {"value": _number(point.value, ends[0])}
            | {"level": show(point.level, digits=9)}
            | {"expected": [_number(each, end) for each, end in zip(point.expected, ends, strict=True)]}
            | {"tolerance": _number(point.tolerance, ends[-1]), "tur": point.tur}
            | {"readings": point.setpoint.readings_n, "estimate_s": point.estimate_s}
            for point in planned.points
        ],
    }


def _units_document(planned: Plan) -> dict[str, Any] | None:
    """What as many units take as the bench has places for; None where it has no places."""
    units = planned.bench.file.units
    if units is None:
        return None
    told = units_time(planned, len(units.places))
    found: dict[str, Any] = {"number": told.units_n, "at_once": told.is_together, "estimate_s": told.estimate_s}
    found |= {"estimate_most_s": told.most_s}
    if told.is_together:
        steps = dict.fromkeys(point.step for point in planned.points)
        found["steps"] = [{"step": step, "estimate_s": told.step_s(planned, step)} for step in steps]
    return found


def _budget_rows(found: Evaluation) -> list[dict[str, Any]]:
    """The budget at the worst point, its contributions ranked."""
    at = found.worst_index
    if found.budget is None or at is None:
        return []
    return [{"name": each.name, "u": each.u, "share": each.share_frac} for each in found.budget.ranked(*at)]


def _rows(table: pd.DataFrame, scales: Mapping[str, float] = {}) -> list[dict[str, Any]]:
    """Rows of a table; `scales` as of `_computed`."""
    return [_computed({str(name): each for name, each in row.items()}, scales) for row in table.to_dict("records")]


def _computed(values: Mapping[str, Any], scales: Mapping[str, float] = {}) -> dict[str, Any]:
    """Values by name, each number to its digits; `scales` = what it was computed from, if not 100 of a per cent."""
    return {
        name: _number(value, scales.get(name, 100.0 if name.endswith("_pct") else 0.0))
        for name, value in values.items()
    }


def _number(value: Any, scale: float) -> Any:  # noqa: ANN401  what a table holds
    return json_value(value, digits=COMPUTED_DIGITS, scale=scale)
