"""A certificate that livezero writes is valid by the schema of PTB (DCC 3.3.0, D-SI 2.2.1), by two validators.

The schemas lie in shared/published/dcc, with their source and licence beside them. Their imports point at the
publisher's addresses, which are led to these files; nothing is fetched.
"""

from dataclasses import replace

import pytest
import xmlschema
from lxml import etree

from instruments.dcc import read_dcc
from instruments.errors import InputError, RecordError
from instruments.shipped import shipped
from sequencer import core

SCHEMAS = shipped("shared", "published", "dcc")
IMPORTED = {
    "https://ptb.de/si/v2.2.1/SI_Format.xsd": "SI_Format-2.2.1.xsd",
    "https://www.ptb.de/dcc/d-sig/xmldsig-core-schema.xsd": "xmldsig-core-schema.xsd",
    "https://www.ptb.de/si/v2.2.1/qudt/quantitykind.xsd": "qudt-quantitykind-STUB.xsd",
}
DCC, SI = "{https://ptb.de/dcc}", "{https://ptb.de/si}"
ORDER = """\
number: TR-2026-017
customer: {name: Bottling Hall (invented), city: Hopfield, country: XX}
order: "4711"
item: {tag: FT-104, condition: as delivered, received: 2026-01-04}
authorised by: B. Maltster
"""


@pytest.fixture(scope="module")
def faults():
    """What both validators find wrong in a file."""
    local = {address: (SCHEMAS / name).as_uri() for address, name in IMPORTED.items()}
    one = xmlschema.XMLSchema(str(SCHEMAS / "dcc-3.3.0.xsd"), uri_mapper=local, allow="local")

    class Local(etree.Resolver):
        def resolve(self, address, _, context):
            return self.resolve_filename(str(SCHEMAS / IMPORTED[address]), context) if address in IMPORTED else None

    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(Local())
    other = etree.XMLSchema(etree.parse(str(SCHEMAS / "dcc-3.3.0.xsd"), parser))

    def found(path):
        other.validate(etree.parse(str(path)))
        return [str(each.reason) for each in one.iter_errors(str(path))] + [each.message for each in other.error_log]

    return found


@pytest.fixture
def issued(tmp_path):
    """Issues the certificate of a record; `order` = text of the order."""

    def issue(record, order=ORDER, language="", template="brewery-workshop"):
        (tmp_path / "order.yaml").write_text(order, encoding="utf-8")
        path = tmp_path / "certificate.xml"
        path.unlink(missing_ok=True)
        core.issue(record, path, order=tmp_path / "order.yaml", template=template, language=language)
        return path

    return issue


def column(path, role, number=0):
    quantities = [each for each in etree.parse(str(path)).iter(f"{DCC}quantity") if role in each.get("refType", "")]
    return [float(each) for each in quantities[number].find(f".//{SI}valueXMLList").text.split()]


def test_the_minimal_example_is_valid_and_one_with_a_fault_is_not(faults, tmp_path):
    assert faults(SCHEMAS / "minimal-dcc-3.3.0.xml") == []
    broken = tmp_path / "broken.xml"
    text = (SCHEMAS / "minimal-dcc-3.3.0.xml").read_text(encoding="utf-8")
    broken.write_text(text.replace("<si:coverageFactor>2<", "<si:coverageFactor>0.5<"), encoding="utf-8")
    assert len(faults(broken)) >= 2


def test_the_minimal_example_has_no_kinds_of_quantity_and_so_corrects_nothing():
    with pytest.raises(InputError, match="tells no errors of an instrument"):
        read_dcc(SCHEMAS / "minimal-dcc-3.3.0.xml")


@pytest.mark.parametrize("language", ["en", "de", "es"])
def test_a_certificate_is_valid_with_both_states_and_the_statement_of_conformity(faults, issued, adjusted, language):
    path = issued(adjusted, language=language)
    assert faults(path) == []
    root = etree.parse(str(path)).getroot()
    assert [each.text for each in root.iter(f"{DCC}status")] == ["beforeAdjustment", "afterAdjustment"]
    assert [each.text for each in root.iter(f"{DCC}conformity")] == ["pass"]
    assert root.findtext(f".//{DCC}uniqueIdentifier") == "TR-2026-017"
    assert {each.text for each in root.iter(f"{SI}unitXMLList")} == {r"\hertz", r"\milli\ampere"}


