"""A report made of sections: an answer, sentences, tables and plots, shown alike on a page and on a terminal.

What is judged over many records is told in this form; numbers are text already, with the real minus sign. It computes
no figure.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from sequencer.reports import words
from sequencer.reports.page import page

__all__ = ["Section", "Told", "html"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One part of a report.

    Attributes:
        title: its heading.
        heads: of the columns of its table; () = no table. Those of text end in nothing, those of numbers are in
            `numbers`.
        rows: of the table, as many cells as heads.
        texts_n: how many columns from the left are text; the others are numbers, set to the right.
        plots: SVG, for the page alone.
        sentences: before the table.
        notes: behind it, in small.
        is_for_page: the page alone has it.
    """

    title: str
    heads: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    texts_n: int = 1
    plots: Sequence[str] = ()
    sentences: Sequence[str] = ()
    notes: Sequence[str] = ()
    is_for_page: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A whole report.

    Attributes:
        answer: a word or two.
        largest: what it rests on, in a line.
        is_good: True as it should be, False not, None = nothing is judged, or it cannot be.
        sentences: beneath the answer.
        sections: in order.
        is_simulated: a record is of a simulated bench.
    """

    answer: str
    largest: str
    is_good: bool | None
    sentences: Sequence[str]
    sections: Sequence[Section]
    is_simulated: bool = False


def html(told: Told, *, title: str) -> str:
    """The report as one self-contained page, without script or external resource."""
    return page(
        "sections.html.j2",
        c=told,
        title=title,
        plots=[[Markup(each) for each in section.plots] for section in told.sections],  # noqa: S704  they escape texts
        simulated=words.SIMULATED,
        caution=words.CAUTION,
    )
