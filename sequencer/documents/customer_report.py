"""The test report for a customer: what ISO/IEC 17025:2017 7.8.2 to 7.8.8 and IEC 61298-4 ask of one (from memory).

What nobody stated is listed by name. Result, conformity and opinion stand apart. It computes no figure.
"""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jinja2
from jinja2.sandbox import ImmutableSandboxedEnvironment
from markupsafe import Markup

from instruments.errors import InputError
from instruments.texts import as_page
from sequencer.diagnosis.result import Content
from sequencer.documents.error_curve import error_curve
from sequencer.documents.foot import Foot, line
from sequencer.documents.languages import Language, language
from sequencer.documents.sentences import limit_text, sentence
from sequencer.documents.stated import (
    Basis,
    all_instruments,
    amendments,
    conditions,
    judged,
    localised,
    missing,
    place_of,
    revision_of,
    rule_of,
)
from sequencer.evaluation.result import Evaluation
from sequencer.reports.as_text import as_pct, coverage, percent_used, significant
from sequencer.reports.json_document import step_numbers
from sequencer.reports.number_style import NumberStyle
from sequencer.reports.page import filled
from sequencer.reports.rows import figure_rows, setpoint_rows, stage_rows

__all__ = ["CustomerReport", "customer_report"]

_TEMPLATE = "customer_report.html.j2"
_DIGITS = 4  # of a value that a step found: its U says how many of them count
_VERDICTS = {True: "verdict pass", False: "verdict fail", None: "verdict not determinable"}
_WORST = re.compile(r"; worst (?:so far )?[^;]* of the tolerance\) at [^;]*")
_OF_A_PAGE = (ArithmeticError, AttributeError, LookupError, OSError, RecursionError, TypeError, ValueError)


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomerReport:
    """A test report, made: its page (HTML), what stands on each page of paper, and what it lacks, in English."""

    page: str
    foot: Foot
    missing: tuple[str, ...]


def customer_report(given: Basis) -> CustomerReport:
    """The test report of a record.

    Raises:
        RecordError: the record was altered, is not sealed, or has nothing that was evaluated.
        InputError: the workshop's own page is at fault.
    """
    found = judged(given.content)
    spoken = given.workshop.language
    fields = _fields(given, found) | {"missing": [*missing(given, spoken)]}
    own = given.workshop.page
    page = filled(_TEMPLATE, fields, package=__package__) if own is None else _own_page(own, fields)
    return CustomerReport(page=page, foot=_foot(given, spoken), missing=tuple(missing(given, language("en"))))


def _own_page(path: Path, fields: Mapping[str, Any]) -> str:
    """The workshop's own page, filled in; it can reach nothing but its fields."""
    environment = ImmutableSandboxedEnvironment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    try:
        return as_page(environment.from_string(path.read_text(encoding="utf-8")).render(fields))
    except (jinja2.TemplateError, *_OF_A_PAGE) as error:
        line = getattr(error, "lineno", None)
        raise InputError(
            f"the page cannot be filled in: {error}",
            where=f"{path}:{line}" if line else str(path),
            allowed="the names that DEVELOPERS.md lists",
            todo="correct the page, or take it out of the template: then the supplied one is used",
        ) from error


def _foot(given: Basis, spoken: Language) -> Foot:
    content, order = given.content, given.order
    number = f"{spoken['number']} {order.number}" if order.number else ""
    revision = f"{spoken['revision']} {order.revision}" if order.revision > 1 else ""
    parts = (spoken["title"], number, revision, f"{spoken['serial']} {content.serial or '–'}", content.date[:10])
    amended = f"{spoken['record revision']} {revision_of(content)}" if revision_of(content) > 1 else ""
    return Foot(
        lines=(line(*parts), line(f"SHA-256 {content.digest}", amended)),
        banner=spoken["simulated"] if content.is_simulated else "",
        page=spoken["page"],
        language=spoken.code,
    )


