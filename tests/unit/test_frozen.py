"""What judges hands on results that nobody can change, made by the names of their fields."""

import dataclasses

import pytest

from sequencer.diagnosis.model import likelihood
from sequencer.evaluation import judgement, verdict
from sequencer.evaluation.figures import conformity
from sequencer.inputs import decision_rules, settling_rule
from sequencer.running import settling

MADE = {
    made
    for module in (conformity, decision_rules, judgement, likelihood, settling, settling_rule, verdict)
    for made in vars(module).values()
    if isinstance(made, type) and dataclasses.is_dataclass(made) and made.__module__.startswith("sequencer")
}


@pytest.mark.parametrize("made", sorted(MADE, key=lambda made: made.__name__), ids=lambda made: made.__name__)
def test_a_result_is_frozen_and_made_by_name(made):
    given = made.__new__(made)
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(given, dataclasses.fields(made)[0].name, 1)
    assert all(each.kw_only for each in dataclasses.fields(made))
