"""Lines of a terminal: text from outside cleaned, wrapped to a width, set in columns, painted."""

import textwrap
from collections.abc import Iterable, Sequence

from instruments.texts import visible
from sequencer.reports.as_text import plain

__all__ = ["MINUS", "aligned", "hanging", "listed", "painted", "wrapped"]

MINUS = "-"


def painted(text: str, code: str, *, colour: bool) -> str:
    """A text in a colour (the numbers of an escape sequence), if colour is wanted."""
    return f"\x1b[{code}m{text}\x1b[0m" if colour else text


def wrapped(text: str, width: int, *, first: str = "", then: str = "") -> list[str]:
    """Text from outside, cleaned and cut into lines; a word longer than a line is cut too."""
    return textwrap.wrap(plain(text), width, initial_indent=first, subsequent_indent=then, break_on_hyphens=False) or [
        first.rstrip()
    ]


def listed(texts: Iterable[str], width: int, *, first: str = "", then: str = "") -> list[str]:
    """Each text as `wrapped` does it."""
    return [line for text in texts for line in wrapped(text, width, first=first, then=then)]


def aligned(rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Cells to the right in columns, with as much room between them as there is."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    gap = " " * max(1, min(3, (width - sum(widths)) // max(len(widths) - 1, 1)))
    lines = [gap.join(cell.rjust(wide) for cell, wide in zip(row, widths, strict=True)).rstrip() for row in rows]
    return [visible(line)[:width] for line in lines]


def hanging(label: str, text: str, width: int) -> list[str]:
    """A label and its text; further lines of the text stand under its first. Blanks at the front of the text stay."""
    if len(label) + len(text) <= width:
        return [visible(label + text)]
    return wrapped(text, width, first=label, then=" " * len(label))
