"""Every name that `import sequencer` offers has an example, and the examples give what they say."""

import doctest
import inspect
import os
from functools import partial
from pathlib import Path

import pandas as pd
import pytest

import sequencer
from instruments.errors import StoppedError
from sequencer.running.events import ReadingTaken

OFFERED = [name for name in sequencer.__all__ if name != "__version__"]


class Stop:
    """A listener that stops the run at its fourth reading."""

    def __init__(self):
        self.read_n = 0

    def __call__(self, event):
        if isinstance(event, ReadingTaken):
            self.read_n += 1
            if self.read_n == 4:
                raise StoppedError("enough")


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    """A folder with the records that the examples name: two that are over, two that were stopped."""
    before = Path.cwd()
    os.chdir(tmp_path_factory.mktemp("workshop"))
    plan = partial(sequencer.plan, "pulse-to-current-by-hand", "simulated")
    sequencer.run(plan(), serial="GF-104")
    sequencer.run(plan(faults="zero shift, zero=0.4 %"), serial="GF-108")
    for serial in ("GF-105", "GF-106"):
        sequencer.run(plan(), serial=serial, listener=Stop())
    yield
    os.chdir(before)


@pytest.mark.usefixtures("workshop")
@pytest.mark.parametrize("name", OFFERED)
def test_the_example_gives_what_it_says(name):
    offered = getattr(sequencer, name)
    example = doctest.DocTestParser().get_doctest(
        inspect.getdoc(offered), {"sequencer": sequencer, "pandas": pd}, name, inspect.getsourcefile(offered), 0
    )
    assert example.examples, f"{name} has no example"
    said = []
    doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(example, out=said.append)
    assert not said, "".join(said)


def test_what_is_offered_is_all_that_completion_shows():
    assert dir(sequencer) == sorted(sequencer.__all__)
