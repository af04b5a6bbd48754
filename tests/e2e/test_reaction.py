"""From a fault to "safe level, off": what the source received over a socket, and when."""

import promises_reaction
import pytest


@pytest.mark.parametrize("case", promises_reaction.CASES)
def test_off_comes_within_a_second_and_a_time_out_and_is_the_last_word(tmp_path, case, monkeypatch):
    monkeypatch.setattr("instruments.described.instrument._RECOVERY_S", 0.0)  # what comes after "off" is no matter here
    tried_n, lost = promises_reaction.reacted(case, tmp_path, timeout_s=0.5, places=(30,))
    assert lost == []
    assert tried_n == 2


def test_a_patient_meter_delays_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr("instruments.described.instrument._RECOVERY_S", 0.0)
    tried_n, lost = promises_reaction.reacted(
        "silent", tmp_path, timeout_s=0.5, meter_s=2.0, instruments=("meter",), places=(30,)
    )
    assert lost == []
    assert tried_n == 1
