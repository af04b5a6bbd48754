"""The effect of a quantity on everything that a repeated step finds, from the table."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from instruments.errors import ReadingsError
from instruments.units import magnitude, quantity, show
from sequencer.evaluation.evaluate import evaluate
from sequencer.evaluation.influence import Effect, Stay, effect
from sequencer.evaluation.loop_compliance import MOST_EFFECT_PCT
from sequencer.inputs.step import READING, UNDER, Judged, Seen, registry

if TYPE_CHECKING:
    from sequencer.steps.influence.step import InfluenceSettings

__all__ = ["Influence", "Moved", "influences", "place_of", "under_role"]

_Value = tuple[str, str, float, float]
"""Name, unit, value, standard uncertainty from scatter and resolution."""

_OUTPUT = "output at "
_FIGURES = ("hysteresis", "non-linearity, independent", "non-repeatability")


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One value and what the quantity does to it; `effect` in `unit`, per unit of the quantity where that is asked."""

    name: str
    unit: str
    at_reference: float
    effect: Effect


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """What one quantity does to all that was repeated under it.

    Attributes:
        quantity: its name.
        unit: of its levels.
        reference: in that unit.
        beside: what else was held meanwhile, as written; "" = nothing.
        moved: each value.
        at_most_pct: what no change of an output may exceed, % of span; None = no limit.
        missing: what could not be evaluated, in words.
        limits: those that repeated steps state, of each stay.
    """

    quantity: str
    unit: str
    reference: float
    beside: str
    moved: tuple[Moved, ...]
    at_most_pct: float | None
    missing: tuple[str, ...]
    limits: tuple[Judged, ...] = ()

    @property
    def outputs(self) -> tuple[Moved, ...]:
        """Those that are an error of the output at one input."""
        return tuple(each for each in self.moved if each.name.startswith(_OUTPUT))


def under_role(stay: int, inner: int, role: str) -> str:
    """A role as it is under a stay: "under 2.0: reading"."""
    return f"under {stay}.{inner}{UNDER}{role}"


def place_of(role: str) -> tuple[int, int, str] | None:
    """Number of the stay and of the repeated step, and the role in that; None for a role that is none."""
    head, found, rest = role.partition(UNDER)
    if not found or not head.startswith("under "):
        return None
    stay, _, inner = head.removeprefix("under ").partition(".")
    return int(stay), int(inner), rest


def influences(seen: Seen) -> tuple[Influence, ...]:
    """Each influence step in a table, those nested in another once for each level of that."""
    from sequencer.steps.influence.step import InfluenceSettings  # noqa: PLC0415  settings and plan know this module

    rows = seen.table[seen.table["role"].str.startswith("under ")]
    found: list[Influence] = []
    for number, part in rows.groupby("step", sort=True):
        settings = seen.settings.get(int(str(number)))
        if isinstance(settings, InfluenceSettings):
            found += _of_one(replace(seen, table=part), int(str(number)), settings, depth=0)
    return tuple(found)


def _of_one(seen: Seen, number: int, settings: "InfluenceSettings", *, depth: int) -> Iterator[Influence]:
    """One influence step, and those nested in it."""
    table = seen.table
    places = [place_of(role) for role in table["role"]]
    stay, inner, role = (list(each) for each in zip(*(place or (-1, -1, "") for place in places), strict=True))
    table = table.assign(role=role)
    unit = str(settings.reference.units)
    moved: list[Moved] = []
    missing: list[str] = []
    limits: list[Judged] = []
    stays = sorted(set(stay))
    for index, (name, inner_settings) in enumerate(settings.steps):
        values: dict[tuple[str, str], list[Stay]] = {}
        nested: list[Influence] = []
        for each in stays:
            is_here = (np.array(stay) == each) & (np.array(inner) == index)
            here = table[is_here]
            if here.empty:
                continue
            level_text = _levels(str(here["under"].iloc[0]))[depth][1]
            level = magnitude(quantity(level_text), unit)
            inside = replace(seen, table=here, settings={number: inner_settings})
            if name == "influence":
                nested += _of_one(inside, number, inner_settings, depth=depth + 1)  # type: ignore[arg-type]  # its own
                continue
            at_s = float((here["at_s"].iloc[0] + here["at_s"].iloc[-1]) / 2)
            try:
                found, judged = _values(inside, name)
                limits += [replace(known, name=f"{known.name}, {settings.of} {level_text}") for known in judged]
                for what, value_unit, value, u in found:
                    values.setdefault((what, value_unit), []).append(Stay(level=level, at_s=at_s, value=value, u=u))
            except ReadingsError as error:
                missing.append(f"{name} at {level_text}: {error.what}")
        yield from nested
        moved += _moved(values, magnitude(settings.reference, unit), missing)
    if moved or missing or limits:
        yield Influence(
            quantity=settings.of,
            unit=show(settings.reference).rpartition(" ")[2],
            reference=magnitude(settings.reference, unit),
            beside="; ".join(f"{name} {level}" for name, level in _levels(str(table["under"].iloc[0]))[:depth]),
            moved=tuple(moved),
            at_most_pct=None if settings.at_most is None else 100 * settings.at_most,
            missing=tuple(missing),
            limits=tuple(limits),
        )


