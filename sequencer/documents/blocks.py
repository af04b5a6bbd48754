"""A page of ours (HTML) as blocks that a typesetter takes: headings, paragraphs, lists, tables, facts, boxes, pictures.

It knows the few elements that our pages are made of, and none of their style sheets: `page.typ` gives each its look.
Text stays text all the way, so nothing from outside is ever read as a command.
"""

import base64
import binascii
import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from itertools import groupby
from typing import Any

from sequencer.documents.columns import size_of, widths

__all__ = ["Node", "Picture", "blocks", "breakable", "parsed"]

_VOID = {"meta", "br", "img", "link", "hr", "input"}
_UNSEEN = {"style", "script", "title", "head"}
_INLINE = {"b", "strong", "i", "em", "small", "span", "a", "br", "code"}
_SVG = re.compile(r"<svg\b.*?</svg>", re.DOTALL)
_FONT = re.compile(r'font-family="[^"]*"')
_DATA = re.compile(r"data:image/(png|jpeg|svg\+xml|gif|webp);base64,(.*)", re.DOTALL)
_HEADINGS = {"h1": 1, "h2": 2, "h3": 3}
_OUR_FONT = 'font-family="Libertinus Serif"'
_LOOKS = ("verdict", "answer", "banner", "do", "sender", "signatures", "note", "why", "but", "end", "cause")
_MARKS = ("beyond", "near", "out", "worst")  # of a cell
_LONGEST_IN_LINE, _LONGEST_IN_TITLE, _LONGEST_IN_CELL = (
    66,
    34,
    26,
)  # letters of a word that are not broken: a digest fits a line


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture or drawing of a page, as the file that the typesetter reads."""

    name: str
    data: bytes


@dataclass(slots=True)
class Node:
    """An element: its name, attributes, and what stands in it, text or elements."""

    name: str
    attributes: dict[str, str] = field(default_factory=dict)
    inside: "list[Node | str]" = field(default_factory=list)

    @property
    def classes(self) -> frozenset[str]:
        """Words of its class."""
        return frozenset(self.attributes.get("class", "").split())

    def each(self, *names: str) -> "Iterator[Node]":
        """The elements of these names in it, outermost first, not those inside of one."""
        for part in self.inside:
            if isinstance(part, Node):
                if part.name in names:
                    yield part
                else:
                    yield from part.each(*names)

    @property
    def text(self) -> str:
        """All text in it, blanks as one."""
        return " ".join("".join(part if isinstance(part, str) else part.text for part in self.inside).split())


class _Reader(HTMLParser):
    """Elements as they nest; what is left open is closed with what is around it."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Node("page")
        self._open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        node = Node(tag, {name: value or "" for name, value in attrs})
        self._open[-1].inside.append(node)
        if tag not in _VOID:
            self._open.append(node)

    def handle_endtag(self, tag: str) -> None:
        if any(node.name == tag for node in self._open[1:]):
            while self._open.pop().name != tag:
                pass

    def handle_data(self, data: str) -> None:
        self._open[-1].inside.append(data)


def parsed(page: str) -> tuple[Node, list[str]]:
    """The elements of a page, and its drawings (SVG); an element `drawing` stands for each, by its number."""
    drawings: list[str] = []

    def taken(found: re.Match[str]) -> str:
        drawings.append(_FONT.sub(_OUR_FONT, found[0]))
        look = "sign" if 'class="sign"' in found[0][:80] else ""
        return f'<drawing class="{look}" number="{len(drawings) - 1}"></drawing>'

    reader = _Reader()
    reader.feed(_SVG.sub(taken, page))
    reader.close()
    return reader.root, drawings


def blocks(root: Node, drawings: list[str], *, width_pt: float) -> tuple[list[dict[str, Any]], tuple[Picture, ...]]:
    """The blocks of a page, in order, and the pictures that they name; `width_pt` is that of the text."""
    made = _Blocks(drawings, width_pt)
    return list(made.of(root)), tuple(made.pictures)


