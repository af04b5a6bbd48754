"""From a bench file to the simulated bench: which simulated instrument hangs on which tap, and with which faults."""

import difflib
import re
from collections.abc import Callable, Sequence

from instruments.benchfile import LoadedBench
from instruments.benchmodel import Simulation
from instruments.clock import Clock
from instruments.datasheet import DataSheet
from instruments.errors import InputError, shortened
from instruments.simulated.bench import Mishap, SimulatedBench, SimulatedUnit
from instruments.simulated.faults import CATALOGUE, Fault, FaultKind, fault
from instruments.simulated.instrument import MARK, SimulatedInstrument
from instruments.units import difference, is_alike, magnitude

__all__ = ["entry_from_text", "fault_from", "is_simulated", "simulated_bench", "size_keys"]

_SUFFIX = re.compile(r"_(pct_per_h|pct|Hz|s|ohm|mA|V|degC|mbar)$")
_PLACES = ("stage", "tap")
_SEEDS_APART = 7919  # a prime: seeds of benches are small numbers in a row


def size_keys(kind: FaultKind) -> dict[str, str]:
    """The sizes of a fault as people write them ("span"), and the parameter each stands for ("span_pct")."""
    return {_SUFFIX.sub("", each.name).replace("_", " "): each.name for each in kind.parameters}


def fault_from(entry: dict[str, str], *, where: str = "") -> Fault:
    """A fault from a bench file: `{fault: span error, span: 0.8 %}`; sizes left out take those of the catalogue.

    Args:
        entry: "fault" with its name, its sizes, and "stage" or "tap" where it acts.
        where: place in the file, for errors.

    Raises:
        InputError: no such fault or size, or a size in another unit.
    """
    name = entry.get("fault", "")
    kind = CATALOGUE.get(name)
    if kind is None:
        guess = difflib.get_close_matches(name, list(CATALOGUE), n=1)
        raise InputError(
            f'no fault "{name}" in the catalogue',
            where=where,
            allowed=", ".join(CATALOGUE),
            todo=f'write "{guess[0]}"' if guess else "livezero bench faults lists them",
        )
    keys = size_keys(kind)
    units = {each.name: each.unit for each in kind.parameters}
    sizes: dict[str, float] = {}
    for key, text in entry.items():
        if key in {"fault", *_PLACES}:
            continue
        if key not in keys:
            guess = difflib.get_close_matches(key, list(keys), n=1)
            raise InputError(
                f'the fault "{name}" has no size "{key}"',
                where=where,
                allowed=", ".join((*keys, *_PLACES)),
                todo=f'write "{guess[0]}"' if guess else "",
            )
        try:
            sizes[keys[key]] = _size(text, units[keys[key]])
        except InputError as error:
            raise InputError(f"{key}: {error.what}", where=where, allowed=error.allowed, todo=error.todo) from error
    try:
        return fault(name, stage=entry.get("stage"), tap=entry.get("tap"), **sizes)
    except InputError as error:
        raise InputError(error.what, where=where, allowed=error.allowed, todo=error.todo) from error


def _size(text: str, unit: str) -> float:
    plain = re.fullmatch(r"\s*[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\s*", text)
    if plain or unit == "1" or "/" in unit:  # a factor, a count, a coefficient
        if not plain:
            raise InputError(f'"{shortened(text)}" is not a number', allowed=f"a number in {unit}")
        return float(text)
    return magnitude(difference(text, like=unit), unit)


def entry_from_text(text: str) -> dict[str, str]:
    """A fault as it is written on a command line, "span error, span=0.8 %", as an entry of a bench file.

    Raises:
        InputError: a size without its name; no such fault or size.
    """
    name, *parts = [part.strip() for part in text.split(",")]
    entry = {"fault": name}
    for part in parts:
        key, equals, size = part.partition("=")
        if not equals:
            raise InputError(f'"{part}" is not a size', where="--fault", allowed='such as "span error, span=0.8 %"')
        entry[key.strip()] = size.strip()
    fault_from(entry, where="--fault")
    return entry


