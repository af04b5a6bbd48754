"""Several units served in turn: each as soon as it is due, none waiting for another that is not.

A visit is a generator: it does what is to be done at its unit now, and yields until when it has nothing to do, or that
what follows can wait. So a unit that still moves is looked at before one that has settled is read, which would hold up
the line; and one that settles late is waited for while the others are read.
"""

import math
from collections.abc import Generator, Sequence
from typing import TypeAlias, TypeVar

from instruments.clock import Clock

__all__ = ["AT_LEISURE", "Turns", "in_turn"]

T = TypeVar("T")
Turns: TypeAlias = Generator[float, None, T]
"""Yields the time, on the clock of the bench, from which it is to be served again; returns what became of it."""

AT_LEISURE = math.inf
"""Yielded in place of a time: what follows is done once no other is due."""


def in_turn(clock: Clock, visits: Sequence[Turns[T]]) -> list[T]:
    """Serve visits until each is over; returns what each returned, in order.

    Args:
        clock: of the bench; waited on while none is due.
        visits: one a unit.
    """
    waiting = dict(enumerate(visits))
    due_s = dict.fromkeys(waiting, clock.now())
    ended: dict[int, T] = {}
    while waiting:
        due = [number for number in waiting if due_s[number] <= clock.now()]
        if not due:
            due = [number for number in waiting if due_s[number] == AT_LEISURE][:1]
        if not due:
            clock.sleep(min(due_s[number] for number in waiting) - clock.now())
        for number in due:
            try:
                due_s[number] = next(waiting[number])
            except StopIteration as stop:
                ended[number] = stop.value
                del waiting[number]
    return [ended[number] for number in range(len(visits))]
