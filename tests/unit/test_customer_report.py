"""The test report for a customer: what ISO/IEC 17025:2017, 7.8.2 to 7.8.8, asks of one (list from memory).

Texts are those of the page before it is typeset, where it is about content; the last tests read the PDF.
"""

import json
import math
import re
from dataclasses import replace
from html import unescape
from string import Formatter

import pypdfium2
import pytest
from click.testing import CliRunner

from instruments.errors import InputError, RecordError
from instruments.shipped import shipped
from sequencer import core
from sequencer.cli.command import cli
from sequencer.documents.languages import LANGUAGES, language
from sequencer.jobs.index_jobs import repaired

EXAMPLES = shipped("sequences", "documents")
ORDER = (EXAMPLES / "example-order.yaml").read_text(encoding="utf-8")


@pytest.fixture
def issued(tmp_path, adjusted):
    """Issues a report as HTML and hands back its text and what it lacks."""
    number = 0

    def issue(order=ORDER, *, record=adjusted, template="brewery-workshop", code="", kind="html"):
        nonlocal number
        number += 1
        path, given = tmp_path / f"report-{number}.{kind}", tmp_path / "order.yaml"
        given.write_text(order, encoding="utf-8")
        made = core.issue(record, path, order=given if order else None, template=str(template), language=code)
        if kind == "pdf":
            pages = [each.get_textpage().get_text_range() for each in pypdfium2.PdfDocument(path)]
            return [" ".join(each.split()) for each in pages], made.missing
        plain = re.sub(r"<style>.*?</style>|<[^>]+>", " ", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        return " ".join(unescape(plain).split()), made.missing

    return issue


def test_what_is_stated_and_cannot_be_so_is_told(adjusted, tmp_path):
    # The record is of the day that a simulated bench has: 5 January 2026.
    (tmp_path / "order.yaml").write_text("item: {received: 2026-02-01}\nissued: 2026-01-01\n")
    made = core.issue(adjusted, tmp_path / "report.html", order=tmp_path / "order.yaml", template="brewery-workshop")
    tested = "2026-01-05"
    assert made.doubts == (
        f"received 2026-02-01, which is after the test of {tested}",
        f"issued 2026-01-01, which is before the test of {tested}",
    )
    example = core.issue(adjusted, tmp_path / "other.html", order=EXAMPLES / "example-order.yaml")
    assert example.doubts == ()


def test_the_type_that_was_tested_stands_beside_what_the_order_calls_it(issued):
    text, _ = issued(ORDER.replace("Glycol flow converter, pulse rate to current (invented)", "mash tun flow head"))
    assert "Description mash tun flow head" in text
    assert "Type tested glycol flow converter, pulse rate to current (invented)" in text
    assert "Type tested" not in issued()[0]  # where both are one it stands once


def test_another_tag_than_that_of_the_record_is_told_and_a_deviation(small, tmp_path):
    record = core.run(small(), serial="GF-104", tag="FT-105", results=tmp_path / "kept").record
    (tmp_path / "order.yaml").write_text("item: {tag: FT-104}\n")
    made = core.issue(record, tmp_path / "report.html", order=tmp_path / "order.yaml")
    assert made.doubts == ("tag FT-104, but the record is of the tag FT-105, which is listed as a deviation",)
    assert "The order names the tag FT-104; the test was done under the tag FT-105." in made.path.read_text()
    (tmp_path / "order.yaml").write_text("item: {tag: ft-105}\n")
    assert core.issue(record, tmp_path / "same.html", order=tmp_path / "order.yaml").doubts == ()
    assert "FT-105" in core.issue(record, tmp_path / "none.html").path.read_text()


@pytest.mark.parametrize(("code", "rule"), [("en", "non-binary"), ("de", "nicht-binär"), ("es", "no binaria")])
def test_the_name_of_the_rule_and_the_ohm_are_in_the_language(issued, code, rule):
    text, _ = issued(code=code)
    assert f"ILAC-G8:09/2019 {rule}" in text
    assert "250 Ω" in text  # the symbol of the SI (SI Brochure, table 4, from memory)
    assert "ohm" not in text


def own_template(tmp_path, text, **files):
    for name, content in files.items():
        (tmp_path / name.replace("__", ".")).write_bytes(content)
    path = tmp_path / "own.yaml"
    path.write_text(text, encoding="utf-8")
    return path


LABORATORY = "template: own\nlaboratory: {name: Own Workshop, city: Hopfield, country: XX"


def test_it_states_what_the_standard_asks_for(issued, adjusted):
    text, _ = issued()
    asked = {
        "7.8.2.1 a title": "Test report",
        "b laboratory": "Instrument Workshop of the Three Kettles Brewery (invented) Malt Lane 4 00000 Hopfield, XX",
        "c place": "Place of the test Instrument Workshop of the Three Kettles Brewery (invented), Hopfield",
        "d number and end": "Report number TR-2026-017",
        "e customer": "Bottling Hall of the Three Kettles Brewery (invented) Crate Street 12",
        "f method": "IEC 61298-2:2008",
        "g item": "Serial number GF-104",
        "g condition": "As delivered, cover undamaged, terminals clean",
        "h received": "Received 2026-01-04",
        "i tested": "Tested 2026-01-05",
        "j issued": "Issued",
        "l only": "The results relate only to the items tested.",
        "n deviations": "Additions, deviations and exclusions none",
        "o authorised": "Authorised by: B. Maltster",
        "p external": "Results of external providers none",
        "7.8.3.1 a conditions": "23 °C ± 1 °C",
        "7.8.4.1 d before": "Results as found (before adjustment)",
        "7.8.4.1 d after": "Results as left (after adjustment)",
        "7.8.4.1 c traceability": "Measuring instruments",
        "7.8.6.2 conformity": "Statement of conformity: pass",
        "7.8.6.1 rule": "ILAC-G8:09/2019 non-binary: guard band w = 1 U",
        "end": "— End of the report —",
    }
    assert {name: part for name, part in asked.items() if part not in text} == {}
    assert "multiplied by the coverage factor k" in text
    assert "for a coverage probability of 95.45 %" in text
    assert f"{adjusted.evaluation.basis.coverage:.4f}" == "0.9545"


def test_the_risk_of_the_rule_is_that_of_one_tail(issued):
    # A guard band of U = k u at 95.45 % coverage leaves 2.275 % beyond it, the tail of a normal curve beyond 2 sigma.
    text, _ = issued()
    (risk,) = re.findall(r"at most ([0-9.]+) % each, at one point", text)
    assert float(risk) == pytest.approx(2.275, rel=0.02)


def test_what_nobody_stated_is_listed_by_name_and_nothing_is_made_up(issued, adjusted):
    text, missing = issued("", template="", record=replace(adjusted, content=replace(adjusted.content, operator="")))
    for name in ("Report number", "Laboratory", "Customer", "Order", "Condition on receipt", "Received", "Tested by"):
        assert name in missing
    assert {"Authorised by", "Ambient temperature", "certificate of instrument meter"} <= set(missing)
    assert "; ".join(missing) in text
    assert "Customer not stated" in text


def test_what_the_bench_and_the_order_state_is_not_missing(issued):
    _, missing = issued()
    assert {each for each in missing if not each.startswith("certificate of instrument")} == set()


def test_opinions_stand_apart_with_who_expresses_them_or_not_at_all(issued, kept_record):
    failed = kept_record("failed-chain")
    text, _ = issued(record=failed)
    assert failed.content.findings.cause not in text
    assert failed.content.advice not in text
    text, _ = issued(ORDER + "opinions by: B. Maltster\n", record=failed)
    head, _, opinions = text.partition("Opinions and interpretations")
    assert failed.content.findings.cause in opinions
    assert failed.content.findings.cause not in head
    assert "not a result of the test (ISO/IEC 17025:2017, 7.8.7). It is expressed by B. Maltster" in opinions


def test_in_another_language_the_opinion_stands_in_the_words_of_who_expresses_it_alone(issued, kept_record):
    failed = kept_record("failed-chain")
    asked = ORDER + "opinions by: B. Maltster\n"
    text, missing = issued(asked, record=failed, code="de")
    assert "Meinungen und Interpretationen" not in text.partition("In diesem Bericht nicht angegeben")[0]
    assert "Opinions and interpretations" in missing
    more, missing = issued(asked + "opinions: Der Abgleich ist verstellt.\n", record=failed, code="de")
    assert "Der Abgleich ist verstellt." in more.partition("Meinungen und Interpretationen")[2]
    assert "Opinions and interpretations" not in missing
    for said in (failed.content.findings.cause, failed.content.advice):
        assert said not in text + more
    with pytest.raises(InputError, match="opinions by"):
        issued(ORDER + "opinions: Nothing.\n", record=failed)


def test_what_steps_beside_the_traverse_found_is_a_table_with_limits(small, issued, run):
    # A lag of 0.2 s: T63 is 0.2 s, the rise from 10 % to 90 % 0.2 s * ln 9 = 0.439 s (closed form).
    slow = {
        "time constant: 20 ms": "time constant: 200 ms",
        "{minimum: 80 ms, maximum: 3 s}": "{minimum: 1 s, maximum: 9 s}",
    }
    traverse = "- traverse: {points: 5, cycles: 2, readings: 2}"
    steps = """- traverse: {points: 2, cycles: 1, readings: 2}
  - step response: {moves: [10 % to 90 %], repeats: 1, at most: {T63: 0.1 s}}"""
    record = run(small(sequence={traverse: steps}, type_sheet=slow)).record
    record = replace(record, content=replace(record.content, digest="0" * 64))
    text = issued(record=record)[0].partition("Further tests")[2]
    cells = re.search(r"step response T63, 10 % to 90 % ([0-9.]+) ([0-9.]+) s at most 0.1 s fail", text)
    assert float(cells[1]) == pytest.approx(0.2, abs=float(cells[2]))
    assert 0 < float(cells[2]) < 0.02
    rise = re.search(r"step response 10-90 % time, 10 % to 90 % ([0-9.]+)", text)
    assert float(rise[1]) == pytest.approx(0.2 * math.log(9), rel=0.02)
    answer, _, german = issued(record=record, code="de")[0].partition("Weitere Prüfungen")
    told = (
        r"Begründung: 1 Ergebnis anderer Prüfschritte nicht innerhalb seines Grenzwerts: T63, 10 % to 90 % 0,[0-9]+ s"
    )
    assert re.search(rf"{told} \(U = 0,[0-9]+ s\), höchstens 0,1 s\.", answer)
    assert "im Wortlaut" not in answer
    assert re.search(r"Sprungantwort T63, 10 % to 90 % 0,[0-9]+ 0,[0-9]+ s höchstens 0,1 s nicht bestanden", german)


def test_no_interval_is_recommended_unless_it_was_asked_for(issued):
    assert "interval" not in issued()[0].casefold()
    assert "12 months, as agreed with the customer" in issued(ORDER + "recommended interval: 12 months\n")[0]


def test_a_revision_names_the_report_it_replaces_and_why(issued):
    text, _ = issued(ORDER + "revision: 2\namends: {number: TR-2026-017, reason: The tag was wrong.}\n")
    assert "It replaces report TR-2026-017 in full. Reason: The tag was wrong." in text
    with pytest.raises(InputError, match=r"cannot stand here|do not fit together"):
        issued(ORDER + "revision: 2\n")


def test_an_issued_report_is_never_overwritten(tmp_path, adjusted):
    path = tmp_path / "report.html"
    core.issue(adjusted, path)
    with pytest.raises(InputError, match="never overwritten"):
        core.issue(adjusted, path)


def test_how_a_run_ended_that_did_not_go_to_its_end_stands_beside_the_statement(issued, adjusted):
    content = replace(adjusted.content, status="interrupted", reason="stopped at point 7 by Ctrl-C")
    assert "interrupted: stopped at point 7 by Ctrl-C" in issued(record=replace(adjusted, content=content))[0]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"alterations": ("journal.jsonl:3: line was changed",)}, "altered since it was sealed"),
        ({"digest": ""}, "is not sealed"),
        ({"evaluation": None, "reason": "nothing was read"}, "holds no result: nothing was read"),
    ],
)
def test_of_a_record_that_nobody_can_vouch_for_no_report_is_issued(issued, adjusted, change, told):
    with pytest.raises(RecordError, match=told):
        issued(record=replace(adjusted, content=replace(adjusted.content, **change)))


