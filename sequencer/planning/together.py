"""Whether several units that one source drives can be tested at once, or what of a plan follows one unit alone."""

from collections.abc import Sequence

from instruments.benchfile import LoadedBench
from instruments.wiring import Wire
from sequencer.inputs.files import LoadedSequence
from sequencer.inputs.step import registry
from sequencer.planning.points import Plan, Point

__all__ = ["why_one_by_one", "why_plan_one_by_one"]


def why_one_by_one(sequence: LoadedSequence, bench: LoadedBench, wires: Sequence[Wire], points: Sequence[Point]) -> str:
    """What keeps units that the source drives together from being tested at once, in words; "" if nothing does.

    A search goes where the readings of one unit send it; what moves is read as fast as the meter gives, which cannot
    be shared; and nobody types readings while a scanner switches on.
    """
    units = bench.file.units
    if units is None or units.driven != "together":
        return ""
    steps, following = registry(), []
    for number, name, settings in sequence.steps():
        own = [point.setpoint for point in points if point.step == number]
        if steps[name].goes_on(settings) or any(not each.is_waited_for for each in own):
            following.append(f"{number} {name.replace('_', ' ')}")
    if following:
        verb = "steps {} follow" if following[1:] else "step {} follows"
        return f"{verb.format(', '.join(following))} one unit"
    read_by = [wire.receiver.instrument for wire in wires if wire.receiver is not None]
    keyed = [name for name in read_by if bench.descriptions[name].kind == "keyed"]
    return f'"{keyed[0]}" is read by a person' if keyed else ""


def why_plan_one_by_one(plan: Plan) -> str:
    """As `why_one_by_one`, of a plan."""
    return why_one_by_one(plan.sequence, plan.bench, plan.wires, plan.points)
