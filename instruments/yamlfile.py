"""YAML as plain text data that remembers where each value stood, and its way into a pydantic model.

Every scalar stays text until a model takes it: no "no" becomes False, no 010 becomes 8, no 1:30 becomes 90. Anchors,
aliases, tags and deep nesting are refused, so a file cannot grow in memory or name a Python object. All errors of a
file come at once, each with file, line, column, what is allowed, and the nearest right spelling.
"""

import contextlib
import copy
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from instruments.errors import InputError, nearest, shortened, to_write
from instruments.file_faults import first_causes, joined, misnamed, place_of, without_repeats
from instruments.meant_values import candidates, line_of, listed
from instruments.schema_keys import groups_at, keys_beside
from instruments.yaml_slips import no_yaml

__all__ = ["Document", "find", "load", "parse", "read"]

_LARGEST_BYTES = 1_000_000
_DEEPEST = 24
_LONGEST_SHOWN = 60  # of a corrected line
_MOST_TRIED = 6  # values that may be meant, each with the whole file
_MOST_CAUSES = 100  # each is looked up among the keys, and held against their spellings
# What YAML 1.2 does not take, 5.1 (from memory).
_NOT_YAML = re.compile(r"[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
# What a field takes, where pydantic would name Python's types.
_ALLOWED = {
    "string_type": "text on one line; in quotes if a colon and a blank stand in it",
    "int_parsing": "a whole number",
    "float_parsing": "a number",
    "bool_parsing": "true or false",
    "dict_type": 'a group of keys, each as "key: value"',
    "model_type": 'a group of keys, each as "key: value"',
    "tuple_type": 'a list, each item after "- "',
    "list_type": 'a list, each item after "- "',
}

_LISTS = {"tuple_type", "list_type"}
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d{1,2}(?!\d))")  # three digits may be thousands

