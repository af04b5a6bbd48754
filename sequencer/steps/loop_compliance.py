"""Loop compliance: at each supply voltage, the largest load at which the output still holds, found by search."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

from markupsafe import Markup
from pydantic import Field, model_validator

from instruments.fields import FractionField, LevelField, LevelsField, SpanField
from instruments.filemodel import FileModel
from instruments.texts import finite_or_none, sized
from instruments.units import is_alike, magnitude, quantity, show
from sequencer.evaluation.loop_compliance import Compliance, Tried, compliance, next_load
from sequencer.evaluation.step_limits import limit_words
from sequencer.inputs.step import Beyond, Judged, Seen, Setpoint, Step
from sequencer.reports.drawing.chart import bar_sample, legend_drawing, line_sample
from sequencer.reports.drawing.panel import Panel, Scale
from sequencer.reports.drawing.svg import BAND, DASH, DOWN, UP, Look
from sequencer.reports.terminal.lines import listed, wrapped

if TYPE_CHECKING:
    from instruments.datasheet import DataSheet, Tap
    from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["STEP", "LoopCompliance", "LoopComplianceSettings"]

_ROLE = "loop compliance"
_USUAL_V, _LARGEST_mA = 10.0, 20.0
"""What two-wire units need at their terminals, 7 to 12 V, and give: common practice, no source. For the time told."""
_SUPPLY, _LOAD = "supply voltage", "load"
_NOTE = (
    "The loop drives a load as long as the supply leaves the unit the voltage that it needs: R = (Vs - Vmin) / I. "
    "The border lies between the two loads of each supply voltage."
)


class LoopComplianceSettings(FileModel):
    """At which input, supply voltages and loads, how finely, and what drop of the output is too much, in % of span.

    Without `at` the input is that of the largest output current: 100 %, of a falling output 0 %. `at least` states the
    load that the loop has to drive at some of the supply voltages.
    """

    at: FractionField | None = Field(None, ge=-0.25, le=1.25)
    supply: LevelsField = Field(min_length=1, max_length=30)
    load: SpanField
    to: LevelField
    within: FractionField = Field(0.001, gt=0, le=0.5)
    readings: int = Field(3, ge=1, le=1000)
    at_least: dict[str, LevelField] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if any(not is_alike(str(each.units), "V") for each in self.supply):
            raise ValueError("supply voltages in V")
        if not (is_alike(self.load.unit, "ohm") and is_alike(str(self.to.units), "ohm")):
            raise ValueError("loads in ohm")
        if len(set(self.supplies_V)) < len(self.supply):
            raise ValueError("each supply voltage once")
        low, high = self.loads_ohm
        if not (0 <= low < high and 0 < self.to_ohm <= high - low):
            raise ValueError('loads from 0 ohm up, and a "to" between them')
        for text, least in self.at_least.items():
            if magnitude(quantity(text), "V") not in self.supplies_V or not is_alike(str(least.units), "ohm"):
                raise ValueError('"at least" by one of the supply voltages, such as {24 V: 500 ohm}')
        return self

    @property
    def supplies_V(self) -> tuple[float, ...]:
        """The supply voltages."""
        return tuple(magnitude(each, "V") for each in self.supply)

    @property
    def loads_ohm(self) -> tuple[float, float]:
        """The least and the largest load."""
        within = self.load.within("ohm")
        return within.bottom, within.top

    def at_of(self, sheet: "DataSheet") -> float:
        """The input, as fraction: where the output is largest, if none is stated."""
        largest = 1.0 if sheet.taps[-1].span > 0 else 0.0
        return largest if self.at is None else self.at

    @property
    def to_ohm(self) -> float:
        """How finely the border is looked for."""
        return magnitude(self.to, "ohm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The compliance of one step, at which input, % of its range, and what it is held against."""

    compliance: Compliance
    at_pct: float
    settings: LoopComplianceSettings


