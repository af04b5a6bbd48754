"""A Digital Calibration Certificate read: its errors become those of an instrument; hostile files are refused.

What a certificate says is written here by hand, as a laboratory would; the numbers are those of the guide's.
"""

import re
from pathlib import Path

import pytest

from instruments.benchfile import load_bench
from instruments.certified import Certified
from instruments.dcc import read_dcc
from instruments.dsi import from_dsi, to_dsi
from instruments.errors import InputError
from instruments.units import is_alike
from sequencer import core

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
DCC = """\
<dcc:digitalCalibrationCertificate xmlns:dcc="https://ptb.de/dcc" xmlns:si="https://ptb.de/si" schemaVersion="3.3.0">
<dcc:administrativeData><dcc:coreData><dcc:uniqueIdentifier>C-2026-017</dcc:uniqueIdentifier>
<dcc:endPerformanceDate>2026-01-12</dcc:endPerformanceDate></dcc:coreData>{item}</dcc:administrativeData>
<dcc:measurementResults>{results}</dcc:measurementResults>
</dcc:digitalCalibrationCertificate>
"""
RESULT = """\
<dcc:measurementResult><dcc:name><dcc:content>calibration</dcc:content></dcc:name>{state}
<dcc:results><dcc:result><dcc:name><dcc:content>{name}</dcc:content></dcc:name><dcc:data><dcc:list>
{quantities}</dcc:list></dcc:data></dcc:result></dcc:results></dcc:measurementResult>
"""
BEFORE = """<dcc:influenceConditions><dcc:influenceCondition><dcc:name><dcc:content>state</dcc:content></dcc:name>
<dcc:status>beforeAdjustment</dcc:status><dcc:data/></dcc:influenceCondition></dcc:influenceConditions>"""


def column(role, values, unit, U="", k="2"):
    stated = f"""<si:measurementUncertaintyUnivariateXMLList><si:expandedMUXMLList>
    <si:valueExpandedMUXMLList>{U}</si:valueExpandedMUXMLList><si:coverageFactorXMLList>{k}</si:coverageFactorXMLList>
    <si:coverageProbabilityXMLList>0.95</si:coverageProbabilityXMLList>
    </si:expandedMUXMLList></si:measurementUncertaintyUnivariateXMLList>"""
    return f"""<dcc:quantity refType="basic_{role}"><si:realListXMLList><si:valueXMLList>{values}</si:valueXMLList>
    <si:unitXMLList>{unit}</si:unitXMLList>{stated if U else ""}</si:realListXMLList></dcc:quantity>"""


USUAL = (
    column("referenceValue", "0.004 0.012 0.02", r"\ampere"),
    column("measurementError", "0.4 0.9 1.6", r"\micro\ampere", U="0.3 0.4 0.6"),
)


def result(*quantities, name="direct current", state=""):
    return RESULT.format(quantities="".join(quantities), name=name, state=state)


@pytest.fixture
def written(tmp_path):
    def write(*results, text=None, name="meter.xml", item=""):
        path = tmp_path / "files" / name
        path.parent.mkdir(exist_ok=True)
        text = HEAD + DCC.format(results="".join(results), item=item) if text is None else text
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture
def bench(tmp_path, written):
    """The bench of one meter with a certificate, and what else stands beside it."""

    def load(*results, more="", name="generic-scpi-meter", tap="read by", item=""):
        written(*results, item=item)
        path = tmp_path / "files" / "bench.yaml"
        path.write_text(
            f"bench: one\ninstruments:\n  meter: {{description: {name}, resource: 'GPIB0::7::INSTR',"
            f" certificate: meter.xml{more}}}\ntaps:\n  output: {{{tap}: meter}}\n",
            encoding="utf-8",
        )
        return load_bench(path).certificates["meter"]

    return load


def rows(loaded):
    (errors,) = loaded.file.corrections
    unit = "mA"
    return [
        (each.at.to(unit).magnitude, 1000 * each.error.to(unit).magnitude, 1000 * each.U.to(unit).magnitude)
        for each in errors.points
    ]


def test_errors_in_another_unit_become_those_of_the_meter_in_the_range_that_holds_them(bench):
    loaded = bench(result(*USUAL), more=", certificate due: 2027-01-31")
    assert rows(loaded) == [pytest.approx(each) for each in ((4, 0.4, 0.3), (12, 0.9, 0.4), (20, 1.6, 0.6))]
    file = loaded.file
    assert (file.number, str(file.calibrated), str(file.due), file.k) == ("C-2026-017", "2026-01-12", "2027-01-31", 2)
    assert str(file.corrections[0].range) == "-100 .. 100 mA"