Model = TypeVar("Model", bound=BaseModel)
Path_ = tuple[int | str, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """A YAML file as text data with the place of each value and each key.

    Of a value that another file put there `elsewhere` has its place, as file:line:column.
    """

    path: Path
    text: str
    content: Any
    places: dict[Path_, tuple[int, int]]
    elsewhere: dict[Path_, str] = field(default_factory=dict)

    def where(self, *path: int | str) -> str:
        """`file:line:column` of a value, or of the nearest thing around it that stands in the file."""
        steps: Path_ = path
        while steps and steps not in self.places and steps not in self.elsewhere:
            steps = steps[:-1]
        if steps in self.elsewhere:
            return self.elsewhere[steps]
        line, column = self.places.get(steps, (1, 1))
        return f"{self.path}:{line}:{column}"

    def with_value(self, path: Path_, value: Any, *, where: str) -> "Document":  # noqa: ANN401  content
        """The same with another value at a path, whose group must be there; `where` it is written."""
        content = copy.deepcopy(self.content)
        group = content
        for step in path[:-1]:
            group = group[step]
        group[path[-1]] = value
        places = {at: place for at, place in self.places.items() if at[: len(path)] != path}
        elsewhere = {at: place for at, place in self.elsewhere.items() if at[: len(path)] != path}
        return replace(self, content=content, places=places, elsewhere={**elsewhere, path: where})

    def into(self, model: type[Model]) -> Model:
        """The content as a model.

        Raises:
            InputError: with every fault of the file.
        """
        try:
            return model.model_validate(self.content, context={"folder": self.path.parent})
        except ValidationError as error:
            causes = first_causes(error.errors(include_url=False)[:_MOST_CAUSES])
            meant = misnamed(causes)
            deep = [self._real_path(each["loc"]) for each in causes]
            kept = [
                each
                for each, path in zip(causes, deep, strict=True)
                if (each["type"] != "missing" or each["loc"] not in meant.values())
                # A number may stand there too; what was written is the list, whose items are told.
                and (each["type"] != "int_type" or not any(other[:-1] == path for other in deep))
            ]
            before = {each["loc"] for each in error.errors(include_url=False)}
            lists, kept = self._whole_lists(kept, model, before)
            faults = [*lists, *(self._fault(details, model, meant, before) for details in kept)]
            more_n = error.error_count() - _MOST_CAUSES
            more = InputError(f"and {more_n} more errors", where=str(self.path), todo="correct these first")
            raise joined([*sorted(without_repeats(faults), key=place_of), *([more] if more_n > 0 else [])]) from error

    def _whole_lists(
        self, found: list[ErrorDetails], model: type[BaseModel], before: set[Path_]
    ) -> tuple[list[InputError], list[ErrorDetails]]:
        """One fault for each list with items that are meant otherwise, with its line; and what else is wrong."""
        items: dict[Path_, dict[int, ErrorDetails]] = {}
        for each in found:
            *around, last = self._real_path(each["loc"]) or ("",)
            if isinstance(last, int) and each.get("ctx", {}).get("meant"):
                items.setdefault(tuple(around), {})[last] = each
        faults, told = [], []
        for path, wrong in items.items():
            given = self._value(path)
            meant = [wrong[at]["ctx"]["meant"][0] if at in wrong else each for at, each in enumerate(given)]
            lines = self._lines(path, [meant], model, before) if len(wrong) > 1 else []
            if lines:
                what = wrong[min(wrong)]["ctx"]["what"].replace(f'"{given[min(wrong)]}"', "").strip()
                shown = listed([given[at] for at in sorted(wrong)])
                where = self.where(*path)
                faults.append(InputError(f"{_key(path)}: {shown}: each {what}", where=where, todo=to_write(lines)))
                told += list(wrong.values())
        return faults, [each for each in found if each not in told]

    def _lines(self, path: Path_, values: Sequence[Any], model: type[BaseModel], before: set[Path_]) -> list[str]:
        """The lines of those values that may stand at a path, so that nothing is wrong there nor newly elsewhere."""
        found = []
        for value in values[:_MOST_TRIED] if path else ():
            other = self.with_value(path, value, where="")
            try:
                model.model_validate(other.content, context={"folder": self.path.parent})
            except ValidationError as error:
                places = {each["loc"] for each in error.errors(include_url=False)}
                if places - before or any(other._real_path(each)[: len(path)] == path for each in places):  # noqa: SLF001
                    continue
            found.append(line_of(path, value))
        return [each for each in found if each]

    def _value(self, path: Path_) -> Any:  # noqa: ANN401  content
        here = self.content
        for step in path:
            here = here[step]
        return here

    def _fault(
        self, details: ErrorDetails, model: type[BaseModel], meant: dict[Path_, Path_], before: set[Path_]
    ) -> InputError:
        path = self._real_path(details["loc"])
        key = _key(path)
        label = f"{key}: " if key else ""
        context = details.get("ctx", {})
        kind = details["type"]
        if kind == "livezero":
            return InputError(
                label + str(context.get("what", details["msg"])),
                where=self.where(*path),
                allowed=str(context.get("allowed", "")),
                todo=to_write(self._lines(path, self._meant(details), model, before)) or str(context.get("todo", "")),
            )
        if kind == "extra_forbidden":
            word = str(path[-1]) if path else ""
            keys = keys_beside(model, path[:-1])
            guess = str(meant[details["loc"]][-1]) if details["loc"] in meant else nearest(word, keys)
            value = details["input"]
            is_shown = isinstance(value, str) and value and len(value) < _LONGEST_SHOWN
            line = f"{guess}: {_DECIMAL_COMMA.sub('.', value)}" if is_shown else guess
            return InputError(
                f'"{key}" is not a key here',
                where=self.where(*path),
                allowed=", ".join(keys),
                todo=f'write "{line}"'
                if guess
                else self._under_another(word, value, path[:-1], model) or "take it out",
            )
        if kind == "missing":
            around = _key(path[:-1])
            return InputError(
                f'"{details["loc"][-1]}" is missing' + (f" in {around}" if around else ""),
                where=self.where(*path[:-1]),
                todo="add it",
            )
        given = details["input"]
        shown = (
            f'"{shortened(given)}"'
            if isinstance(given, str)
            else "a list"
            if isinstance(given, (list, tuple))
            else "a group of keys"
            if isinstance(given, dict)
            else shortened(str(given))
        )
        told = details["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
        if kind == "too_short":
            told = f"at least {context['min_length']} in it"
        elif kind == "too_long":
            told = f"at most {context['max_length']} in it"
        allowed = str(context.get("expected", "")) or _ALLOWED.get(kind, told)
        if kind == "model_type" and (keys := keys_beside(model, path)):
            allowed += f": {', '.join(keys)}"
        choices = allowed.replace("'", "").replace(" or ", ", ").split(", ") if isinstance(given, str) else []
        lines = self._lines(path, candidates(given, kind, choices), model, before)
        is_whole = isinstance(given, dict) and kind == "value_error"  # each key may stand, but not beside the others
        return InputError(
            f"{label}the keys do not fit together" if is_whole else f"{label}{shown} cannot stand here",
            where=self.where(*path),
            allowed=allowed,
            todo=to_write(lines) or (_as_item(given) if kind in _LISTS else ""),
        )

    @staticmethod
    def _meant(details: ErrorDetails) -> Sequence[Any]:
        """What a parser says that may be meant; of a list, what it may be as a text."""
        return details.get("ctx", {}).get("meant") or candidates(details["input"], details["type"], [])

    def _under_another(self, word: str, value: Any, around: Path_, model: type[BaseModel]) -> str:  # noqa: ANN401
        """What to write where a key stands beside the group that it belongs to; "" where no group beside it has it."""
        here: Any = self.content
        for step in around:
            here = here[step]
        groups = [key for key in here if word in keys_beside(model, (*around, key))] if isinstance(here, dict) else []
        if not groups:
            lists = [key for key in keys_beside(model, around) if word in keys_beside(model, (*around, key, 0))]
            return f"under {' or '.join(lists)} {_as_item({word: value})}" if lists else ""
        if not isinstance(value, str):
            return ""
        given = here[groups[0]]
        needed = sorted({key for group in groups_at(model, (*around, groups[0])) for key in group.get("required", ())})
        first = f"{needed[0]}: {given}, " if isinstance(given, str) and len(needed) == 1 else ""
        return f'write it under {" or ".join(groups)}, as in "{groups[0]}: {{{first}{word}: {shortened(value)}}}"'

    def _real_path(self, loc: tuple[int | str, ...]) -> Path_:
        """The path of pydantic without the names of union members, which do not stand in the file."""
        path: list[int | str] = []
        here: Any = self.content
        for number, step in enumerate(loc):
            is_last = number == len(loc) - 1
            is_key = isinstance(here, dict) and isinstance(step, str) and step in here
            is_item = isinstance(here, list) and isinstance(step, int) and step < len(here)
            if is_key or is_item:
                here = here[step]
            elif not (is_last and isinstance(here, dict)):
                continue
            path.append(step)
        return tuple(path)


def _as_item(given: Any) -> str:  # noqa: ANN401  content
    """The line of a list that a group of one key is meant for; "" where it is no such thing."""
    if not isinstance(given, dict) or len(given) != 1:
        return ""
    ((key, value),) = given.items()
    shown = f" {shortened(value)}" if isinstance(value, str) and value else ""
    return f'write "- {key}:{shown}"'


def _key(path: Path_) -> str:
    """A path as people count: the first item of a list is 1."""
    return ".".join(str(step + 1) if isinstance(step, int) else step for step in path)


def read(path: Path) -> Document:
    """A YAML file as text data with places.

    Raises:
        InputError: missing, unreadable, too large, not UTF-8, not YAML, empty, a key given twice, or an anchor, alias,
            tag or nesting that a file of data does not need.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        raise InputError(
            f"cannot be read: {error.strerror}", where=str(path), todo="check the name and the folder"
        ) from error
    except ValueError as error:  # a NUL in the name
        raise InputError("is not the name of a file", where=str(path)) from error
    if len(raw) > _LARGEST_BYTES:
        raise InputError("is too large", where=str(path), allowed=f"at most {_LARGEST_BYTES} bytes")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError("is not UTF-8 text", where=f"{path}:{line}", todo="save it as UTF-8") from error
    return parse(text, path)


def parse(text: str, path: Path) -> Document:
    """As `read`, of a text that is already in memory; `path` is what errors name."""
    if alien := _NOT_YAML.search(text):
        line = text.count("\n", 0, alien.start()) + 1
        column = alien.start() - text.rfind("\n", 0, alien.start())
        raise InputError(
            f'holds the control character "{alien.group()}"', where=f"{path}:{line}:{column}", todo="take it out"
        )
    try:
        _refuse_what_is_not_data(text, path)
        root = yaml.compose(text, Loader=yaml.CBaseLoader)
    except yaml.MarkedYAMLError as error:
        said, line, column, todo = no_yaml(text, error)
        raise InputError(f"is not YAML: {said}", where=f"{path}:{line}:{column}", todo=todo) from error
    if root is None:
        raise InputError("is empty", where=str(path))
    places: dict[Path_, tuple[int, int]] = {}
    content = _content(root, (), places, path)
    return Document(path, text, content, places)


def _refuse_what_is_not_data(text: str, path: Path) -> None:
    depth = 0
    for event in yaml.parse(text, Loader=yaml.CBaseLoader):
        mark = event.start_mark
        place = f"{path}:{mark.line + 1}:{mark.column + 1}" if mark else str(path)
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise InputError("anchors and aliases are not used here", where=place, todo="write the value out")
        if getattr(event, "tag", None):
            raise InputError("tags are not used here", where=place, todo="take the tag out")
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
            if depth > _DEEPEST:
                raise InputError("is nested too deeply", where=place, allowed=f"at most {_DEEPEST} levels")
        elif isinstance(event, yaml.CollectionEndEvent):
            depth -= 1


def _content(node: yaml.Node, at: Path_, places: dict[Path_, tuple[int, int]], path: Path) -> Any:  # noqa: ANN401
    places.setdefault(at, (node.start_mark.line + 1, node.start_mark.column + 1))
    if isinstance(node, yaml.ScalarNode):
        return node.value
    if isinstance(node, yaml.SequenceNode):
        return [_content(item, (*at, number), places, path) for number, item in enumerate(node.value)]
    group: dict[str, Any] = {}
    for key_node, value_node in node.value:
        mark = key_node.start_mark
        place = f"{path}:{mark.line + 1}:{mark.column + 1}"
        if not isinstance(key_node, yaml.ScalarNode):
            raise InputError("a key must be a word", where=place)
        key = key_node.value
        if key in group:
            raise InputError(f'"{key}" is given twice', where=place, todo="keep one of them")
        places[(*at, key)] = (mark.line + 1, mark.column + 1)
        group[key] = _content(value_node, (*at, key), places, path)
    return group


def load(path: Path, model: type[Model]) -> Model:
    """A YAML file as a model; raises InputError with every fault of the file."""
    return read(path).into(model)


def find(name: str, *, what: str, folder: Path, beside: Path | None = None, where: str = "") -> Path:
    """A file by path, or by the name of one that comes with livezero.

    Args:
        name: as given, with or without ".yaml".
        what: what it should be, for the error, such as "bench file".
        folder: where those that come along lie.
        beside: folder that a path is taken from; None = the current one.
        where: place that named it; "" = the name itself.

    Raises:
        InputError: there is none; with the nearest name.
    """
    base = Path() if beside is None else beside
    for path in (base / name, folder / name, folder / f"{name}.yaml", base / f"{name}.yaml"):
        with contextlib.suppress(OSError, ValueError):  # a name too long for the disk, or with a NUL in it
            if path.is_file():
                return path
    known = sorted(path.stem for path in folder.glob("*.yaml"))
    guess = _beside(base, name) or nearest(Path(name).stem, known)
    raise InputError(
        f'there is no {what} "{shortened(name)}"',
        where=where or shortened(name),
        allowed=f"a path, or one that comes with livezero: {', '.join(known)}",
        todo="" if guess else "correct the name, or write one",
        meant=(guess,) if guess else (),
    )


def _beside(base: Path, name: str) -> str:
    """The file of the folder that a path leads to whose name is most like that of the path; "" if none is."""
    with contextlib.suppress(OSError, ValueError):
        names = sorted(path.name for path in (base / name).parent.glob("*.y*ml"))
        if near := nearest(Path(name).name, names):
            return str(Path(name).with_name(near))
    return ""
