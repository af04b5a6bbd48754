"""An instrument that a driver of an installed package talks to: what no description in commands can say.

Binary frames, computed checksums and gateways are for such a driver; what it sets and reads, its ranges and what is
known of them stand in a description all the same. Whatever the driver does, nothing outside the limits reaches it, a
mark is made before it drives, and what it raises comes out as an error of its instrument.
"""

import contextlib
from collections.abc import Callable, Iterator
from importlib.metadata import entry_points
from typing import Protocol

from instruments.clock import Clock
from instruments.description import Description
from instruments.entry import Doubting
from instruments.errors import (
    InputError,
    InstrumentError,
    LimitError,
    LivezeroError,
    UnsafeError,
    WrongInstrumentError,
    nearest,
    shortened,
)
from instruments.functions import RangeEntry
from instruments.latch import Latch
from instruments.locks import identity_held
from instruments.roles import Receiver, Sample, Source
from instruments.units import Quantity, Span, magnitude, show

__all__ = ["GROUP", "DrivenInstrument", "DrivenReceiver", "DrivenSource", "Driver"]

GROUP = "livezero.drivers"
"""Group of the entry points by which an installed package adds drivers, each by the name that descriptions give."""


class Driver(Protocol):
    """What an entry point gives when it is called with resource, description and clock; nothing is set by that."""

    def identify(self) -> str:
        """Who answers, as maker, model, serial, version; "" = it cannot say. Raises InstrumentError."""

    def source(self, function: str, *, safe_level: Quantity) -> Source:
        """What sets a function of the description."""

    def receiver(self, function: str) -> Receiver:
        """What reads a function of the description."""

    def close(self) -> None:
        """Give it back, whether that works or not."""


def _loaded(name: str, *, where: str) -> Callable[..., Driver]:
    """The driver of a name; raises InputError where no package has it, or it cannot be loaded."""
    found = {each.name: each for each in entry_points(group=GROUP)}
    if name not in found:
        guess = nearest(name, list(found))
        raise InputError(
            f'no installed package has a driver "{name}"',
            where=where,
            allowed=", ".join(found) or f"none is installed (entry points of the group {GROUP})",
            todo=f'write "{guess}"' if guess else "install the package that has it",
        )
    try:
        made: Callable[..., Driver] = found[name].load()
    except Exception as error:  # a package may raise whatever it likes
        raise InputError(
            f'the driver "{name}" cannot be used: {type(error).__name__}: {error}',
            where=where,
            todo="install the package again, or ask who made it",
        ) from error
    return made


class DrivenInstrument:
    """An instrument through its driver.

    Args:
        name: on the bench.
        resource: what the driver is given as its address.
        description: its functions.
        clock: of the bench.
        where: place in the bench file, for errors.
        expected_identity: text that its identity must hold; "" takes any.

    Raises:
        InputError: there is no such driver.
        InstrumentError: it cannot be opened.
    """

    def __init__(
        self, *, name: str, resource: str, description: Description, clock: Clock, where: str, expected_identity: str
    ) -> None:
        self.name, self.where, self.description = name, f"{name} ({resource})", description
        self.identity, self.expected_identity = "", expected_identity
        self._held = contextlib.ExitStack()
        made = _loaded(description.driver or "", where=where)
        with self.asked():
            self._driver = made(resource, description=description, clock=clock)

    @contextlib.contextmanager
    def asked(self) -> Iterator[None]:
        """Within this whatever a driver raises that is no error of ours becomes one of its instrument."""
        try:
            yield
        except LivezeroError:
            raise
        except Exception as error:
            raise InstrumentError(
                f"its driver failed: {type(error).__name__}: {shortened(str(error))}",
                where=self.where,
                todo="check power and cable, or ask who made the driver",
            ) from error

    def meet(self) -> None:
        """Ask who it is; raises WrongInstrumentError, InstrumentError."""
        with self.asked():
            said = self._driver.identify()
        if self.expected_identity.casefold() not in said.casefold():
            raise WrongInstrumentError(
                f'identifies itself as "{shortened(said)}"',
                where=self.where,
                reply=said,
                allowed=f'an identity with "{self.expected_identity}" in it',
                todo="check which instrument this is, or correct the bench file",
            )
        if said and said != self.identity:
            self._held.enter_context(identity_held(said, where=self.where))
        self.identity = said

    def source(
        self, function: str, *, limits: tuple[tuple[str, Span], ...], safe_level: Quantity, latch: Latch | None
    ) -> "DrivenSource":
        """What sets a function."""
        with self.asked():
            own = self._driver.source(function, safe_level=safe_level)
        return DrivenSource(self, own, function=function, limits=limits, safe_level=safe_level, latch=latch)

    def receiver(self, function: str) -> "DrivenReceiver":
        """What reads a function."""
        with self.asked():
            return DrivenReceiver(self, self._driver.receiver(function), function=function)

    def close(self) -> None:
        """Give it back."""
        with contextlib.suppress(Exception):
            self._driver.close()
        self._held.close()


