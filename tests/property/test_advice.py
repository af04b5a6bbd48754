"""Over every fault of the simulated catalogue: a trim is offered only for what zero and span take away."""

import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from fleet import measured, prepared

from instruments.errors import InputError
from instruments.simulated.faults import CATALOGUE, fault
from sequencer.diagnosis.examine import examine

TRIMS = {"zero shift", "span error", "zero and span"}
SHEETS = ("current-isolator", "pulse-to-current", "pt100-to-current")
MORE = ("thermocouple-k-to-current", "differential-pressure-flow")  # for faults that no other unit has


SHORT = """\
sequence: one cycle
type sheet: {sheet}
steps:
  - exercise: {{cycles: 1}}
  - traverse: {{points: 6, cycles: 1, readings: 2, end pair: yes}}
"""


@cache
def sequence_of(sheet):
    path = Path(tempfile.mkdtemp()) / f"{sheet}.yaml"
    path.write_text(SHORT.format(sheet=sheet), encoding="utf-8")
    return str(path)


@cache
def found_of(sheet, name, cleared=""):
    """One cycle of a unit with a fault of its usual size; None where the fault cannot be in such a unit."""
    sequence = sequence_of(sheet)
    planned, basis = prepared(sequence)
    try:
        table = measured(sequence, (fault(name),), seed=3)
    except InputError:
        return None
    return examine(table, planned.sequence.sheet, basis=replace(basis, bench_cleared=cleared))


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_trim_is_offered_only_for_what_a_trim_takes_away(name):
    first = list(CATALOGUE).index(name) % len(SHEETS)  # by turns: each takes its time
    found = next(filter(None, (found_of(sheet, name) for sheet in (*SHEETS[first:], *SHEETS[:first], *MORE))))
    if found.adjustment is not None:
        assert name in TRIMS, found.findings.cause
        assert set(found.findings.names) <= TRIMS
    elif found.evaluation.verdict.result in {"fail", "conditional fail"}:
        assert "Settle first" not in found.advice
        assert "adjust" in found.advice  # when not to, or what comes before


def test_where_zero_and_span_alone_are_left_they_may_be_turned():
    # A meter that is out in gain and zero leaves the same readings.
    assert not any(found_of(sheet, "zero and span").adjustment for sheet in SHEETS)
    offered = [found_of(sheet, "zero and span", "A. Brewer: second meter").adjustment for sheet in SHEETS]
    assert any(offered)
    # The sizes that the catalogue gives, turned back: 0.5 % of zero and 1 % of span.
    sizes = {each.name: each.default for each in CATALOGUE["zero and span"].parameters}
    for each in filter(None, offered):
        assert each.zero_pct == pytest.approx(-sizes["zero_pct"], abs=0.1)
        assert each.span_pct == pytest.approx(-sizes["span_pct"], abs=0.15)
