"""Several units served in turn: the one that has been due for longest first, none waiting for another that is not.

A visit is a generator: it does what is to be done at its unit now, and yields until when it has nothing to do. So a
unit that has settled is read while it is connected, and one that settles late is waited for while the others are read.
"""

from collections.abc import Generator, Sequence
from typing import TypeAlias, TypeVar

from instruments.clock import Clock

__all__ = ["Turns", "in_turn"]

T = TypeVar("T")
Turns: TypeAlias = Generator[float, None, T]
"""Yields the time, on the clock of the bench, from which it is to be served again; returns what became of it."""


def in_turn(clock: Clock, visits: Sequence[Turns[T]], beside: Sequence[Turns[None]] = ()) -> list[T]:
    """Serve visits until each is over; returns what each returned, in order.

    Args:
        clock: of the bench; waited on while none is due.
        visits: one a unit.
        beside: what else is served, at once when it is due, as long as any visit is not over.
    """
    waiting: dict[int, Turns[T] | Turns[None]] = dict(enumerate([*visits, *beside]))
    due_s = dict.fromkeys(waiting, clock.now())
    ended: dict[int, T] = {}
    while len(ended) < len(visits):
        now_s = clock.now()
        number = min(waiting, key=lambda each: (each < len(visits) or due_s[each] > now_s, due_s[each]))
        clock.sleep(due_s[number] - clock.now())
        try:
            due_s[number] = next(waiting[number])
        except StopIteration as stop:
            del waiting[number]
            if number < len(visits):
                ended[number] = stop.value
    return [ended[number] for number in range(len(visits))]
