"""Channel lists by SCPI-1999: text to single channels, and channels to a list as it is sent. It knows no scanner.

Volume 1, 8.3.2: numbers, ranges ("4:6"), channels of several dimensions ("2!3"), ranges of these, in which the last
dimension runs fastest and each runs between its own ends, and channels of a module by its name ("relays(1:4)"). A path
by a name of its own is not understood: what it connects stands in the instrument alone.
"""

import itertools
import re

from instruments.errors import InputError, shortened

__all__ = ["as_list", "channels_of"]

_MOST = 10_000
_SPEC = re.compile(r"[0-9]{1,9}(?:![0-9]{1,9}){0,3}")
_MODULE = re.compile(r"([A-Za-z][A-Za-z0-9_]{0,11})\(([^()]*)\)")
_FORM = 'such as 101, "101, 105", "101:116", "2!3", "relays(1:4)", or the same as (@101:116)'


def channels_of(text: str) -> tuple[str, ...]:
    """The channels of a list in order, each as it is written alone: "101", "2!3", "relays(4)".

    Args:
        text: with or without "(@" and ")" about it.

    Raises:
        InputError: it is no channel list, names a channel twice, or more than 10 000.
    """
    bare = text.strip()
    if bare.startswith("(@") and bare.endswith(")"):
        bare = bare[2:-1]
    found: list[str] = []
    for part in _parts(bare, text):
        module = _MODULE.fullmatch(part)
        if module is None:
            found += _expanded(part, text)
        else:
            found += [f"{module[1]}({each})" for inner in module[2].split(",") for each in _expanded(inner, text)]
        if len(found) > _MOST:
            raise _refused(text, f"names more than {_MOST} channels")
    twice = next((each for each in found if found.count(each) > 1), None) if len(found) < 1000 else None
    if twice is not None or len(set(found)) < len(found):
        raise _refused(text, f"names channel {twice} twice" if twice else "names a channel twice")
    return tuple(found)


def as_list(channels: tuple[str, ...]) -> str:
    """The channels as they stand between "(@" and ")", one by one: not every scanner takes ranges."""
    return ",".join(channels)


def _parts(bare: str, text: str) -> list[str]:
    """Cut at the commas outside of brackets."""
    parts = [part.strip() for part in re.split(r",(?![^()]*\))", bare)]
    if not all(parts):
        raise _refused(text, "is no channel list")
    return parts


def _expanded(part: str, text: str) -> list[str]:
    first, colon, last = (each.strip() for each in part.partition(":"))
    ends = [first, last] if colon else [first]
    if not all(_SPEC.fullmatch(each) for each in ends):
        raise _refused(text, f'is no channel list: "{shortened(part.strip())}"')
    if not colon:
        return [first]
    low, high = ([int(each) for each in end.split("!")] for end in ends)
    if len(low) != len(high):
        raise _refused(text, f'has a range between channels of {len(low)} and {len(high)} dimensions, "{part}"')
    # Downwards too: the order is that in which they are written (8.3.2, from memory).
    axes = [range(a, b + 1) if a <= b else range(a, b - 1, -1) for a, b in zip(low, high, strict=True)]
    size = 1
    for axis in axes:
        size *= len(axis)
    if size > _MOST:
        raise _refused(text, f"names more than {_MOST} channels")
    return ["!".join(map(str, each)) for each in itertools.product(*axes)]


def _refused(text: str, what: str) -> InputError:
    todo = "write the channels as the scanner numbers them"
    return InputError(f'"{shortened(text)}" {what}', allowed=_FORM, todo=todo)
