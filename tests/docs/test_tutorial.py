"""The tutorial takes a new unit from its type sheet to a compared pair, and says what is true of it."""

from pathlib import Path

import notebooks
import pytest

TUTORIAL = Path(__file__).parent / "tutorial.ipynb"
SPAN_ERROR_PCT = 0.6  # that the second unit is given in the notebook


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path_factory.mktemp("tutorial"))
        yield notebooks.run(TUTORIAL)


def test_it_takes_ten_cells():
    assert len(notebooks.cells(TUTORIAL)) == 10


def test_what_each_cell_shows_has_a_view(done):
    shown = [each for each in done["Out"] if each is not None]
    assert shown[0] == 16  # mA from 4 to 20
    assert len(shown) == 9
    assert all("<" in each._repr_html_() for each in shown[1:])


def test_the_second_unit_differs_from_the_first_by_the_fault_that_it_was_given(done):
    assert done["first"].evaluation.verdict.is_pass
    assert done["second"].evaluation.verdict.result == "fail"
    assert "span error" in done["second"].diagnosis.names
    pair = done["pair"]
    assert pair.result == "different"
    top = pair.points[pair.points["setpoint_pct"] == 100].iloc[0]
    assert top["difference_pct"] == pytest.approx(SPAN_ERROR_PCT, abs=top["U_pct"] + 0.02)
