"""What comes along with livezero: named, copied, and described as JSON Schema."""

from pathlib import Path
from typing import Any

from instruments.benchmodel import BenchFile
from instruments.certificate import Certificate
from instruments.description import DESCRIPTIONS, Description
from instruments.errors import InputError
from instruments.filemodel import FileModel
from instruments.shipped import shipped
from instruments.yamlfile import read
from sequencer.documents.order import Order
from sequencer.documents.workshop import Workshop
from sequencer.inputs.sequence_file import sequence_model
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["BENCHES", "copy_shipped", "schema", "shipped_names"]

_DOCUMENTS = shipped("sequences", "documents")
BENCHES = Path(__file__).resolve().parents[2] / "instruments" / "benches"


def shipped_names() -> dict[str, dict[str, str]]:
    """Name and title of everything that is supplied: sequences, type sheets, benches, instruments, templates."""
    folders = {
        "sequences": (shipped("sequences"), "sequence"),
        "type sheets": (shipped("sequences", "types"), "type"),
        "benches": (BENCHES, "bench"),
        "instruments": (DESCRIPTIONS, "instrument"),
        "templates": (_DOCUMENTS, "template"),
    }
    titles = {
        kind: {path.stem: str(read(path).content.get(key, "")) for path in sorted(folder.glob("*.yaml"))}
        for kind, (folder, key) in folders.items()
    }
    return titles | {"templates": {name: title for name, title in titles["templates"].items() if title}}


def copy_shipped(folder: Path) -> tuple[Path, ...]:
    """Copy sequences, type sheets, benches, instrument descriptions and templates; nothing is overwritten.

    Raises:
        InputError: a file of that name is there already, or the folder cannot be written.
    """
    pairs = [(path, folder / path.name) for path in sorted(shipped("sequences").glob("*.yaml"))]
    pairs += [(path, folder / "types" / path.name) for path in sorted(shipped("sequences", "types").glob("*.yaml"))]
    pairs += [(path, folder / "benches" / path.name) for path in sorted(BENCHES.glob("*.yaml"))]
    pairs += [(path, folder / "instruments" / path.name) for path in sorted(DESCRIPTIONS.glob("*.yaml"))]
    pairs += [(path, folder / "documents" / path.name) for path in sorted(_DOCUMENTS.iterdir())]
    there = [target for _, target in pairs if target.exists()]
    if there:
        raise InputError("is there already", where=str(there[0]), todo="name a new folder; nothing is overwritten")
    try:
        for source, target in pairs:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(source.read_bytes())
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(folder)) from error
    return tuple(target for _, target in pairs)


def schema(kind: str) -> dict[str, Any]:
    """JSON Schema of a kind of file: "sequence", "type", "bench", "instrument", "certificate", "order", "template"."""
    models: dict[str, type[FileModel]] = {
        "sequence": sequence_model(),
        "type": TypeSheet,
        "bench": BenchFile,
        "instrument": Description,
        "certificate": Certificate,
        "order": Order,
        "template": Workshop,
    }
    found = models[kind].model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"livezero {kind}"} | {
        key: value for key, value in found.items() if key != "title"
    }
