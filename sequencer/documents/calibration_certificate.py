"""A record as a Digital Calibration Certificate: XML by the schema of PTB, version 3.3.0, with units of D-SI 2.2.1.

Each result is marked with its kind of quantity (`basic_referenceValue` and others, names from memory), so that it can
be read back for an instrument: the reference is the nominal output for the input that was applied. It computes no
figure.
"""

import math
from collections.abc import Iterator

import pandas as pd
from lxml import etree
from scipy import special

from instruments.certified import FloatArray
from instruments.dsi import to_dsi
from instruments.errors import InputError
from instruments.texts import to_digits, visible
from sequencer.documents.order import Address
from sequencer.documents.sentences import sentence
from sequencer.documents.stated import Basis, all_instruments, amendments, conditions, judged, revision_of, rule_of
from sequencer.evaluation.result import Evaluation
from sequencer.reports.words import ordered

__all__ = ["calibration_certificate"]

_VERSION = "3.3.0"
_DCC, _SI = "https://ptb.de/dcc", "https://ptb.de/si"
_CONFORMITY = {
    "pass": "pass", "conditional pass": "conditionalPass", "conditional fail": "conditionalFail", "fail": "fail",
}  # fmt: skip
_STATUS = {"as found": "beforeAdjustment", "as left": "afterAdjustment"}
_WAYS = {"up": "upscale", "down": "downscale", "": "no direction"}


def calibration_certificate(given: Basis, *, ended: str) -> bytes:
    """The certificate of a record as XML.

    Args:
        given: what it is made of.
        ended: ISO date of the last reading.

    Raises:
        RecordError: the record was altered, is not sealed, or has nothing that was evaluated.
        InputError: something is not stated that the schema does not go without, or a unit has no name in D-SI.
    """
    found = judged(given.content)
    _refuse_incomplete(given)
    root = etree.Element(f"{{{_DCC}}}digitalCalibrationCertificate", nsmap={"dcc": _DCC, "si": _SI})
    root.set("schemaVersion", _VERSION)
    _Writer(given, found).administrative(root, ended)
    _Writer(given, found).results(root)
    made: bytes = etree.tostring(root, xml_declaration=True, encoding="UTF-8", pretty_print=True)
    return made


def _refuse_incomplete(given: Basis) -> None:
    order, lab = given.order, given.workshop.file.laboratory
    asked = {
        "number (of the report)": order.number,
        "customer: name": order.customer.name,
        "customer: city": order.customer.city,
        "laboratory: name": lab.name,
        "laboratory: city": lab.city,
        "laboratory: country": lab.country,
        "authorised by": order.authorised_by,
        "serial (of the record)": given.content.serial,
    }
    lacking = [name for name, known in asked.items() if not known]
    if lacking:
        raise InputError(
            f"a Digital Calibration Certificate cannot be without: {', '.join(lacking)}",
            todo="state it in the order (--order) and the template of the workshop (--template)",
        )


def _line(text: object) -> str:
    """A text as the schema takes it: on one line, no blanks at the ends, what does not print written out."""
    return visible(" ".join(str(text).split()))