def test_its_numbers_are_those_of_the_record(issued, adjusted):
    path, found = issued(adjusted), adjusted.evaluation
    up = found.points[found.points["direction"] == "up"]
    assert column(path, "basic_measurementError", number=2) == pytest.approx([*up["error"]], abs=1e-8)
    assert column(path, "basic_referenceValue", number=2) == pytest.approx([*up["ideal"]], rel=1e-8)


def test_written_and_read_back_it_has_the_errors_as_left(issued, adjusted):
    _, certificate = read_dcc(issued(adjusted))
    points = adjusted.evaluation.points
    means = points.groupby("point")["error"].mean().to_numpy()
    (found,) = certificate.calibrated
    errors = [float(each.indication - each.reference) for each in found.points]
    assert (found.unit, errors) == ("mA", pytest.approx([*means], abs=1e-8))


def test_a_revision_names_the_one_it_replaces(faults, issued, adjusted):
    path = issued(adjusted, ORDER + "revision: 2\namends: {number: TR-2026-017, reason: The tag was wrong.}\n")
    assert faults(path) == []
    root = etree.parse(str(path)).getroot()
    assert root.findtext(f".//{DCC}replacedUniqueIdentifier") == "TR-2026-017"
    assert root.findtext(f".//{DCC}uniqueIdentifier") == "TR-2026-017, revision 2"
    assert "The tag was wrong." in "".join(root.itertext())


def test_hostile_and_odd_texts_leave_it_valid(faults, issued, adjusted):
    odd = ORDER.replace("as delivered", '"  <b>&amp;  a\\tb \\u202e ]]>  "').replace("FT-104", '" =1+1 "')
    path = issued(adjusted, odd)
    assert faults(path) == []
    assert r"<b>&amp; a b \u202e ]]>" in "".join(etree.parse(str(path)).getroot().itertext())


def test_what_the_schema_does_not_go_without_is_asked_for_by_name(issued, adjusted):
    with pytest.raises(InputError) as refused:
        issued(adjusted, "order: '4711'\n", template="")
    for name in ("number", "customer: name", "customer: city", "laboratory: country", "authorised by"):
        assert name in refused.value.what


def test_a_record_that_nobody_can_vouch_for_gets_none(issued, kept_record):
    with pytest.raises(RecordError, match="is not sealed"):
        issued(kept_record("cut-off"))


def test_a_chain_of_kinds_of_units_and_a_failed_unit_is_valid(faults, issued, kept_record):
    path = issued(kept_record("failed-chain"))
    assert faults(path) == []
    assert [each.text for each in etree.parse(str(path)).getroot().iter(f"{DCC}conformity")] == ["fail"]


@pytest.mark.parametrize(
    ("name", "units"),
    [
        ("differential-pressure-flow", {r"\milli\bar", r"\milli\ampere"}),
        ("pt100-to-current", {r"\degreecelsius", r"\milli\ampere"}),
    ],
)
def test_a_root_and_a_temperature_are_valid_and_tell_the_ways_of_their_readings(faults, issued, tmp_path, name, units):
    record = core.run(core.plan(name, "simulated", only="traverse"), serial="S-1", results=tmp_path / "kept").record
    path = issued(record)
    assert faults(path) == []
    root = etree.parse(str(path)).getroot()
    assert {each.text for each in root.iter(f"{SI}unitXMLList")} == units
    told = [each.text for each in root.iterfind(f".//{DCC}result/{DCC}description/{DCC}content")]
    assert told == ["readings upscale and downscale"]


def test_each_result_tells_its_state_and_the_ways_of_its_readings(issued, adjusted):
    root = etree.parse(str(issued(adjusted))).getroot()
    told = [each.text for each in root.iterfind(f".//{DCC}result/{DCC}description/{DCC}content")]
    assert told == ["as found, readings upscale and downscale", "as left, readings upscale and downscale"]


def test_a_unit_without_a_serial_is_refused_by_name(issued, adjusted):
    with pytest.raises(InputError, match=r"cannot be without: serial \(of the record\)"):
        issued(replace(adjusted, content=replace(adjusted.content, serial="")))


def test_what_was_found_before_an_adjustment_alone_is_read_and_said(issued, adjusted):
    found = replace(adjusted.content, state="as found", evaluation=adjusted.content.before, before=None)
    _, certificate = read_dcc(issued(replace(adjusted, content=found)))
    means = adjusted.content.before.points.groupby("point")["error"].mean().to_numpy()
    assert certificate.is_of_before
    (read,) = certificate.calibrated
    assert [float(each.indication - each.reference) for each in read.points] == pytest.approx([*means], abs=1e-8)
    assert not read_dcc(issued(adjusted))[1].is_of_before