def _fields(given: Basis, found: Evaluation) -> dict[str, Any]:
    """Everything that a page may show, by name."""
    content, spoken, order, workshop = given.content, given.workshop.language, given.order, given.workshop.file
    columns = [each for each in workshop.columns if found.budget is not None or each not in {"U", "k", "verdict"}]
    before = content.before
    own = f"results {content.state}" if content.state in {"as found", "as left"} else "results"
    done = " repaired" if given.repairs else ""
    results = [_results(found, f"{own}{done if own == 'results as left' else ''}", columns, spoken)]
    if before is not None:
        results.insert(0, _results(before, f"results as found{done}", columns, spoken))
        # Each has its own person, bench and reservations, told where they are not those of the other.
        for table, of in zip(results, (given.earlier, given), strict=True):
            table.update(_of_run(of, given, spoken))
    return {
        "t": spoken,
        "lab": workshop.laboratory,
        "logo": given.workshop.logo,
        "order": order,
        "notes": workshop.notes,
        "serial": content.serial,
        "item": order.item.description or content.type,
        "type": content.type,
        "tag": order.item.tag or given.tag,
        "deviations": "; ".join(_deviations(given)),
        "tested": ", ".join(
            dict.fromkeys(each.content.date[:10] for each in (given.earlier, given) if each is not None)
        ),
        "place": place_of(given),
        "issued": order.issued.isoformat() if order.issued else given.issued,
        "operator": order.tested_by or content.operator,
        "sequence": content.sequence,
        "standard": found.standard,
        "course": _course(found, spoken),
        "conditions": list(conditions(given)),
        "instruments": all_instruments(given),
        "is_simulated": content.is_simulated,
        "verdict": spoken.word("verdict", found.verdict.result),
        "specification": f"±{localised(found.tolerance, spoken)}",
        "rule": rule_of(found, spoken),
        "reason": _reason(found, spoken),
        "worst": _worst(found, spoken),
        "reservations": list(_reservations(content, found, spoken)),
        "tables": results,
        "curve": Markup(error_curve(found, before, spoken)),  # noqa: S704  the drawing escapes its texts
        "stages": [_stage(row, spoken) for row in stage_rows(found)],
        "figures": list(_figures(found, spoken)),
        "coverage": spoken.number(coverage(found.basis.coverage)) if found.budget is not None else "",
        "further": list(_further(content, spoken)),
        "unnumbered": _unnumbered(content, spoken),
        "corrections": [sentence(each, spoken) for each in amendments(content)],
        "amended_record": _amended_record(content, spoken),
        "opinions": _opinions(content) if order.opinions_by and spoken.code == "en" else [],
        "is_english": spoken.code == "en",
    }


def _deviations(given: Basis) -> Iterator[str]:
    """What the order says of deviations, what was changed of the record, and where record and order differ."""
    if given.order.deviations:
        yield given.order.deviations
    for day, what in given.repairs:
        yield given.workshop.language["repaired"].format(date=day, what=what)
    if amended := _amended_record(given.content, given.workshop.language):
        yield amended
    if given.other_tag:
        yield given.workshop.language["other tag"].format(order=given.order.item.tag, record=given.tag)


def _amended_record(content: Content, spoken: Language) -> str:
    """That the report does not rest on the record as it was sealed, in a sentence; "" where it does."""
    revision = revision_of(content)
    return spoken["record amended"].format(revision=revision, digest=content.digest[:12]) if revision > 1 else ""


def _reservations(content: Content, found: Evaluation, spoken: Language) -> Iterator[str]:
    """What weakens the statement, and how a run that did not go to its end ended."""
    if content.status != "complete":
        yield f"{spoken.word('status', content.status)}: {sentence(content.reason, spoken)}"
    yield from (sentence(each, spoken) for each in found.verdict.reservations)
    if found.verdict.accepted:
        yield sentence(found.verdict.accepted, spoken)


def _of_run(of: Basis | None, given: Basis, spoken: Language) -> dict[str, Any]:
    """Who tested where, and what weakens the as-found results, where two runs stand in one report."""
    if of is None or given.earlier is None:
        return {}
    content, said = of.content, dict[str, Any]()
    if given.earlier.content.operator != given.content.operator and content.operator:
        said["by"] = f"{spoken['tested by']}: {content.operator}"
    if given.earlier.content.bench != given.content.bench and content.bench:
        said["bench"] = f"{spoken['bench']}: {content.bench}"
    if of is not given and content.evaluation is not None:
        said["reservations"] = [
            *_reservations(content, content.evaluation, spoken),
            *(sentence(each, spoken) for each in amendments(content)),
        ]
    return said


def _reason(found: Evaluation, spoken: Language) -> str:
    """Why the verdict is no plain pass; "" for one. Worst error and reservations have places of their own."""
    if found.verdict.is_pass:
        return ""
    said, *_ = found.verdict.reason.partition("; with reservation: ")
    return sentence(_WORST.sub("", said), spoken)


def _course(found: Evaluation, spoken: Language) -> str:
    ways = set(found.visits["direction"])
    name = "upscale and downscale" if {"up", "down"} <= ways else "downscale only" if "down" in ways else "upscale only"
    cycles_n = int(found.visits["cycle"].max())
    cycles = spoken["one cycle"] if cycles_n == 1 else spoken["cycles"].format(n=cycles_n)
    return spoken["course"].format(points=found.visits["point"].nunique(), cycles=cycles, ways=spoken[name])


