"""Text alternatives: what a picture shows, in words, for whoever cannot see it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from analysis.results import (
    Agreement,
    Distribution,
    DistributionComparison,
    EventRates,
    OddsRatios,
    Result,
    ReturnCurves,
    SurvivalCurves,
    TrendTest,
)
from analysis.thresholds import MIN_CASES_FOR_MEDIAN
from reports import rounding, wording
from reports.frames import of_group, records
from reports.pictures.choosing import chosen_picture
from reports.pictures.forest_rows import forest_rows, methods_drawn, ratio_words, series_words
from reports.pictures.hands import alternative_hands

MOST = 8
"""More values than this are left to the table beside the picture."""


def alternative(result: Result, *, picture: str | None = None) -> str:
    """Return the text alternative of the picture that ``draw`` makes of a result."""
    if isinstance(result, Distribution):
        if isinstance(result, DistributionComparison):
            return _comparison(result)
        if chosen_picture(result, picture) == "hands":
            return alternative_hands(result)
        return _listed(_distribution(result), _distribution_values(result))
    for kind, say in SAID_OF:
        if isinstance(result, kind):
            return say(result)
    return f"Picture of: {result.method}"


def _odds(result: OddsRatios) -> str:
    reference = wording.label(result.reference, column=result.exposure)
    against = f" against {reference}" if result.table["exposure"].nunique() == 1 and result.reference else ""
    what = wording.outcome_words(result.outcome)
    if result.among:
        against += f", only {wording.outcome_words(result.among)}"
    return _listed(f"Forest plot of odds ratios of {what}{against}", _odds_values(result))


def _returns(result: ReturnCurves) -> str:
    return _listed("Step curves of the share back by day", _return_values(result))


def _survival(result: SurvivalCurves) -> str:
    return f"Step curves of the share without the event, {len(result.groups)} groups."


def _rates(result: EventRates) -> str:
    return _listed(f"Dots with limits: {wording.unit(result.unit)} per {result.per:g}", _rate_values(result))


def _trend(result: TrendTest) -> str:
    values = [
        f"{wording.label(row['level'], column=result.ordered)} {_share_or_mean(row)}" for row in records(result.table)
    ]
    return _listed(f"Dots with limits over {wording.column_label(result.ordered).lower()}, in order", values)


def _share_or_mean(row: dict[str, Any]) -> str:
    if "events" in row and not wording.is_missing(row["events"]):
        return f"{rounding.count(row['events'])} of {rounding.count(row['n'])}"
    return f"{row['estimate']:.2f}"


def _agreement(result: Agreement) -> str:
    readers = " and ".join(result.readers)
    values = [
        f"{wording.label(row['first'])} and {wording.label(row['second'])} {rounding.count(row['n'])}"
        for row in records(result.cells)
        if row["n"]
    ]
    return _listed(f"Table of the grades of {readers}", values)


def _comparison(result: DistributionComparison) -> str:
    column = result.by[0]
    values = [
        f"{wording.label(row[column], column=column)} {rounding.count(row['first_n'])} and "
        f"{rounding.count(row['second_n'])}"
        for row in records(result.table)
        if row["first_n"] or row["second_n"]
    ]
    return _listed(f"Two marks a row: shares in {result.first} and {result.second}", values)


SAID_OF: Final[tuple[tuple[type[Result], Callable[..., str]], ...]] = (
    (OddsRatios, _odds),
    (TrendTest, _trend),
    (Agreement, _agreement),
    (ReturnCurves, _returns),
    (SurvivalCurves, _survival),
    (EventRates, _rates),
)


def _listed(what: str, values: list[str]) -> str:
    shown = "; ".join(values[:MOST])
    more = f"; and {len(values) - MOST} more, see the table" if len(values) > MOST else ""
    return f"{what}. {shown}{more}." if values else f"{what}."


def _distribution(result: Distribution) -> str:
    names = " and ".join(wording.column_label(name).lower() for name in result.by)
    kind = "Heat table of counts" if len(result.by) == 2 else "Bars"
    return f"{kind} of {result.unit} by {names}"


def _distribution_values(result: Distribution) -> list[str]:
    rows = sorted(records(result.table), key=lambda row: -int(row["n"]))
    return [
        f"{', '.join(wording.label(row[name], column=name) for name in result.by)} {row['n']} of {row['of']}"
        for row in rows
        if row["n"]
    ]


def _odds_values(result: OddsRatios) -> list[str]:
    methods = methods_drawn(result.table)
    values = []
    for row in forest_rows(result):
        said = [
            (f"{series_words(result, method)} " if len(methods) > 1 else "") + ratio_words(line)
            for method, line in ((method, row.lines[method]) for method in methods if method in row.lines)
        ]
        if said:
            values.append(f"{row.label} {', '.join(said)}")
    return values


def _return_values(result: ReturnCurves) -> list[str]:
    values = []
    for row in records(result.groups):
        name = "all" if result.by is None else wording.label(row["group"], column=result.by)
        medians = of_group(result.quantiles, row["group"])
        half = [each["estimate"] for each in records(medians) if each["probability"] == 0.5]
        said = f"half back by day {rounding.days(half[0])}" if half else wording.TOO_FEW
        if half and wording.is_missing(half[0]):
            few = row["n"] < MIN_CASES_FOR_MEDIAN
            said = wording.TOO_FEW if few else "half back: not reached"
        values.append(f"{name}: {row['n']} cases, {said}")
    return values


def _rate_values(result: EventRates) -> list[str]:
    rows = records(result.table)
    first = rows[0].get("denominator") if rows else None
    return [
        f"{', '.join(wording.label(row[name], column=name) for name in result.by) or 'all'} "
        f"{rounding.rate(row['estimate'])}"
        for row in rows
        if row.get("denominator") == first
    ]
