"""Ask: the operator does something and confirms it, or answers with a number or a line of text."""

from base64 import b64encode
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal, Self

from pydantic import Field, model_validator

from instruments.fields import UnitField
from instruments.filemodel import FileModel
from sequencer.inputs.answers import Answer, Picture
from sequencer.inputs.pictures import KINDS
from sequencer.inputs.step import Seen, Setpoint, Step
from sequencer.reports.terminal.lines import listed

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["STEP", "Ask", "AskSettings"]

ASKED = "ask"
"""Role of a question."""


class AskSettings(FileModel):
    """What is asked, with which picture beside it, and how it is answered.

    `output: off`, the default, has the source at its safe level and off meanwhile, so that nobody works on terminals
    that are driven; `on` leaves it as it stands.
    """

    text: str = Field(min_length=1, max_length=2000)
    picture: str = ""
    answer: Literal["yes", "number", "text"] = "yes"
    unit: UnitField | None = None
    output: Literal["off", "on"] = "off"

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if self.unit is not None and self.answer != "number":
            raise ValueError('"unit" beside "answer: number"')
        return self


class Ask(Step):
    """Asks through the operator of the run. What is confirmed is asked again when a run is gone on with."""

    settings = AskSettings
    shortened_to = ("text",)
    roles = (ASKED,)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """One visit that goes nowhere."""
        assert isinstance(settings, AskSettings)
        return (
            Setpoint(
                frac=0.0,
                role=ASKED,
                direction="",
                cycle=1,
                point=0,
                readings_n=0,
                is_still=True,
                is_off=settings.output == "off",
                ask=settings.text,
                answer=settings.answer,
                unit=settings.unit or "",
            ),
        )

    def picture(self, settings: FileModel) -> str:
        """The picture that is shown."""
        assert isinstance(settings, AskSettings)
        return settings.picture

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """The question, how it is answered, and where the output stands."""
        first = setpoints[0]
        unit = f" in {first.unit}" if first.unit else ""
        output = "safe level and off meanwhile" if first.is_off else "output as it stands"
        return f'"{first.ask}" ({first.answer}{unit}; {output})'

    def evaluate(self, seen: Seen) -> tuple[Answer, ...]:
        """The answers."""
        return seen.answers

    def terminal(self, results: tuple[Answer, ...], width: int) -> list[str]:
        """Question and answer."""
        return ["", "answers of the operator", *listed(map(_said, results), width, first="  ", then="    ")]

    def html(self, results: tuple[Answer, ...]) -> str:
        """The same, with the pictures."""
        from markupsafe import Markup  # noqa: PLC0415  only where a page is made

        parts = [Markup("<h2>Answers of the operator</h2>")]
        for each in results:
            parts.append(Markup("<p>{}</p>").format(_said(each)))
            if each.picture is not None:
                parts.append(_figure(each.picture))
        return Markup("\n").join(parts)

    def json(self, results: tuple[Answer, ...]) -> list[dict[str, Any]]:
        """The same; a picture by the name of its file."""
        return [
            {"step": each.step, "text": each.text, "answer": each.answer, "value": each.value, "unit": each.unit}
            | {"picture": each.picture.path.name if each.picture else None}
            for each in results
        ]


def _said(found: Answer) -> str:
    has_unit = any(each.isalpha() or each in "%°" for each in found.answer)
    return f"{found.text} {found.answer}{f' {found.unit}' if found.unit and not has_unit else ''}"


def _figure(shown: Picture) -> "Markup":
    from markupsafe import Markup  # noqa: PLC0415

    name = shown.path.name
    kind = next((name for begin, name in KINDS.items() if shown.data.startswith(begin)), "")
    if not kind:  # it was changed since
        return Markup('<p class="note">{} is no picture any more</p>').format(name)
    image = Markup('<img src="data:image/{};base64,{}" alt="{}" style="max-width:100%">')
    shown_there = image.format(kind, b64encode(shown.data).decode(), name)
    return Markup("<figure>{}<figcaption>{}</figcaption></figure>").format(shown_there, name)


STEP = Ask()
