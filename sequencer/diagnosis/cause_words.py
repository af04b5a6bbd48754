"""Names of causes, and how sure they are, in the words of every report."""

from collections.abc import Sequence

__all__ = ["LIKELY", "NAMED_N", "SURE", "either", "known_as", "percent"]

SURE, LIKELY = 0.9, 0.5
NAMED_N = 3
"""So many causes of one place are named, at most."""


def known_as(names: Sequence[str]) -> str:
    """Causes that are not distinguishable as a noun, at most a few of them."""
    if names[0] == "unknown":
        return "a cause that is not in the catalogue"
    return either([*names[:NAMED_N], *(["others"] if len(names) > NAMED_N else [])])


def percent(weight: float) -> str:
    """A probability as it is shown."""
    return "over 99 %" if weight > 0.99 else f"{100 * weight:.0f} %"


def either(names: Sequence[str]) -> str:
    """Names in a row: "a, b or c"."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