def test_a_unit_without_known_uncertainty_is_reported_without_it(issued, adjusted):
    found = replace(
        adjusted.evaluation, budget=None, visits=adjusted.evaluation.visits.drop(columns=["U", "k", "verdict"])
    )
    text, missing = issued(record=replace(adjusted, content=replace(adjusted.content, evaluation=found, before=None)))
    assert "no measurement uncertainty is given" in text
    assert "simple acceptance; the measurement uncertainty is not known" in text
    assert "Measurement uncertainty" in missing


def test_every_language_has_the_same_texts_with_the_same_places():
    english = language("en").texts
    for code in LANGUAGES:
        texts = language(code).texts
        assert texts.keys() == english.keys()
        assert all(texts.values())
        for key, text in texts.items():
            places = [{name for _, name, *_ in Formatter().parse(each) if name} for each in (text, english[key])]
            assert places[0] == places[1], (code, key)


@pytest.mark.parametrize("code", ["de", "es"])
def test_no_english_text_of_ours_and_no_decimal_point_is_left_in_another_language(issued, tmp_path, code):
    order = "number: A\nrevision: 2\namends: {number: A, reason: B}\nrecommended interval: 12\n"
    text, _ = issued(order, code=code, template=own_template(tmp_path, f"{LABORATORY}}}\n"))
    own, english = language(code).texts, language("en").texts
    left = [
        word for key, word in english.items()
        if own[key] != word and "{" not in word and len(word) > 5 and re.search(rf"\b{re.escape(word)}\b", text)
    ]  # fmt: skip
    assert left == []
    numbers = re.findall(r"(?<![\w.,:])[−+]?[0-9]+[.,][0-9]+(?![\w.])", text)
    assert len(numbers) > 40
    assert [each for each in numbers if "." in each] == []


