"""Where the errors that a certificate gives of an instrument are taken off: at the tap of the unit that it serves."""

from collections.abc import Sequence
from dataclasses import replace

from instruments.datasheet import DataSheet
from sequencer.evaluation.budget import Statement

__all__ = ["corrections_told", "with_certified"]


def with_certified(sheet: DataSheet, stated: Sequence[Statement]) -> DataSheet:
    """The unit with what is certified of the instrument at each tap, so that readings there are corrected.

    Args:
        sheet: the unit as its type sheet has it.
        stated: of the taps.
    """
    known = {each.tap: each.certified for each in stated}
    return replace(sheet, taps=tuple(replace(tap, certified=known.get(tap.name)) for tap in sheet.taps))


def corrections_told(sheet: DataSheet, stated: Sequence[Statement]) -> tuple[str, ...]:
    """What is corrected by a certificate at which tap, and what counts beside it, in words."""
    units = {tap.name: tap.signal_unit for tap in sheet.taps}
    return tuple(
        f"{each.tap}: {each.instrument}, {each.certified.told(units[each.tap])}; {_beside(each, units[each.tap])}"
        for each in stated
        if each.certified is not None and each.tap in units
    )


def _beside(stated: Statement, unit: str) -> str:
    if stated.drift is None:
        what = "no drift is stated, so its accuracy counts besides"
        return "neither drift nor accuracy is stated" if stated.accuracy is None else what
    parts = [
        text
        for size, text in (
            (stated.drift.of_reading, f"{100 * stated.drift.of_reading:.3g} % of reading"),
            (stated.drift.floor, f"{stated.drift.floor:.3g} {unit}"),
        )
        if size
    ]
    drift = f"drift of {' + '.join(parts)} a year over {stated.drift_years:.2g} years in place of its accuracy"
    return f"{drift}, which counts beyond the points"
