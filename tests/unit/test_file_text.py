"""Text as people save it: exact where it is UTF, of the right code page where the words tell, western otherwise."""

import pytest

from sequencer.readings.file_text import decoded

GERMAN = "Durchfluß [m³/h];Ausgang [mA];geprüft\n0;4,00;kühl\n100;20,00;\n"
FRENCH = "entrée [°C];sortie [mA];opérateur\n0;4;réglé à chaud\n100;20;Hélène\n"
POLISH = "wejście [Hz];wyjście [mA];uwagi\n0;4,00;\n500;12,00;żółty\n1000;20,00;próba\n"
GREEK = "είσοδος [Hz];έξοδος [mA];παρατήρηση\n0;4;\n1000;20;καλό\n"
SIGNS = "input [°C];output [µA];±0,2 %;m²;m³\n0;4000\n100;20000\n"
PLAIN = "input [Hz];output [mA]\n0;4\n1000;20\n"


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        (GERMAN, "cp1252"), (FRENCH, "cp1252"), (SIGNS, "cp1252"), (POLISH, "cp1250"), (GREEK, "cp1253"),
        (PLAIN, "ascii"), *[(text, each) for text in (GERMAN, POLISH, GREEK, SIGNS)
                            for each in ("utf-8", "utf-8-sig", "utf-16")],
    ],
)  # fmt: skip
def test_a_table_is_read_as_it_was_saved(text, encoding):
    assert decoded(text.encode(encoding)) == text


@pytest.mark.parametrize("page", ["cp1250", "cp1251", "cp1252", "cp1253"])
@pytest.mark.parametrize("sign", ["°", "µ", "±"])
def test_signs_of_units_survive_in_every_code_page(sign, page):
    text = f"input [Hz];output [mA];{sign}\n0;4\n"
    assert decoded(text.encode(page)) == text


def test_bytes_that_are_no_text_still_give_one():
    assert decoded(bytes(range(256)))
