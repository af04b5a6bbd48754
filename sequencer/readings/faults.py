"""All that is wrong with a table, told at once."""

from collections.abc import Iterable

from instruments.errors import ReadingsError

__all__ = ["raise_all"]

_MOST_ERRORS = 20


def raise_all(errors: Iterable[ReadingsError]) -> None:
    """Raise the errors of a table at once, those of one line in order; nothing where there is none."""
    found = list(errors)
    if not found:
        return
    first, *others = found[:_MOST_ERRORS]
    if len(found) > _MOST_ERRORS:
        others.append(ReadingsError(f"and {len(found) - _MOST_ERRORS} more errors"))
    raise ReadingsError(first.what, where=first.where, allowed=first.allowed, todo=first.todo, others=tuple(others))
