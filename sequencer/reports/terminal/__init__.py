"""Plain text for a terminal, nothing wider than asked. It computes no figure and prints nothing itself."""

from sequencer.reports.terminal.batch import batch_text
from sequencer.reports.terminal.comparison import comparison_text
from sequencer.reports.terminal.plan import plan_text, risk_text, units_time_text
from sequencer.reports.terminal.result import summary
from sequencer.reports.terminal.sections import sections_text
from sequencer.reports.terminal.signals import exchange_line, pair_text, trace_text

__all__ = [
    "batch_text",
    "comparison_text",
    "exchange_line",
    "pair_text",
    "plan_text",
    "risk_text",
    "sections_text",
    "summary",
    "trace_text",
    "units_time_text",
]
