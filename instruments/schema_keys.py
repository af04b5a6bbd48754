"""Which keys may stand at a place of a file, by the JSON Schema of its model."""

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from pydantic import BaseModel

__all__ = ["groups_at", "keys_beside"]

Path_ = tuple[int | str, ...]


@lru_cache(maxsize=16)
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(by_alias=True)


def keys_beside(model: type[BaseModel], path: Path_) -> list[str]:
    """The keys that may stand in the group at a path."""
    return sorted({key for group in groups_at(model, path) for key in group.get("properties", {})})


def groups_at(model: type[BaseModel], path: Path_) -> list[dict[str, Any]]:
    """What may stand at a path, found by walking the model's own JSON Schema."""
    schema = _schema(model)
    definitions = schema.get("$defs", {})
    groups = [schema]

    def open_up(group: dict[str, Any]) -> Iterator[dict[str, Any]]:
        if "$ref" in group:
            yield from open_up(definitions[group["$ref"].rsplit("/", 1)[-1]])
            return
        yield group
        for member in (*group.get("anyOf", ()), *group.get("oneOf", ()), *group.get("allOf", ())):
            yield from open_up(member)

    for step in path:
        found = []
        for group in (opened for each in groups for opened in open_up(each)):
            if isinstance(step, int):
                found.append(group.get("items", {}))
            else:
                extra = group.get("additionalProperties")
                found.append(group.get("properties", {}).get(step) or (extra if isinstance(extra, dict) else {}))
        groups = found
    return [group for each in groups for group in open_up(each)]
