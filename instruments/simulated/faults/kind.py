"""What a fault is: a kind with its sizes, the place where it acts, and what it changes there.

Nothing here knows the kinds that there are (`catalogue`), or how a fault is recognised.
"""

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeAlias

from instruments.datasheet import DataSheet, Tap
from instruments.errors import InputError
from instruments.simulated.elements import Effects
from instruments.simulated.signals import PULSE_HZ

__all__ = ["PLACES", "Fault", "FaultKind", "Parameter", "Place", "Sizes", "nearest"]

_MINUTE_SPEEDS = ("rpm", "1/min", "revolution/min", "revolutions_per_minute", "r/min")


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One size of a fault: its unit as pint writes it, the size taken when none is given, what it means."""

    name: str
    unit: str
    default: float
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a fault acts: the stage, and the tap whose receiver it concerns."""

    sheet: DataSheet
    stage: int
    tap: int

    @property
    def before(self) -> Tap:
        """The tap that the stage takes its signal from."""
        return self.sheet.taps[self.stage]

    @property
    def after(self) -> Tap:
        """The tap that the stage gives its signal to."""
        return self.sheet.taps[self.stage + 1]

    @property
    def read(self) -> Tap:
        """The tap whose receiver is concerned."""
        return self.sheet.taps[self.tap]


Sizes: TypeAlias = Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultKind:
    """A kind of fault: its name in the trade, its sizes, and where it acts if nobody says."""

    name: str
    meaning: str
    acts_at: str
    parameters: tuple[Parameter, ...]
    effects: Callable[[Sizes, Place], Effects]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of a given size; `stage` and `tap` None = where its kind acts by default."""

    kind: FaultKind
    sizes: tuple[tuple[str, float], ...]
    stage: str | int | None = None
    tap: str | int | None = None

    def effects(self, sheet: DataSheet) -> Effects:
        """What it changes in a chain, with fresh memory.

        Raises:
            InputError: no such stage or tap, or the chain has nothing that this fault can act on.
        """
        return self.kind.effects(dict(self.sizes), self.place(sheet))

    def place(self, sheet: DataSheet) -> Place:
        """Stage and tap where it acts.

        Raises:
            InputError: no such stage or tap.
        """
        tap = None if self.tap is None else _index(self.tap, [tap.name for tap in sheet.taps], "tap", self.kind.name)
        if self.stage is not None:
            stage = _index(self.stage, [stage.name for stage in sheet.stages], "stage", self.kind.name)
        elif tap is not None:
            stage = min(max(tap - 1, 0), len(sheet.stages) - 1)
        else:
            stage = PLACES[self.kind.acts_at](sheet)
        if tap is None:
            tap = stage + 1
        return Place(sheet=sheet, stage=stage, tap=tap)


def _index(wanted: str | int, names: list[str], what: str, fault_name: str) -> int:
    if isinstance(wanted, int) and -len(names) <= wanted < len(names):
        return wanted % len(names)
    if wanted in names:
        return names.index(str(wanted))
    raise InputError(
        f'no {what} "{wanted}" for the fault "{fault_name}"',
        allowed=f"{', '.join(names)}, or 0 to {len(names) - 1}",
        todo=nearest(str(wanted), names),
    )


def nearest(wanted: str, names: list[str]) -> str:
    """What to do about a name that is none: write the one that is like it; "" if none is."""
    close = difflib.get_close_matches(wanted.lower(), names, n=1, cutoff=0.5)
    return f'write "{close[0]}"' if close else ""


def _first_stage(sheet: DataSheet, holds: Callable[[int], bool]) -> int:
    return next((i for i in range(len(sheet.stages)) if holds(i)), len(sheet.stages) - 1)


def _last_current(sheet: DataSheet) -> int:
    last = len(sheet.stages) - 1
    return next((i for i in range(last, -1, -1) if sheet.taps[i + 1].signal_unit in {"mA", "A"}), last)


def _pulse_stage(sheet: DataSheet) -> int:
    if any(stage.pulses_per_revolution for stage in sheet.stages):
        return _first_stage(sheet, lambda i: sheet.stages[i].pulses_per_revolution is not None)
    return _first_stage(sheet, lambda i: sheet.taps[i + 1].signal_unit in PULSE_HZ)


# Where a kind of fault acts if nobody says.
PLACES: Mapping[str, Callable[[DataSheet], int]] = MappingProxyType(
    {
        "first stage": lambda _: 0,
        "last stage": lambda sheet: len(sheet.stages) - 1,
        "last stage with a current out": _last_current,
        "stage that makes pulses": _pulse_stage,
        "stage that takes pulses": lambda sheet: _first_stage(sheet, lambda i: sheet.taps[i].signal_unit in PULSE_HZ),
        "stage that takes a sensor": lambda sheet: _first_stage(sheet, lambda i: sheet.taps[i].sensor is not None),
        "stage that makes speed": lambda sheet: (
            0
            if sheet.taps[1].unit in _MINUTE_SPEEDS
            else _first_stage(sheet, lambda i: sheet.taps[i + 1].unit in _MINUTE_SPEEDS)
        ),
    }
)
