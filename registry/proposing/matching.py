"""Which of our fields a foreign column feeds: what its header says, and what its cells allow."""

from __future__ import annotations

import difflib
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from registry.proposing.contents import EMAIL, Profile, profile
from registry.proposing.fitting import MISFIT, fit_of
from registry.proposing.vocabulary import header_phrases, spellings

SURE = 0.85
"""From here on a guess stands without a question. An exact header over fitting cells reaches 0.97, a like header 0.8 at
most; so nothing passes on a merely similar name: it takes the exact word, or a like one over cells that only one field
can have."""
NAMED = 0.6
"""Cells alone never pass either: a column of disciplines may be of the preferred ones, and fingers may be those of an
earlier injury. 0.6 is a likeness of three quarters, above that of a phrase with another word added to it."""
ASKED = 0.3
"""Below, a column is not offered for a field: half a header's likeness over cells that fit gives about 0.35."""
LEAD = 0.1
"""By which a guess must lead the next one of the same column."""
EXACT, LIKE, SUREST = 0.97, 0.8, 0.99
MOST_LOOKED_AT = 1000
"""Distinct texts of a column that are held against the fields; shares are known to a few hundredths by then."""
LEAST_LIKE = 0.6
MORE_SAID = 0.7
"""The most that a header counts with a word that the phrase lacks: "earlier injured finger" is not "injured finger"."""
FILLERS = frozenset(
    (
        *("date", "data", "datum", "fecha", "no", "nr", "numero", "code", "codice", "codigo", "kod"),
        *("of", "on", "di", "del", "della", "de", "la", "el", "il", "der", "des", "am", "op", "dnia"),
    )
)
"""Words that most headers share; two headers alike in these only are not alike."""
SHARED_PAIRS = 0.25
"""Pairs of letters that two phrases must share before they are compared closely; fewer never come to 0.6."""
FITTING = 0.9
"""Share of fitting cells from which a column without a telling name is offered for a field that every row needs."""


PRIVATE = ("identity", "patient_number", "birth_date")
"""What a column may hold that no field takes."""
REPEATED = ("seen", "status", "pain_rest", "pain_load", "structures", "extents", "gap_mm", "joint")
"""What may stand side by side in numbered columns."""


@dataclass(frozen=True)
class Column:
    """A foreign column, or several numbered ones of one kind.

    name
        The header as in the file; with ``{n}`` where the numbers stand.
    position
        Of the (first) column, from 0.
    numbers
        The numbers that ``{n}`` stands for; empty for a single column.
    """

    name: str
    position: int
    content: Profile
    numbers: tuple[int, ...] = ()

    @property
    def columns(self) -> tuple[str, ...]:
        """The headers in the file."""
        return tuple(self.name.replace("{n}", str(n)) for n in self.numbers) or (self.name,)


@dataclass(frozen=True)
class Match:
    """One thing that a column may feed."""

    target: str
    confidence: float


