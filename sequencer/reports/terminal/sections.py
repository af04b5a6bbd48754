"""A report made of sections as text for a terminal; the plots are left to the page."""

from dataclasses import replace

from instruments.texts import visible
from sequencer.reports.as_text import MINUS as LONG
from sequencer.reports.as_text import plain
from sequencer.reports.sections import Section, Told
from sequencer.reports.terminal.lines import MINUS, listed, wrapped

__all__ = ["sections_text"]

_LEAST_WIDE = 11  # a column of text: "conditional"
_MANY_COLUMNS = 6


def sections_text(told: Told, *, width: int = 80) -> str:
    """The answer on top, then what it rests on, then each section."""
    head = f"{told.answer}{' (SIMULATED BENCH)' if told.is_simulated else ''}: {told.largest}"
    lines = [*wrapped(head, width, then="  "), *listed(told.sentences, width, first="  - ", then="    ")]
    for section in told.sections:
        lines += [] if section.is_for_page else ["", *_section(section, width)]
    return "\n".join(lines).replace(LONG, MINUS)


def _section(section: Section, width: int) -> list[str]:
    lines = [section.title, *listed(section.sentences, width, first="  - ", then="    ")]
    if section.heads:
        lines += _table(section, width)
    return lines + listed(section.notes, width, first="  ", then="  ")


def _table(section: Section, width: int) -> list[str]:
    """Columns of text to the left, of numbers to the right; what is too wide for a line goes on beneath it.

    Where the last column of text would break its words it stands beneath each row, across the whole line.
    """
    cells = [list(map(plain, row)) for row in (section.heads, *section.rows)]
    wide = [max(map(len, column)) for column in zip(*cells, strict=True)]
    is_tight = 2 + sum(wide) + 2 * (len(wide) - 1) > width
    gap, indent = (" ", "") if is_tight and len(wide) > _MANY_COLUMNS else ("  ", "  ")
    last = section.texts_n - 1
    spare = width - len(indent) - sum(wide) - len(gap) * (len(wide) - 1)
    if spare < 0:  # the last column of text gives way
        wide[last] = max(wide[last] + spare, _LEAST_WIDE)
        if last and max(len(word) for row in cells for word in row[last].split() or [""]) > wide[last]:
            return _beneath(section, last, width)
    beneath = indent + " " * sum(each + len(gap) for each in wide[:last])
    lines = []
    for row in cells:
        parts = wrapped(row[last], wide[last])
        shown = [*row[:last], parts[0], *row[last + 1 :]]
        set_out = [
            each.ljust(size) if place <= last else each.rjust(size)
            for place, (each, size) in enumerate(zip(shown, wide, strict=True))
        ]
        lines += [visible((indent + gap.join(set_out)).rstrip()), *(visible(beneath + part) for part in parts[1:])]
    return lines


def _beneath(section: Section, last: int, width: int) -> list[str]:
    """A table whose last column of text stands beneath each row."""
    name, lines = plain(section.heads[last]), []
    heads, *rows = ((*row[:last], *row[last + 1 :]) for row in (section.heads, *section.rows))
    head, *shown = _table(replace(section, heads=heads, rows=rows, texts_n=last), width)
    if len(shown) != len(rows):  # a row of several lines: each is set by itself, and stays with its text
        shown = ["\n".join(_table(replace(section, heads=row, rows=(), texts_n=last), width)) for row in rows]
    for line, row in zip(shown, section.rows, strict=True):
        lines += [line, *wrapped(f"{name}: {row[last]}", width, first="    ", then="      ")]
    return [head, *lines]
