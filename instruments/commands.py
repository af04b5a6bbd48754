"""Commands as a description writes them: plain text with named fields that take numbers, and channels of a scanner.

`{level}` stands in "set", `{range}` in "select", each with the format of its number; `{digit:100}` in "set" takes one
digit of the level, as the switches of a decade do; `{channels}` takes the channels of a list. Nothing but a formatted
number, or a channel, ever comes in, so that a value cannot break out of its field.
"""

import re
from collections.abc import Sequence
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, WithJsonSchema

from instruments.channels import as_list

__all__ = [
    "MARKS",
    "Command",
    "Commands",
    "Mark",
    "OptionalCommand",
    "Pattern",
    "RangeCommands",
    "SetCommands",
    "SwitchCommand",
    "UnlockCommands",
    "as_sent",
    "render",
    "rendered",
    "with_channels",
    "with_password",
]

Mark = Literal["point", "comma"]
MARKS: dict[Mark, str] = {"point": ".", "comma": ","}
# Python's patterns go back over what they have read: a group repeated within a repeat takes a reply for ever.
_MOST_REPEATS, _MOST_CHOICES = 3, 5
_CHANNELS, _PASSWORD = "{channels}", "{password}"
_FIELD = re.compile(r"\{(level|range)(?::([+ ]?0?[0-9]{0,2}(?:\.[0-9]{1,2})?[eEfFgG]))?\}")
_DIGIT = re.compile(r"\{digit:(10{0,8}|0\.0{0,8}1)\}")
# What ends a line, or is taken out of it, on one of the ways to an instrument.
_NEVER_SENT = re.compile(r"[\0\r\n]")


def render(command: str, *, decimal: Mark = "point", **numbers: float) -> str:
    """A command string with its fields filled by numbers: `"SOUR:CURR {level:.6E}"`."""

    def shown(field: re.Match[str]) -> str:
        return format(numbers[field.group(1)], field.group(2) or ".9G").replace(".", MARKS[decimal])

    return _FIELD.sub(shown, command)


def rendered(commands: Sequence[str], level: float, *, before: float, decimal: Mark = "point") -> tuple[str, ...]:
    """The commands of "set" with a level in them, and its digits.

    Args:
        commands: in order; where all have digits those that fall go first, so that no level between the old one and
            the new is above both.
        level: as a number on the wire.
        before: the level that it leaves.
        decimal: the mark of its numbers.
    """
    digits, were = _digits(commands, level), _digits(commands, before)
    found = []
    for command in commands:
        places = [Decimal(place) for place in _DIGIT.findall(command)]
        text = _DIGIT.sub(lambda field: str(digits[Decimal(field.group(1))]), command)
        rises = [digits[place] for place in places] > [were[place] for place in places]
        found.append((rises, render(text, decimal=decimal, level=level)))
    if all(map(_DIGIT.search, commands)):
        found.sort(key=lambda each: each[0])
    return tuple(text for _, text in found)


def _digits(commands: Sequence[str], level: float) -> dict[Decimal, int]:
    """The digit of a level at each place that the commands have, rounded at the lowest."""
    places = sorted(Decimal(place) for command in commands for place in _DIGIT.findall(command))
    if not places:
        return {}
    counted = round(Decimal(repr(level)) / places[0])
    return {place: counted // int(place / places[0]) % 10 for place in places}


def as_sent(commands: Sequence[str], level: float) -> float:
    """The number that the format of a "set" command leaves of a level; of several fields that which is farthest off."""
    texts = [field.group() for command in commands for field in _FIELD.finditer(command)]
    left = [float(render(text, level=level)) for text in texts]
    if digits := _digits(commands, level):
        left.append(float(sum(place * digit for place, digit in digits.items())))
    return max(left, key=lambda each: abs(each - level))


def with_channels(command: str, channels: tuple[str, ...]) -> str:
    """A command of a scanner with the channels of a list in it."""
    return command.replace(_CHANNELS, as_list(channels))


def with_password(command: str, password: str) -> str:
    """A command of "unlock" with the password in it."""
    return command.replace(_PASSWORD, password)


def _checked(command: str) -> str:
    if not command or not command.isascii() or _NEVER_SENT.search(command):
        raise ValueError("a command in ASCII, without NUL, CR and LF; the line end stands in termination")
    return command


def _command(field: str = "") -> AfterValidator:
    """Takes commands that can go over a line as they are, with no field in them but this one."""
    allowed = f'no braces but in the field {{{field}}}, its format as in "{{{field}:.6E}}"' if field else "no braces"

    def check(command: str) -> str:
        bare = _FIELD.sub(lambda found: "" if found.group(1) == field else found.group(), command)
        if field == "level":
            bare = _DIGIT.sub("", bare)
        if "{" in bare or "}" in bare:
            raise ValueError(f"a command with {allowed}")
        return _checked(command)

    return AfterValidator(check)


def _switching(command: str) -> str:
    if command.count(_CHANNELS) != 1:
        raise ValueError(f'a command with "{_CHANNELS}" in it once, as in "ROUT:CLOS (@{_CHANNELS})"')
    bare = command.replace(_CHANNELS, "")
    if "{" in bare or "}" in bare:
        raise ValueError(f'a command with no braces but in "{_CHANNELS}"')
    _checked(bare)
    return command


def _unlocking(command: str) -> str:
    bare = command.replace(_PASSWORD, "", 1)
    if "{" in bare or "}" in bare:
        raise ValueError(f'a command with no braces but in "{_PASSWORD}", once')
    return _checked(command)


def _setting(commands: tuple[str, ...]) -> tuple[str, ...]:
    joined = " ".join(commands)
    if not _FIELD.search(joined) and not _DIGIT.search(joined):
        raise ValueError('a "set" command with "{level}" in it')
    places = _DIGIT.findall(joined)
    if len(places) > len(set(places)):
        raise ValueError("each {digit:...} of a level once")
    return commands


def _listed(given: Any) -> Any:  # noqa: ANN401  one command or a list of them
    return (given,) if isinstance(given, str) and given else given or ()


def _set_listed(given: Any) -> Any:  # noqa: ANN401  one command or a list of them; "" is refused as a command
    return (given,) if isinstance(given, str) else given


def _or_none(given: Any) -> Any:  # noqa: ANN401  a key with nothing after it: there is no such command
    return None if given == "" else given


_list_schema = WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]})

Command = Annotated[str, _command()]
OptionalCommand = Annotated[Command | None, BeforeValidator(_or_none)]
Commands = Annotated[tuple[Command, ...], BeforeValidator(_listed), _list_schema]
RangeCommands = Annotated[tuple[Annotated[str, _command("range")], ...], BeforeValidator(_listed), _list_schema]
SetCommands = Annotated[
    tuple[Annotated[str, _command("level")], ...], BeforeValidator(_set_listed), AfterValidator(_setting), _list_schema
]
SwitchCommand = Annotated[str, AfterValidator(_switching)]
UnlockCommands = Annotated[
    tuple[Annotated[str, AfterValidator(_unlocking)], ...], BeforeValidator(_listed), _list_schema
]


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
