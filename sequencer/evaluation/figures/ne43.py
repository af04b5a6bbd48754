"""What a loop current says by NAMUR NE 43: measuring information, failure information, or neither.

It judges no accuracy; a receiver that holds its last class for a time is not modelled.
"""

import math
from typing import Literal, TypeAlias

__all__ = ["CurrentClass", "FAILURE_mA", "MEASURING_mA", "current_class"]

MEASURING_mA = (3.8, 20.5)
"""Both ends belong to measuring information (equality from memory)."""
FAILURE_mA = (3.6, 21.0)
"""At and below the one, at and above the other it is failure information (equality from memory)."""

CurrentClass: TypeAlias = Literal["failure low", "measuring", "failure high", "undefined", "not determinable"]

_ROUNDING_mA = 1e-9


def current_class(level_mA: float, U_mA: float = 0.0) -> CurrentClass:
    """What a current is read as; at the edge of a class, within its uncertainty, it belongs to that class.

    A unit that stops at 3.8 mA as it should is measured now above and now below.

    Args:
        level_mA: the current.
        U_mA: expanded uncertainty; 0 = taken as it is.

    Returns:
        "not determinable" where the uncertainty reaches into two classes.

    Source: NAMUR NE 43:2003; levels as in several public pages on it. The rule at the edge is common practice, no
    source.
    """
    if math.isnan(level_mA) or math.isnan(U_mA):
        return "not determinable"
    reach_mA = U_mA + _ROUNDING_mA
    classes: dict[CurrentClass, bool] = {
        "failure low": level_mA - reach_mA <= FAILURE_mA[0],
        "measuring": level_mA + reach_mA >= MEASURING_mA[0] and level_mA - reach_mA <= MEASURING_mA[1],
        "failure high": level_mA + reach_mA >= FAILURE_mA[1],
    }
    named = [name for name, is_one in classes.items() if is_one]
    return named[0] if len(named) == 1 else "not determinable" if named else "undefined"