@pytest.mark.parametrize(("code", "word"), [("de", "Seite 1 von"), ("es", "página 1 de"), ("en", "page 1 of")])
def test_every_page_of_paper_has_number_serial_digest_and_its_place(issued, adjusted, code, word):
    pages, _ = issued(code=code, kind="pdf")
    assert f"{word} {len(pages)}" in pages[0]
    for page in pages:
        assert "TR-2026-017" in page
        assert "GF-104" in page
        assert adjusted.content.digest in page
        assert language(code)["simulated"] in page
    assert language(code)["end"] in pages[-1]


def test_columns_texts_and_notes_are_the_workshops_own(issued, tmp_path):
    own = "language: de\ncolumns: [setpoint, error, verdict]\ntexts: {title: Kalibrierprotokoll}\nnotes: [Ein Satz.]\n"
    text = f"{LABORATORY}}}\n{own}"
    shown, _ = issued(template=own_template(tmp_path, text))
    assert shown.count("Kalibrierprotokoll") >= 1
    assert "Prüfbericht" not in shown
    assert "Sollwert % des Bereichs Abweichung mA Urteil 0 %" in shown
    assert "Ein Satz." in shown


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("texts: {titel: x}", 'there is no text "titel"'),
        ("texts: {amended: 'x {nummer}'}", "braces that nothing is filled into"),
        ("texts: {amended: 'x {'}", "braces that nothing is filled into"),
        ("columns: [setpoint, fehler]", "columns.2"),
        ("language: fr", "language"),
        ("page: none.html", 'there is no page "none.html"'),
    ],
)
def test_a_fault_of_a_template_is_told_with_its_place(issued, tmp_path, text, told):
    with pytest.raises(InputError, match=re.escape(told)) as refused:
        issued(template=own_template(tmp_path, f"{LABORATORY}}}\n{text}\n"))
    assert "own.yaml:" in refused.value.where


