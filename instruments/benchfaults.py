"""What is wrong between a bench file and the descriptions that it names; each fault with its place. It opens none."""

from instruments.benchmodel import BenchFile
from instruments.description import Description
from instruments.errors import InputError, nearest
from instruments.resource_names import wrong_resource
from instruments.units import is_alike, show
from instruments.yamlfile import Document

__all__ = ["bench_faults"]


def bench_faults(document: Document, file: BenchFile, descriptions: dict[str, Description]) -> list[InputError]:
    """Every fault between a bench file and the descriptions that could be loaded."""
    return [
        *_instrument_faults(document, file, descriptions),
        *_tap_faults(document, file, descriptions),
        *_unit_faults(document, file, descriptions),
    ]


def _instrument_faults(document: Document, file: BenchFile, descriptions: dict[str, Description]) -> list[InputError]:
    faults = []
    at: dict[str, str] = {}
    for name, description in descriptions.items():
        instrument = file.instruments[name]
        if description.kind == "remote" and not instrument.resource:
            faults.append(
                InputError(
                    f'"resource" is missing of instrument "{name}"',
                    where=document.where("instruments", name),
                    allowed="a VISA resource such as TCPIP::127.0.0.1::5025::SOCKET or ASRL3::INSTR",
                    todo="add it, or take a keyed description for an instrument that a person reads",
                )
            )
        elif description.driver is None and (
            wrong := wrong_resource(instrument.resource, document.where("instruments", name, "resource"))
        ):
            faults.append(wrong)
        elif description.kind == "remote" and at.setdefault(instrument.resource.upper(), name) != name:
            faults.append(
                InputError(
                    f'"{at[instrument.resource.upper()]}" and "{name}" have one resource',
                    where=document.where("instruments", name, "resource"),
                    allowed="a resource of its own for each; two would take each other's answers",
                )
            )
        wants_it = any("{password}" in each for each in description.unlock)
        if wants_it != (instrument.password is not None):
            faults.append(
                InputError(
                    f'"{name}" wants a password' if wants_it else f'"{name}" takes no password',
                    where=document.where("instruments", name, *(() if wants_it else ("password",))),
                    allowed='"password: {environment: NAME}" or "password: {file: PATH}"' if wants_it else "",
                    todo="say where it stands" if wants_it else 'take it out, or put {password} into "unlock"',
                )
            )
        units = [spec.unit for spec in description.functions.values() if spec.sets]
        level, limits = instrument.safe_level, instrument.limits
        for key, unit, shown in (
            ("safe level", level and str(level.units), level and show(level)),
            ("limits", limits and limits.unit, limits and str(limits)),
        ):
            if unit and not any(is_alike(unit, each) for each in units):
                faults.append(
                    InputError(
                        f'"{name}" sets nothing that {shown} could be',
                        where=document.where("instruments", name, key),
                        allowed=f"a level in {' or '.join(units)}" if units else "nothing: it sets nothing",
                    )
                )
    faults.extend(
        _unknown(each, list(file.instruments), "this bench has no instrument", document, ("correlations", number))
        for number, correlation in enumerate(file.correlations)
        for each in correlation.between
        if each not in file.instruments
    )
    return faults


def _unknown(word: str, known: list[str], what: str, document: Document, path: tuple[int | str, ...]) -> InputError:
    guess = nearest(word, known)
    return InputError(
        f'{what} "{word}"',
        where=document.where(*path),
        allowed=", ".join(known),
        todo=f'write "{guess}"' if guess else "",
    )


def _tap_faults(document: Document, file: BenchFile, descriptions: dict[str, Description]) -> list[InputError]:
    uses: list[tuple[tuple[str, str], str, str | None, str, str]] = []
    for tap, wiring in file.taps.items():
        uses.append((("taps", tap), "set by", wiring.set_by, "set function", wiring.set_function))
        uses.append((("taps", tap), "read by", wiring.read_by, "read function", wiring.read_function))
    for name, held in file.quantities.items():
        uses.append((("quantities", name), "set by", held.set_by, "set function", held.set_function))
    faults = []
    for at, key, instrument, function_key, function in uses:
        if instrument is None:
            continue
        if instrument not in file.instruments:
            faults.append(
                _unknown(instrument, list(file.instruments), "this bench has no instrument", document, (*at, key))
            )
        elif function and instrument in descriptions and function not in descriptions[instrument].functions:
            known = list(descriptions[instrument].functions)
            what = f'instrument "{instrument}" has no function'
            faults.append(_unknown(function, known, what, document, (*at, function_key)))
    faults.extend(
        InputError(
            f'"{name}" is a tap of the unit as well',
            where=document.where("quantities", name),
            todo="rename one of them",
        )
        for name in file.quantities
        if name in file.taps
    )
    return faults


def _unit_faults(document: Document, file: BenchFile, descriptions: dict[str, Description]) -> list[InputError]:
    """What is wrong between "units", the scanner they name, and what is simulated of them."""
    faults = []
    units = file.units
    if units is not None and units.connected_by not in file.instruments:
        known = [name for name, each in descriptions.items() if each.connects is not None]
        faults.append(
            InputError(
                f'no instrument "{units.connected_by}" on this bench',
                where=document.where("units", "connected by"),
                allowed=", ".join(known) or "a scanner, which this bench has not",
                todo="name the scanner; where a person moves the leads, leave units out",
            )
        )
    elif units is not None and units.connected_by in descriptions and descriptions[units.connected_by].connects is None:
        faults.append(
            InputError(
                f'"{units.connected_by}" is no scanner: its description has no "connects"',
                where=document.where("units", "connected by"),
                todo="name the scanner, or add how it closes and opens channels to its description",
            )
        )
    simulated = file.simulation.units if file.simulation is not None else {}
    faults.extend(
        InputError(
            f"no place {place} on this bench",
            where=document.where("simulation", "units", str(place)),
            allowed="a place of units" if units is None else ", ".join(map(str, units.places)),
        )
        for place in simulated
        if units is None or place not in units.channels
    )
    return faults
