"""A unit without a type sheet, judged by the ranges and the tolerance that are given on the spot."""

import json

import pytest
from click.testing import CliRunner

from instruments.errors import InputError
from sequencer.cli.by_hand import evaluate_command
from sequencer.inputs.stated_type import stated_type


@pytest.fixture
def evaluate(tmp_path):
    # By hand: at 30 Hz of 0 .. 60 Hz the ideal is 12 mA; 12.04 mA is +0.25 % of the span of 16 mA.
    path = tmp_path / "hand.csv"
    path.write_text("Hz;mA out\n0;4,00\n30;12,04\n60;20,02\n", encoding="utf-8")

    def run(*options):
        return CliRunner().invoke(evaluate_command, [str(path), *options])

    return run


RANGES = ("--input", "0 .. 60 Hz", "--output", "4 .. 20 mA")


@pytest.mark.parametrize(("tolerance", "result", "code"), [("0.5 % of span", "pass", 0), ("0.2 % of span", "fail", 1)])
def test_ranges_and_a_tolerance_do_for_a_type_sheet(evaluate, tolerance, result, code):
    found = evaluate(*RANGES, "--tolerance", tolerance, "--json")
    assert found.exit_code == code
    told = json.loads(found.stdout)
    assert told["verdict"]["result"] == result
    assert told["type"] == "0 .. 60 Hz to 4 .. 20 mA"


def test_what_is_wrong_is_said_with_the_option_that_says_it():
    with pytest.raises(InputError, match='"Hzz" is not a unit') as wrong:
        stated_type(input="0 .. 60 Hzz", output="4 .. 20 mA", tolerance="0.5 % of spam")
    assert wrong.value.where == "--input"
    assert wrong.value.others[0].where == "--tolerance"


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--input", "0 .. 60 Hz"), "--output and --tolerance missing"),
        ((), "--input and --output and --tolerance missing"),
        (("--type", "pulse-to-current", *RANGES), "--type says what --input and --output would"),
    ],
)
def test_a_type_is_stated_whole_and_in_one_way(evaluate, options, says):
    found = evaluate(*options)
    assert found.exit_code == 2
    assert says in found.stderr
