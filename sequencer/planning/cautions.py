"""The cautions of a kind of unit, asked where a sequence lists none: no real output is energised unasked."""

import re

from instruments.datasheet import DataSheet
from instruments.units import is_alike, is_width, magnitude, quantity

__all__ = ["general_cautions"]

_TURNS = re.compile(r"\b(drive|motor|pump|fan|shaft|spindle|conveyor|mixer|speed)\b", re.IGNORECASE)
# Extra-low voltage ends at 50 V AC (IEC 61140, from memory); for DC, where it is 120 V, this warns early.
_LOW_VOLTAGE_V = 50.0

_ROTATING = (
    "A rotating machine may start as soon as the output is on: guards are fitted and everybody is clear of it.",
    "An emergency stop that does not go through this computer is within reach, and the safe level is one for it.",
)
_PRESSURE = "Pressure is vented before any fitting is loosened; the weakest part stands the highest setpoint."
_LOOP = (
    "The unit is not connected to any plant; a live loop would trip or move what it controls.",
    "Only one end of the loop is powered; the voltage at the terminals was measured before the loop is closed.",
)
_MAINS = "Voltages above 50 V are dangerous to touch: insulated probes, rated leads, covered terminals, and not alone."
_ANY = "The unit is on the bench or isolated under permit, and everybody is clear of what the output drives."
_LOCAL = "Local codes and the permit of the site come first; work on live circuits is for licensed people."


def general_cautions(sheet: DataSheet) -> tuple[str, ...]:
    """What must be confirmed of any unit of this kind before a real output is energised; local codes come first."""
    units = {unit for tap in sheet.taps for unit in (tap.unit, tap.signal_unit)}
    named = " ".join((sheet.type, *(tap.name for tap in sheet.taps), *(stage.name for stage in sheet.stages)))
    found: list[str] = []
    if any(is_alike(unit, "rpm") for unit in units) or _TURNS.search(named):
        found += _ROTATING
    if any(is_width("bar", unit) for unit in units):
        found.append(_PRESSURE)
    if any(is_alike(unit, "mA") for unit in units):
        found += _LOOP
    ends = [(tap.unit, end) for tap in sheet.taps for end in (tap.low, tap.high) if is_alike(tap.unit, "V")]
    if any(abs(magnitude(quantity(f"{end!r} {unit}"), "V")) > _LOW_VOLTAGE_V for unit, end in ends):
        found.append(_MAINS)
    return (_ANY, *found, _LOCAL)
