"""Words of the trade: two of them with capitals are no name, and several of them are no free text.

The codes and labels of the dictionary, the names of grading and outcome scales (some are called after people), and
the words with which a clinic says that it knows nothing. From memory; a word that is missing here costs a clinic a
mend, so scales are listed freely.
"""

from __future__ import annotations

import re
from functools import cache

from registry.dictionary import SHEET, TABLES

WORD = re.compile(r"[^\W\d_]+")

SCALES = """
font fontainebleau french francaise française uiaa yds yosemite decimal system hueco vermin ewbank saxon saxony british
british-technical tech technical norwegian swedish finnish polish kurtyka brazilian ircra sierra grade grades grad
level niveau livello nivel scale skala scheme schema score boulder bouldering lead route sport trad onsight on sight
flash flashed redpoint red point toprope top rope best max current peak indoor outdoor board moon kilter tension
salter harris schöffl schoeffl schoffl aitken ogden poland peterson rang eaton stener moulay lutter bowers elliott
medcom nottingham visual analogue analog
michigan hand outcomes outcome questionnaire mhq bmhq quick dash quickdash disabilities disability arm shoulder prwhe
prwe patient rated wrist evaluation spadi vas nrs numeric numerical rating pain eq sf oslo ostrc osiics smdcs icd
fingers climbing specific short form total sub subscale pulley injury
"""
NOTHING_KNOWN = """
not no non none nil unknown known recorded applicable available missing given stated done yet keine kein angabe angaben
nicht bekannt unbekannt erhoben offen entfällt inconnu connu sans objet aucun aucune pas fait non noto nessuno nessuna
desconocido ninguno onbekend geen okänd ingen ukendt nieznany
"""
ROWS_AND_NUMBERS = """
case cases case-no no nr num number fall fallnr cas caso row line set pair match reader leser lecteur rater observer
session move referent control visit finger id ref und and et e or oder ou mit with right left rechts links droite
gauche vor nach
"""
MONTHS = """
jan january januar jänner janvier gennaio enero janeiro januari feb february februar février fevrier febbraio febrero
fevereiro februari mar march märz mrz mars marzo março maart apr april avril aprile abril may mai maggio mayo maio mei
maj jun june juni juin giugno junio junho jul july juli juillet luglio julio julho aug august août aout agosto augusti
augustus sep sept september septembre settembre septiembre setembro oct okt october oktober octobre ottobre octubre
outubro nov november novembre noviembre novembro dec dez dezember december décembre decembre dicembre diciembre dezembro
"""
TISSUES = """
a2 a4 ruptur teilruptur riss teilriss zerrung entzündung bruch fraktur sehne ringband kapsel rupture partielle complète
entorse inflammation lésion lesion poulie rottura parziale completa distorsione infiammazione puleggia rotura parcial
tear torn sprain strain fracture inflamed swelling
"""
UNITS = """
minute minutes minuten min minuti minutos minut hour hours stunde stunden std heure heures ore horas uur timmar day days
tag tage jour jours giorni días dias dagen dagar week weeks woche wochen semaine semaines settimane semanas weken veckor
month months monat monate mois mesi meses maanden månader year years jahr jahre jahren ans anni años anos jaar år
session sessions einheit einheiten séance séances sessioni sesiones percent prozent pourcent newton grad degrees degrés
"""


@cache
def trade_words() -> frozenset[str]:
    """Return every word that is no name, casefolded."""
    fields = [field for table in (*TABLES.values(), SHEET) for field in table.fields]
    return words_of_codes() | words_in(" ".join(f"{field.name} {field.label}" for field in fields))


@cache
def words_of_codes() -> frozenset[str]:
    """Return the words that are no free text: as ``trade_words``, without labels, which are plain language."""
    texts = [SCALES, NOTHING_KNOWN, ROWS_AND_NUMBERS, MONTHS, TISSUES, UNITS]
    for table in (*TABLES.values(), SHEET):
        for field in table.fields:
            texts += [word.replace("_", " ") for word in field.words]
    return words_in(" ".join(texts))


@cache
def months() -> frozenset[str]:
    """Return the names of the months, casefolded."""
    return words_in(MONTHS)


def words_in(text: str) -> frozenset[str]:
    """Return the words of a text, casefolded.

    Examples
    --------
    >>> sorted(words_in("Halb aufgestellt, A2"))
    ['a', 'aufgestellt', 'halb']
    """
    return frozenset(word.casefold() for word in WORD.findall(text.replace("_", " ")))
