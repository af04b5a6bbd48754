"""Type sheets and sequences from their files: the one module of `inputs` that opens any."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from instruments.errors import InputError
from instruments.filemodel import FileModel
from instruments.shipped import shipped
from instruments.yamlfile import Document, find, read
from sequencer.inputs.sequence_file import SequenceFile, sequence_model
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["LoadedSequence", "load_sequence", "load_type_sheet"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSequence:
    """A sequence with the type sheet it names, and the places of both for later errors."""

    document: Document
    file: SequenceFile
    sheet_document: Document
    sheet: TypeSheet

    def steps(self) -> Iterator[tuple[int, str, FileModel]]:
        """Number (from 1), name and settings of each step, in order."""
        for number, entry in enumerate(self.file.steps, start=1):
            (name,) = entry.model_fields_set
            yield number, name, getattr(entry, name)


def load_type_sheet(name: str, *, beside: Path | None = None) -> tuple[TypeSheet, Document]:
    """A type sheet by path, or by the name of one that comes with livezero.

    Raises:
        InputError: none of that name, or every fault of its file.
    """
    document = read(find(name, what="type sheet", folder=shipped("sequences", "types"), beside=beside))
    return document.into(TypeSheet), document


def load_sequence(name: str, *, sheet: str = "") -> LoadedSequence:
    """A sequence by path, or by the name of one that comes with livezero, and the type sheet it names.

    Args:
        name: of the sequence.
        sheet: type sheet to take in place of the one that the sequence names; "" = that one.

    Raises:
        InputError: none of that name, or every fault of its file; then those of its type sheet.
    """
    path = find(name, what="sequence", folder=shipped("sequences"))
    document = read(path)
    file: SequenceFile = document.into(sequence_model())
    try:
        found, sheet_document = load_type_sheet(sheet or file.type_sheet, beside=None if sheet else path.parent)
    except InputError as error:
        if error.where != file.type_sheet:
            raise
        raise InputError(
            error.what, where=document.where("type sheet"), allowed=error.allowed, todo=error.todo
        ) from error
    return LoadedSequence(document=document, file=file, sheet_document=sheet_document, sheet=found)
