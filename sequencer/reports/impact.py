"""What an instrument that was found out means for the records that used it, as a report."""

from typing import Any

from instruments.texts import COMPUTED_DIGITS, json_value
from sequencer.history.impact import Affected, Impact
from sequencer.history.simulated import mixed
from sequencer.reports.as_text import counted, percent_used
from sequencer.reports.sections import Section, Told

__all__ = ["impact_document", "told"]


def told(found: Impact) -> Told:
    """The report of an instrument."""
    n, changed = len(found.records), found.changed
    computed = [each for each in found.records if each.after]
    sections = []
    if changed:
        sections.append(_table("Verdicts that change", changed))
    same = [each for each in computed if not each.is_changed]
    if same:
        sections.append(_table("Verdicts that stay", same))
    for title, records in (("Not known", found.unknown), ("Not touched", found.untouched)):
        if records:
            rows = [(_day(each), each.serial, each.before or "–", each.reason) for each in records]
            sections.append(Section(title=title, heads=("date", "serial", "verdict", "why"), rows=rows, texts_n=4))
    since = f" since {found.since}" if found.since else ""
    return Told(
        answer=f"{len(changed)} OF {n} VERDICTS CHANGE"
        + (f", {len(found.unknown)} NOT KNOWN" if found.unknown else ""),
        largest=f"{found.instrument}, found wrong by {found.error}{since}",
        is_good=False if changed else None if found.unknown or not computed else True,
        is_simulated=found.simulated_n > 0,
        sentences=(
            *mixed(found.simulated_n, n),
            f"{counted(n, 'record')} used it, {len(computed)} computed again with this error",
            *((f"not touched by it: {len(found.untouched)}",) if found.untouched else ()),
            *((f"not known, since they could not be computed: {len(found.unknown)}",) if found.unknown else ()),
            *(f"{number} from {how}" for how, number in _kinds(changed).items()),
            "no record is altered: each keeps the verdict it was sealed with; amend those that change by a remark",
        ),
        sections=sections,
    )


def _kinds(changed: tuple[Affected, ...]) -> dict[str, int]:
    found: dict[str, int] = {}
    for each in changed:
        how = f"{each.before or 'no verdict'} to {each.after}"
        found[how] = found.get(how, 0) + 1
    return found


def _day(each: Affected) -> str:
    return f"{each.at:%Y-%m-%d}" if each.at else "–"


def _table(title: str, records: "tuple[Affected, ...] | list[Affected]") -> Section:
    rows = [
        (
            _day(each),
            each.serial,
            each.state,
            each.before or "–",
            each.after,
            percent_used(each.used_before),
            percent_used(each.used_after),
        )
        for each in records
    ]
    return Section(
        title=title,
        heads=("date", "serial", "state", "verdict", "with the error", "% tol", "with it"),
        rows=rows,
        texts_n=5,
        notes=("% tol: worst error in % of its tolerance, as it stands and with the error known",),
    )


def impact_document(found: Impact) -> dict[str, Any]:
    """The impact as JSON values."""
    document = json_value(
        {
            "instrument": found.instrument,
            "error": found.error,
            "since": found.since,
            "is_simulated": found.simulated_n > 0,
            "remarks": list(mixed(found.simulated_n, len(found.records))),
            "records": [
                {name: getattr(each, name) for name in ("folder", "serial", "state", "before", "after", "is_changed")}
                | {"date": each.at.isoformat() if each.at else None, "taps": list(each.taps), "reason": each.reason}
                | {"is_simulated": each.is_simulated}
                | {"used_before_pct": each.used_before, "used_after_pct": each.used_after}
                for each in found.records
            ],
        },
        digits=COMPUTED_DIGITS,
    )
    assert isinstance(document, dict)
    return document
