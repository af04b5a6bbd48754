"""What is said of two units side by side, and the rows of its tables as text, for every view. It computes no figure."""

import math
from dataclasses import dataclass

from sequencer.diagnosis.compared import Comparison
from sequencer.diagnosis.result import Content
from sequencer.reports.as_text import MINUS, as_pct, date, fixed, p_value, plain, significant, way
from sequencer.reports.number_style import NumberStyle

__all__ = ["Row", "answer", "figure_rows", "own_result", "point_rows", "sentences", "side_name"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One point (`of` is its direction) or one figure (`of` is its unit) of both as text; a dash for what is not known.

    `U` and `p` are those of the difference, B less A; `is_within` the margin asks points alone.
    """

    name: str
    of: str
    a: str
    b: str
    difference: str
    U: str
    p: str
    is_different: bool
    is_within: bool = False


def point_rows(compared: Comparison, *, minus: str = MINUS) -> tuple[Row, ...]:
    """A row for each point that both have, errors in % of span."""
    style = _style(compared, minus)
    return tuple(
        Row(
            name=as_pct(row["setpoint_pct"], minus=minus),
            of=row["direction"],
            a=style.error_pct(row["a_pct"]),
            b=style.error_pct(row["b_pct"]),
            difference=style.error_pct(row["difference_pct"]),
            U=significant(row["U_pct"], minus=minus),
            p=p_value(row["p_family"]),
            is_different=row["is_different"],
            is_within=row["is_within"],
        )
        for row in compared.points.to_dict("records")
    )


def figure_rows(compared: Comparison, *, minus: str = MINUS) -> tuple[Row, ...]:
    """A row for each figure."""
    style = _style(compared, minus)
    return tuple(
        Row(
            name=each.name,
            of=each.unit,
            a=_figure(each.a, each.unit, style),
            b=_figure(each.b, each.unit, style),
            difference=_figure(each.difference, each.unit, style),
            U=significant(math.nan if each.U is None else each.U, minus=minus),
            p=p_value(math.nan if each.p_family is None else each.p_family),
            is_different=each.is_different,
        )
        for each in compared.figures
    )


def _style(compared: Comparison, minus: str) -> NumberStyle:
    found = compared.a.content.evaluation
    assert found is not None
    return NumberStyle(found, minus=minus)


def _figure(value: float | None, unit: str, style: NumberStyle) -> str:
    """One figure of a comparison, signed where it is one of span."""
    if unit == "% of span":
        return style.error_pct(math.nan if value is None else value)
    return fixed(value, 2 if unit == "s" else 0, minus=style.minus)


def side_name(name: str, content: Content) -> str:
    """One of two that are compared: "A: GF-104, as found, 2026-01-05 08:00 UTC"."""
    parts = (content.serial or "no serial", content.state, date(content.date), content.sequence)
    return f"{name}: {', '.join(plain(part) for part in parts if part)}"


def own_result(content: Content) -> str:
    """Verdict of one side by itself, and its most likely cause where something is the matter."""
    findings = content.findings
    cause = findings.cause if findings is not None and findings.is_fault else ""
    return f"{content.verdict.result}{f'; {cause}' if cause else ''}"


def answer(compared: Comparison, *, minus: str = MINUS) -> tuple[str, str]:
    """The answer of a comparison as a word, and the largest difference or why there is none."""
    word = compared.result.upper()
    if compared.reason and compared.result == "not determinable":
        return word, compared.reason
    style, worst = _style(compared, minus), compared.worst
    place = f"{as_pct(float(worst['setpoint_pct']), minus=minus)}{way(str(worst['direction']))}"
    return word, f"B less A up to {style.error_pct(worst['difference_pct'])} % of span, at {place}"


def sentences(compared: Comparison, *, minus: str = MINUS) -> tuple[str, ...]:
    """What the tests of a comparison say, and what they rest on, each in one sentence."""
    style = _style(compared, minus)
    said = []
    if not compared.reason:
        said.append(
            f"significant at {compared.different_n} of {compared.tested_n} points; mean of all "
            f"{style.error_pct(compared.mean_pct)} % of span, U {significant(compared.mean_U_pct)} "
            f"(p {p_value(compared.mean_p_family)})"
        )
        said.append(
            f"overall p {p_value(compared.overall_p)}; all points and their mean are tested together: 5 % for any "
            "false alarm among them"
        )
    if compared.result == "no difference found":
        said.append("that no difference is found does not prove that there is none: ask for equivalence with --within")
    if compared.margin:
        within = int(compared.points["is_within"].sum())
        said.append(
            f"equivalence: |difference| + U within {compared.margin} at {within} of {len(compared.points)} points; "
            "all are wanted"
        )
    if not math.isnan(compared.needed_pct) and not compared.is_same_bench:
        needed = f"{significant(compared.needed_pct, minus=minus)} % of span"
        limit = significant(float(compared.points["tolerance_pct"].max()), minus=minus)
        said.append(
            f"for no difference to be real an instrument would have to be wrong by {needed}, where the type allows "
            f"{limit} % to a unit"
            + (": taken as a difference of the units" if compared.is_beyond_instruments else ": that may well be")
        )
        said.append("if the same instruments took both, their errors cancel: say so with --same-bench")
    said.append(
        "bench: the same instruments, so what they have in common cancels; scatter, settling and resolution remain"
        if compared.is_same_bench
        else "bench: not the same instruments, so nothing cancels"
    )
    return tuple(said)
