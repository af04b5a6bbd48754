"""What every model of a file that people write has in common. It opens no file."""

from collections.abc import Callable
from typing import Any, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict
from pydantic_core import PydanticCustomError

from instruments.errors import InputError

__all__ = ["FileModel", "as_field", "short_form"]


class FileModel(BaseModel):
    """Base of every model that people write: keys with blanks ("time constant"), nothing unknown, nothing changed."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        alias_generator=lambda name: name.rstrip("_").replace("_", " "),
        validate_by_name=False,
        validate_by_alias=True,
        arbitrary_types_allowed=True,
        str_strip_whitespace=True,
    )


def short_form(model: type[FileModel], key: str, values: Any = str) -> BeforeValidator:  # noqa: ANN401  a type
    """A text in place of a group of keys, where it can mean one of its keys only.

    Args:
        model: the group.
        key: that it means.
        values: texts that do, as a type; what is none of them is left to the model, which says what belongs there.
    """
    known = get_args(values)

    def validate(given: Any) -> Any:  # noqa: ANN401  whatever stands in the file
        is_short = isinstance(given, str) and given != "" and (not known or given in known)
        return {key: given} if is_short else given

    return BeforeValidator(validate, json_schema_input_type=values | model)


def as_field(parse: Callable[[str], Any]) -> BeforeValidator:
    """A parser of text that raises InputError, as a pydantic validator that keeps "allowed" and "todo" apart."""

    def validate(given: Any) -> Any:  # noqa: ANN401  pydantic hands over whatever stands in the file
        if not isinstance(given, str):
            if isinstance(given, (list, dict)):
                raise PydanticCustomError("livezero", "a list or a group of keys where one value belongs")
            return given
        try:
            return parse(given)
        except InputError as error:
            told = {"what": error.what, "allowed": error.allowed, "todo": error.todo, "meant": error.meant_in(given)}
            raise PydanticCustomError("livezero", "{what}", told) from error

    return BeforeValidator(validate)
