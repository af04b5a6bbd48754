"""What a bench file may say: instruments, their resources, and how they are wired to the taps of the unit."""

import datetime as dt
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

from instruments.certificate import CertificateField
from instruments.channels import channels_of
from instruments.errors import InputError, shortened
from instruments.fields import LevelField, SpanField, TemperatureSpanField, WatchdogField
from instruments.filemodel import FileModel
from instruments.passwords import Password

__all__ = [
    "LARGEST_SEED",
    "BenchFile",
    "BenchInstrument",
    "BenchQuantity",
    "BenchTap",
    "Correlation",
    "Simulation",
    "UnitSimulation",
    "Units",
]

LARGEST_SEED = 2**31

SIMULATED = "simulated"


class Correlation(FileModel):
    """Two instruments whose errors go together, as where one calibrator sets and reads, or one standard served both."""

    between: tuple[str, str] = Field(description="two instruments of the bench", examples=[["source", "meter"]])
    coefficient: float = Field(ge=-1, le=1, description="of their correlation", examples=["1"])


class BenchInstrument(FileModel):
    """One instrument of a bench."""

    description: str = Field(description="file of its description, or one that comes along", examples=["own-meter"])
    resource: str = Field("", description="where VISA finds it", examples=["ASRL3::INSTR", "GPIB0::12::INSTR"])
    identity: str = Field("", description="text that its identity must hold", examples=["SN 1042"])
    password: Password | None = Field(
        None,
        description="where its password stands",
        examples=[{"environment": "BENCH_SOURCE_PASSWORD"}],
    )
    safe_level: LevelField | None = Field(None, description="where its output hurts nobody", examples=["4 mA"])
    limits: SpanField | None = Field(None, description="it is never set outside", examples=["0 .. 21 mA"])
    certificate: CertificateField | None = Field(
        None, description="what is certified of it, or the file of that", examples=["certificates/meter.yaml"]
    )
    certificate_due: dt.date | None = Field(
        None, description="end of a Digital Calibration Certificate, which states none", examples=["2027-01-31"]
    )
    certificate_of: str = Field(
        "", description="number in its Digital Calibration Certificate by which that is of it", examples=["S-4711"]
    )
    certified_ranges: dict[str, SpanField] = Field(
        default_factory=dict,
        description="which range a result of a Digital Calibration Certificate is of",
        examples=[{"current 20 mA": "0 .. 24 mA"}],
    )

    @property
    def has_dcc(self) -> bool:
        """True where the certificate is a Digital Calibration Certificate (XML)."""
        return isinstance(self.certificate, str) and self.certificate.lower().endswith(".xml")

    @model_validator(mode="after")
    def _of_a_dcc(self) -> Self:
        if (self.certificate_due or self.certified_ranges or self.certificate_of) and not self.has_dcc:
            raise ValueError(
                '"certificate due", "certificate of" and "certified ranges" beside a certificate in XML; '
                "else in its file"
            )
        return self


class BenchTap(FileModel):
    """What is wired to one tap of the unit; the function is found by the tap's unit unless it is named."""

    set_by: str | None = Field(None, description="the instrument that drives it", examples=["source"])
    set_function: str = Field("", description="its function, where the unit does not tell", examples=["current"])
    read_by: str | None = Field(None, description="the instrument that reads it", examples=["meter"])
    read_function: str = Field("", description="its function, where the unit does not tell", examples=["current"])

    @model_validator(mode="after")
    def _used(self) -> Self:
        if self.set_by is None and self.read_by is None:
            raise ValueError('"set by", "read by", or both')
        return self


_FAULT_FORM = "fault and sizes such as {fault: span error, span: 0.8 %}, as livezero bench faults lists them"


def _as_fault(given: Any, dash: str = "") -> Any:  # noqa: ANN401  whatever stands in the file
    """An entry of the fault catalogue; a text, as --fault takes it, is refused with the line that it means."""
    if isinstance(given, dict) and "fault" in given:
        return given
    told = {"what": '"fault" is missing', "allowed": _FAULT_FORM}
    if isinstance(given, str):
        name, *sizes = (part.strip() for part in given.split(","))
        pairs = [size.partition("=") for size in sizes]
        told["what"] = f'"{shortened(given)}" cannot stand here'
        if "=" not in name and all(equals for _, equals, _ in pairs):
            entry = [f"fault: {name}", *(f"{key.strip()}: {size.strip()}" for key, _, size in pairs)]
            told["todo"] = f'write "{dash}{{{", ".join(entry)}}}"'
    elif not isinstance(given, dict):
        return given
    raise PydanticCustomError("livezero", "{what}", told)


