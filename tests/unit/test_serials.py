"""Serials of a batch: from an option, a file, or a barcode reader that types."""

import unicodedata

import pytest

from instruments.errors import InputError
from sequencer.inputs.serials import from_table, from_text, look_key, serial_key, typed


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


def entering(lines):
    """What answers with these lines, and the numbers of the units that it was asked for."""
    left, asked = list(lines), []
    return (lambda number: asked.append(number) or (left.pop(0) if left else None)), asked


def test_a_unit_is_asked_for_until_it_has_its_code():
    refused = []
    ask, asked = entering(["\n", "A1\r\n", "A2\n", "A1\n", "a2\n", "A3\n", "\n", "A4\n"])
    assert typed(ask, most_n=None, refused=refused.append) == ("A1", "A2", "A3")
    assert ["given twice" in error.what for error in refused] == [True, True]
    # Who puts the units in their places goes by the number: the third place is asked for until it has its unit.
    assert asked == [1, 1, 2, 3, 3, 3, 4]


def test_typing_ends_at_the_end_of_the_input_and_once_every_place_has_a_unit():
    assert typed(entering(["A1\n"])[0], most_n=3, refused=pytest.fail) == ("A1",)
    ask, asked = entering(["A1", "A2", "A3"])
    assert typed(ask, most_n=2, refused=pytest.fail) == ("A1", "A2")
    assert asked == [1, 2]


@pytest.mark.parametrize(
    ("line", "serials"),
    [
        ("A1\tA2\t\n", ("A1", "A2")),  # a reader that ends each code with a tab
        ("]C1GF-7\n", ("GF-7",)),  # symbology identifier of ISO/IEC 15424 (from memory): Code 128, GS1
        ("]d2\x1dGF-7\x1d\n", ("GF-7",)),  # FNC1 of a GS1 data matrix, which readers send as <GS>
        ("GF]C1\n", ("GF]C1",)),
    ],
)
def test_what_a_barcode_reader_puts_around_a_code_is_no_part_of_it(line, serials):
    assert typed(entering([line])[0], most_n=None, refused=pytest.fail) == serials


def test_a_line_with_more_codes_than_places_says_which_were_left_out():
    refused = []
    assert typed(entering(["A1\tA2\tA3\n"])[0], most_n=2, refused=refused.append) == ("A1", "A2")
    assert "2 places" in refused[0].what
    assert "A3" in refused[0].what


@pytest.mark.parametrize(
    "other",
    [
        "GFO-1I4A",
        "gf0-ll4a",
        "GF\N{CYRILLIC CAPITAL LETTER O}-114\N{CYRILLIC CAPITAL LETTER A}",
        "GF\N{GREEK CAPITAL LETTER OMICRON}\N{EN DASH}1\N{GREEK CAPITAL LETTER IOTA}4\N{GREEK CAPITAL LETTER ALPHA}",
    ],
)
def test_serials_that_look_alike_have_one_key(other):
    # Pairs of confusables.txt of Unicode UTS #39 (from memory).
    assert look_key(other) == look_key("GF0-114A")
    assert serial_key(other) != serial_key("GF0-114A")
    assert look_key("GF0-114B") != look_key("GF0-114A")


def test_every_letter_that_looks_latin_does_as_a_capital():
    # The names of Unicode: of most pairs the letters sound alike too, and these are the others, by their shapes.
    shapes = {
        "VE": "B", "EN": "H", "ER": "P", "ES": "C", "U": "Y", "HA": "X", "DZE": "S", "ETA": "H", "RHO": "P", "CHI": "X",
        "UPSILON": "Y", "BYELORUSSIAN-UKRAINIAN I": "I",
    }  # fmt: skip
    for script, names in (("CYRILLIC", ("VE", "EN", "ER", "ES", "U", "HA", "DZE", "BYELORUSSIAN-UKRAINIAN I")),
                          ("GREEK", ("ETA", "RHO", "CHI", "UPSILON"))):  # fmt: skip
        for name in names:
            letter = unicodedata.lookup(f"{script} CAPITAL LETTER {name}")
            assert look_key(f"7{letter}") == look_key(f"7{shapes[name]}"), name