class LoopCompliance(Step):
    """The least and the largest load at each supply voltage first; then the middle of what holds and what drops."""

    settings = LoopComplianceSettings
    roles = (_ROLE,)

    def planned(self, settings: FileModel, type_sheet: "TypeSheet") -> tuple[Setpoint, ...]:
        """Both ends of the loads at each supply voltage, the highest voltage first: there the loop is freest."""
        assert isinstance(settings, LoopComplianceSettings)
        at = settings.at_of(type_sheet.datasheet())
        order = sorted(settings.supply, key=lambda each: magnitude(each, "V"), reverse=True)
        return tuple(
            _setpoint(settings, show(supply), load, number, at)
            for supply in order
            for number, load in enumerate(settings.loads_ohm)
        )

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """Where it searches."""
        supplies = list(dict.fromkeys(dict(each.under)[_SUPPLY] for each in setpoints))
        loads = list(dict.fromkeys(dict(each.under)[_LOAD] for each in setpoints))
        return f"at {', '.join(supplies)}: loads {' and '.join(loads)}, then what lies between by halving"

    def beyond(self, settings: FileModel) -> tuple[Beyond, Beyond, Beyond]:
        """Halving at none of the supplies, at those that a usual unit has a border at, and at all."""
        assert isinstance(settings, LoopComplianceSettings)
        low, high = settings.loads_ohm
        halvings_n = math.ceil(math.log2((high - low) / settings.to_ohm * (1 - 1e-9)))
        one = Beyond(still_n=halvings_n, readings_n=halvings_n * settings.readings)
        return Beyond(), one.times(len(_usual_borders(settings))), one.times(len(settings.supply))

    def searched(self, settings: FileModel, setpoint: Setpoint) -> tuple[float, float] | None:
        """By the supplies that a usual unit has a border at, the lowest first."""
        assert isinstance(settings, LoopComplianceSettings)
        usual = _usual_borders(settings)
        if not usual:
            return None
        supply_V = settings.supplies_V[setpoint.cycle - 1]
        done_n = min(sum(each < supply_V for each in usual), len(usual) - 1)
        return done_n / len(usual), (done_n + 1) / len(usual)

    def go_on(self, number: int, settings: FileModel, seen: Seen) -> tuple[Setpoint, ...]:
        """The middle of the first border that is too wide."""
        assert isinstance(settings, LoopComplianceSettings)
        tried = _tried(seen, number)
        wanted = next_load(tried, within_pct=100 * settings.within, to_ohm=settings.to_ohm) if tried else None
        if wanted is None:
            return ()
        supply_V, load_ohm = wanted
        supply = next(each for each in settings.supply if magnitude(each, "V") == supply_V)
        tried_n = sum(each.supply_V == supply_V for each in tried)
        return (_setpoint(settings, show(supply), load_ohm, tried_n, settings.at_of(seen.sheet)),)

    def evaluate(self, seen: Seen) -> tuple[Found, ...]:
        """The borders of each such step."""
        found = []
        for number, settings in seen.settings.items():
            if isinstance(settings, LoopComplianceSettings) and (tried := _tried(seen, number)):
                tap = seen.sheet.taps[-1]
                free = max(tried, key=lambda each: (each.supply_V, -each.load_ohm))
                output = _least(tap) + abs(tap.span) * free.output_pct / 100
                current_mA = magnitude(quantity(f"{output!r} {tap.unit}"), "mA")
                found.append(
                    Found(
                        compliance=compliance(tried, within_pct=100 * settings.within, current_mA=current_mA),
                        at_pct=100 * settings.at_of(seen.sheet),
                        settings=settings,
                    )
                )
        return tuple(found)

    def judged(self, results: tuple[Found, ...]) -> tuple[Judged, ...]:
        """The largest load at each supply voltage that has one to drive."""
        return tuple(each for found in results for each in _limits(found))

    def terminal(self, results: tuple[Found, ...], width: int) -> list[str]:
        """A line for each supply voltage, and the voltage that the unit needs."""
        lines: list[str] = []
        for found in results:
            lines += ["", *wrapped(_head(found), width)]
            lines += listed(_words(found), width, first="  ", then="    ")
        return lines

    def html(self, results: tuple[Found, ...]) -> Markup:
        """The same, with the region as a plot."""
        parts = [Markup("<h2>Loop compliance</h2>"), Markup('<p class="note">{}</p>').format(_NOTE)]
        for found in results:
            parts.append(Markup("<p>{}</p><ul>").format(_head(found)))
            parts += [Markup("<li>{}</li>").format(each) for each in _words(found)]
            parts.append(Markup("</ul><figure>{}</figure>").format(Markup(_plot(found))))  # noqa: S704  it escapes
        return Markup("\n").join(parts)

    def json(self, results: tuple[Found, ...]) -> list[dict[str, Any]]:
        """The borders; null where the output held at all loads or at none."""
        return [
            {
                "at_pct": found.at_pct,
                "current_mA": found.compliance.current_mA,
                "least_V": finite_or_none(found.compliance.least_V),
                "within_V": finite_or_none(found.compliance.within_V),
                "agrees": found.compliance.agrees,
                "borders": [
                    {
                        "supply_V": each.supply_V,
                        "holds_ohm": finite_or_none(each.holds_ohm),
                        "drops_ohm": finite_or_none(each.drops_ohm),
                        "effect_pct": finite_or_none(each.effect_pct),
                    }
                    for each in found.compliance.borders
                ],
                "limits": [limit_words(each) for each in _limits(found)],
            }
            for found in results
        ]


def _least(tap: "Tap") -> float:
    return min(tap.low, tap.high)


def _usual_borders(settings: LoopComplianceSettings) -> list[float]:
    """The supply voltages at which a usual unit holds the least load and not the largest: Ohm's law."""
    least, largest = (_USUAL_V + ohm * _LARGEST_mA / 1e3 for ohm in settings.loads_ohm)
    return [each for each in sorted(settings.supplies_V) if least <= each < largest]


