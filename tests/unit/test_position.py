"""The input of a run comes back to its point, whatever else fails while communication is re-established."""

import pytest

from instruments.errors import NoReplyError
from instruments.simulated.bench import Mishap
from sequencer.readings.table import valid_rows


@pytest.mark.parametrize("place", [30, 45, 60])
def test_an_output_that_went_off_is_energised_again_though_a_meter_did_not_answer_at_first(small, run, place):
    failed = []

    def change(bench, *_):
        meter = bench.receivers["output"]
        recover = meter.recover

        def silent_once():
            if not failed:
                failed.append(1)
                raise NoReplyError("no reply", where="meter")
            recover()

        meter.recover = silent_once

    wrong = [Mishap(kind="power-cycled", instrument="source", at_exchange=place)]
    ran = run(small(), wrong=wrong, change=change)
    assert failed
    assert ran.outcome.status == "complete"
    # With the output off the meter would show 4 mA at every point: a wrong FAIL.
    assert ran.record.evaluation.verdict.result == "pass"
    assert sum("its output was off" in event.text for event in ran.events("Remarked")) == 1
    assert ran.is_safe()


@pytest.mark.parametrize(("times_n", "status"), [(1, "complete"), (100, "bench fault")])
def test_readings_of_a_visit_whose_source_was_lost_before_it_was_asked_do_not_count(small, run, times_n, status):
    # Struck at the look that ends a visit: its readings are in the journal by then.
    wrong = [Mishap(kind="power-cycled", instrument="source", matching="OUTP?;", times_n=times_n)]
    ran = run(small(), wrong=wrong)
    assert ran.outcome.status == status
    assert ran.is_safe()
    table = ran.record.readings
    discarded = table[table["note"] == "discarded"]
    assert len(discarded) > 0
    (first,) = set(discarded["number"])
    assert first == table["number"].min()
    assert discarded["value"].notna().all()  # nothing is taken out of the table
    counted = valid_rows(table)
    if status == "complete":
        assert set(counted[counted["number"] == first]["attempt"]) == {2}
    else:
        assert not (counted["number"] == first).any()


def test_the_source_is_asked_once_a_visit_and_a_meter_with_each_reading(small, run):
    ran = run(small())
    assert ran.outcome.status == "complete"
    lines = ran.lines[next(at for at, line in enumerate(ran.lines) if line["kind"] == "settled") :]
    end = next(at for at, line in enumerate(lines) if line["kind"] == "safe")
    sent = [line["sent"] for line in lines[:end] if line["kind"] == "exchange"]
    visits_n = len({line["number"] for line in lines[:end] if line["kind"] == "reading"})
    looks = [each for each in sent if each.startswith("OUTP?;")]
    assert len(looks) == visits_n
    assert "*ESR?" not in sent  # it rides along
    assert {each for each in sent if "READ?" in each} == {"READ?;*ESR?", "*ESR?;:READ?"}
