"""What a cell gives away: names, addresses, numbers that name a person, full dates of birth, free text.

One cell in, a few words out that never repeat it. What counts depends on the place: a case number may look as it likes
but hold no name, a year holds nothing more than a year, and the two sentences of a site's row may be sentences.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from typing import Final, Literal

from registry.privacy.numbers import number_that_names
from registry.privacy.vocabulary import months, trade_words, words_of_codes

Place = Literal["date", "number", "age", "year", "birth_year", "code", "key", "text", "sentence", "remark", "dropped"]
"""What a column is for. age: a number that goes with the birth date; sentence: controller and legal basis; dropped: a
column that the site's map drops;
remark: words that a person gives for the books."""

MOST_WORDS: Final[dict[str, int]] = {
    "key": 1,
    "text": 1,
    "dropped": 3,
    "date": 3,
    "number": 3,
    "age": 3,
    "code": 5,
    "remark": 1000,
}
"""Words that are not of the trade and may stand in a cell; more are free text. Our own choice: keys and short texts
take one (the name of a scale that we do not know), code columns as many as a short phrase has, because an unknown word
there is held to be mended."""

FEWEST_DIGITS: Final = 4
"""A cell with fewer digits holds no number that names anybody."""

EMAIL = re.compile(r"[^@\s]+ ?@ ?[^@\s]+\.[^@\s]+|\w ?[(\[](?:at|ät)[)\]] ?\w", re.IGNORECASE)
URL = re.compile(
    r"\b(?:https?|ftp)://|\bwww\.[a-z0-9-]+\.|\b[a-z][a-z0-9-]{2,}\."
    r"(?:com|org|net|info|ch|de|fr|it|at|eu|uk|es|nl|se|no|dk|pl|us)\b(?:/|$)",
    re.IGNORECASE,
)
STREET = re.compile(
    r"[^\W\d_]{2,}(?:strasse|straße|str\.|gasse|weg|platz|allee|gatan|vägen|straat|laan|vej|utca|katu) ?[0-9]{1,4}\b"
    r"|\b(?:rue|chemin|avenue|boulevard|bd|route|quai|allée|via|viale|corso|piazza|calle|avenida|plaza|rua|ulica|ul\.)"
    r" (?:[^\W\d_]+[ ’'-]|[^\W\d_]{3,},? ){1,5}[0-9]{1,4}\b"
    r"|\b[0-9]{1,4}(?: ?(?:bis|ter|[a-z]))?,? (?:rue|chemin|avenue|boulevard|bd|route|quai|allée) [^\W\d_]"
    r"|\b[^\W\d_]{3,} (?:street|road|avenue|lane|drive|square),? [0-9]{1,4}\b"
    r"|\b[0-9]{1,4} ?[a-z]?,? (?:[^\W\d_]{2,} ){1,3}(?:street|st|road|rd|avenue|ave|lane|drive|square)\b",
    re.IGNORECASE,
)
"""A street with a house number; a street alone is a name or free text."""
POST_TOWN = re.compile(r"(?:^|[ ,])(?:[A-Z]{1,2}-)?([0-9]{4,5}),? ([A-ZÀ-Þ][a-zß-ÿ]{2,})")
BRITISH_POSTCODE = re.compile(r"(?:^|[ ,])[A-Z]{1,2}[0-9][A-Z0-9]? [0-9][A-Z]{2}$")

DAY_FIRST = re.compile(
    r"(?:[0-2]?[0-9]|3[01])(?:[-./ ]+(?:[0-2]?[0-9]|3[01])|\.?[ -]?([^\W\d_]{3,})\.?)[-./ ]+((?:19|20)[0-9]{2})"
)
YEAR_FIRST = re.compile(r"((?:19|20)[0-9]{2})[-./](?:0?[1-9]|1[0-2])[-./](?:0?[1-9]|[12][0-9]|3[01])")
LATEST_BIRTH: Final = 2012
"""Up to this year a date in a column of codes is taken for a birth date, and so is a key such as 1994-05-12; later ones
can be the day of an injury in a column that slipped, or the twelfth case of a May. Our own choice."""

DIGIT = re.compile("[0-9]")
TOKEN = re.compile(r"[^\W\d_]+(?:['’-][^\W\d_]+)*")
BETWEEN_NAMES = re.compile(r"\.?,?[ _\u00a0]?")
TITLES = frozenset("herr frau mr mrs ms miss mme mlle monsieur madame dr prof sig sra".split())  # noqa: SIM905
PARTICLES = frozenset("von van de der den di da del della la le du dos ten zu zum af av bin al el".split())  # noqa: SIM905
ROMAN = re.compile(r"[IVX]+|[ivx]+")


def identifier_in(cell: str, *, place: Place, words: frozenset[str] = frozenset()) -> str | None:
    """Say in a few words what of a person the cell gives away, or None.

    Parameters
    ----------
    cell
        The text of a cell, stripped.
    place
        What its column is for.
    words
        Words that the site's map knows in this column, casefolded (``vocabulary.words_in``).

    Examples
    --------
    >>> identifier_in("Anna Berg", place="key"), identifier_in("12. Mai 1994", place="birth_year")
    ('a name', 'a full date where only the year may stand')
    >>> [identifier_in(text, place="text") for text in ("7b+ Font", "IX- UIAA", "Salter Harris II")]
    [None, None, None]
    """
    digits = sum(sign.isdecimal() for sign in cell)
    found = "an e-mail address" if ("@" in cell or "t" in cell.casefold()) and EMAIL.search(cell) else None
    found = found or _more_than_a_year(cell, place)
    if not found and digits >= FEWEST_DIGITS:
        found = number_that_names(cell, is_key=place == "key")
    if found or place == "sentence":
        return found
    if ("." in cell and URL.search(cell)) or "://" in cell:
        return "an address on the web"
    if digits and _is_postal(cell, trade_words() | words):
        return "a postal address"
    return _in_words(DIGIT.sub("0", cell), words, place)


@lru_cache(maxsize=4096)
def _in_words(cell: str, words: frozenset[str], place: Place) -> str | None:
    if len(list(_parts(cell))) < 2:
        return None
    known = trade_words() | words
    if place == "code" and not _unknown_words(cell, known):
        return None
    if holds_name(cell, known, shouted=place in ("key", "text", "remark", "dropped")):
        return "a name"
    spoken = _unknown_words(cell, words_of_codes() | words)
    return "free text" if len(spoken) > MOST_WORDS.get(place, 3) else None


def says_more_than_a_year(cell: str, *, born: bool) -> bool:
    """Tell a full date, in any order, with any marks or words between its parts; of birth also a month with its year.

    Examples
    --------
    >>> [says_more_than_a_year(text, born=True) for text in ("12/05/1994", "19940512", "mai 94")]
    [True, True, True]
    >>> [says_more_than_a_year(text, born=True) for text in ("1994", "94", "1994/95")]
    [False, False, False]
    """
    numbers = re.findall(r"[0-9]+", cell)
    if not numbers:
        return False
    with_month = any(word.casefold() in months() for word in _parts(cell))
    if len(numbers) >= 3 or (with_month and len(numbers) >= 2):
        return True
    roman_month = re.search(r"[0-9][ ./-]+[IVX]{1,4}[ ./-]+[0-9]", cell, re.IGNORECASE)
    if roman_month or any(len(number) in (6, 8) for number in numbers):
        return True
    if not born:
        return False
    values = sorted((int(number) for number in numbers), reverse=True)
    return with_month or (len(values) == 2 and values[0] > 12 >= values[1] >= 1)


def holds_name(cell: str, known: frozenset[str], *, shouted: bool) -> bool:
    """Tell whether two words with capitals stand beside each other, or one behind a title or an initial.

    Parameters
    ----------
    cell
        The text.
    known
        Words that are no names, casefolded.
    shouted
        Whether words all in capitals count as names.

    Examples
    --------
    >>> texts = ("Berg, Anna", "Dr. Berg", "A. Berg", "Open Grip")
    >>> [holds_name(text, frozenset({"grip"}), shouted=True) for text in texts]
    [True, True, True, False]
    """
    before: tuple[str, int] | None = None
    for found in TOKEN.finditer(cell):
        token = found.group()
        if before is not None and BETWEEN_NAMES.fullmatch(cell[before[1] : found.start()]):
            if token.casefold() in PARTICLES:
                before = (before[0], found.end())
                continue
            if _is_capital(token, known, shouted=shouted) and before[0] in ("title", "capital", "initial"):
                return True
            if before[0] == "capital" and _is_initial(cell, found.end(), token):
                return True
        kind = _kind_of(cell, found.end(), token, known, shouted=shouted)
        before = (kind, found.end())
    return False


def _more_than_a_year(cell: str, place: Place) -> str | None:
    if place in ("key", "code"):
        return _a_birth_date(cell, place)
    if place not in ("year", "birth_year", "age") or not says_more_than_a_year(cell, born=place == "birth_year"):
        return None
    return "a full date" if place == "age" else "a full date where only the year may stand"


def _a_birth_date(cell: str, place: Place) -> str | None:
    """Say that a key or a code is a full date: no number of a case, and no code, is written so."""
    day_first, year_first = DAY_FIRST.fullmatch(cell), YEAR_FIRST.fullmatch(cell)
    if day_first is not None and day_first[1] is not None and day_first[1].casefold() not in months():
        return None
    found = day_first or year_first
    if found is None or ((place == "code" or year_first) and int(found.groups()[-1]) > LATEST_BIRTH):
        return None
    return "a full date"


def _kind_of(cell: str, end: int, token: str, known: frozenset[str], *, shouted: bool) -> str:
    if token.casefold() in TITLES and token[0].isupper():
        return "title"
    if _is_initial(cell, end, token):
        return "initial"
    return "capital" if _is_capital(token, known, shouted=shouted) else "word"


def _is_initial(cell: str, end: int, token: str) -> bool:
    return len(token) == 1 and token.isupper() and cell[end : end + 1] == "."


def _is_capital(token: str, known: frozenset[str], *, shouted: bool) -> bool:
    if len(token) < 2 or not token[0].isupper() or ROMAN.fullmatch(token):
        return False
    if all(part.casefold() in known for part in _parts(token)):
        return False
    return any(sign.islower() for sign in token) or (shouted and len(token) >= 3)


def _parts(text: str) -> Iterator[str]:
    for token in TOKEN.findall(text.replace("_", " ")):
        yield from re.split(r"['’-]", token)


def _unknown_words(cell: str, known: frozenset[str]) -> list[str]:
    return [
        word for word in _parts(cell) if len(word) >= 2 and word.casefold() not in known and not ROMAN.fullmatch(word)
    ]


def _is_postal(cell: str, known: frozenset[str]) -> bool:
    if STREET.search(cell) or BRITISH_POSTCODE.search(cell):
        return True
    return any(
        town.casefold() not in known and not re.fullmatch(r"(?:19|20)[0-9]{2}", code)
        for code, town in POST_TOWN.findall(cell)
    )
