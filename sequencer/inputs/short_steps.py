"""Steps written shorter than asked for: `wait: 5 min`, `traverse: 5 points`, a name alone.

Accepted where one thing only can be meant; where several can, the error shows what to write for each.
"""

import re
from typing import Any

from pydantic import BeforeValidator, ValidationError
from pydantic_core import PydanticCustomError

from instruments.errors import shortened
from instruments.filemodel import FileModel
from sequencer.inputs.step import Step, registry

__all__ = ["entry_in_full", "in_full", "step_settings"]

_COUNTED = re.compile(r"(\d+) +([a-z ]+)")  # "5 points"


def entry_in_full(entry: Any) -> Any:  # noqa: ANN401  whatever stands in the file
    """An entry of "steps" with its settings as a group of keys; as it is where that is not clear."""
    if isinstance(entry, str) and _step(entry) is not None:  # "- exercise"
        return {entry: {}}
    if isinstance(entry, dict) and len(entry) == 1:
        ((name, given),) = entry.items()
        step = _step(name)
        return {name: in_full(step, given)} if step is not None else entry
    return entry


def in_full(step: Step, given: Any) -> Any:  # noqa: ANN401  whatever stands in the file
    """The settings of a step as a group of keys; as they are where that is not clear."""
    if given == "":  # "- exercise:" with nothing after it
        return {}
    keys = _meant(step, given)
    return keys[0] if len(keys) == 1 else given


def step_settings(name: str, step: Step) -> BeforeValidator:
    """The validator in front of the settings of a step."""

    def validate(given: Any) -> Any:  # noqa: ANN401  whatever stands in the file
        found = in_full(step, given)
        if isinstance(found, (str, list)) and (keys := _meant(step, given)):
            lines = [f'"{name}: {_flow(each)}"' for each in keys]
            shown = f'"{shortened(given)}"' if isinstance(given, str) else "a list"
            raise PydanticCustomError(
                "livezero",
                "{what}",
                {
                    "what": f"{shown} may mean {len(keys)} things",
                    "allowed": 'a group of keys, each as "key: value"',
                    "todo": f"write {' or '.join(lines)}",
                },
            )
        return found

    return BeforeValidator(validate)


def _step(name: Any) -> Step | None:  # noqa: ANN401
    return registry().get(name.replace(" ", "_")) if isinstance(name, str) else None


def _meant(step: Step, given: Any) -> list[dict[str, Any]]:  # noqa: ANN401
    """The groups of keys that a value alone may stand for."""
    if isinstance(given, str) and (counted := _COUNTED.fullmatch(given.strip())) is not None:
        number, word = counted.groups()
        keys = {field.alias or name for name, field in step.settings.model_fields.items()}
        if named := keys & {word, f"{word}s"}:
            return [{key: number} for key in named]
    if not isinstance(given, (str, list)):
        return []
    groups: list[dict[str, Any]] = [{key: given} for key in step.shortened_to]
    if isinstance(given, list):
        groups = [group for group in groups if _is_list(step.settings, group)]
    return groups if len(groups) < 2 else [group for group in groups if _is_taken(step.settings, group)]


def _is_taken(settings: type[FileModel], group: dict[str, Any]) -> bool:
    """Whether the value of a key is one that it can have, whatever else is missing."""
    try:
        settings.model_validate(group)
    except ValidationError as error:
        return all(each["type"] == "missing" for each in error.errors(include_url=False))
    return True


def _is_list(settings: type[FileModel], group: dict[str, Any]) -> bool:
    """Whether a key takes a list, be it with other items."""
    try:
        settings.model_validate(group)
    except ValidationError as error:
        return any(any(isinstance(part, int) for part in each["loc"]) for each in error.errors(include_url=False))
    return True


def _flow(group: dict[str, Any]) -> str:
    """A group of one key on a line."""
    ((key, value),) = group.items()
    return f"{{{key}: {'[' + ', '.join(map(str, value)) + ']' if isinstance(value, list) else value}}}"
