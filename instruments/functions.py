"""What an instrument sets or reads, as a description says it: commands, replies, and ranges with what is known of them.

It knows no line and no session.
"""

from typing import Self

from pydantic import Field, model_validator

from instruments import scpi
from instruments.commands import Command, Commands, Mark, Pattern, RangeCommands, SetCommands, render
from instruments.fields import AccuracyField, DifferenceField, LevelField, PauseField, ScaleField, SpanField, UnitField
from instruments.filemodel import FileModel
from instruments.units import DIGITS, Quantity, Span, is_alike, is_width, magnitude, rescale, width

__all__ = ["Function", "OutputQuery", "Poll", "RangeEntry", "SelectQuery", "Stable", "Status"]


class OutputQuery(FileModel):
    """How to ask whether the output is on, and what the whole reply is where it is off."""

    ask: Command = Field(description="asks whether the output is on", examples=["OUTP?"])
    off: Pattern = Field("[+]?0|OFF", description="pattern of the whole reply where it is off", examples=["0|OFF"])


class SelectQuery(FileModel):
    """How to ask which function, or range, is selected, and what the whole reply is where it is this function."""

    ask: Command = Field(description="asks what is selected", examples=["FUNC?"])
    reply: Pattern = Field(description="pattern of the whole reply where it is this one", examples=['"CURR"'])


class Poll(FileModel):
    """A question that is asked again until the reading is ready."""

    ask: Command = Field(description="asks whether the reading is ready", examples=["STAT?"])
    until: Pattern = Field(description="pattern of the whole reply once it is", examples=["READY|1"])
    at_most: PauseField = Field(30.0, gt=0, description="then there is no reading", examples=["30 s"])
    every: PauseField = Field(0.1, gt=0, description="pause between two questions", examples=["100 ms"])


class Stable(FileModel):
    """A question that is asked again until a source stands at its level: a bath, a dry block, a pressure controller."""

    ask: Command = Field(description="asks whether it is stable", examples=["STAB?"])
    reply: Pattern = Field(description="pattern of the whole reply once it is", examples=["1|STABLE"])
    at_most: PauseField = Field(3600.0, gt=0, description="then it is a fault of the bench", examples=["45 min"])
    every: PauseField = Field(1.0, gt=0, description="pause between two questions", examples=["2 s"])


class Status(FileModel):
    """What the {status} of a reply says; anything but these words is no reading."""

    good: Pattern = Field("", description="pattern of the status of a good reading", examples=["N|0"])
    warnings: dict[str, str] = Field(
        default_factory=dict,
        description="words of a status with a good reading, and what is remarked of it",
        examples=[{"B": "battery low"}],
    )


