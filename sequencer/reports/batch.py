"""A batch as one page and as a document: verdicts, what stands out, causes, what all have in common.

No script, no external resource. It computes no figure.
"""

import math
from dataclasses import asdict
from typing import Any

from instruments.texts import COMPUTED_DIGITS, json_value
from sequencer.diagnosis.batch import FIGURES, UNITS, BatchContent, UnitLine
from sequencer.reports import words
from sequencer.reports.as_text import MINUS, date, plain, significant
from sequencer.reports.page import page

__all__ = ["ANSWER", "answer", "batch_document", "html", "number", "points_text", "remarks", "stands_out_text"]

ANSWER = {True: "ALL PASS", False: "NOT ALL PASS"}

_PER_TABLE = 22  # points beside each other on a page of paper; more go into a table of their own


def answer(content: BatchContent) -> tuple[str, str]:
    """The answer of a batch in a word or two, and the count behind it."""
    count = f"{content.pass_n} of {len(content.units)} units pass"
    if content.open_n:
        return "NOT OVER", f"{count}; {content.open_n} not over"
    return ANSWER[content.is_pass], count


def remarks(content: BatchContent) -> tuple[str, ...]:
    """What all units have in common, and what that makes of the verdicts, each in one sentence."""
    said = [f"{each.text}." for each in content.common]
    beyond = [each for each in content.common if each.is_beyond_bench]
    if beyond and content.without_common_n is not None and content.without_common_n != content.pass_n:
        said.append(
            f"Without it {content.without_common_n} of {len(content.units)} units would be within their tolerance "
            f"({content.pass_n} pass as read). Prove the bench right before a unit is adjusted."
        )
    return tuple(said)


def number(value: float | None, name: str, *, minus: str = MINUS) -> str:
    """A figure of a unit; a dash where it is not known."""
    if value is None or not math.isfinite(value):
        return "-"
    text = f"{value:.2f}" if UNITS[name] == "s" else f"{value:+.3f}"
    return text.replace("-", minus)


def stands_out_text(unit: UnitLine, content: BatchContent, *, minus: str = MINUS) -> str:
    """In what a unit stands out, against the median of the batch."""
    parts = []
    for name, far in sorted(unit.stands_out.items(), key=lambda pair: -pair[1]):
        middle, _ = content.medians[name]
        by = f"{far:.3g} robust SD" if far < 1000 else "far beyond"
        value = number(unit.figures[name], name, minus=minus)
        parts.append(f"{name} {value} {UNITS[name]}, median {number(middle, name, minus=minus)} ({by})")
    return "; ".join(parts)


def points_text(content: BatchContent) -> str:
    """What the columns of the grid are."""
    if not content.columns:
        return "no points: none was read in a traverse"
    ups = [each for each in content.columns if each.direction == "up"]
    downs_n = len(content.columns) - len(ups)
    ends = f"{ups[0].setpoint_pct:g} to {ups[-1].setpoint_pct:g} %" if ups else ""
    return f"points: {len(ups)} upscale {ends}" + (f", then {downs_n} downscale" if downs_n else "")


def html(content: BatchContent) -> str:
    """The batch as one self-contained page."""
    word, count = answer(content)
    return page(
        "batch.html.j2",
        c=content,
        word=word,
        count=count,
        remarks=remarks(content),
        figures=[(name, UNITS[name]) for name in FIGURES],
        number=number,
        per_table=_PER_TABLE,
        mark=_mark,
        shade=_shade,
        outlier=stands_out_text,
        symbols=words.SYMBOLS,
        begun=date(content.date),
        plain=plain,
        significant=significant,
        simulated=words.SIMULATED,
        caution=words.CAUTION,
        opinion=words.OPINION_NOTE,
    )


def _mark(used_pct: float | None) -> str:
    """Error in % of the tolerance, as a cell of the grid."""
    return "–" if used_pct is None else f"{used_pct:+.0f}".replace("-", MINUS)


def _shade(used_pct: float | None) -> str:
    """Class of a cell: beyond the tolerance, near to it, or within."""
    if used_pct is None:
        return "none"
    return "beyond" if abs(used_pct) > 100 else "near" if abs(used_pct) > 70 else "within"


def batch_document(content: BatchContent) -> dict[str, Any]:
    """The batch as JSON values; numbers that are missing are None."""
    word, count = answer(content)
    told = {
        "batch": content.name,
        "answer": word.lower(),
        "count": count,
        "date": content.date,
        "bench": content.bench,
        "type": content.type,
        "sequence": content.sequence,
        "driven": "together" if content.is_together else "one after another",
        "is_simulated": content.is_simulated,
        "pass_n": content.pass_n,
        "units_n": len(content.units),
        "points": [asdict(each) for each in content.columns],
        "units": [
            {
                "serial": unit.serial,
                "place": unit.place,
                "verdict": unit.result,
                "reason": unit.reason,
                "record": unit.folder,
                "worst_pct_of_tolerance": unit.worst_pct,
                "used_pct": list(unit.cells),
                "figures": unit.figures,
                "stands_out": unit.stands_out,
                "cause": unit.cause,
                "dropped": unit.dropped,
                "within_without_common_error": unit.would_pass,
            }
            for unit in content.units
        ],
        "medians": {name: {"median": middle, "robust_sd": sd} for name, (middle, sd) in content.medians.items()},
        "common": [
            {"figure": each.name, "U_pct": each.U_pct, "text": each.text, "is_beyond_bench": each.is_beyond_bench}
            | asdict(each.found)
            for each in content.common
        ],
        "within_without_common_n": content.without_common_n,
        "causes": [asdict(each) for each in content.causes],
        "rule": content.rule,
    }
    document: dict[str, Any] = json_value(told, digits=COMPUTED_DIGITS)
    return document
