"""From a table of readings to everything that is found in it: the one door for runs, records, tables and comparisons.

A table, a type sheet and what is stated of the bench in, one result out; no file, no clock, no instrument. Who took the
readings, when and with what is added by whoever knows (`dataclasses.replace`).
"""

from dataclasses import replace
from typing import Any

import pandas as pd

from instruments.datasheet import DataSheet
from instruments.errors import ReadingsError
from sequencer.diagnosis.action import advice, offered, other_basis
from sequencer.diagnosis.diagnose import diagnose
from sequencer.diagnosis.result import Content, Ended
from sequencer.diagnosis.summary import Account, account
from sequencer.evaluation.budget import Basis
from sequencer.evaluation.evaluate import evaluate
from sequencer.evaluation.figures.definitions import Standard
from sequencer.evaluation.monte_carlo import trials
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.step import Receivers, registry
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["BY_HAND", "examine", "with_monte_carlo"]

BY_HAND = Ended(status="by hand", reason="readings that no run took")


def examine(
    table: pd.DataFrame,
    type_sheet: TypeSheet,
    *,
    basis: Basis | None = None,
    standard: Standard = "IEC 61298-2:2008",
    planned_n: int | None = None,
    ended: Ended = BY_HAND,
    receivers: Receivers | None = None,
    monte_carlo: int | None = None,
) -> Content:
    """Figures, verdict, causes, advice, trims and noise of one unit.

    Args:
        table: tidy, of one unit.
        type_sheet: what the unit should do.
        basis: what is stated of the instruments; None = nothing, so a verdict without uncertainty.
        standard: whose definitions the figures follow.
        planned_n: visits that were planned; None = those that the table has.
        ended: how the run ended that took the readings.
        receivers: of what reads each tap; None = not known.
        monte_carlo: at most so many trials at a point, beside the first-order uncertainties; None = none.

    Raises:
        ReadingsError: a table that no run took, or the remains of one, cannot be evaluated.
    """
    sheet = type_sheet.datasheet()
    evaluation: Evaluation | None = None
    try:
        evaluation = evaluate(
            table,
            type_sheet,
            standard=standard,
            basis=basis,
            planned_n=planned_n,
            unfinished="" if ended.status in {"complete", BY_HAND.status} else ended.reason,
        )
    except ReadingsError as error:
        if ended.status == BY_HAND.status:
            raise
        if ended.status == "complete":
            ended = replace(ended, status="bench fault", reason=error.what)
    if evaluation is not None and evaluation.fit is not None:
        type_sheet = type_sheet.with_fitted(evaluation.fit.characteristic)
    findings = None if evaluation is None else _account(table, type_sheet, evaluation)
    content = Content(
        evaluation=evaluation,
        advice=advice(evaluation, ended.status, ended.reason, findings, can_resume=ended.can_resume),
        findings=findings,
        adjustment=offered(evaluation, findings),
        steps=_of_steps(table, sheet, receivers or {}),
        type=type_sheet.type,
        status=ended.status,
        reason=ended.reason,
        remarks=(*_noted(table), *_cleared(basis), *other_basis(evaluation, type_sheet, findings)),
    )
    return with_monte_carlo(content, sheet, monte_carlo)


def with_monte_carlo(content: Content, sheet: DataSheet, limit: int | None) -> Content:
    """A content with its uncertainties tried, at most `limit` times at a point; as it is where that is None."""
    if limit is None or content.evaluation is None:
        return content
    fit = content.evaluation.fit
    unit = sheet if fit is None else fit.of(sheet)
    return replace(content, trials=trials(content.evaluation, unit, limit=limit))


def _account(table: pd.DataFrame, type_sheet: TypeSheet, evaluation: Evaluation) -> Account:
    found = diagnose(table, type_sheet, result=evaluation.verdict.result, basis=evaluation.basis)
    return account(found, type_sheet.datasheet())


def _of_steps(table: pd.DataFrame, sheet: DataSheet, receivers: Receivers) -> dict[str, tuple[Any, ...]]:
    found = {name: step.evaluate(table, sheet, receivers) for name, step in registry().items()}
    return {name: results for name, results in found.items() if results}


def _cleared(basis: Basis | None) -> tuple[str, ...]:
    """Whose word excludes causes at the bench and in the wiring."""
    if basis is None or not basis.bench_cleared:
        return ()
    return (f"bench and wiring proved right by {basis.bench_cleared}",)


def _noted(table: pd.DataFrame) -> tuple[str, ...]:
    """What was doubted in a table taken by hand, a remark a row."""
    notes = table.loc[table["step_name"] == "by hand", "note"]
    return tuple(dict.fromkeys(note for note in notes if note not in {"", "empty"}))
