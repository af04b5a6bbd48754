"""What people write about a test: a sequence of steps, with the rule by which the unit is judged."""

from functools import lru_cache
from typing import Annotated, Any, Literal, cast

from pydantic import BeforeValidator, Field, create_model, field_validator, model_validator

from instruments.fields import FractionField
from instruments.filemodel import FileModel
from sequencer.inputs.decision_rules import DEFAULT_RULE, RULES
from sequencer.inputs.short_steps import entry_in_full, step_settings
from sequencer.inputs.step import registry

__all__ = ["INCLUDE", "Include", "SequenceFile", "sequence_model", "step_entry"]

INCLUDE = "include"
"""Key of an entry of `steps` in whose place the steps of another sequence stand."""


class SequenceFile(FileModel):
    """A sequence without its steps, which the registry adds (`sequence_model`)."""

    sequence: str = Field(min_length=1)
    type_sheet: str
    standard: Literal["IEC 61298-2:2008", "ISA-51.1-1979"] = "IEC 61298-2:2008"
    decision_rule: Literal[tuple(RULES)] = DEFAULT_RULE  # type: ignore[valid-type]  # data: the rules by name
    coverage: FractionField = Field(0.9545, gt=0.5, lt=1)
    cautions: tuple[str, ...] = ()
    settled_within: FractionField = Field(0.1, gt=0, le=1)
    if_never_settled: Literal["go on", "stop"] = "go on"
    retries: int = Field(2, ge=0, le=20)
    steps: tuple[Any, ...] = Field(min_length=1)


class Include(FileModel, extra="allow"):
    """Another sequence, by path or by name; each further key takes the place of that setting of its steps.

    Args:
        sequence: which.
        without: its steps of these names are not taken.
    """

    sequence: str = Field(min_length=1)
    without: tuple[str, ...] = ()

    @field_validator("without", mode="before")
    @classmethod
    def _one_is_a_list(cls, given: Any) -> Any:  # noqa: ANN401
        return [given] if isinstance(given, str) and given else given


def _named(given: Any) -> Any:  # noqa: ANN401  "- include: other.yaml"
    if given == "":
        raise ValueError("the path or name of a sequence, or a group of keys with it")
    return {"sequence": given} if isinstance(given, str) else given


@lru_cache(maxsize=2)
def step_entry(*, includes: bool = False) -> type[FileModel]:
    """The model of one entry of "steps": a key for each step that is registered, of which one is given.

    Args:
        includes: another sequence may stand there too.
    """
    fields: dict[str, Any] = {
        name: (Annotated[step.settings, step_settings(name.replace("_", " "), step)] | None, None)
        for name, step in registry().items()
    }
    if includes:
        fields[INCLUDE] = (Annotated[Include, BeforeValidator(_named)] | None, None)

    def exactly_one(entry: Any) -> Any:  # noqa: ANN401  the model made below
        if len(entry.model_fields_set) != 1:
            raise ValueError(f"exactly one step in each entry: {', '.join(fields)}")
        return entry

    return create_model(
        "StepEntry",
        __base__=FileModel,
        __validators__={
            "in_full": cast("Any", model_validator(mode="before")(entry_in_full)),
            "one": cast("Any", model_validator(mode="after")(exactly_one)),
        },
        **fields,
    )


@lru_cache(maxsize=1)
def sequence_model() -> type[SequenceFile]:
    """The model of a sequence file with a key for each step that is registered."""
    entry: Any = step_entry(includes=True)
    return create_model("Sequence", __base__=SequenceFile, steps=(tuple[entry, ...], Field(min_length=1)))
