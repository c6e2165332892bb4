"""Incidence: occurrences inside observed and covered time, per 1000 hours and per 1000 sessions of climbing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
import pandas as pd

from analysis.clustered_rates import robust_limits, robust_ratios
from analysis.incidence_notes import MOVED, level_notes, limit_notes, minors_note, sessions_notes, standing_notes
from analysis.levels import NOT_RECORDED, level_word
from analysis.proportions import normal_quantile
from analysis.rates import (
    Cells,
    cells_in_order,
    check_per,
    columns_of,
    rate_notes,
    rate_table,
    ratio_table,
    reference_cell,
)
from analysis.results import IncidenceRates
from analysis.sources import level_of, occurrences_of, risk_time_of, sites_of
from analysis.tallies import counts_by_cell, sums_by_cell
from analysis.thresholds import CONF_LEVEL
from registry.derive.occurrences import STANDINGS
from registry.door import require
from registry.errors import DataError, OptionError, suggestion

SHARED_COLUMNS = ("season", "site", "discipline", "setting", "context", "sex", "age_band", "minor", "level")
"""Columns that occurrences and climbing time share: only by these can both be divided."""

WHAT_TO_DELIVER = (
    "A rate needs observation.csv (who was watched from when to when) and exposure.csv (how long was climbed), "
    "of the injured and the uninjured alike."
)

SUMS = ("minutes", "sessions")
Table = pd.DataFrame


def incidence_rates(
    view: Any,
    *,
    by: str | Sequence[str] | None = None,
    per: float = 1000,
    reference: Any = None,
    conf_level: float = CONF_LEVEL,
) -> IncidenceRates:
    """Estimate how often climbers are hurt for the time they climb.

    The numerator is occurrences (several fingers hurt at once are one) that began while their climber was
    watched and climbing time was noted; all others are counted by standing. The denominator is the climbing time
    inside the observation, of the injured and the uninjured.

    Parameters
    ----------
    view
        An opened registry or freeze; or a mapping with the frames 'occurrences', 'risk_time' and, if known,
        'sites'.
    by
        One or more of season, site, discipline, setting, context, sex, age_band, minor, level.
    per
        The rate is stated per this many hours and per this many sessions.
    reference
        The level that the others are compared with; by default the first in the order of the code list;
        words without a code list, also those of a categorical column, are sorted alphabetically.
    conf_level
        Level of the limits.

    Returns
    -------
    IncidenceRates
        table: the columns of ``by``, denominator (hours, sessions), events, exposure, estimate, conf_low,
        conf_high (exact Poisson), climbers (climbers under observation with time in the cell), robust_low,
        robust_high (with climbers, or squads where the squad's time is noted, as clusters; NaN with too few events
        or clusters, the exact ones without any event).
        ratios: the columns of ``by``, denominator, reference, method (as ``event_rates``, and robust_log),
        estimate, conf_low, conf_high, p_value. counted: standing, n, meaning. sites: site, case_definition,
        consecutive, exposure_method.

    Raises
    ------
    ColumnError
        When a table lacks a column.
    OptionError
        When ``by`` is no column of both tables, or the reference does not exist.
    DataError
        When no site has climbing time inside observation.

    References
    ----------
    Garwood F (1936). Biometrika 28:437-442 (exact limits).
    Bahr R et al. (2020). Br J Sports Med 54:372-389 (incidence per 1000 hours).
    Cochran WG (1977). Sampling techniques, 3rd ed., section 6.3 (variance of a ratio, by cluster).

    Examples
    --------
    >>> hours = {"site": ["x"] * 2, "climber": ["a", "b"], "squad": [None] * 2, "unit": ["climber"] * 2,
    ...          "minutes": [6000, 54000], "sessions": [50, 450], "climbers": [1, 1], "minor": [False, False]}
    >>> hurt = {"site": ["x"], "climber": ["a"], "squad": [None], "standing": ["counted"], "minor": [False]}
    >>> incidence_rates({"risk_time": hours, "occurrences": hurt}).table["estimate"].tolist()
    [1.0, 2.0]
    """
    normal_quantile(conf_level)  # refuses a level outside 0 to 1 before the rows are read
    check_per(per)
    keys = columns_of(by)
    _check_by(keys)
    occurrences, risk_time = _entered(view, keys)
    counted = _counted(occurrences)
    hours, events = _time(risk_time, keys), _events(occurrences, keys)
    if not hours["minutes"].sum():
        raise DataError(_no_time(counted))
    without_sessions = _sites_without_sessions(risk_time)
    parts = _parts(events, hours, keys, without_sessions)
    cells = {denominator: _cells(part, keys) for denominator, part in parts.items()}
    against = reference_cell(list(cells["hours"]), keys, reference)
    tables = [_rates(part, cells[name], name, keys, per, conf_level) for name, part in parts.items()]
    ratios = [_ratios(part, cells[name], name, keys, against, conf_level) for name, part in parts.items()]
    notes = [
        *rate_notes(cells["hours"], ratios[0], "hours", conf_level),
        *limit_notes(parts["hours"], keys, cells["hours"], conf_level),
        *level_notes(parts["hours"], cells["hours"], keys),
        *sessions_notes(without_sessions, with_sessions="sessions" in parts),
        *minors_note(_cells_by_minor(occurrences, risk_time, keys)),
        *standing_notes(counted, WHAT_TO_DELIVER),
    ]
    return IncidenceRates(
        table=pd.concat(tables, ignore_index=True),
        method=f"Occurrences per {per:g} hours and per {per:g} sessions of climbing inside observation; exact "
        f"Poisson limits (Garwood); robust limits on the log scale, linearised over climbers or squads.",
        unit="occurrences",
        conf_level=conf_level,
        n_rows_in=int(counted["n"].sum()),
        n_rows_used=int(counted.loc[counted["standing"] == "counted", "n"].sum()),
        left_out=_left_out(counted),
        notes=tuple(notes),
        by=tuple(keys),
        per=per,
        exposure_unit="hours",
        ratios=pd.concat(ratios, ignore_index=True),
        counted=counted,
        sites=sites_of(view),
    )


RISK_COLUMNS = ("site", "climber", "squad", "unit", "minutes", "sessions", "climbers")


def _entered(view: Any, keys: Sequence[str]) -> tuple[nw.LazyFrame[Any], nw.LazyFrame[Any]]:
    occurrences, risk_time = occurrences_of(view), risk_time_of(view)
    needed = [(key, "the group") for key in keys]
    require(occurrences, [*needed, *((c, "an occurrence") for c in ("site", "climber", "squad", "standing"))])
    require(risk_time, [*needed, *((c, "the climbing time") for c in RISK_COLUMNS)])
    # A notebook's frame brings whole numbers with gaps as fractions.
    whole = [nw.col(name).cast(nw.Int64) for name in ("minutes", "sessions", "climbers")]
    return occurrences, risk_time.with_columns(*whole)


def _check_by(keys: Sequence[str]) -> None:
    for key in keys:
        if key not in SHARED_COLUMNS:
            listed = ", ".join(SHARED_COLUMNS)
            raise OptionError(
                f"by '{key}' is not possible: occurrences and climbing time can both be divided only by {listed}."
                f"{suggestion(key, SHARED_COLUMNS)}"
            )


def _counted(occurrences: nw.LazyFrame[Any]) -> Table:
    found = counts_by_cell(occurrences, "standing")
    numbers = {level_word(standing): int(n) for standing, n in zip(found["standing"], found["n"], strict=True)}
    words = [*STANDINGS, *(word for word in numbers if word not in STANDINGS)]
    rows = [(word, numbers.get(word, 0), STANDINGS.get(word, "")) for word in words]
    return pd.DataFrame(rows, columns=["standing", "n", "meaning"])


def _left_out(counted: Table) -> Table:
    rest = counted[(counted["standing"] != "counted") & (counted["n"] > 0)]
    reasons = rest["standing"] + ": " + rest["meaning"]
    return pd.DataFrame({"reason": reasons, "n": rest["n"]}).reset_index(drop=True)


def _no_time(counted: Table) -> str:
    total = int(counted["n"].sum())
    return f"no site has climbing time inside observation; {total} occurrences have no rate. {WHAT_TO_DELIVER}"


def _time(risk_time: nw.LazyFrame[Any], keys: Sequence[str]) -> Table:
    columns = list(dict.fromkeys([*keys, "site", "squad", "climber", "unit"]))
    largest = risk_time.group_by(columns).agg(heads=nw.col("climbers").max())
    sums = sums_by_cell(risk_time, columns, SUMS).drop(columns="n")
    heads = largest.sort(*columns, nulls_last=True).collect().to_pandas()
    # Both come from the same cells in the same total order.
    return sums.assign(heads=heads["heads"].fillna(1).astype("int64").to_numpy())


def _events(occurrences: nw.LazyFrame[Any], keys: Sequence[str]) -> Table:
    columns = list(dict.fromkeys([*keys, "site", "squad", "climber"]))
    counted = occurrences.filter(nw.col("standing") == "counted")
    return counts_by_cell(counted, columns).rename(columns={"n": "events"})


def _sites_without_sessions(risk_time: nw.LazyFrame[Any]) -> set[Any]:
    # A row with minutes and no sessions would put its occurrences over too few sessions.
    bare = risk_time.filter(nw.col("sessions").is_null(), nw.col("minutes") > 0)
    return set(bare.select("site").unique().collect()["site"].to_list())


def _parts(events: Table, hours: Table, keys: Sequence[str], without_sessions: set[Any]) -> dict[str, Table]:
    parts = {"hours": _clusters(events, hours, keys, "hours")}
    noted = hours[~hours["site"].isin(without_sessions)]
    if noted["sessions"].sum():
        theirs = events[~events["site"].isin(without_sessions)]
        parts["sessions"] = _clusters(theirs, noted, keys, "sessions")
    return parts


def _clusters(events: Table, hours: Table, keys: Sequence[str], denominator: str) -> Table:
    """Return the columns of ``keys``, cluster, climber, events, exposure, heads, and whether a level was ``MOVED``."""
    squads = {(row.site, row.squad) for row in hours[hours["unit"] == "squad"].itertuples()}

    def cluster(row: Any) -> str:
        # Where the squad's time is noted as a whole, its climbers' occurrences share that denominator.
        if (row.site, row.squad) in squads or pd.isna(row.climber):
            return f"squad {row.site}:{row.squad}"
        return str(row.climber)

    amount = hours["minutes"] / 60 if denominator == "hours" else hours["sessions"].astype(float)
    time = hours.assign(exposure=amount, events=0)
    hurt = events.assign(exposure=0.0, heads=0, unit="climber")
    both = pd.concat([time.astype(object), hurt.astype(object)], ignore_index=True)
    both = both.astype({"events": "int64", "exposure": float, "heads": "int64"})
    both["cluster"] = [cluster(row) for row in both.itertuples()]
    for key in keys:
        told = both[key].astype(object).map(level_of, na_action=None)
        both[key] = _as_the_hours_say(both, told)
        both[MOVED + key] = both[key] != told
    return both


def _as_the_hours_say(part: Table, levels: pd.Series[Any]) -> pd.Series[Any]:
    """Put occurrences under 'not recorded' where the hours of their climber or squad do not tell the level.

    A mixed squad notes no sex: its occurrences must not stand over the hours of others.
    """
    timed = part["minutes"].notna()
    known = set(zip(part.loc[timed, "cluster"], levels[timed], strict=True))
    untold = [
        (cluster, level) not in known and (cluster, NOT_RECORDED) in known
        for cluster, level in zip(part["cluster"], levels, strict=True)
    ]
    return levels.mask(pd.Series(untold, index=levels.index) & ~timed, NOT_RECORDED)


def _cells_by_minor(occurrences: nw.LazyFrame[Any], risk_time: nw.LazyFrame[Any], keys: Sequence[str]) -> Cells:
    """Return events and hours by minor, as ``by='minor'`` has them; nothing where ages stand apart or are not known."""
    known = {*occurrences.collect_schema().names()} & {*risk_time.collect_schema().names()}
    if {"minor", "age_band"} & set(keys) or "minor" not in known:
        return {}
    return _cells(
        _clusters(_events(occurrences, ["minor"]), _time(risk_time, ["minor"]), ["minor"], "hours"), ["minor"]
    )


def _cells(part: Table, keys: Sequence[str]) -> Cells:
    if not keys:
        return {(): (int(part["events"].sum()), float(part["exposure"].sum()))} if len(part) else {}
    sums = part.groupby(list(keys), sort=False)[["events", "exposure"]].sum()
    named = [cell if isinstance(cell, tuple) else (cell,) for cell in sums.index]
    pairs = zip(sums["events"].tolist(), sums["exposure"].tolist(), strict=True)
    cells: Cells = dict(zip(named, pairs, strict=True))
    return {cell: cells[cell] for cell in cells_in_order(cells, keys)}


def _rates(part: Table, cells: Cells, denominator: str, keys: Sequence[str], per: float, conf_level: float) -> Table:
    table = rate_table(cells, keys, per, conf_level)
    found = [robust_limits(part, keys, cell, conf_level) for cell in cells]
    robust = np.array([[each.low, each.high] for each in found]) * per
    few = np.array([each.few for each in found], dtype=bool)
    without = np.isnan(robust[:, 0]) & ~few
    robust[without] = table.loc[without, ["conf_low", "conf_high"]].to_numpy()
    heads = [_climbers(part, keys, cell) for cell in cells]
    whole = table.assign(climbers=heads, robust_low=robust[:, 0], robust_high=robust[:, 1])
    return _with_denominator(whole, denominator, keys)


def _ratios(
    part: Table,
    cells: Cells,
    denominator: str,
    keys: Sequence[str],
    against: tuple[Any, ...] | None,
    conf_level: float,
) -> Table:
    poisson = ratio_table(cells, keys, against if against in cells else None, conf_level)
    robust = robust_ratios(part, keys, against, conf_level)
    return _with_denominator(_by_cell(poisson, robust, keys), denominator, keys)


def _with_denominator(table: Table, denominator: str, keys: Sequence[str]) -> Table:
    rest = [name for name in table.columns if name not in keys]
    return table.assign(denominator=denominator)[[*keys, "denominator", *rest]]


def _climbers(part: Table, keys: Sequence[str], cell: tuple[Any, ...]) -> int:
    here = part[part["exposure"] > 0]
    for key, level in zip(keys, cell, strict=True):
        here = here[here[key] == level]
    own = here.loc[here["unit"] == "climber", "climber"].nunique()
    squads = here[here["unit"] == "squad"].groupby(["site", "squad"])["heads"].max()
    return int(own + squads.sum())


def _by_cell(ratios: Table, robust: Table, keys: Sequence[str]) -> Table:
    if not len(robust):
        return ratios
    both = pd.concat([ratios, robust], ignore_index=True)
    cells = list(zip(*[both[key] for key in keys], strict=True))
    place = {cell: number for number, cell in enumerate(dict.fromkeys(cells))}
    return both.iloc[np.argsort([place[cell] for cell in cells], kind="stable")].reset_index(drop=True)
