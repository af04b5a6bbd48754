"""Rows of the tables that hang on a record, from what its journal says and from the document of its figures.

Pure functions: lines and a document in, rows out; which record they are of is put in where they are written.
"""

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from sequencer.journal.lines import identities_of
from sequencer.record.addenda import words_of

__all__ = ["Row", "amendments", "causes", "deeds", "errors", "figures", "instruments", "stages", "step_results", "utc"]

Row = dict[str, Any]

_OF_TOLERANCE = {"measured error", "inaccuracy"}
_SPAN = "% of span"


def utc(date: str) -> datetime:
    """An ISO date with its zone as the index has it: UTC without one."""
    return datetime.fromisoformat(date).astimezone(UTC).replace(tzinfo=None)


def figures(found: Row) -> Iterator[Row]:
    """The figures of the unit; those that the tolerance bounds have it as limits."""
    widths = {each.get("tolerance_pct") for each in found.get("points") or ()} - {None}
    width = widths.pop() if len(widths) == 1 else None
    for each in found.get("figures") or ():
        limit = width if each["name"].partition(",")[0] in _OF_TOLERANCE and each["unit"] == _SPAN else None
        yield {
            "stage": "",
            "figure": each["name"],
            **{name: each.get(name) for name in ("value", "U", "low", "high")},
            "unit": each["unit"],
            "limit_low": None if limit is None else -limit,
            "limit_high": limit,
            "verdict": "",
        }


def stages(found: Row) -> Iterator[Row]:
    """The worst error of each stage."""
    for each in found.get("stages") or ():
        limit = each.get("tolerance_pct")
        yield {
            "stage": each["name"],
            "figure": "worst error",
            "value": each.get("worst_pct"),
            "U": None,
            "low": None,
            "high": None,
            "unit": _SPAN,
            "limit_low": None if limit is None else -limit,
            "limit_high": limit,
            "verdict": each.get("result") or "",
        }


_VERDICTS = {True: "pass", False: "fail", None: "not determinable"}
_LIMIT = re.compile(r"(at most|at least) ([-+0-9.eE]+) ?(.*)")


def step_results(found: Row) -> Iterator[Row]:
    """What the steps found; a limit in another unit than the value is none of a column."""
    for each in found.get("step_results") or ():
        limit = _LIMIT.fullmatch(each.get("limit") or "")
        if limit and limit[3] != each["unit"]:  # a number of another unit is no limit of this value
            limit = None
        yield {
            "stage": f"step: {each['step']}",
            "figure": each["name"],
            "value": each.get("value"),
            "U": each.get("U"),
            "low": None,
            "high": None,
            "unit": each["unit"],
            "limit_low": float(limit[2]) if limit and limit[1] == "at least" else None,
            "limit_high": float(limit[2]) if limit and limit[1] == "at most" else None,
            "verdict": _VERDICTS[each.get("is_met")] if each.get("limit") else "",
        }


def errors(found: Row) -> Iterator[Row]:
    """The error at each visit, in % of span."""
    span = found.get("output_span")
    for each in found.get("visits") or ():
        U, tolerance = each.get("U"), each.get("tolerance")
        yield {
            "stage": "",
            "setpoint_pct": each["setpoint_pct"],
            "direction": each["direction"],
            "cycle": each["cycle"],
            "input": each.get("input"),
            "error": each.get("error_pct"),
            "U": 100 * U / span if U is not None and span else None,
            "k": each.get("k"),
            "dof": each.get("dof"),
            "unit": _SPAN,
            "tolerance_pct": 100 * tolerance / span if tolerance is not None and span else None,
            "is_judged": bool(each.get("is_judged", True)),
        }


def instruments(lines: list[Row]) -> Iterator[Row]:
    """The instruments that were used, with what they said of themselves and the certificate that held."""
    opened = lines[0]
    identities = identities_of(lines)
    stated = {each["instrument"]: each for each in (opened.get("basis") or {}).get("statements") or ()}
    for each in opened.get("instruments") or ():
        of = stated.get(each["name"]) or {}
        number = each.get("certificate") or (of.get("certified") or {}).get("number") or ""
        row = {
            **{name: each[name] for name in ("name", "what", "resource", "use")},
            "identity": identities.get(each["name"], ""),
            "certificate": number,
            "calibrated": each.get("calibrated", ""),
            "due": each.get("due") or of.get("certificate_due") or "",
        }
        yield row | {"key": f"{row['name']}\n{row['identity']}\n{number}".casefold()}


def causes(found: Row) -> Iterator[Row]:
    """The explanations, ranked; the first is named where something is the matter."""
    findings = found.get("findings") or {}
    for rank, each in enumerate(findings.get("ranking") or ()):
        yield {
            "cause": " + ".join(each["names"]),
            "place": each.get("place") or "",
            "weight": each.get("weight"),
            "is_named": rank == 0 and bool(findings.get("is_fault")),
        }


def deeds(lines: list[Row]) -> Iterator[Row]:
    """Who began, resumed and ended the run."""
    operator, revision = str(lines[0].get("operator", "")), 1
    for each in lines:
        if each["kind"] == "resealed":
            revision += 1
            was = each.get("was") or "a digest that is not known"
            again = {"revision": revision, "replaces": f"revision {revision - 1} of {was}"}
            yield _deed(each, str(each.get("by", "")), "sealed anew", str(each.get("why", ""))) | again
        if each["kind"] not in {"opened", "resumed", "interrupted", "closed"}:
            continue
        operator = str(each.get("operator") or operator)
        text = str(each.get("reason", "")) or str(lines[0].get("sequence", ""))
        yield _deed(each, operator, "begun" if each["kind"] == "opened" else each["kind"], text)


def amendments(more: list[Row], digest: str, *, revision: int = 1) -> Iterator[Row]:
    """Who added what after sealing; a correction is a new revision after that which was sealed."""
    for each in more:
        deed = _deed(each, str(each["by"]), each["kind"], words_of(each))
        if each["kind"] == "correction":
            deed |= {"revision": revision + 1, "replaces": f"revision {revision} of {digest}"}
            revision += 1
        yield deed


def _deed(line: Row, by: str, what: str, text: str) -> Row:
    at = line.get("date")
    return {"at": utc(at) if at else None, "by": by, "what": what, "text": text, "revision": 0, "replaces": ""}
