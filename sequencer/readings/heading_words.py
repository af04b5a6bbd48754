"""What people call the columns of a table of readings, in six languages: small letters, no accents.

Usual words of the trade in English, German, French, Spanish, Italian and Dutch; common practice, no source.
"""

import unicodedata
from typing import Literal

__all__ = ["DOWN", "FILLERS", "PREPOSITIONS", "SYMBOLS", "UP", "WORDS", "Meaning", "folded"]

Meaning = Literal["input", "output", "setpoint", "expected", "error", "direction", "cycle", "remark"]

# What names the side of the unit comes before what may be said of either: "measured input" is an input.
WORDS: dict[Meaning, tuple[set[str], set[str]]] = {
    "error": (
        {"error", "err", "deviation", "fehler", "abweichung", "messabweichung", "erreur", "ecart", "desviacion"}
        | {"errore", "scostamento", "fout", "afwijking"},
        set(),
    ),
    "expected": (
        {"expected", "ideal", "theoretical", "erwartet", "theoretisch", "attendu", "theorique", "esperado", "teorico"}
        | {"atteso", "verwacht"},
        set(),
    ),
    "setpoint": (
        {"setpoint", "nominal", "target", "sollwert", "soll", "nennwert", "consigne", "consigna", "nominale"}
        | {"instelwaarde", "setpunt"},
        set(),
    ),
    "direction": ({"direction", "richtung", "sens", "direccion", "sentido", "direzione", "verso", "richting"}, set()),
    "cycle": ({"cycle", "zyklus", "ciclo", "cyclus"}, set()),
    "remark": (
        {"remark", "remarks", "note", "notes", "comment", "comments", "bemerkung", "bemerkungen", "kommentar"}
        | {"remarque", "commentaire", "nota", "observacion", "observaciones", "comentario", "osservazione", "commento"}
        | {"opmerking", "point", "date", "datum", "fecha", "data"},
        set(),
    ),
    "input": (
        {"input", "in", "inp", "eingang", "eingangssignal", "entree", "entrada", "ingresso", "ingang"},
        {
            "injected",
            "applied",
            "set",
            "stimulus",
            "vorgabe",
            "angelegt",
            "injecte",
            "injectee",
            "applique",
            "appliquee",
        }
        | {"aplicado", "aplicada", "inyectado", "inyectada", "applicato", "applicata", "iniettato", "aangelegd"},
    ),
    "output": (
        {"output", "out", "outp", "ausgang", "ausgangssignal", "sortie", "salida", "uscita", "uitgang"},
        {"returned", "measured", "indicated", "read", "response", "reading", "gemessen", "messwert", "istwert", "ist"}
        | {"anzeige", "mesure", "mesuree", "lu", "lue", "indique", "indiquee", "medido", "medida", "leido", "leida"}
        | {"indicado", "indicada", "misurato", "misurata", "letto", "letta", "indicato", "gemeten", "afgelezen"},
    ),
}

UP = (
    {"up", "upscale", "upward", "upwards", "rising", "increasing", "ascending", "auf", "aufwarts", "steigend"}
    | {"montee", "montant", "croissant", "subida", "subiendo", "ascendente", "creciente", "salita", "crescente"}
    | {"op", "opgaand", "stijgend"}
)
DOWN = (
    {"down", "downscale", "downward", "downwards", "falling", "decreasing", "descending", "ab", "abwarts"}
    | {"fallend", "descente", "descendant", "decroissant", "bajada", "bajando", "descendente", "decreciente"}
    | {"discesa", "discendente", "decrescente", "neer", "neergaand", "dalend"}
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
