"""Sequences within a sequence: the steps of each in the place of its `include`, with settings of its own if it has any.

Only steps and cautions of an included sequence are taken. Type sheet, decision rule and all else are those of the
sequence that was asked for.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from instruments.errors import InputError, nearest
from instruments.filemodel import FileModel
from instruments.shipped import shipped
from instruments.yamlfile import Document, find, read
from sequencer.inputs.sequence_file import INCLUDE, Include, SequenceFile, sequence_model
from sequencer.inputs.short_steps import entry_in_full
from sequencer.inputs.step import registry

__all__ = ["INCLUDED", "Including", "Taken"]

INCLUDED = "included"
"""Folder of what is included, within the inputs that a record keeps."""

_MOST_FILES = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """One step: its name, its settings, and where it stands: which entry (from 0) of the steps of which file."""

    name: str
    settings: FileModel
    document: Document
    index: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Override:
    """A setting that takes the place of the one of the steps: as it stands in a file, and where."""

    value: object
    where: str


class Including:
    """All steps of a sequence.

    Args:
        document: of the sequence.
        file: the same.
        kept: folder of the inputs that a record keeps; None = each is where it is named.

    Attributes:
        steps: in order.
        documents: what was included, in the order in which it was read.
        cautions: of these.

    Raises:
        InputError: what is included is missing, faulty, includes itself, or no step has a setting that is given.
    """

    def __init__(self, document: Document, file: SequenceFile, *, kept: Path | None) -> None:
        self.steps: list[Taken] = []
        self.documents: list[Document] = []
        self.cautions: list[str] = []
        self._kept = kept
        self._take(document, file, trail=(document.path,), inherited={})

    def _take(
        self, document: Document, file: SequenceFile, *, trail: tuple[Path, ...], inherited: Mapping[str, _Override]
    ) -> None:
        for index, entry in enumerate(file.steps):
            (name,) = entry.model_fields_set
            found = getattr(entry, name)
            if isinstance(found, Include):
                self._include(found, document, index, trail=trail, inherited=inherited)
            else:
                self.steps.append(Taken(name=name, settings=found, document=document, index=index))

    def _include(
        self,
        named: Include,
        document: Document,
        index: int,
        *,
        trail: tuple[Path, ...],
        inherited: Mapping[str, _Override],
    ) -> None:
        at = ("steps", index, INCLUDE)
        where = document.where(*at)
        if len(self.documents) >= _MOST_FILES:
            raise InputError("too many sequences are included", where=where, allowed=f"at most {_MOST_FILES}")
        path = self._path(named.sequence, document, where)
        if any(path.resolve() == each.resolve() for each in trail):
            way = " which includes ".join(f'"{each.name}"' for each in (*trail, path))
            raise InputError(f"a sequence cannot include itself: {way}", where=where, todo="take one of them out")
        own = {
            key: _Override(value=value, where=document.where(*at, key))
            for key, value in (named.model_extra or {}).items()
        }
        first = len(self.steps)
        inner = _overridden(read(path), {**own, **inherited})
        self.documents.append(inner)
        file: SequenceFile = inner.into(sequence_model())
        self.cautions += file.cautions
        self._take(inner, file, trail=(*trail, path), inherited={**own, **inherited})
        self.steps[first:] = _without(named, self.steps[first:], where=where)
        _refuse_what_no_step_has(own, self.steps[first:])

    def _path(self, name: str, document: Document, where: str) -> Path:
        if self._kept is None:
            return find(name, what="sequence", folder=shipped("sequences"), beside=document.path.parent, where=where)
        number = len(self.documents) + 1
        path = next(iter(sorted((self._kept / INCLUDED).glob(f"{number}-*.yaml"))), None)
        if path is None:
            raise InputError(
                f'the record does not keep "{name}", which is included', where=where, todo="put it back from a copy"
            )
        return path


def _settings_of(entry: object) -> tuple[str, set[str]]:
    """Name and settings of a step as it stands in a file; "" and none of what is no step, which its model refuses."""
    if isinstance(entry, dict) and len(entry) == 1:
        name = next(iter(entry))
        step = registry().get(str(name).replace(" ", "_"))
        if step is not None and isinstance(entry[name], dict):
            return name, _keys(step.settings)
    return "", set()


def _keys(settings: type[FileModel]) -> set[str]:
    return {field.alias or name for name, field in settings.model_fields.items()}


def _overridden(document: Document, overrides: Mapping[str, _Override]) -> Document:
    """The document with settings of its steps in place of its own."""
    steps = document.content.get("steps") if isinstance(document.content, dict) else None
    for index, entry in enumerate(steps if isinstance(steps, list) else ()):
        full = entry_in_full(entry)
        name, keys = _settings_of(full)
        meant = {key: override for key, override in overrides.items() if key in keys}
        if meant:
            full = _without_usual(full, name)
        if meant and full != entry:
            document = document.with_value(("steps", index), full, where=document.where("steps", index))
        for key, override in meant.items():
            document = document.with_value(("steps", index, name, key), override.value, where=override.where)
    return document


def _without_usual(entry: dict[str, dict[str, object]], name: str) -> dict[str, dict[str, object]]:
    """A step without the settings that say what is usual anyway: they contradict nothing that is put beside them."""
    fields = registry()[name.replace(" ", "_")].settings.model_fields
    usual = {field.alias or each: str(field.default) for each, field in fields.items()}
    return {name: {key: value for key, value in entry[name].items() if str(value) != usual.get(key)}}


def _without(named: Include, steps: list[Taken], *, where: str) -> list[Taken]:
    """The steps of what is included that are wanted; raises InputError for a name that none of them has, or all."""
    unwanted = [each.strip().replace(" ", "_") for each in named.without]
    names = list(dict.fromkeys(each.name for each in steps))
    for name in unwanted:
        if name not in names:
            guess = nearest(name, names)
            raise InputError(
                f'what is included has no step "{name.replace("_", " ")}" to leave out',
                where=where,
                allowed=", ".join(names).replace("_", " "),
                todo=f'write "{guess.replace("_", " ")}"' if guess else "take it out",
            )
    left = [each for each in steps if each.name not in unwanted]
    if not left:
        raise InputError("no step of what is included is left", where=where, todo="leave the include out")
    return left


def _refuse_what_no_step_has(overrides: Mapping[str, _Override], steps: list[Taken]) -> None:
    keys = sorted({key for each in steps for key in _keys(type(each.settings))})
    faults = [
        InputError(
            f'no step of what is included has the setting "{key}"',
            where=override.where,
            allowed=", ".join(keys),
            todo=f'write "{guess}"' if (guess := nearest(key, keys)) else "take it out",
        )
        for key, override in overrides.items()
        if key not in keys
    ]
    if faults:
        first, *others = faults
        raise InputError(first.what, where=first.where, allowed=first.allowed, todo=first.todo, others=tuple(others))
