"""Whether the output stood where the input was, in a run that no traverse judges.

A unit that is dead or stuck drifts and ripples less than any: that its limits are kept tells nothing of it then.
"""

from sequencer.evaluation.visit_errors import visit_errors
from sequencer.inputs.step import Seen

__all__ = ["off_ideal"]

_GROSS_PCT = 10.0  # of span: farther off, an output does not answer its input (common practice, no source)
_LAST_N = 3  # readings of each place that count: a unit that is cold errs first


def off_ideal(seen: Seen) -> str:
    """Why no limit that is kept tells anything of the unit.

    Counted are readings of settled visits within the range and under reference conditions, those that were taken last
    at each place.

    Returns:
        In words; "" if it stood where it was due, or nothing was read that tells.
    """
    table = seen.table
    is_counted = (table["settling"] != "") & table["setpoint_pct"].between(0, 100) & (table["under"] == "")
    errors = visit_errors(table[is_counted], seen.sheet)
    if errors.empty or seen.type_sheet.fit is not None:
        return ""
    last = errors.groupby("setpoint_pct").tail(_LAST_N).groupby("setpoint_pct")["error_pct"].median().abs()
    farthest = int(last.to_numpy().argmax())
    place, off_pct = float(last.index.to_numpy()[farthest]), float(last.to_numpy()[farthest])
    if off_pct <= _GROSS_PCT:
        return ""
    stands = f"at {place:g} % it stands {off_pct:.3g} % of span from its ideal"
    return f"the output does not answer the input: {stands}"