def columns_of(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[Column]:
    """Return the file's columns in order, numbered ones put together.

    Examples
    --------
    >>> [column.name for column in columns_of(["Case", "FU1 date", "FU2 date"], [["1", "2024-01-01", ""]])]
    ['Case', 'FU{n} date']
    """
    templates: dict[str, dict[int, int]] = defaultdict(dict)
    for position, name in enumerate(header):
        for digits in re.finditer(r"\d+", name):
            if digits[0] == str(int(digits[0])):
                template = f"{name[: digits.start()]}{{n}}{name[digits.end() :]}"
                templates[template][int(digits[0])] = position
    taken: dict[int, str] = {}
    for template, members in sorted(templates.items(), key=lambda item: -len(item[1])):
        counted = set(members) in ({*range(1, len(members) + 1)}, {*range(len(members))})
        if counted and (len(members) > 1 or _only_numbered(template)) and not taken.keys() & set(members.values()):
            taken |= dict.fromkeys(members.values(), template)
    columns = []
    for position, name in enumerate(header):
        group = taken.get(position)
        if group is None:
            columns.append(Column(name, position, profile(row[position] for row in rows)))
        elif position == min(templates[group].values()):
            places = templates[group].values()
            pooled = profile(row[place] for row in rows for place in places)
            columns.append(Column(group, position, pooled, tuple(sorted(templates[group]))))
    return columns


def matches(column: Column) -> list[Match]:
    """Return what a column may feed, the surest first.

    A header that is one of the vocabulary's phrases counts in full, a similar one less; cells that do not fit the field
    take it back, and cells that fit one field only speak for themselves.

    Examples
    --------
    >>> from registry.proposing.contents import profile
    >>> matches(Column("Seite", 0, profile(["links", "rechts"])))[0]
    Match(target='side', confidence=0.97)
    """
    named = _by_header(column.name)
    content = column.content.sample(MOST_LOOKED_AT)
    if content.n_filled and content.share(EMAIL) >= MISFIT:
        return [Match("identity", EXACT)]
    found = []
    for target in _targets():
        if column.numbers and target not in REPEATED:
            continue
        fit, proof = fit_of(target, content)
        header = named.get(target, 0.0)
        confidence = 1 - (1 - header * (0.35 + 0.65 * fit)) * (1 - proof)
        if fit < MISFIT or header < NAMED:
            confidence = min(confidence, SURE - LEAD)
        if confidence >= ASKED:
            found.append(Match(target, min(round(confidence, 2), SUREST)))
    return sorted(found, key=lambda match: -match.confidence)


def is_sure(found: Sequence[Match]) -> bool:
    """Say whether the first of a column's matches stands without a question."""
    if not found or found[0].confidence < SURE:
        return False
    return len(found) == 1 or found[0].confidence - found[1].confidence >= LEAD


def could_hold(target: str, column: Column) -> bool:
    """Say whether a column's cells fit a target, whatever its header says.

    Examples
    --------
    >>> from registry.proposing.contents import profile
    >>> could_hold("onset", Column("x", 0, profile(["2024-01-31"]))), could_hold("side", Column("x", 0, profile(["7"])))
    (True, False)
    """
    return bool(column.content.n_filled) and not column.numbers and fit_of(target, column.content)[0] >= FITTING


@cache
def _targets() -> tuple[str, ...]:
    return tuple(dict.fromkeys(target for uses in header_phrases().values() for target in uses))


def _by_header(name: str) -> dict[str, float]:
    """Return target -> likeness of the header, 0 to 1."""
    bare = re.sub(r"\{n\}(st|nd|rd|th|[ºª°.])?", " ", name)
    likeness: dict[str, float] = {}
    for spelling in spellings(bare):
        exact = header_phrases().get(spelling)
        if exact:
            # One phrase for two fields (in two languages, say) names neither for sure.
            return dict.fromkeys(exact, EXACT if len(exact) == 1 else LIKE)
        for phrase, uses in header_phrases().items():
            like = _likeness(spelling, phrase)
            if like >= LEAST_LIKE:
                for target in uses:
                    likeness[target] = max(likeness.get(target, 0.0), LIKE * like)
    return likeness


@cache
def _likeness(one: str, other: str) -> float:
    """Return how alike two plain phrases are, 0 to 1; a word more is a reason to doubt, whatever the rest."""
    if 2 * len(_pairs(one) & _pairs(other)) < SHARED_PAIRS * (len(_pairs(one)) + len(_pairs(other))):
        return 0.0
    ours, theirs = one.split(), other.split()
    telling = [[token for token in tokens if token not in FILLERS] for tokens in (ours, theirs)]
    if len(ours) > 1 and all(telling) and not any(_alike(token, rival) for token in telling[0] for rival in telling[1]):
        return 0.0
    best = [max(_alike(token, rival) for rival in theirs) for token in ours]
    by_token = 2 * min(sum(best), len(theirs)) / (len(ours) + len(theirs))
    likeness = max(by_token, difflib.SequenceMatcher(None, one, other).ratio())
    return min(likeness, MORE_SAID) if len(ours) > 1 and 0.0 in best else likeness


@cache
def _pairs(text: str) -> frozenset[str]:
    return frozenset(text[i : i + 2] for i in range(len(text) - 1))


@cache
def _alike(one: str, other: str) -> float:
    ratio = difflib.SequenceMatcher(None, one, other).ratio()
    return ratio if ratio >= 0.8 else 0.0


def _only_numbered(template: str) -> bool:
    """Say whether a header is one of the vocabulary's phrases only without its number."""
    bare = re.sub(r"\{n\}(st|nd|rd|th|[ºª°.])?", " ", template)
    return any(set(header_phrases().get(spelling, {})) & {"seen", "status"} for spelling in spellings(bare))
