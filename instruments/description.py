"""An instrument as data: what a YAML description may say, and where descriptions are found.

A description holds plain command strings with named fields, `{level}` in "set" and `{range}` in "select", which take
numbers only, and `{channels}` of a scanner, which takes the channels of a list. It knows no session; `described` makes
a driver of it.
"""

import re
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from instruments.channels import as_list
from instruments.fields import (
    AccuracyField,
    DifferenceField,
    LevelField,
    PauseField,
    SpanField,
    TemperatureSpanField,
    UnitField,
)
from instruments.filemodel import FileModel
from instruments.units import DIGITS, Quantity, Span, is_alike, is_width, magnitude, width
from instruments.yamlfile import find, load

__all__ = [
    "DESCRIPTIONS",
    "Description",
    "ErrorQuery",
    "Function",
    "OutputQuery",
    "RangeEntry",
    "Scanner",
    "SelectQuery",
    "SerialLine",
    "Termination",
    "as_sent",
    "find_description",
    "render",
    "with_channels",
]

DESCRIPTIONS = Path(__file__).parent / "descriptions"
# Python's patterns go back over what they have read: a group repeated within a repeat takes a reply for ever.
_MOST_REPEATS, _MOST_CHOICES = 3, 5
_CHANNELS = "{channels}"
_FIELD = re.compile(r"\{(level|range)(?::([+ ]?0?[0-9]{0,2}(?:\.[0-9]{1,2})?[eEfFgG]))?\}")


def render(command: str, **numbers: float) -> str:
    """A command string with its fields filled by numbers: `"SOUR:CURR {level:.6E}"`.

    Nothing but a formatted number ever comes in, so a value cannot break out of its field.
    """
    return _FIELD.sub(lambda field: format(numbers[field.group(1)], field.group(2) or ".9G"), command)


def with_channels(command: str, channels: tuple[str, ...]) -> str:
    """A command of a scanner with the channels of a list in it."""
    return command.replace(_CHANNELS, as_list(channels))


def as_sent(command: str, level: float) -> float:
    """The number that the format of a "set" command leaves of a level."""
    field = _FIELD.search(command)
    assert field is not None
    return float(render(field.group(), level=level))


def _command(field: str = "") -> AfterValidator:
    """Takes commands that can go over a line as they are, with no field in them but this one."""
    allowed = f'no braces but in the field {{{field}}}, its format as in "{{{field}:.6E}}"' if field else "no braces"

    def check(command: str) -> str:
        bare = _FIELD.sub(lambda found: "" if found.group(1) == field else found.group(), command)
        if "{" in bare or "}" in bare:
            raise ValueError(f"a command with {allowed}")
        if not command or not command.isprintable() or not command.isascii():
            raise ValueError("a command in ASCII without control characters; the line end stands in termination")
        return command

    return AfterValidator(check)


def _switching(command: str) -> str:
    if command.count(_CHANNELS) != 1:
        raise ValueError(f'a command with "{_CHANNELS}" in it once, as in "ROUT:CLOS (@{_CHANNELS})"')
    bare = command.replace(_CHANNELS, "")
    if "{" in bare or "}" in bare or not bare.isprintable() or not bare.isascii():
        raise ValueError("a command in ASCII without control characters, and no other braces")
    return command


def _listed(given: Any) -> Any:  # noqa: ANN401  one command or a list of them
    return (given,) if isinstance(given, str) and given else given or ()


def _or_none(given: Any) -> Any:  # noqa: ANN401  a key with nothing after it: there is no such command
    return None if given == "" else given


_list_schema = WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]})

Command = Annotated[str, _command()]
OptionalCommand = Annotated[Command | None, BeforeValidator(_or_none)]
Commands = Annotated[tuple[Command, ...], BeforeValidator(_listed), _list_schema]
RangeCommands = Annotated[tuple[Annotated[str, _command("range")], ...], BeforeValidator(_listed), _list_schema]
SetCommand = Annotated[str, _command("level")]
SwitchCommand = Annotated[str, AfterValidator(_switching)]


def _pattern(given: str) -> str:
    try:
        re.compile(given)
    except (re.error, RecursionError, OverflowError) as error:
        raise ValueError("a regular expression that the whole reply fits") from error
    bare = re.sub(r"\\.", "", given)
    repeats_n, choices_n = (len(re.findall(signs, bare)) for signs in (r"[*+{]", r"[?|]"))
    if repeats_n > _MOST_REPEATS or choices_n > _MOST_CHOICES or re.search(r"\)[*+{]", bare):
        raise ValueError(f"at most {_MOST_REPEATS} repeats, none of a group, and {_MOST_CHOICES} of ? and |")
    return given