class _Writer:
    """Writes the two rings of a certificate, element by element, in the order that the schema asks for."""

    def __init__(self, given: Basis, found: Evaluation) -> None:
        self._given, self._found = given, found
        self._code = given.workshop.language.code

    def _add(self, into: etree._Element, name: str, text: object = "", *, of: str = _DCC) -> etree._Element:
        element = etree.SubElement(into, f"{{{of}}}{name}")
        if text != "":
            element.text = _line(text)
        return element

    def _said(self, into: etree._Element, name: str, text: object, *, lang: str = "en") -> None:
        """An element with a text in a language; "" = in none that is known."""
        content = self._add(self._add(into, name), "content", text)
        if lang:
            content.set("lang", lang)

    def administrative(self, root: etree._Element, ended: str) -> None:
        """Who, what, when, for whom, and the statements."""
        content, order = self._given.content, self._given.order
        ring = self._add(root, "administrativeData")
        software = self._add(self._add(ring, "dccSoftware"), "software")
        self._said(software, "name", "livezero")
        self._add(software, "release", content.versions.get("livezero", "0"))
        core = self._add(ring, "coreData")
        self._add(core, "countryCodeISO3166_1", self._given.workshop.file.laboratory.country)
        for code in dict.fromkeys((self._code, "en")):  # what a record says is English
            self._add(core, "usedLangCodeISO639_1", code)
        self._add(core, "mandatoryLangCodeISO639_1", "en")
        revision = f", revision {order.revision}" if order.revision > 1 else ""
        self._add(core, "uniqueIdentifier", f"{order.number}{revision}")
        if order.order:
            self._identified(self._add(core, "identifications"), "customer", order.order, "order")
        if order.item.received is not None:
            self._add(core, "receiptDate", order.item.received.isoformat())
        began = content if self._given.earlier is None else self._given.earlier.content
        self._add(core, "beginPerformanceDate", began.date[:10])
        self._add(core, "endPerformanceDate", ended[:10] or content.date[:10])
        self._add(core, "performanceLocation", "other" if order.place else "laboratory")
        self._add(core, "issueDate", order.issued.isoformat() if order.issued else self._given.issued)
        if order.amends is not None:
            amended = self._add(core, "reportAmendedSubstituted")
            self._add(amended, "typeOfChange", "amended")
            self._add(amended, "replacedUniqueIdentifier", order.amends.number)
        self._item(self._add(ring, "items"))
        lab = self._add(ring, "calibrationLaboratory")
        if self._given.workshop.file.laboratory.accreditation:
            self._add(lab, "calibrationLaboratoryCode", self._given.workshop.file.laboratory.accreditation)
        self._contact(self._add(lab, "contact"), self._given.workshop.file.laboratory)
        self._persons(self._add(ring, "respPersons"))
        self._contact(self._add(ring, "customer"), order.customer)
        self._statements(self._add(ring, "statements"))

    def _identified(self, into: etree._Element, issuer: str, value: str, name: str) -> None:
        one = self._add(into, "identification")
        self._add(one, "issuer", issuer)
        self._add(one, "value", value)
        self._said(one, "name", name)

    def _item(self, items: etree._Element) -> None:
        content, item = self._given.content, self._given.order.item
        one = self._add(items, "item")
        self._said(one, "name", item.description or content.type, lang="")
        said = [
            ("type tested", content.type if item.description.casefold() not in {"", content.type.casefold()} else ""),
            ("condition on receipt", item.condition),
            ("supply", self._given.sheet.supply),
            ("load", self._given.sheet.load),
        ]
        texts = [f"{name}: {text}" for name, text in said if text]
        if texts:
            self._said(one, "description", "; ".join(texts), lang="")
        if item.manufacturer:
            self._said(self._add(one, "manufacturer"), "name", item.manufacturer, lang="")
        if item.model:
            self._add(one, "model", item.model)
        identities = self._add(one, "identifications")
        self._identified(identities, "manufacturer", content.serial, "serial number")
        if item.tag:
            self._identified(identities, "owner", item.tag, "tag")

    def _contact(self, into: etree._Element, of: Address) -> None:
        self._said(into, "name", of.name, lang="")
        for name, text in (("eMail", of.e_mail), ("phone", of.phone)):
            if text:
                self._add(into, name, text)
        place = self._add(into, "location")
        for name, text in (
            ("city", of.city),
            ("countryCode", of.country),
            ("postCode", of.post_code),
            ("street", of.street),
        ):
            if text:
                self._add(place, name, text)

    def _persons(self, into: etree._Element) -> None:
        order = self._given.order
        earlier = self._given.earlier
        tested_by = order.tested_by or self._given.content.operator
        found_by = earlier.content.operator if earlier is not None else ""
        persons = [(order.authorised_by, "authorised by"), (tested_by, "tested by")]
        if found_by and found_by != tested_by:
            persons.append((found_by, "tested by, as found"))
        for name, role in persons:
            if name:
                one = self._add(into, "respPerson")
                self._said(self._add(one, "person"), "name", name, lang="")
                self._add(one, "role", role)
                self._add(one, "mainSigner", "true" if role == "authorised by" else "false")

    def _statements(self, into: etree._Element) -> None:
        """Conformity with its rule, what the results relate to, and what must not be overlooked."""
        content, found, order, spoken = (
            self._given.content,
            self._found,
            self._given.order,
            self._given.workshop.language,
        )
        one = self._add(into, "statement")
        one.set("refType", "basic_conformity")
        self._said(one, "name", "statement of conformity")
        self._add(one, "convention", rule_of(found, spoken))
        reserved = "".join(f"; reservation: {each}" for each in found.verdict.reservations)
        said = f"{found.verdict.result}: {found.verdict.reason}; specification ±{found.tolerance}{reserved}"
        self._said(one, "declaration", said)
        if found.verdict.result in _CONFORMITY:
            self._add(one, "conformity", _CONFORMITY[found.verdict.result])
        texts = [
            ("items", spoken["only items"], self._code),
            ("reproduction", spoken["in full"], self._code),
            ("record", f"SHA-256 of the record: {content.digest}", "en"),
        ]
        texts += [
            ("repair", spoken["repaired"].format(date=day, what=what), self._code) for day, what in self._given.repairs
        ]
        if (earlier := self._given.earlier) is not None and earlier.content.evaluation is not None:
            weak = (*earlier.content.evaluation.verdict.reservations, *amendments(earlier.content))
            texts += [("reservation as found", sentence(each, spoken), self._code) for each in weak]
        if content.is_simulated:
            texts.insert(0, ("simulated", spoken["simulated"], self._code))
        if order.amends is not None:
            text = spoken["amended"].format(number=order.amends.number, reason=order.amends.reason)
            texts.append(("amendment", text, self._code))
        if (revision := revision_of(content)) > 1:
            amended = spoken["record amended"].format(revision=revision, digest=content.digest[:12])
            texts.append(("amended record", amended, self._code))
            texts += [("amended record", sentence(each, spoken), self._code) for each in amendments(content)]
        for name, text, code in texts:
            one = self._add(into, "statement")
            self._said(one, "name", name)
            self._said(one, "declaration", text, lang=code)

    def results(self, root: etree._Element) -> None:
        """The errors as found, where they are known, and as they are now; with the way to them."""
        content, found = self._given.content, self._found
        ring = self._add(root, "measurementResults")
        method = self._add(self._add(ring, "usedMethods"), "usedMethod")
        self._said(method, "name", self._given.order.method or content.sequence, lang="")
        self._add(method, "norm", found.standard)
        self._instruments(ring)
        states = [("as found", content.before)] if content.before is not None else []
        for state, each in [*states, (content.state, found)]:
            self._measured(ring, each, state)

    def _instruments(self, ring: etree._Element) -> None:
        known = all_instruments(self._given)
        if not known:
            return
        listed = self._add(ring, "measuringEquipments")
        for each in known:
            one = self._add(listed, "measuringEquipment")
            state = f" ({each['state']})" if each["state"] else ""
            self._said(one, "name", f"{each['name']}{state}: {each['what']}", lang="")
            self._said(one, "description", each["use"], lang=self._code)
            identities = [
                ("identification", each["identity"]),
                ("certificate", each["certificate"]),
                ("calibrated", each["calibrated"]),
            ]
            if any(text for _, text in identities):
                into = self._add(one, "identifications")
                for name, text in identities:
                    if text:
                        self._identified(into, "other", text, name)

    def _measured(self, ring: etree._Element, found: Evaluation, state: str) -> None:
        one = self._add(ring, "measurementResult")
        self._said(one, "name", f"errors of the output{f', {state}' if state else ''}")
        held = [("state", state, _STATUS.get(state, "")), *((name, text, "") for name, text in conditions(self._given))]
        held = [each for each in held if each[1]]
        if held:
            listed = self._add(one, "influenceConditions")
            for name, text, status in held:
                condition = self._add(listed, "influenceCondition")
                self._said(condition, "name", name, lang="")
                if status:
                    self._add(condition, "status", status)
                self._said(self._add(condition, "data"), "text", text, lang="")
        result = self._add(self._add(one, "results"), "result")
        self._said(result, "name", f"error of the output in {found.output_unit}")
        ways = [_WAYS[each] for each in _WAYS if each and (found.points["direction"] == each).any()]
        told = [*([state] if state else []), f"readings {' and '.join(ways)}" if ways else ""]
        if any(told):
            self._said(result, "description", ", ".join(filter(None, told)))
        data = self._add(result, "data")
        for way, rows, text in _lists(found):
            listed = self._add(data, "list")
            self._said(listed, "name", f"{_WAYS[way]}{text}")
            for name, role, unit, column in (
                ("input", "", found.input_unit, "input"),
                ("nominal output", "basic_referenceValue", found.output_unit, "ideal"),
                ("output", "basic_measuredValue", found.output_unit, "output"),
                ("error", "basic_measurementError", found.output_unit, "error"),
            ):
                quantity = self._add(listed, "quantity")
                if role:
                    quantity.set("refType", role)
                self._said(quantity, "name", name)
                self._column(quantity, rows, column, unit, found)

    def _column(self, quantity: etree._Element, rows: pd.DataFrame, column: str, unit: str, found: Evaluation) -> None:
        """A column of numbers with its unit; of the error, U, k and coverage beside."""
        dsi, factor, shift = to_dsi(unit)
        is_error = column == "error"
        values = rows[column].to_numpy() * factor + (0.0 if is_error else shift)
        dsi = r"\kelvin" if is_error and dsi == r"\degreecelsius" else dsi
        listed = self._add(quantity, "realListXMLList", of=_SI)
        self._add(
            listed, "valueXMLList", _numbers(values, scale=found.output_span * factor if is_error else 0.0), of=_SI
        )
        self._add(listed, "unitXMLList", dsi, of=_SI)
        if is_error and "U" in rows and rows["U"].notna().all():
            stated = self._add(listed, "measurementUncertaintyUnivariateXMLList", of=_SI)
            expanded = self._add(stated, "expandedMUXMLList", of=_SI)
            share = found.basis.coverage
            covered = [share or float(special.erf(k / math.sqrt(2))) for k in rows["k"]]
            self._add(expanded, "valueExpandedMUXMLList", _numbers(rows["U"].to_numpy() * factor, digits=3), of=_SI)
            self._add(expanded, "coverageFactorXMLList", " ".join(f"{k:.4f}" for k in rows["k"]), of=_SI)
            self._add(expanded, "coverageProbabilityXMLList", " ".join(f"{each:.4f}" for each in covered), of=_SI)


