"""The envelope of a type as a report: curve and spread, figures, proposed tolerance, units that stand apart."""

import math
from collections import Counter
from dataclasses import replace
from typing import Any

from markupsafe import Markup

from instruments.texts import COMPUTED_DIGITS, as_page, json_value
from sequencer.history.components import PROBABILITY, Component
from sequencer.history.envelope import Envelope, Spread
from sequencer.history.tolerance_interval import ToleranceInterval
from sequencer.reports.as_text import MOST_DECIMALS, as_pct, counted, decimals_for, fixed, significant
from sequencer.reports.drawing.chart import WAYS, Chart, Layer
from sequencer.reports.drawing.svg import FAINT, FINE_DASH, GREY, LIMIT, Look, Point
from sequencer.reports.sections import Section, Told

__all__ = ["envelope_document", "envelope_html", "told"]

_LEFT_OUT = ("covariance of", "offset, both axes", "gain, both axes")  # help to compute with, none to judge a type by

_COLOURS = {"up": "#0b4f8a", "down": "#b04a08", "": FAINT}


def told(found: Envelope) -> Told:
    """The report of a type."""
    proposal = found.proposal
    counts = f"{counted(found.units_n, 'unit')}, {counted(found.records_n, 'record')}"
    answer, largest = "ENVELOPE", f"{found.type}; {counts}"
    said = []
    if proposal is not None:
        where = _place(proposal.at)
        answer = f"±{significant(proposal.half_width_pct)} % of span"
        confidence = _how_sure(proposal.at.interval)
        sure = "" if proposal.is_sure else ", where 95 % is wanted: see remarks"
        said.append(
            f"proposed tolerance: ±{significant(proposal.half_width_pct)} % of span: "
            f"{significant(proposal.reach_pct)} holds 95 % of all units at {where}, with a confidence of "
            f"{confidence}{sure}; and a guard band of U {significant(proposal.guard_pct)}, rounded up"
        )
        if math.isfinite(proposal.stated_pct):
            said.append(f"tolerance of the type sheet there: ±{significant(proposal.stated_pct)} % of span")
    else:
        said.append("no tolerance is proposed: too few units, or an uncertainty is not known")
    if found.apart:
        said.append(f"units that stand apart: {', '.join(found.apart)}; they are in all figures here")
    sections = [_points(found), _components(found), *([_figures(found)] if found.figures else [])]
    if found.apart:
        sections.append(_apart(found))
    if found.remarks:
        sections.append(Section(title="Remarks", sentences=found.remarks))
    return Told(
        answer=answer, largest=largest, is_good=None, sentences=said, sections=sections, is_simulated=found.is_simulated
    )


def _place(point: Spread) -> str:
    return f"{as_pct(point.setpoint_pct)}{f' {point.direction}scale' if point.direction else ''}"


def _decimals(found: Envelope) -> int:
    widths = [each.limit if each.limit > 0 else each.reach for each in found.points]
    return decimals_for(min((each for each in widths if each > 0), default=math.nan))


def _points(found: Envelope) -> Section:
    decimals = _decimals(found)

    def number(value: float) -> str:
        return fixed(value, decimals, is_signed=True)

    rows = [
        (
            as_pct(each.setpoint_pct),
            each.direction,
            str(each.units_n),
            number(each.mean),
            number(each.interval.low) if each.interval else "–",
            number(each.interval.high) if each.interval else "–",
            _how_sure(each.interval),
            each.interval.kind if each.interval else "–",
            significant(each.U),
        )
        for each in found.points
    ]
    return Section(
        title="Errors of the units",
        heads=("setpoint", "", "units", "mean", "95 % low", "high", "sure to", "kind", "U"),
        rows=rows,
        texts_n=2,
        plots=(_plot(found),),
        notes=(
            "in % of span; low and high: the interval that holds 95 % of all units (ISO 16269-6)",
            "sure to: its confidence",
            "each unit counts once, with the mean of all its records",
        ),
    )


def _plot(found: Envelope) -> str:
    chart = Chart("Mean error and spread against input", "Error in % of output span", height=290)
    is_sure = all(each.interval.is_sure for each in found.points if each.interval is not None)
    held = "95/95" if is_sure else "95 %, less sure than 95 %"
    for way, name in (("up", "upscale"), ("down", "downscale"), ("", "")):
        points = [each for each in found.points if each.direction == way]
        if not points:
            continue
        mean: list[Point] = [(each.setpoint_pct, each.mean) for each in points]
        chart.line(mean, WAYS[way], f"mean, {name}" if name else "mean")
        for end in ("low", "high"):
            edge = [(each.setpoint_pct, getattr(each.interval, end)) for each in points if each.interval is not None]
            look = replace(WAYS[way], mark="", width=1.0)
            chart.line(edge, look, f"{held}, {name}" if name else held)
    limits = {each.setpoint_pct: each.limit for each in found.points if each.limit > 0}
    for sign in (1, -1) if limits else ():
        edge = [(x, sign * y) for x, y in sorted(limits.items())]
        chart.line(edge, Look(LIMIT, FINE_DASH, width=1.6), "tolerance of the type sheet", layer=Layer.EDGE)
    if found.proposal is not None:
        for sign in (1, -1):
            level = sign * found.proposal.half_width_pct
            chart.line([(0.0, level), (100.0, level)], Look(GREY, "1 3", width=1.6), "proposed", layer=Layer.EDGE)
    return chart.svg()


