"""A simulated SCPI instrument: messages, tree of commands, interpreter, and the source and meter behind them."""

from instruments.simulated.scpi.instrument import ScpiInstrument
from instruments.simulated.scpi.interpreter import Interpreter, error_text
from instruments.simulated.scpi.message import Arguments, ScpiError
from instruments.simulated.scpi.scanner import Switchboard
from instruments.simulated.scpi.tree import Tree

__all__ = ["Arguments", "Interpreter", "ScpiError", "ScpiInstrument", "Switchboard", "Tree", "error_text"]