Pattern = Annotated[str, AfterValidator(_pattern)]


class SerialLine(FileModel):
    """Settings of a serial port."""

    baud: int = Field(9600, gt=0, le=10_000_000)
    data_bits: Literal["5", "6", "7", "8"] = "8"
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal["1", "2"] = "1"


class Termination(FileModel):
    """What ends a line each way; stated, since a raw socket and a serial port have none by default."""

    model_config = ConfigDict(str_strip_whitespace=False)

    write: str = "\n"
    read: str = "\n"


class ErrorQuery(FileModel):
    """How to ask for the next error, and how "no error" begins, a plus sign left out."""

    ask: Command
    none: str = Field("0", min_length=1)


class OutputQuery(FileModel):
    """How to ask whether the output is on, and what the whole reply is where it is off."""

    ask: Command
    off: Pattern = "[+]?0|OFF"


class SelectQuery(FileModel):
    """How to ask which function, or range, is selected, and what the whole reply is where it is this function."""

    ask: Command
    reply: Pattern


class Scanner(FileModel):
    """How a scanner connects: channels closed, opened, and asked whether they are closed ("1" each, in order)."""

    close: SwitchCommand
    open: SwitchCommand
    open_all: Command
    closed_query: SwitchCommand | None = None
    takes: PauseField = 0.0


class RangeEntry(FileModel):
    """One range of a function, with what it can resolve and how well it is known."""

    range: SpanField
    select: RangeCommands = ()
    resolution: DifferenceField | None = None
    accuracy: AccuracyField | None = None
    temperature_coefficient: AccuracyField | None = None

    def misfit(self, unit: str) -> str:
        """What would be right for a function in `unit` where this entry is not; "" if it is."""
        if not is_alike(self.range.unit, unit):
            return f"ranges in {unit}"
        if self.resolution is not None and (
            self.resolution.magnitude < 0 or not is_width(str(self.resolution.units), unit)
        ):
            return f"a resolution in {unit}"
        for what, stated in (
            ("an accuracy", self.accuracy),
            ("a temperature coefficient", self.temperature_coefficient),
        ):
            if stated is not None and not stated.fits(unit):
                return f"{what} in {unit}, or in % of reading or range"
            if stated is not None and stated.has(DIGITS) and not (self.resolution and self.resolution.magnitude):
                return f'a "resolution" beside {what} in digits: one digit is that much'
        return ""


class Function(FileModel):
    """One thing an instrument sets or reads: exactly one of the two, in a unit."""

    sets: UnitField | None = None
    reads: UnitField | None = None
    in_: UnitField | None = None
    select: RangeCommands = ()
    select_query: SelectQuery | None = None
    set: SetCommand | None = None
    read_back: Command | None = None
    on: Commands = ()
    off: Commands = ()
    output_query: OutputQuery | None = None
    query: Command | None = None
    reply: str = "{value}"
    overload: Pattern | None = None
    takes: PauseField = 0.0
    settling: PauseField = 0.0
    settling_after_range_change: PauseField = 0.0
    discard_after_range_change: int = Field(0, ge=0, le=20)
    safe_level: LevelField | None = None
    ranges: tuple[RangeEntry, ...] = Field(min_length=1)

    @property
    def unit(self) -> str:
        """The unit it sets or reads."""
        unit = self.sets or self.reads
        assert unit is not None
        return unit

    @property
    def wire_unit(self) -> str:
        """The unit of the number that goes over the wire."""
        return self.in_ or self.unit

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if (self.sets is None) == (self.reads is None):
            raise ValueError('exactly one of "sets" and "reads"')
        if self.in_ and not is_alike(self.in_, self.unit):
            raise ValueError(f'"in" of the same dimension as {self.unit}')
        for entry in self.ranges:
            if misfit := entry.misfit(self.unit):
                raise ValueError(misfit)
        if self.safe_level is not None and not self.can_set(self.safe_level):
            raise ValueError(f"a safe level in {self.unit}, within a range")
        if self.set is not None and not _FIELD.search(self.set):
            raise ValueError('a "set" command with "{level}" in it')
        if self.select_query is not None and self.sets:
            raise ValueError('no "select query" in a function that sets; its level is read back')
        if self.output_query is not None and not self.off:
            raise ValueError('"off" beside an output query')
        if self.reply.count("{value}") != 1:
            raise ValueError('a reply with "{value}" in it once')
        return self

    def can_set(self, level: Quantity) -> bool:
        """True if the level has this function's dimension and lies within one of its ranges."""
        return is_alike(str(level.units), self.unit) and any(
            entry.range.within(self.unit).holds(magnitude(level, self.unit)) for entry in self.ranges
        )

    def range_for(self, need: Span) -> RangeEntry | None:
        """The smallest range that holds all of `need`; None if none does."""
        holding = [
            entry
            for entry in self.ranges
            if entry.range.within(self.unit).holds(need.within(self.unit).bottom)
            and entry.range.within(self.unit).holds(need.within(self.unit).top)
        ]
        return min(holding, key=lambda entry: entry.range.within(self.unit).width, default=None)

    def resolution(self, entry: RangeEntry, unit: str) -> float:
        """Resolution of a range as a number in `unit`; 0 where the description gives none."""
        return width(entry.resolution, unit) if entry.resolution is not None else 0.0


