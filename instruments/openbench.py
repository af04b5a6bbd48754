"""An open bench: instruments on their lines, sources and receivers by tap; safe on leaving `with`, whatever happens.

Sources are made safe in the order of the bench file before anything else is done.
"""

import contextlib
import math
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Self

import pyvisa

from instruments.clock import Clock
from instruments.described import DescribedInstrument, DescribedReceiver, DescribedSource
from instruments.driven import DrivenInstrument, DrivenSource
from instruments.errors import InstrumentError, UnsafeError
from instruments.feedback import Feedback
from instruments.interrupts import held_off, undisturbed
from instruments.keyed import KeyedReceiver
from instruments.roles import Receiver, Source
from instruments.scanned import Places
from instruments.units import show

__all__ = ["Bench"]


class Bench:
    """Every instrument that the wiring needs, opened.

    Args:
        manager: VISA, closed with the bench; None where there is none, or other benches use it too.
        instruments: those with a line, by name.
        sources: by tap.
        receivers: by tap.
        clock: real, or virtual where the bench is simulated in process.
        places: where the units are, and what connects them; None = one unit, wired as it is.
        driven: those that a driver of a package talks to, by name.
    """

    def __init__(
        self,
        *,
        manager: pyvisa.ResourceManager | None,
        instruments: dict[str, DescribedInstrument],
        sources: dict[str, Source],
        receivers: dict[str, Receiver],
        clock: Clock,
        places: Places | None = None,
        driven: Mapping[str, DrivenInstrument] = MappingProxyType({}),
    ) -> None:
        self._manager = manager
        self.driven = driven
        self.instruments = instruments
        self.sources = sources
        self.receivers = receivers
        self.clock = clock
        self._places = places
        self._is_safe = False
        self._is_known_unsafe = False
        self._unreached: list[InstrumentError] = []
        self._feedback = {
            tap: Feedback(source, receiver, clock)
            for tap, source in sources.items()
            if isinstance(source, DescribedSource)
            and isinstance(receiver := receivers.get(tap), DescribedReceiver)
            and receiver.instrument is not source.instrument
        }
        for each in receivers.values():
            if isinstance(each, DescribedReceiver):
                each.instrument.session.longest_s = partial(self._longest_s, each.instrument.description.takes)
        if places is not None:
            scanner = places.scanner.instrument
            scanner.session.longest_s = partial(self._longest_s, scanner.description.takes)
        self.told: set[str] = set()  # sources made safe by word alone: nothing proves it

    def part_begins(self, number: int) -> None:
        """Another part of a run, such as a traverse: what a person corrects with "back" does not go behind it."""
        for each in self.receivers.values():
            if isinstance(each, KeyedReceiver):
                each.part_begins(number)

    def prepare(self) -> dict[str, str]:
        """Identify each instrument, clear its error queue, bring each output to its safe level.

        Returns:
            Identity by instrument name.

        Raises:
            InstrumentError: one does not answer, is another, or reports an error.
            UnsafeError: an output cannot be brought to its safe level.
        """
        for instrument in self.instruments.values():
            instrument.meet()
        for driven in self.driven.values():
            driven.meet()
        # Before any set-up: an output may still be on from a run that was cut off.
        if set(self.make_safe()) < {source.name for source in self.sources.values()}:
            raise self._unreached[0]
        for instrument in self.instruments.values():
            instrument.set_up()
        if self._places is not None:
            self._places.scanner.open_all()
        self._is_safe = False
        identities = {name: instrument.identity for name, instrument in self.instruments.items()}
        return identities | {name: driven.identity for name, driven in self.driven.items()}

    @property
    def exchange_s(self) -> dict[str, float]:
        """What a question and its answer took lately, by instrument: once it is prepared, what its line takes."""
        found = {name: instrument.session.exchange_s for name, instrument in self.instruments.items()}
        return {name: each for name, each in found.items() if math.isfinite(each)}

    def _longest_s(self, takes_s: float) -> float:
        """How long a reader may be silent: with an output on no longer than a source may, beyond what a reading takes.

        So the time-out of the source alone says how soon it is told off, however patient its readers are.
        """
        sources = (each for each in self.sources.values() if isinstance(each, DescribedSource) and each.is_on)
        return takes_s + min((each.instrument.description.timeout for each in sources), default=math.inf)

    def tell_off(self) -> None:
        """Send every source that was driven its safe level and off, none of them waited for and nothing proved."""
        with held_off():
            for source in self.sources.values():
                with contextlib.suppress(Exception):  # a fault of a driver must not keep the next source on
                    source.tell_off()

    def make_safe(self) -> dict[str, str]:
        """Bring every output to its safe level, in order; every one is tried, whatever becomes of the others.

        No signal interrupts it: one that comes in between counts afterwards. Every wait in it ends.

        Returns:
            The safe level by instrument name; a source that cannot be reached, and that this bench never set, is not
            in it.

        Raises:
            UnsafeError: one or more could not be made safe.
        """
        done: dict[str, str] = {}
        failed: list[UnsafeError] = []
        self._unreached = []
        self.told = {source.name for source in self.sources.values() if not source.proves_safe}
        if len(self.sources) > 1:  # one that is silent, and waited for, must not keep the others on
            self.tell_off()
        with held_off():
            for source in self.sources.values():
                try:
                    source.make_safe()
                    done[source.name] = show(source.safe_level)
                except UnsafeError as error:
                    failed.append(error)
                except InstrumentError as error:
                    self._unreached.append(error)
                except Exception as error:  # noqa: BLE001  a fault of a driver must not keep the next source on
                    what = f"{source.name} could not be brought to its safe level of {show(source.safe_level)}"
                    failed.append(UnsafeError(what, where=source.name, todo=f"switch it off by hand, now ({error})"))
            for tap, feedback in self._feedback.items():
                name = feedback.source.name
                try:
                    if name in done and feedback.hear(tap):
                        self.told.discard(name)
                except UnsafeError as error:
                    failed.append(error)
        if failed:
            self._is_known_unsafe = True
            first, *others = failed
            raise UnsafeError(first.what, where=first.where, todo=first.todo, others=tuple(others))
        self._is_safe = True
        return done

    def seen_at(self, place: int | None) -> Mapping[str, Receiver]:
        """The receivers by tap, as the unit at a place sees them; None = the first place, or the only unit."""
        return self.receivers if self._places is None else self._places.receivers(place, self.receivers)

    def connect(self, place: int | None) -> None:
        """Connect the unit at a place, source and all; nothing to do where one is wired. Raises InstrumentError."""
        if self._places is not None:
            self._places.connect(place)

    def moved(self) -> None:
        """The input leaves its level."""
        if self._places is not None:
            self._places.moved()

    def recover_receivers(self) -> None:
        """After touch was lost: scanner and receivers back on their lines; raises InstrumentError."""
        if self._places is not None:
            self._places.scanner.recover()
            self._places.moved()  # what was read before may be what made touch get lost
        for receiver in self.receivers.values():
            receiver.recover()

    def took(self, tap: str, reading: float) -> None:
        """A reading at a tap, in the unit selected: what tells later whether a source there is off."""
        if tap in self._feedback:
            self._feedback[tap].take(reading)

    def driven_by(self, *, serial: str, record: Path) -> None:
        """Name the run that will drive the sources, for who finds them left on."""
        for source in self.sources.values():
            if isinstance(source, (DescribedSource, DrivenSource)) and source.latch is not None:
                source.latch.belongs_to(serial=serial, record=record)

    def close(self) -> None:
        """Give front panels back and close every line, the last opened first."""
        if self._places is not None and self._places.scanner.instrument.was_met:
            with contextlib.suppress(InstrumentError):  # nothing is read any more, and the outputs are off
                self._places.scanner.open_all()
        for instrument in reversed(self.instruments.values()):
            instrument.close()
        for driven in self.driven.values():
            driven.close()
        if self._manager is not None:
            self._manager.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        was_known = self._is_known_unsafe
        try:
            if not self._is_safe:
                # No signal that comes now may hide that it was not.
                with undisturbed() if was_known else contextlib.nullcontext():
                    self.make_safe()
        except UnsafeError:
            if not was_known:  # it was raised once: tried again here, it must not hide what the caller made of it
                raise
        finally:
            self.close()
