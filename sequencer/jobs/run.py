"""A run from its first question to its record."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Literal

from instruments.bench import Bench
from instruments.errors import InputError
from instruments.roles import Operator
from instruments.session import Teller
from sequencer.inputs.serials import serial_key
from sequencer.jobs.check_unit import bench_remark
from sequencer.jobs.drive import Nobody, RunResult, drive, kept, process_of
from sequencer.jobs.plan import acceptance, clearance
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan
from sequencer.record.create import as_found_of, create, create_again, opening, used
from sequencer.record.layout import JOURNAL
from sequencer.reports.notebook_progress import notebook_listener
from sequencer.running.events import Listener

__all__ = ["begun", "run"]


def run(  # noqa: PLR0913  all but the plan by keyword
    plan: Plan,
    *,
    serial: str,
    results: Path | str = "results",
    state: Literal["as found", "as left", ""] = "",
    tag: str = "",
    operator_name: str = "",
    operator: Operator | None = None,
    listener: Listener | None = None,
    trace: Teller | None = None,
    low_tur_accepted: str = "",
    bench_cleared: str = "",
    monte_carlo: int | None = None,
    pursue: bool = False,
) -> RunResult:
    """Run a plan on its bench, and keep the record.

    Args:
        plan: what to do.
        serial: of the unit.
        results: folder under which the record is kept.
        state: as found, as left, or neither.
        tag: of the place that the unit is for; "" = none.
        operator_name: for the record.
        operator: confirms cautions and serves keyed instruments; None = unattended.
        listener: takes every event; None = in a notebook one that shows where the run is, else none.
        trace: takes every exchange with an instrument.
        low_tur_accepted: "NAME: reason" of the person who accepts a test uncertainty ratio below 1.5; "" = none.
        bench_cleared: "NAME: how" of the person who proved bench and wiring right by other means; "" = nobody did.
        monte_carlo: at most so many trials at a point, beside the first-order uncertainties; None = none.
        pursue: where causes are left in question, take the point that tells most for its time, and look again.

    Returns:
        The outcome with the record; a bench fault or a stop is an outcome. The report is written too. A run that was
        stopped after its first reading is not sealed: `resume` goes on with it, `close` ends it.

    Raises:
        InputError: no serial, an acceptance or a clearance without name or reason, or a fault not in the catalogue.
        InstrumentError: another run holds the bench, or a resource cannot be opened; nothing was energised.
        RecordError: the record cannot be written.

    Example:
        >>> plan = sequencer.plan("pulse-to-current-by-hand", "simulated", faults="zero shift, zero=0.4 %")
        >>> result = sequencer.run(plan, serial="GF-107", state="as found")
        >>> result.exit_code, result.verdict.result
        (1, 'fail')
        >>> result.record.diagnosis.names[0]
        'zero shift'
    """
    _refuse_no_plan(plan)
    if state not in ("as found", "as left", ""):
        raise InputError(f'a unit is not "{state}"', where="state", allowed='"as found", "as left", or "" for neither')
    serial = str(serial).strip()
    if not serial:
        raise InputError("the serial of the unit is missing", allowed="what stands on its plate", todo="give --serial")
    said = {
        "serial": serial,
        "tag": tag.strip(),
        "operator": operator_name,
        "state": state,
        "low_tur_accepted": acceptance(low_tur_accepted),
        "bench_cleared": clearance(bench_cleared),
    }
    folder, outcome = drive(
        plan,
        partial(begun, plan, Path(results), said),
        serial=serial,
        operator=operator or Nobody(),
        listener=listener or notebook_listener(plan),
        trace=trace,
        pursue=pursue,
    )
    return kept(folder, outcome, listener, monte_carlo=monte_carlo)


def _refuse_no_plan(plan: object) -> None:
    if not isinstance(plan, Plan):
        raise InputError(
            f"a {type(plan).__name__} is no plan",
            allowed='such as sequencer.plan("pulse-to-current", "simulated")',
            todo="make the plan first",
        )


@contextmanager
def begun(
    plan: Plan,
    results: Path,
    said: Mapping[str, str],
    bench: Bench,
    *,
    batch: Mapping[str, Any] | None = None,
    sequence: str = "",
) -> Iterator[Journal]:
    """The journal of a new record, its first line written.

    Args:
        plan: what is run.
        results: folder for the record.
        said: serial, operator, state, acceptance and clearance.
        bench: open.
        batch: that the unit belongs to, as `Batch.as_opened`; None = none.
        sequence: as for `create`.
    """
    started = datetime.now(UTC)
    # On virtual time the date is the virtual one, so that one seed gives one record to the last digit.
    date = bench.clock.date() if plan.bench.file.is_simulated else started
    is_left = said["state"] == "as left"
    earlier = as_found_of(results, serial=said["serial"], type_=plan.sheet.type) if is_left else None
    folder = create(results, plan, date=started.isoformat(), serial=said["serial"], sequence=sequence)
    with Journal(folder / JOURNAL) as journal:
        journal.elsewhere = partial(create_again, folder, plan)
        first = opening(plan, date=date.isoformat(), as_found=earlier, **said)
        first["warnings"] += _of_bench(plan, results, said["serial"], date)
        of_batch = {} if batch is None else {"batch": dict(batch)}
        journal.opened(date, **first, **used(folder, plan), process=process_of(plan), **of_batch)
        yield journal


def _of_bench(plan: Plan, results: Path, serial: str, date: datetime) -> list[str]:
    """What its check unit says of the bench, where it has one and this is another unit."""
    check_unit = plan.bench.file.check_unit
    if not check_unit or serial_key(check_unit) == serial_key(serial):
        return []
    remark = bench_remark(check_unit, plan.bench.file.bench, results, date.date())
    return [remark] if remark else []