def _as_faults(given: Any) -> Any:  # noqa: ANN401  whatever stands in the file
    """A list of them; one that stands without its dash is refused as a text in the list is."""
    return _as_fault(given, "- ") if isinstance(given, str) and given else given


FaultField = Annotated[dict[str, str], BeforeValidator(_as_fault, json_schema_input_type=dict[str, str])]
FaultsField = Annotated[
    tuple[FaultField, ...], BeforeValidator(_as_faults, json_schema_input_type=tuple[FaultField, ...])
]


class UnitSimulation(FileModel):
    """What is simulated of the unit at one place: a seed of its own, and faults beside those of the bench."""

    seed: int | None = Field(None, ge=0, le=LARGEST_SEED, description="of its noise", examples=["7"])
    faults: FaultsField = Field(
        (), description="of this unit alone, by name and size", examples=[[{"fault": "span error", "span": "0.8 %"}]]
    )


class BenchQuantity(FileModel):
    """What else is held on the bench while a unit is tested, such as its supply voltage: by which source, and where.

    It stands at its reference but where a sequence varies it. What a person sets, or a chamber, is not listed.
    """

    set_by: str = Field(description="the instrument that holds it", examples=["supply"])
    set_function: str = Field("", description="its function, where the unit does not tell", examples=["voltage"])
    reference: LevelField = Field(description="where it stands but where a sequence varies it", examples=["24 V"])


class Simulation(FileModel):
    """The simulated bench: its seed, and the faults it is given, by name and size as in the fault catalogue.

    `faults` are those of every unit, as a fault of the bench is; `units` by place are those of one. `date` is the day
    of its runs, so that a history can be tried in an hour; without one it is always the same.
    """

    seed: int = Field(1, ge=0, le=LARGEST_SEED, description="of all noise, as --seed", examples=["11"])
    faults: FaultsField = Field(
        (), description="of every unit, by name and size", examples=[[{"fault": "span error", "span": "0.8 %"}]]
    )
    units: dict[int, UnitSimulation] = Field(
        default_factory=dict, description="of the unit at a place", examples=[{"2": {"seed": "7"}}]
    )
    date: dt.date | None = Field(None, description="the day of its runs", examples=["2026-07-01"])


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

    connected_by: str = Field(description="the scanner", examples=["scanner"])
    driven: Literal["together", "one after another"] = Field(
        "together", description="how the source comes to them", examples=["one after another"]
    )
    channels: Annotated[dict[int, Channels], BeforeValidator(_by_place)] = Field(
        min_length=1, max_length=1000, description="channels of each place, or one each", examples=["101:116"]
    )

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

    bench: str = Field(description="its name, for who reads the record", examples=["workshop, west wall"])
    backend: str = Field("@py", description="the VISA library, or simulated", examples=["@ivi", "simulated"])
    instruments: dict[str, BenchInstrument] = Field(
        min_length=1,
        description="what stands on it, by a name of your own",
        examples=[{"meter": {"description": "own-meter", "resource": "GPIB0::12::INSTR"}}],
    )
    taps: dict[str, BenchTap] = Field(
        min_length=1, description="what is wired to each tap of the unit", examples=[{"output": {"read by": "meter"}}]
    )
    quantities: dict[str, BenchQuantity] = Field(
        default_factory=dict,
        description="what else is held meanwhile",
        examples=[{"supply voltage": {"set by": "supply", "reference": "24 V"}}],
    )
    ambient: TemperatureSpanField | None = Field(None, description="its temperature", examples=["21 .. 25 degC"])
    correlations: tuple[Correlation, ...] = Field(
        (),
        description="instruments whose errors go together",
        examples=[[{"between": ["source", "meter"], "coefficient": "1"}]],
    )
    units: Units | None = Field(
        None,
        description="where several units are on it at once",
        examples=[{"connected by": "scanner", "channels": "101:116"}],
    )
    watchdog: WatchdogField = Field(
        10.0, description="a run that is silent for so long is made safe", examples=["10 s"]
    )
    check_unit: str = Field("", description="serial of the unit that proves it in control", examples=["CHECK-1"])
    simulation: Simulation | None = Field(None, description="of a simulated bench", examples=[{"seed": "11"}])

    @property
    def is_simulated(self) -> bool:
        """True for the embedded bench on virtual time."""
        return self.backend == SIMULATED
