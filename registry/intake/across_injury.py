"""Checks of cases against each other, of contacts in their order, and of climbers against what else is said of them.

Common practice, no source: 14 days as the time in which a second injury of the same finger is taken for the first one
written down again; a case of which no structure is recorded may be the same as any other of that finger.
"""

from __future__ import annotations

from registry.intake.checks import stripped, text_literal

LIKELY_DUPLICATE_DAYS = 14

_PLACE = 'site, "case", athlete, side, digit, onset, confirmed_distinct'
_SAME_PLACE = 'c.site = g.site AND c."case" = g."case" AND c.athlete = g.athlete AND c.side = g.side '
_CASES = (
    f"(SELECT row_id, origin, {_PLACE}, EXISTS (SELECT 1 FROM current_cases c WHERE {_SAME_PLACE}"
    f"AND c.digit = g.digit AND c.onset = g.onset) AS settled FROM good g UNION ALL SELECT NULL, NULL, {_PLACE}, true "
    'FROM current_cases WHERE site IN (SELECT site FROM good) AND "case" NOT IN (SELECT "case" FROM good))'
)
"""The delivered cases and the registry's others. A case is settled when the registry knows it with this place and day:
whether it doubles another settled one was decided when it came in."""

_CASE, _STRUCTURE = stripped('"case"'), stripped("structure")
_TISSUES = (
    f"(SELECT {_CASE} AS \"case\", lower({_STRUCTURE}) AS structure FROM staged_findings WHERE {_STRUCTURE} <> '' "
    'UNION SELECT "case", structure FROM current_findings WHERE site IN (SELECT site FROM good))'
)
_PAIRS = (
    f'(SELECT t.*, o."case" AS other FROM {_CASES} t JOIN {_CASES} o ON o.athlete = t.athlete AND o.side = t.side '
    'AND o.digit = t.digit WHERE o."case" <> t."case" AND NOT t.settled '
    f"AND abs(t.onset - o.onset) <= {LIKELY_DUPLICATE_DAYS} "
    "AND t.confirmed_distinct IS DISTINCT FROM 'yes' AND o.confirmed_distinct IS DISTINCT FROM 'yes' "
    'AND (o.settled OR (o.onset, o."case") < (t.onset, t."case")))'
)

LIKELY_DUPLICATE = (
    f'FROM {_PAIRS} t LEFT JOIN {_TISSUES} mine ON mine."case" = t."case" '
    f'LEFT JOIN {_TISSUES} theirs ON theirs."case" = t.other '
    "WHERE mine.structure IS NULL OR theirs.structure IS NULL OR mine.structure = theirs.structure"
)
"""The newer one is held: the one that the registry does not know yet, else the one with the later onset."""

STATUS_RANKS = ("off_climbing", "not_yet_full", "modified_climbing", "full_climbing", "previous_level")
"""From furthest to nearest; a climber who has given up has no rank."""

_RANK = (
    "CASE status "
    + " ".join(f"WHEN {text_literal(status)} THEN {rank}" for rank, status in enumerate(STATUS_RANKS))
    + " END"
)
_CONTACTS = (
    f'(SELECT row_id, origin, false AS known, "case", seen, {_RANK} AS rank FROM good UNION ALL '
    f'SELECT NULL, NULL, true, "case", seen, {_RANK} FROM current_follow_ups c WHERE c.site IN (SELECT site FROM good) '
    'AND c."case" IN (SELECT "case" FROM good) AND ("case", seen) NOT IN (SELECT ("case", seen) FROM good))'
)
STATUS_BACKWARDS = (
    "FROM (SELECT *, lag(rank) OVER contacts AS before, lead(rank) OVER contacts AS after, "
    f"lead(known) OVER contacts AS after_known FROM {_CONTACTS} WHERE rank IS NOT NULL "
    'WINDOW contacts AS (PARTITION BY "case" ORDER BY seen, known)) t '
    "WHERE NOT known AND (before > rank OR (after_known AND after < rank))"
)


def climber_differs(column: str) -> str:
    """Return the condition for a climber's row that was made from a row of cases and contradicts another.

    Rows of athletes that were delivered as such may correct the registry; what a row of cases says in passing may not.
    """
    value = f"nullif({column}, 'unknown')" if column == "sex" else column
    said = (
        f"(SELECT athlete, {value} AS said FROM good UNION ALL SELECT athlete, {value} FROM current_athletes "
        "WHERE site IN (SELECT site FROM good) AND athlete NOT IN (SELECT athlete FROM good WHERE origin = row_id))"
    )
    return (
        "FROM good t WHERE t.origin <> t.row_id AND t.athlete IN "
        f"(SELECT athlete FROM {said} GROUP BY athlete HAVING count(DISTINCT said) > 1)"
    )


def lost_zeros(column: str, *, known: str, longer: str) -> str:
    """Return the condition for a number that stands elsewhere with leading zeros more.

    Parameters
    ----------
    column
        The quoted cell.
    known, longer
        Sub-selects of keys in a column ``key``: those that are right as they are, and those that may have more zeros.
    """
    cell, digits = f"t.{column}", "regexp_full_match({}, '[0-9]+')"
    return (
        f"{digits.format(cell)} AND NOT EXISTS (SELECT 1 FROM {known} k WHERE k.key = {cell}) "
        f"AND EXISTS (SELECT 1 FROM {longer} k WHERE ltrim(k.key, '0') = ltrim({cell}, '0') "
        f"AND length(k.key) > length({cell}) AND {digits.format('k.key')})"
    )
