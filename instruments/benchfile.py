"""The bench file: instruments, their resources, and how they are wired to the unit's taps. It opens nothing."""

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

from instruments.certificate import Certificate, CertificateField, LoadedCertificate, certificate_faults
from instruments.channels import channels_of
from instruments.description import Description, find_description
from instruments.errors import InputError, nearest, shortened
from instruments.fields import LevelField, SpanField, TemperatureSpanField, WatchdogField
from instruments.filemodel import FileModel
from instruments.units import Quantity, is_alike, show
from instruments.yamlfile import Document, read

__all__ = [
    "BenchFile",
    "BenchInstrument",
    "BenchQuantity",
    "BenchTap",
    "Correlation",
    "LoadedBench",
    "Simulation",
    "UnitSimulation",
    "Units",
    "load_bench",
]

SIMULATED = "simulated"


class Correlation(FileModel):
    """Two instruments whose errors go together, as where one calibrator sets and reads, or one standard served both."""

    between: tuple[str, str]
    coefficient: float = Field(ge=-1, le=1)


class BenchInstrument(FileModel):
    """One instrument of a bench."""

    description: str
    resource: str = ""
    identity: str = ""
    safe_level: LevelField | None = None
    limits: SpanField | None = None
    certificate: CertificateField | None = None


class BenchTap(FileModel):
    """What is wired to one tap of the unit; the function is found by the tap's unit unless it is named."""

    set_by: str | None = None
    set_function: str = ""
    read_by: str | None = None
    read_function: str = ""

    @model_validator(mode="after")
    def _used(self) -> Self:
        if self.set_by is None and self.read_by is None:
            raise ValueError('"set by", "read by", or both')
        return self


class UnitSimulation(FileModel):
    """What is simulated of the unit at one place: a seed of its own, and faults beside those of the bench."""

    seed: int | None = Field(None, ge=0, le=2**31)
    faults: tuple[dict[str, str], ...] = ()


class BenchQuantity(FileModel):
    """What else is held on the bench while a unit is tested, such as its supply voltage: by which source, and where.

    It stands at its reference but where a sequence varies it. What a person sets, or a chamber, is not listed.
    """

    set_by: str
    set_function: str = ""
    reference: LevelField


class Simulation(FileModel):
    """The simulated bench: its seed, and the faults it is given, by name and size as in the fault catalogue.

    `faults` are those of every unit, as a fault of the bench is; `units` by place are those of one.
    """

    seed: int = Field(1, ge=0, le=2**31)  # as --seed
    faults: tuple[dict[str, str], ...] = ()
    units: dict[int, UnitSimulation] = Field(default_factory=dict)


def _as_channels(given: Any) -> tuple[str, ...]:  # noqa: ANN401  whatever stands in the file
    """The channels of one place: a channel list, or a YAML list of them."""
    try:
        return channels_of(", ".join(given) if isinstance(given, (list, tuple)) else str(given))
    except InputError as error:
        raise PydanticCustomError("livezero", "{what}", {"what": error.what, "allowed": error.allowed}) from error


def _by_place(given: Any) -> Any:  # noqa: ANN401  whatever stands in the file
    """Channels by place; of a list, one channel a place in order."""
    if isinstance(given, (str, list)):
        return dict(enumerate(_as_channels(given), start=1))
    return given


Channels = Annotated[tuple[str, ...], BeforeValidator(_as_channels), WithJsonSchema({"type": "string"})]


class Units(FileModel):
    """Where several units are on the bench at once: which channels of the scanner connect which of them.

    Attributes:
        connected_by: the scanner.
        driven: "together" where the source is wired to all units, so that the meter alone is connected to one after
            another; "one after another" where the channels of a unit connect the source too.
        channels: of each place, all closed while its unit is read.
    """

    connected_by: str
    driven: Literal["together", "one after another"] = "together"
    channels: Annotated[dict[int, Channels], BeforeValidator(_by_place)] = Field(min_length=1, max_length=1000)

    @property
    def places(self) -> tuple[int, ...]:
        """Of the bench, in order."""
        return tuple(sorted(self.channels))

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        seen: dict[str, int] = {}
        for place, channels in self.channels.items():
            for channel in channels:
                if seen.setdefault(channel, place) != place:
                    raise ValueError(f"each channel at one place; {channel} is at {seen[channel]} and at {place}")
        if min(self.channels) < 1:
            raise ValueError("places from 1")
        return self


class BenchFile(FileModel):
    """A bench as it stands in its file."""

    bench: str
    backend: str = "@py"
    instruments: dict[str, BenchInstrument] = Field(min_length=1)
    taps: dict[str, BenchTap] = Field(min_length=1)
    quantities: dict[str, BenchQuantity] = Field(default_factory=dict)
    ambient: TemperatureSpanField | None = None
    correlations: tuple[Correlation, ...] = ()
    units: Units | None = None
    watchdog: WatchdogField = 10.0
    simulation: Simulation | None = None

    @property
    def is_simulated(self) -> bool:
        """True for the embedded bench on virtual time."""
        return self.backend == SIMULATED


