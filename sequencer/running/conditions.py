"""What is held beside the input while a unit is tested: at its reference, or where a point is visited under it."""

from collections.abc import Mapping

from instruments.prompts import DONE, ask
from instruments.roles import Operator, Question, Source
from instruments.units import Quantity, quantity, show
from instruments.wiring import Held
from sequencer.running.logbook import Logbook

__all__ = ["Conditions"]


class Conditions:
    """The quantities beside the input in one run.

    Args:
        held: what an instrument sets.
        sources: of these, by the name of the quantity.
        operator: sets the others.
        log: of the run.
    """

    def __init__(
        self, held: tuple[Held, ...], sources: Mapping[str, Source], *, operator: Operator, log: Logbook
    ) -> None:
        self._held = {each.name: each for each in held}
        self._sources = {name: sources[name] for name in self._held}
        self._operator = operator
        self._log = log
        self._stand: dict[str, str] = {}  # where each was brought to, as written
        self._is_on = False

    def select(self) -> None:
        """The range of each source; the outputs are off."""
        for name, source in self._sources.items():
            port = self._held[name].wire.source
            assert port is not None
            source.select(port.entry)

    def energise(self) -> None:
        """Each that an instrument holds on, where it stood last, or at its reference: before the input is driven."""
        for name, source in self._sources.items():
            source.set(self._level(name))
            source.energise()
        self._is_on = True

    def go_to(self, under: tuple[tuple[str, str], ...]) -> bool:
        """Bring each quantity to the level that a point is visited under; the others stay.

        Returns:
            True if one of them moved.
        """
        moved = False
        for name, level in under:
            if self._stand.get(name) == level:
                continue
            if name in self._sources:
                self._sources[name].set(quantity(level))
            else:
                _ask_for(name, level, self._operator)
            self._stand[name] = level
            self._log.note("held", quantity=name, level=level)
            moved = True
        return moved

    def check(self) -> None:
        """Raises PowerCycledError if one does not stand as it was set."""
        for source in self._sources.values():
            source.check()

    def recover(self) -> None:
        """Communication with each established again, and each on where it stood; before the input is driven again."""
        given_up = [source.recover() for source in self._sources.values()]
        if any(given_up) and self._is_on:
            self.energise()

    def _level(self, name: str) -> Quantity:
        return quantity(self._stand[name]) if name in self._stand else self._held[name].reference


def _ask_for(name: str, level: str, operator: Operator) -> None:
    """Ask a person to bring a quantity to a level, until it is done; raises StoppedError or AbsentError."""
    ask(
        operator,
        Question(kind="set", text=f"Bring {name} to {show(quantity(level))}, and wait until it stands there"),
        allowed="Enter when done",
        understood=lambda typed: typed.casefold() in DONE or None,
        back=lambda: "nothing to go back to",
    )
