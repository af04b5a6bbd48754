"""Several units behind the channels of a scanner: which of them a receiver sees, and which the source drives.

To the instruments it is as one plant. What is not connected goes on by itself: a loop is closed by its own load while
the meter is elsewhere, as on a bench that is wired right.
"""

from collections.abc import Mapping, Sequence

from instruments.datasheet import DataSheet
from instruments.simulated.physics import Plant

__all__ = ["Bank"]


class Bank:
    """Several plants, one a place.

    Args:
        plants: by place.
        channels: by place; a unit is connected while all of them are closed.
        is_driven_together: the source is wired to all; else it drives what is connected.
    """

    def __init__(
        self, plants: Mapping[int, Plant], channels: Mapping[int, Sequence[str]], *, is_driven_together: bool
    ) -> None:
        self._plants = plants
        self._channels = {place: frozenset(each) for place, each in channels.items()}
        self._is_driven_together = is_driven_together
        self.closed: set[str] = set()
        self.known = frozenset(channel for each in channels.values() for channel in each)
        self._driven: dict[int, tuple[float, bool]] = {}  # by tap: level, and whether the output is on

    @property
    def sheet(self) -> DataSheet:
        """Of all units."""
        return next(iter(self._plants.values())).sheet

    def switch(self, at_s: float, channels: Sequence[str], *, is_closed: bool) -> None:
        """Channels close or open."""
        before = set(self._connected())
        self.closed = self.closed | set(channels) if is_closed else self.closed - set(channels)
        if self._is_driven_together:
            return
        for place in before ^ set(self._connected()):
            for tap, (signal, enabled) in self._driven.items():
                is_on = enabled and place in self._connected()
                self._plants[place].drive(at_s, signal, tap=tap, enabled=is_on)

    def drive(self, at_s: float, signal: float, *, tap: int = 0, enabled: bool = True) -> None:
        """As `Plant.drive`, of every unit that the source is wired to."""
        self._driven[tap] = signal, enabled
        driven = self._plants if self._is_driven_together else self._connected()
        for place in driven:
            self._plants[place].drive(at_s, signal, tap=tap, enabled=enabled)

    def hold(self, at_s: float, name: str, level: float | None, *, unit: str) -> None:
        """As `Plant.hold`, of every unit: supply and load are those of all."""
        for plant in self._plants.values():
            plant.hold(at_s, name, level, unit=unit)

    def signal(self, tap: int, at_s: float) -> float:
        """As `Plant.signal`, of the unit at the first place."""
        return next(iter(self._plants.values())).signal(tap, at_s)

    def seen(self, tap: int, from_s: float, to_s: float) -> float:
        """As `Plant.seen`: the unit that is connected; of two at once the mean, as of like sources; of none nothing."""
        if tap == 0 and self._is_driven_together:
            return next(iter(self._plants.values())).seen(tap, from_s, to_s)
        levels = [self._plants[place].seen(tap, from_s, to_s) for place in self._connected()]
        return sum(levels) / len(levels) if levels else 0.0

    def _connected(self) -> list[int]:
        return [place for place, channels in self._channels.items() if channels <= self.closed]
