"""What the operator answered, and the picture that was shown with the question."""

from dataclasses import dataclass
from pathlib import Path

__all__ = ["Answer", "Picture"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture that belongs to a step: the file it is in, and what that holds."""

    path: Path
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the operator answered.

    Args:
        step: number of the step that asked.
        text: the question.
        answer: as typed; "yes" where something was confirmed.
        value: of a number, in `unit`; None = it is no number.
        unit: of it; "" = none.
        picture: what was shown with the question; None = nothing.
    """

    step: int
    text: str
    answer: str
    value: float | None = None
    unit: str = ""
    picture: Picture | None = None
