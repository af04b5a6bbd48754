"""SCPI as text on the side of the controller: numbers and their special values, entries of the error queue.

Source: SCPI-1999, volume 1, 7.2.1 (9.9E37 is infinity, 9.91E37 not a number) and 21.8 (error queue), from memory.
"""

import re

from instruments.errors import NoReadingError, OutOfStepError

__all__ = ["error_entry", "number", "reply_pattern"]

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:E[+-]?[0-9]+)?"
_ENTRY = re.compile(r"\s*([+-]?[0-9]{1,9})\s*(?:,\s*\"?(.*?)\"?\s*)?")
_LONGEST = 200


def reply_pattern(reply: str) -> re.Pattern[str]:
    """The pattern of a reply as a description writes it, "{value} RPM"; the value is its first group."""
    before, after = reply.split("{value}")
    blank = re.compile(r"\s+")
    start, end = (r"\s*".join(re.escape(part) for part in blank.split(text)) for text in (before, after))
    return re.compile(rf"\s*{start}\s*({_NUMBER}|[+-]?INF(?:INITY)?|NINF(?:INITY)?|NAN)\s*{end}\s*", re.IGNORECASE)


def number(reply: str, pattern: re.Pattern[str], *, where: str, command: str) -> float:
    """The number in a reply.

    Raises:
        NoReadingError: overload (9.9E37), not a number (9.91E37), empty, or not of the pattern.
    """
    if not reply.strip():
        raise NoReadingError("empty", where=where, command=command, reply=reply)
    match = pattern.fullmatch(reply) if len(reply) <= _LONGEST else None
    if match is None:
        raise NoReadingError("garbled", where=where, command=command, reply=reply)
    value = float(match.group(1).upper().replace("NINF", "-INF"))
    # Not-a-number first: 9.91E37 is larger than infinity as SCPI writes it.
    if value != value or 9.905e37 <= abs(value) <= 9.915e37:  # noqa: PLR0124  the plain test for NaN
        raise NoReadingError("not a number", where=where, command=command, reply=reply)
    if abs(value) >= 9.895e37:
        raise NoReadingError("overload", where=where, command=command, reply=reply)
    return value


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
            todo="check the error query in the description",
        )
    return int(match.group(1)), match.group(2) or ""
