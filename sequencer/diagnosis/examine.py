"""From a table of readings to everything that is found in it: the one door for runs, records, tables and comparisons.

A table, a type sheet and what is stated of the bench in, one result out; no file, no clock, no instrument. Who took the
readings, when and with what is added by whoever knows (`dataclasses.replace`).
"""

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from instruments.datasheet import DataSheet
from instruments.errors import ReadingsError
from instruments.filemodel import FileModel
from sequencer.diagnosis.account import Account
from sequencer.diagnosis.action import advice, advice_by_limits, offered, other_basis
from sequencer.diagnosis.diagnose import diagnose
from sequencer.diagnosis.result import Content, Ended
from sequencer.diagnosis.summary import account
from sequencer.evaluation.budget import Basis
from sequencer.evaluation.evaluate import evaluate
from sequencer.evaluation.figures.definitions import Standard
from sequencer.evaluation.monte_carlo import trials
from sequencer.evaluation.off_ideal import off_ideal
from sequencer.evaluation.result import Evaluation
from sequencer.evaluation.step_limits import by_limits_alone, unread, with_left_out, with_limits, with_reservations
from sequencer.evaluation.verdict import Verdict
from sequencer.inputs.answers import Answer
from sequencer.inputs.step import READING, Judged, Receivers, Seen, registry
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["BY_HAND", "examine", "with_monte_carlo"]

_ELSEWHERE = (
    "Within tolerance over the traverse; a limit of another step is not kept. Look at that step before anything is "
    "adjusted: no trim of zero or span mends it."
)
BY_HAND = Ended(status="by hand", reason="readings that no run took")


def examine(  # noqa: PLR0913  all but table and type sheet by keyword
    table: pd.DataFrame,
    type_sheet: TypeSheet,
    *,
    basis: Basis | None = None,
    standard: Standard = "IEC 61298-2:2008",
    planned_n: int | None = None,
    ended: Ended = BY_HAND,
    receivers: Receivers | None = None,
    settings: Mapping[int, FileModel] | None = None,
    left_out: str = "",
    answers: tuple[Answer, ...] = (),
    monte_carlo: int | None = None,
    seeks_causes: bool = True,
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
        settings: of the steps of the sequence, by number; None = no run took the table.
        left_out: steps of the sequence that were not to be taken, in words; "" = none.
        answers: of the operator.
        monte_carlo: at most so many trials at a point, beside the first-order uncertainties; None = none.
        seeks_causes: False where figures and verdict are all that is asked for, which takes half the time.

    Raises:
        ReadingsError: a table that no run took, or the remains of one, cannot be evaluated.
    """
    sheet = type_sheet.datasheet()
    unfinished = "" if ended.status in {"complete", BY_HAND.status} else ended.reason
    evaluation: Evaluation | None = None
    if planned_n != 0 or _is_read(table):
        try:
            evaluation = evaluate(
                table, type_sheet, standard=standard, basis=basis, planned_n=planned_n, unfinished=unfinished
            )
        except ReadingsError as error:
            if ended.status == BY_HAND.status:
                raise
            if ended.status == "complete":
                ended = replace(ended, status="bench fault", reason=error.what)
    seen = Seen(
        table=table,
        sheet=sheet,
        receivers=receivers or {},
        settings=settings or {},
        type_sheet=type_sheet,
        basis=basis,
        standard=standard,
        answers=answers,
    )
    found = {name: results for name in _asked(seen) if (results := registry()[name].evaluate(seen))}
    limits = [each for name, results in found.items() for each in registry()[name].judged(results)] + unread(seen)
    reserved = [each for name, results in found.items() for each in registry()[name].reservations(results)]
    of_traverse = evaluation
    if evaluation is not None:
        verdict = with_reservations(with_left_out(with_limits(evaluation.verdict, limits), left_out), reserved)
        evaluation = replace(evaluation, verdict=verdict)
        if evaluation.fit is not None:
            type_sheet = type_sheet.with_fitted(evaluation.fit.characteristic)
    alone = None if evaluation is not None or planned_n != 0 else _alone(seen, limits, reserved, left_out, unfinished)
    findings = _account(table, type_sheet, evaluation) if seeks_causes and evaluation is not None else None
    noted = _noted(table)
    content = Content(
        evaluation=evaluation,
        alone=alone,
        advice=_advice(of_traverse, evaluation, alone, ended, findings, is_whole=not left_out),
        findings=findings,
        adjustment=offered(evaluation, findings),
        steps=found,
        type=type_sheet.type,
        status=ended.status,
        reason=ended.reason,
        doubts=noted,
        remarks=(*noted, *_cleared(basis), *other_basis(evaluation, type_sheet, findings)),
    )
    return with_monte_carlo(content, sheet, monte_carlo)


def _advice(
    of_traverse: Evaluation | None,
    evaluation: Evaluation | None,
    alone: Verdict | None,
    ended: Ended,
    findings: Account | None,
    *,
    is_whole: bool,
) -> str:
    """What to do next: by the traverse, by the limits of the other steps, or by how the run ended."""
    if ended.status == "complete" and of_traverse is not None and evaluation is not None:
        passed = of_traverse.verdict.result in {"pass", "conditional pass"}
        if passed and evaluation.verdict.result == "fail":
            return _ELSEWHERE
    if ended.status == "complete" and alone is not None:
        return advice_by_limits(alone, is_whole=is_whole)
    return advice(evaluation, ended.status, ended.reason, findings, can_resume=ended.can_resume)


def _is_read(table: pd.DataFrame) -> bool:
    """A traverse, or a further point, was read."""
    return bool((table["role"] == READING).any())


def _alone(seen: Seen, limits: list[Judged], reserved: list[str], left_out: str, unfinished: str) -> Verdict:
    """The verdict of a run whose plan has no traverse."""
    kinds = {step.settings: step for step in registry().values()}
    is_lacking = any(READING in kinds[kind].roles for each in seen.settings.values() if (kind := type(each)) in kinds)
    reservations = [*(seen.basis.reservations if seen.basis is not None else ()), *reserved]
    verdict = by_limits_alone(
        limits,
        without=f"in part, left out: {left_out}; without the traverse no verdict"
        if is_lacking and left_out
        else off_ideal(seen),
        unfinished=unfinished,
        reservations=reservations,
    )
    return with_left_out(verdict, left_out)


def _asked(seen: Seen) -> list[str]:
    """The steps that may have found something, by name: of the sequence, in its order, and those of the readings.

    Any other would only load what it computes with.
    """
    names = {step.settings: name for name, step in registry().items()}
    own = [names[kind] for _, settings in sorted(seen.settings.items()) if (kind := type(settings)) in names]
    there = set(seen.table["role"])
    read = (name for name, step in registry().items() if not there.isdisjoint(step.roles))
    return list(dict.fromkeys((*own, *read)))


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


def _cleared(basis: Basis | None) -> tuple[str, ...]:
    """Whose word excludes causes at the bench and in the wiring."""
    if basis is None or not basis.bench_cleared:
        return ()
    return (f"bench and wiring proved right by {basis.bench_cleared}",)


def _noted(table: pd.DataFrame) -> tuple[str, ...]:
    """What was doubted in a table taken by hand, a remark a row."""
    notes = table.loc[table["step_name"] == "by hand", "note"]
    return tuple(dict.fromkeys(note for note in notes if note not in {"", "empty"}))
