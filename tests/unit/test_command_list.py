"""The commands by name: each is there, said in one line, and imported once it is called."""

import importlib
import pkgutil
import subprocess
import sys

import click
import pytest
from click.testing import CliRunner

import sequencer.cli
from sequencer.cli.command import COMMANDS, cli


def test_every_command_of_every_module_is_in_the_list():
    found = set()
    for module in pkgutil.iter_modules(sequencer.cli.__path__):
        inside = importlib.import_module(f"sequencer.cli.{module.name}")
        commands = [each for each in vars(inside).values() if isinstance(each, click.Command) and each is not cli]
        nested = {
            each for group in commands if isinstance(group, click.Group) for each in vars(group)["commands"].values()
        }
        found |= {each.name for each in commands if each not in nested}
    assert found == set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_is_found_by_its_name_and_has_help(name):
    command = cli.get_command(None, name)
    assert command.name == name
    assert command.help


def test_the_list_is_in_order_and_no_line_is_cut():
    assert list(COMMANDS) == sorted(COMMANDS)
    shown = CliRunner().invoke(cli, ["--help"], terminal_width=80).output
    for name, (_, summary) in COMMANDS.items():
        assert f"  {name:10}  {summary}\n" in shown
    assert max(len(line) for line in shown.splitlines() if len(line.split()) > 1) < 80  # a path is one word


def test_help_imports_no_command():
    code = "import sys; from sequencer.cli.command import cli; cli.main(['--help'], standalone_mode=False)"
    code += "; print(*sorted(each for each in sys.modules if each.startswith('sequencer.cli.')), file=sys.stderr)"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stderr.split()
    assert shown == [f"sequencer.cli.{each}" for each in ("command", "console", "streams", "typed_ahead")]


@pytest.mark.parametrize(("typed", "meant"), [("rn", "run"), ("reprot", "report"), ("sequence", "sequences")])
def test_a_slip_is_answered_with_the_nearest_command(typed, meant):
    found = CliRunner().invoke(cli, [typed])
    assert found.exit_code == 2
    assert f'Did you mean "{meant}"?' in found.stderr
