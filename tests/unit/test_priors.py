"""The numbers of judgement stand in one frozen place, each with its reason; none hides in a function of the model."""

import ast
import dataclasses
import inspect
from pathlib import Path

import pytest

from sequencer.diagnosis import model
from sequencer.diagnosis.model import priors
from sequencer.diagnosis.model.priors import PRIORS

MODULES = sorted(Path(model.__path__[0]).glob("*.py"))
PARTS = [type(getattr(PRIORS, field.name)) for field in dataclasses.fields(PRIORS)]
# Nothing, one, two, halves, ways and per cent: of counting and of formulas that everyone knows.
PLAIN = {0, 1, 2, 0.5, 100}
FORMULAS = {
    ("fit", 3): "an input is moved up, not at all and down",
    ("two_causes", 3): "so it is to see where a cause jumps",
    ("fit", 12): "the variance of a uniform density is its width squared over 12",
    ("noise_evidence", 12): "so is that of a reading within its last digit",
    ("healthy_model", 12): "so is that of a reading within its last digit",
    ("healthy_model", 4): "an arch of height 1 is 4 y (1 - y)",
    ("healthy_model", 10.0): "the base of the decimal digits that were written",
    ("segment", 10.0): "so is that of the zeros among them",
    ("slips", 10.0): "so is that of what was typed",
}


def bare_numbers(path):
    """Numbers in functions: those in defaults of parameters and in formats of texts are none of the arithmetic."""
    functions = [each for each in ast.walk(ast.parse(path.read_text())) if isinstance(each, ast.FunctionDef)]
    nodes = [node for function in functions for line in function.body for node in ast.walk(line)]
    return {node.value for node in nodes if isinstance(node, ast.Constant) and type(node.value) in {int, float}}


@pytest.mark.parametrize("path", MODULES, ids=[each.stem for each in MODULES])
def test_no_number_of_judgement_stands_in_a_function(path):
    assert {(path.stem, number) for number in bare_numbers(path) - PLAIN} == {
        (name, number) for name, number in FORMULAS if name == path.stem
    }


def test_a_number_in_a_function_is_seen(tmp_path):
    path = tmp_path / "some.py"
    path.write_text("A = 7.0\ndef f(x=3):\n    def g(y):\n        return -8.0 * y\n    return x[0] + 0.3 * g(x)\n")
    assert bare_numbers(path) - PLAIN == {8.0, 0.3}


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.__name__)
def test_each_number_is_followed_by_what_it_is(part):
    tree = ast.parse(inspect.getsource(priors))
    (body,) = [each.body for each in tree.body if isinstance(each, ast.ClassDef) and each.name == part.__name__]
    for field, reason in zip(body[1::2], body[2::2], strict=True):
        assert isinstance(field, ast.AnnAssign)
        assert len(ast.literal_eval(reason.value).split()) >= 5, field.target.id


def test_nothing_changes_them():
    for name in [field.name for field in dataclasses.fields(PRIORS)]:
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(PRIORS, name, None)
        part = getattr(PRIORS, name)
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(part, dataclasses.fields(part)[0].name, 0.0)


def test_shares_and_odds_are_parts_of_a_whole():
    for part in PARTS:
        for field in dataclasses.fields(part):
            if field.name.endswith(("_share", "_odds", "_frac")) and field.name != "farthest_frac":
                assert 0 < field.default < 1, field.name
