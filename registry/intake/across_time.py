"""Checks of climbing time across rows, as SQL: overlaps, impossible sums, and time that is noted twice.

Window functions and sorted joins, no comparison of every row with every other: a million rows take a few seconds.
"""

from __future__ import annotations

from registry.dictionary.exposure import EXPOSURE, MINUTES_A_DAY_A_HEAD
from registry.door import quoted

_KEY = [quoted(name) for name in EXPOSURE.key]
_SPAN = ", ".join([*_KEY, "ends_on", "minutes_total", "climbers"])
_SAME = " AND ".join(f"g.{name} IS NOT DISTINCT FROM c.{name}" for name in _KEY)
_OTHERS = (
    "FROM current_exposure c WHERE c.site IN (SELECT site FROM good) "
    f"AND NOT EXISTS (SELECT 1 FROM good g WHERE {_SAME})"
)
"""The registry's rows that this delivery does not bring anew."""

_SPANS = (
    f"(SELECT row_id, origin, false AS known, {_SPAN} FROM good UNION ALL SELECT NULL, NULL, true, {_SPAN} {_OTHERS})"
)

OVERLAPPING_EXPOSURE = (
    "FROM (SELECT *, max(ends_on) OVER (PARTITION BY athlete, squad, discipline, setting, context ORDER BY starts_on "
    "RANGE BETWEEN UNBOUNDED PRECEDING AND INTERVAL 1 DAY PRECEDING) AS earlier_until, "
    "min(CASE WHEN known THEN starts_on END) OVER (PARTITION BY athlete, squad, discipline, setting, context "
    "ORDER BY starts_on RANGE BETWEEN INTERVAL 1 DAY FOLLOWING AND UNBOUNDED FOLLOWING) AS known_from "
    f"FROM {_SPANS}) t WHERE NOT known AND (earlier_until >= starts_on OR known_from <= ends_on)"
)
"""Of two delivered rows the later one, of a delivered and a known row the delivered one. Rows that start on the same
day have the same key: they are revisions or conflicts, not overlaps."""

_LOADS = (
    f"SELECT DISTINCT {_SPAN}, minutes_total * 1000 // ((ends_on - starts_on + 1) * "
    f"greatest(coalesce(climbers, 1), 1)) AS load FROM {_SPANS} WHERE ends_on >= starts_on"
)
_HEAVY_DAYS = (
    "(SELECT athlete, squad, day FROM (SELECT athlete, squad, day, sum(change) OVER "
    "(PARTITION BY athlete, squad ORDER BY day) AS load FROM (SELECT athlete, squad, day, sum(change) AS change FROM "
    f"(WITH loads AS ({_LOADS}) SELECT athlete, squad, starts_on AS day, load AS change FROM loads UNION ALL "
    "SELECT athlete, squad, ends_on + 1, -load FROM loads) GROUP BY ALL)) "
    f"WHERE load > {MINUTES_A_DAY_A_HEAD} * 1000)"
)
"""Days from which a climber's rows together, each spread evenly over its days, exceed the limit; in thousandths of a
minute, so that sums are exact."""

TOO_MANY_HOURS_TOGETHER = (
    f"FROM good t ASOF JOIN {_HEAVY_DAYS} h ON coalesce(t.athlete, '') = coalesce(h.athlete, '') "
    "AND coalesce(t.squad, '') = coalesce(h.squad, '') AND t.starts_on <= h.day WHERE h.day <= t.ends_on"
)

_SQUADS = (
    "(SELECT squad, starts_on, max(ends_on) OVER (PARTITION BY squad ORDER BY starts_on) AS until FROM "
    f"{_SPANS} WHERE squad IS NOT NULL)"
)
_DIARIES = (
    "(SELECT squad, starts_on, max(ends_on) OVER (PARTITION BY squad ORDER BY starts_on) AS until FROM "
    "(SELECT a.squad, c.starts_on, c.ends_on FROM current_exposure c JOIN pool_athletes a USING (athlete) "
    "WHERE c.site IN (SELECT site FROM good) AND a.squad IS NOT NULL))"
)

DIARY_OF_A_SQUAD_MEMBER = (
    f"FROM (SELECT g.*, a.squad AS member_of FROM good g JOIN pool_athletes a USING (athlete) "
    f"WHERE a.squad IS NOT NULL) t ASOF JOIN {_SQUADS} s ON s.squad = t.member_of AND t.ends_on >= s.starts_on "
    "WHERE s.until >= t.starts_on"
)
"""Where both are new the diary is held: the squad's row speaks for many climbers."""

SQUAD_OF_A_DIARIST = (
    f"FROM good t ASOF JOIN {_DIARIES} d ON d.squad = t.squad AND t.ends_on >= d.starts_on WHERE d.until >= t.starts_on"
)
"""A squad's row for a time of which the registry holds the diary of a member."""