class Description(FileModel):
    """One instrument: how its line is talked to, and its functions."""

    instrument: str
    kind: Literal["remote", "keyed"] = "remote"
    under_test: bool = False
    termination: Termination = Termination()
    serial: SerialLine | None = None
    reference_temperature: TemperatureSpanField | None = None
    timeout: PauseField = Field(5.0, gt=0)
    query_delay: PauseField = 0.0
    identify: OptionalCommand = "*IDN?"
    clear: Commands = ("*CLS",)
    prepare: Commands = ()
    ready: Command | None = None
    release: Commands = ()
    acknowledge: str | None = None
    error_query: ErrorQuery | None = None
    event_status: OptionalCommand = None
    refusal: Pattern | None = None
    connects: Scanner | None = None
    functions: dict[str, Function] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if not self.functions and self.connects is None:
            raise ValueError('"functions" that set or read, or "connects" of a scanner')
        if self.connects is not None and self.kind == "keyed":
            raise ValueError('no "connects" beside "kind: keyed": leads that a person moves need no scanner')
        for name, function in self.functions.items():
            drifts = any(entry.temperature_coefficient is not None for entry in function.ranges)
            if drifts and self.reference_temperature is None:
                raise ValueError('"reference temperature" beside a temperature coefficient')
            if self.kind == "keyed":
                continue
            if function.sets and not function.set:
                raise ValueError(f'a "set" command in function "{name}"')
            if function.reads and not function.query:
                raise ValueError(f'a "query" command in function "{name}"')
        return self

    @property
    def takes(self) -> float:
        """How long the longest reading of it, or its relays, take, in s."""
        switching_s = 0.0 if self.connects is None else self.connects.takes
        return max((function.takes for function in self.functions.values()), default=switching_s)

    def proves_safe(self, function: str) -> bool:
        """True if it can be asked, or answers, whether a function that sets went to its safe level; a person says so.

        An empty error queue is no such answer: it is empty too where a command was lost on its way.
        """
        spec = self.functions[function]
        answers = (self.acknowledge, spec.read_back, spec.output_query)
        return self.kind == "keyed" or any(each is not None for each in answers)

    def function_for(
        self, *, does: Literal["sets", "reads"], need: Span, name: str = ""
    ) -> tuple[str, RangeEntry] | None:
        """The function, and its smallest range, that sets or reads all of `need`; None if there is none.

        Args:
            does: "sets" or "reads".
            need: the range asked for, with its unit.
            name: take this function only; "" = any of the right unit, the one with the tightest range first.
        """
        found = []
        for each, function in self.functions.items():
            if (name and each != name) or getattr(function, does) is None or not is_alike(function.unit, need.unit):
                continue
            entry = function.range_for(need)
            if entry is not None:
                found.append((each, entry))
        return min(found, key=lambda pair: pair[1].range.within(need.unit).width, default=None)


def find_description(name: str, *, beside: Path, where: str = "") -> Description:
    """The description that a bench file names: a file beside it, or one that comes with livezero.

    Args:
        name: "generic-scpi-meter", or the path of a YAML file.
        beside: folder of the bench file.
        where: place in the bench file, for the error.

    Raises:
        InputError: there is none, or its file is at fault.
    """
    path = find(name, what="instrument description", folder=DESCRIPTIONS, beside=beside, where=where)
    return load(path, Description)
