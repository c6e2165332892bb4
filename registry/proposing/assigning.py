"""Who takes what: each field gets one column at most, and a doubtful claim becomes a question."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from registry.privacy.column_names import announced
from registry.proposing.contents import MOSTLY, YEAR
from registry.proposing.matching import ASKED, PRIVATE, Column, Match, could_hold, is_sure, matches

EMPTY_DROPPED = 0.95
"""An empty column is dropped without a question: dropping nothing loses nothing, and the map says so."""
NEEDED = ("case", "athlete", "onset", "side", "digit")
"""Fields without which no row of the cases is taken in; columns whose cells fit are offered, whatever their names."""
OFFERED = 0.2
ASKED_OPTIONAL = 0.45
"""A field that nobody needs is asked about only where the name is more than half alike, or the cells speak for it."""
PRIVATE_SURE = 0.9
HOLDS = {
    "identity": "a direct identifier or free text",
    "patient_number": "a patient number",
    "birth_date": "a birth date",
}


@dataclass
class Assignment:
    """What each column is taken for.

    sure
        Target -> (column, confidence).
    asked
        Target -> the columns that may hold it, with their confidence, the likeliest first.
    dropped
        Empty columns.
    private
        Columns whose name or content announces a person, and what they seem to hold.
    unknown
        Columns that nothing was found for.
    """

    sure: dict[str, tuple[Column, float]] = field(default_factory=dict)
    asked: dict[str, list[tuple[Column, float]]] = field(default_factory=dict)
    dropped: list[Column] = field(default_factory=list)
    private: list[tuple[Column, str]] = field(default_factory=list)
    unknown: list[Column] = field(default_factory=list)


def assign(columns: Sequence[Column]) -> Assignment:
    """Give each column its field, or the question that it raises.

    Two columns that both claim a field for sure are both asked about: one of them is wrong.

    Examples
    --------
    >>> from registry.proposing.contents import profile
    >>> sides = profile(["links", "rechts", "links", "rechts"])
    >>> taken = assign([Column("Seite", 0, sides), Column("verletzte Hand", 1, sides)])
    >>> taken.sure, [column.name for column, _ in taken.asked["side"]]
    ({}, ['Seite', 'verletzte Hand'])
    """
    assignment = Assignment()
    claims: dict[str, list[tuple[Column, float]]] = defaultdict(list)
    doubtful: list[tuple[Column, list[Match]]] = []
    for column in columns:
        found = matches(column)
        kind = _private(column, found)
        if kind and column.content.n_filled:
            assignment.private.append((column, kind))
        elif is_sure(found) and found[0].target not in PRIVATE:
            claims[found[0].target].append((column, found[0].confidence))
        else:
            doubtful.append((column, found))
    for target, claimed in claims.items():
        if len(claimed) == 1:
            assignment.sure[target] = claimed[0]
        else:
            assignment.asked[target] = claimed
    for column, found in doubtful:
        _ask(column, found, assignment)
    for target in NEEDED:
        if target not in assignment.sure and target not in assignment.asked:
            _offer(target, assignment)
    for claimed in assignment.asked.values():
        claimed.sort(key=lambda claim: -claim[1])
    return assignment


def _offer(target: str, assignment: Assignment) -> None:
    fitting = [column for column in assignment.unknown if could_hold(target, column)]
    if fitting:
        assignment.asked[target] = [(column, OFFERED) for column in fitting]
        assignment.unknown = [column for column in assignment.unknown if column not in fitting]


def _private(column: Column, found: list[Match]) -> str:
    if found and found[0].target in PRIVATE and found[0].confidence >= PRIVATE_SURE:
        return HOLDS[found[0].target]
    kind = announced(column.name) or ""
    only_years = kind == "a birth date" and column.content.share(YEAR) >= MOSTLY
    return "" if only_years or is_sure(found) else kind


def _ask(column: Column, found: list[Match], assignment: Assignment) -> None:
    if not column.content.n_filled:
        assignment.dropped.append(column)
        return
    for match in found:
        least = ASKED if match.target in NEEDED else ASKED_OPTIONAL
        if match.target not in assignment.sure and match.target not in PRIVATE and match.confidence >= least:
            assignment.asked.setdefault(match.target, []).append((column, match.confidence))
            return
    assignment.unknown.append(column)