@pytest.mark.parametrize(
    "quantities",
    [
        # What is indicated and the reference give the error; a correction is the error with the other sign.
        (
            column("referenceValue", "4 12 20", r"\milli\ampere"),
            column("measuredValue", "4.0004 12.0009 20.0016", r"\milli\ampere", U="0.0003 0.0004 0.0006"),
        ),
        (
            column("measuredValue", "4.0004 12.0009 20.0016", r"\milli\ampere"),
            column("measurementError_correction", "-0.4 -0.9 -1.6", r"\micro\ampere", U="0.3 0.4 0.6"),
        ),
        # U with k = 3 of the one, standard uncertainties of the other: the same u.
        (
            column("referenceValue", "4 12 20", r"\milli\ampere"),
            column("measurementError", "0.0004 0.0009 0.0016", r"\milli\ampere", U="0.00045 0.0006 0.0009", k="3"),
        ),
        (
            column("referenceValue", "4 12 20", r"\milli\ampere"),
            column("measurementError", "0.4 0.9 1.6", r"\micro\ampere", U="0.15 0.2 0.3")
            .replace("valueExpandedMU", "valueStandardMU")
            .replace("coverageFactor", "other"),
        ),
        # The form of D-SI before 2.2.
        (
            USUAL[0],
            USUAL[1]
            .replace("measurementUncertaintyUnivariateXMLList", "x")
            .replace("expandedMUXMLList", "expandedUncXMLList")
            .replace("valueExpandedMUXMLList", "uncertaintyXMLList"),
        ),
    ],
)
def test_every_way_to_state_an_error_is_the_same_certificate(bench, quantities):
    expected = ((4, 0.4, 0.3), (12, 0.9, 0.4), (20, 1.6, 0.6))
    found = rows(bench(result(*quantities)))
    assert found == [pytest.approx(each, rel=1e-9, abs=1e-9) for each in expected]


def test_a_source_is_off_by_what_it_gives_less_what_it_is_set_to(bench):
    # The error by the VIM, indication less reference, of a source: set 4 mA, gives 4.0004 mA, so -0.4 uA.
    loaded = bench(
        result(
            column("nominalValue", "4 12 20", r"\milli\ampere"),
            column("referenceValue", "4.0004 12.0009 20.0016", r"\milli\ampere", U="0.0003"),
            column("measurementError", "-0.4 -0.9 -1.6", r"\micro\ampere", U="0.3 0.4 0.6"),
        ),
        name="generic-scpi-source",
        tap="set by",
        more=", certified ranges: {current: 0 .. 25 mA}",
    )
    assert rows(loaded) == [pytest.approx(each) for each in ((4, 0.4, 0.3), (12, 0.9, 0.4), (20, 1.6, 0.6))]


def test_what_was_found_before_adjusting_corrects_nothing(bench):
    before = result(
        USUAL[0], column("measurementError", "40 90 160", r"\micro\ampere", U="0.3"), state=BEFORE, name="before"
    )
    assert rows(bench(before, result(*USUAL)))[0][1] == pytest.approx(0.4)


def test_up_and_down_are_one_point_with_half_their_difference_more(bench):
    both = result(*USUAL).replace(
        "</dcc:list>",
        "</dcc:list><dcc:list>"
        + column("referenceValue", "0.02 0.012 0.004", r"\ampere")
        + column("measurementError", "1.8 1.1 0.6", r"\micro\ampere", U="0.6 0.4 0.3")
        + "</dcc:list>",
    )
    assert rows(bench(both)) == [pytest.approx(each) for each in ((4, 0.5, 0.4), (12, 1.0, 0.5), (20, 1.7, 0.7))]


def test_results_of_one_point_each_are_one_certificate(bench):
    def single(at, error):
        return result(
            column("referenceValue", at, r"\milli\ampere"), column("measurementError", error, r"\micro\ampere", U="0.3")
        )

    assert [row[1] for row in rows(bench(single("12", "0.9"), single("4", "0.4")))] == pytest.approx([0.4, 0.9])


