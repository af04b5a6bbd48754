"""The template of a workshop: name and logo, language, columns and texts of its documents, a page of its own."""

import base64
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import Field

from instruments.errors import InputError
from instruments.filemodel import FileModel
from instruments.shipped import shipped
from instruments.yamlfile import find, read
from sequencer.documents.languages import Language, language
from sequencer.documents.order import Address

__all__ = ["COLUMNS", "Column", "Laboratory", "LoadedWorkshop", "Workshop", "load_workshop"]

Column = Literal[
    "setpoint", "direction", "input", "output", "ideal", "error", "error_pct", "U", "k", "tolerance", "used", "verdict",
    "sd", "n",
]  # fmt: skip
COLUMNS: tuple[str, ...] = get_args(Column)
_USUAL: tuple[Column, ...] = (
    "setpoint", "direction", "input", "output", "error", "error_pct", "U", "k", "used", "verdict",
)  # fmt: skip
_LARGEST_BYTES = 2_000_000
_KINDS = {b"\x89PNG\r\n\x1a\n": "png", b"\xff\xd8\xff": "jpeg"}


class Laboratory(Address):
    """The workshop as its documents name it."""

    accreditation: str = ""
    logo: str = ""


class Workshop(FileModel):
    """A template: `page` is an HTML page with places for the content (Jinja), left out: the supplied one."""

    template: str
    laboratory: Laboratory
    language: Literal["en", "de", "es"] = "en"
    columns: Annotated[tuple[Column, ...], Field(min_length=1)] = _USUAL
    texts: dict[str, str] = Field(default_factory=dict)
    notes: tuple[str, ...] = ()
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedWorkshop:
    """A template with what it names.

    Args:
        file: as written.
        language: with the workshop's own texts.
        logo: as a data URI; "" = none.
        page: path of its own page; None = the supplied one.
    """

    file: Workshop
    language: Language
    logo: str = ""
    page: Path | None = None


def load_workshop(name: str, *, code: str = "") -> LoadedWorkshop:
    """A template by path, or by the name of one that comes with livezero.

    Args:
        name: of it; "" = none, so the laboratory is not stated.
        code: language in place of its own; "" = its own.

    Raises:
        InputError: none of that name, a fault of its file, or a logo or page that cannot be read.
    """
    if not name:
        file = Workshop(template="", laboratory=Laboratory())
        return LoadedWorkshop(file=file, language=language(code or file.language))
    document = read(find(name, what="template", folder=shipped("sequences", "documents")))
    file = document.into(Workshop)
    folder = document.path.parent
    logo = _logo(folder / file.laboratory.logo, document.where("laboratory", "logo")) if file.laboratory.logo else ""
    page = folder / file.page if file.page else None
    if page is not None and not page.is_file():
        raise InputError(f'there is no page "{file.page}"', where=document.where("page"), todo="correct its name")
    spoken = language(code or file.language)
    # Texts of its own are in its own language.
    own = spoken.replaced(file.texts, where=document.where("texts")) if spoken.code == file.language else spoken
    return LoadedWorkshop(file=file, language=own, logo=logo, page=page)


def _logo(path: Path, where: str) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:
        raise InputError("the logo cannot be read", where=where, todo="put it beside the template") from error
    kind = next((each for head, each in _KINDS.items() if data.startswith(head)), "")
    if not kind and b"<svg" in data[:2000]:
        kind = "svg+xml"
    if not kind or len(data) > _LARGEST_BYTES:
        raise InputError(
            "the logo is no picture that can be shown",
            where=where,
            allowed=f"a PNG, JPEG or SVG of at most {_LARGEST_BYTES} bytes",
        )
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"
