"""The input of a run comes back to its point, whatever else fails while communication is re-established."""

import pytest

from instruments.errors import NoReplyError
from instruments.simulated.bench import Mishap


@pytest.mark.parametrize("place", [60, 90, 120])
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
