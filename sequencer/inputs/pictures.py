"""Pictures that steps show: read with the sequence, so that the record keeps what was seen."""

from collections.abc import Sequence
from pathlib import Path

from instruments.errors import InputError, shortened
from sequencer.inputs.answers import Picture
from sequencer.inputs.including import Taken
from sequencer.inputs.step import registry

__all__ = ["KINDS", "PICTURES", "pictures_of"]

PICTURES = "pictures"
"""Folder of the pictures, within the inputs that a record keeps."""
KINDS = {b"\x89PNG\r\n\x1a\n": "png", b"\xff\xd8\xff": "jpeg"}
"""What a picture may be, by how its file begins."""
_LARGEST_BYTES = 5_000_000  # it stands in the report


def pictures_of(steps: Sequence[Taken], *, kept: Path | None) -> dict[int, Picture]:
    """The picture of each step that shows one, by its number.

    Args:
        steps: in order.
        kept: folder of the inputs of a record, which has the pictures; None = each beside its sequence.

    Raises:
        InputError: a file is missing, too large, or no PNG or JPEG.
    """
    found = {}
    for number, each in enumerate(steps, start=1):
        name = registry()[each.name].picture(each.settings)
        if name:
            where = each.document.where("steps", each.index, each.name.replace("_", " "), "picture")
            path = each.document.path.parent / name
            if kept is not None:
                path = next(iter(sorted((kept / PICTURES).glob(f"{number}-*"))), kept / PICTURES / name)
            found[number] = Picture(path=path, data=_read(path, name, where))
    return found


def _read(path: Path, name: str, where: str) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "no name of a file"
        raise InputError(
            f'the picture "{shortened(name)}" cannot be read: {why}',
            where=where,
            todo="put it beside the sequence, or correct its name",
        ) from error
    if not data.startswith(tuple(KINDS)):
        raise InputError(f'"{shortened(name)}" is no picture', where=where, allowed="a PNG or JPEG file")
    if len(data) > _LARGEST_BYTES:
        raise InputError(
            f'the picture "{shortened(name)}" is too large', where=where, allowed=f"at most {_LARGEST_BYTES} bytes"
        )
    return data
