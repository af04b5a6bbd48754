"""Levels of a function that sets, as numbers on the wire and back. It sends nothing."""

from instruments import scpi
from instruments.commands import as_sent, rendered
from instruments.errors import InputError, LimitError
from instruments.functions import Function, RangeEntry
from instruments.units import Quantity, show

__all__ = ["Levels"]

# How far beyond its range a source may say that it stands, as a share of its width: its own rounding, and no more.
_SLACK = 0.01


class Levels:
    """A function that sets, in one of its ranges.

    Args:
        spec: the function.
    """

    def __init__(self, spec: Function) -> None:
        self._spec = spec
        self.entry = spec.ranges[0]
        self.pattern = scpi.reply_pattern(spec.reply, decimal=spec.decimal)
        self.take(self.entry)

    def take(self, entry: RangeEntry) -> None:
        """Another range."""
        self.entry = entry
        unit = self.wire_unit or self._spec.unit
        step = self._spec.wire_width(entry, self._spec.resolution(entry, unit))
        least = 1e-9 * self._spec.wire_width(entry, entry.range.within(unit).width)
        self._smallest = max(step, least)  # kept, since to compute it costs half an exchange

    @property
    def wire_unit(self) -> str:
        """Of the numbers that go over the wire; "" of a scale."""
        return "" if self.entry.scale else self._spec.wire_unit

    def commands(self, level: Quantity, *, before: Quantity) -> tuple[str, ...]:
        """The commands that set a level, from the one before."""
        assert self._spec.set is not None
        told, was = (self._spec.to_wire(each, self.entry) for each in (level, before))
        return rendered(self._spec.set, told, before=was, decimal=self._spec.decimal)

    def tolerance(self, told: float) -> float:
        """How far a number on the wire may be from what was meant."""
        return max(self._smallest, 1e-5 * abs(told))

    def refuse_if_coarse(self, level: Quantity, *, where: str) -> None:
        """Raises LimitError where the format of the command would send another level."""
        assert self._spec.set is not None
        told = self._spec.to_wire(level, self.entry)
        left = as_sent(self._spec.set, told)
        if not abs(left - told) <= self.tolerance(told):
            raise LimitError(
                f"{show(level)} refused: its format would send {left:g} {self.wire_unit}".rstrip(),
                where=where,
                todo='give "{level}" in the description more digits, such as "{level:.6E}"',
            )

    def number(self, said: scpi.Taken) -> float | None:
        """What the source says of its level, as a number on the wire; None where that is no level within a range."""
        spec, unit = self._spec, self.wire_unit or self._spec.unit
        try:
            found = [
                (spec.from_wire(entry, unit, said_in=said.unit), entry.range.within(unit)) for entry in spec.ranges
            ]
            factor, shift = spec.from_wire(self.entry, unit, said_in=said.unit)
        except InputError:  # no unit, or of something else
            return None
        if not any(span.holds(each[0] * said.value + each[1], slack=_SLACK) for each, span in found):
            return None
        return said.value if self.entry.scale else factor * said.value + shift

    def is_near(self, found: float, level: Quantity) -> bool:
        """True if a number on the wire is what a level is there."""
        told = self._spec.to_wire(level, self.entry)
        return abs(found - told) <= self.tolerance(told)

    def contrast(self, found: float, level: Quantity) -> str:
        """What was told and what is reported, in words; a number that is scaled on the wire with what it should be."""
        if self.entry.scale:
            told = self._spec.to_wire(level, self.entry)
            return f"told {show(level)} as {told:g}, reports {found:g}"
        return f"told {show(level)}, reports {found:g} {self.wire_unit}".rstrip()