def test_a_range_that_the_certificate_does_not_tell_is_asked_for_and_taken(bench):
    low = result(
        column("referenceValue", "1 5", r"\milli\ampere"), column("measurementError", "1 2", r"\micro\ampere", U="1")
    )
    with pytest.raises(InputError, match="does not tell in which range of current") as refused:
        bench(low)
    assert "certified ranges: {current: -10 .. 10 mA}" in refused.value.todo
    loaded = bench(low, more=', certified ranges: {"direct current": -100 .. 100 mA}')
    assert str(loaded.file.corrections[0].range) == "-100 .. 100 mA"
    with pytest.raises(InputError, match='"curent" is no function and no result'):
        bench(low, more=", certified ranges: {curent: -100 .. 100 mA}")


def test_what_a_dcc_lacks_stands_beside_no_other_certificate(tmp_path):
    path = tmp_path / "bench.yaml"
    path.write_text(
        "bench: one\ninstruments:\n  meter: {description: generic-scpi-meter, resource: 'GPIB0::7::INSTR',"
        " certificate due: 2027-01-31}\ntaps:\n  output: {read by: meter}\n"
    )
    with pytest.raises(InputError, match="do not fit together"):
        load_bench(path)


@pytest.mark.parametrize(
    ("quantities", "told"),
    [
        ((USUAL[0],), "tells no errors of an instrument"),
        ((USUAL[0], column("measurementError", "0.4 0.9 1.6", r"\micro\ampere")), "states no uncertainty"),
        ((USUAL[0], column("measurementError", "0.4 0.9", r"\micro\ampere", U="1")), "not of one length"),
        ((USUAL[0], column("measurementError", "0.4 0.9 1.6", r"\volt", U="1")), "a column in V beside one in A"),
        ((USUAL[0], column("measurementError", "0.4 0.9 1.6", "uA", U="1")), "is no unit of D-SI"),
        ((USUAL[0], column("measurementError", "0.4 nan 1.6", r"\micro\ampere", U="1")), "not finite"),
        ((USUAL[0], column("measurementError", "0.4 0.9 1.6", r"\micro\ampere", U="1", k="0")), "not above it"),
        ((USUAL[0], column("measurementError", "0.4 0.9 1.6", r"\micro\ampere", U="-1")), "below 0"),
        ((USUAL[0], column("measurementError", "0.4 ,9 1.6", r"\micro\ampere", U="1")), "no number"),
        (
            (*USUAL, column("measuredValue", "0.005 0.012 0.02", r"\ampere")),
            "does not fit an indication",
        ),
        (
            (column("referenceValue", "0 1", r"\kelvin"), column("measurementError", "0 0", r"\kelvin", U="1")),
            "has no function in",
        ),
    ],
)
def test_what_cannot_be_a_certificate_of_the_instrument_is_refused_with_its_place(bench, quantities, told):
    with pytest.raises(InputError, match=told) as refused:
        bench(result(*quantities))
    assert refused.value.where


BOMB = "<!DOCTYPE x [<!ENTITY a 'aaaaaaaaaa'>" + "".join(
    f"<!ENTITY {chr(98 + n)} '{('&' + chr(97 + n) + ';') * 10}'>" for n in range(9)
)


@pytest.mark.parametrize(
    "document_type",
    [
        BOMB + "]>",
        "<!DOCTYPE x [<!ENTITY e SYSTEM 'file:///etc/hostname'>]>",
        "<!DOCTYPE x SYSTEM 'http://127.0.0.1:9/x.dtd'>",
        "<!DOCTYPE x [<!ENTITY % p SYSTEM 'file:///etc/hostname'> %p;]>",
    ],
)
@pytest.mark.parametrize("code", ["utf-8", "utf-16"])
def test_a_document_type_is_refused_whatever_it_does(tmp_path, document_type, code):
    body = DCC.format(results=result(*USUAL), item="").replace(
        "C-2026-017", "&e;" if "ENTITY e" in document_type else "&j;"
    )
    body = body if "ENTITY" in document_type and "%" not in document_type else DCC.format(results="", item="")
    path = tmp_path / "hostile.xml"
    path.write_bytes(f'<?xml version="1.0" encoding="{code}"?>{document_type}{body}'.encode(code))
    with pytest.raises(InputError, match="has a document type"):
        read_dcc(path)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no XML"),
        ("<a>" * 100_000, "no XML"),
        ("<html/>", "something else"),
        (HEAD + DCC.format(results="", item="").replace("3.3.0", "2.4.0"), "version 2.4.0"),
    ],
)
def test_what_is_no_certificate_is_told(written, text, told):
    with pytest.raises(InputError, match=told):
        read_dcc(written(text=text))


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("mA", r"\milli\ampere"),
        ("degC", r"\degreecelsius"),
        ("rpm", r"\minute\tothe{-1}"),
        ("m3/h", r"\metre\tothe{3}\hour\tothe{-1}"),
        ("kg/h", r"\kilogram\hour\tothe{-1}"),
        ("uS/cm", r"\micro\siemens\centi\metre\tothe{-1}"),
        ("kPa(g)", r"\kilo\pascal"),
        ("%", r"\percent"),
    ],
)
def test_units_have_their_names_in_d_si_and_back(ours, theirs):
    # The names are those of the SI brochure; the form is that of the minimal example ("\ampere") and of siunitx.
    assert to_dsi(ours) == (theirs, 1.0, 0.0)
    assert is_alike(from_dsi(theirs), ours)