class LoadedBench:
    """A bench file with the descriptions and certificates it names.

    Args:
        document: the file, for the places of later errors.
        file: its model.
        descriptions: by instrument name.
        certificates: by instrument name, of those that have one.
    """

    def __init__(
        self,
        document: Document,
        file: BenchFile,
        descriptions: dict[str, Description],
        certificates: dict[str, LoadedCertificate],
    ) -> None:
        self.document = document
        self.file = file
        self.descriptions = descriptions
        self.certificates = certificates

    @property
    def path(self) -> Path:
        """Where the file lies."""
        return self.document.path

    def where(self, *path: int | str) -> str:
        """file:line:column of a value."""
        return self.document.where(*path)

    def with_simulation(self, *, seed: int | None, faults: tuple[dict[str, str], ...]) -> "LoadedBench":
        """The same bench with another seed (None = its own) and further simulated faults.

        Raises:
            InputError: the bench is not simulated.
        """
        own = self.file.simulation
        if not self.file.is_simulated or own is None:
            raise InputError(
                "this bench is real: it takes no seed and no fault",
                where=self.where("backend"),
                todo="leave --seed and --fault out, or take --bench simulated",
            )
        changed = own.model_copy(update={"seed": own.seed if seed is None else seed, "faults": (*own.faults, *faults)})
        return self._changed({"simulation": changed})

    def used_again(self, *, backend: str, simulation: Mapping[str, Any] | None) -> "LoadedBench":
        """The bench as an earlier run used it: with the backend and the simulation (its model as JSON) of that run."""
        changed = {
            "backend": backend,
            "simulation": None if simulation is None else Simulation.model_validate(simulation),
        }
        return self._changed(changed)

    def _changed(self, changed: dict[str, Any]) -> "LoadedBench":
        file = self.file.model_copy(update=changed)
        return LoadedBench(self.document, file, self.descriptions, self.certificates)

    def safe_level(self, instrument: str, function: str) -> Quantity | None:
        """The level that is safe for an output: the bench file's, else the description's; None if neither says."""
        own = self.file.instruments[instrument].safe_level
        spec = self.descriptions[instrument].functions[function]
        return own if own is not None and is_alike(str(own.units), spec.unit) else spec.safe_level


def load_bench(
    path: Path, *, kept: Mapping[str, Description] | None = None, certificates: Mapping[str, Path] | None = None
) -> LoadedBench:
    """A bench file and every description and certificate it names.

    Args:
        path: of the file.
        kept: descriptions by instrument name, to be taken in place of those that the file names.
        certificates: files of certificates by instrument name, in place of those that the file names.

    Raises:
        InputError: any fault of the file, of a description, or between them; all at once.
    """
    document = read(path)
    file: BenchFile = document.into(BenchFile)
    faults: list[InputError] = []
    descriptions: dict[str, Description] = {}
    for name, instrument in file.instruments.items():
        if kept is not None and name in kept:
            descriptions[name] = kept[name]
            continue
        try:
            descriptions[name] = find_description(
                instrument.description,
                beside=path.parent,
                where=document.where("instruments", name, "description"),
            )
        except InputError as error:
            faults.append(error)
            continue
    certified = _certificates(document, file, certificates or {}, faults)
    faults.extend(_instrument_faults(document, file, descriptions))
    for name, each in certified.items():
        if name in descriptions:
            faults.extend(certificate_faults(each, name, descriptions[name]))
    faults.extend(_tap_faults(document, file, descriptions))
    faults.extend(_unit_faults(document, file, descriptions))
    if file.is_simulated and file.simulation is None:
        faults.append(InputError('backend "simulated" needs "simulation"', where=document.where("backend")))
    if faults:
        first, *others = faults
        raise InputError(
            first.what, where=first.where, allowed=first.allowed, todo=first.todo, others=(*first.others, *others)
        )
    return LoadedBench(document, file, descriptions, certified)


def _certificates(
    document: Document, file: BenchFile, kept: Mapping[str, Path], faults: list[InputError]
) -> dict[str, LoadedCertificate]:
    """The certificate of each instrument that has one, inline or in a file of its own; `faults` takes what is wrong."""
    found = {}
    for name, instrument in file.instruments.items():
        at = ("instruments", name, "certificate")
        if isinstance(instrument.certificate, Certificate):
            found[name] = LoadedCertificate(document, at, instrument.certificate)
        elif instrument.certificate is not None:
            path = kept.get(name) or document.path.parent / instrument.certificate
            try:
                own = _certificate_file(path, where=document.where(*at))
                found[name] = LoadedCertificate(own, (), own.into(Certificate))
            except InputError as error:
                faults.append(error)
    return found


def _certificate_file(path: Path, *, where: str) -> Document:
    is_there = False
    with contextlib.suppress(OSError, ValueError):  # a name too long for the disk, or with a NUL in it
        is_there = path.is_file()
    if not is_there:
        raise InputError(
            f'there is no certificate "{shortened(str(path))}"',
            where=where,
            allowed="the path of a file, from the folder of the bench file",
            todo="correct the name, or write the file",
        )
    return read(path)


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
        elif description.kind == "remote" and at.setdefault(instrument.resource.upper(), name) != name:
            faults.append(
                InputError(
                    f'"{at[instrument.resource.upper()]}" and "{name}" have one resource',
                    where=document.where("instruments", name, "resource"),
                    allowed="a resource of its own for each; two would take each other's answers",
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
