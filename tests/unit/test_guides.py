"""The guides that README names come along in the package, and `--help` says where they lie."""

import re
import tomllib
from pathlib import Path

from click.testing import CliRunner

from instruments.shipped import guides
from sequencer.cli.command import cli

ROOT = Path(__file__).parents[2]


def test_help_says_where_each_guide_lies():
    shown = CliRunner().invoke(cli, ["--help"]).stdout
    for path in guides().values():
        assert path.is_file()
        assert str(path) in shown


def test_every_guide_that_readme_names_is_in_the_package():
    named = set(re.findall(r"`((?:\w+/)README\.md)`", (ROOT / "README.md").read_text(encoding="utf-8")))
    # An installed one has them beside its code.
    assert {f"{path.parent.name}/{path.name}" for path in guides().values()} == named
    wheel = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]["build"]["targets"][
        "wheel"
    ]
    covered = (*wheel["packages"], *wheel["force-include"])
    assert all(any(each == name or name.startswith(f"{each}/") for each in covered) for name in named)
