"""Records of simulated benches among those of real ones: told, since a simulation says nothing of real units."""

import pandas as pd

__all__ = ["mixed", "simulated_n"]


def simulated_n(records: pd.DataFrame) -> int:
    """How many records are of a simulated bench."""
    return int(records["is_simulated"].sum()) if "is_simulated" in records else 0


def mixed(simulated_n: int, records_n: int) -> tuple[str, ...]:
    """What is to be said where some are, and others not; () where all are alike."""
    if not 0 < simulated_n < records_n:
        return ()
    told = f"{simulated_n} of {records_n} records are of a simulated bench"
    return (f"{told}: what is said of all of them is said of no real unit; keep them in folders of their own",)
