"""Type sheets and sequences from their files: the one module of `inputs` that opens any."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from instruments.errors import InputError, to_write
from instruments.filemodel import FileModel
from instruments.shipped import shipped
from instruments.yamlfile import Document, find, read
from sequencer.inputs.answers import Picture
from sequencer.inputs.including import Including, Taken
from sequencer.inputs.pictures import pictures_of
from sequencer.inputs.sequence_file import SequenceFile, sequence_model
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["LoadedSequence", "load_sequence", "load_type_sheet", "steps_in"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSequence:
    """A sequence with the type sheet it names, and the places of both for later errors.

    Args:
        document: of the sequence.
        file: the same; the steps of what it includes are not among its own.
        sheet_document: of the type sheet.
        sheet: the same.
        all_steps: in order, those of included sequences in place.
        included: the sequences that are included, each as often as it is, in the order in which they were read.
        included_cautions: what these list.
        pictures: of steps that show one, by number.
        left_out: numbers of the steps that are not to be taken.
    """

    document: Document
    file: SequenceFile
    sheet_document: Document
    sheet: TypeSheet
    all_steps: tuple[Taken, ...]
    included: tuple[Document, ...] = ()
    included_cautions: tuple[str, ...] = ()
    pictures: Mapping[int, Picture] = field(default_factory=dict)
    left_out: frozenset[int] = frozenset()

    def steps(self) -> Iterator[tuple[int, str, FileModel]]:
        """Number (from 1), name and settings of each step that is to be taken, in order."""
        for number, each in enumerate(self.all_steps, start=1):
            if number not in self.left_out:
                yield number, each.name, each.settings

    def where_step(self, number: int, *path: int | str) -> str:
        """file:line:column of a step, or of a value of its settings."""
        each = self.all_steps[number - 1]
        return each.document.where("steps", each.index, each.name.replace("_", " "), *path)


def steps_in(path: Path, *, kept: Path) -> Iterator[tuple[int, str, FileModel]]:
    """Number, name and settings of each step of a sequence, without its type sheet; raises InputError.

    Args:
        path: of the sequence.
        kept: folder of the inputs of a record, which has what it includes.
    """
    document = read(path.resolve())
    for number, each in enumerate(Including(document, document.into(sequence_model()), kept=kept).steps, start=1):
        yield number, each.name, each.settings


def load_type_sheet(name: str, *, beside: Path | None = None) -> tuple[TypeSheet, Document]:
    """A type sheet by path, or by the name of one that comes with livezero.

    Raises:
        InputError: none of that name, or every fault of its file.
    """
    document = read(find(name, what="type sheet", folder=shipped("sequences", "types"), beside=beside))
    return document.into(TypeSheet), document


def load_sequence(name: str, *, sheet: str = "", kept: Path | None = None) -> LoadedSequence:
    """A sequence by path, or by the name of one that comes with livezero, and the type sheet it names.

    Args:
        name: of the sequence.
        sheet: type sheet to take in place of the one that the sequence names; "" = that one.
        kept: folder of the inputs of a record, which has what it includes and shows; None = where it names them.

    Raises:
        InputError: none of that name, or every fault of its file; then those of what it includes and its type sheet.
    """
    path = find(name, what="sequence", folder=shipped("sequences"))
    document = read(path)
    file: SequenceFile = document.into(sequence_model())
    found = Including(document, file, kept=kept)
    sheets = _sheet_of(document, file, sheet)
    return LoadedSequence(
        document=document,
        file=file,
        all_steps=tuple(found.steps),
        included=tuple(found.documents),
        included_cautions=tuple(dict.fromkeys(found.cautions)),
        pictures=pictures_of(found.steps, kept=kept),
        **sheets,
    )


def _sheet_of(document: Document, file: SequenceFile, sheet: str) -> dict[str, Any]:
    beside = None if sheet else document.path.parent
    try:
        found, sheet_document = load_type_sheet(sheet or file.type_sheet, beside=beside)
    except InputError as error:
        if error.where != file.type_sheet:
            raise
        todo = to_write([f"type sheet: {each}" for each in error.meant]) or error.todo
        raise InputError(error.what, where=document.where("type sheet"), allowed=error.allowed, todo=todo) from error
    return {"sheet_document": sheet_document, "sheet": found}