def test_per_stands_for_the_next_unit_alone():
    assert is_alike(from_dsi(r"\metre\tothe{3}\per\hour"), "m3/h")
    assert is_alike(from_dsi(r"\volt\per\ampere\tothe{1}"), "ohm")


def test_a_unit_without_a_name_in_d_si_is_converted():
    # 1 psi = 6894.757293168 Pa, 212 degF = 373.15 K (NIST SP 811, from memory).
    dsi, factor, shift = to_dsi("psi")
    assert (dsi, factor, shift) == (r"\pascal", pytest.approx(6894.757293168), 0.0)
    dsi, factor, shift = to_dsi("degF")
    assert dsi == r"\kelvin"
    assert factor * 212 + shift == pytest.approx(373.15)


NO_UNITS = (
    "", "mA", r"\furlong", r"\milli", r"\milli\milli\ampere", r"\per", r"\tothe{2}\metre", r"\metre \second",
    r"\ampere\tothe{99999}", r"\metre\tothe{0.5}", r"\metre\tothe{..}",
)  # fmt: skip


@pytest.mark.parametrize("text", NO_UNITS)
def test_what_is_no_unit_of_d_si_is_refused(text):
    with pytest.raises(InputError, match="no unit of D-SI"):
        from_dsi(text)


ITEM = """<dcc:items><dcc:item><dcc:name><dcc:content>bench multimeter (invented)</dcc:content></dcc:name>
<dcc:model>WM-6</dcc:model><dcc:identifications><dcc:identification><dcc:issuer>manufacturer</dcc:issuer>
<dcc:value>S-4711</dcc:value></dcc:identification></dcc:identifications></dcc:item></dcc:items>"""
SIMULATED = """<dcc:statements><dcc:statement><dcc:name><dcc:content lang="en">simulated</dcc:content></dcc:name>
</dcc:statement></dcc:statements>"""


def beside(unit):
    """A column without a role: what was applied to a converter, or a condition."""
    return column("x", "0 500 1000", unit).replace(' refType="basic_x"', "")


@pytest.mark.parametrize(
    "more",
    [", identity: 'WORKSHOP,WM-6,S4711,1.0'", ", identity: SN s-4711", ", certificate of: S-4711"],
)
def test_the_certificate_of_the_instrument_itself_is_in_no_doubt(bench, more):
    assert bench(result(*USUAL), more=more, item=ITEM).doubts == ()


@pytest.mark.parametrize(
    ("more", "item", "told"),
    [
        (", identity: SN 1042", ITEM, "WM-6, S-4711, the instrument is"),
        (", certificate of: S-1", ITEM, 'not of "S-1"'),
        (", identity: SN S-4711", ITEM + SIMULATED, "is of a simulated bench"),
    ],
)
def test_the_certificate_of_another_or_a_simulated_item_is_refused(bench, more, item, told):
    with pytest.raises(InputError, match=told):
        bench(result(*USUAL), more=more, item=item)


@pytest.mark.parametrize(
    ("quantities", "more", "item", "told"),
    [
        (USUAL, "", ITEM, 'states no "identity"'),
        (USUAL, ", identity: SN 1042", "", "names no number of the item"),
        (USUAL, ", identity: WM-6", ITEM, "holds no number of it"),
        ((beside(r"\hertz"), *USUAL), ", identity: S-4711", ITEM, "stands beside Hz: the item may be a converter"),
    ],
)
def test_what_cannot_be_told_is_a_doubt(bench, quantities, more, item, told):
    (doubt,) = bench(result(*quantities), more=more, item=item).doubts
    assert told in doubt


