"""A plan as text for a terminal, and the chances of its judgement."""

from collections.abc import Sequence

from instruments.texts import counted, sized
from instruments.units import show
from instruments.wiring import Wire
from sequencer.evaluation.figures.unit_risk import SIZES, UnitRisk
from sequencer.inputs.step import registry
from sequencer.planning.bench_statements import reaction_s
from sequencer.planning.many_units import UnitsTime, units_time
from sequencer.planning.plan import Plan, Point
from sequencer.planning.risk_table import RiskTable, UnitChances, expected_chances
from sequencer.planning.searches import TimeBeyond
from sequencer.reports.as_text import duration, set_points
from sequencer.reports.terminal.lines import MINUS, listed, wrapped

__all__ = ["plan_text", "risk_text", "units_time_text"]

_RARE = 5e-5  # what happens to no more units may have happened to none of the 80 000 that were tried


def plan_text(plan: Plan, width: int = 80) -> str:
    """What will happen, for how long, with which wiring and limits; warnings, and what must be confirmed."""
    sheet, file = plan.sheet, plan.sequence.file
    lines = wrapped(file.sequence, width)
    tur = "not known, an instrument's accuracy is missing"
    if not plan.has_traverse:
        tur = "none, no traverse is held against the tolerance"
    elif plan.tur is not None:
        tur = f"{plan.tur:.1f} at the worst point"
    elif any(point.tur is not None for point in plan.points):
        tur = "not known at every point, see the warnings"
    units = plan.bench.file.units
    of_all = None if units is None else units_time(plan, len(units.places))
    bound_s = reaction_s(plan.bench, plan.all_wires)
    reaction = f"safe level and off are sent within {bound_s:g} s of a fault" if bound_s else "by the person who sets"
    for label, text in (
        ("unit", sheet.type),
        ("bench", plan.bench.file.bench),
        ("tolerance", f"+/-{plan.sequence.sheet.stated_tolerance}"),
        (
            "takes",
            f"about {_up_to(plan)}, {len(plan.points)} points{_timed(plan)}",
        ),
        *((("units", units_time_text(of_all)),) if of_all is not None else ()),
        ("TUR", f"{tur} (tolerance over expanded uncertainty)" if plan.has_traverse else tur),
        *((("risk", _chances_in_short(plan)),) if plan.has_traverse else ()),
        ("reaction", reaction),
    ):
        lines += wrapped(text, width, first=f"{label + ':':<11}", then=" " * 11)
    lines += ["", "steps"]
    for number in dict.fromkeys(point.step for point in plan.points):
        lines += _step(plan, [point for point in plan.points if point.step == number], width, of_all)
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


def units_time_text(told: UnitsTime) -> str:
    """What so many units take: "about 3 min 48 s for 16 units at once"."""
    how = "at once" if told.is_together else "one after another"
    most = f", seldom more than {duration(told.most_s)}" if told.most_s > told.estimate_s else ""
    return f"about {duration(told.estimate_s)} for {counted(told.units_n, 'unit')} {how}{most}"


def _timed(plan: Plan) -> str:
    """What its times are from, where that is not the type sheet alone."""
    return f"; as in {counted(plan.timed_by_n, 'earlier run')} of this sequence" if plan.timed_by_n else ""


def _chances_in_short(plan: Plan) -> str:
    """The chances of a unit with all its points, in one line."""
    chances = expected_chances(plan)
    if chances is None:
        return "not known, see TUR"
    said = _chances(chances)
    if not said:
        return f"{plan.sequence.file.decision_rule} leaves nothing to accept"
    good, bad = said
    return (
        f"{good} of all units good and rejected, {bad} bad and accepted, if {100 * chances.in_tolerance:g} % are in "
        "tolerance at all points (more by livezero risk)"
    )


def _chances(chances: UnitChances) -> tuple[str, str] | None:
    """Good and rejected, bad and accepted, each from the one supposition to the other; None where none can pass."""
    if chances.shared is None or chances.independent is None:
        return None
    ends = (chances.shared, chances.independent)
    return (
        _from_to([(each.false_reject, each.u_false_reject) for each in ends]),
        _from_to([(each.false_accept, each.u_false_accept) for each in ends]),
    )


def _from_to(shares: list[tuple[float, float]]) -> str:
    """Two shares as a range; up to the larger of both where one of them is a bound."""
    low, high = sorted((_held(*each) for each in shares), key=lambda said: float(said.removeprefix("below ")))
    if low == high or high.startswith("below"):
        return f"{high} %"
    return f"up to {high} %" if low.startswith("below") else f"{low} to {high} %"


