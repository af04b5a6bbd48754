"""What is known of a test beside its results: conditions, instruments with their certificates, rule; and what is not.

For a document in any form, in the language that it has.
"""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from instruments.benchfile import LoadedBench
from instruments.errors import RecordError
from sequencer.diagnosis.result import Content
from sequencer.documents.languages import Language
from sequencer.documents.order import Order
from sequencer.documents.workshop import LoadedWorkshop
from sequencer.evaluation.figures.rule_risk import risk_at_limit
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.decision_rules import RULES
from sequencer.inputs.serials import serial_key
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.reports.as_text import MINUS, significant

__all__ = [
    "Basis",
    "all_instruments",
    "amendments",
    "conditions",
    "doubts",
    "instruments_of",
    "judged",
    "localised",
    "missing",
    "place_of",
    "revision_of",
    "rule_name",
    "rule_of",
]

_NUMBER = re.compile(r"(?<![\w.])([−+-]?[0-9]+)\.([0-9]+)(?![\w.]*[./])")
_OHM = re.compile(r"(?:(?<![A-Za-z])|(?<=\b[kMm]))ohm\b")
_SHARE = re.compile(r"% (of (?:span|output|full scale|reading|range))\b")
_SOURCES = ("ILAC-G8:09/2019 ", "ANSI/NCSL Z540.3 ")
_LONG_DAYS = 90  # from as found to as left, that one job seldom takes; common practice, no source
_USE = re.compile(r"(sets|reads) (.*?), range ([^;]*)")  # as a record says what an instrument did


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What a document for a customer is made of.

    Args:
        content: what was found; sealed, and not altered since.
        sheet: type sheet of the unit.
        bench: that it was tested on; None = not known.
        order: what the record does not know.
        workshop: template.
        issued: ISO date of today, where the order names none.
        tag: of the unit, as the record has it; "" = none.
        earlier: the same of the as-found run that is set beside it; None = there is none, or it is not known.
        repairs: of the unit between the two runs: ISO date, and what was done.
    """

    content: Content
    sheet: TypeSheet
    bench: LoadedBench | None
    order: Order
    workshop: LoadedWorkshop
    issued: str
    tag: str = ""
    earlier: "Basis | None" = None
    repairs: tuple[tuple[str, str], ...] = ()

    @property
    def other_tag(self) -> bool:
        """The order names another tag than the record."""
        ordered = self.order.item.tag
        return bool(ordered and self.tag) and serial_key(ordered) != serial_key(self.tag)


def judged(content: Content) -> Evaluation:
    """The evaluation of a record that a customer may be told of."""
    where, found = content.folder, content.evaluation
    if content.alterations:
        raise RecordError(
            f"the record was altered since it was sealed: {content.alterations[0]}",
            where=where,
            todo="no report can be issued of it; livezero verify lists all that was altered",
        )
    if not content.digest:
        raise RecordError(
            "the record is not sealed, so nobody could prove what the report says",
            where=where,
            todo=f"livezero resume {where}, or livezero close {where}",
        )
    if found is None or found.points.empty:
        raise RecordError(
            f"the record holds no result: {content.reason}",
            where=where,
            todo="test the unit again; livezero report shows what was recorded",
        )
    return found


_RESEALED = "sealed anew, "
_AMENDED = re.compile(
    rf"(?:revision [0-9]+, in place of [0-9]+: )?corrected after sealing, |{_RESEALED}"
    "|the verdict as sealed(?:, without the corrections:| is not known)"
)
_REVISION = re.compile(r"revision ([0-9]+), in place of [0-9]+: ")


def amendments(content: Content) -> tuple[str, ...]:
    """What was changed of a record after it was sealed, in its words: who, what, when, why, and the verdict sealed.

    What is changed makes a revision; a remark does not.
    """
    return tuple(each for each in content.remarks if _AMENDED.match(each))


def revision_of(content: Content) -> int:
    """The revision of a record that a report rests on; 1 = as sealed."""
    changed = amendments(content)
    told = [int(found[1]) for each in changed if (found := _REVISION.match(each))]
    of_old = 1 + sum("corrected after sealing, " in each or each.startswith(_RESEALED) for each in changed)
    return max(told, default=of_old)


def localised(text: str, spoken: Language) -> str:
    """A text of ours that is numbers and units, in a language: "0.2 % of span" is "0,2 % der Spanne"."""
    text = _OHM.sub("Ω", text)
    said = _SHARE.sub(lambda part: spoken[part[1]], text)
    said = re.sub(r"^class\b", spoken["class"], said)
    return _NUMBER.sub(rf"\1{spoken['decimal mark']}\2", said)


def conditions(given: Basis) -> Iterator[tuple[str, str]]:
    """What is known of the conditions: name in the language of the report, and what was stated."""
    spoken, order, bench = given.workshop.language, given.order, given.bench
    stated = bench.file.ambient if bench is not None else None
    ambient = order.ambient or (localised(str(stated), spoken) if stated is not None else "")
    known = (
        ("ambient", ambient),
        ("humidity", order.humidity),
        ("supply", localised(given.sheet.supply, spoken)),
        ("load", localised(given.sheet.load, spoken)),
    )
    yield from ((spoken[name], text) for name, text in known if text)
    yield from order.conditions.items()


def place_of(given: Basis) -> str:
    """Where the test was done: in the laboratory, where that is known and the order names no other; "" = not known."""
    lab = given.workshop.file.laboratory
    return given.order.place or ", ".join(filter(None, (lab.name, lab.city)))


def instruments_of(given: Basis) -> Iterator[dict[str, str]]:
    """The instruments of a run with their certificates, as text; "" where something is not known."""
    certificates, spoken = given.bench.certificates if given.bench is not None else {}, given.workshop.language
    for each in given.content.instruments:
        loaded = certificates.get(each.name)
        file = loaded.file if loaded is not None else None
        yield {
            "name": each.name,
            "what": each.what,
            "identity": each.identity,
            "use": _USE.sub(lambda part: spoken[part[1]].format(tap=part[2], range=part[3]), each.use),
            "certificate": file.number if file is not None else "",
            "calibrated": file.calibrated.isoformat() if file is not None and file.calibrated else "",
            "due": file.due.isoformat() if file is not None and file.due else "",
        }


def all_instruments(given: Basis) -> list[dict[str, str]]:
    """The instruments of both runs; "state" tells whose it is where only one of them used it so, "" = both."""
    own = list(instruments_of(given))
    if given.earlier is None:
        return [each | {"state": ""} for each in own]
    before = list(instruments_of(given.earlier))
    shared = [each | {"state": ""} for each in own if each in before]
    return [
        *shared,
        *(each | {"state": "as found"} for each in before if each not in own),
        *(each | {"state": "as left"} for each in own if each not in before),
    ]


def rule_of(found: Evaluation, spoken: Language) -> str:
    """The decision rule: its name, guard band, and the risk that it takes (ISO/IEC 17025:2017, 7.8.6.1)."""
    if found.budget is None:
        return spoken["no decision rule"]
    rule = RULES[found.basis.rule]
    name = rule_name(rule.name, spoken)
    judged = found.visits.loc[found.visits["is_judged"], "dof"].dropna()
    if rule.guard != "of U":
        return f"{name}: {spoken['rule own guard']}"
    if not rule.w_over_U:
        return f"{name}: {spoken['rule simple']}"
    guard = spoken["rule guard"].format(w=spoken.number(f"{rule.w_over_U:g}".replace("-", MINUS)))
    if rule.w_over_U < 0:
        return f"{name}: {guard}"
    dof = float(judged.min()) if len(judged) else math.inf
    risk = risk_at_limit(rule, coverage=found.basis.coverage, dof=dof)
    return f"{name}: {guard}; {spoken['rule risk'].format(risk=spoken.number(significant(100 * risk, 3)))}"


def rule_name(name: str, spoken: Language) -> str:
    """The name of a rule, its words in a language; where it comes from stays."""
    for source in _SOURCES:
        if name.startswith(source):
            return f"{source}{spoken.word('rule name', name.removeprefix(source))}"
    return spoken.word("rule name", name)


def doubts(given: Basis) -> Iterator[str]:
    """What is stated and cannot be so (ISO/IEC 17025:2017, 7.8.2.1 h to j)."""
    found, order = given.content.evaluation, given.order
    tested = found.basis.date[:10] if found is not None else ""
    if order.item.received is not None and tested and order.item.received.isoformat() > tested:
        yield f"received {order.item.received}, which is after the test of {tested}"
    if order.issued is not None and tested and order.issued.isoformat() < tested:
        yield f"issued {order.issued}, which is before the test of {tested}"
    if given.earlier is not None:
        yield from _doubts_of_earlier(given, given.earlier)
    if revision_of(given.content) > 1 and order.amends is None:
        yield (
            f"revision {revision_of(given.content)} of the record, which was changed after it was sealed: where a "
            'report of it was issued before, this one has to be a new revision, with "amends" in the order'
        )
    if given.other_tag:
        yield f"tag {order.item.tag}, but the record is of the tag {given.tag}, which is listed as a deviation"


def _doubts_of_earlier(given: Basis, earlier: Basis) -> Iterator[str]:
    """Whether the as-found run is of this job."""
    before, now = (date.fromisoformat(each.content.date[:10]) for each in (earlier, given))
    received = given.order.item.received
    if received is not None and before < received:
        yield f"as found on {before}, which is before it was received on {received}: that run may be of another job"
    elif (now - before).days > _LONG_DAYS:
        yield f"as found on {before}, {(now - before).days} days before it was left: that run may be of another job"


def missing(given: Basis, spoken: Language) -> Iterator[str]:
    """Each thing that a report should state and that nobody stated, in a language."""
    order, content, lab = given.order, given.content, given.workshop.file.laboratory
    asked = (
        ("number", order.number),
        ("laboratory", lab.name and lab.city),
        ("customer", order.customer.name and order.customer.city),
        ("order", order.order),
        ("serial", content.serial),
        ("condition", order.item.condition),
        ("received", order.item.received),
        ("place", place_of(given)),
        ("tested by", order.tested_by or content.operator),
        ("authorised by", order.authorised_by),
        ("ambient", order.ambient or (given.bench is not None and given.bench.file.ambient is not None)),
        ("missing supply", given.sheet.supply),
        ("missing load", given.sheet.load),
        ("instruments", content.instruments),
    )
    yield from (spoken[name] for name, known in asked if not known)
    if order.opinions_by and not order.opinions and given.workshop.language.code != "en":
        yield spoken["opinions"]  # the words of the record are English, and stand in no other language
    lacking = [each["name"] for each in all_instruments(given) if not each["certificate"]]
    for each in dict.fromkeys(lacking):
        yield spoken["missing certificate"].format(name=each)
    if given.content.evaluation is not None and given.content.evaluation.budget is None:
        yield spoken["uncertainty"]