@pytest.mark.parametrize(("data", "told"), [(b"GIF89a", "no picture"), (None, "cannot be read")])
def test_a_logo_that_cannot_be_shown_is_told(issued, tmp_path, data, told):
    files = {} if data is None else {"logo__png": data}
    with pytest.raises(InputError, match=told):
        issued(template=own_template(tmp_path, f"{LABORATORY}, logo: logo.png}}\n", **files))


def test_a_page_of_its_own_is_filled_in_and_reaches_nothing_else(issued, tmp_path):
    page = b"<p>{{ lab.name }}: {{ serial }} {{ verdict }} {% for r in tables[0].rows %}{{ r[0][0] }};{% endfor %}</p>"
    template = own_template(tmp_path, f"{LABORATORY}}}\npage: own.html\n", own__html=page)
    assert issued(template=template)[0] == "Own Workshop: GF-104 pass 0 %;0 %;50 %;50 %;100 %;"


@pytest.mark.parametrize(
    "page",
    [
        b"{{ nothing }}",
        b"{% for %}",
        b"{{ serial.__class__.__mro__ }}",
        b"{{ ''.__class__ }}",
        b"{{ order.model_config.update({}) }}",
        b"{% include '/etc/hostname' %}",
        b"{{ 1 / 0 }}",
        b"\xff\xfe",
    ],
)
def test_a_page_at_fault_is_told_with_its_file(issued, tmp_path, page):
    template = own_template(tmp_path, f"{LABORATORY}}}\npage: own.html\n", own__html=page)
    with pytest.raises(InputError, match="the page cannot be filled in") as refused:
        issued(template=template)
    assert "own.html" in refused.value.where


