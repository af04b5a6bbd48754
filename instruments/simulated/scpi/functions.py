"""What source and meter of a SCPI instrument share: the quantities, their ranges, and numbers as they are set and told.

No command stands here; those are added by `source` and `meter`.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from instruments.errors import InputError
from instruments.simulated.scpi.message import Arguments, short
from instruments.simulated.scpi.tree import Act, Tree
from instruments.simulated.signals import PRESSURE_MBAR, mbar_in

__all__ = ["FUNCTIONS", "Function", "add_number", "carried", "number_told", "query", "range_for"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Function:
    """A quantity that an instrument can source or measure, in its SCPI unit.

    `source_ranges` and `meter_ranges` are full scales, ascending. A source goes down to minus full scale if
    `is_bipolar`, else to `lowest`.
    """

    form: str
    unit: str
    source_ranges: tuple[float, ...]
    meter_ranges: tuple[float, ...]
    is_bipolar: bool = False
    lowest: float = 0.0

    @property
    def word(self) -> str:
        """Short form."""
        return short(self.form)


FUNCTIONS: Mapping[str, Function] = MappingProxyType(
    {
        function.word: function
        for function in (
            Function(
                form="CURRent",
                unit="A",
                source_ranges=(0.025, 0.1),
                meter_ranges=(1e-3, 1e-2, 0.1, 1.0),
                is_bipolar=True,
            ),
            Function(
                form="VOLTage",
                unit="V",
                source_ranges=(0.1, 1.0, 10.0, 50.0),
                meter_ranges=(0.1, 1.0, 10.0, 100.0, 1000.0),
                is_bipolar=True,
            ),
            Function(form="FREQuency", unit="HZ", source_ranges=(1e3, 1e5), meter_ranges=(1e6,)),
            Function(
                form="RESistance", unit="OHM", source_ranges=(400.0, 4000.0), meter_ranges=(1e2, 1e3, 1e4, 1e5, 1e6)
            ),
            Function(
                form="PRESsure",
                unit="PA",
                source_ranges=(2.5e5, 2.5e6),
                meter_ranges=(2.5e4, 2.5e5, 2.5e6, 2.5e7),
                lowest=-1e5,
            ),
            Function(form="TEMPerature", unit="CEL", source_ranges=(1300.0,), meter_ranges=(1300.0,), lowest=-200.0),
        )
    }
)

# Signal unit of a tap: the function that carries it, and how much of its SCPI unit one of it is.
_CARRIED: Mapping[str, tuple[str, float]] = MappingProxyType(
    {
        "A": ("CURR", 1.0),
        "mA": ("CURR", 1e-3),
        "µA": ("CURR", 1e-6),
        "uA": ("CURR", 1e-6),
        "V": ("VOLT", 1.0),
        "mV": ("VOLT", 1e-3),
        "Hz": ("FREQ", 1.0),
        "kHz": ("FREQ", 1e3),
        "ohm": ("RES", 1.0),
        "Ω": ("RES", 1.0),
        "kohm": ("RES", 1e3),
        "kΩ": ("RES", 1e3),
        "degC": ("TEMP", 1.0),
        "°C": ("TEMP", 1.0),
    }
)


def carried(unit: str) -> tuple[str, float]:
    """The function that carries a signal unit, and how much of its SCPI unit one of that is.

    Raises:
        InputError: no SCPI function carries it.
    """
    if mbar := mbar_in(unit):
        return "PRES", 100 * mbar
    if unit not in _CARRIED:
        raise InputError(
            f"no SCPI function carries a signal in {unit}",
            allowed=", ".join([*_CARRIED, *PRESSURE_MBAR]),
            todo='give the simulated instrument the dialect "serial"',
        )
    return _CARRIED[unit]


def range_for(ranges: tuple[float, ...], level: float, *, over: float = 1.0) -> float:
    """Smallest range that holds a level, up to `over` times its full scale; the largest if none does."""
    return next((full for full in ranges if abs(level) <= over * full), ranges[-1])


def number_told(value: float) -> str:
    """A number as a reply."""
    return f"{value:+.8E}"


def query(ask: Callable[[], float], named: Callable[[], tuple[float, float, float]]) -> Act:
    """A query of a number that also answers MIN, MAX and DEF, which are `named` in this order."""

    def run(arguments: Arguments) -> str:
        arguments.expect(0, 1)
        if not arguments.texts:
            return number_told(ask())
        low, high, default = named()
        return number_told(arguments.number(low=low, high=high, default=default))

    return run


def add_number(
    tree: Tree,
    pattern: str,
    *,
    ask: Callable[[], float],
    take: Callable[[float], None],
    named: Callable[[], tuple[float, float, float]],
    unit: str = "",
) -> None:
    """A setting that is a number: its command and its query, both with the same MIN, MAX and DEF.

    Args:
        tree: what it is added to.
        pattern: its header as in manuals, without the question mark.
        ask: gives the number as it stands.
        take: is given the number, once it is known to lie from MIN to MAX.
        named: gives MIN, MAX and DEF as they are now.
        unit: in which the number may be given.
    """

    def set_number(arguments: Arguments) -> None:
        arguments.expect(1, 1)
        low, high, default = named()
        take(arguments.number(unit=unit, low=low, high=high, default=default))

    tree.add(pattern, set_number)
    tree.add(f"{pattern}?", query(ask, named))
