"""From an evaluated table to the account of its likely causes: the one door to `findings` from everything else."""

import pandas as pd

from sequencer.diagnosis.diagnose import diagnose
from sequencer.diagnosis.summary import Account, account
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["examined"]


def examined(table: pd.DataFrame, type_sheet: TypeSheet, evaluation: Evaluation) -> Account:
    """What is the matter with a unit, from its readings and the verdict on them.

    Args:
        table: tidy, of one unit.
        type_sheet: what the unit should do.
        evaluation: of the same table.
    """
    found = diagnose(table, type_sheet, result=evaluation.verdict.result, basis=evaluation.basis)
    return account(found, type_sheet.datasheet())
