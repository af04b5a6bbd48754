"""Some steps of a sequence, and not all: by number or name."""

from collections.abc import Iterable
from dataclasses import replace

from instruments.errors import InputError, nearest
from sequencer.inputs.files import LoadedSequence

__all__ = ["left_out_words", "named_steps", "selected"]


def named_steps(sequence: LoadedSequence, numbers: Iterable[int]) -> str:
    """Steps as they are called: "1 exercise, 4 dead band"."""
    return ", ".join(f"{number} {sequence.all_steps[number - 1].name.replace('_', ' ')}" for number in sorted(numbers))


def left_out_words(sequence: LoadedSequence) -> str:
    """The steps that are not taken, as they are called; "" if all are."""
    return named_steps(sequence, sequence.left_out)


def selected(sequence: LoadedSequence, *, only: str = "", first: str = "") -> LoadedSequence:
    """The sequence with some of its steps left out.

    Args:
        sequence: with all of them.
        only: the steps to take, by number or name, with commas between; a name stands for all steps of that name.
        first: the step to begin with, by number or name.

    Raises:
        InputError: there is no such step, or several of the name to begin with; with the steps that there are.
    """
    all_numbers = set(range(1, len(sequence.all_steps) + 1))
    taken = set(all_numbers)
    if only.strip():
        asked = [each.strip() for each in only.split(",") if each.strip()]
        taken = {number for each in asked for number in _numbers(sequence, each, where="--only")}
    if first.strip():
        found = _numbers(sequence, first.strip(), where="--from")
        if len(found) > 1:
            raise InputError(
                f'there are {len(found)} steps "{first.strip()}"',
                where="--from",
                allowed=named_steps(sequence, all_numbers),
                todo="give the number of one of them",
            )
        taken &= set(range(found[0], len(all_numbers) + 1))
    if not taken:
        raise InputError(
            "no step is left", where="--only and --from", allowed=named_steps(sequence, all_numbers), todo="take one"
        )
    return replace(sequence, left_out=frozenset(all_numbers - taken))


def _numbers(sequence: LoadedSequence, asked: str, *, where: str) -> list[int]:
    """The steps that a number or a name stands for."""
    names = [each.name.replace("_", " ") for each in sequence.all_steps]
    word = asked.replace("_", " ").casefold()
    found = [number for number, name in enumerate(names, start=1) if word in {name, str(number)}]
    if not found:
        guess = nearest(word, sorted(set(names)))
        raise InputError(
            f'there is no step "{asked}"',
            where=where,
            allowed=named_steps(sequence, range(1, len(names) + 1)),
            todo=f'write "{guess}"' if guess else "give a number or a name of these",
        )
    return found