def _held(share: float, u: float) -> str:
    """A share in % to the digits that its computation holds, two at most; a bound where it holds none."""
    least = max(4 * u, _RARE)
    if share < least:
        return f"below {sized(100 * least, 1)}"
    return f"{100 * share:#.{2 if share >= 10 * least else 1}g}".rstrip(".")


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


def _up_to(plan: Plan) -> str:
    """The time of a run, and what it may become where steps go on by what they find."""
    said = duration(plan.estimate_s)
    if not plan.beyond:
        return said
    if all(each.is_until for each in plan.beyond.values()):
        return f"{said}, at most {duration(plan.most_s)}"
    return f"{said} (from {duration(plan.least_s)}, seldom more than {duration(plan.most_s)})"


def _step_up_to(takes_s: float, beyond: TimeBeyond | None) -> str:
    """The same of one step."""
    if beyond is None:
        return duration(takes_s)
    said, most = duration(takes_s + beyond.expected_s), duration(takes_s + beyond.most_s)
    if beyond.is_until:
        return f"{said}, at most {most}"
    return f"{said}, from {duration(takes_s + beyond.least_s)} for what is found at once, seldom more than {most}"


def _step(plan: Plan, points: Sequence[Point], width: int, of_all: UnitsTime | None) -> list[str]:
    """What one step does, and where it goes; its time with all units where they are tested at once."""
    tap = plan.sheet.taps[0]
    said = registry()[points[0].step_name].describe([point.setpoint for point in points])
    if not points[0].setpoint.ask:
        takes_s = sum(point.estimate_s for point in points)
        said += f"; about {_step_up_to(takes_s, plan.beyond.get(points[0].step))}"
        if of_all is not None and of_all.is_together:
            said += f", with {counted(of_all.units_n, 'unit')} {duration(of_all.step_s(plan, points[0].step))}"
    places = set_points([point.setpoint.frac for point in points], minus=MINUS)
    values = [point.value for point in points]
    ends = f"{min(values):g} .. {max(values):g} {tap.unit}"
    name = "exercise (preconditioning)" if points[0].step_name == "exercise" else points[0].step_name
    lines = wrapped(f"{points[0].step} {name}: {said}", width, first="  ", then="    ")
    if points[0].setpoint.is_still:
        return lines
    return lines + wrapped(f"at {places} of {tap.name} ({ends})", width, first="    ", then="    ")


def risk_text(table: RiskTable) -> str:
    """The chances of a plan's judgement over the guard band, in 80 columns."""
    unit = table.unit
    lines = [
        *_of_unit(table),
        "",
        "one point alone, the poorest of the plan:",
        (
            f"at {table.setpoint_pct:g} % (smallest TUR {table.tur:.2f}): "
            f"tolerance +/-{sized(table.tolerance, 4)} {unit}, U {sized(table.U, 2)} {unit}"
        ),
        f"assumed: {100 * table.in_tolerance:g} % of all units are in tolerance there",
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
    lines += wrapped(f"the rule at one point: {table.bounds}", 80, then="  ")
    lines.append("one point: before scatter of readings; JCGM 106:2012 (from memory)")
    return "\n".join(lines)


def _of_unit(table: RiskTable) -> list[str]:
    """The chances of the whole unit, and what they suppose."""
    chances = table.of_unit
    said = f"the whole unit with all its points ({chances.places_n} places), by {table.rule}:"
    lines = wrapped(said, 80, then="  ")
    if chances.shared is None:
        return [*lines, "  the rule leaves nothing to accept"]
    lines.append(f"{'bad accepted':>64} {'good rejected':>15}")
    lines += [
        _row("errors of the instruments shared by all points", chances.shared),
        _row("each point with errors of its own", chances.independent),
    ]
    sizes = f"{', '.join(SIZES)}, {' : '.join(f'{size:g}' for size in SIZES.values())}"
    share = f"{100 * chances.in_tolerance:g} %"
    notes = [
        (
            f"assumed: {share} of all units are in tolerance at all their points; their errors are {sizes} in parts of "
            "the tolerance (common practice, no source)"
        ),
        f"with a scatter of one reading of {sized(chances.scatter)} {table.unit}"
        if chances.scatter
        else "without scatter of readings, of which nothing is known before a run: suppose one with --scatter "
        '"0.01 % of span"',
        "a pass wants every point passed; a conditional pass counts as rejected",
    ]
    if chances.unknown_n:
        notes.append(f"{counted(chances.unknown_n, 'place')} left out, uncertainty not known")
    for note in notes:
        lines += wrapped(note, 80, first="  ", then="    ")
    return lines


def _row(name: str, chances: UnitRisk | None) -> str:
    assert chances is not None
    bad = f"{_held(chances.false_accept, chances.u_false_accept)} %"
    good = f"{_held(chances.false_reject, chances.u_false_reject)} %"
    return f"  {name:<47}{bad:>15} {good:>15}"
