"""An instrument as data: what a YAML description may say of its line, and where descriptions are found.

What it sets and reads stands in `functions`, its commands in `commands`. It knows no session; `described` makes a
driver of it.
"""

import re
from pathlib import Path
from typing import Literal, Self

from pydantic import ConfigDict, Field, model_validator

from instruments.commands import Command, Commands, OptionalCommand, Pattern, SwitchCommand, UnlockCommands
from instruments.fields import PauseField, TemperatureSpanField
from instruments.filemodel import FileModel
from instruments.functions import Function, RangeEntry
from instruments.units import Span, is_alike
from instruments.yamlfile import find, load

__all__ = [
    "DESCRIPTIONS",
    "LONGEST_WORD",
    "Description",
    "ErrorQuery",
    "Scanner",
    "SerialLine",
    "Termination",
    "find_description",
]

DESCRIPTIONS = Path(__file__).parent / "descriptions"
LONGEST_WORD = 200  # what a pattern of a description is held against; a longer reply is no word
_NUMBER = re.compile(r"[+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?")


class SerialLine(FileModel):
    """Settings of a serial port."""

    baud: int = Field(9600, gt=0, le=10_000_000, description="bits a second", examples=["9600"])
    data_bits: Literal["5", "6", "7", "8"] = Field("8", description="bits of a character", examples=["7"])
    parity: Literal["none", "even", "odd", "mark", "space"] = Field("none", description="its parity", examples=["even"])
    stop_bits: Literal["1", "1.5", "2"] = Field("1", description="its stop bits", examples=["2"])
    flow_control: Literal["none", "xon/xoff", "rts/cts", "dtr/dsr"] = Field(
        "none", description="how one side holds up the other", examples=["rts/cts"]
    )


class Termination(FileModel):
    """What ends a line each way; stated, since a raw socket and a serial port have none by default."""

    model_config = ConfigDict(str_strip_whitespace=False)

    write: str = Field("\n", description="ends each message to it", examples=["\\r\\n"])
    read: str = Field("\n", description="ends each of its answers, one character or several", examples=["\\x03\\r"])
    prompt: str = Field(
        "", description="comes once it has done a message, and whatever it answers stands before it", examples=["> "]
    )

    @model_validator(mode="after")
    def _can_be_told(self) -> Self:
        for end in (self.read, self.prompt):
            if end[:-1].count(end[-1:]) and end:
                raise ValueError("an end whose last character stands in it once: it is what VISA waits for")
        return self


class ErrorQuery(FileModel):
    """How to ask for the next error, and how "no error" begins, a plus sign left out."""

    ask: Command = Field(description="asks for the next entry of the error queue", examples=["SYST:ERR?"])
    none: str = Field("0", min_length=1, description="how the answer begins where there is none", examples=["0"])
    entry: Pattern | None = Field(
        None,
        description='pattern of an entry that is not number and text, as in SCPI; shown as it came. Where "none" is a '
        "word, any text is one",
        examples=["E[0-9]+ .*"],
    )

    def is_own(self, reply: str) -> bool:
        """True if a reply is an entry in the language of the instrument, which is none of SCPI."""
        if len(reply) > LONGEST_WORD:
            return False
        if self.entry is not None:
            return re.fullmatch(self.entry, reply) is not None
        # A number is the answer to another question.
        return bool(reply) and not _NUMBER.fullmatch(self.none) and not _NUMBER.fullmatch(reply)


class Scanner(FileModel):
    """How a scanner connects: channels closed, opened, and asked whether they are closed ("1" each, in order)."""

    close: SwitchCommand = Field(description="close these channels", examples=["ROUT:CLOS (@{channels})"])
    open: SwitchCommand = Field(description="open these channels", examples=["ROUT:OPEN (@{channels})"])
    open_all: Command = Field(description="open every channel", examples=["ROUT:OPEN:ALL"])
    closed_query: SwitchCommand | None = Field(
        None, description="asks which are closed", examples=["ROUT:CLOS? (@{channels})"]
    )
    takes: PauseField = Field(0.0, description="until the contacts have come to rest", examples=["10 ms"])