def _levels(under: str) -> list[tuple[str, str]]:
    """The column "under" as pairs."""
    pairs = (each.partition(" = ") for each in under.split("; "))
    return [(name, level) for name, _, level in pairs]


def _moved(values: dict[tuple[str, str], list[Stay]], reference: float, missing: list[str]) -> Iterator[Moved]:
    outputs = [stays for (name, _), stays in values.items() if name.startswith(_OUTPUT)]
    not_held = _not_held(outputs, reference)
    for (name, unit), stays in values.items():
        home = [each.value for each in stays if each.level == reference and math.isfinite(each.value)]
        if not home:
            missing.append(f"{name}: nothing was found at the reference")
            continue
        found = effect(stays, reference, alike=outputs, not_held=not_held)
        yield Moved(name=name, unit=unit, at_reference=float(np.mean(home)), effect=found)


def _not_held(outputs: Sequence[Sequence[Stay]], reference: float) -> set[float]:
    """Levels at which an output goes far from where it should be, and not in proportion: it is clipped there, or dead.

    Whatever else is found at such a level tells of that, and not of the quantity.
    """
    found: set[float] = set()
    for stays in outputs:
        if any(each.level == reference and math.isfinite(each.value) for each in stays):
            seen = effect(stays, reference)
            if seen.is_proportional is False:
                found |= {float(each) for each in seen.levels[np.abs(seen.change) > MOST_EFFECT_PCT]}
    return found


def _values(seen: Seen, name: str) -> tuple[list[_Value], tuple[Judged, ...]]:
    """What a step found in one stay, and those of its results that have a limit."""
    step = registry()[name]
    results = step.evaluate(seen)
    if (seen.table["role"] == READING).any():
        return list(_of_traverse(seen)), step.judged(results)
    known = step.values(results)
    values = [(each.name, each.unit, each.value, 0.0 if math.isnan(each.U) else each.U / 2) for each in known]
    return values, step.judged(results)


def _of_traverse(seen: Seen) -> Iterator[_Value]:
    """Error at each input, zero, span and the figures of a traverse, in % of the output span."""
    found = evaluate(seen.table, seen.type_sheet, standard=seen.standard)  # type: ignore[arg-type]  # one of its names
    visits, span = found.visits, found.output_span
    resolution = _resolution(seen)
    free = np.maximum(visits["readings_n"].to_numpy() - 1, 0)
    sd = visits["sd"].fillna(0.0).to_numpy()
    pooled = math.sqrt(float((sd**2 * free).sum()) / max(float(free.sum()), 1.0))
    errors: list[tuple[float, float, float]] = []
    for setpoint_pct, part in visits.groupby("setpoint_pct", sort=True):
        u = math.hypot(pooled / math.sqrt(max(float(part["readings_n"].sum()), 1.0)), resolution / math.sqrt(12))
        errors.append((float(str(setpoint_pct)), float((part["error"] / span * 100).mean()), 100 * u / span))
    for at_pct, error_pct, u_pct in errors:
        yield f"{_OUTPUT}{at_pct:g} %", "% of span", error_pct, u_pct
    if len(errors) > 1:
        (_, low, u_low), (_, high, u_high) = errors[0], errors[-1]
        yield "span", "% of span", high - low, math.hypot(u_low, u_high)
    for figure in found.figures:
        if figure.name in _FIGURES and figure.value is not None:
            # A largest difference scatters as the difference of two points does, at least.
            least = math.sqrt(2) * max(u for _, _, u in errors)
            yield figure.name, "% of span", figure.value, max(figure.u_scatter or 0.0, least)


def _resolution(seen: Seen) -> float:
    """Step of what reads the output, in the unit of the output."""
    tap = seen.sheet.taps[-1]
    step = float(seen.receivers.get(tap.name, {}).get("resolution") or 0.0)
    ends = np.array([0.0, step])
    found = tap.to_value(tap.to_signal(np.array([tap.high, tap.high])) - ends)
    return abs(float(found[1] - found[0]))
