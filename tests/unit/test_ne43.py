"""Levels of NAMUR NE 43 as in `shared/published/signals/ne43-current-levels.yaml`, equality at the edges with them."""

import re

import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.ne43 import FAILURE_mA, MEASURING_mA, current_class

LEVELS = yaml.safe_load(
    (shipped("shared", "published", "signals") / "ne43-current-levels.yaml").read_text(encoding="utf-8")
)["levels_mA"]


def test_the_levels_are_the_published_ones():
    numbers = {name: tuple(map(float, re.findall(r"\d+\.\d+", str(text)))) for name, text in LEVELS.items()}
    assert (*numbers["failure_low"], *numbers["failure_high"]) == FAILURE_mA
    assert numbers["measurement_information"] == MEASURING_mA


@pytest.mark.parametrize(
    ("level_mA", "expected"),
    [
        (0.0, "failure low"),
        (3.6, "failure low"),
        (3.601, "undefined"),
        (3.799, "undefined"),
        (3.8, "measuring"),
        (3.9, "measuring"),  # not "under-range", as some pages have it
        (20.5, "measuring"),
        (20.501, "undefined"),
        (20.999, "undefined"),
        (21.0, "failure high"),
        (22.0, "failure high"),
        (float("nan"), "not determinable"),
    ],
)
def test_each_level_has_its_class_and_the_edges_belong_to_what_is_defined(level_mA, expected):
    assert current_class(level_mA) == expected


@pytest.mark.parametrize(
    ("level_mA", "U_mA", "expected"),
    [
        (3.7995, 0.001, "measuring"),
        (3.6005, 0.001, "failure low"),
        (3.7, 0.05, "undefined"),
        (3.7, 0.1, "not determinable"),
    ],
)
def test_within_its_uncertainty_of_an_edge_it_belongs_to_the_class(level_mA, U_mA, expected):
    assert current_class(level_mA, U_mA) == expected
