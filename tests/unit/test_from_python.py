"""What `import sequencer` gives to a notebook: views, where a run is, errors of our own for whatever is wrong."""

import numpy as np
import pandas as pd
import pytest

import sequencer
from sequencer.reports.notebook_progress import NotebookView
from sequencer.running.events import Closed, Found

ROWS = {"input [Hz]": [0.0, 500.0, 1000.0], "mA out": [4.0, 12.01, 20.02]}


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    plan = sequencer.plan("pulse-to-current-by-hand", "simulated")
    return sequencer.run(plan, serial="GF-104", results=tmp_path_factory.mktemp("results")).record


@pytest.mark.parametrize(
    ("call", "says"),
    [
        pytest.param(lambda: sequencer.open("GF-104", "nowhere"), "is not a record", id="no such folder"),
        pytest.param(lambda: sequencer.run("pulse-to-current", serial="x"), "a str is no plan", id="no plan"),
        pytest.param(
            lambda: sequencer.plan("pulse-to-current", "simulated", faults="span eror"), "span error", id="no fault"
        ),
        pytest.param(lambda: sequencer.plan("pulse-to-current", "simulated", seed=-1), "is no seed", id="no seed"),
        pytest.param(lambda: sequencer.evaluate([4, 12], "pulse-to-current"), "taken from a list", id="a list"),
        pytest.param(lambda: sequencer.evaluate(pd.DataFrame(), "pulse-to-current"), "holds no readings", id="empty"),
        pytest.param(
            lambda: sequencer.evaluate(pd.DataFrame(np.eye(3)), "pulse-to-current"),
            "no column for input",
            id="no names",
        ),
        pytest.param(
            lambda: sequencer.records(serail="GF-104"), '(?s)asked for by "serail".*"serial"', id="no question"
        ),
        pytest.param(
            lambda: sequencer.envelope_of("glycol"), r'(?s)a str is no table.*records\(type="glycol"\)', id="no records"
        ),
        pytest.param(lambda: sequencer.compare(5, 6), "an? int is neither a record nor a table", id="no side"),
        pytest.param(
            lambda: sequencer.stated_type(input="0 .. 60", output="4 .. 20 mA", tolerance="1 % of span"),
            "has no unit",
            id="no unit",
        ),
    ],
)
def test_what_is_wrong_is_an_error_of_our_own(call, says):
    with pytest.raises(sequencer.LivezeroError, match=says):
        call()


def test_a_state_that_is_none_is_refused_before_anything_is_opened(tmp_path):
    plan = sequencer.plan("pulse-to-current-by-hand", "simulated")
    with pytest.raises(sequencer.LivezeroError, match=r'(?s)not "found".*"as found"'):
        sequencer.run(plan, serial="GF-104", state="found", results=tmp_path)
    assert not list(tmp_path.iterdir())


def test_an_index_that_has_a_name_is_a_column():
    table = pd.DataFrame(ROWS)
    plain, indexed = (sequencer.evaluate(each, "pulse-to-current") for each in (table, table.set_index("input [Hz]")))
    assert indexed.visits.equals(plain.visits)
    # 12.01 and 20.02 mA against 12 and 20: 0.01 and 0.02 mA of 16 mA.
    assert plain.visits["error_pct"].tolist() == pytest.approx([0, 100 * 0.01 / 16, 100 * 0.02 / 16])


def test_a_table_is_judged_with_the_instruments_of_a_bench():
    table = pd.DataFrame(ROWS)
    assert sequencer.evaluate(table, "pulse-to-current").worst_U is None
    assert sequencer.evaluate(table, "pulse-to-current", bench="by-hand").worst_U > 0


def test_figures_are_a_table_and_what_is_not_determinable_is_missing(record):
    figures = record.figures
    for each in record.evaluation.figures:
        row = figures.loc[each.name]
        assert (row["unit"], row["remark"]) == (each.unit, each.remark)
        assert row["value"] == each.value if each.value is not None else np.isnan(row["value"])
    assert figures["U"].dtype == float


@pytest.mark.parametrize("name", ["error", "hysteresis", "residual", "bars"])
def test_each_plot_is_a_drawing_that_a_notebook_shows(record, name):
    assert record.plot(name)._repr_html_().startswith("<svg")


def test_a_plot_that_is_not_there_is_answered_with_the_nearest(record):
    with pytest.raises(sequencer.LivezeroError, match=r'(?s)no plot "eror".*write "error"'):
        record.plot("eror")


def test_a_figure_that_is_not_there_is_answered_with_the_nearest(record):
    assert record.figure("hysteresis") == record.evaluation.figure("hysteresis")
    with pytest.raises(sequencer.LivezeroError, match=r'(?s)no figure "hysteresys".*write "hysteresis"'):
        record.figure("hysteresys")


def test_records_are_compared_by_what_they_are_opened_by(record):
    results = record.folder.parent
    by_serial = sequencer.compare("GF-104", "gf-104", results=results)
    assert by_serial.points.equals(sequencer.compare(record, record.folder).points)
    for name, says in (("GF-140", r'(?s)neither such a folder nor such a record.*"GF-104"'), ("GF-104@x", "@|date")):
        with pytest.raises(sequencer.LivezeroError, match=says):
            sequencer.compare("GF-104", name, results=results)
    with pytest.raises(sequencer.LivezeroError, match="no such record"):
        sequencer.compare("GF-104", "GF-104", results=results / "nowhere")


def test_diagnosis_and_comparison_have_views_of_their_own(record):
    assert "no fault found" in record.diagnosis._repr_html_()
    shown = sequencer.compare(record, record)._repr_html_()
    assert "<svg" in shown
    assert "GF-104" in shown


def test_a_notebook_shows_where_a_run_is_and_how_it_ended(small, tmp_path):
    plan = small()
    shown = []
    view = NotebookView(plan, shown.append)
    seen = []
    sequencer.run(plan, serial="x", results=tmp_path / "kept", listener=lambda event: (seen.append(event), view(event)))
    assert [type(each) for each in seen[-2:]] == [Closed, Found]
    assert f"of {len(plan.points)} done" in shown[0]
    assert shown[-1].splitlines()[-1].startswith("complete")  # what follows takes it not away
    assert len(shown) < 200
    assert max(len(line) for each in shown for line in each.splitlines()) <= 100
