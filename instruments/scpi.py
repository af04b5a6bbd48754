"""Replies as text on the side of the controller: numbers and their special values, entries of the error queue.

SCPI gives the rules; what an instrument puts about its numbers, its description says.

Source: SCPI-1999, volume 1, 7.2.1 (9.9E37 is infinity, 9.91E37 not a number) and 21.8 (error queue), from memory.
"""

import re
from dataclasses import dataclass

from instruments.commands import MARKS, Mark
from instruments.errors import NoReadingError, OutOfStepError

__all__ = ["Taken", "error_entry", "number", "parts", "reply_pattern", "taken"]

_FIELD = re.compile(r"\{(value|unit|status|skip)\}")
_UNIT = r"[A-Za-z°%µμΩ][A-Za-z0-9°%µμΩ/]{0,11}"
_ENTRY = re.compile(r"\s*([+-]?[0-9]{1,9})\s*(?:,\s*\"?(.*?)\"?\s*)?")
_PART = re.compile(r"(?:[^;\"]|\"[^\"]*\")*")
_LONGEST = 200


@dataclass(frozen=True, slots=True)
class Taken:
    """What a reply says: its number, the unit beside it and the status as they stand there, "" = not asked for."""

    value: float
    unit: str
    status: str


def reply_pattern(reply: str, *, decimal: Mark = "point") -> re.Pattern[str]:
    """The pattern of a reply as a description writes it: `"{value} RPM"`, `"{status},{skip},{value} {unit}"`.

    `{skip}` is anything up to the text that comes after it. Blanks may be more or fewer, also between sign and digits.

    Raises:
        ValueError: no or two {value}, two {unit} or {status}, other braces, or nothing that ends a field.
    """
    mark = re.escape(MARKS[decimal])
    digits = rf"(?:[0-9]+{mark}?[0-9]*|{mark}[0-9]+)(?:E[+-]?[0-9]+)?"
    value = rf"(?P<value>[+-]?[ ]?{digits}|[+-]?INF(?:INITY)?|NINF(?:INITY)?|NAN)"
    texts, fields = _FIELD.split(reply)[::2], _FIELD.findall(reply)
    if "{" in "".join(texts) or "}" in "".join(texts) or fields.count("value") != 1:
        raise ValueError('a reply with "{value}" in it once')
    if max(fields.count("unit"), fields.count("status")) > 1:
        raise ValueError("a reply with {unit} and {status} in it once at most")
    found = _loosely(texts[0])
    for place, field in enumerate(fields):
        after, follows = texts[place + 1], fields[place + 1] if place + 1 < len(fields) else ""
        if field == "value":
            found += rf"\s*{value}\s*"
        elif field == "unit":
            found += rf"(?P<unit>{_UNIT})"
        else:
            found += f"(?P<status>{_up_to(after, follows)})" if field == "status" else _up_to(after, follows)
        found += _loosely(after)
    return re.compile(rf"\s*{found}\s*", re.IGNORECASE)


def _loosely(text: str) -> str:
    """A text of a reply, its blanks in any number."""
    return r"\s*".join(re.escape(part) for part in re.split(r"\s+", text))


def _up_to(after: str, follows: str) -> str:
    """Anything up to the text, or the field, that comes next."""
    if after:
        return r"\S*" if after[0].isspace() else f"[^{re.escape(after[0])}]*"
    if follows == "value":
        return "[^0-9+.,-]*"
    if follows:
        raise ValueError(f"text between {{skip}} or {{status}} and {{{follows}}}")
    return ".*"


def taken(reply: str, pattern: re.Pattern[str], *, where: str, command: str) -> Taken:
    """What a reply says.

    Raises:
        NoReadingError: overload (9.9E37), not a number (9.91E37), empty, or not of the pattern.
    """
    if not reply.strip():
        raise NoReadingError("empty", where=where, command=command, reply=reply)
    match = pattern.fullmatch(reply) if len(reply) <= _LONGEST else None
    if match is None:
        raise NoReadingError("garbled", where=where, command=command, reply=reply)
    said = match.groupdict(default="")
    value = float(said["value"].replace(" ", "").replace(",", ".").upper().replace("NINF", "-INF"))
    # Not-a-number first: 9.91E37 is larger than infinity as SCPI writes it.
    if value != value or 9.905e37 <= abs(value) <= 9.915e37:  # noqa: PLR0124  the plain test for NaN
        raise NoReadingError("not a number", where=where, command=command, reply=reply)
    if abs(value) >= 9.895e37:
        raise NoReadingError("overload", where=where, command=command, reply=reply)
    return Taken(value, said.get("unit", ""), said.get("status", "").strip())


def number(reply: str, pattern: re.Pattern[str], *, where: str, command: str) -> float:
    """The number in a reply; raises NoReadingError as `taken`."""
    return taken(reply, pattern, where=where, command=command).value


def parts(reply: str) -> tuple[str, ...]:
    """The answers of one message to several questions; a semicolon in quotes divides nothing.

    Source: IEEE 488.2-1992, 8.4.1, response message unit separator (from memory).
    """
    found, place = [], 0
    while place <= len(reply):
        match = _PART.match(reply, place)
        assert match is not None
        end = match.end() if match.end() == len(reply) or reply[match.end()] == ";" else len(reply)
        found.append(reply[place:end])
        place = end + 1
    return tuple(found)


def error_entry(reply: str, *, where: str, command: str) -> tuple[int, str]:
    """Code and text of one entry of the error queue: `-222,"Data out of range"`.

    Raises:
        OutOfStepError: the reply is no such entry, so it answers another question.
    """
    match = _ENTRY.fullmatch(reply)
    if match is None:
        raise OutOfStepError(
            "the error query was answered by something else",
            where=where,
            command=command,
            reply=reply,
            allowed='an entry such as 0,"No error"',
            todo='check the error query in the description; "entry" in it says how others are written',
        )
    return int(match.group(1)), match.group(2) or ""
