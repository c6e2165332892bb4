"""The words that others use for our fields and codes, and how words are compared."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from registry.dictionary import TABLES
from registry.dictionary.injury import EXTENTS, PULLEYS, STRUCTURES

HERE = Path(__file__).parent
UNSPLIT = str.maketrans({"ł": "l", "Ł": "L", "ø": "o", "Ø": "O", "ß": "ss", "æ": "ae", "œ": "oe", "đ": "d"})
FIELDS_OF_LIST: dict[str, tuple[str, str]] = {
    "sex": ("athletes", "sex"),
    "side": ("cases", "side"),
    "digit": ("cases", "digit"),
    "onset_mode": ("cases", "onset_mode"),
    "discipline": ("cases", "discipline"),
    "setting": ("cases", "setting"),
    "context": ("cases", "context"),
    "activity": ("cases", "activity"),
    "mechanism": ("cases", "mechanism"),
    "grip": ("cases", "grip"),
    "status": ("follow_ups", "status"),
    "dominant_hand": ("athletes", "dominant_hand"),
    "pop_heard": ("cases", "pop_heard"),
    "prior_same_site": ("cases", "prior_same_site"),
    "joint": ("findings", "joint"),
}
"""A field whose code list a words table is about."""
SAME_WORDS = {"dominant_hand": "side", "pop_heard": "yes_no", "prior_same_site": "yes_no"}
ADDED_UMLAUTS = (("ä", "ae"), ("ö", "oe"), ("ü", "ue"))


@lru_cache(maxsize=50_000)
def plain(text: str) -> str:
    """Return the text in small letters without accents, its words one blank apart.

    Examples
    --------
    >>> plain("  Nº_Fall-Größe "), plain("Środkowy"), plain("dataUrazu")
    ('no fall grosse', 'srodkowy', 'data urazu')
    """
    split = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text.translate(UNSPLIT))
    letters = "".join(c for c in unicodedata.normalize("NFKD", split) if not unicodedata.combining(c))
    return " ".join(re.findall(r"[^\W_]+", letters.casefold()))


@lru_cache(maxsize=50_000)
def spellings(text: str) -> tuple[str, ...]:
    """Return the plain text, and the one with umlauts written out (``groesse`` beside ``grosse``)."""
    written_out = text.casefold()
    for umlaut, letters in ADDED_UMLAUTS:
        written_out = unicodedata.normalize("NFC", written_out).replace(umlaut, letters)
    return tuple(dict.fromkeys((plain(text), plain(written_out))))


@dataclass(frozen=True)
class LetterSet:
    """One-letter words that mean something only together."""

    field: str
    languages: tuple[str, ...]
    words: dict[str, str]


@cache
def header_phrases() -> dict[str, dict[str, tuple[str, ...]]]:
    """Return plain header phrase -> {target: languages that use it so}."""
    phrases: dict[str, dict[str, tuple[str, ...]]] = {}
    for target, by_language in _file("headers.toml")["headers"].items():
        for language, listed in by_language.items():
            for phrase in listed:
                uses = phrases.setdefault(plain(phrase), {})
                uses[target] = (*uses.get(target, ()), language)
    return phrases


@cache
def letter_sets() -> tuple[LetterSet, ...]:
    """Return the sets of one-letter words."""
    return tuple(
        LetterSet(entry["field"], tuple(entry["languages"]), dict(entry["words"]))
        for entry in _file("short_words.toml")["letters"]
    )


@cache
def total_words() -> frozenset[str]:
    """Return the words that begin a row of totals."""
    return frozenset(plain(word) for word in _file("short_words.toml")["totals"]["words"])


@cache
def ray_headers() -> frozenset[str]:
    """Return the headers that count the thumb as 1."""
    return frozenset(plain(word) for word in _file("short_words.toml")["rays"]["headers"])


@cache
def missing_words() -> dict[str, str]:
    """Return plain word -> ``unknown`` or ``not_applicable``."""
    listed = _file("short_words.toml")["missing"]
    return {plain(word): face for face, words in listed.items() for word in (face, *words)}


@cache
def code_words(name: str) -> dict[str, str]:
    """Return plain word -> our code, for one list (``digit``, ``structure``, ``grip``, ...)."""
    source = SAME_WORDS.get(name, name)
    listed: dict[str, list[str]] = _file("code_words.toml").get(source, {})
    claims: dict[str, set[str]] = {}
    for code in own_codes(name):
        claims.setdefault(plain(code), set()).add(code)
    for code, words in listed.items():
        for one in PULLEYS if "{n}" in code else (code,):
            for word in words:
                claims.setdefault(plain(word.replace("a{n}", one)), set()).add(one)
    return {word: min(codes) for word, codes in claims.items() if len(codes) == 1}


@cache
def words_beside(name: str) -> tuple[str, dict[str, str]]:
    """Return (a code, words that mean something only in a column that has this code too); ('', {}) without any."""
    listed = dict(_file("code_words.toml")["beside"].get(name, {}))
    lesser = listed.pop("lesser", "")
    return lesser, {plain(word): code for code, words in listed.items() for word in words}


def words_in(name: str, texts: Iterable[str]) -> dict[str, str]:
    """Return plain word -> our code for a list, as a column with these texts uses it.

    Examples
    --------
    >>> words_in("grip", ["crimp", "half crimp"]).get("crimp"), words_in("grip", ["crimp", "pinch"]).get("crimp")
    ('full_crimp', None)
    """
    known = code_words(name)
    lesser, beside = words_beside(name)
    has_lesser = bool(lesser) and any(known.get(spelling) == lesser for text in texts for spelling in spellings(text))
    return {**known, **beside} if has_lesser else known


def own_codes(name: str) -> tuple[str, ...]:
    """Return our codes of a list, in the dictionary's order."""
    if name == "structure":
        return STRUCTURES
    if name == "extent":
        return EXTENTS
    if name not in FIELDS_OF_LIST:
        return ()
    table, field = FIELDS_OF_LIST[name]
    return TABLES[table][field].words


def language_votes(headers: Iterable[str]) -> Counter[str]:
    """Count, for each language, the headers that only this language uses so."""
    votes: Counter[str] = Counter()
    for header in headers:
        for spelling in spellings(header):
            uses = header_phrases().get(spelling, {})
            languages = {language for listed in uses.values() for language in listed}
            if len(languages) == 1:
                votes.update(languages)
                break
    return votes


def language_of(headers: Iterable[str], *, least: int = 2) -> str:
    """Return the language that the headers vote for, or '' when it is not clear (fewer than twice the next one)."""
    ranked = language_votes(headers).most_common(2)
    if not ranked or ranked[0][1] < least or (len(ranked) == 2 and ranked[0][1] < 2 * ranked[1][1]):
        return ""
    return ranked[0][0]


@cache
def _file(name: str) -> dict[str, Any]:
    return tomllib.loads((HERE / name).read_text(encoding="utf-8"))
