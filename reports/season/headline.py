"""The first screen: what a board member wants to know, in plain words."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from analysis.results import Distribution, IncidenceRates, ReturnCurves
from analysis.returns import return_curves
from analysis.shares import distribution
from analysis.thresholds import SMALL_CELL
from reports import document as doc
from reports import wording
from reports.document import Block, Headline, Headlines, Listing, Paragraph, Section, Words
from reports.frames import records
from reports.season.material import ADULT, Gap, Material, attempt, number


def section(material: Material) -> Section:
    """Return the headline section."""
    rates = material.rates()
    blocks: list[Block] = [Paragraph(_lead(material), role="lead")]
    if material.fingers:
        blocks.append(Headlines(tuple(_headlines(material, rates))))
        blocks.append(Listing(tuple(_points(material, rates))))
    blocks.append(
        Paragraph(
            (
                "Ranges in brackets are 95 % limits: the range of values that the data are compatible with. ",
                "A wide range means that the number is uncertain, not that something is wrong.",
            ),
            role="note",
        )
    )
    return Section(key="headline", title="In short", blocks=tuple(blocks))


def spoken_day(day: date) -> str:
    """Say a day.

    Examples
    --------
    >>> spoken_day(date(2031, 3, 7))
    '7 March 2031'
    """
    # No strftime: its month names follow the machine's locale.
    names = "January February March April May June July August September October November December"
    return f"{day.day} {names.split()[day.month - 1]} {day.year}"


def _lead(material: Material) -> Words:
    days = f"{spoken_day(material.period.starts_on)} to {spoken_day(material.period.ends_on)}"
    if not material.fingers:
        return (f"No finger injury that began from {days} is in this registry.",)
    minors: Words = (
        " Of these fingers, ",
        number(material.minors, "injured fingers of under-18s"),
        _plural(material.minors, " was of a climber", " were of climbers"),
        " under 18; they are reported apart.",
    )
    return (
        f"From {days}, ",
        number(material.fingers, "injured fingers"),
        _plural(material.fingers, " finger was hurt", " fingers were hurt"),
        ", in ",
        number(material.occurrences, "occurrences"),
        _plural(material.occurrences, " event to ", " events to "),
        number(material.climbers_hurt, "climbers"),
        _plural(material.climbers_hurt, " climber.", " climbers."),
        *(minors if material.minors else ()),
    )


def _plural(n: int, one: str, more: str) -> str:
    return one if n == 1 else more


def _headlines(material: Material, rates: IncidenceRates | Gap) -> list[Headline]:
    items = [Headline("fingers", number(material.fingers, "injured fingers"), ("injured fingers",))]
    overall = overall_rate(rates)
    if overall is not None:
        whole = _rate_cell(overall, rates)
        words = f"injuries per 1000 hours of climbing, {_limits_of(whole)} (events, not fingers)"
        items.append(Headline("rate", _without_limits(whole), (words,)))
        hours = doc.hours(overall["exposure"] * 60, of_what="observed climbing")
        items.append(Headline("hours", hours, ("hours of climbing watched",)))
    returned = attempt(return_curves, material.cases(), by=None)
    half = _half_back(returned)
    if half is not None:
        words = f"days until half of the injured adults climbed fully again, {_limits_of(half)}"
        items.append(Headline("half_back", _without_limits(half), (words,)))
    return items


def _without_limits(cell: doc.Cell) -> doc.Cell:
    return replace(cell, shown=cell.shown.split(" (")[0])


def _limits_of(cell: doc.Cell) -> str:
    return "95 % limits " + cell.shown.partition(" (")[2].removesuffix(")")


def _rate_cell(row: dict[str, Any], rates: IncidenceRates | Gap) -> doc.Cell:
    cell = doc.rate(
        row["estimate"],
        per="1000 hours",
        exposure=row["exposure"],
        of_what="occurrences",
        low=row["conf_low"],
        high=row["conf_high"],
    )
    return replace(cell, method="" if isinstance(rates, Gap) else rates.method)


def overall_rate(rates: IncidenceRates | Gap) -> dict[str, Any] | None:
    """Return the row of the rate per hours over everything, if there is one."""
    if isinstance(rates, Gap):
        return None
    rows = [row for row in records(rates.table) if row["denominator"] == "hours"]
    return rows[0] if rows else None


def _half_back(curves: ReturnCurves | Gap) -> doc.Cell | None:
    if isinstance(curves, Gap):
        return None
    for row in records(curves.quantiles):
        if row["probability"] == 0.5 and not wording.is_missing(row["estimate"]):
            return _day_cell(row, curves)
    return None


def _day_cell(row: dict[str, Any], curves: ReturnCurves) -> doc.Cell:
    cell = doc.days(
        row["estimate"],
        of_what="half of the cases back",
        low=row["conf_low"],
        high=row["conf_high"],
        with_limits=True,
    )
    return replace(cell, method=curves.method)


def _points(material: Material, rates: IncidenceRates | Gap) -> list[Words]:
    points: list[Words] = []
    points += _most(attempt(distribution, material.cases(), by="digit"), "digit", "finger")
    points += _most(attempt(distribution, material.cases(), by="main_structure"), "main_structure", "structure")
    points += _most(attempt(distribution, material.cases(), by="mechanism"), "mechanism", "mechanism")
    points += _rate_words(rates)
    points += _tier_words(attempt(return_curves, material.cases(ADULT), by="tier"))
    return points


def _most(result: Distribution | Gap, column: str, what: str) -> list[Words]:
    if isinstance(result, Gap):
        return []
    known = [row for row in records(result.table) if _is_known(row[column])]
    top = max(known, key=lambda row: int(row["n"]), default=None)
    if top is None or top["n"] < SMALL_CELL or sum(row["n"] == top["n"] for row in known) > 1:
        return [(f"Most frequent {what}: {wording.TOO_FEW}.",)]
    share = doc.share(top["estimate"], of=top["of"], of_what=result.unit, low=top["conf_low"], high=top["conf_high"])
    share = replace(share, method=result.method)
    return [
        (
            f"Most frequent {what}: {wording.label(top[column], column=column)}, ",
            doc.count(top["n"], of_what=result.unit, denominator=top["of"]),
            " of ",
            doc.count(top["of"], of_what=result.unit),
            " fingers, ",
            share,
            ".",
        )
    ]


def _is_known(level: Any) -> bool:
    return not wording.is_missing(level) and level not in ("unknown", "not_applicable", wording.NOT_RECORDED)


def _rate_words(rates: IncidenceRates | Gap) -> list[Words]:
    if isinstance(rates, Gap):
        return [("How often per hour of climbing: too few to tell. ", rates.sentence)]
    overall = overall_rate(rates)
    if overall is None:
        return []
    rate = _rate_cell(overall, rates)
    return [
        (
            "Injuries per 1000 hours of climbing: ",
            rate,
            ", from ",
            doc.count(overall["events"], of_what="occurrences"),
            " events in observed and noted climbing time. What counts as an injury differs between sites; see Methods.",
        )
    ]


def _tier_words(curves: ReturnCurves | Gap) -> list[Words]:
    if isinstance(curves, Gap):
        return [("How long until people climb again: too few to tell. ", curves.sentence)]
    said: list[Words] = []
    halves = {row["group"]: row for row in records(curves.quantiles) if row["probability"] == 0.5}
    for tier in ("pulley_1", "pulley_2", "pulley_3", "pulley_4"):
        row = halves.get(tier)
        if row is None or wording.is_missing(row["estimate"]):
            continue
        day = _day_cell(row, curves)
        name = wording.label(tier, column="tier")
        said.append((f"{name} (adults): half were back at full climbing by day ", day, "."))
    return said or [(f"How long until people climb again: {wording.TOO_FEW}.",)]