@dataclass(frozen=True, slots=True)
class _Blocks:
    drawings: list[str]
    width_pt: float
    pictures: list[Picture] = field(default_factory=list)

    def of(self, node: Node) -> Iterator[dict[str, Any]]:
        """What stands in an element, as blocks; text and inline elements in a row are one paragraph."""
        row: list[Node | str] = []
        for part in node.inside:
            is_title = isinstance(part, Node) and part.name == "b" and "do" in node.classes
            if not is_title and (isinstance(part, str) or part.name in _INLINE):
                row.append(part)
                continue
            yield from self._paragraph(row)
            row = []
            if is_title:
                yield from self._paragraph([part])
            elif isinstance(part, Node) and part.name not in _UNSEEN:
                yield from self._block(part)
        yield from self._paragraph(row)

    def _paragraph(self, row: list[Node | str], *, kind: str = "") -> Iterator[dict[str, Any]]:
        runs = _runs(row, is_cell=True) if kind == "why" else _runs(row)
        if runs:
            yield {"kind": "paragraph", "look": kind, "runs": runs}

    def _block(self, node: Node) -> Iterator[dict[str, Any]]:
        if node.name in _HEADINGS:
            yield {"kind": "heading", "level": _HEADINGS[node.name], "runs": _runs(node.inside, is_title=True)}
        elif node.name == "table":
            yield _table(node, self.width_pt)
        elif node.name in {"ul", "ol"}:
            items = [list(self.of(item)) for item in node.each("li")]
            yield {"kind": "list", "is_ordered": node.name == "ol", "look": _look(node), "items": items}
        elif node.name == "dl":
            yield from _defined(node)
        elif node.name in {"drawing", "img"}:
            yield from self._picture(node)
        elif node.name in {"p", "figcaption"}:
            yield from self._paragraph(node.inside, kind=_look(node) or ("note" if node.name == "figcaption" else ""))
        elif node.name == "div" and _look(node):
            yield {"kind": "box", "look": _look(node), "blocks": list(self.of(node))}
        else:
            yield from self.of(node)

    def _picture(self, node: Node) -> Iterator[dict[str, Any]]:
        """A picture that stands in the page itself; another one cannot, since a page of ours names none."""
        if node.name == "drawing":
            svg = _drawable(self.drawings[int(node.attributes["number"])])
            yield self._pictured("svg", svg.encode("utf-8", "replace"), look=node.attributes["class"])
            return
        found = _DATA.match(node.attributes.get("src", ""))
        if found:
            kind = {"jpeg": "jpg", "svg+xml": "svg"}.get(found[1], found[1])
            with contextlib.suppress(binascii.Error, ValueError):
                raw = base64.b64decode(re.sub(r"\s", "", found[2]), validate=True)
                yield self._pictured(kind, raw, look="logo" if "logo" in node.classes else "")

    def _pictured(self, kind: str, data: bytes, *, look: str) -> dict[str, Any]:
        self.pictures.append(Picture(f"picture-{len(self.pictures)}.{kind}", data))
        return {"kind": "picture", "look": look, "name": self.pictures[-1].name}


def _drawable(svg: str) -> str:
    """A drawing as a file of its own: with the name space that a page does not ask for."""
    return svg if "xmlns=" in svg else svg.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)


def _look(node: Node) -> str:
    """What a class asks for; "" where it asks for nothing that is typeset apart."""
    return next((each for each in _LOOKS if each in node.classes), "")


def _runs(parts: "list[Node | str]", **look: bool) -> list[dict[str, Any]]:
    """Text with its look in pieces, blanks as one, none at the ends."""
    pieces = [piece for piece in _pieces(parts, look) if piece.get("text") or piece.get("is_break")]
    found: list[dict[str, Any]] = []
    is_blank = True
    for piece in pieces:
        if piece.get("is_break"):
            found.append(piece)
            is_blank = True
            continue
        text = re.sub(r"[ \t\r\n]+", " ", piece["text"])
        text = text.removeprefix(" ") if is_blank else text
        if text:
            is_cell = look.get("is_cell") and not piece.get("is_code")
            longest = _LONGEST_IN_CELL if is_cell else _LONGEST_IN_TITLE if look.get("is_title") else _LONGEST_IN_LINE
            found.append(piece | {"text": breakable(text, longest)})
            is_blank = text.endswith(" ")
    while found and (found[-1].get("is_break") or not found[-1]["text"].strip()):
        found.pop()
    if found:
        found[-1]["text"] = found[-1]["text"].rstrip(" ")
    return found


