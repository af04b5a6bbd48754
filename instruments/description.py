"""An instrument as data: what a YAML description may say, and where descriptions are found.

A description holds plain command strings with named fields, `{level}` and `{range}`, which take numbers only. It knows
no session; `described.py` makes a driver of it.
"""

import re
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, ConfigDict, Field, model_validator

from instruments.errors import InputError
from instruments.fields import AccuracyField, Commands, DurationField, LevelField, SpanField, UnitField
from instruments.units import Span, is_alike, magnitude
from instruments.yamlfile import FileModel, load, nearest

__all__ = ["DESCRIPTIONS", "Description", "ErrorQuery", "Function", "RangeEntry", "SerialLine", "find_description", "render"]

DESCRIPTIONS = Path(__file__).parent / "descriptions"
_FIELD = re.compile(r"\{(\w*)(?::([^{}]*))?\}")
_KNOWN_FIELDS = ("level", "range")


def render(command: str, **numbers: float) -> str:
    """A command string with its fields filled by numbers: `"SOUR:CURR {level:.6E}"`.

    Nothing but a formatted number ever comes in, so a value cannot break out of its field.
    """
    return _FIELD.sub(lambda field: format(numbers[field.group(1)], field.group(2) or ".9G"), command)


def _checked(command: str) -> str:
    for name, form in _FIELD.findall(command):
        if name not in _KNOWN_FIELDS:
            raise ValueError("a command with the fields {level} or {range}")
        try:
            format(1.0, form)
        except ValueError as error:
            raise ValueError("a number format such as {level:.6E}") from error
    if any(ord(letter) < 32 for letter in command):
        raise ValueError("a command without control characters; the line end stands in termination")
    return command


Command = Annotated[str, AfterValidator(_checked)]


class SerialLine(FileModel):
    """Settings of a serial port."""

    baud: int = Field(9600, gt=0)
    data_bits: Literal["5", "6", "7", "8"] = "8"
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal["1", "2"] = "1"


class Termination(FileModel):
    """What ends a line each way; stated, since a raw socket and a serial port have none by default."""

    model_config = ConfigDict(str_strip_whitespace=False)

    write: str = "\n"
    read: str = "\n"


class ErrorQuery(FileModel):
    """How to ask for the next error, and how "no error" begins."""

    ask: Command
    none: str = "0"


class RangeEntry(FileModel):
    """One range of a function, with what it can resolve and how well it is known."""

    range: SpanField
    select: Commands = ()
    resolution: LevelField | None = None
    accuracy: AccuracyField | None = None


class Function(FileModel):
    """One thing an instrument sets or reads: exactly one of the two, in a unit."""

    sets: UnitField | None = None
    reads: UnitField | None = None
    in_: UnitField | None = None
    select: Commands = ()
    set: Command | None = None
    acknowledge: str | None = None
    read_back: Command | None = None
    on: Commands = ()
    off: Commands = ()
    query: Command | None = None
    reply: str = "{value}"
    takes: DurationField = 0.0
    settling: DurationField = 0.0
    settling_after_range_change: DurationField = 0.0
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
            if not is_alike(entry.range.unit, self.unit):
                raise ValueError(f"ranges in {self.unit}")
            if entry.resolution is not None and not is_alike(str(entry.resolution.units), self.unit):
                raise ValueError(f"a resolution in {self.unit}")
        if self.reply.count("{value}") != 1:
            raise ValueError('a reply with "{value}" in it once')
        return self

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
        return magnitude(entry.resolution, unit) if entry.resolution is not None else 0.0


class Description(FileModel):
    """One instrument: how its line is talked to, and its functions."""

    instrument: str
    kind: Literal["remote", "keyed"] = "remote"
    termination: Termination = Termination()
    serial: SerialLine | None = None
    timeout: DurationField = 5.0
    query_delay: DurationField = 0.0
    identify: Command | None = "*IDN?"
    clear: Commands = ("*CLS",)
    prepare: Commands = ()
    ready: Command | None = None
    release: Commands = ()
    error_query: ErrorQuery | None = None
    refusal: str | None = None
    functions: dict[str, Function] = Field(min_length=1)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        for name, function in self.functions.items():
            if self.kind == "keyed":
                continue
            if function.sets and not function.set:
                raise ValueError(f'a "set" command in function "{name}"')
            if function.reads and not function.query:
                raise ValueError(f'a "query" command in function "{name}"')
        if self.refusal is not None:
            try:
                re.compile(self.refusal)
            except re.error as error:
                raise ValueError("a pattern of a refusing reply that is a regular expression") from error
        return self

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
    for path in (beside / name, DESCRIPTIONS / f"{name}.yaml"):
        if path.is_file():
            return load(path, Description)
    known = sorted(path.stem for path in DESCRIPTIONS.glob("*.yaml"))
    guess = nearest(name, known)
    raise InputError(
        f'no instrument description "{name}"',
        where=where,
        allowed=f"a file beside the bench file, or one of {', '.join(known)}",
        todo=f'write "{guess}"' if guess else "correct the name, or write a description",
    )