def test_hostile_texts_stay_texts(issued):
    hostile = "<b>x</b>{{ 7*7 }}#x"
    text, _ = issued(ORDER.replace("C. Bottler", f'"{hostile}"'))
    assert hostile in text
    pages, _ = issued(ORDER.replace("C. Bottler", f'"{hostile}"'), kind="pdf")
    assert hostile in pages[0]


def test_the_command_names_what_is_missing_on_stderr_and_in_its_document(tmp_path, adjusted):
    path = tmp_path / "report.pdf"
    arguments = ["report", str(adjusted.folder), "--to", str(path), "--language", "es", "--json"]
    done = CliRunner().invoke(cli, arguments)
    assert (done.exit_code, path.read_bytes()[:5]) == (0, b"%PDF-")
    assert "not stated in it: Report number; Laboratory; Customer" in done.stderr
    document = json.loads(done.stdout)
    assert (document["report"], document["not_stated"][0]) == (str(path), "Report number")


@pytest.mark.parametrize("options", [["--table", "points"], ["--order", "order.yaml"], ["--language", "de"]])
def test_the_command_asks_where_to_write_it(adjusted, options):
    done = CliRunner().invoke(cli, ["report", str(adjusted.folder), *options])
    assert done.exit_code == 2
    assert "need --to FILE" in done.stderr


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("en", "Reason: the second reading of the end pair at 0 % outside the tolerance."),
        ("de", "Begründung: die zweite Ablesung des Endpunktpaars bei 0 % außerhalb der Toleranz."),
        ("es", "Motivo: la segunda lectura del par final en 0 % fuera de la tolerancia."),
    ],
)
def test_a_fail_that_no_row_of_the_table_shows_has_its_reason(small, tmp_path, code, said):
    record = core.run(small(), serial="GF-104", results=tmp_path / "kept").record
    pair = record.readings.query("role == 'end pair' and tap == 'output' and setpoint_pct == 0")
    first = pair[pair["number"] == pair["number"].min()]
    for reading in first["reading"]:
        asked = {"point": int(first["number"].iloc[0]), "tap": "output", "reading": int(reading)}
        core.correct(record.folder, **asked, to="4.5 mA", by="B. Brewer", why="slip", is_meant=lambda _: True)
    spoken = language(code)
    page = core.issue(core.load_record(record.folder), tmp_path / "report.html", language=code).path.read_text()
    answer = page.partition('class="answer"')[2].partition("</div>")[0]
    assert spoken.word("verdict", "fail") in answer
    assert said in answer
    assert not re.search(f">{spoken.word('verdict', 'fail')}</td>", page)  # no row of a table tells it


def test_each_verdict_that_is_no_plain_pass_has_its_reason_and_a_pass_none(issued, adjusted, kept_record):
    text, _ = issued(code="de")
    answer, _, tables = text.partition("Verfahren")
    assert "Begründung" not in answer  # as left: a pass
    found, why = adjusted.content.before.verdict, re.escape("Punkten außerhalb der Toleranz.")
    assert found.result == "fail"
    assert len(re.findall(rf"Begründung: [0-9]+ von [0-9]+ {why}", tables)) == 1  # as found
    assert "Reason: 3 of 5 points outside the tolerance." in issued(record=kept_record("failed-chain"))[0]