def breakable(text: str, longest: int = _LONGEST_IN_LINE) -> str:
    """A text whose words may be broken after so many letters; no word runs off the page."""
    return re.sub(rf"[^\s\N{{ZERO WIDTH SPACE}}]{{{longest}}}(?=\S)", "\\g<0>\N{ZERO WIDTH SPACE}", text)


def _pieces(parts: "list[Node | str]", look: dict[str, bool]) -> Iterator[dict[str, Any]]:
    for part in parts:
        if isinstance(part, str):
            yield {"text": part} | look
        elif part.name == "br":
            yield {"is_break": True}
        elif part.name != "drawing":
            # What the style sheet of a page sets on a line of its own.
            is_apart = (part.name == "small" and not look.get("is_small")) or "definition" in part.classes
            is_block = part.name in {"p", "div", "li"}
            own = {
                name: True
                for name, holds in (
                    ("is_bold", part.name in {"b", "strong", "th"}),
                    ("is_small", part.name == "small" or "definition" in part.classes),
                    ("is_code", part.name == "code" or "mono" in part.classes),
                )
                if holds
            }
            if (is_apart and look.get("is_cell")) or is_block:
                yield {"is_break": True}
            yield from _pieces(part.inside, look | own)


def _defined(node: Node) -> Iterator[dict[str, Any]]:
    """Terms with what is said of each: facts side by side, wide ones on lines of their own; else one below another."""
    if "facts" not in node.classes:
        terms, said = list(node.each("dt")), list(node.each("dd"))
        pairs = [{"term": a.text, "runs": _runs(b.inside)} for a, b in zip(terms, said, strict=False)]
        yield {"kind": "box", "look": "cause", "blocks": [{"kind": "pairs", "items": pairs}]}
        return
    for is_wide, group in groupby(node.each("div"), key=lambda each: "wide" in each.classes):
        yield {"kind": "facts", "items": [_fact(each) for each in group], "is_wide": is_wide}


def _fact(node: Node) -> dict[str, Any]:
    term = next((each.text for each in node.each("dt")), "")
    said = next(iter(node.each("dd")), Node("dd"))
    return {"term": term, "runs": _cell_runs(said)}


def _cell_runs(node: Node) -> list[dict[str, Any]]:
    runs = _runs(node.inside, is_cell=True)
    is_code = "mono" in node.classes
    return [run | {"is_code": True} for run in runs] if is_code else runs


def _table(node: Node, width_pt: float) -> dict[str, Any]:
    """A table: rows of the head and of the body, each of cells; a cell that spans leaves out those it covers."""
    head = [row for part in node.each("thead") for row in part.each("tr")]
    body = [row for part in node.each("tbody") for row in part.each("tr")]
    body = body or [row for row in node.inside if isinstance(row, Node) and row.name == "tr"]
    rows = [[_cell(cell) for cell in row.each("td", "th")] for row in (*head, *body)]
    looks = ["first" if row.classes & {"first", "sum", "apart"} else "" for row in (*head, *body)]
    size_pt, beside_pt = size_of(max((sum(cell["columns"] for cell in row) for row in rows), default=0))
    return {
        "kind": "table",
        "columns": widths(rows, len(head), size_pt=size_pt, beside_pt=beside_pt, width_pt=width_pt),
        "size_pt": size_pt,
        "beside_pt": beside_pt,
        "head_n": len(head),
        "rows": [{"cells": row, "look": look} for row, look in zip(rows, looks, strict=True)],
    }


def _cell(node: Node) -> dict[str, Any]:
    return {
        "runs": _cell_runs(node),
        "is_number": "n" in node.classes,
        "columns": _count(node, "colspan"),
        "rows": _count(node, "rowspan"),
        "marks": [each for each in _MARKS if each in node.classes],
    }


def _count(node: Node, name: str) -> int:
    text = node.attributes.get(name, "1")
    return max(int(text), 1) if text.isdigit() else 1
