"""Channel lists against the standard's own examples and grammar, and what is no channel list."""

import pytest

from instruments.channels import as_list, channels_of
from instruments.errors import InputError


@pytest.mark.parametrize(
    ("text", "channels"),
    [
        # SCPI-1999 volume 1, 8.3.2: MEAS:VOLT? (@1,3,4:6) measures on channels 1, 3, and 4 through 6.
        ("(@1,3,4:6)", ("1", "3", "4", "5", "6")),
        # The same, rows and columns (from memory): each dimension between its own ends, the last runs fastest.
        ("(@1!1:2!3)", ("1!1", "1!2", "1!3", "2!1", "2!2", "2!3")),
        ("(@2!3)", ("2!3",)),
        ("(@relays(1:3,7))", ("relays(1)", "relays(2)", "relays(3)", "relays(7)")),
        ("(@m1(1!1), m2(4!6))", ("m1(1!1)", "m2(4!6)")),
        # Common practice, no source: the first figure is the slot.
        ("(@101,102)", ("101", "102")),
        ("(@1005:1010,2015)", ("1005", "1006", "1007", "1008", "1009", "1010", "2015")),
        # As people write it in a bench file.
        ("101", ("101",)),
        (" 101 , 201 ", ("101", "201")),
        ("3:1", ("3", "2", "1")),
    ],
)
def test_a_channel_list_is_read_as_the_standard_has_it(text, channels):
    assert channels_of(text) == channels


def test_a_range_of_three_dimensions_runs_through_all_of_them():
    channels = channels_of("(@m4(1!1!1:2!3!4))")
    assert len(channels) == 2 * 3 * 4
    assert channels[:5] == ("m4(1!1!1)", "m4(1!1!2)", "m4(1!1!3)", "m4(1!1!4)", "m4(1!2!1)")
    assert channels[-1] == "m4(2!3!4)"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "is no channel list"),
        ("(@)", "is no channel list"),
        ("1,,2", "is no channel list"),
        ("1:2:3", 'is no channel list: "1:2:3"'),
        ("1!2:3", "between channels of 2 and 1 dimensions"),
        ("A1", 'is no channel list: "A1"'),  # a path name: what it connects stands in the instrument alone
        ("101;*RST", "is no channel list"),
        ("101, 102, 101", "names channel 101 twice"),
        ("1:99999", "names more than 10000 channels"),
        ("1!1!1:999!999!999", "names more than 10000 channels"),
    ],
)
def test_what_is_no_channel_list_is_refused_with_what_would_be_one(text, why):
    with pytest.raises(InputError, match=why) as refused:
        channels_of(text)
    assert "101:116" in refused.value.allowed


def test_channels_go_out_one_by_one():
    assert as_list(channels_of("101:103")) == "101,102,103"