class RangeEntry(FileModel):
    """One range of a function, with what it can resolve and how well it is known."""

    range: SpanField = Field(description="what it takes in", examples=["0 .. 20 mA"])
    scale: ScaleField | None = Field(
        None,
        description="the numbers on the wire at the ends of the range: % of range, or counts",
        examples=["0 .. 100", "6400 .. 32000"],
    )
    select: RangeCommands = Field((), description="take this range", examples=["SOUR:CURR:RANG {range:.3E}"])
    resolution: DifferenceField | None = Field(None, description="its smallest step", examples=["1 uA"])
    accuracy: AccuracyField | None = Field(
        None, description="half width within which it is right", examples=["0.02 % of reading + 1 uA"]
    )
    temperature_coefficient: AccuracyField | None = Field(
        None, description="beyond the reference temperature, per kelvin", examples=["0.002 % of reading"]
    )

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

    sets: UnitField | None = Field(None, description="the unit that it sets", examples=["mA"])
    reads: UnitField | None = Field(None, description="the unit that it reads", examples=["V"])
    in_: UnitField | None = Field(
        None, description="the unit of the numbers on the wire, where another", examples=["A"]
    )
    select: RangeCommands = Field((), description="take this function", examples=["CONF:VOLT {range:.4E}"])
    select_query: SelectQuery | None = Field(
        None, description="shows that this function is selected", examples=[{"ask": "FUNC?", "reply": "VOLT"}]
    )
    set: SetCommands | None = Field(
        None,
        description="set a level; of a decade one command a switch, as in {digit:100}",
        examples=["SOUR:CURR {level:.6E}", ["R3 {digit:100}", "R2 {digit:10}", "R1 {digit:1}"]],
    )
    read_back: Command | None = Field(None, description="asks for the level that stands", examples=["SOUR:CURR?"])
    on: Commands = Field((), description="switch the output on", examples=["OUTP ON"])
    off: Commands = Field((), description="switch the output off", examples=["OUTP OFF"])
    output_query: OutputQuery | None = Field(
        None, description="shows whether the output is on", examples=[{"ask": "OUTP?", "off": "0"}]
    )
    stable: Stable | None = Field(
        None,
        description="shows that a slow source has come to its level; settling begins after that",
        examples=[{"ask": "STAB?", "reply": "1"}],
    )
    trigger: Commands = Field((), description="start a reading", examples=["INIT"])
    wait: PauseField = Field(0.0, description="from the trigger to the first question", examples=["200 ms"])
    poll: Poll | None = Field(
        None, description="asked until the reading is ready", examples=[{"ask": "STAT?", "until": "READY"}]
    )
    query: Command | None = Field(None, description="asks for one reading", examples=["READ?"])
    reply: str = Field(
        "{value}",
        description="how a reading is written: {value}, {unit} that scales, {status}, {skip}",
        examples=["{value} RPM", "{status},{skip},{value} {unit}"],
    )
    decimal: Mark = Field("point", description="the decimal mark on the wire", examples=["comma"])
    units: dict[str, UnitField] = Field(
        default_factory=dict, description="units as it writes them in {unit}", examples=[{"MAMP": "mA", "KOHM": "kohm"}]
    )
    status: Status | None = Field(
        None, description="what {status} says", examples=[{"good": "N", "warnings": {"B": "battery low"}}]
    )
    overload: Pattern | None = Field(
        None, description="pattern of the whole reply of an overload", examples=["OL|[+-]OVER RPM"]
    )
    takes: PauseField = Field(0.0, description="how long one reading takes", examples=["100 ms"])
    settling: PauseField = Field(0.0, description="of the source itself, after each set", examples=["20 ms"])
    settling_after_range_change: PauseField = Field(
        0.0, description="before anything counts in a new range", examples=["100 ms"]
    )
    discard_after_range_change: int = Field(0, ge=0, le=20, description="readings thrown away then", examples=["2"])
    safe_level: LevelField | None = Field(None, description="where the output can hurt nobody", examples=["0 mA"])
    ranges: tuple[RangeEntry, ...] = Field(
        min_length=1, description="its ranges", examples=[[{"range": "0 .. 20 mA", "resolution": "1 uA"}]]
    )

    @property
    def unit(self) -> str:
        """The unit it sets or reads."""
        unit = self.sets or self.reads
        assert unit is not None
        return unit

    @property
    def wire_unit(self) -> str:
        """The unit of the number that goes over the wire, where that is a level and no scale of one."""
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
        scpi.reply_pattern(self.reply, decimal=self.decimal)  # which says what is wrong with it
        for wrong, right in self._misfits():
            if wrong:
                raise ValueError(right)
        return self

    def _misfits(self) -> tuple[tuple[bool, str], ...]:
        """What stands beside what it cannot, and what would be right."""
        sets, has_scale = self.sets is not None, any(entry.scale for entry in self.ranges)
        reading_keys = bool(self.trigger or self.poll or self.wait or self.status)
        return (
            (
                self.select_query is not None and sets,
                'no "select query" in a function that sets; its level is read back',
            ),
            (self.output_query is not None and not self.off, '"off" beside an output query'),
            (sets and reading_keys, 'no "trigger", "wait", "poll" or "status" in a function that sets'),
            (not sets and self.stable is not None, 'no "stable" in a function that reads'),
            (has_scale and self.in_ is not None, 'no "in" beside a "scale": its numbers have no unit'),
            (has_scale and "{unit}" in self.reply, 'no {unit} beside a "scale": its numbers have no unit'),
            (self.status is not None and "{status}" not in self.reply, '"{status}" in the reply beside "status"'),
            (any(not is_alike(each, self.unit) for each in self.units.values()), f'"units" like {self.unit}'),
            (
                self.safe_level is not None and self.scale_misfit(self.safe_level),
                "a safe level that is the same number on the wire in every range, such as where each begins",
            ),
        )

    def scale_misfit(self, level: Quantity) -> bool:
        """True if a level is another number in one range than in another, so that which one stands would matter."""
        told = [self.to_wire(level, entry) for entry in self.ranges]
        return any(abs(each - told[0]) > 1e-9 * max(map(abs, told)) for each in told)

    def to_wire(self, level: Quantity, entry: RangeEntry) -> float:
        """The number that goes over the wire for a level in a range."""
        if entry.scale is None:
            return magnitude(level, self.wire_unit)
        span, (low, high) = entry.range.within(self.unit), entry.scale
        return low + (high - low) * (magnitude(level, self.unit) - span.low) / (span.high - span.low)

    def from_wire(self, entry: RangeEntry, unit: str, *, said_in: str = "") -> tuple[float, float]:
        """Factor and shift from a number on the wire, in a range or in the unit that stood beside it, to a unit."""
        if entry.scale is None:
            return rescale(self.units.get(said_in, said_in) or self.wire_unit, unit)
        span, (low, high) = entry.range.within(unit), entry.scale
        factor = (span.high - span.low) / (high - low)
        return factor, span.low - factor * low

    def wire_width(self, entry: RangeEntry, stated: float) -> float:
        """A difference in the wire unit as one of the numbers on the wire."""
        if entry.scale is None:
            return stated
        return abs(stated * (entry.scale[1] - entry.scale[0])) / entry.range.within(self.unit).width

    def selecting(self, entry: RangeEntry) -> tuple[str, ...]:
        """The commands that take the function and a range of it."""
        top = entry.range.within(self.wire_unit).top
        return tuple(render(command, decimal=self.decimal, range=top) for command in (*self.select, *entry.select))

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