class Description(FileModel):
    """One instrument: how its line is talked to, and its functions.

    It is unlocked, identified, cleared and brought to its safe level, in this order, before it is prepared.
    """

    instrument: str = Field(description="what it is, for who reads the record", examples=["workshop meter"])
    kind: Literal["remote", "keyed"] = Field(
        "remote", description="keyed: a person sets and reads it", examples=["keyed"]
    )
    driver: str | None = Field(
        None,
        description="what talks to it in place of commands: an entry point of an installed package",
        examples=["brewhouse-block"],
    )
    under_test: bool = Field(False, description="it belongs to the unit under test", examples=["true"])
    termination: Termination = Field(
        Termination(), description="what ends a line each way", examples=[{"write": "\\r", "read": "\\r\\n"}]
    )
    prefix: str = Field(
        "", pattern=r"^[^\x00\r\n]*$", description="put before each message: an address, STX", examples=["\\x02", "#01"]
    )
    reply_prefix: str = Field("", description="taken off each answer", examples=["\\x02"])
    echo: bool = Field(False, description="it sends back each message before it answers", examples=["yes"])
    compound: bool = Field(
        False,
        description="it takes several commands and questions in one message, divided by ; as SCPI-1999 has it",
        examples=["yes"],
    )
    serial: SerialLine | None = Field(None, description="settings of a serial port", examples=[{"baud": "9600"}])
    reference_temperature: TemperatureSpanField | None = Field(
        None, description="where its accuracies hold", examples=["18 .. 28 degC"]
    )
    timeout: PauseField = Field(5.0, gt=0, description="how long an answer may take", examples=["5 s"])
    query_delay: PauseField = Field(0.0, description="from a question to its answer at least", examples=["20 ms"])
    command_delay: PauseField = Field(0.0, description="after a command, before the next", examples=["50 ms"])
    unlock: UnlockCommands = Field(
        (), description="sent before anything else; the password comes from the bench", examples=["PASS {password}"]
    )
    identify: OptionalCommand = Field("*IDN?", description="asks who it is; nothing = it cannot say", examples=["ID?"])
    clear: Commands = Field(("*CLS",), description="clear its error queue", examples=["*CLS"])
    prepare: Commands = Field((), description="its set-up, sent once its output is safe", examples=["*RST"])
    ready: Command | None = Field(None, description="asks whether the set-up is done", examples=["*OPC?"])
    release: Commands = Field((), description="sent last: give the front panel back", examples=["SYST:LOC"])
    acknowledge: Pattern | None = Field(
        None, description="pattern of what it answers to each command", examples=["OK|ACK"]
    )
    error_query: ErrorQuery | None = Field(
        None, description="asks for the next error", examples=[{"ask": "SYST:ERR?", "none": "0"}]
    )
    event_status: OptionalCommand = Field(
        None, description="asks for the event status register, of which bit 7 is power on", examples=["*ESR?"]
    )
    refusal: Pattern | None = Field(None, description="pattern of an answer that refuses", examples=["E[1-4]"])
    connects: Scanner | None = Field(
        None,
        description="how a scanner connects",
        examples=[{"close": "C {channels}", "open": "O {channels}", "open all": "X"}],
    )
    functions: dict[str, Function] = Field(
        default_factory=dict,
        description="what it sets and reads, by a name of your own",
        examples=[{"level": {"reads": "mA", "query": "READ?", "ranges": [{"range": "0 .. 20 mA"}]}}],
    )

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if not self.functions and self.connects is None:
            raise ValueError('"functions" that set or read, or "connects" of a scanner')
        if self.connects is not None and self.kind == "keyed":
            raise ValueError('no "connects" beside "kind: keyed": leads that a person moves need no scanner')
        if self.kind == "keyed" and self.driver:
            raise ValueError('no "driver" beside "kind: keyed"')
        if self.compound and (self.acknowledge or self.echo or self.termination.prompt):
            raise ValueError('no "compound" where each message is acknowledged, echoed or prompted for')
        for name, function in self.functions.items():
            drifts = any(entry.temperature_coefficient is not None for entry in function.ranges)
            if drifts and self.reference_temperature is None:
                raise ValueError('"reference temperature" beside a temperature coefficient')
            if self.kind == "keyed" or self.driver:
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
        return self.kind == "keyed" or self.driver is not None or any(each is not None for each in answers)

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
