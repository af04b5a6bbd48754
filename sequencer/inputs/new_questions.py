"""What is asked for a new file, and how an answer is checked and written."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import yaml

from instruments.errors import InputError, nearest
from instruments.units import canonical, quantity

__all__ = ["Answers", "Kind", "Question", "one_of", "scalar", "time_", "unit", "whole", "words"]

Answers = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked for a file.

    Attributes:
        key: of the option, and of the answer.
        text: of the question.
        usual: the answer where none is given.
        check: raises InputError where an answer cannot stand.
        is_asked: whether the answers before leave it open.
        fits: raises InputError where it does not fit the answers before.
        usual_beside: the usual answer beside those before, where that is another one.
    """

    key: str
    text: str
    usual: str = ""
    check: Callable[[str], object] = str
    is_asked: Callable[[Answers], bool] = lambda _: True
    fits: Callable[[str, Answers], object] = lambda _, __: None
    usual_beside: Callable[[Answers], str] | None = None

    @property
    def option(self) -> str:
        """The option that answers it."""
        return f"--{self.key.replace(' ', '-')}"

    def beside(self, answers: Answers) -> "Question":
        """The same beside the answers before: what is usual there, checked against them."""

        def check(given: str) -> None:
            self.check(given)
            self.fits(given, answers)

        return replace(self, usual=self.usual_beside(answers) if self.usual_beside else self.usual, check=check)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of file: its questions in order, and its text from their answers."""

    questions: tuple[Question, ...]
    text: Callable[[Answers], str]


def one_of(*choices: str) -> Callable[[str], object]:
    """A check that takes one of some words."""

    def check(given: str) -> None:
        if given not in choices:
            guess = nearest(given, choices)
            raise InputError(
                f'"{given}" cannot stand here', allowed=", ".join(choices), todo=f'write "{guess}"' if guess else ""
            )

    return check


def whole(low: int, high: int) -> Callable[[str], object]:
    """A check that takes a whole number between two, both among them."""

    def check(given: str) -> None:
        if not (given.isdecimal() and low <= int(given) <= high):
            raise InputError(f'"{given}" cannot stand here', allowed=f"a whole number from {low} to {high}")

    return check


def words(given: str) -> None:
    """Takes whatever is not blank."""
    if not given.strip():
        raise InputError("it has no name", todo="give it one")


def time_(given: str) -> object:
    """Takes a time."""
    return quantity(given, like="s")


def unit(given: str) -> object:
    """Takes a unit."""
    return canonical(given)


def scalar(text: str, *, in_list: bool = False) -> str:
    """A text as YAML writes it: bare where it may, also in a list in brackets, else quoted."""
    given = [text] if in_list else text
    written = yaml.safe_dump(given, default_flow_style=True, allow_unicode=True, width=10_000).removesuffix("...\n")
    plain = written.strip().removeprefix("[").removesuffix("]") if in_list else written.strip()
    return f'"{text}"' if plain.startswith("'") and '"' not in text and "\\" not in text else plain
