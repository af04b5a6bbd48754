"""Any page of ours as a PDF, typeset on A4: one look for reports, batches, comparisons and what else is a page."""

import json
import tempfile
from pathlib import Path
from typing import Any

from instruments.errors import InputError
from instruments.texts import visible
from sequencer.documents.blocks import blocks, breakable, parsed
from sequencer.documents.extra import needed
from sequencer.documents.foot import Foot

__all__ = ["pdf"]

_TEMPLATE = Path(__file__).with_name("page.typ")
_WIDTH_PT = {False: 493.0, True: 740.0}  # of the text on A4, upright and across, with 18 mm at each side


def pdf(page: str, foot: Foot) -> bytes:
    """A page of ours (HTML) as a PDF, with its foot on each page.

    Raises:
        InputError: the typesetter is not installed, or a picture of the page cannot be read.
    """
    typst = needed("typst", what="a PDF")
    root, drawings = parsed(page)
    is_landscape = "size: A4 landscape" in page
    content, pictures = blocks(root, drawings, width_pt=_WIDTH_PT[is_landscape])
    content = [each for each in content if not _is_banner(each, foot.banner)]
    data = {
        "title": next((node.text for node in root.each("title")), "livezero"),
        "language": foot.language,
        "banner": _line(foot.banner),
        "foot": [_line(each) for each in foot.lines],
        "page": foot.page,
        "is_landscape": is_landscape,
        "blocks": content,
    }
    files = {"main": _TEMPLATE.read_bytes(), "data.json": json.dumps(data).encode()}
    files |= {each.name: each.data for each in pictures}
    with tempfile.TemporaryDirectory() as nothing:  # what a page asks for beyond these files is not there
        try:
            made: bytes = typst.compile(files, root=nothing, format="pdf", timestamp=0)
        except typst.TypstError as error:
            raise InputError(
                f"the page cannot be typeset: {str(error).splitlines()[0]}",
                todo="look at the pictures and the logo that it shows; the HTML page has all of it",
            ) from error
    return made


def _line(text: str) -> str:
    return breakable(visible(" ".join(text.split())))


def _is_banner(block: dict[str, Any], banner: str) -> bool:
    """True for what the page says on its first screen alone, and paper on each page."""
    said = "".join(run.get("text", "") for run in block.get("runs", ()))
    return block.get("look") == "banner" and bool(banner) and said == banner