def item(model, number):
    return ITEM.replace("WM-6", model).replace("S-4711", number)


def certified_run(small, written, folder, said, *, identity):
    """A run whose meter has a certificate of an item; `identity` is what the bench states of the meter."""
    written(result(*USUAL), item=said)
    stated = f"identity: {identity}, " if identity else ""
    planned = small(bench={"identity: SIMULATED METER}": f"{stated}certificate: meter.xml}}"})
    return core.run(planned, serial="GF-104", results=folder)


def test_what_the_instrument_answers_settles_whose_its_certificate_is(small, written, tmp_path):
    # The simulated meter answers with maker, model, serial and version, by IEEE 488.2, 10.14.
    plain = core.run(small(), serial="GF-104", results=tmp_path / "plain").record
    answer = next(each.identity for each in plain.content.instruments if each.name == "meter")
    _, model, number, _ = answer.split(",")
    its = certified_run(small, written, tmp_path / "its", item(model, number), identity="")
    assert not any("in doubt" in each for each in its.record.evaluation.verdict.reservations)
    other = certified_run(small, written, tmp_path / "other", item(model, "S-4711"), identity="SIMULATED METER")
    (doubt,) = (each for each in other.record.evaluation.verdict.reservations if "in doubt" in each)
    assert f'what the instrument answered, "{answer}", holds no number of it' in doubt
    assert "the bench" not in doubt
    assert other.record.evaluation.verdict.result == "conditional pass"
    assert core.verify(other.record.folder).is_intact


def test_a_run_on_an_instrument_that_says_it_is_another_than_the_certificate_s_is_not_begun(small, written, tmp_path):
    ran = certified_run(small, written, tmp_path / "kept", item("WM-6", "S-4711"), identity="")
    assert ran.outcome.status == "bench fault"
    assert "and its certificate is of WM-6, S-4711" in ran.outcome.reason
    assert ran.record is None or not (ran.record.readings["tap"] == "output").any()


def test_a_run_is_corrected_by_a_dcc_and_its_record_keeps_it(small, written, tmp_path):
    written(result(*USUAL))
    planned = small(bench={"identity: SIMULATED METER}": "identity: SIMULATED METER, certificate: meter.xml}"})
    ran = core.run(planned, serial="GF-104", results=tmp_path / "kept")
    assert ran.outcome.status == "complete"
    (kept,) = (ran.record.folder / "inputs" / "certificates").iterdir()
    assert kept.suffix == ".xml"
    assert kept.read_bytes() == (tmp_path / "files" / "meter.xml").read_bytes()
    # From the record alone, whatever became of the bench: the same certificate, and the same figures.
    (tmp_path / "files" / "meter.xml").unlink()
    again = core.load_record(ran.record.folder)
    stated = {each.tap: each.certified for each in again.evaluation.basis.statements}["output"]
    assert isinstance(stated, Certified)
    assert stated.points == ((4.0, pytest.approx(4e-4), pytest.approx(3e-4)), *stated.points[1:])
    assert core.kept_plan(ran.record.folder).bench.certificates["meter"].file.number == "C-2026-017"
    assert core.verify(ran.record.folder).is_intact
    # It names no item, so that nobody can tell whose it is.
    assert again.evaluation.verdict.result == "conditional pass"
    doubt = "calibration certificate in doubt: meter: the certificate names no number of the item that was calibrated"
    assert doubt in again.evaluation.verdict.reservations
    # The report for a customer names it with its date.
    made = core.issue(again, tmp_path / "report.html")
    page = made.path.read_text(encoding="utf-8")
    assert "<td>C-2026-017</td><td>2026-01-12</td>" in page
    assert "certificate of instrument meter" not in made.missing
    assert "certificate of instrument source" in made.missing


def test_the_bench_of_the_guide_takes_its_certificate(written, tmp_path):
    text = (Path(__file__).parents[2] / "results" / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"<!-- dcc: bench -->\n```yaml\n(.*?)```", text, flags=re.DOTALL)
    written(result(*USUAL), name="meter-2026.xml")
    path = tmp_path / "files" / "bench.yaml"
    path.write_text(f"bench: one\n{block}taps:\n  output: {{read by: meter}}\n", encoding="utf-8")
    assert str(load_bench(path).certificates["meter"].file.due) == "2027-01-31"
