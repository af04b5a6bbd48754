"""One function for each thing a user can do; command, page and library call these and nothing below them."""

from sequencer.inputs.stated_type import stated_type
from sequencer.jobs.batch import (
    BatchResult,
    batch,
    batch_report,
    left_of,
    open_records_of,
    resume_batch,
)
from sequencer.jobs.bench import ServedBench, check_bench, find_instruments, simulate
from sequencer.jobs.by_hand import by_hand, evaluate
from sequencer.jobs.close import close
from sequencer.jobs.compare import compare
from sequencer.jobs.documents import Issued, issue, write_document
from sequencer.jobs.drive import Nobody, RunResult
from sequencer.jobs.interrupted import CutOff, cut_off, kept_plan
from sequencer.jobs.lost_seal import verify
from sequencer.jobs.new import answered, next_command, tried, write_new
from sequencer.jobs.pages import report, report_path, write_comparison, write_report
from sequencer.jobs.plan import load, load_bench, load_type, plan, risk
from sequencer.jobs.record_jobs import by_trials, correct, load_record, open, remark  # noqa: A004  as it is called
from sequencer.jobs.resume import resume
from sequencer.jobs.run import run
from sequencer.jobs.safe import make_safe, not_proved_safe, prove_safe
from sequencer.jobs.salvage import salvage
from sequencer.jobs.shipped import BENCHES, copy_shipped, schema, shipped_names  # noqa: F401
from sequencer.jobs.waveform import compare_traces, trace
from sequencer.planning.together import why_plan_one_by_one
from sequencer.record.batch import batch_folder_of, is_batch
from sequencer.record.record import Record
from sequencer.record.verify import Verification
from sequencer.reports.batch import batch_document
from sequencer.reports.display import show_in_notebooks
from sequencer.reports.json_document import document, plan_document

__all__ = [
    "BatchResult",
    "CutOff",
    "Issued",
    "Nobody",
    "Record",
    "RunResult",
    "ServedBench",
    "Verification",
    "answered",
    "batch",
    "batch_document",
    "batch_folder_of",
    "batch_report",
    "by_hand",
    "by_trials",
    "check_bench",
    "close",
    "compare",
    "compare_traces",
    "copy_shipped",
    "correct",
    "cut_off",
    "document",
    "evaluate",
    "find_instruments",
    "is_batch",
    "issue",
    "kept_plan",
    "left_of",
    "load",
    "load_bench",
    "load_record",
    "load_type",
    "make_safe",
    "next_command",
    "not_proved_safe",
    "open",
    "open_records_of",
    "plan",
    "plan_document",
    "prove_safe",
    "remark",
    "report",
    "report_path",
    "resume",
    "resume_batch",
    "risk",
    "run",
    "salvage",
    "schema",
    "shipped_names",
    "simulate",
    "stated_type",
    "trace",
    "tried",
    "verify",
    "why_plan_one_by_one",
    "write_comparison",
    "write_document",
    "write_new",
    "write_report",
]

show_in_notebooks()
