"""What a record says of a unit, in the languages of a report: nothing of it stays English in silence."""

import ast
import importlib
import inspect
import operator
import re
from string import Formatter

import pytest

from sequencer import core
from sequencer.documents.languages import LANGUAGES, language
from sequencer.documents.sentences import sentence

OTHERS = [code for code in LANGUAGES if code != "en"]
# Whatever these say may stand among the reservations of a report, or in the reason why there is no verdict.
SAY = {
    "instruments.dcc_item": ["doubts_of"],
    "instruments.dcc_certificate": ["certificate_document"],
    "sequencer.evaluation.budget": ["Basis.reservations"],
    "sequencer.evaluation.evaluate": ["_without_value"],
    "sequencer.evaluation.off_ideal": ["off_ideal"],
    "sequencer.evaluation.step_limits": ["with_left_out", "with_limits", "_named"],
    "sequencer.evaluation.verdict": [
        "_bench_at_fault",
        "_causes",
        "_failed",
        "_low_tur",
        "_not_covered",
        "_obstacles",
        "_out_unjudged",
        "_passing",
        "_reach",
        "_reservations",
        "_second_readings",
        "_too_narrow",
        "verdict",
    ],
    "sequencer.record.load": ["_cut_off"],
    "sequencer.steps.limits.evaluation": ["at_an_edge"],
    "sequencer.steps.traverse": ["_came_to"],
}
# Said beside a reservation on a terminal, and never in a report.
NOT_HERE = ("of at most", "certainly a", "not certain by then", "not known, since", "the verdict is certain")


def said_by(function):
    """Whatever a function says in three words or more, without what it raises and its docstring."""
    tree = ast.parse(_source(function))
    left_out = {id(each) for node in ast.walk(tree) if isinstance(node, ast.Raise) for each in ast.walk(node)}
    # By its place and not by `__doc__`, which is dedented from Python 3.13 on.
    left_out |= {id(each) for each in ast.walk(tree.body[0].body[0]) if function.__doc__ is not None}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in left_out:
            text = node.value.strip(" ;:,()")
            if len(re.findall(r"[a-z]{2,}", text)) > 2 and text not in NOT_HERE:
                yield text


def _source(function):
    lines, _ = inspect.getsourcelines(function)
    indent = len(lines[0]) - len(lines[0].lstrip())
    return "".join(line[indent:] for line in lines)


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize(("module", "name"), [(module, name) for module, names in SAY.items() for name in names])
def test_each_sentence_that_a_report_may_hold_has_a_text(module, name, code):
    found = operator.attrgetter(name)(importlib.import_module(module))
    patterns = language(code).sentences
    for text in said_by(found.fget if isinstance(found, property) else found):
        assert any(text in said for said in patterns), text


def test_the_languages_have_the_same_sentences_with_the_same_places():
    first = language(OTHERS[0]).sentences
    for code in OTHERS:
        sentences = language(code).sentences
        assert sentences.keys() == first.keys()
        for said, text in sentences.items():
            assert _places(said) == _places(text), said


def _places(text):
    return sorted(name for _, name, *_ in Formatter().parse(text) if name)


@pytest.mark.parametrize(
    ("said", "german"),
    [
        (
            "calibration certificate expired: meter 1.5 (due 2024-01-31)",
            "Kalibrierschein abgelaufen: meter 1.5 (gültig bis 2024-01-31)",
        ),
        (
            "TUR 1.80 is below 3, accepted by N. N.: order; 1.5",
            "TUR 1,80 liegt unter 3, akzeptiert von N. N.: order; 1.5",
        ),
        (
            "3 points were not read (0 % upscale, 12.5 % downscale and 3 more)",
            "3 Punkte wurden nicht abgelesen (0 % steigend, 12,5 % fallend und 3 weitere)",
        ),
        (
            "no point could be judged; worst +1.5 mA (+9 % of span, 90 % of the tolerance) at %",
            "kein Punkt konnte beurteilt werden; größte Abweichung +1,5 mA (+9 % der Spanne, 90 % der Toleranz) bei %",
        ),
        (
            "uncertainty not determinable, reading: sensitivity not known",
            "Messunsicherheit nicht bestimmbar, reading: Empfindlichkeit nicht bekannt",
        ),
        ("in part, left out: 1 exercise, 4 dead band", "in Teilen geprüft, ausgelassen: 1 Einlaufzyklen, 4 Totband"),
        (
            (
                "3 of 9 points outside the tolerance, and +2.5 V at 0 %, where the tolerance is 0 V and U = 1 V "
                "does not explain it"
            ),
            (
                "3 von 9 Punkten außerhalb der Toleranz, und +2,5 V bei 0 %, wo die Toleranz 0 V ist und U = 1 V "
                "es nicht erklärt"
            ),
        ),
        (
            "worst of the others +1.5 mA (+9 % of span, 90 % of the tolerance) at 50 % upscale",
            "größte der anderen Abweichungen +1,5 mA (+9 % der Spanne, 90 % der Toleranz) bei 50 % steigend",
        ),
        (
            'stage "B" is outside its own tolerance, -0.5 % of span at 5 %, though end to end all 9 points are within',
            (
                "Stufe „B“ außerhalb ihrer eigenen Toleranz, -0,5 % der Spanne bei 5 %, obwohl insgesamt alle 9 Punkte "
                "innerhalb liegen"
            ),
        ),
        (
            "2 results of other steps not within its limit: A 1.5 s, at most 1 s; B 3 %, at most 2 %; no value, at 5 %",
            (
                "2 Ergebnisse anderer Prüfschritte nicht innerhalb ihres Grenzwerts: A 1,5 s, höchstens 1 s; B 3 %, "
                "höchstens 2 %; kein Wert, bei 5 %"
            ),
        ),
        ("a step of somebody's says so", "a step of somebody's says so (im Wortlaut der Aufzeichnung, auf Englisch)"),
    ],
)
def test_numbers_and_names_are_filled_in(said, german):
    assert sentence(said, language("de")) == german
    assert sentence(said, language("en")).startswith(said)


@pytest.mark.parametrize("code", OTHERS)
def test_a_report_of_a_run_in_part_has_its_reservations_in_its_language(small, tmp_path, code):
    planned = small()
    planned = core.plan(planned.sequence, planned.bench, only="traverse")
    result = core.run(planned, serial="GF-1", results=tmp_path / "kept")
    reserved = result.record.content.evaluation.verdict.reservations
    assert any(each.startswith("in part, left out") for each in reserved)
    page = core.issue(result.record, tmp_path / "report.html", language=code).path.read_text()
    assert language(code)["wording"] not in page
    for each in reserved:
        assert each not in page
