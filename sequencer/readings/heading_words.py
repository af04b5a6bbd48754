"""What people call the columns of a table of readings, in six languages: small letters, no accents.

Usual words of the trade in English, German, French, Spanish, Italian and Dutch; common practice, no source.
"""

import unicodedata
from typing import Literal

__all__ = ["DOWN", "ENDS", "FILLERS", "PREPOSITIONS", "SYMBOLS", "UP", "USUAL_END", "WORDS", "End", "Meaning", "folded"]

Meaning = Literal["actual", "nominal", "error", "direction", "cycle", "remark"]
End = Literal["input", "output"]

# What names the end of the unit: the first words before the second ones, so that "applied output" is an output.
ENDS: dict[End, tuple[set[str], set[str]]] = {
    "input": (
        {"input", "in", "inp", "eingang", "eingangssignal", "entree", "entrada", "ingresso", "ingang"},
        {"injected", "applied", "stimulus", "angelegt", "injecte", "injectee", "applique", "appliquee", "aplicado"}
        | {"aplicada", "inyectado", "inyectada", "applicato", "applicata", "iniettato", "aangelegd"},
    ),
    "output": (
        {"output", "out", "outp", "ausgang", "ausgangssignal", "sortie", "salida", "uscita", "uitgang"},
        {"returned", "response"},
    ),
}

_SET = {"set", "vorgabe", "instelwaarde"}
_EXPECTED = (
    {"expected", "ideal", "theoretical", "erwartet", "theoretisch", "attendu", "theorique", "esperado", "teorico"}
    | {"atteso", "verwacht"}
)  # fmt: skip
_ACTUAL = (
    {"actual", "measured", "indicated", "read", "reading", "gemessen", "messwert", "istwert", "ist", "anzeige"}
    | {"mesure", "mesuree", "lu", "lue", "indique", "indiquee", "reel", "medido", "medida", "leido", "leida", "real"}
    | {"indicado", "indicada", "misurato", "misurata", "letto", "letta", "indicato", "effettivo", "gemeten"}
    | {"afgelezen", "werkelijk"}
)

# What stands in a column, of either end.
WORDS: dict[Meaning, set[str]] = {
    "actual": _ACTUAL,
    "nominal": {"setpoint", "nominal", "target", "sollwert", "soll", "nennwert", "consigne", "consigna", "nominale"}
    | {"setpunt"}
    | _SET
    | _EXPECTED,
    "error": {"error", "err", "deviation", "fehler", "abweichung", "messabweichung", "erreur", "ecart", "desviacion"}
    | {"errore", "scostamento", "fout", "afwijking"},
    "direction": {"direction", "richtung", "sens", "direccion", "sentido", "direzione", "verso", "richting"},
    "cycle": {"cycle", "zyklus", "ciclo", "cyclus"},
    "remark": {"remark", "remarks", "note", "notes", "comment", "comments", "bemerkung", "bemerkungen", "kommentar"}
    | {"remarque", "commentaire", "nota", "observacion", "observaciones", "comentario", "osservazione", "commento"}
    | {"opmerking", "point", "punkt", "messpunkt", "punto", "punt", "date", "datum", "fecha", "data"},
}

# The end that a word is said of where nothing else tells it; a setpoint or a nominal value may be of either.
USUAL_END: dict[End, set[str]] = {"input": _SET, "output": _EXPECTED | _ACTUAL}

# Of headings and of cells alike.
UP = (
    {"up", "upscale", "upward", "upwards", "rising", "increasing", "ascending", "auf", "aufwarts", "steigend"}
    | {"aufsteigend", "montee", "montant", "montante", "croissant", "croissante", "ascendant", "ascendante", "subida"}
    | {"subiendo", "ascendente", "creciente", "salita", "crescente", "op", "opgaand", "stijgend", "oplopend", "omhoog"}
)
DOWN = (
    {"down", "downscale", "downward", "downwards", "falling", "decreasing", "descending", "ab", "abwarts"}
    | {"fallend", "absteigend", "descente", "descendant", "descendante", "decroissant", "decroissante", "bajada"}
    | {"bajando", "descendente", "decreciente", "discesa", "discendente", "decrescente", "neer", "neergaand", "dalend"}
    | {"aflopend", "omlaag"}
)

# They say nothing of which column it is.
FILLERS = {
    *("signal", "value", "values", "current", "voltage", "frequency", "pressure", "temperature", "speed", "level"),
    *("wert", "strom", "spannung", "frequenz", "druck", "temperatur", "drehzahl", "valeur", "courant", "tension"),
    *("frequence", "pression", "temperature", "valor", "corriente", "frecuencia", "presion", "temperatura", "valore"),
    *("corrente", "tensione", "frequenza", "pressione", "waarde", "stroom", "spanning", "frequentie", "druk"),
    *("senal", "segnale", "signaal", "of", "the", "de", "di", "del", "der", "d", "column", "loop"),
}
SYMBOLS = {"f", "i", "u", "v", "p", "t", "r", "n", "q", "x", "y"}  # of quantities: "I_out", "f [Hz]"
PREPOSITIONS = {"in", "en"}


def folded(text: str) -> str:
    """Small letters without accents, single blanks: "Entrée" is "entree"."""
    plain = unicodedata.normalize("NFKD", " ".join(text.split()).casefold())
    return "".join(letter for letter in plain if not unicodedata.combining(letter))
