"""Drivers made of descriptions: the instrument on its line, and its functions as sources and receivers."""

from instruments.described.instrument import DescribedInstrument
from instruments.described.receiver import DescribedReceiver
from instruments.described.scanner import DescribedScanner
from instruments.described.source import DescribedSource

__all__ = ["DescribedInstrument", "DescribedReceiver", "DescribedScanner", "DescribedSource"]
