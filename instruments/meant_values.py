"""What may be meant by a value that cannot stand in a file: a number in words, a word cut short, a list for a text."""

from typing import Any

from instruments.errors import nearest

__all__ = ["candidates", "line_of", "listed"]

_NUMBERS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
_LONGEST_LINE = 200
_RANGE_N = 3  # two ends and a unit


def candidates(given: Any, kind: str, choices: list[str]) -> list[Any]:  # noqa: ANN401  content
    """Values that may be meant, to be tried.

    Args:
        given: as it stands in the file.
        kind: of the fault, as pydantic names it.
        choices: texts that may stand there; empty = others may, too.
    """
    if isinstance(given, str):
        if kind == "int_parsing":
            return [str(_NUMBERS.index(word))] if (word := given.strip().casefold()) in _NUMBERS else []
        found = nearest(given, choices) or _abbreviated(given, choices)
        return [found] if found else []
    if isinstance(given, list) and all(isinstance(each, str) for each in given):
        if len(given) == _RANGE_N:
            return [f"{given[0]} .. {given[1]} {given[2]}"]
        return [" .. ".join(given)] if given else []
    return []


def line_of(path: tuple[int | str, ...], value: Any) -> str:  # noqa: ANN401
    """The line of a value, as it would be written in a file; "" where it is no line."""
    if not isinstance(value, (str, list)):
        return ""
    shown = f"[{', '.join(value)}]" if isinstance(value, list) else value
    line = f"{path[-1]}: {shown}" if path and isinstance(path[-1], str) else shown
    return line if len(line) <= _LONGEST_LINE else ""


def listed(shown: list[str], most: int = 3) -> str:
    """Some of the items of a list, in quotes."""
    more = f" and {len(shown) - most} more" if len(shown) > most else ""
    return ", ".join(f'"{each}"' for each in shown[:most]) + more


def _abbreviated(word: str, choices: list[str]) -> str:
    """The one choice that has the letters of a word in order, the first of them first: "sqrt" of "square root"."""
    letters = word.casefold()
    found = [each for each in choices if each[:1].casefold() == letters[:1] and _holds_in_order(each, letters)]
    return found[0] if len(found) == 1 and len(letters) > 1 else ""


def _holds_in_order(text: str, letters: str) -> bool:
    rest = iter(text.casefold())
    return all(letter in rest for letter in letters)