@pytest.mark.parametrize("code", LANGUAGES)
def test_a_correction_after_sealing_is_an_amendment_that_names_what_who_and_why(small, tmp_path, code):
    # ISO/IEC 17025:2017, 7.8.8: any change is identified, with its reason where that is appropriate (from memory).
    record = core.run(small(), serial="GF-104", results=tmp_path / "kept").record
    sealed = record.content.evaluation.verdict.result
    assert core.issue(record, tmp_path / "first.html").doubts == ()
    reading = record.readings[record.readings["tap"] == "output"].iloc[-1]
    core.correct(
        record.folder,
        point=int(reading["number"]),
        tap="output",
        reading=int(reading["reading"]),
        to="20.5 mA",
        by="B. Brewer",
        why="digits transposed; read 20.5",
        is_meant=lambda _: True,
    )
    corrected, spoken = core.load_record(record.folder), language(code)
    made = core.issue(corrected, tmp_path / "report.html", language=code)
    text = " ".join(
        unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", made.path.read_text(), flags=re.DOTALL)).split()
    )
    head, _, changes = text.partition(f" {spoken['corrections']} ")
    said = spoken["record amended"].format(revision=2, digest=corrected.content.digest[:12])
    assert head.count(said) == 2  # on top, and among the deviations, which are not "none"
    assert f"{spoken['deviations']} {spoken['none']}" not in text
    for each in ("B. Brewer", "digits transposed; read 20.5", spoken.number("20.5 mA"), spoken.word("verdict", sealed)):
        assert each in changes
    assert any("revision 2 of the record" in each for each in made.doubts)
    assert code == "en" or spoken["wording"] not in changes
    order = EXAMPLES / "example-order.yaml"
    asked = {"order": order, "template": "brewery-workshop", "language": code}
    xml = core.issue(corrected, tmp_path / "report.xml", **asked).path.read_text(encoding="utf-8")
    assert said in unescape(xml)
    assert xml.count("digits transposed; read 20.5") == 1


def test_results_as_found_have_their_own_person_bench_and_instruments(small, tmp_path):
    """ISO/IEC 17025:2017, 7.8.2.1 and 7.8.4.1 c, d (from memory): found on one bench, repaired, left on another."""
    results = tmp_path / "kept"
    (tmp_path / "files").mkdir()

    def tested(bench, number, state, person):
        (tmp_path / "files" / f"{number}.yaml").write_text(
            f"number: {number}\ncalibrated: 2025-06-01\ndue: 2027-01-31\n"
        )
        changes = {
            "bench: small": f"bench: {bench}",
            "SIMULATED METER}": f"SIMULATED METER, certificate: {number}.yaml}}",
        }
        made = core.run(small(bench=changes), serial="GF-7", state=state, operator_name=person, results=results)
        return made.record

    tested("bench ONE", "C-OLD-009", "as found", "A. Cellarman")
    repaired(results, "GF-7", part="input board", by="B. Fitter", date="2026-01-05T08:00:00+00:00")
    record = tested("bench TWO", "C-NEW-017", "as left", "C. Cooper")
    made = core.issue(record, tmp_path / "report.html")
    text = " ".join(unescape(re.sub(r"<[^>]+>", " ", made.path.read_text(encoding="utf-8"))).split())
    assert "Repaired on 2026-01-05: input board" in text
    found, left = text.index("Results as found (before repair)"), text.index("Results as left (after repair)")
    assert "Tested by: A. Cellarman; Bench: bench ONE" in text[found:left]
    assert "Tested by: C. Cooper; Bench: bench TWO" in text[left:]
    listed = text[text.index("Measuring instruments") : found]
    assert re.search(r"meter \(as found\).*C-OLD-009", listed)
    assert re.search(r"meter \(as left\).*C-NEW-017", listed)
    assert "source (as" not in listed
    assert "for an instrument without one no traceability is claimed" in listed