def _worst(found: Evaluation, spoken: Language) -> str:
    worst, style = found.worst, NumberStyle(found)
    if worst is None:
        return ""
    place = f"{as_pct(worst['setpoint_pct'])} {spoken['direction ' + worst['direction']] if worst['direction'] else ''}"
    return spoken["worst"].format(
        error=spoken.number(style.error(worst["error"])),
        unit=localised(found.output_unit, spoken),
        pct=spoken.number(style.error_pct(worst["error_pct"])),
        setpoint=spoken.number(place.strip()),
        used=spoken.number(percent_used(worst["used_pct"])),
    )


def _results(found: Evaluation, name: str, columns: Sequence[str], spoken: Language) -> dict[str, Any]:
    """A table of results: heads with units, and rows of cells with their class."""
    of = {"setpoint": spoken["of range"], "error_pct": spoken["of span"], "used": spoken["of tolerance"]}
    units = [localised(each, spoken) for each in (found.input_unit, found.output_unit)]
    of |= {"input": units[0]} | dict.fromkeys(("output", "ideal", "error", "U", "sd"), units[1])
    of["tolerance"] = f"± {units[1]}"
    rows = setpoint_rows(found)
    shown = [
        [_cell(column, place.setpoint, point, spoken) for column in columns] for place in rows for point in place.points
    ]
    return {
        "name": spoken[name],
        "verdict": spoken.word("verdict", found.verdict.result),
        "reason": _reason(found, spoken),
        "date": found.basis.date[:10],
        "by": "",
        "bench": "",
        "reservations": [],
        "heads": [
            (spoken[f"column {each}"], of.get(each, ""), each not in {"direction", "verdict"}) for each in columns
        ],
        "rows": shown,
        "is_of_cycles": "used" in columns and int(found.visits["cycle"].max()) > 1,
        "is_unsteady": any(point.is_unsteady for place in rows for point in place.points),
    }


def _cell(column: str, setpoint: str, point: Any, spoken: Language) -> tuple[str, str]:  # noqa: ANN401  a row of a report
    """Text and class of a cell."""
    if column == "direction":
        mark = " †" if point.is_unsteady else ""
        return f"{spoken[f'direction {point.direction}']}{mark}", ""
    if column == "verdict":
        return spoken.word("verdict", point.verdict), "out" if point.verdict == "fail" else ""
    if column == "setpoint":
        return spoken.number(setpoint), "n"
    names = {"input": "injected", "output": "returned", "n": "readings"}
    look = "n out" if column == "used" and point.is_out else "n"
    return spoken.number(str(getattr(point, names.get(column, column)))), look


def _stage(row: Any, spoken: Language) -> dict[str, str]:  # noqa: ANN401  a row of a report
    return {
        "name": row.name,
        "way": row.way,
        "worst": spoken.number(row.worst),
        "at": spoken.number(row.at),
        "tolerance": spoken["none"] if row.tolerance.startswith("none") else spoken.number(row.tolerance),
        "result": spoken.word("verdict", row.result),
    }


def _figures(found: Evaluation, spoken: Language) -> Iterator[dict[str, str]]:
    """The figures in % of span, as their standard defines them."""
    for row in figure_rows(found):
        if row.unit == "% of span":
            yield {
                "name": spoken.word("figure", row.name),
                "value": spoken.number(row.value) or spoken["verdict not determinable"],
                "U": spoken.number(row.U),
                "at": spoken.number(row.at),
            }


def _further(content: Content, spoken: Language) -> Iterator[dict[str, str]]:
    """What the steps beside the traverse found as numbers, each with its limit."""
    for each in step_numbers(content):
        has_limit, is_known = bool(each["limit"]), math.isfinite(each["value"])
        U = each["U"]
        yield {
            "step": spoken.word("step", each["step"]),
            "name": each["name"],
            "value": spoken.number(significant(each["value"], _DIGITS)) if is_known else spoken[_VERDICTS[None]],
            "unit": localised(each["unit"], spoken),
            "U": spoken.number(significant(U)) if math.isfinite(U) else "",
            "limit": limit_text(each["limit"], spoken),
            "verdict": spoken[_VERDICTS[each["is_met"]]] if has_limit else "",
        }


def _unnumbered(content: Content, spoken: Language) -> str:
    """The steps that found something, none of it a number."""
    told = {each["step"] for each in step_numbers(content)}
    return ", ".join(spoken.word("step", name) for name in content.steps if name not in told)


def _opinions(content: Content) -> list[tuple[str, str]]:
    """Diagnosis and advice: the key of a heading, and the text."""
    findings, said = content.findings, []
    if findings is not None and findings.is_fault:
        said += [("cause", findings.cause), ("check", findings.check)]
    return [(name, text) for name, text in (*said, ("advice", content.advice)) if text]
