"""The decision rules as their documents have them: guard band over U, and how many verdicts."""

from sequencer.inputs.decision_rules import DEFAULT_RULE, RULES, DecisionRule

# ILAC-G8:09/2019 4.2 (fetched) and table 1, ISO 14253-1 and ANSI/NCSL Z540.3 (from memory): w over U, and whether
# results within the guard bands get verdicts of their own.
PRINTED = {
    "ILAC-G8:09/2019 simple acceptance": ("of U", 0, False),
    "ILAC-G8:09/2019 guard band": ("of U", 1, False),
    "ILAC-G8:09/2019 non-binary": ("of U", 1, True),
    "ILAC-G8:09/2019 6 sigma": ("of U", 3, False),
    "ILAC-G8:09/2019 3 sigma": ("of U", 1.5, False),
    "ILAC-G8:09/2019 uncritical": ("of U", -1, False),
    "ISO 14253-1:2017": ("of U", 0.83, True),
    "ISO 14253-1:2013": ("of U", 1, True),
    "ANSI/NCSL Z540.3 handbook method 6": ("method 6", 0, False),
    "root sum square": ("root sum square", 0, False),
}


def test_every_rule_and_no_other():
    assert {name: (rule.guard, rule.w_over_U, rule.is_graded) for name, rule in RULES.items()} == PRINTED
    assert all(rule.name == name and rule.source for name, rule in RULES.items())


def test_who_asks_for_none_gets_four_verdicts():
    assert RULES[DEFAULT_RULE].is_graded
    assert RULES[DEFAULT_RULE].w_over_U == 1


def test_an_agreed_rule_is_simple_acceptance_but_for_what_it_says():
    agreed = DecisionRule(name="agreed", source="contract")
    assert (agreed.guard, agreed.w_over_U, agreed.is_graded) == ("of U", 0, False)
