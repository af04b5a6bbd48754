"""Serials of a batch: from an option, a file, or a barcode reader that types."""

import pytest

from instruments.errors import InputError
from sequencer.inputs.serials import from_table, from_text, typed


def test_a_list_with_commas_gives_the_units_in_order():
    assert from_text("A1, A2 ,A3") == ("A1", "A2", "A3")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("A1,A2,A1", '"A1" is given twice: it is unit 1 already'),
        ("GF-7,gf-7", "given twice"),  # on a plate nobody tells the cases apart
        ("A1,,A2", "a serial is empty"),
        ("A\x1b1", "is no serial"),
        ("A" * 81, "is no serial"),
    ],
)
def test_what_is_no_list_of_units_is_refused(text, why):
    with pytest.raises(InputError, match=why):
        from_text(text)


@pytest.mark.parametrize(
    ("text", "serials"),
    [
        ("A1\nA2\n\nA3\n", ("A1", "A2", "A3")),
        ("# of Monday\nA1\nA2\n", ("A1", "A2")),
        ("place,serial\n1,A1\n2,A2\n", ("A1", "A2")),
        ("\ufeffSerial number;remark\nA1;cover off\nA2;\n", ("A1", "A2")),
        ('"A,1"\n', ("A,1",)),
    ],
)
def test_a_file_gives_one_unit_a_line_or_its_column(text, serials):
    assert from_table(text, where="units.csv") == serials


def test_a_file_with_a_unit_twice_says_in_which_line():
    with pytest.raises(InputError, match="given twice") as refused:
        from_table("serial\nA1\nA2\nA1\n", where="units.csv")
    assert refused.value.where == "units.csv:4"


def test_a_file_without_a_unit_is_refused():
    with pytest.raises(InputError, match="no serial in it"):
        from_table("serial\n\n", where="units.csv")


def test_typing_ends_with_an_empty_line_and_a_code_read_twice_is_told_and_left_out():
    refused = []
    lines = ["\n", "A1\r\n", "A2\n", "A1\n", "A3\n", "\n", "A4\n"]
    assert typed(lines, most_n=None, refused=refused.append) == ("A1", "A2", "A3")
    assert ["given twice" in error.what for error in refused] == [True]


def test_typing_ends_once_every_place_has_a_unit():
    lines = iter(["A1", "A2", "A3"])
    assert typed(lines, most_n=2, refused=lambda _: None) == ("A1", "A2")
    assert next(lines) == "A3"
