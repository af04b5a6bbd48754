"""From a fault to "safe level, off": what the source received over a socket, and when."""

import promises_reaction
import pytest


@pytest.mark.parametrize("case", promises_reaction.CASES)
def test_off_comes_within_a_second_and_a_time_out_and_is_the_last_word(tmp_path, case):
    tried_n, lost = promises_reaction.reacted(case, tmp_path, places=(30,))
    assert lost == []
    assert tried_n == 2
