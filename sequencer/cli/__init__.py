"""The command: parse, call `core`, show."""

from sequencer.cli.command import cli, main

__all__ = ["cli", "main"]