def envelope_html(found: Envelope) -> str:
    """What a notebook shows: what is proposed, and the plot."""
    said = told(found)
    head = Markup("<p><strong>{}</strong><br>{}</p>").format(said.largest, "; ".join(said.sentences))
    return as_page(Markup("<div>{}{}</div>").format(head, Markup(_plot(found))))  # noqa: S704  it escapes its texts


def _components(found: Envelope) -> Section:
    rows = [
        (
            as_pct(each.setpoint_pct),
            each.direction,
            _sd(each.between),
            _range(each.between),
            _sd(each.within),
            _range(each.within),
            _sd(each.cycles),
        )
        for each in found.points
    ]
    return Section(
        title="Where the spread comes from: standard deviations",
        heads=("setpoint", "", "units", "95 %", "records", "95 %", "cycles"),
        rows=rows,
        texts_n=2,
        notes=(
            "in % of span; between units, between the records of one unit, between the cycles of one record",
            f"nested analysis of variance, moments; {100 * PROBABILITY:g} % by Satterthwaite; a negative estimate is 0",
        ),
    )


def _sd(component: Component) -> str:
    return significant(component.sd) if component.is_known else "–"


def _range(component: Component) -> str:
    if not math.isfinite(component.low):
        return "–"
    return f"{significant(component.low)} .. {significant(component.high)}"


def _figures(found: Envelope) -> Section:
    rows = []
    for each in found.figures:
        if each.name.startswith(_LEFT_OUT):
            continue
        stage = f"{each.stage}: " if each.stage else ""
        name = f"{stage}{each.name}" if each.unit in {"% of span", "1"} else f"{stage}{each.name}, {each.unit}"
        widths = [each.between.sd, each.within.sd]
        decimals = _decimals_of(max((width for width in widths if width > 0), default=math.nan))
        ends = ("–", "–")
        if each.interval is not None:
            ends = (fixed(each.interval.low, decimals), fixed(each.interval.high, decimals))
        spreads = (_sd(each.between), _sd(each.within))
        row = (name, str(each.units_n), fixed(each.mean, decimals), *spreads, *ends, _how_sure(each.interval))
        rows.append(row)
    return Section(
        title="Figures of the units",
        heads=("figure", "units", "mean", "sd units", "sd records", "95 % low", "high", "sure to"),
        rows=rows,
        notes=(
            "in % of span where no unit is given; of what is never negative the upper limit alone",
            "sure to: its confidence; one of values that are not normal wants many units: see remarks",
        ),
    )


def _how_sure(interval: ToleranceInterval | None) -> str:
    """The confidence that an interval has."""
    if interval is None:
        return "–"
    return as_pct(100 * (interval.confidence if interval.is_sure else interval.attained))


def _decimals_of(width: float) -> int:
    """Decimals that show two digits of a spread; 4 where there is none."""
    if not (math.isfinite(width) and width > 0):
        return 4
    return min(max(1 - math.floor(math.log10(width)), 0), MOST_DECIMALS)


def _apart(found: Envelope) -> Section:
    where: dict[str, list[str]] = {serial: [] for serial in found.apart}
    for each in (*found.points, *found.figures):
        for serial in each.apart:
            where[serial].append(_place(each) if each.is_point else f"{each.stage}: {each.name}".removeprefix(": "))
    rows = [(serial, "; ".join(Counter(places))) for serial, places in where.items()]
    return Section(
        title="Units that stand apart",
        heads=("serial", "in"),
        rows=rows,
        texts_n=2,
        notes=("generalised test of Rosner, 5 % for any unit of a good type anywhere; told and kept, never left out",),
    )


def envelope_document(found: Envelope) -> dict[str, Any]:
    """The envelope as JSON values, at full precision."""

    def component(each: Component) -> dict[str, Any]:
        return {"variance": each.variance, "sd": each.sd, "low": each.low, "high": each.high, "dof": each.dof}

    def spread(each: Spread) -> dict[str, Any]:
        place = (
            {"setpoint_pct": each.setpoint_pct, "direction": each.direction}
            if each.is_point
            else {"stage": each.stage, "figure": each.name}
        )
        interval = each.interval
        return place | {
            "unit": each.unit,
            "units": each.units_n,
            "records": each.records_n,
            "mean": each.mean,
            "between_units": component(each.between),
            "between_records": component(each.within),
            "between_cycles": component(each.cycles),
            "U": each.U,
            "limit": each.limit,
            "apart": list(each.apart),
            "interval": None
            if interval is None
            else {
                name: getattr(interval, name) for name in ("low", "high", "coverage", "confidence", "attained", "kind")
            }
            | {"factor": interval.factor, "said": interval.said},
        }

    proposal = found.proposal
    document = json_value(
        {
            "type": found.type,
            "units": found.units_n,
            "records": found.records_n,
            "is_simulated": found.is_simulated,
            "points": [spread(each) for each in found.points],
            "figures": [spread(each) for each in found.figures],
            "apart": list(found.apart),
            "proposal": None
            if proposal is None
            else {
                "half_width_pct": proposal.half_width_pct,
                "reach_pct": proposal.reach_pct,
                "guard_pct": proposal.guard_pct,
                "setpoint_pct": proposal.at.setpoint_pct,
                "direction": proposal.at.direction,
                "stated_pct": proposal.stated_pct,
                "is_sure": proposal.is_sure,
            },
            "remarks": list(found.remarks),
        },
        digits=COMPUTED_DIGITS,
    )
    assert isinstance(document, dict)
    return document
