"""Traverses below each other, each under a line that names its direction: "aufsteigend", rows, "absteigend", rows."""

from collections.abc import Sequence

from instruments.errors import ReadingsError
from sequencer.readings.heading_words import DOWN, UP, folded
from sequencer.readings.headings import Heading
from sequencer.readings.raw_table import Rows

__all__ = ["Titles", "directed", "titles_told", "without_titles"]

Titles = tuple[tuple[int, str, str], ...]
"""Line, text and way ("up", "down") of each title."""

_BESIDE = {
    "run",
    "traverse",
    "series",
    "cycle",
    "readings",
    "messung",
    "messreihe",
    "reihe",
    "lauf",
    "mesure",
    "mesures",
}
_LONGEST_TITLE = 40


def without_titles(rows: Rows) -> tuple[Rows, Titles]:
    """The rows without the titles of traverses, and these; as they are where fewer than two are there."""
    titles = tuple((line, text, way) for line, row in rows if (way := _way(text := _only_cell(row))))
    if len(titles) < 2:
        return rows, ()
    lines = {line for line, _, _ in titles}
    return [(line, row) for line, row in rows if line not in lines], titles


def directed(
    headings: Sequence[Heading], body: Rows, titles: Titles, *, path: str, read: set[int]
) -> tuple[list[Heading], Rows]:
    """Headings and rows with one more column, of the direction that the title above each row names.

    As they are where there is no title, or where a column names a direction itself.

    Args:
        headings: of the table.
        body: its rows.
        titles: above them and among them.
        path: of the file.
        read: columns of readings.

    Raises:
        ReadingsError: rows stand above the first title.
    """
    if any(each.way or each.meaning == "direction" for each in headings):
        return list(headings), body
    alone = ((line, text, _way(text)) for line, row in body if (text := _only_cell(row)) and _at(row) in read)
    found = titles or tuple(each for each in alone if each[2])
    if found and body[0][0] < found[0][0]:
        line, text, _ = found[0]
        raise ReadingsError(
            f'"{text}" stands above some rows, and nothing like it above those before',
            where=f"{path}:{line}",
            allowed="a line above each traverse, or a column of directions",
            todo='write "up" or "down" in a line above the rows of each traverse',
        )
    if not titles:
        return list(headings), body
    width = len(headings)
    rows = []
    for line, row in body:
        way = [way for at, _, way in titles if at < line][-1]
        rows.append((line, [*row[:width], *[""] * (width - len(row)), way]))
    return [*headings, Heading(written="direction", name="direction", unit="", meaning="direction")], rows


def titles_told(titles: Titles) -> str:
    """What the titles were taken for, in words."""
    words = {"up": "upscale", "down": "downscale"}
    return ", ".join(f'rows below "{text}" of line {line} = {words[way]}' for line, text, way in titles)


def _only_cell(row: Sequence[str]) -> str:
    """The text of a row that has no other cell; "" of every other row."""
    cells = [cell.strip() for cell in row if cell.strip()]
    return cells[0] if len(cells) == 1 and len(cells[0]) <= _LONGEST_TITLE else ""


def _at(row: Sequence[str]) -> int:
    return next(at for at, cell in enumerate(row) if cell.strip())


def _way(text: str) -> str:
    """The way that a title names, "" of a text that is none."""
    words = {word.strip(".:()") for word in folded(text).split()} - _BESIDE
    words = {word for word in words if word and not word.isdecimal()}
    return next((way for way, known in (("up", UP), ("down", DOWN)) if words and words <= known), "")
