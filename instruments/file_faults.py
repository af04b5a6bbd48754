"""The faults of a file as pydantic finds them: without those that only follow from others, in order of their places."""

import re

from pydantic_core import ErrorDetails

from instruments.errors import InputError, nearest

__all__ = ["first_causes", "joined", "misnamed", "place_of", "without_repeats"]

Path_ = tuple[int | str, ...]


def first_causes(found: list[ErrorDetails]) -> list[ErrorDetails]:
    """Without lists that are too short only because their items were refused."""
    places = [each["loc"] for each in found]
    return [
        each
        for each, at in zip(found, places, strict=True)
        if each["type"] != "too_short" or not any(other[: len(at)] == at and other != at for other in places)
    ]


def misnamed(found: list[ErrorDetails]) -> dict[Path_, Path_]:
    """Keys that are none, and the one that is missing beside each, where a word says that it is meant."""
    missing = [each["loc"] for each in found if each["type"] == "missing"]
    meant: dict[Path_, Path_] = {}
    for each in found:
        at = each["loc"]
        if each["type"] == "extra_forbidden":
            beside = [key for key in missing if key[:-1] == at[:-1] and _is_meant(str(at[-1]), str(key[-1]))]
            if len(beside) == 1:
                meant[at] = beside[0]
    return meant


def _is_meant(word: str, key: str) -> bool:
    """Whether a key was meant by a word that is one of its own ("type" of "type sheet"), or nearly the key."""
    words = set(re.split(r"[\s_-]+", word.casefold()))
    return words <= set(key.split()) or nearest(word, [key]) == key


def without_repeats(faults: list[InputError]) -> list[InputError]:
    """One fault a place and text: the members of a union repeat each other."""
    seen: dict[tuple[str, str], InputError] = {}
    for fault in faults:
        seen.setdefault((fault.where, fault.what), fault)
    return list(seen.values())


def place_of(fault: InputError) -> tuple[int, ...]:
    """Line and column; an option of the command has none, and comes first."""
    return tuple(int(part) for part in fault.where.split(":")[-2:] if part.isdecimal())


def joined(faults: list[InputError]) -> InputError:
    """One error of them all; at least one."""
    first, *others = faults
    return InputError(first.what, where=first.where, allowed=first.allowed, todo=first.todo, others=tuple(others))
