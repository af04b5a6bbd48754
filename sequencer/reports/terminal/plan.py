"""A plan as text for a terminal, and the chances of its judgement."""

from collections.abc import Sequence

from instruments.texts import sized
from instruments.units import show
from instruments.wiring import Wire
from sequencer.inputs.step import registry
from sequencer.planning.bench_statements import reaction_s
from sequencer.planning.plan import Plan, Point
from sequencer.planning.risk_table import RiskTable
from sequencer.reports.as_text import duration, set_points
from sequencer.reports.terminal.lines import MINUS, listed, wrapped

__all__ = ["plan_text", "risk_text"]


def plan_text(plan: Plan, width: int = 80) -> str:
    """What will happen, for how long, with which wiring and limits; warnings, and what must be confirmed."""
    sheet, file = plan.sheet, plan.sequence.file
    lines = wrapped(file.sequence, width)
    tur = "not known, an instrument's accuracy is missing"
    if plan.tur is not None:
        tur = f"{plan.tur:.1f} at the worst point"
    elif any(point.tur is not None for point in plan.points):
        tur = "not known at every point, see the warnings"
    bound_s = reaction_s(plan.bench, plan.wires)
    reaction = f"safe level and off are sent within {bound_s:g} s of a fault" if bound_s else "by the person who sets"
    for label, text in (
        ("unit", sheet.type),
        ("bench", plan.bench.file.bench),
        ("tolerance", f"+/-{plan.sequence.sheet.stated_tolerance}"),
        ("takes", f"about {duration(plan.estimate_s)}, {len(plan.points)} points"),
        ("TUR", f"{tur} (tolerance over expanded uncertainty)"),
        ("reaction", reaction),
    ):
        lines += wrapped(text, width, first=f"{label + ':':<11}", then=" " * 11)
    lines += ["", "steps"]
    for number in dict.fromkeys(point.step for point in plan.points):
        lines += _step(plan, [point for point in plan.points if point.step == number], width)
    lines += ["", "wiring"]
    lines += listed((f"{wired.tap}: {_uses(wired)}" for wired in plan.wires), width, first="  ", then="    ")
    if plan.corrections:
        lines += ["", "corrected"]
        lines += listed(plan.corrections, width, first="  ", then="    ")
    lines += ["", "limits: nothing outside is sent"]
    lines += listed((f"{reason}: {limit}" for reason, limit in plan.limits), width, first="  ", then="    ")
    for title, texts in (("warnings", plan.warnings), ("cautions, to be confirmed before energising", plan.cautions)):
        if texts:
            lines += ["", title]
            lines += listed(texts, width, first="  - ", then="    ")
    return "\n".join(lines)


def _uses(wired: Wire) -> str:
    uses = []
    if wired.source is not None:
        uses.append(f"set by {wired.source.instrument}, {wired.source.function}, {wired.source.entry.range}")
        if wired.safe_level is not None:
            proved = "" if wired.source.proves_safe else ", told, not proved"
            uses.append(f"safe level {show(wired.safe_level)}{proved}")
    if wired.receiver is not None:
        uses.append(f"read by {wired.receiver.instrument}, {wired.receiver.function}, {wired.receiver.entry.range}")
    return "; ".join(uses) or "nothing"


def _step(plan: Plan, points: Sequence[Point], width: int) -> list[str]:
    """What one step does, and where it goes."""
    tap = plan.sheet.taps[0]
    said = registry()[points[0].step_name].describe([point.setpoint for point in points])
    said += f"; about {duration(sum(point.estimate_s for point in points))}"
    places = set_points([point.setpoint.frac for point in points], minus=MINUS)
    values = [point.value for point in points]
    ends = f"{min(values):g} .. {max(values):g} {tap.unit}"
    name = "exercise (preconditioning)" if points[0].step_name == "exercise" else points[0].step_name
    lines = wrapped(f"{points[0].step} {name}: {said}", width, first="  ", then="    ")
    return lines + wrapped(f"at {places} of {tap.name} ({ends})", width, first="    ", then="    ")


def risk_text(table: RiskTable) -> str:
    """The chances of a plan's judgement over the guard band, in 80 columns."""
    unit = table.unit
    lines = [
        (
            f"at {table.setpoint_pct:g} % (smallest TUR {table.tur:.2f}): "
            f"tolerance +/-{sized(table.tolerance, 4)} {unit}, U {sized(table.U, 2)} {unit}"
        ),
        f"assumed: {100 * table.in_tolerance:g} % of all units are in tolerance",
        "",
        f"{'guard band':>12} {'accepted to':>16} {'bad accepted':>14} {'good rejected':>15}",
    ]
    lines += [
        f"{each.w_over_U:>10.2f} U {f'+/-{sized(each.accepted_to, 4)} {unit}':>16} {100 * each.false_accept:>12.3g} % "
        f"{100 * each.false_reject:>13.3g} %"
        for each in table.points
    ]
    lines.append("")
    if table.of_rule is None:
        lines.append(f"{table.rule}: leaves nothing to accept")
    else:
        own = table.of_rule
        lines.append(f"{table.rule}: w = {own.w_over_U:.2f} U")
        bad, good = sized(100 * own.false_accept), sized(100 * own.false_reject)
        lines.append(f"  bad accepted {bad} %, good rejected {good} %")
    lines.append(f"2 % of bad accepted is held by w = {sized(table.w_for_2_pct)} {unit}")
    lines.append("risks over all units, before scatter of readings; JCGM 106:2012 (from memory)")
    return "\n".join(lines)