class DrivenSource:
    """A function that sets, through a driver."""

    is_keyed = False

    def __init__(
        self,
        instrument: DrivenInstrument,
        own: Source,
        *,
        function: str,
        limits: tuple[tuple[str, Span], ...],
        safe_level: Quantity,
        latch: Latch | None,
    ) -> None:
        self._instrument, self._own, self._limits, self.latch = instrument, own, limits, latch
        self.name, self.function, self.safe_level = instrument.name, function, safe_level
        self.went_off = False
        self._has_driven = False

    @property
    def proves_safe(self) -> bool:
        """As its driver says."""
        return self._own.proves_safe

    def select(self, entry: RangeEntry) -> None:
        """As `Source`."""
        with self._instrument.asked():
            self._own.select(entry)

    def energise(self) -> None:
        """As `Source`."""
        self._mark()
        with self._instrument.asked():
            self._own.energise()

    def set(self, level: Quantity) -> None:
        """As `Source`; what is outside the limits does not reach the driver."""
        unit = self._instrument.description.functions[self.function].unit
        value = magnitude(level, unit, where=self.name)
        for reason, limit in self._limits:
            if not limit.within(unit).holds(value):  # NaN is refused too
                raise LimitError(
                    f"{show(level)} refused: outside the {reason}",
                    where=self.name,
                    allowed=str(limit),
                    todo="correct the setpoints, or the limits in bench file or type sheet",
                )
        self._mark()
        with self._instrument.asked():
            self._own.set(level)

    def _mark(self) -> None:
        if self.latch is not None:
            self.latch.set(self._instrument.identity)
        self._has_driven = True

    def wait_stable(self, look: Callable[[], None]) -> bool:
        """As `Source`."""
        with self._instrument.asked():
            return self._own.wait_stable(look)

    def make_safe(self) -> None:
        """As `Source`; whatever its driver raises, somebody must look."""
        try:
            self._own.make_safe()
        except Exception as error:
            if isinstance(error, InstrumentError) and not self._has_driven:
                raise
            what = error.what if isinstance(error, LivezeroError) else f"{type(error).__name__}: {error}"
            raise UnsafeError(
                f"{self.name} could not be brought to its safe level of {show(self.safe_level)}",
                where=self._instrument.where,
                todo=f"switch it off by hand, now ({shortened(what)})",
            ) from error
        if self.latch is not None:
            self.latch.clear()

    def tell_off(self) -> None:
        """As `Source`."""
        if self._has_driven:
            with contextlib.suppress(Exception):
                self._own.tell_off()

    def check(self, *, closely: bool = False) -> None:
        """As `Source`."""
        with self._instrument.asked():
            self._own.check(closely=closely)
        self.went_off = self._own.went_off

    def recover(self) -> bool:
        """As `Source`."""
        with self._instrument.asked():
            was_given_up = self._own.recover()
        self.went_off = self._own.went_off
        return was_given_up


class DrivenReceiver:
    """A function that reads, through a driver."""

    is_keyed = False

    def __init__(self, instrument: DrivenInstrument, own: Receiver, *, function: str) -> None:
        self._instrument, self._own = instrument, own
        self.name, self.function = instrument.name, function

    def select(self, entry: RangeEntry, unit: str) -> None:
        """As `Receiver`."""
        with self._instrument.asked():
            self._own.select(entry, unit)

    def read(self, *, expected: float | None = None, doubt: Doubting | None = None) -> Sample:
        """As `Receiver`."""
        with self._instrument.asked():
            return self._own.read(expected=expected, doubt=doubt)

    def check(self) -> None:
        """As `Receiver`."""
        with self._instrument.asked():
            self._own.check()

    def take_correction(self) -> Sample | None:
        """None: no person is asked."""
        return None

    def wider(self) -> RangeEntry | None:
        """As `Receiver`."""
        return self._own.wider()

    def recover(self) -> None:
        """As `Receiver`."""
        with self._instrument.asked():
            self._own.recover()
