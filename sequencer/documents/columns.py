"""How wide the columns of a table are on paper: no word and no number is broken, and long texts share what is left."""

import math
import re
from dataclasses import dataclass
from typing import Any

__all__ = ["size_of", "widths"]

_LETTER_EM = 0.48  # mean width of a letter, on the wide side


def size_of(columns_n: int) -> tuple[float, float]:
    """Size of the letters of a table, and room beside a cell, in points: the more columns, the less."""
    sizes = ((18, 6.0, 2.0), (13, 7.0, 2.0), (9, 8.0, 3.0))
    return next(((size, beside) for least, size, beside in sizes if columns_n > least), (8.6, 3.5))


@dataclass(slots=True)
class _Column:
    """Letters that a column needs: at least, so that no word and no number is broken, and for its longest line."""

    least_n: int = 2
    line_n: int = 2


def widths(
    rows: list[list[dict[str, Any]]], head_n: int, *, size_pt: float, beside_pt: float, width_pt: float
) -> list[list[float]]:
    """Width of each column as [points, parts of what is left], by what the cells of the rows need.

    Where not every line fits, each column has what its words and numbers need, and those with longer lines share the
    rest.
    """
    columns = _measured(rows, head_n)

    def wide(letters_n: int) -> float:
        return _LETTER_EM * size_pt * letters_n + 2 * beside_pt

    if sum(wide(each.line_n) for each in columns) <= width_pt:
        return [[0, wide(each.line_n)] for each in columns]
    longer = [each.line_n - each.least_n for each in columns]
    left_pt = width_pt - sum(wide(each.least_n) for each in columns)
    if left_pt <= 0 or not any(longer):
        return [[0, wide(each.least_n)] for each in columns]
    parts = [math.sqrt(each) for each in longer]
    return [[wide(each.least_n) + left_pt * part / sum(parts), 0] for each, part in zip(columns, parts, strict=True)]


def _measured(rows: list[list[dict[str, Any]]], head_n: int) -> list[_Column]:
    """What each column needs; a cell over several columns counts for none. A head may be broken at blanks."""
    found = [_Column() for _ in range(max((sum(cell["columns"] for cell in row) for row in rows), default=0))]
    covered: dict[int, int] = {}  # column: rows that a cell above still takes
    for number, row in enumerate(rows):
        column = 0
        taken = set(covered)
        covered = {at: left - 1 for at, left in covered.items() if left > 1}
        for cell in row:
            while column in taken:
                column += 1
            if cell["columns"] == 1 and column < len(found):
                lines = _lines(cell["runs"])
                words_n = max((len(word) for each in lines for word in re.split(r"[\s\u200b]+", each)), default=0)
                lines_n = max(map(len, lines), default=0)
                is_whole = cell["is_number"] and number >= head_n
                found[column].least_n = max(found[column].least_n, lines_n if is_whole else words_n)
                found[column].line_n = max(found[column].line_n, words_n if number < head_n else lines_n)
            if cell["rows"] > 1:
                covered |= dict.fromkeys(range(column, column + cell["columns"]), cell["rows"] - 1)
            column += cell["columns"]
    for each in found:
        each.line_n = max(each.line_n, each.least_n)
    return found


def _lines(runs: list[dict[str, Any]]) -> list[str]:
    """The lines of a cell that it is broken into by itself."""
    lines = [""]
    for run in runs:
        if run.get("is_break"):
            lines.append("")
        else:
            lines[-1] += run["text"]
    return lines
