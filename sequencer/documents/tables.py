"""What a record holds as tables for other programs: numbers as numbers, the unit of each column beside its name."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from instruments.texts import COMPUTED_DIGITS, to_digits
from sequencer.diagnosis.result import Content
from sequencer.evaluation.result import Evaluation
from sequencer.reports.as_text import date

__all__ = ["TABLES", "Table", "facts_of", "tables_of"]

TABLES = ("visits", "points", "figures", "stages", "end pairs", "readings")
_OF_OUTPUT = ("ideal", "output", "error", "tolerance", "sd", "U", "first", "second", "change")
_PCT = {"setpoint_pct": "%", "input_pct": "%", "stated_pct": "%", "used_pct": "% of tolerance"}
_PURE = ("k", "dof", "tur", "p_conform")
_ZONE = "UTC"
_SECONDS = ("at_s", "settle_s", "set_at_s")
_OF_A_FIGURE = ("name", "value", "unit", "U", "u_scatter", "corrected", "low", "high", "by_noise", "at_pct", "remark")
_IN_ITS_COLUMN = "in the column unit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table.

    Args:
        name: as it is asked for.
        frame: its rows; what is not known is missing (NaN, None).
        units: of its columns, by name; "" = a count or a text.
    """

    name: str
    frame: pd.DataFrame
    units: Mapping[str, str]


def tables_of(content: Content, readings: pd.DataFrame) -> dict[str, Table]:
    """Every table that a record has, by name, in the order of `TABLES`; empty ones are left out.

    Args:
        content: what was found.
        readings: the tidy table.
    """
    made = [*_evaluated(content, content.evaluation)] if content.evaluation is not None else []
    made.append(_readings(content, readings))
    return {each.name: each for each in made if len(each.frame)}


def _evaluated(content: Content, found: Evaluation) -> Iterator[Table]:
    figures = pd.DataFrame([{name: asdict(each)[name] for name in _OF_A_FIGURE} for each in found.figures])
    stages = pd.DataFrame([asdict(each) for each in found.stages])
    parts = {"visits": found.visits, "points": found.points, "figures": figures, "stages": stages}
    for name, frame in (parts | {"end pairs": found.end_pairs}).items():
        rounded = frame.copy()
        for column in rounded.select_dtypes("float"):
            scale = _scale(str(column), found)
            rounded[column] = [_to_digits(float(each), scale) for each in rounded[column]]
        numbers = set(rounded.select_dtypes("number"))
        units = {str(each): _unit(str(each), found) if each in numbers else "" for each in rounded}
        if name == "figures":
            units |= dict.fromkeys(("value", "U", "u_scatter", "corrected", "low", "high"), _IN_ITS_COLUMN)
            units |= {"by_noise": _IN_ITS_COLUMN, "unit": ""}
        yield _whose(Table(name=name, frame=rounded, units=units), content)


def _readings(content: Content, readings: pd.DataFrame) -> Table:
    units = dict.fromkeys(map(str, readings), "") | {name: unit for name, unit in _PCT.items() if name in readings}
    units |= dict.fromkeys(_SECONDS, "s") | {"value": _IN_ITS_COLUMN, "signal": "in the column signal_unit"}
    if content.evaluation is not None:
        units["commanded"] = content.evaluation.input_unit
        units["to_go"] = content.evaluation.output_unit
    units |= {"at": _ZONE}
    frame = readings.assign(at=_dated(readings["at"])) if "at" in readings else readings
    return Table(name="readings", frame=frame, units={str(name): units[str(name)] for name in frame})


def _whose(table: Table, content: Content) -> Table:
    """The same with serial, state and date of the run in each row, so that tables of many units can be stacked."""
    frame = table.frame.copy()
    for place, (name, value) in enumerate(
        (("serial", content.serial), ("state", content.state), ("date", content.date))
    ):
        frame.insert(place, name, value)
    frame["date"] = _dated(frame["date"])
    return Table(name=table.name, frame=frame, units={"serial": "", "state": "", "date": _ZONE} | dict(table.units))


def _dated(texts: "pd.Series[Any]") -> "pd.Series[Any]":
    """ISO dates as times in UTC, which every program sorts and counts by; what is none is missing."""
    return pd.to_datetime(texts, utc=True, errors="coerce", format="ISO8601")


def _unit(column: str, found: Evaluation) -> str:
    if column in _OF_OUTPUT:
        return found.output_unit
    if column == "input":
        return found.input_unit
    if column in _PURE:
        return "1"
    return _PCT.get(column) or (
        "% of range" if column.endswith("at_pct") else "% of span" if column.endswith("_pct") else ""
    )


def _scale(column: str, found: Evaluation) -> float:
    """What the numbers of a column are differences of."""
    if column in _OF_OUTPUT:
        return found.output_span
    return 100.0 if column.endswith("_pct") else 0.0


def _to_digits(number: float, scale: float) -> float:
    return to_digits(number, COMPUTED_DIGITS, scale=scale) if math.isfinite(number) else math.nan


def facts_of(content: Content) -> dict[str, str]:
    """What is known of a record as a whole, by name: what stands beside its tables."""
    found = content.evaluation
    facts = {
        "serial": content.serial,
        "type": content.type,
        "state": content.state,
        "sequence": content.sequence,
        "date": date(content.date),
        "operator": content.operator,
        "bench": content.bench,
        "is simulated": "yes" if content.is_simulated else "no",
        "status": content.status,
        "reason": content.reason,
        "verdict": "not determinable" if found is None else found.verdict.result,
        "altered since it was sealed": "; ".join(content.alterations),
        "digest, SHA-256": content.digest or "not sealed",
        "program": f"livezero {content.versions.get('livezero', '')}".strip(),
    }
    if found is not None:
        facts |= {
            "reason of the verdict": found.verdict.reason,
            "decision rule": found.verdict.rule,
            "tolerance": f"±{found.tolerance}",
            "standard of the figures": found.standard,
            "output span": f"{found.output_span:g} {found.output_unit}",
        }
    return {name: text for name, text in facts.items() if text}
