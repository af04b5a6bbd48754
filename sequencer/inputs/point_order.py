"""Orders in which the points of a traverse are taken, other than up and down. It knows no settings.

An order without up and down keeps apart what rises with the input and what rises with time: going up once, a drift
and a slope are one and the same.
"""

from random import Random

__all__ = ["bit_reversed", "shuffled"]


def bit_reversed(points_n: int) -> tuple[int, ...]:
    """The indices 0 .. points_n - 1 in the order of van der Corput's sequence to base 2: 0, 1/2, 1/4, 3/4, 1/8 ...

    Each new point falls into the middle of a gap, so that at any time the range is covered about evenly. Of a count
    that is no power of two the indices beyond are left out.

    Source: J. G. van der Corput, Verteilungsfunktionen, 1935 (from memory).
    """
    digits_n = max(points_n - 1, 1).bit_length()
    reversed_ = (int(f"{number:0{digits_n}b}"[::-1], 2) for number in range(2**digits_n))
    return tuple(each for each in reversed_ if each < points_n)


def shuffled(points_n: int, *, seed: int, cycle: int) -> tuple[int, ...]:
    """The indices 0 .. points_n - 1 in a random order that is the same whenever seed and cycle are.

    Python keeps `random()` the same from version to version, but not its shuffling: so the indices are sorted by it.
    """
    random = Random(f"{seed} {cycle}")  # noqa: S311  no secret
    keys = [random.random() for _ in range(points_n)]
    return tuple(sorted(range(points_n), key=keys.__getitem__))
