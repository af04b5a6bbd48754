"""Everything that was found, as JSON values: what `--json` prints and `figures.json` holds. It computes nothing."""

from dataclasses import asdict
from typing import Any

import pandas as pd

from instruments.texts import json_value
from instruments.units import show
from sequencer.diagnosis.comparison import Comparison
from sequencer.diagnosis.result import Content
from sequencer.evaluation.result import Evaluation
from sequencer.evaluation.stage_errors import StageResult
from sequencer.inputs.step import registry
from sequencer.planning.plan import Plan

__all__ = ["comparison_document", "document", "plan_document"]


def document(content: Content) -> dict[str, Any]:
    """Everything that was found, as JSON values: what `--json` prints and `figures.json` holds."""
    found = content.evaluation
    head = {
        name: getattr(content, name)
        for name in ("serial", "type", "sequence", "date", "operator", "state", "status", "reason", "advice", "bench")
    }
    head |= {"is_simulated": content.is_simulated, "remarks": list(content.remarks), "versions": content.versions}
    head |= _of_steps(content)
    if content.findings is not None:
        head["findings"] = asdict(content.findings)
    if found is None:
        return head | {"verdict": {"result": "not determinable", "reason": content.reason, "rule": ""}}
    if content.trials is not None:
        head["monte_carlo"] = asdict(content.trials) | {"sentences": list(content.trials.sentences)}
    return head | {
        "verdict": asdict(found.verdict),
        "standard": found.standard,
        "tolerance": found.tolerance,
        "input_by": found.input_by,
        "input_unit": found.input_unit,
        "corrections": list(found.corrections),
        "output_unit": found.output_unit,
        "output_span": found.output_span,
        "figures": [asdict(figure) for figure in found.figures],
        "not_determined": list(found.not_determined),
        "tur": json_value(found.tur),
        "basis": asdict(found.basis),
        "budget": _budget_rows(found),
        "tests": list(found.tests),
        "adjustment": asdict(content.adjustment) if content.adjustment is not None else None,
        "as_found": None
        if content.before is None
        else {"folder": content.before_folder}
        | {"verdict": asdict(content.before.verdict), "figures": [asdict(each) for each in content.before.figures]},
        "stages": [_stage(stage) for stage in found.stages],
        "points": _rows(found.points),
        "visits": _rows(found.visits),
        "end_pairs": _rows(found.end_pairs),
    }


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
            (own if step.json_key else others)[step.json_key or name] = json_value(value)
    return own | ({"steps": others} if others else {})


def comparison_document(compared: Comparison) -> dict[str, Any]:
    """Everything that a comparison found, as JSON values."""
    sides = {
        name: {key: getattr(side.content, key) for key in ("serial", "type", "state", "date", "sequence", "bench")}
        | {"folder": side.content.folder, "sha256": side.content.digest, "is_altered": bool(side.content.alterations)}
        | {"is_simulated": side.content.is_simulated}
        for name, side in (("a", compared.a), ("b", compared.b))
    }
    names = ("mean_pct", "mean_U_pct", "mean_p_holm", "overall_p", "coverage", "margin", "reason", "is_same_bench")
    return {
        "result": compared.result,
        **sides,
        **{name: json_value(getattr(compared, name)) for name in names},
        "different_n": compared.different_n,
        "tested_n": compared.tested_n,
        "points": _rows(compared.points),
        "figures": [
            asdict(each) | {"difference": each.difference, "is_different": each.is_different}
            for each in compared.figures
        ],
        "not_compared": list(compared.unmatched),
        "cautions": list(compared.cautions),
    }


def plan_document(planned: Plan) -> dict[str, Any]:
    """A plan as JSON values."""
    return {
        "sequence": planned.sequence.file.sequence,
        "type": planned.sheet.type,
        "bench": planned.bench.file.bench,
        "estimate_s": planned.estimate_s,
        "tur": planned.tur,
        "cautions": list(planned.cautions),
        "warnings": list(planned.warnings),
        "limits": {reason: str(limit) for reason, limit in planned.limits},
        "wiring": [
            {"tap": each.tap}
            | {
                use: port and {"instrument": port.instrument, "function": port.function, "range": str(port.entry.range)}
                for use, port in (("set_by", each.source), ("read_by", each.receiver))
            }
            | {"safe_level": show(each.safe_level) if each.safe_level is not None else None}
            for each in planned.wires
        ],
        "points": [
            {"number": point.number, "step": point.step_name, "role": point.role, "cycle": point.setpoint.cycle}
            | {"direction": point.setpoint.direction, "setpoint_pct": 100 * point.setpoint.frac, "value": point.value}
            | {"level": show(point.level, digits=9), "expected": list(point.expected)}
            | {"tolerance": json_value(point.tolerance), "tur": point.tur}
            | {"readings": point.setpoint.readings_n, "estimate_s": point.estimate_s}
            for point in planned.points
        ],
    }


def _budget_rows(found: Evaluation) -> list[dict[str, Any]]:
    """The budget at the worst point, its contributions ranked."""
    at = found.worst_index
    if found.budget is None or at is None:
        return []
    return [
        {"name": each.name, "u": json_value(each.u), "share": json_value(each.share_frac)}
        for each in found.budget.ranked(*at)
    ]


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): json_value(value) for name, value in row.items()} for row in table.to_dict("records")]
