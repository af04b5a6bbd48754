"""The operator of a run that nobody attends."""

from instruments.errors import AbsentError
from instruments.roles import Question

__all__ = ["Nobody"]


class Nobody:
    """An operator of an unattended run: the run stops at the first question that it cannot do without."""

    def ask(self, question: Question) -> str:
        """Raise AbsentError with the question."""
        raise AbsentError(
            f"no operator is present to answer: {question.text}",
            todo="run at a terminal, or confirm the cautions with --confirm",
        )