def _setpoint(settings: LoopComplianceSettings, supply: str, load_ohm: float, number: int, at: float) -> Setpoint:
    cycle = 1 + [show(each) for each in settings.supply].index(supply)
    return Setpoint(
        frac=at,
        role=_ROLE,
        direction="up",
        cycle=cycle,
        point=number,
        readings_n=settings.readings,
        under=((_SUPPLY, supply), (_LOAD, f"{load_ohm:.10g} ohm")),
    )


def _tried(seen: Seen, number: int) -> list[Tried]:
    """What was tried so far, the mean of the readings of each."""
    tap = seen.sheet.taps[-1]
    rows = seen.rows(_ROLE)
    rows = rows[(rows["step"] == number) & (rows["tap"] == tap.name) & rows["value"].notna()]
    found = []
    for (_, under), part in rows.groupby(["number", "under"], sort=True):
        levels = dict(each.split(" = ") for each in str(under).split("; "))
        found.append(
            Tried(
                supply_V=magnitude(quantity(levels[_SUPPLY]), "V"),
                load_ohm=magnitude(quantity(levels[_LOAD]), "ohm"),
                output_pct=100 * (float(part["value"].mean()) - _least(tap)) / abs(tap.span),
            )
        )
    return found


def _limits(found: Found) -> Iterator[Judged]:
    by_V = {each.supply_V: each for each in found.compliance.borders}
    for text, least in found.settings.at_least.items():
        least_ohm, border = magnitude(least, "ohm"), by_V.get(magnitude(quantity(text), "V"))
        holds = math.nan if border is None else border.holds_ohm
        drops = math.nan if border is None else border.drops_ohm
        is_met = True if holds >= least_ohm else False if drops <= least_ohm or math.isnan(holds) else None
        yield Judged(
            name=f"load at {text}",
            value=0.0 if math.isnan(holds) else holds,
            unit="ohm",
            limit=f"at least {sized(least_ohm)} ohm",
            is_met=is_met,
            reason='it lies within the step of the search: give a smaller "to"' if is_met is None else "",
        )


def _head(found: Found) -> str:
    return (
        f"loop compliance at {sized(found.at_pct)} % of the input, "
        f"{sized(found.compliance.current_mA, 4)} mA: the output holds within "
        f"{sized(100 * found.settings.within)} % of span"
    )


def _words(found: Found) -> list[str]:
    said = []
    for each in found.compliance.borders:
        if math.isnan(each.holds_ohm):
            what = f"not even with {sized(found.settings.loads_ohm[0])} ohm"
        elif math.isnan(each.drops_ohm):
            what = f"with every load up to {sized(each.holds_ohm)} ohm, the largest that was tried"
        else:
            what = f"with {sized(each.holds_ohm, 4)} ohm, not with {sized(each.drops_ohm, 4)} ohm"
        if abs(each.effect_pct) > 100 * found.settings.within:
            what += f"; the supply alone moves the output by {sized(each.effect_pct, 2)} % of span"
        said.append(f"at {sized(each.supply_V)} V: {what}")
    result = found.compliance
    if math.isfinite(result.least_V):
        needs = f"{sized(result.least_V, 3)} V, within {sized(max(result.within_V, 1e-3), 1)} V"
        said.append(
            f"the unit needs {needs} either way, at its terminals"
            if result.agrees
            else f"the borders do not keep to one voltage at the terminals: {needs} either way covers them; "
            "look for a resistance that changes, or a supply that limits its current"
        )
    said += [f"limit: {limit_words(each)}" for each in _limits(found)]
    return said


def _plot(found: Found) -> str:
    """The region in which the output holds: load against supply voltage."""
    borders = [each for each in found.compliance.borders if math.isfinite(each.holds_ohm)]
    low, high = found.settings.loads_ohm
    held_look, dropped_look = Look(UP, "none", "up", 1.6), Look(DOWN, DASH, "down", 1.4)
    legend = [
        (bar_sample(BAND, BAND), "the output holds"),
        (line_sample(held_look), "largest load that held"),
        (line_sample(dropped_look), "least load that did not"),
    ]
    drawing, top = legend_drawing("Loop compliance", legend, below=300)
    voltages = [each.supply_V for each in found.compliance.borders]
    pad = 0.05 * (max(voltages) - min(voltages)) or 1.0
    x = Scale(min(voltages) - pad, max(voltages) + pad, 92, 704)
    panel = Panel(drawing, x, Scale(min(0.0, low), 1.06 * high, top + 240, top))
    panel.frame("Supply voltage in V", "Load in ohm")
    held = [(each.supply_V, each.holds_ohm) for each in borders]
    if len(held) > 1:
        panel.area(held, [(supply_V, low) for supply_V, _ in held], fill=BAND)
    panel.series(held, held_look)
    panel.series(
        [(each.supply_V, each.drops_ohm) for each in found.compliance.borders if math.isfinite(each.drops_ohm)],
        dropped_look,
    )
    panel.edge()
    return drawing.svg()


STEP = LoopCompliance()