def simulated_bench(
    loaded: LoadedBench,
    sheet: DataSheet,
    clock: Clock,
    *,
    mishaps: Sequence[Mishap] = (),
    heard: Callable[[str, str], None] = lambda _, __: None,
) -> SimulatedBench:
    """The bench of a bench file, simulated, with a unit of this sheet on it.

    Args:
        loaded: the bench file; its "simulation" gives seed and faults.
        sheet: the unit.
        clock: virtual in process, real over sockets.
        mishaps: what goes wrong on the connections.
        heard: takes what each instrument receives (see `SimulatedBench`).

    Raises:
        InputError: a fault that is not in the catalogue, or an instrument that would hang on two taps.
    """
    simulation = loaded.file.simulation
    assert simulation is not None
    faults = tuple(
        fault_from(entry, where=loaded.where("simulation", "faults", number))
        for number, entry in enumerate(simulation.faults)
    )
    instruments = []
    for name, instrument in loaded.file.instruments.items():
        if not is_simulated(loaded, sheet, name):
            continue
        sets = _taps(loaded, sheet, name, "set_by")
        reads = _taps(loaded, sheet, name, "read_by")
        scans = _scans(loaded, name)
        holds = _held(loaded, name)
        if len(sets) > 1 or len(reads) > 1 or len(holds) + bool(sets or reads) > 1:
            raise InputError(
                f'the simulated instrument "{name}" is on more than one tap',
                where=loaded.where("instruments", name),
                allowed="one tap that it sets and one that it reads, or one quantity",
                todo="give each tap an instrument of its own",
            )
        instruments.append(
            SimulatedInstrument(
                name=name,
                resource=instrument.resource,
                dialect="serial" if loaded.descriptions[name].serial is not None else "scpi",
                sets=sets[0] if sets else None,
                reads=reads[0] if reads else None,
                scans=scans,
                holds=holds[0] if holds else None,
                identity=f"{MARK} {name.upper()},0,0.1",
            )
        )
    placed = loaded.file.units
    return SimulatedBench(
        sheet,
        instruments,
        clock=clock,
        faults=faults,
        seed=simulation.seed,
        mishaps=mishaps,
        units=None if placed is None else {place: _unit(loaded, simulation, place) for place in placed.places},
        is_driven_together=placed is None or placed.driven == "together",
        heard=heard,
    )


def is_simulated(loaded: LoadedBench, sheet: DataSheet, name: str) -> bool:
    """Whether an instrument of a simulated bench is there with a unit of this sheet: it has something to do with it."""
    has_tap = any(_taps(loaded, sheet, name, use) for use in ("set_by", "read_by"))
    is_used = has_tap or _scans(loaded, name) or bool(_held(loaded, name))
    return is_used and loaded.descriptions[name].kind != "keyed"


def _scans(loaded: LoadedBench, name: str) -> bool:
    return loaded.file.units is not None and loaded.file.units.connected_by == name


def _unit(loaded: LoadedBench, simulation: Simulation, place: int) -> SimulatedUnit:
    """What is simulated at a place; the seed of each unit is its own, that of the first the one of the bench."""
    assert loaded.file.units is not None
    own = simulation.units.get(place)
    seed = simulation.seed + _SEEDS_APART * (place - 1) if own is None or own.seed is None else own.seed
    faults = tuple(
        fault_from(entry, where=loaded.where("simulation", "units", str(place), "faults", number))
        for number, entry in enumerate(own.faults if own is not None else ())
    )
    return SimulatedUnit(channels=loaded.file.units.channels[place], seed=seed, faults=faults)


def _taps(loaded: LoadedBench, sheet: DataSheet, instrument: str, use: str) -> list[str]:
    names = {tap.name for tap in sheet.taps}
    return [tap for tap, wiring in loaded.file.taps.items() if tap in names and getattr(wiring, use) == instrument]


def _held(loaded: LoadedBench, instrument: str) -> list[tuple[str, str]]:
    """Name and unit of each quantity that an instrument holds beside the taps."""
    functions = loaded.descriptions[instrument].functions
    return [
        (name, next(spec.sets for spec in functions.values() if spec.sets and is_alike(spec.sets, unit)))
        for name, each in loaded.file.quantities.items()
        if each.set_by == instrument
        and (unit := str(each.reference.units))
        and any(spec.sets and is_alike(spec.sets, unit) for spec in functions.values())
    ]
