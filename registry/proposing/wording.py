"""Which of our codes a column's words stand for, and which words only a person can settle."""

from __future__ import annotations

import difflib
from collections import Counter
from dataclasses import dataclass, field

from registry.dictionary import TABLES, UNKNOWN
from registry.privacy.shapes import identifier_in
from registry.proposing.contents import Profile
from registry.proposing.vocabulary import (
    FIELDS_OF_LIST,
    SAME_WORDS,
    LetterSet,
    code_words,
    letter_sets,
    missing_words,
    own_codes,
    plain,
    spellings,
    words_in,
)

MOST_WORDS = 40
"""Distinct words of a column beyond which none is written into the draft: code lists are shorter, names are not."""
LONGEST_WORD = 40
TIMES_ASKED = 2
"""An unknown word is written into a question only when it occurs twice: a code word comes back; a word that occurs
once may be a slip or somebody's name, and its row is better held than its text copied."""
SHORT = 3
"""Letters up to which a word counts as an abbreviation, read only beside its partners."""
ALIKE = 0.6
"""Likeness of a word to a code's words from which the code is offered first; the others keep the dictionary's order."""
WORD, LETTER, CONTEXT = 0.97, 0.95, 0.9


@dataclass
class Words:
    """A words table in the making.

    known
        Word as in the file -> (our code or '' where it says nothing about the field, how sure).
    asked
        Word as in the file -> how often it occurs.
    unnamed
        Cells whose unknown word is not shown, because it occurs once or the column holds too many.
    """

    name: str
    known: dict[str, tuple[str, float]] = field(default_factory=dict)
    asked: dict[str, int] = field(default_factory=dict)
    unnamed: int = 0


def known_share(name: str, column: Profile) -> float:
    """Return the share of filled cells whose word the list knows for sure, words for missing included.

    Examples
    --------
    >>> from registry.proposing.contents import profile
    >>> known_share("side", profile(["links", "rechts", "oben", "links"]))
    0.75
    """
    known = words_of(name, column).known
    short = {plain(text) for text, n in column.counts.items() if n >= TIMES_ASKED and len(plain(text)) <= SHORT}
    # Letters that two languages read differently still show what the column is about.
    lettered = any(short <= entry.words.keys() for entry in _fitting_sets(name)) if len(short) > 1 else False
    return column.share_of(text for text in column.counts if text in known or (lettered and plain(text) in short))


def words_of(name: str, column: Profile, *, language: str = "", says_nothing: frozenset[str] = frozenset()) -> Words:
    """Translate a column's words into the codes of a list.

    Parameters
    ----------
    name
        A code list of the vocabulary: ``digit``, ``grip``, ...
    column
        The column's content.
    language
        The file's language where its headers tell it; settles letters that two languages use differently.
    says_nothing
        Plain words that belong to another field fed by the same column.
    """
    words = Words(name)
    once: Counter[str] = Counter()
    written: dict[str, str] = {}
    for text, n in column.counts.items():
        same = " ".join(text.casefold().replace("_", " ").split())
        once[same] += n
        written.setdefault(same, text)
    letters = _letters(name, once, language)
    full_list = words_in(name, once)
    show = len(once) <= MOST_WORDS
    for same, n in once.items():
        text = written[same]
        found = _meaning(text, name, full_list, letters, says_nothing)
        if found:
            words.known[text] = found
        elif show and may_be_shown(text, n):
            words.asked[text] = n
        else:
            words.unnamed += n
    return words


def may_be_shown(word: str, times: int) -> bool:
    """Say whether an unknown word may stand in a question: it comes back, is short, and looks like nobody's name.

    Examples
    --------
    >>> may_be_shown("regleta", 4), may_be_shown("regleta", 1), may_be_shown("Anna Berg", 4)
    (True, False, False)
    """
    return times >= TIMES_ASKED and len(word) <= LONGEST_WORD and not identifier_in(word, place="code")


def options_for(name: str, text: str) -> tuple[str, ...]:
    """Return the codes that a word may stand for, the closest first."""
    codes = (*own_codes(name), *(_missing_taken(name) if name in FIELDS_OF_LIST else ()))
    listed = code_words(name)
    likeness = {
        code: max(
            (
                difflib.SequenceMatcher(None, plain(text), word).ratio()
                for word, meant in listed.items()
                if meant == code
            ),
            default=0.0,
        )
        for code in codes
    }
    return tuple(sorted(dict.fromkeys(codes), key=lambda code: -likeness[code] if likeness[code] >= ALIKE else 0.0))


def _meaning(
    text: str, name: str, listed: dict[str, str], letters: dict[str, str], says_nothing: frozenset[str]
) -> tuple[str, float] | None:
    for spelling in spellings(text):
        if spelling in letters:
            return letters[spelling], LETTER
        if spelling in listed:
            return listed[spelling], CONTEXT if spelling not in code_words(name) else WORD
        face = missing_words().get(spelling)
        if face and face in _missing_taken(name):
            return face, WORD
        if spelling in says_nothing:
            return "", CONTEXT
    return None


def _missing_taken(name: str) -> tuple[str, ...]:
    if name not in FIELDS_OF_LIST:
        return ()
    table, column = FIELDS_OF_LIST[name]
    field_ = TABLES[table][column]
    return tuple(word for word in (UNKNOWN, "not_applicable") if word in field_.accepted_words)


def _letters(name: str, once: Counter[str], language: str) -> dict[str, str]:
    """Return the meaning of the column's abbreviations, if one set explains all that come back."""
    short = {plain(text) for text, n in once.items() if len(plain(text)) <= SHORT and n >= TIMES_ASKED and plain(text)}
    if len(short) < 2:
        return {}
    fitting = [entry for entry in _fitting_sets(name) if short <= entry.words.keys()]
    spoken = [entry for entry in fitting if language and language in entry.languages]
    readings = spoken or fitting
    if not readings or any(entry.words != readings[0].words for entry in readings):
        return {}
    return readings[0].words


def _fitting_sets(name: str) -> list[LetterSet]:
    return [entry for entry in letter_sets() if entry.field == SAME_WORDS.get(name, name)]
