"""What stands on each page of paper: whose it is, of when, which record proves it."""

from dataclasses import dataclass

from sequencer.diagnosis.result import Content
from sequencer.reports.as_text import date
from sequencer.reports.words import SIMULATED

__all__ = ["Foot", "foot_of", "line"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Foot:
    """What stands on each page.

    Args:
        lines: at the left of its foot, such as serial, date and digest.
        banner: on top, what must not be overlooked; "" = nothing.
        page: the number of the page, with {n} and {m} of all.
        language: of the text, ISO 639-1.
    """

    lines: tuple[str, ...] = ()
    banner: str = ""
    page: str = "page {n} of {m}"
    language: str = "en"


def line(*parts: str) -> str:
    """Parts on one line, without those that are empty."""
    return " · ".join(each for each in parts if each)


def foot_of(content: Content) -> Foot:
    """The foot of the pages of a record, or of readings taken by hand."""
    digest = f"SHA-256 {content.digest}" if content.digest else "not sealed"
    altered = "ALTERED since it was sealed" if content.alterations else ""
    return Foot(
        lines=(
            line(content.serial or "no serial", content.state, date(content.date), content.type),
            line(digest, altered) if content.folder else "readings taken by hand, no record",
        ),
        banner=SIMULATED if content.is_simulated else "",
    )