def _lists(found: Evaluation) -> Iterator[tuple[str, pd.DataFrame, str]]:
    """Direction, rows and what is to be said of them: each direction, points without U in a list of their own.

    A point that was not read has no number, so it is left out, which is said.
    """
    points = ordered(found.points)
    if "U" in found.visits:
        largest = found.visits.sort_values("U").groupby(["point", "direction"]).last()[["U", "k"]]
        points = points.join(largest, on=["point", "direction"])
    for way in [each for each in _WAYS if (points["direction"] == each).any()]:
        rows = points[points["direction"] == way]
        known = rows[rows[["input", "ideal", "output", "error"]].notna().all(axis=1)]
        left_n = len(rows) - len(known)
        said = f"; {left_n} of {len(rows)} setpoints without a reading left out" if left_n else ""
        if "U" not in known:
            yield way, known, f"{said}; uncertainty not known"
            continue
        has_U = known["U"].notna()
        for part, more in ((known[has_U], ""), (known[~has_U], "; uncertainty not determinable")):
            if len(part):
                yield way, part, f"{said}{more}"


def _numbers(values: FloatArray, *, digits: int = 12, scale: float = 0.0) -> str:
    """Numbers as the schema takes them, without the rest of binary arithmetic."""
    return " ".join(f"{to_digits(float(each), digits, scale=scale) + 0.0:.{digits + 3}g}" for each in values)
